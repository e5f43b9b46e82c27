"""Where every device was at V, as the register knew it at R."""

from typing import Any
from uuid import UUID

import pytest

from registry.actions import assignments, cabinets, devices, locations, periods, provisional
from registry.actions._devices import NewDevice
from registry.models import DeviceWhereabouts
from registry.queries.assignments import devices_at
from registry.queries.moments import Moment, head_index, settle
from registry.rules.roles import Role, Scope
from tests.factories.world import DAY, HOUR, World


def places(moment: Moment, scope: Scope | None = None, **where: Any) -> dict[UUID, str]:
    return {at.device.pk: at.words for at in devices_at(moment, scope, **where)}


def test_every_place_is_told_in_words(world: World) -> None:
    received = sorted([world.device() for _ in range(6)], key=lambda device: device.serial)
    at = world.start + 3 * DAY
    cabinet = world.cabinet()
    world.assigned(received[1], cabinet, at)
    devices.hand_over_device(
        world.office, device_id=received[2].pk, staff_id=world.installer.staff_id, valid_from=at
    )
    devices.send_device_to_repair(world.office, device_id=received[3].pk, valid_from=at)
    devices.mark_device_lost(world.office, device_id=received[4].pk, valid_from=at)
    devices.retire_device(world.office, device_id=received[5].pk, valid_from=at)

    found = devices_at(settle(world.clock.at))

    assert [at.device.serial for at in found] == [device.serial for device in received]
    assert [at.words for at in found] == [
        "depot TM Tarnmouth",
        f"cabinet {cabinet.asset_tag} at Harbour Road 0042, Tarnmouth",
        "van of Installer",
        "maker, of depot TM Tarnmouth",
        "lost, of depot TM Tarnmouth",
        "retired, of depot TM Tarnmouth",
    ]
    assert devices_at(settle(world.start)) == []


def test_at_the_instant_of_a_swap_the_new_device_hangs_and_the_old_one_does_not(world: World) -> None:
    old, new, cabinet = world.device(), world.device(), world.cabinet()
    assignment = world.assigned(old, cabinet)
    before = head_index()
    swapped = world.start + 10 * DAY
    assignments.swap_device(
        world.office,
        assignment_id=assignment.period,
        device_id=new.pk,
        valid_from=swapped,
        depot_id=world.tarnmouth.pk,
    )
    hanging, waiting = f"cabinet {cabinet.asset_tag} at {world.location.label}", "depot TM Tarnmouth"

    assert places(settle(swapped - HOUR)) == {old.pk: hanging, new.pk: waiting}
    assert places(settle(swapped)) == {old.pk: waiting, new.pk: hanging}
    assert places(settle(swapped, before)) == {old.pk: hanging, new.pk: waiting}
    assert places(settle(swapped), assigned_only=True) == {new.pk: hanging}


def test_a_device_that_follows_its_cabinet_is_told_at_the_new_store_from_the_move_on(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    world.assigned(device, cabinet)
    before = head_index()
    moved = world.start + 10 * DAY
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=moved, devices="follow"
    )

    assert places(settle(moved - HOUR), location_id=world.location.pk).keys() == {device.pk}
    assert places(settle(moved), location_id=world.location.pk) == {}
    assert places(settle(moved), location_id=store.pk) == {
        device.pk: f"cabinet {cabinet.asset_tag} at {store.label}"
    }
    assert places(settle(moved, before), location_id=store.pk) == {}


def test_a_device_that_comes_out_is_told_in_the_depot_from_the_move_on(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    moved = world.start + 10 * DAY
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        depot_id=world.tarnmouth.pk,
        valid_from=moved,
        devices="come_out",
        devices_to=world.fellgate.pk,
    )

    assert places(settle(moved)) == {device.pk: "depot FG Fellgate"}
    assert places(settle(moved), assigned_only=True) == {}


def test_a_closure_takes_the_devices_out_as_of_then_and_since_it_was_known(world: World) -> None:
    device = world.device()
    world.assigned(device, world.cabinet())
    before = head_index()
    closed = world.start + 20 * DAY
    locations.close_location(
        world.office,
        location_id=world.location.pk,
        valid_from=closed,
        cabinets_to=world.tarnmouth.pk,
        devices_to=world.fellgate.pk,
    )

    assert places(settle(closed - HOUR), location_id=world.location.pk).keys() == {device.pk}
    assert places(settle(closed)) == {device.pk: "depot FG Fellgate"}
    assert places(settle(closed, before), location_id=world.location.pk).keys() == {device.pk}


def test_a_corrected_start_is_told_as_it_was_believed_at_each_entry(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    unassigned = head_index()
    assignment = world.assigned(device, cabinet, world.start + 4 * DAY)
    believed = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        valid_from=world.start + 7 * DAY,
        reason="hung later",
    )
    at, later = world.start + 5 * DAY, world.start + 7 * DAY

    def assigned(moment: Moment) -> bool:
        return bool(devices_at(moment, assigned_only=True))

    assert [assigned(settle(at, index)) for index in (unassigned, believed, believed + 1)] == [
        False,
        True,
        False,
    ]
    assert [assigned(settle(later, index)) for index in (unassigned, believed, believed + 1)] == [
        False,
        True,
        True,
    ]


