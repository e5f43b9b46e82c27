"""Freezers: registered, put up, moved, scrapped; and their models."""

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._devices import refuse_sensor_mismatch
from registry.actions._records import cleaned, correct_record
from registry.actions._steps import (
    carry_on,
    devices_in,
    find,
    history,
    history_in_sight,
    place_record,
    require_open,
    take_devices_out,
    to_end,
)
from registry.actions._stores import NewCabinet, stay_at, write_cabinet
from registry.models import Cabinet, CabinetModel, CabinetWhereabouts, Depot, Device, Location
from registry.rules import cabinets as rules
from registry.rules import particulars as particular_rules
from registry.rules.cabinets import DevicesGo, check_devices_go
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.roles import Act
from registry.rules.whereabouts import CabinetPlace, EndReason, check_cabinet_move


@action(Act.KEEP_CATALOGUE)
def register_cabinet_model(writing: Writing, *, particulars: Mapping[str, object]) -> CabinetModel:
    """Register a cabinet model (rules.cabinets.MODEL_FIELDS).

    Raises RuleBroken CODE_TAKEN and what cleaning does.
    """
    model = writing.insert(
        CabinetModel(**cleaned(CabinetModel, particulars, rules.MODEL_FIELDS, required=rules.MODEL_REQUIRED))
    )
    writing.tell(Verb.CABINET_MODEL_REGISTERED, writing.now, {"cabinet_model": model})
    return model


