"""Counts: a sample is drawn, somebody looks, the count is closed, and the office decides on differences."""

import secrets
from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._counts import (
    UNSEEN,
    WAITING,
    check_undecided,
    count_in_sight,
    lines_at,
    look_over,
    part_of,
    place_in_sight,
    put_right,
    record_serial,
)
from registry.actions._devices import store_of
from registry.actions._steps import find
from registry.models import Count, CountItem, Depot
from registry.models.base import Record
from registry.queries.assignments import DeviceAt
from registry.queries.counts import Difference, differences_of, frozen_lot, lines_of, sheet_of
from registry.queries.moments import Moment
from registry.rules import counts as rules
from registry.rules import particulars
from registry.rules.counts import CountState, Decision, Result, Strata
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.events import Verb
from registry.rules.periods import require_past
from registry.rules.roles import Act
from registry.rules.sampling import Rounding
from registry.rules.texts import clean_line, clean_note

SEED_BYTES = 16  # 128 random bits, made after the list is frozen, so that nobody chooses a sample


@action(Act.COUNT)
def draw_count(
    writing: Writing,
    *,
    name: str,
    depot_id: UUID | None = None,
    places: Sequence[str] = rules.COUNTED_PLACES,
    strata: str = Strata.PLACE,
    plan: str = rules.Plan.ZERO_ACCEPTANCE,
    confidence: object = "95",
    tolerated: object = "5",
    rounding: str = Rounding.DOWN,
    reason: str = "",
) -> Count:
    """Freeze the list of devices as the register knows them now, and draw a sample of it.

    Of one depot, or of all. `confidence` and `tolerated` are percentages; under the AQL plan the latter is
    the AQL. Raises RuleBroken VALUE_INVALID, TEXT_INVALID, TOO_MANY, NOT_FOUND.
    """
    if depot_id is not None:
        writing.require_depot(find(Depot, depot_id, "depot").pk, "depot")
    elif not writing.scope.everywhere:
        raise particulars.invalid("depot", "Say which depot is counted: not all of them are yours.")
    kinds = rules.read_places(places)
    parted = rules.read_strata(strata)
    question = rules.read_question(plan, confidence, tolerated, rounding)
    lot = frozen_lot(Moment(writing.now, writing.head.index, True), depot_id, kinds, parted)
    sample = rules.plan_sample(question, lot.sizes)
    seed = secrets.token_hex(SEED_BYTES)
    count = writing.insert(
        Count(
            name=clean_line(name, "name"),
            depot_id=depot_id,
            places=" ".join(kinds),
            strata=parted,
            plan=question.plan,
            confidence_hundredths=question.confidence_hundredths,
            tolerated_hundredths=question.tolerated_hundredths,
            rounding=question.rounding,
            seed=seed,
            lot_size=sum(lot.sizes.values()),
            lot_sha256=lot.sha256(),
            sample_size=sample.size,
            acceptance_number=sample.acceptance_number,
            frozen_at=writing.now,
            frozen_index=writing.head.index,
        )
    )
    # In the order of a round: place by place, and within one by serial, which the sheet does not tell.
    drawn = sorted(lot.drawn(sample, seed), key=lambda line: (line[1].words, line[1].device.serial))
    for position, (stratum, at) in enumerate(drawn, start=1):
        writing.insert(_drawn_line(count, position, stratum, at))
    writing.tell(Verb.COUNT_DRAWN, writing.now, {"count": count, "depot": count.depot}, reason=reason)
    return count


def _drawn_line(count: Count, position: int, stratum: str, at: DeviceAt) -> CountItem:
    place = at.place
    return CountItem(
        count=count,
        position=position,
        sampled=True,
        stratum=stratum,
        place=place.place,
        depot_id=place.depot_id,
        staff_id=place.staff_id,
        cabinet_id=place.cabinet_id,
        location_id=at.stay.location_id if at.stay else None,
        device_id=at.device.pk,
    )


