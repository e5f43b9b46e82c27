"""The fleet as of V as known at R: counted and listed by depot, account and place."""

from typing import Any

import pytest

from registry.actions import accounts, assignments, cabinets, devices, locations, periods
from registry.queries.assignments import devices_at
from registry.queries.cabinets import cabinets_at
from registry.queries.fleet import Fleet, fleet_at
from registry.queries.locations import locations_at
from registry.queries.moments import head_index, settle
from registry.rules.roles import Role, Scope
from tests.factories.world import DAY, World

ALL = Scope.of_all()


def now(world: World, scope: Scope = ALL, index: int | None = None) -> Fleet:
    return fleet_at(settle(world.clock.at, index), scope)


@pytest.fixture
def fleet(world: World) -> dict[str, Any]:
    """Two stores of two depots and accounts; devices in every place there is."""
    other = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    far = world.store(other, world.fellgate)
    world.assigned(world.device(), world.cabinet())
    world.assigned(world.device(depot=world.fellgate), world.cabinet(far))
    world.cabinet(world.tarnmouth)
    at = world.start + 5 * DAY
    sent = [world.device() for _ in range(4)]
    devices.hand_over_device(
        world.office, device_id=sent[0].pk, staff_id=world.installer.staff_id, valid_from=at
    )
    devices.send_device_to_repair(world.office, device_id=sent[1].pk, valid_from=at)
    devices.mark_device_lost(world.office, device_id=sent[2].pk, valid_from=at)
    devices.retire_device(world.office, device_id=sent[3].pk, valid_from=at)
    world.device()
    return {"other": other, "far": far}


def test_everything_is_counted_by_state_and_place(world: World, fleet: dict[str, Any]) -> None:
    counts = now(world).counts()

    assert counts.locations == {"open": 2}
    assert counts.cabinets == {"location": 2, "depot": 1}
    assert counts.devices == {"cabinet": 2, "van": 1, "maker": 1, "lost": 1, "retired": 1, "depot": 1}


def test_it_is_counted_by_depot_and_by_account(world: World, fleet: dict[str, Any]) -> None:
    by_depot, by_account = now(world).by_depot(), now(world).by_account()

    far = by_depot[world.fellgate.pk]
    assert (far.locations, far.cabinets, far.devices) == ({"open": 1}, {"location": 1}, {"cabinet": 1})
    assert by_depot[world.tarnmouth.pk].devices.total() == 6
    mine = by_account[world.account.pk]
    assert (mine.locations, mine.cabinets, mine.devices) == ({"open": 1}, {"location": 1}, {"cabinet": 1})
    assert by_account[None].cabinets == {"depot": 1}
    assert now(world).of(account_id=fleet["other"].pk).counts() == by_account[fleet["other"].pk]
    assert now(world).of(depot_id=world.tarnmouth.pk, where="van").counts().devices == {"van": 1}


def test_it_agrees_with_the_lists_of_each_kind(world: World, fleet: dict[str, Any]) -> None:
    for moment in (settle(world.clock.at), settle(world.start + 3 * DAY), settle(world.start, 12)):
        found = fleet_at(moment, ALL)

        assert {one.key for one in found.locations} == {at.location.pk for at in locations_at(moment)}
        assert {one.key: one.where for one in found.cabinets} == {
            at.cabinet.pk: at.stay.place for at in cabinets_at(moment)
        }
        assert {one.key: one.where for one in found.devices} == {
            at.device.pk: at.place.place for at in devices_at(moment)
        }


def test_it_is_told_as_of_then_and_as_known_then(world: World) -> None:
    cabinet, at = world.cabinet(), world.start + 9 * DAY
    assignment = world.assigned(world.device(), cabinet)
    before = head_index()
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=at,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, depot_id=world.tarnmouth.pk, valid_from=at + DAY
    )
    moved = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        reason="the work sheet",
        valid_to=at - 3 * DAY,
    )

    def counted(moment: Any) -> tuple[Any, Any]:
        counts = fleet_at(moment, ALL).counts()
        return counts.cabinets, counts.devices

    assert counted(settle(world.clock.at)) == ({"depot": 1}, {"depot": 1})
    assert counted(settle(at - DAY)) == ({"location": 1}, {"depot": 1})
    assert counted(settle(at - DAY, moved)) == ({"location": 1}, {"cabinet": 1})
    assert counted(settle(world.clock.at, before)) == ({"location": 1}, {"cabinet": 1})


def test_a_depot_answers_as_it_was_known_and_sees_as_it_is_today(world: World) -> None:
    world.cabinet()
    before = head_index()
    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )

    assert set(now(world).by_depot()) == {world.fellgate.pk}
    assert set(now(world, index=before).by_depot()) == {world.tarnmouth.pk}
    scope = Scope(Role.AUDITOR, frozenset({world.tarnmouth.pk}))
    assert now(world, scope, before) == Fleet((), (), ())


def test_a_thing_of_another_depot_does_not_count(world: World, fleet: dict[str, Any]) -> None:
    far = now(world, Scope(Role.AUDITOR, frozenset({world.fellgate.pk})))

    assert {one.depot_id for one in (*far.locations, *far.cabinets, *far.devices)} == {world.fellgate.pk}
    assert far.counts() == now(world).by_depot()[world.fellgate.pk]


@pytest.mark.parametrize("rows", [3, 30])
def test_as_many_queries_for_a_large_fleet_as_for_a_small_one(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    for _ in range(rows):
        store = world.store()
        world.assigned(world.device(), world.cabinet(store))
    moment = settle(world.clock.at)

    with django_assert_num_queries(5):  # revised locations; holdings; states; stays; places
        assert len(fleet_at(moment, ALL).devices) == rows
    locations.correct_location(world.office, location_id=store.pk, particulars={"visiting_hours": "9 to 5"})
    with django_assert_num_queries(7):  # the newest entry of each revised location; those entries
        fleet_at(moment, ALL)
