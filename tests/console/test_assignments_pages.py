"""Assigning, swapping and ending in the console: what is suggested, refused and shown before it is done."""

from typing import Any

import pytest
from django.test import Client

from registry.actions import devices
from registry.actions._devices import NewDevice
from registry.models import Device, DeviceWhereabouts
from registry.rules.identifiers import check_characters
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of, typed
from tests.factories.world import DAY, HOUR, World, person


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


def received(world: World, payload: str, depot: Any = None) -> Device:
    """Receive a device with a serial of this payload."""
    [device] = devices.receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_3.pk, f"PB3{payload}{check_characters('luhn', payload)}")],
        depot_id=(depot or world.tarnmouth).pk,
        valid_from=world.start + DAY,
    )
    return device


def swapped(serial: str) -> str:
    """The serial with two neighbouring digits exchanged, as somebody mistypes it."""
    return serial[:4] + serial[5] + serial[4] + serial[6:]


# --- assigning ---------------------------------------------------------------------------------------


def test_a_mistyped_serial_is_refused_beside_its_field_with_the_right_one_to_press(
    world: World, office: Client
) -> None:
    device, cabinet = received(world, "123456"), world.cabinet()
    address = at("cabinet_assign", cabinet.pk)

    with nothing_changed():
        refused = post(office, address, "record", serial=swapped(device.serial), rail_below_ceiling_mm="95")
    assert "The check at the end does not fit" in problems(refused)["id_serial"]
    offer = f'<button type="submit" name="fill" value="serial={device.serial}"'
    assert offer in refused.content.decode()

    picked = office.post(address, {**typed(refused), "fill": f"serial={device.serial}"})
    assert picked.context["form"]["serial"].value() == device.serial
    assert picked.context["form"]["rail_below_ceiling_mm"].value() == "95"
    assert office.post(address, {**typed(picked), "step": "record"}).status_code == 303
    place = DeviceWhereabouts.objects.current().get(device=device, valid_to=None)
    assert (place.cabinet, place.rail_below_ceiling_mm, place.sensor_order) == (cabinet, 95, "1 2 3")


def test_a_scanned_label_is_read_like_a_typed_serial(world: World, office: Client) -> None:
    device, cabinet = world.device(), world.cabinet()
    # A GS1 element string, GTIN and serial (GS1 General Specifications, section 3); the GTIN is invented.
    scanned = f"]C1010401234567890121{device.serial}"

    assert post(office, at("cabinet_assign", cabinet.pk), "record", serial=scanned).status_code == 303

    assert DeviceWhereabouts.objects.current().get(device=device, valid_to=None).cabinet == cabinet


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"serial": "OTHER"}, "id_serial", "hangs in cabinet"),
        ({"serial": "FIVE"}, "id_serial", "The device has 5 sensors, the cabinet takes 3."),
        ({"slot": "2"}, "id_slot_reason", "Say why this one gets another."),
        ({"sensor_order": "1 2"}, "id_sensor_order", "names each port from 1 to 3 once"),
        ({"sensor_order": "left"}, "id_sensor_order", "Name the ports left to right"),
        ({"rail_below_ceiling_mm": "4000"}, "id_rail_below_ceiling_mm", "Measure again"),
        ({"valid_from": "2026-03-09 08:00"}, "id_valid_from", ""),
        ({"valid_from": "yesterday"}, "id_valid_from", "This is no time."),
        ({"serial": ""}, "id_serial", "This is missing. Fill it in."),
    ],
)
def test_a_refusal_stands_beside_what_is_wrong(
    world: World, office: Client, change: dict[str, str], field: str, words: str
) -> None:
    device, cabinet, elsewhere = world.device(), world.cabinet(), world.device()
    world.assigned(elsewhere, world.cabinet())
    named = {"OTHER": elsewhere.serial, "FIVE": world.device(world.plumb_5).serial}
    change = {name: named.get(value, value) for name, value in change.items()}
    address = at("cabinet_assign", cabinet.pk)

    with nothing_changed():
        refused = post(office, address, "check", **{"serial": device.serial, **change})

    assert words in problems(refused)[field]
    assert post(office, address, "check", serial=device.serial).status_code == 200


