"""Settling a question: which entry its knowledge ends with, for ever."""

from datetime import datetime
from typing import Any

import pytest

from registry.actions import accounts, locations
from registry.models import Entry
from registry.queries.locations import locations_at
from registry.queries.moments import head_index, settle
from registry.rules.errors import Code, RuleBroken
from tests.factories.world import DAY, HOUR, World


def record_something(world: World) -> Entry:
    """Let an hour pass and a store be registered."""
    world.clock.at += HOUR
    world.store()
    return Entry.objects.latest("index")


def test_an_empty_ledger_is_asked_at_index_0_which_is_its_head(clock: Any) -> None:
    moment = settle(clock.at)

    assert (moment.index, moment.at_head) == (0, True)
    assert settle(clock.at, clock.at).at_head


def test_without_a_word_the_head_is_meant(world: World) -> None:
    newest = record_something(world)

    moment = settle(world.clock.at)

    assert (moment.valid_at, moment.index, moment.at_head) == (world.clock.at, newest.index, True)
    assert head_index() == newest.index


def test_a_time_between_two_entries_means_the_earlier_one(world: World) -> None:
    earlier = record_something(world)
    record_something(world)

    moment = settle(world.clock.at, earlier.recorded_at + HOUR / 2)

    assert (moment.index, moment.at_head) == (earlier.index, False)


def test_the_very_time_of_an_entry_knows_the_entry(world: World) -> None:
    earlier = record_something(world)
    newest = record_something(world)

    assert settle(world.clock.at, earlier.recorded_at).index == earlier.index
    at_head = settle(world.clock.at, newest.recorded_at)
    assert (at_head.index, at_head.at_head) == (newest.index, True)


def test_a_time_after_the_head_is_answered_as_the_head_and_says_so(world: World) -> None:
    newest = record_something(world)

    moment = settle(world.clock.at, world.clock.at + DAY)

    assert (moment.index, moment.at_head) == (newest.index, True)


def test_before_the_founding_nothing_was_known(world: World) -> None:
    moment = settle(world.clock.at, Entry.objects.earliest("index").recorded_at - HOUR)

    assert (moment.index, moment.at_head) == (0, False)
    assert locations_at(moment) == []


def test_an_index_is_taken_as_it_is(world: World) -> None:
    newest = record_something(world)

    assert settle(world.clock.at, 3).index == 3
    assert not settle(world.clock.at, 3).at_head
    assert settle(world.clock.at, newest.index).at_head
    assert settle(world.clock.at, 0).index == 0


@pytest.mark.parametrize("beyond", [-1, 1_000_000])
def test_an_index_that_the_ledger_does_not_have_is_refused(world: World, beyond: int) -> None:
    with pytest.raises(RuleBroken, match=f"not {beyond}") as refusal:
        settle(world.clock.at, beyond)

    assert (refusal.value.code, refusal.value.field) == (Code.VALUE_INVALID, "known_at")


def test_a_time_without_its_offset_is_refused_by_its_name(world: World) -> None:
    naive = datetime(2026, 2, 1, 8, 0)  # noqa: DTZ001

    with pytest.raises(RuleBroken) as as_of:
        settle(naive)
    with pytest.raises(RuleBroken) as known_at:
        settle(world.clock.at, naive)

    assert (as_of.value.code, as_of.value.field) == (Code.TIME_INVALID, "as_of")
    assert (known_at.value.code, known_at.value.field) == (Code.TIME_INVALID, "known_at")


def test_the_index_gives_the_same_answer_whenever_it_is_asked_again(world: World) -> None:
    record_something(world)
    asked = settle(world.clock.at, world.clock.at + DAY)
    answer = locations_at(asked)

    # More is recorded at times which the question would have covered, and things are corrected.
    record_something(world)
    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"name": "Mole End"}, reason="renamed"
    )
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"code": "L9"})

    again = settle(world.clock.at - HOUR, asked.index)
    assert (again.valid_at, again.index, again.at_head) == (asked.valid_at, asked.index, False)
    repeated = locations_at(again)
    assert repeated == answer
    assert [(at.location.name, at.account and at.account.code, at.store_number) for at in repeated] == [
        ("Harbour Road 0042", "LF", "0042"),
        ("Harbour Road N-0001", "LF", "N-0001"),
    ]
    assert len(locations_at(settle(world.clock.at))) == 3


def test_settling_takes_one_query_and_one_more_for_a_time(
    world: World, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(1):  # the head
        settle(world.clock.at)
    with django_assert_num_queries(1):  # the head, against which the index is checked
        settle(world.clock.at, 3)
    with django_assert_num_queries(2):  # the head; the newest entry recorded by then
        settle(world.clock.at, world.clock.at)