@action(Act.COUNT)
def record_finding(
    writing: Writing,
    *,
    count_id: UUID,
    cabinet_id: UUID | None = None,
    depot_id: UUID | None = None,
    staff_id: UUID | None = None,
    serial: str = "",
    place_done: bool = False,
    not_counted: bool = False,
    seen_at: datetime | None = None,
    note: str = "",
) -> CountItem:
    """Record a serial that was seen at a place, or with `place_done` that nothing else is there.

    With `not_counted`: that nobody could look there; the note says why. Who gets in later counts it then.

    The place is a cabinet, a depot, or a person's van; it need not be of the sample. Returns a line that was
    written. Nothing that is raised or returned tells what the register expects there: VALUE_INVALID,
    SERIAL_INVALID (without suggestions), NOTHING_CHANGES, REASON_MISSING, CODE_REPEATED, COUNT_CLOSED,
    TIME_IN_FUTURE, BEFORE_KNOWN, NOT_FOUND.
    """
    count = count_in_sight(writing, count_id)
    rules.check_open(CountState(count.state))
    at = writing.now if seen_at is None else seen_at
    require_past(at, writing.now, "seen_at")
    if at < count.frozen_at:
        raise RuleBroken(
            Code.BEFORE_KNOWN, "The list was frozen later than that. Give a later time.", field="seen_at"
        )
    if not serial.strip() and not (place_done or not_counted):
        raise particulars.invalid("serial", "Type or scan a serial, or say that nothing else is there.")
    place = place_in_sight(writing, cabinet_id, depot_id, staff_id, at)
    lines = lines_of(count)
    seen = {"seen_at": at, "counted_by_id": writing.actor.staff_id, "note": clean_note(note, "note")}
    there = lines_at(lines, place)
    check_undecided(there)
    if not_counted:
        rules.check_not_counted(note, serial, looked=any(line.result not in UNSEEN for line in there))
    written = []
    if serial.strip():
        done = {"place_done": True} if place_done else {}
        written.append(record_serial(writing, count, lines, place, serial, {**seen, **done}))
    written += look_over(writing, there, seen, place_done=place_done, not_counted=not_counted)
    if not written:
        raise RuleBroken(
            Code.NOTHING_CHANGES, "The register says so already. Go on to the next place.", field="place_done"
        )
    writing.tell(
        Verb.COUNT_PLACE_NOT_COUNTED if not_counted else Verb.COUNT_FINDING_RECORDED,
        at,
        {
            "count": count,
            part_of(place): place.holder,
            "device": written[0].device if serial.strip() else None,
            "location": place.location,
        },
        reason=note,
    )
    return written[0]


@action(Act.COUNT)
def recount_place(
    writing: Writing,
    *,
    count_id: UUID,
    reason: str,
    cabinet_id: UUID | None = None,
    depot_id: UUID | None = None,
    staff_id: UUID | None = None,
) -> Count:
    """Have a place counted again: what was recorded there counts no more, and the count is open again.

    The first findings stay in the ledger. Raises RuleBroken REASON_MISSING, NOTHING_CHANGES where a
    difference there was decided on or nobody has looked yet, NOT_FOUND.
    """
    count = count_in_sight(writing, count_id)
    _require_reason(reason, "Say why this place is counted again.")
    place = place_in_sight(writing, cabinet_id, depot_id, staff_id, writing.now)
    lines = lines_at(lines_of(count), place)
    check_undecided(lines)
    looked = [line for line in lines if line.result != Result.WAITING]
    if not looked:
        raise RuleBroken(Code.NOTHING_CHANGES, "Nobody has looked there yet.", field="count")
    for line in looked:
        if line.sampled:
            writing.revise(line, **WAITING)
        else:
            writing.revise(line, withdrawn=True)
    if count.state != CountState.OPEN:
        writing.revise(count, state=CountState.OPEN)
    writing.tell(
        Verb.COUNT_PLACE_REOPENED,
        writing.now,
        {"count": count, part_of(place): place.holder, "location": place.location},
        reason=reason,
    )
    return count


