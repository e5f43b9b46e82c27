"""What a correction may state, and what it may not bring about."""

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from registry.actions._action import Writing
from registry.actions._steps import find, history_in_sight
from registry.actions._stores import too_many
from registry.models import (
    Account,
    AccountState,
    Cabinet,
    CabinetWhereabouts,
    Depot,
    DeviceWhereabouts,
    Location,
    LocationHolding,
    LocationState,
    Split,
    Staff,
)
from registry.models.base import PeriodVersion, Record
from registry.queries.periods import current_history
from registry.rules import particulars
from registry.rules.accounts import AccountStanding
from registry.rules.assignments import Installation, check_installation
from registry.rules.errors import Code, RuleBroken
from registry.rules.locations import LocationStanding, check_not_closed
from registry.rules.periods import show
from registry.rules.splits import SHARES_MAX, Share
from registry.rules.texts import clean_code, clean_note
from registry.rules.whereabouts import CabinetPlace, DevicePlace, EndReason

# The facts that a correction may state, by history, and the record to which each key refers.
_REFERS: dict[str, type[Record]] = {
    "cabinet_id": Cabinet,
    "location_id": Location,
    "depot_id": Depot,
    "staff_id": Staff,
    "account_id": Account,
}


def _sensor_order(given: object, field: str) -> str:
    ports = particulars.line(given, field).split()
    if not all(port.isascii() and port.isdigit() for port in ports):
        raise particulars.invalid(field, "Name the ports left to right, such as 1 2 3.")
    return " ".join(str(int(port)) for port in ports)


_PLAIN: dict[str, particulars.Cleaner] = {
    "slot": particulars.whole_number(1, 99),
    "slot_reason": clean_note,
    "sensor_order": _sensor_order,
    "rail_below_ceiling_mm": particulars.optional(particulars.whole_number(0, 10_000, " mm")),
    "offset_from_front_mm": particulars.optional(particulars.whole_number(0, 10_000, " mm")),
    "end_reason": particulars.choice(EndReason),
    "end_note": clean_note,
    "store_number": clean_code,
}
_INSTALLATION = frozenset(
    {"cabinet_id", "slot", "slot_reason", "sensor_order", "rail_below_ceiling_mm", "offset_from_front_mm"}
)
_ENDING = frozenset({"end_reason", "end_note"})


def cleaned_facts(
    writing: Writing, period: PeriodVersion, facts: Mapping[str, object]
) -> tuple[dict[str, Any], list[Share] | None]:
    """Return the facts that a correction states and that differ, and a split's new shares, if any.

    Raises RuleBroken VALUE_INVALID for a fact that this period does not have, NOT_FOUND, TEXT_INVALID.
    """
    allowed = _facts_of(period)
    values: dict[str, Any] = {}
    shares: list[Share] | None = None
    for name, given in facts.items():
        if name not in allowed:
            raise particulars.invalid(
                name, f"This period has no {name}. Correct one of {', '.join(sorted(allowed))}."
            )
        if name == "shares":
            shares = _shares(given)
        elif name in _REFERS:
            if not isinstance(given, UUID):
                raise particulars.invalid(name, f"{given!r} names nothing. Give a key.")
            values[name] = _thing_in_sight(writing, find(_REFERS[name], given, name), name)
        elif name == "state":
            states = LocationStanding if isinstance(period, LocationState) else AccountStanding
            values[name] = particulars.choice(states)(given, name)
        else:
            values[name] = _PLAIN[name](given, name)
    values = {name: value for name, value in values.items() if getattr(period, name) != value}
    if isinstance(period, Split) and shares is not None and shares == _present_shares(period):
        shares = None
    return values, shares


def _thing_in_sight(writing: Writing, thing: Record, field: str) -> UUID:
    if isinstance(thing, Depot):
        writing.require_depot(thing.pk, field)
    elif isinstance(thing, Location):
        writing.require_depot(thing.depot_id, field)
    elif isinstance(thing, Cabinet):
        history_in_sight(writing, CabinetWhereabouts, thing, field)
    return thing.pk


