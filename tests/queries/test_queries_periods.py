"""Histories by name, and what a correction would change, shown before it is made."""

from typing import Any

import pytest

from registry.actions import assignments, periods
from registry.models import CabinetWhereabouts, Device, DeviceWhereabouts, LocationState, Split
from registry.models.base import PeriodVersion, new_key
from registry.queries.periods import (
    Planned,
    current_history,
    find_period,
    histories,
    planned_correction,
    planned_withdrawal,
)
from registry.rules.errors import Code, RuleBroken
from tests.factories.world import DAY, World


def bounds(world: World, planned: list[Planned]) -> list[tuple[str, Any, Any]]:
    """Return what changes: whose period, and its new bounds in days since the start."""

    def day(moment: Any) -> Any:
        return None if moment is None else (moment - world.start) / DAY

    return [
        (str(plan.version.device), *(plan.after and (day(plan.after.valid_from), day(plan.after.valid_to))))
        if plan.after
        else (str(plan.version.device), None, "withdrawn")
        for plan in planned
    ]


def swapped(world: World, days: int, assignment: DeviceWhereabouts, device: Device) -> DeviceWhereabouts:
    return assignments.swap_device(
        world.office,
        assignment_id=assignment.period,
        device_id=device.pk,
        valid_from=world.start + days * DAY,
        depot_id=world.tarnmouth.pk,
    )


def test_every_dated_table_is_a_history(world: World) -> None:
    assert set(histories()) == {
        "accountstate",
        "cabinetwhereabouts",
        "devicewhereabouts",
        "locationholding",
        "locationstate",
        "split",
    }
    assert all(issubclass(model, PeriodVersion) for model in histories().values())


def test_a_period_is_found_as_it_is_believed_now(world: World) -> None:
    assignment = world.assigned(world.device(), world.cabinet())
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        valid_from=world.start + 3 * DAY,
        reason="hung later",
    )

    found = find_period("devicewhereabouts", assignment.period)

    assert (found.period, found.valid_from, found.superseded) == (
        assignment.period,
        world.start + 3 * DAY,
        None,
    )
    assert found.pk != assignment.pk


def test_a_period_that_is_not_there_is_refused_and_why(world: World) -> None:
    assignment = world.assigned(world.device(), world.cabinet())
    periods.withdraw_period(
        world.office, history="devicewhereabouts", period_id=assignment.period, reason="never hung"
    )

    with pytest.raises(RuleBroken, match="withdrawn") as withdrawn:
        find_period("devicewhereabouts", assignment.period)
    with pytest.raises(RuleBroken, match="no such period") as unknown:
        find_period("devicewhereabouts", new_key())
    with pytest.raises(RuleBroken, match="no history 'device'") as no_history:
        find_period("device", assignment.period)

    assert (withdrawn.value.code, withdrawn.value.field) == (Code.PERIOD_SUPERSEDED, "period")
    assert (unknown.value.code, unknown.value.field) == (Code.NOT_FOUND, "period")
    assert (no_history.value.code, no_history.value.field) == (Code.NOT_FOUND, "history")


def test_a_history_is_what_is_believed_now_earliest_first(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)

    places = current_history(DeviceWhereabouts, device.pk)

    assert [place.place for place in places] == ["depot", "cabinet"]
    assert places[0].valid_to == places[1].valid_from
    assert DeviceWhereabouts.objects.filter(device=device).count() == 3  # one was superseded
    assert current_history(LocationState, new_key()) == []


def test_a_moved_start_moves_the_end_of_what_was_before(world: World) -> None:
    device = world.device()
    assignment = world.assigned(device, world.cabinet())

    planned = planned_correction(assignment, world.start + 5 * DAY, None)

    assert bounds(world, planned) == [(device.serial, 5, None), (device.serial, 1, 5)]
    assert find_period("devicewhereabouts", assignment.period).valid_from == world.start + 2 * DAY


def test_a_moved_swap_moves_both_devices_from_either_side(world: World) -> None:
    old, new = world.device(), world.device()
    first = world.assigned(old, world.cabinet())
    second = swapped(world, 10, first, new)

    planned = planned_correction(second, world.start + 12 * DAY, None)
    assert bounds(world, planned) == [
        (new.serial, 12, None),
        (new.serial, 1, 12),
        (old.serial, 2, 12),
        (old.serial, 12, None),
    ]
    ended = find_period("devicewhereabouts", first.period)
    planned = planned_correction(ended, world.start + 2 * DAY, world.start + 12 * DAY)
    assert sorted(bounds(world, planned), key=str) == sorted(
        [(old.serial, 2, 12), (old.serial, 12, None), (new.serial, 12, None), (new.serial, 1, 12)], key=str
    )


