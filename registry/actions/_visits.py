"""Steps that actions on visits share: who and what a visit can be of, and going on from state to state."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from registry.actions._action import Writing
from registry.actions._devices import store_of
from registry.actions._steps import find, history_in_sight
from registry.models import Cabinet, CabinetWhereabouts, Location, Staff, Visit, VisitCabinet
from registry.models.base import Record, new_key
from registry.queries.staff import scope_of
from registry.queries.visits import cabinets_of, visit_now
from registry.rules import visits as rules
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.particulars import day, invalid
from registry.rules.roles import ALLOWED, Act, Role
from registry.rules.texts import clean_note
from registry.rules.visits import VisitKind, VisitState

UNREAD: dict[str, Any] = {
    "acknowledged_by_id": None,
    "acknowledged_at": None,
    "caution_codes": "",
    "cautions_sha256": "",
}


def key_or_fresh(model: type[Record], key: UUID | None) -> UUID:
    """Return the key that a caller made for a new thing, or a fresh one; raises RuleBroken CODE_TAKEN."""
    if key is None:
        return new_key()
    if model._default_manager.filter(pk=key).exists():
        raise RuleBroken(
            Code.CODE_TAKEN, "Another thing has this id. Make a fresh one for each wish.", field="id"
        )
    return key


def visit_in_sight(writing: Writing, visit_id: UUID) -> Visit:
    """Return a visit; raises RuleBroken NOT_FOUND for one that is absent, hidden or another installer's."""
    return visit_now(visit_id, writing.scope, writing.actor.staff_id)


def visit_told_of(
    writing: Writing, visit_id: UUID | None, cabinet: Cabinet | None, at: datetime
) -> Visit | None:
    """Return the visit of which something is told that was done to a cabinet at a time, None where of none.

    What shows no cabinet is not asked where it was. Raises RuleBroken NOT_FOUND, CABINET_NOT_AVAILABLE,
    VISIT_STATE for a cancelled one.
    """
    if visit_id is None:
        return None
    visit = visit_in_sight(writing, visit_id)
    there = cabinet is None or store_of(cabinet, at) == visit.location
    rules.check_told_of(VisitState(visit.state), there, "" if cabinet is None else cabinet.label)
    return visit


def location_in_sight(writing: Writing, location_id: UUID) -> Location:
    """Return a location of this person's depots; raises RuleBroken NOT_FOUND."""
    location = find(Location, location_id, "location")
    writing.require_depot(location.depot_id, "location")
    return location


def read_installer(installer_id: UUID | None, location: Location) -> Staff | None:
    """Return who goes there; raises RuleBroken NOT_FOUND, VALUE_INVALID for somebody who cannot."""
    if installer_id is None:
        return None
    person = find(Staff, installer_id, "installer")
    able = person.is_active and Act.WORK_VISIT in ALLOWED[Role(person.role)]
    if not able or not scope_of(person).covers(location.depot_id):
        raise invalid(
            "installer", "This person does not work at locations of this depot. Choose somebody who does."
        )
    return person


def read_cabinets(
    writing: Writing, kind: VisitKind, location: Location, cabinet_ids: Sequence[UUID]
) -> list[Cabinet]:
    """Return the cabinets of a visit in the order given.

    Raises RuleBroken VALUE_INVALID, CODE_REPEATED, NOT_FOUND, CABINET_NOT_AVAILABLE for one that stands
    elsewhere.
    """
    rules.check_cabinets(kind, len(cabinet_ids))
    if len(set(cabinet_ids)) != len(cabinet_ids):
        raise RuleBroken(
            Code.CODE_REPEATED, "A cabinet stands in the list twice. Leave one out.", field="cabinets"
        )
    found = []
    for key in cabinet_ids:
        cabinet = find(Cabinet, key, "cabinet")
        history_in_sight(writing, CabinetWhereabouts, cabinet, "cabinet")
        if store_of(cabinet, writing.now) != location:
            raise RuleBroken(
                Code.CABINET_NOT_AVAILABLE,
                f"Cabinet {cabinet.label} does not stand at {location.label}. Choose one that does.",
                field="cabinets",
            )
        found.append(cabinet)
    return found


