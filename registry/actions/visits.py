"""Visits: the office plans and releases them, an installer reads the cautions, begins and finishes."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._steps import require_open
from registry.actions._visits import (
    about,
    at_or_now,
    check_day,
    day_at,
    have_read_again,
    key_or_fresh,
    location_in_sight,
    put_cabinets,
    read_cabinets,
    read_installer,
    read_left_out,
    read_plan,
    step_to,
    visit_in_sight,
)
from registry.models import Visit
from registry.queries.visits import (
    against_begin,
    authority_given,
    cabinets_of,
    cautions_of,
    covered_by_release,
    gone_from,
    lacking_at_begin,
    unsuitable,
    unsurveyed,
    work_of,
)
from registry.rules import visits as rules
from registry.rules.cautions import check_acknowledged, digest
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.events import Verb
from registry.rules.particulars import choice, day, invalid
from registry.rules.periods import require_past
from registry.rules.roles import Act, Role
from registry.rules.texts import clean_note
from registry.rules.visits import VisitKind, VisitState


@action(Act.PLAN_VISIT)
def plan_visit(
    writing: Writing,
    *,
    location_id: UUID,
    kind: str,
    planned_on: date,
    cabinets: Sequence[UUID] = (),
    installer_id: UUID | None = None,
    note: str = "",
    reason: str = "",
    id: UUID | None = None,
) -> Visit:
    """Plan a visit to a location, for some of its cabinets, on a day at the store.

    A day that is over takes a `reason` why it is recorded late: the entry is of now, the visit of then.
    Raises RuleBroken VALUE_INVALID for the kind, the day, the cabinets or the person, REASON_MISSING,
    CODE_REPEATED, CODE_TAKEN, CABINET_NOT_AVAILABLE, LOCATION_CLOSED, TEXT_INVALID, NOT_FOUND.
    """
    location = location_in_sight(writing, location_id)
    wanted = VisitKind(str(choice(VisitKind)(kind, "kind")))
    planned = day(planned_on, "planned_on")
    check_day(writing, location, planned, clean_note(reason, "reason"))
    require_open(location, writing.now)
    things = read_cabinets(writing, wanted, location, cabinets)
    visit = writing.insert(
        Visit(
            id=key_or_fresh(Visit, id),
            location=location,
            kind=wanted,
            planned_on=planned,
            installer=read_installer(installer_id, location),
            note=clean_note(note, "note"),
        )
    )
    put_cabinets(writing, visit, things)
    writing.tell(Verb.VISIT_PLANNED, writing.now, about(visit, things), reason=reason)
    return visit


@action(Act.PLAN_VISIT)
def correct_visit(
    writing: Writing, *, visit_id: UUID, particulars: Mapping[str, Any], reason: str = ""
) -> Visit:
    """Change the day, the person, the note or the cabinets of a visit on which nobody has begun.

    Of `planned_on`, `installer_id`, `note` and `cabinets` what is left out stays. Other cabinets than were
    released, or a day before the customer allows it, have to be released again; another person reads the
    cautions anew. Raises RuleBroken VISIT_STATE, NOTHING_CHANGES, and what `plan_visit`
    does.
    """
    visit = visit_in_sight(writing, visit_id)
    rules.check_plannable(VisitState(visit.state))
    values = read_plan(writing, visit, particulars, clean_note(reason, "reason"))
    cabinets: Sequence[UUID] | None = values.pop("cabinets", None)
    moved = afresh = False
    if cabinets is not None:
        before = {line.cabinet_id for line in cabinets_of(visit)}
        things = read_cabinets(writing, VisitKind(visit.kind), visit.location, cabinets)
        moved = put_cabinets(writing, visit, things)
        afresh = before != set(cabinets)
    values = {name: value for name, value in values.items() if getattr(visit, name) != value}
    if "planned_on" in values and visit.state == VisitState.RELEASED and visit.kind in rules.PUTS_UP:
        afresh |= not (authority_given(visit, values["planned_on"]) or covered_by_release(visit).authority)
    if afresh and visit.state == VisitState.RELEASED:
        values |= {"state": VisitState.PLANNED, "override_reason": ""}
    if "installer" in values:
        moved |= have_read_again(writing, visit)
    if values or not moved:
        writing.revise(visit, **values)
    writing.tell(Verb.VISIT_CORRECTED, writing.now, about(visit), reason=reason)
    return visit


@action(Act.PLAN_VISIT)
def release_visit(writing: Writing, *, visit_id: UUID, override_reason: str = "") -> Visit:
    """Let a visit go ahead.

    Raises RuleBroken VISIT_NOT_READY without authority to install or a survey that allows it, unless
    `override_reason` says why it goes ahead all the same; VISIT_STATE, LOCATION_CLOSED, NOT_FOUND.
    A released visit is released again only where it has lost since what its release asked;
    VALUE_INVALID for the reason that it was released with before.
    """
    visit = visit_in_sight(writing, visit_id)
    again = visit.state == VisitState.RELEASED and bool(against_begin(visit, visit.planned_on))
    if not again:
        rules.check_step(VisitState(visit.state), VisitState.RELEASED)
    require_open(visit.location, writing.now)
    why = clean_note(override_reason, "override_reason")
    if again and why and why == visit.override_reason:
        raise invalid(
            "override_reason", "It was released with this reason before. Say why it still goes ahead."
        )
    rules.check_release(
        VisitKind(visit.kind),
        authority=authority_given(visit, visit.planned_on),
        unsuitable=unsuitable(line.cabinet for line in cabinets_of(visit)),
        override_reason=why,
    )
    writing.revise(visit, state=VisitState.RELEASED, override_reason=why)
    writing.tell(Verb.VISIT_RELEASED, writing.now, about(visit), reason=why)
    return visit


@action(Act.WORK_VISIT)
def acknowledge_cautions(
    writing: Writing,
    *,
    visit_id: UUID,
    cabinet_id: UUID,
    codes: Sequence[str],
    acknowledged_at: datetime | None = None,
) -> Visit:
    """Record that this person has read the cautions of a cabinet, each by its code.

    Raises RuleBroken CAUTIONS_UNREAD unless they are exactly those of now, VISIT_STATE unless the visit is
    released or begun, TIME_IN_FUTURE, NOT_FOUND.
    """
    visit = visit_in_sight(writing, visit_id)
    if visit.state not in (VisitState.RELEASED, VisitState.BEGUN):
        rules.check_step(VisitState(visit.state), VisitState.BEGUN)
    line = next((line for line in cabinets_of(visit) if line.cabinet_id == cabinet_id), None)
    if line is None:
        raise absent("cabinet")
    at = at_or_now(writing, acknowledged_at)
    require_past(at, writing.now, "acknowledged_at")
    cautions = cautions_of(line.cabinet)
    check_acknowledged(cautions, codes)
    writing.revise(
        line,
        caution_codes=" ".join(caution.code for caution in cautions),
        cautions_sha256=digest(cautions),
        acknowledged_by_id=writing.actor.staff_id,
        acknowledged_at=at,
    )
    writing.tell(Verb.VISIT_CAUTIONS_ACKNOWLEDGED, at, about(visit, [line.cabinet]))
    return visit


@action(Act.WORK_VISIT)
def begin_visit(writing: Writing, *, visit_id: UUID, begun_at: datetime | None = None) -> Visit:
    """Begin a released visit; an installer takes on one that was nobody's.

    What its release asked is asked again, as of the beginning. Whoever works there, which is the visit's
    installer or, of one that is nobody's, who begins it, has read the cautions by their own name.
    Raises RuleBroken VISIT_STATE, VISIT_NOT_READY, CABINET_NOT_AVAILABLE, LOCATION_CLOSED, BEFORE_KNOWN,
    CAUTIONS_UNREAD, TIME_IN_FUTURE, NOT_FOUND.
    """
    visit = visit_in_sight(writing, visit_id)
    rules.check_step(VisitState(visit.state), VisitState.BEGUN)
    at = at_or_now(writing, begun_at)
    require_past(at, writing.now, "begun_at")
    require_open(visit.location, at)
    rules.check_there(gone_from(visit, at))
    authority, unfit = lacking_at_begin(visit, day_at(visit.location, at), at)
    rules.check_ready(VisitKind(visit.kind), authority=authority, unsuitable=unfit)
    worker = visit.installer_id or writing.actor.staff_id
    rules.check_acknowledged(
        [one.line.cabinet.label for one in work_of(visit) if not one.acknowledged_by(worker)]
    )
    taken: dict[str, Any] = {}
    if visit.installer_id is None and writing.scope.role is Role.INSTALLER:
        taken = {"installer": writing.staff}
    subjects = about(visit)
    step_to(writing, visit, VisitState.BEGUN, **taken)
    writing.tell(Verb.VISIT_BEGUN, at, subjects)
    return visit


@action(Act.WORK_VISIT)
def finish_visit(
    writing: Writing,
    *,
    visit_id: UUID,
    outcome: str = "",
    left_out: Sequence[Mapping[str, Any]] = (),
    finished_at: datetime | None = None,
) -> Visit:
    """Finish a visit, with what came of it.

    A survey ends with each of its cabinets surveyed on it, or with why one was left out: `left_out` holds a
    `cabinet_id` and a `reason` of each, which are told after the outcome. Raises RuleBroken VISIT_STATE,
    REASON_MISSING, VALUE_INVALID, CODE_REPEATED, TEXT_INVALID, NOT_FOUND.
    """
    visit = visit_in_sight(writing, visit_id)
    rules.check_step(VisitState(visit.state), VisitState.DONE)
    reasons = read_left_out(visit, left_out)
    rules.check_left_out(unsurveyed(visit), reasons)
    told = [clean_note(outcome, "outcome")]
    told += [f"{label} was not surveyed: {why}" for label, why in reasons.items()]
    words = clean_note("\n".join(line for line in told if line), "outcome")
    step_to(writing, visit, VisitState.DONE, outcome=words)
    writing.tell(Verb.VISIT_FINISHED, at_or_now(writing, finished_at), about(visit))
    return visit


@action(Act.WORK_VISIT)
def cancel_visit(writing: Writing, *, visit_id: UUID, reason: str) -> Visit:
    """Cancel a visit; raises RuleBroken REASON_MISSING, VISIT_STATE, NOT_FOUND."""
    visit = visit_in_sight(writing, visit_id)
    why = clean_note(reason, "reason")
    if not why:
        raise RuleBroken(Code.REASON_MISSING, "Say why the visit is cancelled.", field="reason")
    step_to(writing, visit, VisitState.CANCELLED, outcome=why)
    writing.tell(Verb.VISIT_CANCELLED, writing.now, about(visit), reason=why)
    return visit