def test_a_second_device_gets_the_next_slot_and_must_be_explained(world: World, office: Client) -> None:
    cabinet, second = world.cabinet(), world.device()
    first = world.assigned(world.device(), cabinet)
    address = at("cabinet_assign", cabinet.pk)
    assert f"{first.device.serial} hangs in it already" in text_of(office.get(address))

    done = post(office, address, "record", serial=second.serial, slot_reason="a double door")

    assert done.status_code == 303
    assert DeviceWhereabouts.objects.current().get(device=second, valid_to=None).slot == 2


def test_from_the_location_the_one_empty_cabinet_is_chosen_already(world: World, office: Client) -> None:
    full, empty, device = world.cabinet(), world.cabinet(), world.device()
    world.assigned(world.device(), full)
    address = at("location_assign", world.location.pk)
    assert office.get(address).context["form"]["cabinet"].value() == empty.pk

    refused = post(office, address, "check", serial=device.serial, cabinet=str(full.pk))
    done = post(office, address, "record", serial=device.serial)

    assert "id_slot" in problems(refused)
    assert (done.status_code, done.headers["Location"]) == (303, at("location", world.location.pk))
    assert DeviceWhereabouts.objects.current().get(device=device, valid_to=None).cabinet == empty


# --- swapping and ending -----------------------------------------------------------------------------


def test_a_swap_shows_all_four_periods_before_it_is_done(world: World, office: Client) -> None:
    old, new, cabinet = world.device(), world.device(), world.cabinet()
    place = world.assigned(old, cabinet)
    address = at("assignment_swap", place.period)
    values = {"serial": new.serial, "valid_from": "2026-02-20 11:00", "end_note": "port 2 is deaf"}

    shown = lines(post(office, address, "check", **values))

    tag = cabinet.asset_tag
    assert [(what, was.split(",")[0], will.split(",")[0]) for what, was, will in shown] == [
        (f"place of device {old.serial}", f"cabinet {tag}", f"cabinet {tag}"),
        (f"place of device {old.serial}", "nothing", "depot TM Tarnmouth"),
        (f"place of device {new.serial}", "depot TM Tarnmouth", "depot TM Tarnmouth"),
        (f"place of device {new.serial}", "nothing", f"cabinet {tag}"),
    ]
    assert "end reason fault" in shown[0][2]
    assert "2026-02-20 11:00 EST" in shown[0][2]


def test_the_new_one_hangs_as_the_old_one_did_unless_told_otherwise(world: World, office: Client) -> None:
    old, new, cabinet = world.device(), world.device(), world.cabinet()
    place = world.assigned(old, cabinet)
    address = at("period_correct", "devicewhereabouts", place.period)
    post(office, address, "record", rail_below_ceiling_mm="95", sensor_order="3 2 1", reason="measured again")

    page = office.get(at("assignment_swap", place.period))
    values = typed(page, serial=new.serial, offset_from_front_mm="300", staff=str(world.installer.staff_id))
    assert office.post(at("assignment_swap", place.period), {**values, "step": "record"}).status_code == 303

    hung = DeviceWhereabouts.objects.current().get(device=new, valid_to=None)
    assert (hung.rail_below_ceiling_mm, hung.offset_from_front_mm, hung.sensor_order) == (95, 300, "3 2 1")
    assert DeviceWhereabouts.objects.current().get(device=old, valid_to=None).place == "van"


def test_a_swap_before_the_old_one_hung_there_is_refused_beside_its_time(
    world: World, office: Client
) -> None:
    place, new = world.assigned(world.device(), world.cabinet()), world.device()
    address = at("assignment_swap", place.period)

    with nothing_changed():
        page = post(office, address, "record", serial=new.serial, valid_from="2026-02-02 01:00")

    assert "2026-02-02 03:00 EST" in problems(page)["id_valid_from"]


@pytest.mark.parametrize(
    ("change", "field"), [({"end_reason": "other"}, "id_end_note"), ({"depot": ""}, "id_depot")]
)
def test_an_end_says_why_and_where_to(world: World, office: Client, change: Any, field: str) -> None:
    place = world.assigned(world.device(), world.cabinet())
    address = at("assignment_end", place.period)
    values = {"end_reason": "moved", "valid_to": "2026-02-20 11:00"}

    with nothing_changed():
        refused = post(office, address, "record", **{**values, **change})
    assert field in problems(refused)

    assert post(office, address, "record", **values).status_code == 303
    assert DeviceWhereabouts.objects.current().get(period=place.period).end_reason == "moved"