def day_at(location: Location, at: datetime) -> date:
    """Return the day of a time at a store."""
    return at.astimezone(ZoneInfo(location.time_zone)).date()


def check_day(writing: Writing, location: Location, planned_on: date, reason: str) -> None:
    """Raise RuleBroken REASON_MISSING or VALUE_INVALID for a day that is over at the store."""
    rules.check_day(planned_on, day_at(location, writing.now), reason)


def read_plan(writing: Writing, visit: Visit, particulars: Mapping[str, Any], reason: str) -> dict[str, Any]:
    """Return what is told of another plan, cleaned; the cabinets' keys are as given.

    A day that stays may be over by now. Raises RuleBroken VALUE_INVALID for what a plan does not have, for
    the day or the person, REASON_MISSING, TEXT_INVALID, NOT_FOUND.
    """
    values: dict[str, Any] = {}
    for name, value in particulars.items():
        if name == "planned_on":
            values[name] = day(value, name)
            if values[name] != visit.planned_on:
                check_day(writing, visit.location, values[name], reason)
        elif name == "note":
            values[name] = clean_note(value, name)
        elif name == "installer_id":
            values["installer"] = read_installer(value, visit.location)
        elif name == "cabinets":
            values[name] = value
        else:
            raise invalid(name, f"A plan has no {name!r}. Change its day, person, note or cabinets.")
    return values


def have_read_again(writing: Writing, visit: Visit) -> bool:
    """Take back who read the cautions of a visit; say whether anybody had."""
    lines = [line for line in cabinets_of(visit) if line.acknowledged_at]
    for line in lines:
        writing.revise(line, **UNREAD)
    return bool(lines)


def put_cabinets(writing: Writing, visit: Visit, cabinets: Sequence[Cabinet]) -> bool:
    """Make these the cabinets of a visit, in this order; say whether anything changed.

    A cabinet that is taken off keeps its row, and one that comes back has its cautions read again.
    """
    lines = {line.cabinet_id: line for line in VisitCabinet.objects.filter(visit=visit)}
    changed = False
    for position, cabinet in enumerate(cabinets, start=1):
        line = lines.pop(cabinet.pk, None)
        if line is None:
            writing.insert(VisitCabinet(visit=visit, cabinet=cabinet, position=position))
        elif line.withdrawn:
            writing.revise(line, withdrawn=False, position=position, **UNREAD)
        elif line.position != position:
            writing.revise(line, position=position)
        else:
            continue
        changed = True
    for line in lines.values():
        if not line.withdrawn:
            writing.revise(line, withdrawn=True)
            changed = True
    return changed


def read_left_out(visit: Visit, left_out: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return why cabinets of a visit were left out, by their labels, in the order of work.

    Raises RuleBroken NOT_FOUND for a cabinet that the visit does not have, CODE_REPEATED, TEXT_INVALID.
    """
    reasons = {one["cabinet_id"]: clean_note(one["reason"], "left_out") for one in left_out}
    if len(reasons) != len(left_out):
        raise RuleBroken(Code.CODE_REPEATED, "A cabinet is left out twice. Say once why.", field="left_out")
    labels = {line.cabinet_id: line.cabinet.label for line in cabinets_of(visit)}
    if not reasons.keys() <= labels.keys():
        raise absent("cabinet")
    return {label: reasons[key] for key, label in labels.items() if key in reasons}


def step_to(writing: Writing, visit: Visit, wanted: VisitState, **changes: object) -> Visit:
    """Bring a visit into a state; raises RuleBroken VISIT_STATE where it cannot go there."""
    rules.check_step(VisitState(visit.state), wanted)
    return writing.revise(visit, state=wanted, **changes)


def about(
    visit: Visit, cabinets: Sequence[Cabinet] | None = None
) -> dict[str, Record | Sequence[Record] | None]:
    """Return the subjects of an entry about a visit: it, its location, its cabinets, and who goes there."""
    things = [line.cabinet for line in cabinets_of(visit)] if cabinets is None else list(cabinets)
    return {
        "visit": visit,
        "location": visit.location,
        "cabinet": things,
        "staff": visit.installer,
    }


def at_or_now(writing: Writing, at: datetime | None) -> datetime:
    """Return a stated time, or now."""
    return writing.now if at is None else at
