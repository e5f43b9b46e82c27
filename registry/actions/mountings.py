"""How a device was mounted: recorded and corrected; and the company's practice of mounting."""

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._devices import store_of
from registry.actions._steps import assignment_in_sight, find, fresh_key, history_in_sight
from registry.models import CabinetWhereabouts, Mounting, MountingPractice
from registry.models.base import Record
from registry.queries.mountings import mounted
from registry.rules import particulars as particular_rules
from registry.rules.cabinets import DoorKind, Refrigeration
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.mountings import (
    FIELDS,
    PRACTICE_DEFAULTS,
    MountedIn,
    PracticeValue,
    check_mounted,
    clean_bounds,
)
from registry.rules.particulars import clean_particulars
from registry.rules.periods import require_offset, require_past
from registry.rules.roles import Act


@action(Act.RECORD_MOUNTING)
def record_mounting(
    writing: Writing,
    *,
    assignment_id: UUID,
    facts: Mapping[str, object],
    reason: str = "",
    id: UUID | None = None,
) -> Mounting:
    """Record how a device was mounted for an assignment (rules.mountings.FIELDS); `id` is the caller's key.

    Raises RuleBroken SERIAL_AFTER_COVER, DRILLING_FORBIDDEN, INSTEAD_MISSING, VALUE_INVALID, TEXT_INVALID,
    TIME_IN_FUTURE, CODE_TAKEN where the assignment has a mounting already, NOT_FOUND.
    """
    place, cabinet = assignment_in_sight(writing, assignment_id)
    if Mounting.objects.filter(assignment=assignment_id).exists():
        raise RuleBroken(
            Code.CODE_TAKEN,
            "How this device was mounted is recorded already. Correct that record.",
            field="assignment",
        )
    mounting = Mounting(
        id=fresh_key(Mounting, id),
        assignment=assignment_id,
        device=place.device,
        cabinet=cabinet,
        location=store_of(cabinet, place.valid_from),
        **clean_particulars(facts, FIELDS),
    )
    _check(writing, mounting)
    writing.insert(mounting)
    writing.tell(Verb.MOUNTING_RECORDED, _done_at(writing, mounting), _about(mounting), reason=reason)
    return mounting


@action(Act.RECORD_MOUNTING)
def correct_mounting(
    writing: Writing, *, mounting_id: UUID, facts: Mapping[str, object], reason: str = ""
) -> Mounting:
    """Correct what was recorded of a mounting; what is left out stays.

    Raises RuleBroken NOTHING_CHANGES and what `record_mounting` raises.
    """
    mounting = find(Mounting, mounting_id, "mounting")
    history_in_sight(writing, CabinetWhereabouts, mounting.cabinet, "mounting")
    changes = clean_particulars(facts, FIELDS)
    judged = find(Mounting, mounting_id, "mounting")
    for name, value in changes.items():
        setattr(judged, name, value)
    _check(writing, judged)
    writing.revise(mounting, **changes)
    writing.tell(Verb.MOUNTING_CORRECTED, writing.now, _about(mounting), reason=reason)
    return mounting


@action(Act.KEEP_PRACTICE)
def set_mounting_practice(
    writing: Writing, *, value: str, least_mm: int | None, most_mm: int | None, reason: str = ""
) -> MountingPractice:
    """Set from which to which measure the company's practice is kept; None is no bound on that side.

    Raises RuleBroken VALUE_INVALID, NOTHING_CHANGES.
    """
    named = PracticeValue(str(particular_rules.choice(PracticeValue)(value, "value")))
    bounds = clean_bounds(least_mm, most_mm)
    practice = MountingPractice.objects.filter(value=named).first()
    if practice is not None:
        writing.revise(practice, least_mm=bounds.least_mm, most_mm=bounds.most_mm)
    elif bounds == PRACTICE_DEFAULTS[named]:
        raise RuleBroken(Code.NOTHING_CHANGES, "This is the practice already.", field="least_mm")
    else:
        practice = writing.insert(
            MountingPractice(value=named, least_mm=bounds.least_mm, most_mm=bounds.most_mm)
        )
    writing.tell(Verb.MOUNTING_PRACTICE_SET, writing.now, {"mounting_practice": practice}, reason=reason)
    return practice


def _check(writing: Writing, mounting: Mounting) -> None:
    for name in ("serial_taken_at", "cover_closed_at"):
        at = getattr(mounting, name)
        if at is not None:
            require_offset(at, name)
            require_past(at, writing.now, name)
    model = mounting.cabinet.model
    kind = MountedIn(Refrigeration(model.refrigeration), DoorKind(model.door))
    check_mounted(mounted(mounting), kind)


def _done_at(writing: Writing, mounting: Mounting) -> datetime:
    return mounting.cover_closed_at or mounting.serial_taken_at or writing.now


def _about(mounting: Mounting) -> dict[str, Record | None]:
    return {
        "mounting": mounting,
        "device": mounting.device,
        "cabinet": mounting.cabinet,
        "location": mounting.location,
    }
