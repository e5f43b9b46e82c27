"""Periods: what overlaps, what runs, and what a correction may do to a history."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from itertools import combinations, pairwise, product
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st
from rule_checks import load_vectors, refused

from registry.rules.errors import Code, RuleBroken
from registry.rules.periods import (
    Change,
    Period,
    Stretch,
    believed_at,
    open_stretch,
    plan_new_bounds,
    plan_withdrawal,
    require_offset,
    require_past,
    running_stretch,
    show,
)

NOON = datetime(2026, 5, 1, 12, tzinfo=UTC)
NEW_YORK = ZoneInfo("America/New_York")  # clocks go back on 2026-11-01 at 02:00


def at(hour: int) -> datetime:
    return NOON + timedelta(hours=hour)


def period(start: int, end: int | None = None) -> Period:
    return Period(at(start), None if end is None else at(end))


def stretch(number: int, start: int, end: int | None = None) -> Stretch:
    return Stretch(UUID(int=number), period(start, end), f"period {number}")


# --- Period ----------------------------------------------------------------------------------------


def test_a_period_ends_after_it_starts() -> None:
    assert Period(NOON, NOON + timedelta(microseconds=1)).contains(NOON)
    with refused(Code.TIME_INVALID, "valid_to"):
        Period(NOON, NOON)
    with refused(Code.TIME_INVALID, "valid_to"):
        Period(NOON, NOON - timedelta(microseconds=1))


class Unsettled(tzinfo):
    """A zone that does not know its offset."""

    def utcoffset(self, moment: datetime | None) -> None:
        return None


@pytest.mark.parametrize(
    "moment",
    [
        datetime(2026, 5, 1, 12),  # noqa: DTZ001
        datetime(2026, 5, 1, 12, tzinfo=Unsettled()),
        date(2026, 5, 1),
        "2026-05-01T12:00:00Z",
        datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=14))),
        datetime(9999, 12, 31, 23, tzinfo=timezone(timedelta(hours=-12))),
    ],
    ids=["naive", "zone without offset", "date", "text", "before the calendar", "beyond the calendar"],
)
def test_a_time_says_its_offset_and_lies_within_the_calendar(moment: datetime) -> None:
    require_offset(NOON, "when")
    require_offset(NOON.astimezone(timezone(timedelta(hours=14))), "when")
    require_offset(None, "when")
    with refused(Code.TIME_INVALID, "when"):
        require_offset(moment, "when")
    with refused(Code.TIME_INVALID, "valid_from"):
        Period(moment)
    with refused(Code.TIME_INVALID, "valid_to"):
        Period(datetime(1, 1, 2, tzinfo=UTC), moment)
    with refused(Code.TIME_INVALID, "happened_at"):
        require_past(moment, NOON, "happened_at")
    with refused(Code.TIME_INVALID, "valid_from"):
        running_stretch([stretch(1, 0)], moment)


def test_an_hour_that_comes_twice_is_two_hours() -> None:
    # PEP 495: 01:30 EDT (fold 0) is 05:30 UTC, 01:10 EST (fold 1) is 06:10 UTC, forty minutes later.
    first = datetime(2026, 11, 1, 1, 30, tzinfo=NEW_YORK)
    second = datetime(2026, 11, 1, 1, 10, tzinfo=NEW_YORK, fold=1)
    assert Period(first, second).contains(datetime(2026, 11, 1, 6, 0, tzinfo=UTC))
    assert Period(first).contains(second)
    assert not Period(second).contains(first)
    assert Period(at(0), first).meets(Period(datetime(2026, 11, 1, 5, 30, tzinfo=UTC)))
    assert Period(at(0), datetime(2026, 11, 1, 6, 10, tzinfo=UTC)).meets(Period(second))
    with refused(Code.TIME_INVALID, "valid_to") as caught:
        Period(second, datetime(2026, 11, 1, 1, 45, tzinfo=NEW_YORK))
    assert "2026-11-01 01:45:00-04:00" in caught.value.message  # as it was stated


def test_a_period_holds_its_start_and_not_its_end() -> None:
    assert [hour for hour in range(-2, 4) if period(0, 2).contains(at(hour))] == [0, 1]
    assert [hour for hour in range(-2, 4) if period(0).contains(at(hour))] == [0, 1, 2, 3]


ALLEN = load_vectors("allen_relations")["cases"]


@pytest.mark.parametrize("case", ALLEN, ids=lambda case: case["relation"])
def test_overlapping_and_meeting_agree_with_the_thirteen_relations_of_allen(case: dict[str, Any]) -> None:
    a, b, c, d = case["periods"]
    assert period(a, b).overlaps(period(c, d)) is case["share_an_instant"]
    assert period(c, d).overlaps(period(a, b)) is case["share_an_instant"]
    assert period(a, b).meets(period(c, d)) is case["meets"]


def test_the_thirteen_relations_are_all_there_are() -> None:
    def signs(a: int, b: int, c: int, d: int) -> tuple[int, ...]:
        return tuple((left > right) - (left < right) for left, right in product((a, b), (c, d)))

    known = {signs(*case["periods"]) for case in ALLEN}
    spans = list(combinations(range(5), 2))
    assert len(known) == len(ALLEN) == 13
    assert {signs(*one, *other) for one, other in product(spans, spans)} == known


def test_overlap_means_sharing_an_instant_for_periods_that_still_run_too() -> None:
    ends = [*range(1, 6), None]
    spans = [period(start, end) for start in range(5) for end in ends if end is None or end > start]
    for one, other in product(spans, spans):
        shared = any(one.contains(at(hour)) and other.contains(at(hour)) for hour in range(8))
        assert one.overlaps(other) is shared, (one, other)


def test_a_period_may_start_where_another_ends() -> None:
    assert period(0, 1).meets(period(1, 2))
    assert not period(0, 1).overlaps(period(1, 2))
    assert not period(0, 1).meets(period(2, 3))
    assert not period(0).meets(period(1))


# --- Clocks and belief -----------------------------------------------------------------------------


def test_a_stated_time_may_run_ahead_of_the_clock_by_two_minutes() -> None:
    # Two minutes of skew: common practice, no source.
    require_past(NOON - timedelta(days=365), NOON, "happened_at")
    require_past(NOON + timedelta(minutes=2), NOON, "happened_at")
    with refused(Code.TIME_IN_FUTURE, "happened_at"):
        require_past(NOON + timedelta(minutes=2, microseconds=1), NOON, "happened_at")


def test_a_version_is_believed_from_the_entry_that_recorded_it_until_the_one_that_superseded_it() -> None:
    assert [index for index in range(8) if believed_at(index, 3, 6)] == [3, 4, 5]
    assert [index for index in range(8) if believed_at(index, 3, None)] == [3, 4, 5, 6, 7]
    # Superseded by the very entry that recorded it: never believed.
    assert [index for index in range(8) if believed_at(index, 3, 3)] == []


@given(st.lists(st.integers(1, 5), min_size=1, max_size=5), st.integers(0, 30))
def test_of_versions_that_supersede_each_other_one_is_believed(steps: list[int], later: int) -> None:
    recorded = [sum(steps[:place]) for place in range(len(steps) + 1)]
    versions = [*pairwise(recorded), (recorded[-1], None)]
    assert sum(believed_at(later, *version) for version in versions) == 1


def test_a_moment_is_shown_with_its_offset_to_the_second() -> None:
    moment = datetime(2026, 5, 1, 9, 30, 15, 999_999, tzinfo=NEW_YORK)
    assert show(moment) == "2026-05-01 09:30:15-04:00"


# --- What runs -------------------------------------------------------------------------------------

RUNNING = [stretch(2, 5), stretch(1, 0, 5)]  # in no order, as a query may give them
ENDED = [stretch(2, 5, 9), stretch(1, 0, 5)]


@pytest.mark.parametrize("hour", [5, 6, 1000])
def test_the_last_stretch_runs_from_its_start_on(hour: int) -> None:
    assert running_stretch(RUNNING, at(hour)) == stretch(2, 5)


@pytest.mark.parametrize("hour", [6, 1000])
def test_a_change_may_end_the_running_stretch_once_something_of_it_has_passed(hour: int) -> None:
    assert open_stretch(RUNNING, at(hour)) == stretch(2, 5)


def test_nothing_changes_at_the_very_start_of_the_running_stretch() -> None:
    with refused(Code.OVERLAPPING_HISTORY, "valid_from") as caught:
        open_stretch(RUNNING, at(5))
    assert caught.value.details == {"period": str(UUID(int=2))}
    assert show(at(5)) in caught.value.message


@pytest.mark.parametrize("find", [running_stretch, open_stretch])
@pytest.mark.parametrize(
    ("history", "hour", "code", "told"),
    [
        (RUNNING, -1, Code.BEFORE_KNOWN, 0),
        (ENDED, -1, Code.BEFORE_KNOWN, 0),
        (RUNNING, 0, Code.OVERLAPPING_HISTORY, 5),
        (RUNNING, 4, Code.OVERLAPPING_HISTORY, 5),
        (ENDED, 4, Code.OVERLAPPING_HISTORY, 9),
        (ENDED, 6, Code.OVERLAPPING_HISTORY, 9),
        (ENDED, 10, Code.OVERLAPPING_HISTORY, 9),
    ],
)
def test_history_grows_at_its_end_alone(
    find: Callable[..., Stretch], history: list[Stretch], hour: int, code: Code, told: int
) -> None:
    with refused(code, "starts_at") as caught:
        find(history, at(hour), "starts_at")
    assert show(at(told)) in caught.value.message
    if code is Code.OVERLAPPING_HISTORY:
        assert "period 2" in caught.value.message
        assert caught.value.details == {"period": str(UUID(int=2))}


def test_of_a_thing_without_history_nothing_is_known() -> None:
    with refused(Code.BEFORE_KNOWN, "valid_from") as caught:
        running_stretch([], NOON)
    assert "It is known since" not in caught.value.message


# --- Corrections -----------------------------------------------------------------------------------


def applied(history: Sequence[Stretch], changes: Sequence[Change]) -> list[Stretch]:
    """Return the history after the changes, in the order in which it was before."""
    by_identity = {one.identity: one.period for one in history}
    assert len({change.identity for change in changes}) == len(changes)
    for change in changes:
        assert by_identity[change.identity] == change.before
        assert change.after != change.before
    after = {change.identity: change.after for change in changes}
    kept = ((one, after.get(one.identity, one.period)) for one in history)
    return [Stretch(one.identity, new, one.label) for one, new in kept if new is not None]


def holder(history: Sequence[Stretch], moment: datetime) -> set[UUID]:
    return {one.identity for one in history if one.period.contains(moment)}


def assert_orderly(history: Sequence[Stretch]) -> None:
    for one, other in combinations(history, 2):
        assert not one.period.overlaps(other.period), (one, other)
    starts = [one.period.valid_from for one in history]
    assert starts == sorted(starts)


@st.composite
def histories(draw: st.DrawFn) -> list[Stretch]:
    """Draw one to five stretches in order, some of them touching, the last perhaps still running."""
    hour, result = 0, []
    count = draw(st.integers(1, 5))
    for number in range(1, count + 1):
        hour += draw(st.sampled_from((0, 0, 0, 1, 3)))
        end = hour + draw(st.integers(1, 4))
        runs = number == count and draw(st.booleans())
        result.append(stretch(number, hour, None if runs else end))
        hour = end
    return result


HOURS = range(-3, 40)


def expected_refusal(history: list[Stretch], place: int, new: Period) -> Code | None:
    """Say from the definition what a correction of bounds meets: what must not lose its last instant."""
    old = history[place].period
    if new == old:
        return Code.NOTHING_CHANGES
    if place == len(history) - 1 and old.valid_to is None and new.valid_to is not None:
        return Code.OVERLAPPING_HISTORY
    earlier_lost = any(one.period.valid_from >= new.valid_from for one in history[:place])
    later_lost = any(
        new.valid_to is None or (one.period.valid_to is not None and one.period.valid_to <= new.valid_to)
        for one in history[place + 1 :]
    )
    return Code.NEIGHBOUR_SWALLOWED if earlier_lost or later_lost else None


@settings(max_examples=300)  # about a quarter of them is accepted
@given(histories(), st.data())
def test_new_bounds_leave_a_history_without_overlaps_whose_neighbours_still_touch(
    history: list[Stretch], data: st.DataObject
) -> None:
    place = data.draw(st.integers(0, len(history) - 1))
    old = history[place].period
    known = sorted({hour for one in history for hour in range(-3, 30) if one.period.contains(at(hour))})
    start = data.draw(st.sampled_from([-2, *known]))
    end = data.draw(st.one_of(st.none(), st.integers(start + 1, start + 8)))
    new = period(start, end)
    given_order = data.draw(st.permutations(history))
    expected = expected_refusal(history, place, new)
    event(f"refused: {expected}")
    if expected is not None:
        with pytest.raises(RuleBroken) as caught:
            plan_new_bounds(given_order, history[place].identity, new.valid_from, new.valid_to)
        assert caught.value.code is expected
        return
    changes = plan_new_bounds(given_order, history[place].identity, new.valid_from, new.valid_to)
    after = applied(history, changes)
    assert_orderly(after)
    assert after[place].period == new
    assert changes[0].identity == history[place].identity
    for (left, right), (left_after, right_after) in zip(pairwise(history), pairwise(after), strict=True):
        if left.period.meets(right.period):
            assert left_after.period.meets(right_after.period)
    # Before and after everything that moved, the register says what it said.
    moved_from = min(old.valid_from, new.valid_from)
    moved_to = [old.valid_to, new.valid_to]
    for moment in map(at, HOURS):
        beyond = all(end is not None and moment >= end for end in moved_to)
        if moment < moved_from or beyond:
            assert holder(after, moment) == holder(history, moment)


@given(histories(), st.data())
def test_a_withdrawal_gives_the_time_to_the_neighbour_that_held_before(
    history: list[Stretch], data: st.DataObject
) -> None:
    place = data.draw(st.integers(0, len(history) - 1))
    gone = history[place]
    touched = place > 0 and history[place - 1].period.meets(gone.period)
    allowed = touched or place < len(history) - 1
    event(f"allowed: {allowed}")
    given_order = data.draw(st.permutations(history))
    if not allowed:
        with refused(Code.OVERLAPPING_HISTORY, None):
            plan_withdrawal(given_order, gone.identity)
        return
    changes = plan_withdrawal(given_order, gone.identity)
    after = applied(history, changes)
    assert_orderly(after)
    assert changes[0] == Change(gone.identity, gone.period, None)
    assert len(changes) == (2 if touched else 1)
    assert len(after) == len(history) - 1
    for moment in map(at, HOURS):
        if not gone.period.contains(moment):
            assert holder(after, moment) == holder(history, moment)
        else:
            assert holder(after, moment) == ({history[place - 1].identity} if touched else set())


CHAIN = [stretch(1, 0, 4), stretch(2, 4, 8), stretch(3, 8)]


def bounds(changes: Sequence[Change]) -> dict[int, Period | None]:
    return {change.identity.int: change.after for change in changes}


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        (5, 8, {2: (5, 8), 1: (0, 5)}),
        (3, 8, {2: (3, 8), 1: (0, 3)}),
        (4, 6, {2: (4, 6), 3: (6, None)}),
        (4, 10, {2: (4, 10), 3: (10, None)}),
        (1, 9, {2: (1, 9), 1: (0, 1), 3: (9, None)}),
    ],
)
def test_a_neighbour_that_touched_a_moved_boundary_follows_it(
    start: int, end: int, expected: dict[int, tuple[int, int | None]]
) -> None:
    changes = plan_new_bounds(CHAIN, UUID(int=2), at(start), at(end))
    assert bounds(changes) == {number: period(*span) for number, span in expected.items()}


@pytest.mark.parametrize(
    ("number", "start", "end", "code", "field", "swallowed"),
    [
        (2, 4, 8, Code.NOTHING_CHANGES, "valid_from", None),
        (2, 0, 8, Code.NEIGHBOUR_SWALLOWED, "valid_from", 1),
        (2, -1, 8, Code.NEIGHBOUR_SWALLOWED, "valid_from", 1),
        (1, 0, 8, Code.NEIGHBOUR_SWALLOWED, "valid_to", 2),
        (1, 0, 9, Code.NEIGHBOUR_SWALLOWED, "valid_to", 2),
        (1, 0, None, Code.NEIGHBOUR_SWALLOWED, "valid_to", 2),
        (3, 8, 9, Code.OVERLAPPING_HISTORY, "valid_to", None),
        (4, 8, 9, Code.PERIOD_SUPERSEDED, "period", None),
        (2, 8, 4, Code.TIME_INVALID, "valid_to", None),
    ],
)
def test_new_bounds_that_cannot_be_are_refused(
    number: int, start: int, end: int | None, code: Code, field: str, swallowed: int | None
) -> None:
    with refused(code, field) as caught:
        plan_new_bounds(CHAIN, UUID(int=number), at(start), None if end is None else at(end))
    expected = {} if swallowed is None else {"period": str(UUID(int=swallowed))}
    assert caught.value.details == expected


def test_a_period_does_not_leap_over_its_neighbours() -> None:
    forth = [stretch(1, 0, 1), stretch(2, 1, 2), stretch(3, 3, 4)]
    with refused(Code.NEIGHBOUR_SWALLOWED, "valid_to"):
        plan_new_bounds(forth, UUID(int=2), at(5), at(6))
    back = [stretch(1, 1, 2), stretch(2, 4, 5), stretch(3, 5, 6)]
    with refused(Code.NEIGHBOUR_SWALLOWED, "valid_from"):
        plan_new_bounds(back, UUID(int=2), at(-1), at(0))
    open_ended = [stretch(1, 1, 2), stretch(2, 4, 5)]
    with refused(Code.NEIGHBOUR_SWALLOWED, "valid_to"):
        plan_new_bounds(open_ended, UUID(int=1), at(6), None)


def test_a_last_period_that_ended_may_turn_out_to_run_still() -> None:
    ended = [stretch(1, 0, 4), stretch(2, 4, 8)]
    assert bounds(plan_new_bounds(ended, UUID(int=2), at(4), None)) == {2: period(4)}
    assert bounds(plan_new_bounds(ended, UUID(int=2), at(4), at(7))) == {2: period(4, 7)}


def test_a_neighbour_across_a_gap_stays_where_it_is() -> None:
    apart = [stretch(1, 0, 2), stretch(2, 4, 6), stretch(3, 8)]
    assert bounds(plan_new_bounds(apart, UUID(int=2), at(3), at(7))) == {2: period(3, 7)}
    assert bounds(plan_new_bounds(apart, UUID(int=2), at(2), at(8))) == {2: period(2, 8)}
    assert bounds(plan_new_bounds(apart, UUID(int=2), at(1), at(9))) == {
        2: period(1, 9),
        1: period(0, 1),
        3: period(9),
    }


def test_the_neighbour_before_runs_on_over_a_withdrawn_period() -> None:
    assert bounds(plan_withdrawal(CHAIN, UUID(int=2))) == {2: None, 1: period(0, 8)}
    assert bounds(plan_withdrawal(CHAIN, UUID(int=3))) == {3: None, 2: period(4)}
    assert bounds(plan_withdrawal(CHAIN, UUID(int=1))) == {1: None}


@pytest.mark.parametrize(
    ("history", "number", "code", "field"),
    [
        ([stretch(1, 0)], 1, Code.OVERLAPPING_HISTORY, None),
        ([stretch(1, 0, 2), stretch(2, 4)], 2, Code.OVERLAPPING_HISTORY, None),
        (CHAIN, 4, Code.PERIOD_SUPERSEDED, "period"),
        ([], 1, Code.PERIOD_SUPERSEDED, "period"),
    ],
)
def test_a_withdrawal_that_leaves_the_register_without_an_answer_is_refused(
    history: list[Stretch], number: int, code: Code, field: str | None
) -> None:
    with refused(code, field):
        plan_withdrawal(history, UUID(int=number))
