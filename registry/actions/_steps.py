"""Steps that several actions share: finding things, and carrying a history on."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any, TypeVar
from uuid import UUID

from registry.actions._action import Writing
from registry.models import (
    Account,
    AccountState,
    Cabinet,
    CabinetWhereabouts,
    Depot,
    Device,
    DeviceWhereabouts,
    Location,
    LocationHolding,
    LocationState,
    Staff,
)
from registry.models.base import PeriodVersion, Record, new_key
from registry.queries.periods import current_history, place_words
from registry.rules.accounts import AccountStanding
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.locations import LocationStanding, check_not_closed
from registry.rules.particulars import invalid
from registry.rules.periods import open_stretch, require_past, running_stretch
from registry.rules.whereabouts import CabinetPlace, DevicePlace, EndReason

KEY_VERSIONS = (4, 7)

Thing = TypeVar("Thing", bound=Record)
Dated = TypeVar("Dated", bound=PeriodVersion)


def find(model: type[Thing], key: UUID, field: str) -> Thing:
    """Return a record by its key; raises RuleBroken NOT_FOUND."""
    found: Thing | None = model._default_manager.filter(pk=key).first()
    if found is None:
        raise absent(field, str(model._meta.verbose_name))
    return found


def fresh_key(model: type[Record] | type[PeriodVersion], given: UUID | None) -> UUID:
    """Return the key for a new thing, or a new period's identity: the caller's own, or a fresh one.

    A phone without signal names what it makes, so that what it does next can tell of it. Raises RuleBroken
    CODE_TAKEN where something has that key, VALUE_INVALID for one that is not random (RFC 9562, 5.4 and 5.7).
    """
    if given is None:
        return new_key()
    if given.version not in KEY_VERSIONS:
        raise invalid("id", "A key is a UUID of version 7 or 4. Make a fresh one, or leave it out.")
    column = "period" if issubclass(model, PeriodVersion) else "pk"
    if model._default_manager.filter(**{column: given}).exists():
        raise RuleBroken(
            Code.CODE_TAKEN, "This key was used before. Make a fresh one for each new thing.", field="id"
        )
    return given


def refuse_taken(model: type[Record], field: str, value: object, *, besides: UUID | None = None) -> None:
    """Raise RuleBroken CODE_TAKEN where another record has this code."""
    if value is None:
        return
    others = model._default_manager.filter(**{field: value})
    if (others.exclude(pk=besides) if besides else others).exists():
        raise RuleBroken(
            Code.CODE_TAKEN,
            f"Another {model._meta.verbose_name} has the {field.replace('_', ' ')} {value}. Choose another,"
            " or look that one up.",
            field=field,
        )


@contextmanager
def within(*path: str | int) -> Iterator[None]:
    """Let a refusal say in which part of a whole it arose: names, and places in lists from 0.

    The whole way from the outermost part is in the refusal's `details["path"]`.
    """
    try:
        yield
    except RuleBroken as broken:
        deeper = broken.details.get("path")
        broken.details["path"] = [*path, *(deeper if isinstance(deeper, list) else [])]
        raise


def repeated(value: str, field: str) -> RuleBroken:
    """Return the refusal of a list that holds one code twice."""
    return RuleBroken(Code.CODE_REPEATED, f"{value} stands in the list twice. Leave one out.", field=field)


# --- histories -------------------------------------------------------------------------------------


def history(model: type[Dated], thing: Record | UUID) -> list[Dated]:
    """Return the current periods of one thing's history, earliest first."""
    periods: list[Dated] = current_history(model, thing.pk if isinstance(thing, Record) else thing)  # type: ignore[assignment]
    return periods


def history_in_sight(writing: Writing, model: type[Dated], thing: Record, field: str) -> list[Dated]:
    """Return the history of a cabinet or device that this person may see now.

    Raises RuleBroken NOT_FOUND for a hidden one, before anything else could tell that it is there.
    """
    periods = history(model, thing)
    # A merged or rejected device has no history any more: whoever answered for it last still sees that.
    newest: PeriodVersion = periods[-1] if periods else _believed_last(model, thing)
    if isinstance(newest, CabinetWhereabouts):
        writing.require_depot(newest.answering_depot_id(), field)
    elif isinstance(newest, DeviceWhereabouts):
        writing.require_depot(depot_of_device(newest, writing.now), field)
    return periods


def _believed_last(model: type[Dated], thing: Record) -> Dated:
    believed = model.objects.filter(**{model.history_of: thing.pk}).order_by("superseded_id", "valid_from")
    last: Dated = believed.reverse()[0]
    return last


def running(versions: Sequence[Dated], at: datetime, field: str = "valid_from") -> Dated:
    """Return the period that runs at `at` and still does; raises RuleBroken as `running_stretch` does."""
    return _chosen(versions, running_stretch([v.as_stretch(place_words(v)) for v in versions], at, field))


def to_end(versions: Sequence[Dated], at: datetime, field: str = "valid_from") -> Dated:
    """Return the period that a change at `at` would end; raises RuleBroken as `open_stretch` does."""
    return _chosen(versions, open_stretch([v.as_stretch(place_words(v)) for v in versions], at, field))


def _chosen(versions: Sequence[Dated], stretch: Any) -> Dated:
    return next(version for version in versions if version.period == stretch.identity)