def _facts_of(period: PeriodVersion) -> frozenset[str]:
    if isinstance(period, DeviceWhereabouts):
        if period.place == DevicePlace.CABINET:
            return _INSTALLATION | _ENDING if period.valid_to else _INSTALLATION
        return frozenset({"depot_id", "staff_id"} if period.place == DevicePlace.VAN else {"depot_id"})
    if isinstance(period, CabinetWhereabouts):
        return frozenset({"location_id"} if period.place == CabinetPlace.LOCATION else {"depot_id"})
    if isinstance(period, LocationHolding):
        return frozenset({"account_id", "store_number"})
    if isinstance(period, Split):
        return frozenset({"shares"})
    return frozenset({"state"})


def _shares(given: object) -> list[Share]:
    if not isinstance(given, list | tuple) or not all(isinstance(share, Share) for share in given):
        raise particulars.invalid("shares", "List the shares from left to right.")
    if len(given) > SHARES_MAX:
        raise too_many("shares", SHARES_MAX)
    return list(given)


def _present_shares(split: Split) -> list[Share]:
    return [Share(share.product_id, share.hundredths) for share in split.shares.order_by("position")]


def refuse_impossible_facts(planned: Sequence[tuple[PeriodVersion, Mapping[str, Any]]]) -> None:
    """Raise RuleBroken for facts of an assignment that cannot be, before the database would refuse them.

    VALUE_INVALID, SLOT_NEEDS_REASON, REASON_MISSING.
    """
    for version, new in planned:
        if not isinstance(version, DeviceWhereabouts) or version.cabinet_id is None:
            continue
        value = _with(version, new)
        installation = Installation(
            value["slot"],
            value["slot_reason"],
            tuple(int(port) for port in value["sensor_order"].split()),
            value["rail_below_ceiling_mm"],
            value["offset_from_front_mm"],
        )
        check_installation(installation, version.device.model.sensor_count)
        if value["end_reason"] == EndReason.OTHER and not value["end_note"]:
            raise RuleBroken(Code.REASON_MISSING, "Say in words why the assignment ended.", field="end_note")


def _with(version: PeriodVersion, new: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **{field.attname: getattr(version, field.attname) for field in version._meta.concrete_fields},
        **new,
    }


def refuse_overlaps_elsewhere(planned: Sequence[tuple[PeriodVersion, Mapping[str, Any]]]) -> None:
    """Raise RuleBroken where a planned period would meet another thing's in the same slot or number.

    SLOT_TAKEN, CODE_TAKEN: asked before anything is written, because the database would refuse it too.
    """
    moving = [version.period for version, _ in planned]
    for version, new in planned:
        value = _with(version, new)
        if isinstance(version, DeviceWhereabouts) and value["cabinet_id"] is not None:
            others = DeviceWhereabouts.objects.current().filter(
                cabinet=value["cabinet_id"], slot=value["slot"]
            )
            other = others.exclude(period__in=moving)
            met = other.overlapping(value["valid_from"], value["valid_to"]).select_related("device").first()
            if met:
                raise RuleBroken(
                    Code.SLOT_TAKEN,
                    f"Device {met.device.serial} hung in slot {met.slot} then. Correct its period first.",
                    field="slot",
                    details={"device": met.device.serial, "period": str(met.period)},
                )
        if isinstance(version, LocationHolding):
            number, account = value["store_number"], value["account_id"]
            others = LocationHolding.objects.current().filter(account=account, store_number=number)
            elsewhere = others.exclude(location=version.location_id)
            if elsewhere.overlapping(value["valid_from"], value["valid_to"]).exists():
                raise RuleBroken(
                    Code.CODE_TAKEN,
                    f"The account had a store {number} then. Choose another number.",
                    field="store_number",
                )


def refuse_contradictions(model: type[PeriodVersion], thing_id: UUID) -> None:
    """Raise RuleBroken where the corrected history contradicts another; asked after it was written.

    LOCATION_CLOSED, LOCATION_OCCUPIED, ACCOUNT_CLOSED, SENSOR_COUNT_MISMATCH, CABINET_NOT_AVAILABLE,
    BEFORE_KNOWN.
    """
    for version in current_history(model, thing_id):
        if isinstance(version, DeviceWhereabouts) and version.cabinet is not None:
            _check_assignment(version)
        elif isinstance(version, CabinetWhereabouts) and version.location is not None:
            _check_open(version.location, version)
        elif isinstance(version, LocationHolding):
            _check_account_open(version)
    if model is CabinetWhereabouts:
        _check_not_scrapped(thing_id)
        _check_known(model, thing_id, DeviceWhereabouts, cabinet=thing_id)
        _check_known(model, thing_id, Split, cabinet=thing_id)
    elif model is LocationState:
        _check_known(model, thing_id, CabinetWhereabouts, location=thing_id)
        for holding in LocationHolding.objects.current().filter(location=thing_id):
            _check_account_open(holding)
        for stay in CabinetWhereabouts.objects.current().filter(location=thing_id).select_related("location"):
            _check_occupied(stay)
    elif model is AccountState:
        for holding in LocationHolding.objects.current().filter(account=thing_id):
            _check_account_open(holding)


