"""Devices in the console: their trace, receiving, custody, and those that nobody booked in."""

import re
from typing import Any

import pytest
from django.test import Client

from registry.actions import assignments, devices, periods
from registry.models import Device, DeviceWhereabouts, Entry
from registry.queries.moments import head_index
from registry.rules.devices import RECEIVED_MAX
from tests.actions.unchanged import nothing_changed
from tests.console.fleet import provisional_device
from tests.console.pages import at, lines, post, problems, signed_in, text_of
from tests.epcis_checks import events_of
from tests.factories.world import DAY, HOUR, World, person


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


def words_of(buttons: Any) -> list[str]:
    return [button.words for button in buttons]


# --- the page ----------------------------------------------------------------------------------------


def test_the_page_tells_label_place_history_and_trace(world: World, office: Client) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    devices.correct_device(world.office, device_id=device.pk, firmware="2.8.1", reason="read off the label")

    words = text_of(office.get(at("device", device.pk)))

    assert "Firmware 2.8.1" in words
    assert (
        f"In cabinet {cabinet.asset_tag} At Harbour Road 0042, Tarnmouth Ports, left to right 1 2 3" in words
    )
    assert "depot TM Tarnmouth 2026-02-01 03:00 EST 2026-02-02 03:00 EST" in words
    assert f"Device {device.serial} was assigned to cabinet {cabinet.asset_tag}" in words
    assert "firmware was not said, is now 2.8.1" in words


def test_the_events_are_downloaded_as_known_on_the_page(world: World, office: Client) -> None:
    device = world.device()
    world.assigned(device, world.cabinet())
    index = head_index()

    for asked, steps in (({}, 2), ({"known_at": str(index - 2)}, 1)):
        page = office.get(at("device", device.pk), asked)
        [address] = re.findall(
            rf'href="([^"]+)" download="{device.serial}.jsonld">Download its events<', page.content.decode()
        )
        answer = office.get(address)

        assert address.endswith(f"?known_at={asked.get('known_at', index)}")
        assert len(events_of(answer.json())) == steps


def test_the_trace_is_narrowed_to_one_cabinet(world: World, office: Client) -> None:
    device, first, second = world.device(), world.cabinet(), world.cabinet()
    place = world.assigned(device, first)
    assignments.end_assignment(
        world.office,
        assignment_id=place.period,
        valid_to=place.valid_from + DAY,
        end_reason="moved",
        depot_id=world.tarnmouth.pk,
    )
    world.assigned(device, second, place.valid_from + 2 * DAY)

    page = office.get(at("device", device.pk), {"cabinet": str(second.pk)})

    assert [event.words for event in page.context["shown"]] == [
        f"Device {device.serial} was assigned to cabinet {second.asset_tag} at {world.location.label}"
    ]


def test_as_of_and_as_known_the_trace_ends_there(world: World, office: Client) -> None:
    device = world.device()
    place = world.assigned(device, world.cabinet())
    before = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=place.period,
        valid_from=place.valid_from + HOUR,
        reason="the note says nine",
    )
    address = at("device", device.pk)

    then = text_of(office.get(address, {"as_of": "2026-02-01 12:00"}))
    believed = text_of(office.get(address, {"known_at": str(before)}))
    now = text_of(office.get(address))

    assert "Place depot TM Tarnmouth" in then
    assert "was assigned" not in then
    assert "was corrected" not in believed
    assert "valid from was 2026-02-02 03:00 EST, is now 2026-02-02 04:00 EST" in now


def test_a_device_of_another_depot_is_as_one_that_is_not_there(world: World) -> None:
    stranger = signed_in(person(world, "office", world.fellgate))

    hidden, absent = (
        stranger.get(at("device", key)) for key in (world.device().pk, "01890a5d-ac96-774b-bcce-b302099a8057")
    )

    assert (hidden.status_code, absent.status_code) == (404, 404)
    assert text_of(hidden) == text_of(absent)


@pytest.mark.parametrize(
    ("place", "offered"),
    [
        ("depot", ["Hand over", "Send to repair", "Correct its label facts", "Mark lost", "Retire"]),
        ("cabinet", ["Swap", "Take out", "Correct its label facts", "Mark lost"]),
        ("maker", ["Back from repair", "Correct its label facts", "Mark lost", "Retire"]),
        ("lost", ["It was found", "Correct its label facts", "Retire"]),
        ("retired", ["Correct its label facts"]),
    ],
)
def test_only_what_can_come_next_is_offered(
    world: World, office: Client, place: str, offered: list[str]
) -> None:
    device, when = world.device(), {"valid_from": world.start + 3 * DAY}
    if place == "cabinet":
        world.assigned(device, world.cabinet())
    elif place == "maker":
        devices.send_device_to_repair(world.office, device_id=device.pk, **when)
    elif place == "lost":
        devices.mark_device_lost(world.office, device_id=device.pk, **when)
    elif place == "retired":
        devices.retire_device(world.office, device_id=device.pk, **when)

    assert words_of(office.get(at("device", device.pk)).context["buttons"]) == offered
    assert words_of(signed_in(world.auditor).get(at("device", device.pk)).context["buttons"]) == []