def start(writing: Writing, version: Dated, at: datetime, *, known_by: bool = False) -> Dated:
    """Begin a history, or carry it on after a gap, with a period from `at` on."""
    require_past(at, writing.now, "valid_from")
    version.valid_from = at
    version.starts_known_by = known_by
    return writing.insert(version)


def carry_on(
    writing: Writing,
    ended: PeriodVersion,
    following: Dated,
    at: datetime,
    *,
    field: str = "valid_from",
    **closing: Any,
) -> Dated:
    """End a running period at `at`, which `field` stated, and start the next one there."""
    require_past(at, writing.now, field)
    writing.replace(ended, valid_to=at, **closing)
    return start(writing, following, at)


# --- scope -----------------------------------------------------------------------------------------


def depot_of_device(place: DeviceWhereabouts, at: datetime) -> UUID:
    """Return the depot that answers for a device at this place and time."""
    if place.depot_id is not None:
        return place.depot_id
    stay = (
        CabinetWhereabouts.objects.current()
        .valid_at(at)
        .filter(cabinet=place.cabinet_id)
        .select_related("location")
        .first()
    ) or history(CabinetWhereabouts, place.cabinet_id or UUID(int=0))[-1]
    return stay.answering_depot_id()


# --- devices ---------------------------------------------------------------------------------------


def in_custody(
    device: Device, place: DevicePlace, *, depot: UUID, staff: Staff | None = None, reference: str = ""
) -> DeviceWhereabouts:
    """Return a period of custody, not yet written; a van is a person's."""
    return DeviceWhereabouts(
        device=device,
        place=place,
        depot_id=depot,
        staff=staff if place is DevicePlace.VAN else None,
        reference=reference,
    )


def closing_facts(place: DeviceWhereabouts, reason: EndReason, note: str = "") -> dict[str, str]:
    """Return what the end of an assignment is told by; custody ends without words."""
    if place.place != DevicePlace.CABINET:
        return {}
    return {"end_reason": reason, "end_note": note}


def devices_in(cabinet: Cabinet, at: datetime) -> list[DeviceWhereabouts]:
    """Return the current assignments of a cabinet that run at `at` or later."""
    return list(
        DeviceWhereabouts.objects.current()
        .filter(cabinet=cabinet)
        .overlapping(at, None)
        .select_related("device", "device__model")
        .order_by("slot", "valid_from")
    )


def take_devices_out(
    writing: Writing,
    stays: Sequence[DeviceWhereabouts],
    at: datetime,
    *,
    depot: Depot,
    reason: EndReason,
) -> list[Device]:
    """End each assignment at `at` and bring its device into a depot; return the devices."""
    for stay in stays:
        place = to_end(history(DeviceWhereabouts, stay.device_id), at)
        carry_on(
            writing,
            place,
            in_custody(stay.device, DevicePlace.DEPOT, depot=depot.pk),
            at,
            **closing_facts(place, reason),
        )
    return [stay.device for stay in stays]


# --- stores ----------------------------------------------------------------------------------------


def require_open(location: Location, valid_from: datetime, valid_to: datetime | None = None) -> None:
    """Raise RuleBroken LOCATION_CLOSED where the store is closed at any instant of the period.

    Raises BEFORE_KNOWN where the store is not known by its start.
    """
    states = history(LocationState, location)
    if not states or states[0].valid_from > valid_from:
        raise RuleBroken(
            Code.BEFORE_KNOWN,
            f"{location.label} is not known by then. Give a later time, or correct its first period.",
            field="valid_from",
        )
    closed = (
        LocationState.objects.current()
        .filter(location=location, state=LocationStanding.CLOSED)
        .overlapping(valid_from, valid_to)
        .exists()
    )
    check_not_closed(closed, location.label)


def require_account_open(account: Account, at: datetime, field: str = "account") -> None:
    """Raise RuleBroken ACCOUNT_CLOSED where the account is closed at `at` or later, or BEFORE_KNOWN."""
    states = history(AccountState, account)
    if not states or states[0].valid_from > at:
        raise RuleBroken(
            Code.BEFORE_KNOWN,
            f"Account {account.label} is not known by then. Give a later time, or correct its first period.",
            field="valid_from",
        )
    if any(
        state.state == AccountStanding.CLOSED
        for state in states
        if state.valid_to is None or state.valid_to > at
    ):
        raise RuleBroken(
            Code.ACCOUNT_CLOSED,
            f"Account {account.label} is closed then. Open it again, or choose another account.",
            field=field,
        )


def holder_at(location: Location, at: datetime) -> Account | None:
    """Return the account that held a location at `at`."""
    held = (
        LocationHolding.objects.current()
        .valid_at(at)
        .filter(location=location)
        .select_related("account")
        .first()
    )
    return held.account if held else None


def location_of(stay: CabinetWhereabouts) -> Location | None:
    """Return the store of a cabinet's stay, if it is one."""
    return stay.location if stay.place == CabinetPlace.LOCATION else None


def place_record(stay: CabinetWhereabouts) -> Record:
    """Return the thing at which a cabinet stays: a location or a depot."""
    place: Record = stay.location or stay.depot  # type: ignore[assignment]
    return place
