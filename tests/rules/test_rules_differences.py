"""Differences of two beliefs: the valid time that they touch, against instants asked one by one."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import refused

from registry.rules.differences import Belief, Span, Turn, Window, touched, turn_of
from registry.rules.errors import Code
from registry.rules.periods import Period

START = datetime(2026, 3, 1, tzinfo=UTC)
DAYS = 12  # of the little calendar in which everything here happens


def day(number: int) -> datetime:
    return START + timedelta(days=number)


def belief(
    begin: int, end: int | None = None, what: str = "SK-1", *, known_by: bool = False, why: str = ""
) -> Belief:
    return Belief(
        Period(day(begin), None if end is None else day(end)),
        frozenset({("cabinet", what)}),
        known_by,
        frozenset({("end_reason", why)}),
    )


def spans(*pairs: tuple[int, int | None]) -> list[Span]:
    return [Span(day(begin), None if end is None else day(end)) for begin, end in pairs]


@pytest.mark.parametrize(
    ("before", "after", "turn", "where"),
    [
        (None, belief(3), Turn.NEW, spans((3, None))),
        (belief(3, 5), None, Turn.WITHDRAWN, spans((3, 5))),
        (belief(1), belief(1, 6, why="fault"), Turn.ENDED, spans((6, None))),
        (belief(1, 9), belief(1, 3), Turn.MOVED, spans((3, 9))),
        (belief(1, 9), belief(2, 9), Turn.MOVED, spans((1, 2))),
        (belief(1, 9), belief(2, 7), Turn.MOVED, spans((1, 2), (7, 9))),
        (belief(1), belief(2, 7), Turn.MOVED, spans((1, 2), (7, None))),
        (belief(1, 3), belief(5, 8), Turn.MOVED, spans((1, 3), (5, 8))),
        (belief(1, 5), belief(3, None), Turn.MOVED, spans((1, 3), (5, None))),
        (belief(1), belief(1, what="SK-2"), Turn.CHANGED, spans((1, None))),
        (belief(1, 3), belief(2, 6, "SK-2"), Turn.CHANGED, spans((1, 6))),
        (belief(1, 3), belief(5, 6, "SK-2"), Turn.CHANGED, spans((1, 3), (5, 6))),
        # What is said of a start or of an end alone touches that instant.
        (belief(1, 6, why="fault"), belief(1, 6, why="swap"), Turn.CHANGED, spans((6, 6))),
        (belief(4, known_by=True), belief(4), Turn.CHANGED, spans((4, 4))),
        (belief(4, known_by=True), belief(2), Turn.MOVED, spans((2, 4))),
        (belief(4, known_by=True), belief(4, 6), Turn.MOVED, spans((4, 4), (6, None))),
    ],
)
def test_what_became_of_a_belief_and_which_time_it_touches(
    before: Belief | None, after: Belief | None, turn: Turn, where: list[Span]
) -> None:
    assert turn_of(before, after) is turn
    assert touched(before, after) == where


beliefs = st.builds(
    lambda begin, length, what: belief(begin, None if length is None else begin + length, what),
    st.integers(0, DAYS - 1),
    st.none() | st.integers(1, DAYS),
    st.sampled_from(["SK-1", "SK-2"]),
)


def held(one: Belief | None, moment: datetime) -> object:
    return one.facts if one is not None and one.period.contains(moment) else None


@given(st.none() | beliefs, st.none() | beliefs)
def test_two_beliefs_differ_exactly_in_what_they_touch(before: Belief | None, after: Belief | None) -> None:
    found = touched(before, after)

    for number in range(3 * DAYS):
        moment = day(number) + timedelta(hours=12)  # bounds lie at midnight
        inside = any(s.begin <= moment and (s.end is None or moment < s.end) for s in found)
        differ = held(before, moment) != held(after, moment)
        assert inside == differ, f"{before} and {after} at {moment}"
    assert (found == []) == (before == after)
    assert found == sorted(found, key=lambda span: span.begin)


@given(st.none() | beliefs, st.none() | beliefs, st.integers(0, DAYS), st.integers(1, DAYS))
def test_a_window_shows_what_differs_in_it(
    before: Belief | None, after: Belief | None, begin: int, length: int
) -> None:
    window = Window(day(begin), day(begin + length))

    differ = any(
        held(before, moment) != held(after, moment)
        for moment in (day(number) + timedelta(hours=12) for number in range(begin, begin + length))
    )

    assert window.meets(touched(before, after)) == differ


@pytest.mark.parametrize(("begin", "end", "seen"), [(6, 9, True), (3, 6, True), (7, 9, False), (3, 5, False)])
def test_an_instant_at_the_very_bounds_of_a_window_is_shown(begin: int, end: int, seen: bool) -> None:
    assert Window(day(begin), day(end)).meets(spans((6, 6))) is seen
    assert Window(None, None).meets(spans((6, 6)))
    assert not Window(None, None).is_bounded
    assert Window(None, day(3)).is_bounded


def test_a_window_that_ends_before_it_begins_or_without_an_offset_is_refused() -> None:
    with refused(Code.TIME_INVALID, "valid_to"):
        Window(day(3), day(3))
    with refused(Code.TIME_INVALID, "valid_from"):
        Window(day(3).replace(tzinfo=None), None)