# --- receiving ---------------------------------------------------------------------------------------


def receiving(world: World, *serials: str) -> dict[str, str]:
    return {
        "model": str(world.plumb_3.pk),
        "depot": str(world.tarnmouth.pk),
        "serials": "\r\n".join(serials),
    }


def test_a_list_of_serials_is_booked_in_by_one_entry(world: World, office: Client) -> None:
    serials = [world.serial() for _ in range(3)]
    newest = head_index()

    shown = lines(post(office, at("devices_receive"), "check", **receiving(world, *serials)))
    done = post(office, at("devices_receive"), "record", **receiving(world, serials[0], "", *serials[1:]))

    assert [what for what, _, _ in shown if what.startswith("device")] == [f"device {s}" for s in serials]
    assert done.status_code == 303
    assert sorted(Device.objects.values_list("serial", flat=True)) == sorted(serials)
    assert Entry.objects.filter(index__gt=newest).count() == 1


def test_a_wrong_serial_in_the_list_is_named_by_its_line_and_nothing_is_booked_in(
    world: World, office: Client
) -> None:
    good = world.serial()
    wrong = good[:-1] + str((int(good[-1]) + 1) % 10)

    with nothing_changed():
        bad = post(office, at("devices_receive"), "record", **receiving(world, good, "", wrong))
        twice = post(office, at("devices_receive"), "record", **receiving(world, good, good))
        many = post(office, at("devices_receive"), "record", **receiving(world, *["x"] * (RECEIVED_MAX + 1)))

    assert f"Line 3, {wrong}: The check at the end does not fit" in problems(bad)["id_serials"]
    assert f"Line 2, {good}: " in problems(twice)["id_serials"]
    assert f"At most {RECEIVED_MAX} devices" in problems(many)["id_serials"]
    assert good in bad.content.decode()  # what was scanned stays


# --- custody -----------------------------------------------------------------------------------------


def test_a_device_goes_into_a_van_to_the_maker_and_back(world: World, office: Client) -> None:
    device = world.device()
    van = {"staff": str(world.installer.staff_id), "valid_from": "2026-02-10 08:00"}

    assert post(office, at("device_hand_over", device.pk), "record", **van).status_code == 303
    sent = {"reference": "RMA-7", "valid_from": "2026-02-11 08:00"}
    assert post(office, at("device_repair", device.pk), "record", **sent).status_code == 303
    assert "Place in repair at its maker, return number RMA-7" in text_of(office.get(at("device", device.pk)))

    with nothing_changed():
        refused = post(office, at("device_hand_over", device.pk), "record", depot=str(world.fellgate.pk))
    assert "Record first that it came back." in " ".join(problems(refused).values())

    back = {"depot": str(world.fellgate.pk), "valid_from": "2026-02-12 08:00"}
    assert post(office, at("device_return", device.pk), "record", **back).status_code == 303
    places = DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from")
    assert [place.place for place in places] == ["depot", "van", "maker", "depot"]


def test_a_doubtful_card_number_is_kept_only_with_a_reason(world: World, office: Client) -> None:
    device = world.device()
    address = at("device_correct", device.pk)
    doubtful = {"iccid": "8999900000000000001"}

    with nothing_changed():
        refused = post(office, address, "record", **doubtful)
    assert list(problems(refused)) == ["id_iccid"]

    assert post(office, address, "record", **doubtful, iccid_override="printed so").status_code == 303
    with nothing_changed():
        again = post(office, address, "record")
    assert "The register already says so." in " ".join(problems(again).values())


# --- nobody booked them in ---------------------------------------------------------------------------


def test_those_that_wait_are_listed_with_why_and_what_may_be_said(world: World, office: Client) -> None:
    found = provisional_device(world)
    narrow = signed_in(person(world, "office", world.fellgate))

    page = office.get(at("devices_waiting"))

    [(row, buttons)] = page.context["devices"]
    assert (row.device, words_of(buttons)) == (
        found,
        ["It is ours: confirm", "It is another: merge", "Not ours: reject"],
    )
    assert "in a box without papers" in text_of(page)
    assert narrow.get(at("devices_waiting")).context["devices"] == []
    [(_, none)] = signed_in(world.auditor).get(at("devices_waiting")).context["devices"]
    assert none == []


def test_an_empty_list_says_what_to_do(world: World, office: Client) -> None:
    assert "records it as provisional" in text_of(office.get(at("devices_waiting")))


