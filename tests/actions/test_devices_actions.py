"""Devices in custody, and their models, through their actions."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import devices, locations, provisional, staff
from registry.actions._devices import NewDevice
from registry.models import Device, DeviceWhereabouts, Entry
from tests.actions.unchanged import refused, undone
from tests.factories.world import DAY, HOUR, World, device_model, person

IMEI = "490154203237518"
ICCID = "8944110068256270054"


def receive(world: World, *new: NewDevice, **changes: Any) -> list[Device]:
    return devices.receive_devices(
        changes.pop("actor", world.office),
        **({"devices": new, "depot_id": world.tarnmouth.pk, "valid_from": world.start + DAY} | changes),
    )


def new_device(world: World, **facts: Any) -> NewDevice:
    return NewDevice(world.plumb_3.pk, facts.pop("serial", None) or world.serial(), **facts)


def places(device: Device) -> list[DeviceWhereabouts]:
    return list(DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from"))


# --- models --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"name": "Plumb-3"}, "code_taken", "name"),
        ({"range_mm": 150}, "value_invalid", "range_mm"),
        ({"serial_alphabet": "00"}, "value_invalid", "serial_alphabet"),
        ({"serial_alphabet": "01A"}, "value_invalid", "serial_alphabet"),
        ({"serial_prefix": "pb"}, "value_invalid", "serial_prefix"),
        ({"serial_payload_length": 31}, "value_invalid", "serial_payload_length"),
        ({"serial_check_method": "guess"}, "value_invalid", "serial_check_method"),
        ({"principle": "sonar"}, "value_invalid", "principle"),
        ({"report_interval_min": 0}, "value_invalid", "report_interval_min"),
        ({"colour": "blue"}, "value_invalid", "colour"),
    ],
)
def test_a_device_model_with_one_wrong_particular_is_refused(
    world: World, changes: dict[str, object], code: str, field: str
) -> None:
    whole = device_model("Plumb-4", "PB4", 4)

    def register(particulars: dict[str, object]) -> Any:
        return devices.register_device_model(world.office, particulars=particulars)

    with refused(code, field):
        register(whole | changes)
    with refused("value_invalid", "range_mm"):
        register({name: value for name, value in whole.items() if name != "range_mm"})
    assert register(whole).serial_scheme().length == 10


def test_a_device_model_is_corrected_but_not_the_scheme_of_its_serials(world: World) -> None:
    def correct(**particulars: object) -> Any:
        return devices.correct_device_model(
            world.office, device_model_id=world.plumb_3.pk, particulars=particulars
        )

    with refused("value_invalid", "serial_prefix"):
        correct(serial_prefix="PB9")
    with refused("value_invalid", "range_mm"):
        correct(range_mm=150)
    with refused("code_taken", "name"):
        correct(name="Plumb-5")
    with refused("nothing_changes"):
        correct(range_mm=3000)
    with refused("not_found", "device_model"):
        devices.correct_device_model(world.office, device_model_id=uuid4(), particulars={"range_mm": 9})
    assert correct(range_mm=151).range_mm == 151


def test_a_device_model_keeps_the_sensors_by_which_its_devices_hang(world: World) -> None:
    def correct(count: int) -> Any:
        return devices.correct_device_model(
            world.office, device_model_id=world.plumb_3.pk, particulars={"sensor_count": count}
        )

    device, cabinet = world.device(), world.cabinet()
    with undone():
        correct(4)
    world.assigned(device, cabinet)
    with refused("sensor_count_mismatch", "sensor_count"):
        correct(4)


# --- received ------------------------------------------------------------------------------------------


def test_devices_are_received_all_or_none_and_the_bad_one_is_named_by_its_place(world: World) -> None:
    booked = world.device().serial
    first, second, third = (world.serial() for _ in range(3))
    wrong = second[:-1] + str((int(second[-1]) + 1) % 10)
    for bad, code in (
        (wrong, "serial_invalid"),
        (second[:-1], "serial_invalid"),
        (world.serial(world.plumb_5), "serial_invalid"),
        (booked, "code_taken"),
        (booked.lower(), "code_taken"),
        (first, "code_repeated"),
        (f" {first[:3]}-{first[3:].lower()}", "code_repeated"),
        ("", "text_invalid"),
    ):
        with refused(code, "serial") as caught:
            receive(world, *(NewDevice(world.plumb_3.pk, serial) for serial in (first, bad, third)))
        assert caught.value.details["position"] == 1
    received = receive(
        world,
        NewDevice(world.plumb_3.pk, first),
        NewDevice(world.plumb_3.pk, f"{second[:3].lower()} {second[3:]}"),
        NewDevice(world.plumb_5.pk, world.serial(world.plumb_5)),
    )
    assert [device.serial for device in received[:2]] == [first, second]
    assert received[1].serial_typed == f"{second[:3].lower()} {second[3:]}"
    for device in received:
        [place] = places(device)
        assert (place.place, place.depot, place.valid_from) == ("depot", world.tarnmouth, world.start + DAY)
        assert (device.standing, place.valid_to) == ("confirmed", None)


def test_a_delivery_has_devices_a_model_a_depot_and_a_time(world: World) -> None:
    new, fellgate = new_device(world), person(world, "office", world.fellgate)
    with refused("value_invalid", "devices"):
        receive(world)
    with refused("too_many", "devices"):
        receive(world, *[new] * 501)
    with refused("not_found", "model"):
        receive(world, NewDevice(uuid4(), new.serial))
    with refused("not_found", "depot"):
        receive(world, new, depot_id=uuid4())
    with refused("time_in_future", "valid_from"):
        receive(world, new, valid_from=world.clock.at + timedelta(minutes=2, seconds=1))
    with refused("time_invalid", "valid_from"):
        receive(world, new, valid_from=world.clock.at.replace(tzinfo=None))
    with refused("not_found", "depot"):
        receive(world, new, actor=fellgate)
    receive(world, new, valid_from=world.clock.at + timedelta(minutes=2))


def test_what_else_a_label_says_is_checked_when_received_and_when_corrected(world: World) -> None:
    [device] = receive(world, new_device(world))

    def correct(**facts: Any) -> Device:
        return devices.correct_device(world.office, device_id=device.pk, **facts)

    for facts, code, field in (
        ({"imei": IMEI[:-1] + "9"}, "check_invalid", "imei"),
        ({"imei": "12"}, "value_invalid", "imei"),
        ({"iccid": "12345678901234567890"}, "check_invalid", "iccid"),
        ({"iccid": "x"}, "value_invalid", "iccid"),
        ({"firmware": "1 0"}, "text_invalid", "firmware"),
    ):
        with refused(code, field):
            receive(world, new_device(world, **facts))
        with refused(code, field):
            correct(**facts)
    with refused("nothing_changes"):
        correct()
    with refused("not_found", "device"):
        devices.correct_device(world.office, device_id=uuid4(), firmware="2")
    correct(imei=IMEI, iccid=ICCID, firmware="2.1")
    doubtful = correct(iccid="12345678901234567890", iccid_override="The card says so")
    assert (doubtful.imei, doubtful.firmware) == (IMEI, "2.1")
    assert (doubtful.iccid, doubtful.iccid_override) == ("12345678901234567890", "The card says so")
    kept = correct(firmware="2.2")
    assert (kept.iccid, kept.iccid_override) == ("12345678901234567890", "The card says so")
    good = correct(iccid=ICCID, iccid_override="Not needed")
    assert (good.iccid, good.iccid_override) == (ICCID, "")
    blank = correct(imei="", iccid="", firmware="")
    assert (blank.imei, blank.iccid, blank.firmware) == ("", "", "")


def test_a_device_is_corrected_by_the_depot_that_answers_for_it_now(world: World) -> None:
    [device] = receive(world, new_device(world))
    tarnmouth, fellgate = (person(world, "office", depot) for depot in (world.tarnmouth, world.fellgate))
    world.assigned(device, world.cabinet())
    with refused("not_found", "device"):
        devices.correct_device(fellgate, device_id=device.pk, firmware="2")
    devices.correct_device(tarnmouth, device_id=device.pk, firmware="2")
    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )
    with refused("not_found", "device"):
        devices.correct_device(tarnmouth, device_id=device.pk, firmware="3")
    devices.correct_device(fellgate, device_id=device.pk, firmware="3")


# --- in custody ----------------------------------------------------------------------------------------

Move = Callable[..., DeviceWhereabouts]
MOVES: dict[str, Callable[[World], dict[str, Any]]] = {
    "hand_over_device": lambda world: {"depot_id": world.fellgate.pk},
    "send_device_to_repair": lambda world: {},
    "mark_device_lost": lambda world: {},
    "retire_device": lambda world: {},
    "return_device_from_repair": lambda world: {"depot_id": world.tarnmouth.pk},
}


def go(world: World, name: str, device: Device, day: int = 5, **changes: Any) -> DeviceWhereabouts:
    actor = changes.pop("actor", world.office)
    given = {"device_id": device.pk, "valid_from": world.start + day * DAY} | MOVES[name](world) | changes
    move: Move = getattr(devices, name)
    return move(actor, **given)


@pytest.mark.parametrize("name", list(MOVES))
def test_every_move_of_a_device_has_its_time_and_its_depot(world: World, name: str) -> None:
    device, fellgate = world.device(), person(world, "office", world.fellgate)
    if name == "return_device_from_repair":
        go(world, "send_device_to_repair", device, 2)
    began = places(device)[-1].valid_from
    with refused("not_found", "device"):
        go(world, name, Device(pk=uuid4()))
    with refused("before_known", "valid_from"):
        go(world, name, device, valid_from=world.start)
    with refused("overlapping_history", "valid_from"):
        go(world, name, device, valid_from=began)
    with refused("time_in_future", "valid_from"):
        go(world, name, device, valid_from=world.clock.at + HOUR)
    with refused("not_found", "device"):
        go(world, name, device, actor=fellgate)
    went = go(world, name, device)
    assert places(device)[-2].valid_to == went.valid_from == world.start + 5 * DAY
    with refused("overlapping_history", "valid_from"):
        go(world, name, device, 4)


# From where each move is refused, and how; every other start is accepted.
REFUSED = {
    "hand_over_device": {
        "cabinet": "device_elsewhere",
        "maker": "device_not_available",
        "retired": "device_not_available",
        "merged": "device_not_available",
        "rejected": "device_not_available",
    },
    "send_device_to_repair": {
        "cabinet": "device_elsewhere",
        "maker": "device_not_available",
        "lost": "device_not_available",
        "retired": "device_not_available",
        "merged": "device_not_available",
        "rejected": "device_not_available",
    },
    "mark_device_lost": {
        "lost": "device_not_available",
        "retired": "device_not_available",
        "merged": "device_not_available",
        "rejected": "device_not_available",
    },
    "retire_device": {
        "cabinet": "device_elsewhere",
        "retired": "device_not_available",
        "merged": "device_not_available",
        "rejected": "device_not_available",
    },
    "return_device_from_repair": dict.fromkeys(
        ("depot", "van", "cabinet", "lost", "retired", "merged", "rejected"), "device_not_available"
    ),
}
STARTS = ("depot", "van", "cabinet", "maker", "lost", "retired", "merged", "rejected")


def at(world: World, start: str) -> Device:
    if start in ("merged", "rejected"):
        device = provisional.record_provisional_device(
            world.office,
            device=new_device(world),
            valid_from=world.start + 2 * DAY,
            evidence="Lay there",
            depot_id=world.tarnmouth.pk,
        )
        if start == "merged":
            target = world.device()
            provisional.merge_provisional_device(world.office, device_id=device.pk, into_id=target.pk)
        else:
            provisional.reject_provisional_device(world.office, device_id=device.pk, reason="Not ours")
        return device
    device = world.device()
    if start == "cabinet":
        world.assigned(device, world.cabinet())
    elif start == "van":
        go(world, "hand_over_device", device, 2, staff_id=world.installer.staff_id, depot_id=None)
    elif start != "depot":
        name = {"maker": "send_device_to_repair", "lost": "mark_device_lost", "retired": "retire_device"}
        go(world, name[start], device, 2)
    return device


@pytest.mark.parametrize("name", list(MOVES))
def test_a_move_starts_only_where_it_can(world: World, name: str) -> None:
    for start in STARTS:
        device = at(world, start)
        code = REFUSED[name].get(start)
        if code is None:
            go(world, name, device)
        else:
            with refused(code, "device"):
                go(world, name, device)


def test_a_device_is_handed_to_a_depot_or_into_the_van_of_somebody_active(world: World) -> None:
    device, van = world.device(), world.installer.staff_id
    gone = person(world, "installer", world.tarnmouth)
    staff.deactivate_staff(world.administrator, staff_id=gone.staff_id)

    def hand(day: int = 5, **to: Any) -> DeviceWhereabouts:
        return go(world, "hand_over_device", device, day, **({"depot_id": None} | to))

    with refused("value_invalid", "depot"):
        hand()
    with refused("not_found", "depot"):
        hand(depot_id=uuid4())
    with refused("not_found", "staff"):
        hand(staff_id=uuid4())
    with refused("not_active", "staff"):
        hand(staff_id=gone.staff_id)
    with refused("nothing_changes", "device"):
        hand(depot_id=world.tarnmouth.pk)
    with refused("not_found", "depot"):
        hand(depot_id=world.fellgate.pk, actor=world.installer)
    in_van = hand(staff_id=van)
    assert (in_van.place, in_van.staff_id, in_van.depot) == ("van", van, world.tarnmouth)
    with refused("nothing_changes", "device"):
        hand(6, staff_id=van)
    other = hand(6, staff_id=van, depot_id=world.fellgate.pk)
    assert (other.place, other.depot) == ("van", world.fellgate)
    back = hand(7, depot_id=world.fellgate.pk)
    assert (back.place, back.staff, back.depot) == ("depot", None, world.fellgate)


def test_a_device_comes_back_from_repair_to_a_depot_of_the_person(world: World) -> None:
    device = at(world, "maker")
    with refused("not_found", "depot"):
        go(world, "return_device_from_repair", device, depot_id=uuid4())
    with refused("not_found", "depot"):
        go(
            world,
            "return_device_from_repair",
            device,
            actor=world.installer,
            depot_id=world.fellgate.pk,
        )
    back = go(world, "return_device_from_repair", device, depot_id=world.fellgate.pk)
    assert (back.place, back.depot) == ("depot", world.fellgate)


def test_a_return_number_goes_with_the_device_and_is_a_code(world: World) -> None:
    device = world.device()
    with refused("text_invalid", "reference"):
        go(world, "send_device_to_repair", device, reference="RMA 17")
    sent = go(world, "send_device_to_repair", device, reference="RMA-17")
    assert (sent.place, sent.reference, sent.depot) == ("maker", "RMA-17", world.tarnmouth)


def test_a_lost_device_leaves_its_cabinet_with_the_reason_in_words(world: World) -> None:
    for reason, note in (("Swept off the pier", "Swept off the pier"), ("", "marked lost")):
        device = at(world, "cabinet")
        go(world, "mark_device_lost", device, reason=reason)
        [_, hung, lost] = places(device)
        assert (hung.end_reason, hung.end_note, hung.valid_to) == ("other", note, lost.valid_from)
        assert (lost.place, lost.depot) == ("lost", world.tarnmouth)
        assert Entry.objects.latest("index").reason == reason
        go(world, "hand_over_device", device, 6)  # found again
        assert [place.place for place in places(device)] == ["depot", "cabinet", "lost", "depot"]
        go(world, "retire_device", device, 7)
        world.location = world.store()


def test_a_card_of_22_digits_is_kept_with_its_override(world: World) -> None:
    card = "8" * 22
    [device] = devices.receive_devices(
        world.office,
        devices=[
            NewDevice(
                world.plumb_3.pk, world.serial(), iccid=card, iccid_override="So it stands on the card."
            )
        ],
        depot_id=world.tarnmouth.pk,
        valid_from=world.start + DAY,
    )

    device.refresh_from_db()
    assert (device.iccid, device.iccid_override) == (card, "So it stands on the card.")