@action(Act.KEEP_CATALOGUE)
def correct_cabinet_model(
    writing: Writing, *, cabinet_model_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> CabinetModel:
    """Correct a cabinet model; raises SENSOR_COUNT_MISMATCH and as `_records.correct_record` does."""
    model = correct_record(writing, CabinetModel, cabinet_model_id, particulars, rules.MODEL_FIELDS)
    refuse_sensor_mismatch(cabinet__model=model)
    writing.tell(Verb.CABINET_MODEL_CORRECTED, writing.now, {"cabinet_model": model}, reason=reason)
    return model


@action(Act.PLACE_CABINET)
def register_cabinet(
    writing: Writing,
    *,
    cabinet: NewCabinet,
    valid_from: datetime,
    location_id: UUID | None = None,
    depot_id: UUID | None = None,
) -> Cabinet:
    """Register a cabinet where it stands from a time on: at a location, or in a depot.

    Raises RuleBroken CODE_TAKEN, LOCATION_CLOSED, BEFORE_KNOWN, NOT_FOUND, SPLIT_NOT_WHOLE,
    NOT_FOUND, VALUE_INVALID for a device or for anything but one place, and what cleaning does.
    """
    if cabinet.device:
        raise particular_rules.invalid("device", "Register the cabinet first, then assign the device to it.")
    place = _place(writing, location_id, depot_id, valid_from)
    written, _ = write_cabinet(writing, cabinet, place, valid_from)
    writing.tell(Verb.CABINET_REGISTERED, valid_from, {"cabinet": written, "to": place})
    return written


@action(Act.PLACE_CABINET)
def correct_cabinet(
    writing: Writing, *, cabinet_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> Cabinet:
    """Correct a cabinet's particulars (rules.cabinets.FIELDS).

    Raises RuleBroken NOTHING_CHANGES, CODE_TAKEN, NOT_FOUND and what cleaning does.
    """
    cabinet = find(Cabinet, cabinet_id, "cabinet")
    stay = history(CabinetWhereabouts, cabinet)[-1]
    writing.require_depot(stay.answering_depot_id(), "cabinet")
    writing.revise(cabinet, **cleaned(Cabinet, particulars, rules.FIELDS, besides=cabinet_id))
    writing.tell(
        Verb.CABINET_CORRECTED, writing.now, {"cabinet": cabinet, "at": place_record(stay)}, reason=reason
    )
    return cabinet


@action(Act.PLACE_CABINET)
def move_cabinet(
    writing: Writing,
    *,
    cabinet_id: UUID,
    valid_from: datetime,
    location_id: UUID | None = None,
    depot_id: UUID | None = None,
    devices: str | None = None,
    devices_to: UUID | None = None,
    reason: str = "",
) -> CabinetWhereabouts:
    """Move a cabinet to a location or a depot from a time on.

    A device in it follows or comes out (`devices`, a word of rules.cabinets.DevicesGo); one that comes
    out goes to depot `devices_to`, or to the depot that answered for the cabinet. Raises RuleBroken
    VALUE_INVALID where that is not told, CABINET_NOT_AVAILABLE, LOCATION_CLOSED, NOTHING_CHANGES,
    BEFORE_KNOWN, OVERLAPPING_HISTORY, NOT_FOUND.
    """
    cabinet, present = _present(writing, cabinet_id, valid_from)
    place = _place(writing, location_id, depot_id, valid_from)
    if place == place_record(present):
        raise RuleBroken(Code.NOTHING_CHANGES, f"The cabinet is at {place.label} already.", field="location")
    following, removed = _settle_devices(writing, cabinet, present, valid_from, devices, devices_to)
    stay = carry_on(writing, present, stay_at(cabinet, place), valid_from)
    writing.tell(
        Verb.CABINET_MOVED,
        valid_from,
        {
            "cabinet": cabinet,
            "from": place_record(present),
            "to": place,
            "device": following,
            "removed": removed,
        },
        reason=reason,
    )
    return stay


@action(Act.SCRAP_CABINET)
def scrap_cabinet(
    writing: Writing,
    *,
    cabinet_id: UUID,
    valid_from: datetime,
    devices_to: UUID | None = None,
    reason: str = "",
) -> CabinetWhereabouts:
    """Retire a cabinet from a time on; a device in it comes out, as `move_cabinet` says.

    Raises RuleBroken CABINET_NOT_AVAILABLE, BEFORE_KNOWN, OVERLAPPING_HISTORY, NOT_FOUND.
    """
    cabinet, present = _present(writing, cabinet_id, valid_from)
    _, removed = _settle_devices(writing, cabinet, present, valid_from, DevicesGo.COME_OUT, devices_to)
    scrapped = CabinetWhereabouts(
        cabinet=cabinet, place=CabinetPlace.SCRAPPED, depot_id=present.answering_depot_id()
    )
    stay = carry_on(writing, present, scrapped, valid_from)
    writing.tell(
        Verb.CABINET_SCRAPPED,
        valid_from,
        {"cabinet": cabinet, "from": place_record(present), "removed": removed},
        reason=reason,
    )
    return stay


def _present(writing: Writing, cabinet_id: UUID, at: datetime) -> tuple[Cabinet, CabinetWhereabouts]:
    cabinet = find(Cabinet, cabinet_id, "cabinet")
    present = to_end(history_in_sight(writing, CabinetWhereabouts, cabinet, "cabinet"), at)
    check_cabinet_move(CabinetPlace(present.place))
    return cabinet, present


def _place(
    writing: Writing, location_id: UUID | None, depot_id: UUID | None, at: datetime
) -> Location | Depot:
    if (location_id is None) == (depot_id is None):
        raise particular_rules.invalid("location", "A cabinet goes to one place. Name a location or a depot.")
    if location_id is not None:
        location = find(Location, location_id, "location")
        writing.require_depot(location.depot_id, "location")
        require_open(location, at)
        return location
    depot = find(Depot, depot_id or UUID(int=0), "depot")
    writing.require_depot(depot.pk, "depot")
    return depot


def _settle_devices(
    writing: Writing,
    cabinet: Cabinet,
    present: CabinetWhereabouts,
    at: datetime,
    devices: str | None,
    devices_to: UUID | None,
) -> tuple[list[Device], list[Device]]:
    """Return the devices that follow and those that came out."""
    stays = devices_in(cabinet, at)
    go = DevicesGo(str(particular_rules.choice(DevicesGo)(devices, "devices"))) if devices else None
    check_devices_go([stay.device.serial for stay in stays], go)
    if go is not DevicesGo.COME_OUT:
        return [stay.device for stay in stays], []
    depot = find(Depot, devices_to or present.answering_depot_id(), "devices_to")
    writing.require_depot(depot.pk, "devices_to")
    return [], take_devices_out(writing, stays, at, depot=depot, reason=EndReason.MOVED)