def test_a_found_device_is_recorded_in_a_cabinet_then_confirmed(world: World, office: Client) -> None:
    cabinet, serial = world.cabinet(), world.serial()
    values = {"model": str(world.plumb_3.pk), "serial": serial, "evidence": "hung there when I came"}
    address = at("device_record")

    with nothing_changed():
        nowhere = post(office, address, "record", **values)
        nothing = post(office, address, "record", **values, cabinet="SK-NONE")
        both = post(
            office, address, "record", **values, cabinet=cabinet.asset_tag, depot=str(world.tarnmouth.pk)
        )
    assert list(problems(nowhere)) == ["id_depot"]
    assert list(problems(nothing)) == list(problems(both)) == ["id_cabinet"]

    done = post(office, address, "record", **values, cabinet=cabinet.asset_tag.lower())
    device = Device.objects.get(serial=serial)
    assert done.headers["Location"] == at("device", device.pk)
    page = office.get(at("device", device.pk))
    assert "Nobody booked this device in" in text_of(page)
    assert len(page.context["judgements"]) == 3

    assert post(office, at("device_confirm", device.pk), "record").status_code == 303
    assert office.get(at("device", device.pk)).context["judgements"] == []


def test_a_serial_that_was_read_wrongly_is_merged_into_the_right_device(world: World, office: Client) -> None:
    found, right = provisional_device(world), world.device()
    address = at("device_merge", found.pk)
    mistyped = right.serial[:4] + right.serial[5] + right.serial[4] + right.serial[6:]

    with nothing_changed():
        refused = post(office, address, "record", into=mistyped, reason="the label was wet")
    assert f'value="into={right.serial}"' in refused.content.decode()

    done = post(office, address, "record", into=right.serial, reason="the label was wet")
    assert done.headers["Location"] == at("device", right.pk)
    trace = text_of(office.get(at("device", right.pk)))
    assert f"Provisional device {found.serial} turned out to be {right.serial}" in trace
    assert office.get(at("device", found.pk)).status_code == 404


def test_a_rejection_is_explained(world: World, office: Client) -> None:
    found = provisional_device(world)

    with nothing_changed():
        refused = post(office, at("device_reject", found.pk), "record")
    assert list(problems(refused)) == ["id_reason"]

    done = post(office, at("device_reject", found.pk), "record", reason="of another company")
    assert done.headers["Location"] == at("devices_waiting")


# --- queries -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_the_page_takes_as_many_queries_for_many_rows_as_for_few(
    world: World, office: Client, django_assert_num_queries: Any, rows: int
) -> None:
    device = world.device()
    for row in range(rows):
        place = world.assigned(device, world.cabinet(), world.start + 2 * DAY + row * 2 * HOUR)
        assignments.end_assignment(
            world.office,
            assignment_id=place.period,
            valid_to=place.valid_from + HOUR,
            end_reason="moved",
            depot_id=world.tarnmouth.pk,
        )

    # the session; the person; the head; the device, its place, its depot, its model; the zone of the depot's
    # stores; its trace: what was merged into it, which entries, the entries, their subjects, names of
    # people; its history: places, cabinets, depots; the cabinets and the devices to narrow it by;
    # what it reported while it was assigned nowhere; its photos; its checks
    with django_assert_num_queries(21):
        assert len(office.get(at("device", device.pk)).context["whereabouts"]) == 2 * rows + 1


@pytest.mark.parametrize("rows", [3, 30])
def test_those_that_wait_take_as_many_queries_for_many_as_for_few(
    world: World, office: Client, django_assert_num_queries: Any, rows: int
) -> None:
    for _ in range(rows):
        provisional_device(world)

    # the session; the person; the zone; the head; how many; a page of them, their places, depots, models
    with django_assert_num_queries(9):
        assert len(office.get(at("devices_waiting")).context["devices"]) == rows


@pytest.mark.parametrize("rows", [3, 30])
@pytest.mark.parametrize("name", ["cabinet", "device"])
def test_the_lists_take_as_many_queries_for_many_rows_as_for_few(
    world: World, office: Client, django_assert_num_queries: Any, name: str, rows: int
) -> None:
    for _ in range(rows):
        world.assigned(world.device(), world.cabinet())

    # the session; the person; the head; how many; a page of them with where they are; the words to filter by:
    # models, and settings or none
    with django_assert_num_queries(7):
        assert len(office.get(at(f"registry_{name}_changelist")).context["cl"].result_list) == rows


@pytest.mark.parametrize(
    ("name", "query", "found"),
    [
        ("cabinet", "holds=nothing", 1),
        ("cabinet", "holds=device", 2),
        ("cabinet", "place=depot", 1),
        ("device", "place=cabinet", 2),
        ("device", "place=depot", 1),
        ("device", "place=lost", 0),
    ],
)
def test_the_lists_are_filtered_by_where_things_are(
    world: World, office: Client, name: str, query: str, found: int
) -> None:
    for _ in range(2):
        world.assigned(world.device(), world.cabinet())
    world.cabinet(world.tarnmouth)
    world.device()

    page = office.get(f"{at(f'registry_{name}_changelist')}?{query}")

    assert page.context["cl"].result_count == found