def test_an_assignment_to_the_wrong_cabinet_is_told_there_until_its_correction(world: World) -> None:
    device, wrong, right = world.device(), world.cabinet(), world.cabinet()
    assignment = world.assigned(device, wrong)
    before = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        facts={"cabinet_id": right.pk},
        reason="read the tag again",
    )

    assert places(settle(world.clock.at))[device.pk].startswith(f"cabinet {right.asset_tag} ")
    assert places(settle(world.clock.at, before))[device.pk].startswith(f"cabinet {wrong.asset_tag} ")


def test_a_merged_device_is_one_device_now_and_was_two_before(world: World) -> None:
    known, cabinet = world.device(), world.cabinet()
    found = provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 5 * DAY,
        evidence="label torn",
        cabinet_id=cabinet.pk,
    )
    before = head_index()
    provisional.merge_provisional_device(world.office, device_id=found.pk, into_id=known.pk)
    hanging = f"cabinet {cabinet.asset_tag} at {world.location.label}"

    assert places(settle(world.clock.at)) == {known.pk: hanging}
    assert places(settle(world.clock.at, before)) == {known.pk: "depot TM Tarnmouth", found.pk: hanging}


def test_a_rejected_device_is_nowhere_now_and_hung_there_before(world: World) -> None:
    cabinet = world.cabinet()
    found = provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 5 * DAY,
        evidence="label torn",
        cabinet_id=cabinet.pk,
    )
    before = head_index()
    provisional.reject_provisional_device(world.office, device_id=found.pk, reason="a competitor's")

    assert places(settle(world.clock.at)) == {}
    assert places(settle(world.clock.at, before)).keys() == {found.pk}
    assert devices_at(settle(world.clock.at, before))[0].device.standing == "provisional"


def test_whatever_is_corrected_later_the_answer_of_an_index_stays(world: World) -> None:
    hung, waiting, cabinet = world.device(), world.device(), world.cabinet()
    world.assigned(hung, cabinet)
    before = head_index()
    answer = places(settle(world.clock.at, before))

    cabinets.correct_cabinet(world.office, cabinet_id=cabinet.pk, particulars={"asset_tag": "SK-9999"})
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"name": "Mole End"})
    locations.correct_depot(world.office, depot_id=world.tarnmouth.pk, particulars={"name": "Tarn"})
    devices.correct_device(world.office, device_id=hung.pk, firmware="2.1")

    assert places(settle(world.clock.at, before)) == answer
    assert {at.device.firmware for at in devices_at(settle(world.clock.at, before))} == {""}
    assert places(settle(world.clock.at)) == {
        hung.pk: "cabinet SK-9999 at Mole End, Tarnmouth",
        waiting.pk: "depot TM Tarn",
    }


def test_a_person_sees_the_devices_of_their_depots_and_of_the_stores_of_these(world: World) -> None:
    here, there = world.device(), world.device(depot=world.fellgate)
    hung_here, hung_there = world.device(), world.device()
    world.assigned(hung_here, world.cabinet())
    world.assigned(hung_there, world.cabinet(world.store(depot=world.fellgate)))
    moment = settle(world.clock.at)

    everything = {here.pk, there.pk, hung_here.pk, hung_there.pk}
    assert places(moment).keys() == everything
    assert places(moment, Scope(Role.AUDITOR, everywhere=True)).keys() == everything
    tarnmouth = Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))
    assert places(moment, tarnmouth).keys() == {here.pk, hung_here.pk}
    fellgate = Scope(Role.INSTALLER, frozenset({world.fellgate.pk}))
    assert places(moment, fellgate).keys() == {there.pk, hung_there.pk}
    assert places(moment, Scope(Role.INSTALLER)) == {}


def test_a_device_is_seen_by_the_depot_that_its_store_was_known_to_have(world: World) -> None:
    device = world.device()
    world.assigned(device, world.cabinet())
    before = head_index()
    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )
    tarnmouth = Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))

    assert places(settle(world.clock.at), tarnmouth) == {}
    assert places(settle(world.clock.at, before), tarnmouth).keys() == {device.pk}


@pytest.mark.parametrize("rows", [3, 30])
def test_the_list_takes_as_many_queries_for_many_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    hung = [world.device() for _ in range(rows)]
    for device in hung:
        world.assigned(device, world.cabinet())
    waiting = world.device()
    moment = settle(world.clock.at)

    # devices; whereabouts with vans; stays of the cabinets; their cabinets; their depots; locations of the
    # stays; models. (No stay is in a depot here.)
    with django_assert_num_queries(7):
        assert len(places(moment)) == rows + 1
    # devices; whereabouts; stays; cabinets; locations; models
    with django_assert_num_queries(6):
        assert waiting.pk not in places(moment, location_id=world.location.pk)

    for device in hung:
        devices.correct_device(world.office, device_id=device.pk, firmware="2.1")

    with django_assert_num_queries(9):  # the seven; the newest entry of each revised device; those entries
        assert {at.device.firmware for at in devices_at(moment)} == {""}


def test_a_device_in_a_cabinet_of_a_depot_is_told_with_that_depot(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        depot_id=world.fellgate.pk,
        valid_from=world.start + 9 * DAY,
        devices="follow",
    )
    fellgate = Scope(Role.INSTALLER, frozenset({world.fellgate.pk}))

    assert places(settle(world.clock.at), fellgate) == {
        device.pk: f"cabinet {cabinet.asset_tag} at FG Fellgate"
    }
    assert DeviceWhereabouts.objects.current().filter(device=device, valid_to=None).get().cabinet == cabinet
