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
    have_read_again,
    key_or_fresh,
    location_in_sight,
    put_cabinets,
    read_cabinets,
    read_installer,
    read_plan,
    step_to,
    visit_in_sight,
)
from registry.models import Visit
from registry.queries.visits import authority_given, cabinets_of, cautions_of, unsuitable, work_of
from registry.rules import visits as rules
from registry.rules.cautions import check_acknowledged, digest
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.events import Verb
from registry.rules.particulars import choice, day
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
    id: UUID | None = None,
) -> Visit:
    """Plan a visit to a location, for some of its cabinets, on a day at the store.

    Raises RuleBroken VALUE_INVALID for the kind, the day, the cabinets or the person, CODE_REPEATED,
    CODE_TAKEN, CABINET_NOT_AVAILABLE, LOCATION_CLOSED, TEXT_INVALID, NOT_FOUND.
    """
    location = location_in_sight(writing, location_id)
    wanted = VisitKind(str(choice(VisitKind)(kind, "kind")))
    planned = day(planned_on, "planned_on")
    check_day(writing, location, planned)
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
    writing.tell(Verb.VISIT_PLANNED, writing.now, about(visit, things))
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
    values = read_plan(writing, visit, particulars)
    cabinets: Sequence[UUID] | None = values.pop("cabinets", None)
    moved = afresh = False
    if cabinets is not None:
        before = {line.cabinet_id for line in cabinets_of(visit)}
        things = read_cabinets(writing, VisitKind(visit.kind), visit.location, cabinets)
        moved = put_cabinets(writing, visit, things)
        afresh = before != set(cabinets)
    values = {name: value for name, value in values.items() if getattr(visit, name) != value}
    if "planned_on" in values and visit.kind != VisitKind.SURVEY and not visit.override_reason:
        afresh |= not authority_given(visit, values["planned_on"])
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
    """
    visit = visit_in_sight(writing, visit_id)
    rules.check_step(VisitState(visit.state), VisitState.RELEASED)
    require_open(visit.location, writing.now)
    why = clean_note(override_reason, "override_reason")
    rules.check_release(
        VisitKind(visit.kind),
        authority=authority_given(visit, visit.planned_on),
        unsuitable=unsuitable(line.cabinet for line in cabinets_of(visit)),
        override_reason=why,
    )
    step_to(writing, visit, VisitState.RELEASED, override_reason=why)
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
    """Begin a released visit, whose cautions were read; an installer takes on one that was nobody's.

    Raises RuleBroken VISIT_STATE, CAUTIONS_UNREAD, TIME_IN_FUTURE, NOT_FOUND.
    """
    visit = visit_in_sight(writing, visit_id)
    rules.check_step(VisitState(visit.state), VisitState.BEGUN)
    rules.check_acknowledged([one.line.cabinet.label for one in work_of(visit) if not one.acknowledged])
    taken: dict[str, Any] = {}
    if visit.installer_id is None and writing.scope.role is Role.INSTALLER:
        taken = {"installer": writing.staff}
    subjects = about(visit)
    step_to(writing, visit, VisitState.BEGUN, **taken)
    writing.tell(Verb.VISIT_BEGUN, at_or_now(writing, begun_at), subjects)
    return visit


@action(Act.WORK_VISIT)
def finish_visit(
    writing: Writing, *, visit_id: UUID, outcome: str = "", finished_at: datetime | None = None
) -> Visit:
    """Finish a visit, with what came of it; raises RuleBroken VISIT_STATE, TEXT_INVALID, NOT_FOUND."""
    visit = visit_in_sight(writing, visit_id)
    step_to(writing, visit, VisitState.DONE, outcome=clean_note(outcome, "outcome"))
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
