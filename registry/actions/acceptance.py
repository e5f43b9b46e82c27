"""Whether the installer may leave: an installation is checked, and the check is signed off."""

import hashlib
from collections.abc import Sequence
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._steps import fresh_key
from registry.actions._visits import visit_told_of
from registry.models import AcceptanceCheck
from registry.queries.acceptance import check_now, evidence_of, frozen_grounds, newest_check
from registry.queries.assignments import DeviceAt, assignment_at
from registry.queries.moments import Moment
from registry.rules.acceptance import Result, check_tape, judge
from registry.rules.canonical import canonical_bytes
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.periods import CLOCK_SKEW_MAX
from registry.rules.roles import Act
from registry.rules.texts import clean_note


@action(Act.ACCEPT_INSTALLATION)
def check_installation(
    writing: Writing,
    *,
    assignment_id: UUID,
    tape_mm: Sequence[int | None],
    note: str = "",
    visit_id: UUID | None = None,
    check_id: UUID | None = None,
) -> AcceptanceCheck:
    """Judge a running assignment by its reports so far and the tape, and freeze all of it.

    `tape_mm` is by sensor from left to right, None where nobody measured. Each call is a check of its own.
    Raises RuleBroken NOT_FOUND, DEVICE_NOT_ASSIGNED, CABINET_NOT_AVAILABLE, VALUE_INVALID, CODE_TAKEN,
    VISIT_STATE.
    """
    at = _running(writing, assignment_id)
    stay, cabinet = at.stay, at.place.cabinet
    if cabinet is None or stay is None or stay.location is None:
        raise RuleBroken(
            Code.CABINET_NOT_AVAILABLE,
            "The cabinet stands in no store. Record where it stands, then check again.",
            field="assignment",
        )
    visit_told_of(writing, visit_id, cabinet, writing.now)
    check_tape(tape_mm, at.device.model.sensor_count)
    evidence = evidence_of(at, writing.now, tape_mm)
    judgement = judge(evidence)
    readings = canonical_bytes([report.plain() for report in evidence.reports])
    check = writing.insert(
        AcceptanceCheck(
            id=fresh_key(AcceptanceCheck, check_id),
            assignment=at.place.period,
            device=at.device,
            cabinet=cabinet,
            location=stay.location,
            visit_id=visit_id,
            checked_at=writing.now,
            checked_by=writing.staff,
            tape_mm=list(tape_mm),
            readings=readings.decode(),
            readings_sha256=hashlib.sha256(readings).hexdigest(),
            judged_by=canonical_bytes(frozen_grounds(evidence, judgement)).decode(),
            findings=canonical_bytes([finding.plain() for finding in judgement.findings]).decode(),
            result=judgement.result,
            note=clean_note(note, "note"),
        )
    )
    writing.tell(
        Verb.ACCEPTANCE_CHECKED,
        writing.now,
        {"acceptance": check, "device": at.device, "cabinet": cabinet, "location": stay.location},
        reason=note,
    )
    return check


@action(Act.ACCEPT_INSTALLATION)
def sign_off(writing: Writing, *, check_id: UUID, note: str = "") -> AcceptanceCheck:
    """Sign a check off by name: the installation is accepted as it was judged.

    Raises RuleBroken NOT_FOUND; CHECK_FAILED; CHECK_OUTDATED where the assignment was checked again, changed
    or ended since; NOTHING_CHANGES for one that is signed off.
    """
    check = check_now(check_id, writing.scope)
    if check.signed_off_at is not None:
        raise RuleBroken(
            Code.NOTHING_CHANGES,
            "This check is signed off already. Leave it so.",
            field="check",
        )
    if check.result == Result.FAIL:
        raise RuleBroken(
            Code.CHECK_FAILED,
            "This check failed. Do what its findings say, check again, and sign that one off.",
            field="check",
        )
    _require_newest(writing, check)
    writing.revise(
        check,
        signed_off_at=writing.now,
        signed_off_by=writing.staff,
        sign_off_note=clean_note(note, "note"),
    )
    writing.tell(
        Verb.ACCEPTANCE_SIGNED_OFF,
        writing.now,
        {
            "acceptance": check,
            "device": check.device,
            "cabinet": check.cabinet,
            "location": check.location,
        },
        reason=note,
    )
    return check


def _moment(writing: Writing) -> Moment:
    return Moment(writing.now + CLOCK_SKEW_MAX, writing.head.index, True)


def _running(writing: Writing, assignment_id: UUID) -> DeviceAt:
    at = assignment_at(assignment_id, _moment(writing), writing.scope)
    if at.place.valid_to is not None:
        raise RuleBroken(
            Code.DEVICE_NOT_ASSIGNED,
            "This assignment has ended, so there is nothing to accept. Check the one that runs.",
            field="assignment",
        )
    return at


def _require_newest(writing: Writing, check: AcceptanceCheck) -> None:
    newest = newest_check(check.assignment)
    if newest is not None and newest.pk != check.pk:
        raise RuleBroken(
            Code.CHECK_OUTDATED,
            "This installation was checked again since. Sign the newest check off.",
            field="check",
            details={"newest": str(newest.pk)},
        )
    try:
        at = _running(writing, check.assignment)
    except RuleBroken:
        at = None
    stay = at.stay if at else None
    hangs = (at.device.pk, at.place.cabinet_id, stay.location_id) if at and stay else None
    if hangs != (check.device_id, check.cabinet_id, check.location_id):
        raise RuleBroken(
            Code.CHECK_OUTDATED,
            "What was checked does not hang there any more as it did. Check what hangs there now.",
            field="check",
        )