def _check_assignment(version: DeviceWhereabouts) -> None:
    device, cabinet = version.device, version.cabinet
    if cabinet is None:
        return
    if device.model.sensor_count != cabinet.model.sensor_count:
        raise RuleBroken(
            Code.SENSOR_COUNT_MISMATCH,
            f"The device has {device.model.sensor_count} sensors, the cabinet takes"
            f" {cabinet.model.sensor_count}. Choose another cabinet.",
            field="cabinet_id",
        )
    _check_not_scrapped(cabinet.pk)
    first = current_history(CabinetWhereabouts, cabinet.pk)[0]
    if version.valid_from < first.valid_from:
        raise _before_known(cabinet.label, first)


def _check_not_scrapped(cabinet_id: UUID) -> None:
    scrapped = CabinetWhereabouts.objects.current().filter(cabinet=cabinet_id, place=CabinetPlace.SCRAPPED)
    for stay in scrapped:
        hung = DeviceWhereabouts.objects.current().overlapping(stay.valid_from, stay.valid_to)
        met = hung.filter(cabinet=cabinet_id).select_related("device").first()
        if met is not None:
            raise RuleBroken(
                Code.CABINET_NOT_AVAILABLE,
                f"Device {met.device.serial} would hang in a scrapped cabinet. Correct its period first.",
                field="cabinet_id",
                details={"device": met.device.serial, "period": str(met.period)},
            )


def _check_open(location: Location, stay: CabinetWhereabouts) -> None:
    states = current_history(LocationState, location.pk)
    if stay.valid_from < states[0].valid_from:
        raise _before_known(location.label, states[0])
    check_not_closed(_closed_during(stay), location.label)


def _closed_during(stay: CabinetWhereabouts) -> bool:
    closed = LocationState.objects.current().filter(location=stay.location_id, state=LocationStanding.CLOSED)
    return closed.overlapping(stay.valid_from, stay.valid_to).exists()


def _check_occupied(stay: CabinetWhereabouts) -> None:
    if _closed_during(stay):
        raise RuleBroken(
            Code.LOCATION_OCCUPIED,
            f"Cabinet {stay.cabinet.asset_tag} stood there while it would be closed. Correct its stay first.",
            field="state",
        )


def _check_account_open(holding: LocationHolding) -> None:
    first = current_history(AccountState, holding.account_id)[0]
    if holding.valid_from < first.valid_from:
        raise _before_known(holding.account.label, first)
    closed = AccountState.objects.current().filter(account=holding.account_id, state=AccountStanding.CLOSED)
    open_states = LocationState.objects.current().filter(location=holding.location_id)
    open_states = open_states.exclude(state=LocationStanding.CLOSED)
    for state in closed.overlapping(holding.valid_from, holding.valid_to):
        # A closed account may keep what is closed itself.
        begin = max(state.valid_from, holding.valid_from)
        ends = [end for end in (state.valid_to, holding.valid_to) if end is not None]
        if open_states.overlapping(begin, min(ends, default=None)).exists():
            raise RuleBroken(
                Code.ACCOUNT_CLOSED,
                f"The account was closed at {show(begin)}, while it would hold an open location."
                " Choose another account or time.",
                field="account_id",
            )


def _check_known(
    model: type[PeriodVersion], thing_id: UUID, dependent: type[PeriodVersion], **about: UUID
) -> None:
    first = current_history(model, thing_id)[0]
    if dependent.objects.current().filter(**about, valid_from__lt=first.valid_from).exists():
        raise _before_known(str(dependent._meta.verbose_name), first)


def _before_known(label: str, first: PeriodVersion) -> RuleBroken:
    return RuleBroken(
        Code.BEFORE_KNOWN,
        f"{label} would begin before what it rests on, which is known since {show(first.valid_from)}."
        " Choose a later time, or correct that one first.",
        field="valid_from",
    )
