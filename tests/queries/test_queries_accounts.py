"""Accounts as of V, as known at R."""

from typing import Any

import pytest

from registry.actions import accounts, locations, periods
from registry.models import Account, AccountState
from registry.queries.accounts import accounts_at
from registry.queries.moments import Moment, head_index, settle
from tests.factories.world import DAY, HOUR, World


def another(world: World, code: str, *, at: Any = None) -> Account:
    return accounts.register_account(
        world.office, particulars={"code": code, "name": f"Pier {code}"}, valid_from=at or world.start
    )


def told(moment: Moment) -> list[tuple[str, str]]:
    return [(at.account.code, at.state) for at in accounts_at(moment)]


def test_accounts_are_listed_by_code(world: World) -> None:
    another(world, "ZZ")
    another(world, "00A")

    assert told(settle(world.clock.at)) == [("00A", "open"), ("LF", "open"), ("ZZ", "open")]


def test_an_account_is_there_from_its_first_instant_on(world: World) -> None:
    another(world, "PP", at=world.start + 5 * DAY)

    assert told(settle(world.start + 5 * DAY - HOUR)) == [("LF", "open")]
    assert told(settle(world.start + 5 * DAY)) == [("LF", "open"), ("PP", "open")]


def test_a_closed_account_is_told_closed_from_then_on_and_only_since_that_was_known(world: World) -> None:
    closed = another(world, "PP")
    before = head_index()
    accounts.close_account(world.office, account_id=closed.pk, valid_from=world.start + 10 * DAY)

    assert told(settle(world.start + 9 * DAY)) == [("LF", "open"), ("PP", "open")]
    assert told(settle(world.start + 10 * DAY)) == [("LF", "open"), ("PP", "closed")]
    assert told(settle(world.start + 10 * DAY, before)) == [("LF", "open"), ("PP", "open")]


def test_a_corrected_closure_is_told_as_it_was_believed(world: World) -> None:
    closed = another(world, "PP")
    accounts.close_account(world.office, account_id=closed.pk, valid_from=world.start + 10 * DAY)
    before = head_index()
    period = AccountState.objects.current().get(account=closed, state="closed").period
    periods.correct_period(
        world.office,
        history="accountstate",
        period_id=period,
        valid_from=world.start + 12 * DAY,
        reason="the letter came later",
    )

    at = world.start + 11 * DAY
    assert told(settle(at)) == [("LF", "open"), ("PP", "open")]
    assert told(settle(at, before)) == [("LF", "open"), ("PP", "closed")]


def test_particulars_are_told_as_they_were_known(world: World) -> None:
    before = head_index()
    accounts.correct_account(
        world.office, account_id=world.account.pk, particulars={"code": "LN", "name": "Lantern"}
    )

    assert told(settle(world.clock.at, before)) == [("LF", "open")]
    assert told(settle(world.clock.at)) == [("LN", "open")]


@pytest.mark.parametrize("rows", [3, 30])
def test_the_list_takes_as_many_queries_for_many_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    made = [another(world, f"P{number:02}") for number in range(rows)]
    moment = settle(world.clock.at)

    with django_assert_num_queries(2):  # states; accounts
        assert len(accounts_at(moment)) == rows + 1

    for account in made:
        accounts.correct_account(world.office, account_id=account.pk, particulars={"name": "Quay"})

    # states; accounts; the newest entry of each revised one; those entries
    with django_assert_num_queries(4):
        assert "Quay" not in {at.account.name for at in accounts_at(moment)}


def test_an_account_stays_listed_when_its_store_goes_to_another(world: World) -> None:
    other = another(world, "PP")
    locations.hand_location(
        world.office,
        location_id=world.location.pk,
        account_id=other.pk,
        store_number="7",
        valid_from=world.start + 3 * DAY,
    )

    assert told(settle(world.clock.at)) == [("LF", "open"), ("PP", "open")]