@action(Act.COUNT)
def close_count(writing: Writing, *, count_id: UUID, reason: str = "") -> Count:
    """Close a count: nothing is found any more, and the differences are told.

    Raises RuleBroken COUNT_CLOSED, COUNT_INCOMPLETE with the places where nobody has looked yet, NOT_FOUND.
    """
    count = count_in_sight(writing, count_id)
    rules.check_open(CountState(count.state))
    rules.check_complete([place.words for place in sheet_of(lines_of(count)) if not place.done])
    writing.revise(count, state=CountState.CLOSED)
    writing.tell(Verb.COUNT_CLOSED, writing.now, {"count": count, "depot": count.depot}, reason=reason)
    return count


# --- what the office decides -------------------------------------------------------------------------


@action(Act.CORRECT_HISTORY)
def accept_difference(writing: Writing, *, item_id: UUID, reason: str) -> CountItem:
    """Put the register right by a difference, from the time of the count on; what was seen nowhere is lost.

    Whoever accepts must not be who counted. Where a rule refuses, the difference stays undecided. Raises
    RuleBroken REASON_MISSING, APPROVER_COUNTED, COUNT_OPEN, NOTHING_CHANGES, DEVICE_NOT_AVAILABLE,
    CABINET_NOT_AVAILABLE, COUNT_INCOMPLETE where nobody looked, SENSOR_COUNT_MISMATCH, SLOT_TAKEN,
    LOCATION_CLOSED, BEFORE_KNOWN, OVERLAPPING_HISTORY, NOT_FOUND.
    """
    count, difference, lines = _undecided(writing, item_id)
    _require_reason(reason, "Say why the register is put right.")
    present, following = put_right(writing, difference, lines, clean_note(reason, "reason"))
    item = _decide(writing, difference, Decision.ACCEPTED)
    at = following.valid_from
    there = following.cabinet or following.staff or following.depot
    stores = [store_of(present.cabinet, at), store_of(following.cabinet, at)]
    about: dict[str, Record | Sequence[Record] | None] = {
        "count": count,
        "device": following.device,
        "from": present.cabinet or present.staff or present.depot,
        "to": None if difference.found is None else there,
        "location": list(dict.fromkeys(store for store in stores if store is not None)),
    }
    writing.tell(Verb.COUNT_DIFFERENCE_ACCEPTED, at, about, reason=reason)
    return item


@action(Act.CORRECT_HISTORY)
def dismiss_difference(writing: Writing, *, item_id: UUID, reason: str) -> CountItem:
    """Record why a difference is none: the register was right, and it counts as no error any more.

    Raises RuleBroken REASON_MISSING, APPROVER_COUNTED, COUNT_OPEN, NOTHING_CHANGES, NOT_FOUND.
    """
    count, difference, _ = _undecided(writing, item_id)
    _require_reason(reason, "Say what explains the difference.")
    item = _decide(writing, difference, Decision.DISMISSED)
    about = {"count": count, "device": difference.item.device, "location": difference.item.location}
    writing.tell(Verb.COUNT_DIFFERENCE_DISMISSED, writing.now, about, reason=reason)
    return item


def _undecided(writing: Writing, item_id: UUID) -> tuple[Count, Difference, list[CountItem]]:
    """Return a difference of a closed count that nobody has decided on, with the count and all its lines."""
    item = CountItem.objects.filter(pk=item_id).first()
    if item is None:
        raise absent("difference")
    try:
        count = count_in_sight(writing, item.count_id)
    except RuleBroken:
        raise absent("difference") from None
    rules.check_closed(CountState(count.state))
    lines = lines_of(count)
    for difference in differences_of(lines):
        if difference.item.pk == item_id:
            if difference.item.decision:
                raise RuleBroken(
                    Code.NOTHING_CHANGES,
                    f"This difference was {difference.item.decision} already.",
                    field="difference",
                )
            rules.check_approver(writing.actor.staff_id, difference.counters)
            return count, difference, lines
    raise absent("difference")


def _decide(writing: Writing, difference: Difference, decision: Decision) -> CountItem:
    return writing.revise(difference.item, decision=decision, decided_by_id=writing.actor.staff_id)


def _require_reason(reason: str, words: str) -> None:
    if not clean_note(reason, "reason"):
        raise RuleBroken(Code.REASON_MISSING, words, field="reason")
