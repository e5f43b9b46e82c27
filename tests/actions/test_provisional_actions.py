"""Devices that nobody booked in, through their actions."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import assignments, cabinets, devices, locations, provisional
from registry.actions._devices import NewDevice
from registry.models import Device, DeviceWhereabouts, Entry
from registry.rules.assignments import Installation
from tests.actions.unchanged import refused, undone
from tests.factories.world import DAY, HOUR, World, person

PHOTO = "0f" * 32


def record(world: World, **changes: Any) -> Device:
    actor = changes.pop("actor", world.installer)
    given = {
        "device": NewDevice(world.plumb_3.pk, changes.pop("serial", None) or world.serial()),
        "valid_from": world.start + 3 * DAY,
        "evidence": "Our label, no delivery note",
    }
    return provisional.record_provisional_device(actor, **(given | changes))


def places(device: Device) -> list[DeviceWhereabouts]:
    return list(DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from"))


# --- recorded ------------------------------------------------------------------------------------------


def test_a_device_found_in_the_field_is_recorded_where_it_is(world: World) -> None:
    cabinet, van = world.cabinet(), world.installer.staff_id
    with undone():
        device = record(world, cabinet_id=cabinet.pk, installation=Installation(sensor_order=(3, 2, 1)))
        [place] = places(device)
        assert (device.standing, device.evidence) == ("provisional", "Our label, no delivery note")
        assert (place.cabinet, place.slot, place.sensor_order) == (cabinet, 1, "3 2 1")
        assert (place.valid_from, place.valid_to) == (world.start + 3 * DAY, None)
    with undone():
        [place] = places(record(world, depot_id=world.tarnmouth.pk))
        assert (place.place, place.depot) == ("depot", world.tarnmouth)
    with undone():
        device = record(world, depot_id=world.tarnmouth.pk, staff_id=van, evidence="", photo_sha256=PHOTO)
        [place] = places(device)
        assert (place.place, place.staff_id, device.photo_sha256) == ("van", van, PHOTO)
        part = Entry.objects.latest("index").subjects.get(part="to")
        assert part.thing_id == van
    with refused("value_invalid", "depot"):
        record(world)


def test_a_device_that_nobody_booked_in_needs_evidence_and_a_serial_of_its_model(world: World) -> None:
    cabinet, booked = world.cabinet(), world.device()
    given = {"cabinet_id": cabinet.pk}
    serial = world.serial()
    for changes, code, field in (
        ({"evidence": " "}, "evidence_missing", "evidence"),
        ({"evidence": "\x07"}, "text_invalid", "evidence"),
        ({"photo_sha256": PHOTO[:-1]}, "value_invalid", "photo_sha256"),
        ({"photo_sha256": PHOTO[:-1] + "g"}, "value_invalid", "photo_sha256"),
        ({"photo_sha256": PHOTO.upper()}, "value_invalid", "photo_sha256"),
        ({"serial": serial[:-1]}, "serial_invalid", "serial"),
        ({"serial": booked.serial}, "code_taken", "serial"),
        ({"device": NewDevice(uuid4(), serial)}, "not_found", "model"),
        (
            {"device": NewDevice(world.plumb_5.pk, world.serial(world.plumb_5))},
            "sensor_count_mismatch",
            "device",
        ),
        ({"installation": Installation(slot=2)}, "slot_needs_reason", "slot_reason"),
        ({"installation": Installation(slot=7)}, "value_invalid", "slot"),
        ({"cabinet_id": uuid4()}, "not_found", "cabinet"),
        ({"actor": world.stranger}, "not_found", "cabinet"),
        ({"valid_from": world.start}, "before_known", "valid_from"),
        ({"valid_from": world.clock.at + timedelta(minutes=3)}, "time_in_future", "valid_from"),
    ):
        with refused(code, field):
            record(world, **(given | {"serial": serial} | changes))
    record(world, **given, serial=serial)


def test_a_device_is_found_in_a_depot_of_the_person_who_found_it(world: World) -> None:
    serial = world.serial()
    with refused("not_found", "depot"):
        record(world, depot_id=world.fellgate.pk, serial=serial)
    with refused("not_found", "depot"):
        record(world, depot_id=uuid4(), serial=serial)
    with refused("not_found", "staff"):
        record(world, depot_id=world.tarnmouth.pk, staff_id=uuid4(), serial=serial)
    with refused("time_in_future", "valid_from"):
        record(world, depot_id=world.tarnmouth.pk, serial=serial, valid_from=world.clock.at + HOUR)
    record(world, depot_id=world.tarnmouth.pk, serial=serial)


def test_a_device_is_found_in_a_slot_that_was_free(world: World) -> None:
    cabinet, hung = world.cabinet(), world.device()
    with undone():
        record(world, cabinet_id=cabinet.pk)
    world.assigned(hung, cabinet, world.start + 4 * DAY)
    for day in (3, 5):
        with refused("slot_taken", "slot") as caught:
            record(world, cabinet_id=cabinet.pk, valid_from=world.start + day * DAY)
        assert caught.value.details == {"device": hung.serial}
    record(world, cabinet_id=cabinet.pk, installation=Installation(slot=2, slot_reason="Two rows"))


def test_a_device_is_found_in_a_cabinet_that_stood_in_an_open_store(world: World) -> None:
    cabinet, spare, noon = world.cabinet(), world.cabinet(world.tarnmouth), world.start + 3 * DAY
    with refused("cabinet_not_available", "cabinet"):
        record(world, cabinet_id=spare.pk)
    with undone():
        cabinets.scrap_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=noon - HOUR)
        with refused("cabinet_not_available", "cabinet"):
            record(world, cabinet_id=cabinet.pk)
    with undone():
        cabinets.move_cabinet(
            world.office, cabinet_id=cabinet.pk, depot_id=world.tarnmouth.pk, valid_from=noon + HOUR
        )
        with refused("overlapping_history", "valid_from"):
            record(world, cabinet_id=cabinet.pk)
    record(world, cabinet_id=cabinet.pk)


# --- judged --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("judged", ["confirmed", "merged", "rejected"])
def test_a_device_is_judged_once(world: World, judged: str) -> None:
    device, target = record(world, depot_id=world.tarnmouth.pk), world.device()
    fellgate = person(world, "office", world.fellgate)
    calls = {
        "confirmed": lambda actor, key: provisional.confirm_provisional_device(actor, device_id=key),
        "merged": lambda actor, key: provisional.merge_provisional_device(
            actor, device_id=key, into_id=target.pk
        ),
        "rejected": lambda actor, key: provisional.reject_provisional_device(
            actor, device_id=key, reason="A neighbour's"
        ),
    }
    for call in calls.values():
        with refused("not_found", "device"):
            call(world.office, uuid4())
        with refused("not_found", "device"):
            call(fellgate, device.pk)
        with refused("not_provisional", "device"):
            call(world.office, target.pk)
    calls[judged](world.office, device.pk)
    assert Device.objects.get(pk=device.pk).standing == judged
    for call in calls.values():
        with refused("not_provisional", "device"):
            call(world.office, device.pk)


def test_a_confirmed_device_keeps_its_place_and_its_evidence(world: World) -> None:
    device = record(world, depot_id=world.tarnmouth.pk)
    before = places(device)
    provisional.confirm_provisional_device(world.office, device_id=device.pk)
    device.refresh_from_db()
    assert places(device) == before
    assert device.evidence == "Our label, no delivery note"


def test_a_merged_record_gives_its_history_to_the_device_that_it_was(world: World) -> None:
    cabinet, target, day = world.cabinet(), world.device(), world.start + 3 * DAY
    device = record(world, cabinet_id=cabinet.pk)
    [assignment] = places(device)
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=day + DAY,
        end_reason="fault",
        depot_id=world.fellgate.pk,
    )
    index = Entry.objects.latest("index").index
    merged = provisional.merge_provisional_device(world.office, device_id=device.pk, into_id=target.pk)
    device.refresh_from_db()
    assert (merged, device.standing, device.merged_into) == (target, "merged", target)
    assert places(device) == []
    assert [(p.place, p.depot, p.cabinet, p.valid_from, p.valid_to) for p in places(target)] == [
        ("depot", world.tarnmouth, None, world.start + DAY, day),
        ("cabinet", None, cabinet, day, day + DAY),
        ("depot", world.fellgate, None, day + DAY, None),
    ]
    assert places(target)[1].end_reason == "fault"
    then = DeviceWhereabouts.objects.believed_at(index).filter(device=device)
    assert {p.place for p in then} == {"cabinet", "depot"}
    record(world, serial=device.serial, depot_id=world.tarnmouth.pk)  # its serial is free again


def test_a_record_is_merged_only_into_a_device_that_could_have_been_there(world: World) -> None:
    cabinet = world.cabinet()
    device, target, day = record(world, cabinet_id=cabinet.pk), world.device(), world.start + 3 * DAY
    large, lost, theirs = world.device(world.plumb_5), world.device(), world.device(depot=world.fellgate)
    hung, rejected, late = (
        world.device(),
        record(world, depot_id=world.tarnmouth.pk),
        record(world, depot_id=world.tarnmouth.pk, valid_from=day + HOUR),
    )
    world.assigned(hung, world.cabinet())
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=day - HOUR)
    provisional.reject_provisional_device(world.office, device_id=rejected.pk, reason="A neighbour's")
    moved = world.device()
    devices.hand_over_device(
        world.office, device_id=moved.pk, valid_from=day + HOUR, depot_id=world.fellgate.pk
    )
    local = person(world, "office", world.tarnmouth)

    def merge(into: Any, actor: Any = None) -> Device:
        return provisional.merge_provisional_device(actor or world.office, device_id=device.pk, into_id=into)

    for into, code, field in (
        (uuid4(), "not_found", "into"),
        (device.pk, "value_invalid", "into"),
        (large.pk, "value_invalid", "into"),
        (rejected.pk, "device_not_available", "device"),
        (lost.pk, "device_not_available", "into"),
        (hung.pk, "device_elsewhere", "into"),
        (late.pk, "before_known", "valid_from"),
        (moved.pk, "overlapping_history", "valid_from"),
    ):
        with refused(code, field):
            merge(into)
    with refused("not_found", "into"):
        merge(theirs.pk, local)
    with undone():
        merge(theirs.pk)
    merge(target.pk, local)


def test_a_rejected_record_leaves_its_slot_and_serial_free(world: World) -> None:
    cabinet, device = world.cabinet(), world.device()
    ghost = record(world, cabinet_id=cabinet.pk)
    for reason in ("", " \n"):
        with refused("reason_missing", "reason"):
            provisional.reject_provisional_device(world.office, device_id=ghost.pk, reason=reason)
    with refused("slot_taken", "slot"):
        assignments.assign_device(
            world.office, device_id=device.pk, cabinet_id=cabinet.pk, valid_from=world.start + 3 * DAY
        )
    provisional.reject_provisional_device(world.office, device_id=ghost.pk, reason="A neighbour's")
    assert places(ghost) == []
    world.assigned(device, cabinet, world.start + 3 * DAY)
    record(world, serial=ghost.serial, depot_id=world.tarnmouth.pk)


def test_the_depot_that_judges_is_the_one_that_answers_for_the_device(world: World) -> None:
    device = record(world, cabinet_id=world.cabinet().pk)
    tarnmouth, fellgate = (person(world, "office", depot) for depot in (world.tarnmouth, world.fellgate))
    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )
    with refused("not_found", "device"):
        provisional.confirm_provisional_device(tarnmouth, device_id=device.pk)
    provisional.confirm_provisional_device(fellgate, device_id=device.pk)


def test_a_device_found_in_a_cabinet_is_not_in_a_depot_or_van_as_well(world: World) -> None:
    cabinet = world.cabinet()
    for elsewhere in ({"depot_id": world.tarnmouth.pk}, {"staff_id": world.installer.staff_id}):
        with refused("value_invalid", "cabinet"):
            record(world, cabinet_id=cabinet.pk, **elsewhere)
    assert record(world, cabinet_id=cabinet.pk)
