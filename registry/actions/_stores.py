"""Writing stores and what stands in them, for the actions that register many things at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing
from registry.actions._devices import NewDevice, installed, write_device
from registry.actions._records import cleaned
from registry.actions._splits import new_split
from registry.actions._steps import find, fresh_key, repeated, require_account_open, start, within
from registry.models import (
    Account,
    Cabinet,
    CabinetModel,
    CabinetWhereabouts,
    Depot,
    Device,
    DeviceModel,
    Location,
    LocationHolding,
    LocationState,
)
from registry.rules import cabinets as cabinet_rules
from registry.rules import locations as location_rules
from registry.rules.assignments import Installation
from registry.rules.errors import Code, RuleBroken
from registry.rules.locations import LocationStanding
from registry.rules.particulars import invalid
from registry.rules.splits import Share
from registry.rules.texts import clean_code
from registry.rules.whereabouts import CabinetPlace

CABINETS_MAX = 50  # in one store, in one request
LOCATIONS_MAX = 50  # of one account, in one request


@dataclass(frozen=True, slots=True)
class NewCabinet:
    """A cabinet to register: its model, particulars (rules.cabinets.FIELDS), and split if known."""

    model_id: UUID
    particulars: Mapping[str, object]
    split: Sequence[Share] = ()
    # Only where a fleet that stands already is taken over: what hangs in it, and how.
    device: NewDevice | None = None
    installation: Installation = field(default_factory=Installation)
    key: UUID | None = None  # the caller's own, fresh


@dataclass(frozen=True, slots=True)
class NewLocation:
    """A location to register: its store number with the account, depot, particulars and cabinets."""

    store_number: str
    depot_id: UUID
    particulars: Mapping[str, object]
    state: str = str(LocationStanding.OPEN)
    cabinets: Sequence[NewCabinet] = ()


def write_location(
    writing: Writing, new: NewLocation, account: Account, at: datetime, *, known_by: bool = False
) -> tuple[Location, list[Cabinet], list[Device]]:
    """Write a location with its cabinets from `at` on; return them and the devices taken over.

    Raises RuleBroken CODE_TAKEN, CODE_REPEATED, ACCOUNT_CLOSED, NOT_FOUND, TOO_MANY, and what the
    cleaning and the parts raise.
    """
    depot = find(Depot, new.depot_id, "depot")
    writing.require_depot(depot.pk, "depot")
    require_account_open(account, at)
    values = cleaned(Location, new.particulars, location_rules.FIELDS, required=location_rules.REQUIRED)
    location_rules.check_coordinates(values.get("latitude"), values.get("longitude"))
    state = location_rules.clean_first_state(new.state)
    number = clean_code(new.store_number, "store_number")
    refuse_number_taken(account, number, at)
    location = writing.insert(Location(depot=depot, **values))
    start(
        writing,
        LocationHolding(location=location, account=account, store_number=number),
        at,
        known_by=known_by,
    )
    start(writing, LocationState(location=location, state=state), at, known_by=known_by)
    if len(new.cabinets) > CABINETS_MAX:
        raise too_many("cabinets", CABINETS_MAX)
    tags: set[str] = set()
    written = []
    for place, cabinet in enumerate(new.cabinets):
        with within("cabinets", place):
            tag = str(cabinet.particulars.get("asset_tag"))
            if tag in tags:
                raise repeated(tag, "asset_tag")
            tags.add(tag)
            written.append(write_cabinet(writing, cabinet, location, at, known_by=known_by))
    return location, [cabinet for cabinet, _ in written], [device for _, device in written if device]


def refuse_devices(new: NewLocation) -> None:
    """Raise RuleBroken VALUE_INVALID for a device in a cabinet of a location that is not taken over."""
    for place, cabinet in enumerate(new.cabinets):
        with within("cabinets", place):
            if cabinet.device is not None:
                raise invalid(
                    "device",
                    "A device is assigned, not registered with its cabinet. Take the location over instead.",
                )


def refuse_number_taken(account: Account, number: str, at: datetime, *, besides: UUID | None = None) -> None:
    """Raise RuleBroken CODE_TAKEN where the account has the number for another place at `at` or later."""
    taken = (
        LocationHolding.objects.current().overlapping(at, None).filter(account=account, store_number=number)
    )
    if taken.exclude(location=besides).exists():
        raise RuleBroken(
            Code.CODE_TAKEN,
            f"{account.label} has a store {number} already. Look it up, or choose another number.",
            field="store_number",
        )


def write_cabinet(
    writing: Writing, new: NewCabinet, place: Location | Depot, at: datetime, *, known_by: bool = False
) -> tuple[Cabinet, Device | None]:
    """Write a cabinet standing at a location or in a depot from `at` on, and the device taken over in it."""
    model = find(CabinetModel, new.model_id, "model")
    values = cleaned(Cabinet, new.particulars, cabinet_rules.FIELDS, required=cabinet_rules.REQUIRED)
    cabinet = writing.insert(Cabinet(id=fresh_key(Cabinet, new.key), model=model, **values))
    start(writing, stay_at(cabinet, place), at, known_by=known_by)
    if new.split:
        split, _ = new_split(writing, cabinet, new.split)
        start(writing, split, at, known_by=known_by)
    if new.device is None:
        return cabinet, None
    with within("device"):
        device_model = find(DeviceModel, new.device.model_id, "model")
    device = write_device(writing, device_model, new.device)
    start(writing, installed(device, cabinet, new.installation), at, known_by=known_by)
    return cabinet, device


def stay_at(cabinet: Cabinet, place: Location | Depot) -> CabinetWhereabouts:
    """Return a period of a cabinet at a location or in a depot, not yet written."""
    if isinstance(place, Location):
        return CabinetWhereabouts(cabinet=cabinet, place=CabinetPlace.LOCATION, location=place)
    return CabinetWhereabouts(cabinet=cabinet, place=CabinetPlace.DEPOT, depot=place)


def too_many(field: str, most: int) -> RuleBroken:
    """Return the refusal of a list that is longer than its limit."""
    return RuleBroken(
        Code.TOO_MANY, f"At most {most} {field} go into one request. Send the rest apart.", field=field
    )