def test_without_the_slot_only_the_devices_own_history_moves(world: World) -> None:
    old, new = world.device(), world.device()
    second = swapped(world, 10, world.assigned(old, world.cabinet()), new)

    planned = planned_correction(second, world.start + 12 * DAY, None, follow_slot=False)

    assert bounds(world, planned) == [(new.serial, 12, None), (new.serial, 1, 12)]


def test_both_ends_of_a_stand_in_move_what_hung_before_and_after_it_once(world: World) -> None:
    usual, stand_in = world.device(), world.device()
    cabinet = world.cabinet()
    first = world.assigned(usual, cabinet)
    between = swapped(world, 10, first, stand_in)
    swapped(world, 14, between, usual)
    between = find_period("devicewhereabouts", between.period)

    planned = planned_correction(between, world.start + 9 * DAY, world.start + 15 * DAY)

    assert bounds(world, planned) == [
        (stand_in.serial, 9, 15),
        (stand_in.serial, 1, 9),
        (stand_in.serial, 15, None),
        (usual.serial, 2, 9),
        (usual.serial, 9, 15),
        (usual.serial, 15, None),
    ]
    assert len({plan.identity for plan in planned}) == len(planned)
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=between.period,
        valid_from=world.start + 9 * DAY,
        valid_to=world.start + 15 * DAY,
        reason="a day earlier and a day later",
    )
    hung = DeviceWhereabouts.objects.current().filter(cabinet=cabinet).order_by("valid_from")
    assert [(place.device, (place.valid_from - world.start).days) for place in hung] == [
        (usual, 2),
        (stand_in, 9),
        (usual, 15),
    ]


def test_a_boundary_is_not_moved_over_a_whole_neighbour(world: World) -> None:
    first = world.assigned(world.device(), world.cabinet())
    second = swapped(world, 10, first, world.device())

    with pytest.raises(RuleBroken) as refusal:
        planned_correction(second, world.start + 2 * DAY, None)

    assert refusal.value.code == Code.NEIGHBOUR_SWALLOWED


def test_the_same_bounds_change_nothing(world: World) -> None:
    assignment = world.assigned(world.device(), world.cabinet())

    with pytest.raises(RuleBroken) as refusal:
        planned_correction(assignment, assignment.valid_from, None)

    assert refusal.value.code == Code.NOTHING_CHANGES


def test_a_withdrawal_lets_what_was_before_run_on(world: World) -> None:
    device = world.device()
    assignment = world.assigned(device, world.cabinet())

    planned = planned_withdrawal(assignment)

    assert bounds(world, planned) == [(device.serial, None, "withdrawn"), (device.serial, 1, None)]


def test_the_only_period_of_a_history_is_not_withdrawn(world: World) -> None:
    [stay] = current_history(CabinetWhereabouts, world.cabinet().pk)

    with pytest.raises(RuleBroken) as refusal:
        planned_withdrawal(stay)

    assert refusal.value.code == Code.OVERLAPPING_HISTORY


@pytest.mark.parametrize("rows", [3, 30])
def test_a_history_takes_as_many_queries_for_many_periods_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    device = world.device()
    cabinets = [world.cabinet() for _ in range(2)]
    for number in range(rows // 2):  # two periods each
        assignment = world.assigned(device, cabinets[number % 2], world.start + (2 + number / 2) * DAY)
        assignments.end_assignment(
            world.office,
            assignment_id=assignment.period,
            valid_to=world.start + (2 + number / 2 + 0.25) * DAY,
            end_reason="fault",
            depot_id=world.tarnmouth.pk,
        )

    with django_assert_num_queries(1):  # the periods with what they refer to
        places = current_history(DeviceWhereabouts, device.pk)
        assert [place.cabinet.asset_tag for place in places if place.cabinet]
        assert places[0].device.model_id == device.model_id
    assert len(places) == 2 * (rows // 2) + 1
    with django_assert_num_queries(1):  # the period
        find_period("devicewhereabouts", places[1].period)
    # the device's history, to plan and to show it; who hung before in the slot; who hung after
    with django_assert_num_queries(4):
        planned_correction(
            places[1], places[1].valid_from + DAY / 24, places[1].valid_to and places[1].valid_to + DAY / 24
        )
    with django_assert_num_queries(1):  # the splits
        assert current_history(Split, cabinets[0].pk) == []
