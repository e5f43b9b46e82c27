"""Locations as of V, as known at R, within a person's depots."""

from typing import Any

import pytest

from registry.actions import accounts, locations, periods
from registry.models import Account, LocationHolding, LocationState
from registry.queries.locations import LocationAt, locations_at
from registry.queries.moments import Moment, head_index, settle
from registry.rules.roles import Role, Scope
from tests.factories.world import DAY, HOUR, World


@pytest.fixture
def pier(world: World) -> Account:
    """Another account."""
    return accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )


def told(moment: Moment, scope: Scope | None = None) -> list[tuple[str, str, str, str]]:
    def line(at: LocationAt) -> tuple[str, str, str, str]:
        return (at.account.code if at.account else "", at.store_number, at.location.name, at.state)

    return [line(at) for at in locations_at(moment, scope)]


def test_locations_are_listed_by_account_and_store_number(world: World, pier: Account) -> None:
    world.store(pier)
    world.store()

    assert [line[:2] for line in told(settle(world.clock.at))] == [
        ("LF", "0042"),
        ("LF", "N-0002"),
        ("PP", "N-0001"),
    ]


def test_a_location_is_not_there_before_its_first_instant(world: World) -> None:
    assert told(settle(world.start - HOUR)) == []
    assert told(settle(world.start)) == [("LF", "0042", "Harbour Road 0042", "open")]


def test_a_location_handed_over_has_the_holder_and_number_of_then(world: World, pier: Account) -> None:
    before = head_index()
    locations.hand_location(
        world.office,
        location_id=world.location.pk,
        account_id=pier.pk,
        store_number="7",
        valid_from=world.start + 5 * DAY,
    )

    assert told(settle(world.start + 5 * DAY - HOUR))[0][:2] == ("LF", "0042")
    assert told(settle(world.start + 5 * DAY))[0][:2] == ("PP", "7")
    assert told(settle(world.start + 5 * DAY, before))[0][:2] == ("LF", "0042")


def test_a_closed_location_is_told_closed_from_then_on_and_only_since_that_was_known(world: World) -> None:
    before = head_index()
    locations.close_location(
        world.office, location_id=world.location.pk, valid_from=world.start + 20 * DAY, reason="torn down"
    )

    assert told(settle(world.start + 20 * DAY - HOUR))[0][3] == "open"
    assert told(settle(world.start + 20 * DAY))[0][3] == "closed"
    assert told(settle(world.start + 20 * DAY, before))[0][3] == "open"


def test_a_season_asleep_is_told_between_its_bounds(world: World) -> None:
    for state, days in (("asleep", 5), ("open", 9)):
        locations.set_location_state(
            world.office,
            location_id=world.location.pk,
            state=state,
            valid_from=world.start + days * DAY,
        )

    states = [told(settle(world.start + days * DAY))[0][3] for days in (4, 5, 8, 9)]

    assert states == ["open", "asleep", "asleep", "open"]


def test_a_corrected_number_is_told_as_it_was_believed(world: World) -> None:
    before = head_index()
    holding = LocationHolding.objects.current().get(location=world.location)
    periods.correct_period(
        world.office,
        history="locationholding",
        period_id=holding.period,
        facts={"store_number": "0024"},
        reason="digits swapped",
    )

    assert told(settle(world.clock.at))[0][1] == "0024"
    assert told(settle(world.clock.at, before))[0][1] == "0042"


def test_a_withdrawn_closure_is_still_told_to_who_asks_as_of_then(world: World) -> None:
    locations.close_location(
        world.office, location_id=world.location.pk, valid_from=world.start + 20 * DAY, reason="torn down"
    )
    before = head_index()
    closed = LocationState.objects.current().get(location=world.location, state="closed")
    periods.withdraw_period(
        world.office, history="locationstate", period_id=closed.period, reason="the wrong store"
    )

    assert told(settle(world.clock.at))[0][3] == "open"
    assert told(settle(world.clock.at, before))[0][3] == "closed"


def test_particulars_of_location_and_account_are_told_as_they_were_known(world: World) -> None:
    before = head_index()
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"name": "Mole End"})
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"code": "LN"})

    assert told(settle(world.clock.at, before)) == [("LF", "0042", "Harbour Road 0042", "open")]
    assert told(settle(world.clock.at)) == [("LN", "0042", "Mole End", "open")]


def test_a_person_sees_the_locations_of_their_depots_alone(world: World) -> None:
    world.store(depot=world.fellgate)
    moment = settle(world.clock.at)

    def numbers(scope: Scope | None) -> list[str]:
        return [at.store_number for at in locations_at(moment, scope)]

    assert numbers(None) == numbers(Scope(Role.AUDITOR, everywhere=True)) == ["0042", "N-0001"]
    assert numbers(Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))) == ["0042"]
    assert numbers(Scope(Role.INSTALLER, frozenset({world.fellgate.pk}))) == ["N-0001"]
    assert numbers(Scope(Role.INSTALLER)) == []


def test_a_location_given_to_another_depot_is_told_where_it_was_known_to_belong(world: World) -> None:
    before = head_index()
    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )
    tarnmouth = Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))

    assert told(settle(world.clock.at), tarnmouth) == []
    assert [line[1] for line in told(settle(world.clock.at, before), tarnmouth)] == ["0042"]


@pytest.mark.parametrize("rows", [3, 30])
def test_the_list_takes_as_many_queries_for_many_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    stores = [world.store() for _ in range(rows)]
    moment = settle(world.clock.at)

    with django_assert_num_queries(5):  # locations; depots; states; holdings; accounts
        assert len(locations_at(moment)) == rows + 1

    for store in stores:
        locations.correct_location(world.office, location_id=store.pk, particulars={"name": "Mole End"})
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern"})

    # locations, the newest entry of each revised one, those entries; depots; states; holdings; accounts,
    # their newest entries, those entries
    with django_assert_num_queries(9):
        assert "Mole End" not in {at.location.name for at in locations_at(moment)}
