"""The main job through its actions: a device goes into a cabinet, comes out, is swapped."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import assignments, cabinets, devices, locations, periods, provisional, staff
from registry.actions._action import Writing
from registry.actions._devices import NewDevice
from registry.models import Cabinet, Device, DeviceWhereabouts, Entry, LocationState
from registry.rules.assignments import Installation
from tests.actions.unchanged import refused, undone, unruled
from tests.factories.world import DAY, HOUR, World, person


def assign(world: World, device: Device | None, cabinet: Cabinet, **changes: Any) -> DeviceWhereabouts:
    actor = changes.pop("actor", world.office)
    named = {"device_id": device.pk} if device else {}
    given = {"cabinet_id": cabinet.pk, "valid_from": world.start + 5 * DAY} | named | changes
    return assignments.assign_device(actor, **given)


def end(world: World, assignment: DeviceWhereabouts, **changes: Any) -> DeviceWhereabouts:
    actor = changes.pop("actor", world.office)
    given = {
        "assignment_id": assignment.period,
        "valid_to": world.start + 10 * DAY,
        "end_reason": "fault",
        "depot_id": world.tarnmouth.pk,
    }
    return assignments.end_assignment(actor, **(given | changes))


def swap(world: World, assignment: DeviceWhereabouts, **changes: Any) -> DeviceWhereabouts:
    actor = changes.pop("actor", world.office)
    given = {
        "assignment_id": assignment.period,
        "valid_from": world.start + 10 * DAY,
        "depot_id": world.tarnmouth.pk,
    }
    return assignments.swap_device(actor, **(given | changes))


def places(device: Device) -> list[DeviceWhereabouts]:
    return list(DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from"))


# --- assigned ------------------------------------------------------------------------------------------


def test_a_device_leaves_custody_for_the_cabinet_at_one_time(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    facts = Installation(sensor_order=(2, 1, 3), rail_below_ceiling_mm=40, offset_from_front_mm=300)
    assignment = assign(world, device, cabinet, installation=facts, reason="First of its kind")
    [before, now] = places(device)
    assert (before.place, before.valid_to) == ("depot", world.start + 5 * DAY)
    assert (now.place, now.cabinet, now.valid_from, now.valid_to) == (
        "cabinet",
        cabinet,
        world.start + 5 * DAY,
        None,
    )
    assert (now.pk, now.slot, now.sensor_order) == (assignment.pk, 1, "2 1 3")
    assert (now.rail_below_ceiling_mm, now.offset_from_front_mm) == (40, 300)
    assert Entry.objects.latest("index").reason == "First of its kind"
    with undone():  # where nobody says, the ports stand in their order
        assert assign(world, world.device(), world.cabinet()).sensor_order == "1 2 3"


def test_a_device_is_named_by_its_serial_or_its_key_and_not_by_both_or_neither(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    with refused("value_invalid", "device"):
        assign(world, None, cabinet)
    with refused("value_invalid", "device"):
        assign(world, device, cabinet, serial=device.serial)
    with refused("not_found", "device"):
        assign(world, Device(pk=uuid4()), cabinet)
    with refused("not_found", "cabinet"):
        assign(world, device, Cabinet(pk=uuid4()))
    for typed in (device.serial, f"{device.serial[:3].lower()}-{device.serial[3:]} "):
        with undone():
            assert assign(world, None, cabinet, serial=typed).device == device
    assign(world, device, cabinet)


def test_a_mistyped_serial_is_answered_with_the_one_that_was_meant(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    serial = device.serial
    wrong_digit = serial[:5] + str((int(serial[5]) + 1) % 10) + serial[6:]
    look_alike = serial[:3] + serial[3:].replace("0", "O")
    assert look_alike != serial
    for typed in (wrong_digit, serial[:-1], serial + "7", look_alike, serial[3:], serial[:3] + serial):
        with refused("serial_invalid", "serial") as caught:
            assign(world, None, cabinet, serial=typed)
        assert caught.value.details["suggestions"] == [serial], typed
    assign(world, None, cabinet, serial=serial)


def test_only_what_could_be_assigned_by_this_person_is_suggested(world: World) -> None:
    cabinet = world.cabinet()
    device, other_depot = world.device(), world.device(depot=world.fellgate)
    in_van, hung, lost, retired, repair, others_van = (world.device() for _ in range(6))
    noon, other = world.start + 3 * DAY, person(world, "installer", world.tarnmouth)
    devices.hand_over_device(world.office, device_id=others_van.pk, valid_from=noon, staff_id=other.staff_id)
    devices.hand_over_device(
        world.office, device_id=in_van.pk, valid_from=noon, staff_id=world.installer.staff_id
    )
    world.assigned(hung, world.cabinet())
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=noon)
    devices.retire_device(world.office, device_id=retired.pk, valid_from=noon)
    devices.send_device_to_repair(world.office, device_id=repair.pk, valid_from=noon)

    def suggested(typed: str, actor: Any) -> object:
        with refused("serial_invalid", "serial") as caught:
            assign(world, None, cabinet, serial=typed, actor=actor)
        return caught.value.details["suggestions"]

    for meant, by_installer, by_office in (
        (device, True, True),
        (in_van, True, True),
        (others_van, False, True),
        (other_depot, False, True),
        (hung, False, False),
        (lost, False, False),
        (retired, False, False),
        (repair, False, False),
    ):
        short = meant.serial[:-1]
        assert (meant.serial in suggested(short, world.installer)) is by_installer, meant
        assert (meant.serial in suggested(short, world.office)) is by_office, meant


def test_a_serial_of_the_scheme_that_nobody_booked_in_is_not_found(world: World) -> None:
    device, theirs, cabinet = world.device(), world.device(depot=world.fellgate), world.cabinet()
    unknown = world.serial()
    with refused("not_found", "serial") as caught:
        assign(world, None, cabinet, serial=unknown)
    assert caught.value.details["serial"] == unknown
    with refused("not_found", "serial"):
        assign(world, None, cabinet, serial=theirs.serial, actor=world.installer)
    with refused("serial_invalid", "serial") as caught:
        assign(world, None, cabinet, serial="(01)04012345000009")
    assert caught.value.details["suggestions"] == []
    with refused("serial_invalid", "serial") as caught:
        assign(world, None, cabinet, serial="(414)4012345000009")
    assert caught.value.details == {"problem": "wrong_kind", "suggestions": []}
    with undone():
        assert assign(world, None, cabinet, serial=f"(01)04012345000009(21){device.serial}").device == device
    assert assign(world, None, cabinet, serial=device.serial, actor=world.installer).device == device


def test_serials_of_the_right_number_of_sensors_are_suggested_first(world: World) -> None:
    small, large = world.cabinet(), world.cabinet(model=world.quay)
    three = devices.receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_3.pk, "PB30000000")],
        depot_id=world.tarnmouth.pk,
        valid_from=world.start + DAY,
    )[0].serial
    five = devices.receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_5.pk, "PB50000000")],
        depot_id=world.tarnmouth.pk,
        valid_from=world.start + DAY,
    )[0].serial
    for cabinet, order in ((small, [three, five]), (large, [five, three])):
        with refused("serial_invalid", "serial") as caught:
            assign(world, None, cabinet, serial="0000000")
        assert caught.value.details["suggestions"] == order
    assign(world, None, large, serial=five)


def test_a_device_that_hangs_elsewhere_is_not_taken(world: World) -> None:
    device, cabinet, other = world.device(), world.cabinet(), world.cabinet()
    with undone():
        assign(world, device, other, valid_from=world.start + 2 * DAY)
        with refused("device_elsewhere", "device") as caught:
            assign(world, device, cabinet)
        assert caught.value.details == {"cabinet": other.asset_tag}
        with refused("device_elsewhere", "device"):
            assign(world, None, cabinet, serial=device.serial)
    assign(world, device, cabinet)


def test_an_installer_takes_nothing_out_of_another_persons_van(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    other = person(world, "installer", world.tarnmouth)
    devices.hand_over_device(
        world.office, device_id=device.pk, valid_from=world.start + 2 * DAY, staff_id=other.staff_id
    )
    with refused("device_elsewhere", "device"):
        assign(world, device, cabinet, actor=world.installer)
    for actor in (other, world.office):
        with undone():
            assign(world, device, cabinet, actor=actor)
    devices.hand_over_device(
        world.installer,
        device_id=device.pk,
        valid_from=world.start + 3 * DAY,
        staff_id=world.installer.staff_id,
    )
    assign(world, device, cabinet, actor=world.installer)


@pytest.mark.parametrize("fault", ["retired", "lost", "repair", "rejected", "merged"])
def test_a_device_that_is_not_in_hand_is_not_assigned(world: World, fault: str) -> None:
    device, cabinet, noon = world.device(), world.cabinet(), world.start + 2 * DAY
    with undone():
        assign(world, device, cabinet)
    if fault in ("rejected", "merged"):
        target = device
        device = provisional.record_provisional_device(
            world.office,
            device=NewDevice(world.plumb_3.pk, world.serial()),
            valid_from=noon,
            evidence="Lay there",
            depot_id=world.tarnmouth.pk,
        )
        with undone():
            assign(world, device, cabinet)
        if fault == "rejected":
            provisional.reject_provisional_device(world.office, device_id=device.pk, reason="Not ours")
        else:
            provisional.merge_provisional_device(world.office, device_id=device.pk, into_id=target.pk)
    else:
        move = {
            "retired": devices.retire_device,
            "lost": devices.mark_device_lost,
            "repair": devices.send_device_to_repair,
        }[fault]
        move(world.office, device_id=device.pk, valid_from=noon)
    with refused("device_not_available", "device"):
        assign(world, device, cabinet)
    named = {"rejected": "not_found", "merged": "not_found"}.get(fault, "device_not_available")
    with refused(named, "serial" if named == "not_found" else "device"):
        assign(world, None, cabinet, serial=device.serial)


def test_a_slot_holds_one_device_and_a_second_device_is_explained(world: World) -> None:
    first, second, cabinet = world.device(), world.device(), world.cabinet()
    assign(world, first, cabinet)
    with refused("slot_taken", "slot") as caught:
        assign(world, second, cabinet)
    assert caught.value.details == {"device": first.serial}
    with refused("slot_taken", "slot"):  # it hangs there later than the stated time
        assign(world, second, cabinet, valid_from=world.start + 4 * DAY)
    with refused("slot_needs_reason", "slot_reason"):
        assign(world, second, cabinet, installation=Installation(slot=2))
    with refused("slot_needs_reason", "slot_reason"):
        assign(world, second, cabinet, installation=Installation(slot=2, slot_reason=" "))
    hung = assign(world, second, cabinet, installation=Installation(slot=2, slot_reason=" Two rows "))
    assert (hung.slot, hung.slot_reason) == (2, "Two rows")


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"slot": 0}, "slot"),
        ({"slot": 5, "slot_reason": "Many"}, "slot"),
        ({"sensor_order": (1, 2)}, "sensor_order"),
        ({"sensor_order": (1, 2, 2)}, "sensor_order"),
        ({"rail_below_ceiling_mm": 1_001}, "rail_below_ceiling_mm"),
        ({"rail_below_ceiling_mm": -1}, "rail_below_ceiling_mm"),
        ({"offset_from_front_mm": 2_001}, "offset_from_front_mm"),
    ],
)
def test_facts_of_an_installation_that_cannot_be_are_refused(
    world: World, facts: dict[str, Any], field: str
) -> None:
    device, cabinet = world.device(), world.cabinet()
    with refused("value_invalid", field):
        assign(world, device, cabinet, installation=Installation(**facts))
    most = Installation(4, "Fourth row", (3, 2, 1), 1_000, 2_000)
    assign(world, device, cabinet, installation=most)


def test_a_device_hangs_where_its_sensors_fit(world: World) -> None:
    device, cabinet, large = world.device(), world.cabinet(), world.cabinet(model=world.quay)
    with refused("sensor_count_mismatch", "device"):
        assign(world, device, large)
    assign(world, device, cabinet)


def test_a_device_hangs_only_in_a_cabinet_that_stands_in_a_store(world: World) -> None:
    device, cabinet, spare = world.device(), world.cabinet(), world.cabinet(world.tarnmouth)
    with refused("cabinet_not_available", "cabinet"):
        assign(world, device, spare)
    with undone():
        cabinets.scrap_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=world.start + 4 * DAY)
        with refused("cabinet_not_available", "cabinet"):
            assign(world, device, cabinet)
    with undone():  # it moved away later than the stated time
        cabinets.move_cabinet(
            world.office,
            cabinet_id=cabinet.pk,
            depot_id=world.tarnmouth.pk,
            valid_from=world.start + 6 * DAY,
        )
        with refused("overlapping_history", "valid_from"):
            assign(world, device, cabinet)
    with undone():  # just when it came
        assign(world, device, cabinet, valid_from=world.start + 2 * DAY)
    assign(world, device, cabinet)


def test_a_device_hangs_only_in_a_store_that_is_open_from_then_on(world: World) -> None:
    device, cabinet, noon = world.device(), world.cabinet(), world.start + 5 * DAY
    [state] = LocationState.objects.current().filter(location=world.location)

    def close_under_the_cabinet(writing: Writing) -> None:
        writing.replace(state, valid_to=noon)
        writing.insert(LocationState(location=world.location, state="closed", valid_from=noon))

    def know_later(writing: Writing) -> None:
        writing.replace(state, valid_from=noon)

    with undone():
        unruled(world, close_under_the_cabinet)
        for day in (4, 5, 6):  # closed later than stated, just then, and before
            with refused("location_closed", "location"):
                assign(world, device, cabinet, valid_from=world.start + day * DAY)
            with refused("location_closed", "location"):
                provisional.record_provisional_device(
                    world.office,
                    device=NewDevice(world.plumb_3.pk, world.serial()),
                    valid_from=world.start + day * DAY,
                    evidence="Hung there",
                    cabinet_id=cabinet.pk,
                )
    with undone():
        unruled(world, know_later)
        with refused("before_known", "valid_from"):
            assign(world, device, cabinet, valid_from=noon - HOUR)
    locations.set_location_state(world.office, location_id=world.location.pk, state="asleep", valid_from=noon)
    assign(world, device, cabinet)


def test_an_assignment_has_its_time(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    now = world.clock.at
    for at, code in (
        (world.start, "before_known"),
        (world.start + DAY, "overlapping_history"),
        (now + timedelta(minutes=2, seconds=1), "time_in_future"),
        (now.replace(tzinfo=None), "time_invalid"),
    ):
        with refused(code, "valid_from"):
            assign(world, device, cabinet, valid_from=at)
    with undone():
        devices.hand_over_device(
            world.office, device_id=device.pk, valid_from=world.start + 6 * DAY, depot_id=world.fellgate.pk
        )
        with refused("overlapping_history", "valid_from"):
            assign(world, device, cabinet)
    older = world.device()
    with undone():
        late = world.cabinet()
        cabinets.move_cabinet(
            world.office,
            cabinet_id=late.pk,
            location_id=world.store().pk,
            valid_from=world.start + 6 * DAY,
        )
        with refused("overlapping_history", "valid_from"):
            assign(world, older, late)
    assign(world, device, cabinet, valid_from=now + timedelta(minutes=2))


def test_device_and_cabinet_both_belong_to_the_persons_depots(world: World) -> None:
    ours, theirs = world.device(), world.device(depot=world.fellgate)
    cabinet, far = world.cabinet(), world.cabinet(world.store(depot=world.fellgate))
    with refused("not_found", "device"):
        assign(world, theirs, cabinet, actor=world.installer)
    with refused("not_found", "cabinet"):
        assign(world, ours, far, actor=world.installer)
    with undone():
        assign(world, theirs, far, actor=world.stranger)
    with undone():
        assign(world, theirs, cabinet)
    assign(world, ours, cabinet, actor=world.installer)


# --- ended ---------------------------------------------------------------------------------------------


def test_an_assignment_ends_with_a_reason_and_somebody_who_takes_the_device(world: World) -> None:
    device, cabinet, noon = world.device(), world.cabinet(), world.start + 10 * DAY
    assignment, van = assign(world, device, cabinet), world.installer.staff_id
    gone = person(world, "installer", world.tarnmouth)
    staff.deactivate_staff(world.administrator, staff_id=gone.staff_id)
    for changes, code, field in (
        ({"end_reason": "bored"}, "value_invalid", "end_reason"),
        ({"end_reason": ""}, "value_invalid", "end_reason"),
        ({"end_reason": "other"}, "reason_missing", "end_note"),
        ({"depot_id": None}, "value_invalid", "depot"),
        ({"depot_id": uuid4()}, "not_found", "depot"),
        ({"staff_id": uuid4()}, "not_found", "staff"),
        ({"staff_id": gone.staff_id}, "not_active", "staff"),
        ({"assignment_id": uuid4()}, "not_found", "assignment"),
        ({"assignment_id": places(device)[0].period}, "not_found", "assignment"),
        ({"valid_to": world.start + 4 * DAY}, "overlapping_history", "valid_to"),
        ({"valid_to": world.start + 5 * DAY}, "overlapping_history", "valid_to"),
        ({"valid_to": world.start}, "before_known", "valid_to"),
        ({"valid_to": world.clock.at + timedelta(minutes=3)}, "time_in_future", "valid_to"),
        ({"actor": world.stranger}, "not_found", "assignment"),
        ({"actor": world.installer, "depot_id": world.fellgate.pk}, "not_found", "depot"),
    ):
        with refused(code, field):
            end(world, assignment, **changes)
    with undone():
        end(world, assignment, end_reason="other", end_note="Swept away")
        hung = places(device)[1]
        assert (hung.end_reason, hung.end_note, hung.valid_to) == ("other", "Swept away", noon)
    following = end(world, assignment, actor=world.installer, depot_id=None, staff_id=van)
    assert (following.place, following.staff_id, following.depot) == ("van", van, world.tarnmouth)
    assert places(device)[1].end_reason == "fault"
    with refused("device_not_assigned", "assignment"):
        end(world, assignment, valid_to=noon + DAY)


def test_an_assignment_that_was_withdrawn_is_not_ended(world: World) -> None:
    device = world.device()
    assignment = assign(world, device, world.cabinet())
    with undone():
        end(world, assignment)
    periods.withdraw_period(
        world.office, history="devicewhereabouts", period_id=assignment.period, reason="It never hung there"
    )
    with refused("period_superseded", "assignment"):
        end(world, assignment)


def test_what_was_believed_before_the_end_is_still_answered(world: World) -> None:
    device = world.device()
    assignment = assign(world, device, world.cabinet())
    index = Entry.objects.latest("index").index
    end(world, assignment)
    then = DeviceWhereabouts.objects.believed_at(index).filter(device=device).order_by("valid_from")
    assert [(p.place, p.valid_to) for p in then] == [("depot", world.start + 5 * DAY), ("cabinet", None)]
    assert [p.place for p in places(device)] == ["depot", "cabinet", "depot"]


# --- swapped -------------------------------------------------------------------------------------------


def test_a_swap_is_one_entry_and_the_new_device_hangs_as_the_old_one_did(world: World) -> None:
    old, new, cabinet, noon = world.device(), world.device(), world.cabinet(), world.start + 10 * DAY
    facts = Installation(2, "Second row", (3, 1, 2), 45, 310)
    assignment = assign(world, old, cabinet, installation=facts)
    head = Entry.objects.latest("index").index
    hung = swap(world, assignment, device_id=new.pk, staff_id=world.installer.staff_id, end_note="Deaf")
    assert Entry.objects.latest("index").index == head + 1
    assert (hung.device, hung.cabinet, hung.valid_from) == (new, cabinet, noon)
    assert (hung.slot, hung.slot_reason, hung.sensor_order) == (2, "Second row", "1 2 3")
    assert (hung.rail_below_ceiling_mm, hung.offset_from_front_mm) == (45, 310)
    [_, was, van] = places(old)
    assert (was.end_reason, was.end_note, was.valid_to) == ("swap", "Deaf", noon)
    assert (van.place, van.staff_id, van.valid_from) == ("van", world.installer.staff_id, noon)


def test_a_swap_is_refused_for_what_either_half_is_refused_for(world: World) -> None:
    old, new, cabinet = world.device(), world.device(), world.cabinet()
    elsewhere, large = world.device(), world.device(world.plumb_5)
    theirs = world.device(depot=world.fellgate)
    world.assigned(elsewhere, world.cabinet())
    assignment = assign(world, old, cabinet)
    for changes, code, field in (
        ({}, "value_invalid", "device"),
        ({"device_id": old.pk}, "nothing_changes", "device"),
        ({"device_id": elsewhere.pk}, "device_elsewhere", "device"),
        ({"device_id": large.pk}, "sensor_count_mismatch", "device"),
        ({"device_id": uuid4()}, "not_found", "device"),
        ({"serial": "PB3"}, "serial_invalid", "serial"),
        ({"device_id": new.pk, "assignment_id": uuid4()}, "not_found", "assignment"),
        ({"device_id": new.pk, "depot_id": None}, "value_invalid", "depot"),
        ({"device_id": new.pk, "end_reason": "other"}, "reason_missing", "end_note"),
        ({"device_id": new.pk, "end_reason": "bored"}, "value_invalid", "end_reason"),
        ({"device_id": new.pk, "installation": Installation(slot=9)}, "value_invalid", "slot"),
        ({"device_id": new.pk, "valid_from": world.start + 5 * DAY}, "overlapping_history", "valid_to"),
        ({"device_id": new.pk, "valid_from": world.clock.at + HOUR}, "time_in_future", "valid_from"),
        ({"device_id": new.pk, "actor": world.stranger}, "not_found", "assignment"),
        ({"device_id": theirs.pk, "actor": world.installer}, "not_found", "device"),
    ):
        with refused(code, field):
            swap(world, assignment, **changes)
    with undone():
        installation = Installation(slot=2, slot_reason="Two rows")
        assign(world, theirs, cabinet, installation=installation)
        with refused("slot_taken", "slot"):
            swap(world, assignment, device_id=new.pk, installation=installation)
    swap(world, assignment, serial=new.serial, actor=world.installer)
    with refused("device_not_assigned", "assignment"):
        swap(world, assignment, device_id=old.pk, valid_from=world.start + 11 * DAY)


def test_a_device_is_not_swapped_where_its_cabinet_no_longer_stands(world: World) -> None:
    assignment, new = assign(world, world.device(), world.cabinet()), world.device()
    with undone():
        swap(world, assignment, device_id=new.pk)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=assignment.cabinet_id,
        depot_id=world.tarnmouth.pk,
        valid_from=world.start + 6 * DAY,
        devices="follow",
    )
    with refused("cabinet_not_available", "cabinet"):
        swap(world, assignment, device_id=new.pk)


def test_the_depot_that_answers_for_an_assignment_is_that_of_the_store_then(world: World) -> None:
    far = world.store(depot=world.fellgate)
    cabinet = world.cabinet()
    assignment = assign(world, world.device(), cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=far.pk,
        valid_from=world.start + 8 * DAY,
        devices="follow",
    )
    with refused("not_found", "assignment"):
        end(world, assignment, actor=world.installer)
    fell = {"actor": world.stranger, "depot_id": world.fellgate.pk}
    with refused("not_found", "assignment"):
        end(world, assignment, **fell, valid_to=world.start + 7 * DAY)
    end(world, assignment, **fell)