def test_an_assignment_that_has_ended_is_told_so(world: World, office: Client) -> None:
    place = world.assigned(world.device(), world.cabinet())
    devices.mark_device_lost(world.office, device_id=place.device_id, valid_from=place.valid_from + HOUR)

    with nothing_changed():
        page = post(office, at("assignment_end", place.period), "record", end_reason="moved")

    assert "This assignment has ended already." in " ".join(problems(page).values())


# --- suggestions -------------------------------------------------------------------------------------


def suggested(client: Client, name: str, typed_so_far: str) -> dict[str, list[str]]:
    answer = client.get(at(name), {"q": typed_so_far})
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "application/json")
    return {group["words"]: [one["value"] for one in group["options"]] for group in answer.json()["groups"]}


def test_what_begins_so_is_told_apart_from_what_is_a_slip_away(world: World, office: Client) -> None:
    device = received(world, "123456")

    assert suggested(office, "devices_suggest", device.serial[:6].lower()) == {"begins so": [device.serial]}
    assert suggested(office, "devices_suggest", swapped(device.serial)) == {
        "one slip away: two characters swapped": [device.serial]
    }
    assert suggested(office, "devices_suggest", device.serial[:-1] + "K") == {
        "one slip away: one wrong character": [device.serial]
    }
    assert suggested(office, "devices_suggest", "") == suggested(office, "devices_suggest", "no\0thing") == {}


def test_a_suggestion_tells_where_the_device_waits(world: World, office: Client) -> None:
    received(world, "123456")

    [group] = office.get(at("devices_suggest"), {"q": "PB3123"}).json()["groups"]

    assert group["options"][0]["words"] == "Plumb-3, 3 sensors, waits in depot TM Tarnmouth"


def test_only_what_this_person_could_assign_is_suggested(world: World, office: Client) -> None:
    mine, theirs = received(world, "123456"), received(world, "123457", world.fellgate)
    world.assigned(received(world, "123458"), world.cabinet())
    narrow = signed_in(person(world, "office", world.tarnmouth))

    assert suggested(narrow, "devices_suggest", "PB31234") == {"begins so": [mine.serial]}
    assert suggested(office, "devices_suggest", "PB31234") == {"begins so": [mine.serial, theirs.serial]}


def test_nothing_is_suggested_to_who_may_assign_nothing(world: World) -> None:
    assert signed_in(world.auditor).get(at("devices_suggest"), {"q": "PB3"}).status_code == 403


@pytest.mark.parametrize("typed_so_far", ["lf", "LF 00", "harbour tarn"])
def test_stores_are_suggested_by_number_or_by_any_part_of_their_name(
    world: World, office: Client, typed_so_far: str
) -> None:
    theirs = world.store(depot=world.fellgate)
    narrow = signed_in(person(world, "office", world.fellgate))

    assert "LF 0042" in suggested(office, "locations_suggest", typed_so_far)["stores"]
    assert "LF 0042" not in str(suggested(narrow, "locations_suggest", typed_so_far))
    assert theirs.holdings.get().store_number in str(suggested(narrow, "locations_suggest", "harbour"))


def test_cabinets_are_suggested_with_where_they_stand(world: World, office: Client) -> None:
    cabinet = world.cabinet()
    narrow = signed_in(person(world, "office", world.fellgate))
    asked = {"q": cabinet.asset_tag[3:].lower()}

    [group] = office.get(at("cabinets_suggest"), asked).json()["groups"]

    assert group["options"] == [
        {"value": cabinet.asset_tag, "words": "Cove 40, Harbour Road 0042, Tarnmouth"}
    ]
    assert narrow.get(at("cabinets_suggest"), asked).json() == {"groups": []}


@pytest.mark.parametrize("rows", [3, 30])
@pytest.mark.parametrize(
    ("name", "typed_so_far", "queries"),
    [
        # the session; the person; what begins so; the schemes
        ("devices_suggest", "PB3", 4),
        # the session; the person; the stores with their accounts
        ("locations_suggest", "har", 3),
    ],
)
def test_suggestions_take_as_many_queries_whatever_there_is(
    world: World,
    office: Client,
    django_assert_num_queries: Any,
    name: str,
    typed_so_far: str,
    queries: int,
    rows: int,
) -> None:
    for _ in range(rows):
        world.device()
        world.store()

    with django_assert_num_queries(queries):
        assert office.get(at(name), {"q": typed_so_far}).json()["groups"]
