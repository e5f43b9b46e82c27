"""Assignments over HTTP: assigned by serial, scan or key, ended, swapped, corrected, withdrawn, listed."""

import re
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.actions import assignments, cabinets, devices, locations, staff
from registry.models import Cabinet, Device, DeviceWhereabouts, Location
from tests.actions.unchanged import nothing_changed, undone
from tests.api.client import Api, Person, Reply, changed, made, ok, one_entry, tables_read, told
from tests.api.operations import utc, when
from tests.factories.world import DAY, HOUR, World, person

GTIN = "09506000134352"  # GS1 syntax dictionary: (01)09506000134352(21)12345


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def assign(asker: Person, world: World, into: Cabinet, **given: Any) -> Reply:
    body = {"cabinet": into.pk, "valid_from": when(world.start + 5 * DAY), **given}
    return asker.post("assignments/", body)


def change(asker: Person, assignment: Any, what: str, **body: Any) -> Reply:
    """Change an assignment as it stands."""
    path = f"assignments/{assignment}/"
    return asker.post(f"{path}{what}/", body, tag=asker.seen(path))


def hung(world: World, **given: Any) -> DeviceWhereabouts:
    return world.assigned(world.device(), given.pop("cabinet", None) or world.cabinet(), **given)


def shown(key: Any, device: Device, cabinet: Cabinet, location: Location, **facts: Any) -> dict[str, Any]:
    """Return what an assignment is shown as, one that runs and was told with no more than it needs."""
    return {
        "id": str(key),
        "device": str(device.pk),
        "serial": device.serial,
        "device_model": "Plumb-3",
        "cabinet": str(cabinet.pk),
        "asset_tag": cabinet.asset_tag,
        "location": str(location.pk),
        "location_name": location.label,
        "valid_to": None,
        "starts_known_by": False,
        "slot": 1,
        "slot_reason": "",
        "sensor_order": [1, 2, 3],
        "rail_below_ceiling_mm": None,
        "offset_from_front_mm": None,
        "end_reason": "",
        "end_note": "",
        **facts,
    }


def places(device: Device) -> list[tuple[str, Any, Any]]:
    """Return where a device was, in order: the place, and from when to when."""
    found = DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from")
    return [(place.place, place.valid_from, place.valid_to) for place in found]


# --- assigned --------------------------------------------------------------------------------------------


def test_an_installer_assigns_a_device_and_sees_all_that_was_recorded(
    installer: Person, world: World
) -> None:
    device, cabinet, at = world.device(), world.cabinet(), world.start + 5 * DAY

    with one_entry("device.assigned") as entries:
        reply = assign(
            installer,
            world,
            cabinet,
            serial=device.serial,
            installation={
                "slot": 2,
                "slot_reason": "a second row",
                "sensor_order": [3, 1, 2],
                "rail_below_ceiling_mm": 40,
                "offset_from_front_mm": 300,
            },
            reason="first of its kind",
        )

    made(reply, "assignments")
    assert reply.body == shown(
        reply["id"],
        device,
        cabinet,
        world.location,
        valid_from=utc(at),
        slot=2,
        slot_reason="a second row",
        sensor_order=[3, 1, 2],
        rail_below_ceiling_mm=40,
        offset_from_front_mm=300,
    )
    [entry] = entries
    assert (entry.face, entry.staff_id, entry.reason) == (
        "api",
        world.installer.staff_id,
        "first of its kind",
    )
    assert entry.occurred_at == at
    assert places(device) == [("depot", world.start + DAY, at), ("cabinet", at, None)]


@pytest.mark.parametrize(
    "write",
    [
        pytest.param("{serial}", id="as it is"),
        pytest.param(" {dashed} ", id="lower case, with spaces and dashes"),
        pytest.param("]C101" + GTIN + "21{serial}", id="GS1 element string"),
        pytest.param("(01)" + GTIN + "(21){serial}", id="bracketed print"),
        pytest.param("https://id.gs1.org/01/" + GTIN + "/21/{serial}", id="GS1 Digital Link"),
    ],
)
def test_a_device_is_assigned_however_its_label_was_read(installer: Person, world: World, write: str) -> None:
    device, cabinet = world.device(), world.cabinet()
    serial = device.serial
    typed = write.format(serial=serial, dashed=f"{serial[:3].lower()}-{serial[3:6]} {serial[6:]}")

    with one_entry("device.assigned"):
        reply = made(assign(installer, world, cabinet, serial=typed), "assignments")

    assert (reply["device"], reply["serial"]) == (str(device.pk), serial)


def test_a_device_is_assigned_by_its_key_at_a_time_of_any_offset(installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()

    with one_entry("device.assigned"):
        reply = assign(
            installer, world, cabinet, device=device.pk, valid_from="2026-02-10T09:30:00.250000-05:00"
        )

    assert made(reply, "assignments").body == shown(
        reply["id"], device, cabinet, world.location, valid_from="2026-02-10T14:30:00.250000Z"
    )


def test_a_mistyped_serial_is_refused_with_the_right_one_first(installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.device(), world.device(), world.device(depot=world.fellgate)
    serial = device.serial
    wrong_digit = serial[:5] + str((int(serial[5]) + 1) % 10) + serial[6:]
    look_alike = serial[:3] + serial[3:].replace("0", "O")
    # Two neighbours that the check tells apart: Luhn misses 09 and 90 alone.
    swapped = serial[:5] + serial[6] + serial[5] + serial[7:]
    assert len({serial, wrong_digit, look_alike, swapped}) == 4

    for typed in (wrong_digit, look_alike, swapped, serial[:-1], serial + "7", serial[3:]):
        with nothing_changed():
            reply = told(assign(installer, world, cabinet, serial=typed), 422, "serial_invalid", "#/serial")
        assert reply["suggestions"][0] == serial, typed
        assert reply["detail"] == reply["errors"][0]["detail"]

    made(assign(installer, world, cabinet, serial=reply["suggestions"][0]), "assignments")


def test_a_serial_of_another_depot_is_answered_as_one_that_nobody_booked_in(
    installer: Person, world: World
) -> None:
    cabinet, theirs, unknown = world.cabinet(), world.device(depot=world.fellgate), world.serial()
    hung_there = world.device(depot=world.fellgate)
    world.assigned(hung_there, world.cabinet(world.store(depot=world.fellgate)))

    with nothing_changed():
        absent = told(assign(installer, world, cabinet, serial=unknown), 422, "not_found", "#/serial")
        for hidden in (theirs.serial, hung_there.serial):
            reply = assign(installer, world, cabinet, serial=hidden)
            assert (reply.status, reply.text.replace(hidden, unknown)) == (absent.status, absent.text)
    assert "provisional" in absent["detail"]
    assert absent["suggestions"] == []


def test_a_device_in_anothers_van_is_theirs_and_one_in_ones_own_is_not(
    api: Api, installer: Person, world: World
) -> None:
    other = person(world, "installer", world.tarnmouth)
    device, cabinet = world.device(), world.cabinet()
    devices.hand_over_device(
        world.office, device_id=device.pk, staff_id=other.staff_id, valid_from=world.start + 2 * DAY
    )

    with nothing_changed():
        for named in ({"serial": device.serial}, {"device": device.pk}):
            reply = assign(installer, world, cabinet, **named)
            told(reply, 409, "device_elsewhere", f"#/{next(iter(named))}")

    for asker in (api.as_(other), api.as_(world.office)):
        with undone(), one_entry("device.assigned"):
            made(assign(asker, world, cabinet, serial=device.serial), "assignments")


@pytest.mark.parametrize(
    ("given", "code", "pointer"),
    [
        ({}, "value_invalid", "#/device"),
        ({"serial": "{serial}", "device": "{device}"}, "value_invalid", "#/device"),
        ({"serial": None}, "value_invalid", "#/serial"),
        ({"serial": 30079194}, "value_invalid", "#/serial"),
        ({"serial": ""}, "scan_invalid", "#/serial"),
        ({"serial": "(414)4012345000023"}, "serial_invalid", "#/serial"),
        ({"serial": f"(01){GTIN}"}, "serial_invalid", "#/serial"),
        ({"serial": "(01)09506000134353(21){serial}"}, "check_invalid", "#/serial"),
        ({"serial": f"(01){GTIN}(8004)4000001111"}, "scan_ambiguous", "#/serial"),
        ({"serial": "x" * 501}, "scan_invalid", "#/serial"),
        ({"serial": "PB3\x00"}, "text_invalid", "#/serial"),
        ({"serial": "\ud800"}, "text_invalid", "#/serial"),
        ({"device": "{cabinet}"}, "not_found", "#/device"),
        ({"device": "no key"}, "value_invalid", "#/device"),
        ({"device": 7}, "value_invalid", "#/device"),
        ({"device": "{device}", "cabinet": "{device}"}, "not_found", "#/cabinet"),
        ({"device": "{device}", "cabinet": None}, "value_invalid", "#/cabinet"),
        ({"device": "{device}", "valid_from": None}, "value_invalid", "#/valid_from"),
        ({"device": "{device}", "valid_from": "2026-02-10"}, "time_invalid", "#/valid_from"),
        ({"device": "{device}", "valid_from": "2026-02-10T09:30:00"}, "time_invalid", "#/valid_from"),
        ({"device": "{device}", "valid_from": "2026-02-30T09:30:00Z"}, "time_invalid", "#/valid_from"),
        ({"device": "{device}", "valid_from": "0001-01-01T00:00:00+23:59"}, "time_invalid", "#/valid_from"),
        ({"device": "{device}", "valid_from": 1770717000}, "time_invalid", "#/valid_from"),
        ({"device": "{device}", "valid_from": "2026-03-02T08:02:01Z"}, "time_in_future", "#/valid_from"),
        ({"device": "{device}", "valid_from": "2026-01-31T08:00:00Z"}, "before_known", "#/valid_from"),
        ({"device": "{device}", "installation": []}, "value_invalid", "#/installation"),
        ({"device": "{device}", "installation": {"slot": 0}}, "value_invalid", "#/installation/slot"),
        ({"device": "{device}", "installation": {"slot": "1"}}, "value_invalid", "#/installation/slot"),
        ({"device": "{device}", "installation": {"slot": True}}, "value_invalid", "#/installation/slot"),
        ({"device": "{device}", "installation": {"slot": 1e0}}, "value_invalid", "#/installation/slot"),
        (
            {"device": "{device}", "installation": {"slot": 2}},
            "slot_needs_reason",
            "#/installation/slot_reason",
        ),
        (
            {"device": "{device}", "installation": {"sensor_order": [1, 2]}},
            "value_invalid",
            "#/installation/sensor_order",
        ),
        (
            {"device": "{device}", "installation": {"sensor_order": [1, 2, "3"]}},
            "value_invalid",
            "#/installation/sensor_order/2",
        ),
        (
            {"device": "{device}", "installation": {"sensor_order": [1] * 65}},
            "value_invalid",
            "#/installation/sensor_order",
        ),
        (
            {"device": "{device}", "installation": {"rail_below_ceiling_mm": 1001}},
            "value_invalid",
            "#/installation/rail_below_ceiling_mm",
        ),
        (
            {"device": "{device}", "installation": {"offset_from_front_mm": 10**400}},
            "value_invalid",
            "#/installation/offset_from_front_mm",
        ),
        (
            {"device": "{device}", "installation": {"offset_mm": 300}},
            "value_invalid",
            "#/installation/offset_mm",
        ),
        ({"device": "{device}", "reason": "\x00"}, "text_invalid", "#/reason"),
        ({"device": "{device}", "reason": "\ud800"}, "text_invalid", "#/reason"),
        ({"device": "{device}", "reason": 5}, "value_invalid", "#/reason"),
        ({"device": "{device}", "serail": "PB3"}, "value_invalid", "#/serail"),
        ({"device": "{device}", "a/b~c d": 1}, "value_invalid", "#/a~1b~0c%20d"),
    ],
)
def test_what_cannot_be_assigned_so_is_refused_where_it_stands(
    installer: Person, world: World, given: dict[str, Any], code: str, pointer: str
) -> None:
    device, cabinet = world.device(), world.cabinet()
    known = {"{serial}": device.serial, "{device}": str(device.pk), "{cabinet}": str(cabinet.pk)}
    body = {
        name: known.get(value, value.replace("{serial}", device.serial)) if isinstance(value, str) else value
        for name, value in given.items()
    }

    with nothing_changed():
        told(assign(installer, world, cabinet, **body), 422, code, pointer)

    made(assign(installer, world, cabinet, serial=device.serial), "assignments")


def test_what_stands_against_an_assignment_is_refused_as_a_conflict(installer: Person, world: World) -> None:
    full, free, at_depot = world.cabinet(), world.cabinet(), world.cabinet(world.tarnmouth)
    waiting, five = world.device(), world.device(world.plumb_5)
    there = hung(world, cabinet=full)
    lost = world.device()
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=world.start + 3 * DAY)
    shut = world.store()
    in_shut = world.cabinet(shut)
    locations.close_location(
        world.office, location_id=shut.pk, valid_from=world.start + 4 * DAY, cabinets_to=world.tarnmouth.pk
    )

    with nothing_changed():
        reply = assign(installer, world, full, device=waiting.pk)
        told(reply, 409, "slot_taken", "#/installation/slot")
        assert reply["details"] == {"device": there.device.serial}
        reply = assign(installer, world, free, serial=there.device.serial)
        told(reply, 409, "device_elsewhere", "#/serial")
        assert reply["details"] == {"cabinet": full.asset_tag}
        told(assign(installer, world, free, device=lost.pk), 409, "device_not_available", "#/device")
        told(assign(installer, world, at_depot, device=waiting.pk), 409, "cabinet_not_available", "#/cabinet")
        told(assign(installer, world, in_shut, device=waiting.pk), 409, "cabinet_not_available", "#/cabinet")
        told(assign(installer, world, free, device=five.pk), 422, "sensor_count_mismatch", "#/device")
        early = when(world.start + DAY)
        told(
            assign(installer, world, free, device=waiting.pk, valid_from=early),
            409,
            "overlapping_history",
            "#/valid_from",
        )


def test_an_auditor_assigns_nothing_whatever_is_sent(api: Api, world: World) -> None:
    auditor, cabinet = api.as_(world.auditor), world.cabinet()

    with nothing_changed():
        for key in ('"a wish"', None):
            reply = auditor.post("assignments/", {"cabinet": cabinet.pk}, key=key)
            told(reply, 403, "role_forbids")
    assert reply["details"] == {"role": "auditor", "act": "assign_device"}


def test_several_things_wrong_are_told_together_each_where_it_stands(installer: Person) -> None:
    with nothing_changed():
        reply = installer.post("assignments/", {"cabinet": "no key", "installation": {"slot": "1"}})

    told(reply, 422, "fields_invalid")
    assert {(error["pointer"], error["code"]) for error in reply["errors"]} == {
        ("#/cabinet", "value_invalid"),
        ("#/valid_from", "value_invalid"),
        ("#/installation/slot", "value_invalid"),
    }


@pytest.mark.parametrize(
    ("body", "kind", "status", "code"),
    [
        ("{", "application/json", 400, "malformed"),
        ("", "application/json", 422, "fields_invalid"),
        ('{"cabinet": NaN}', "application/json", 400, "malformed"),
        (b"\xff\xfe", "application/json", 400, "malformed"),
        ("[" * 100_000, "application/json", 400, "malformed"),
        ('{"a":' * 100_000, "application/json", 400, "malformed"),
        ('{"cabinet": 1' + "0" * 5000 + "}", "application/json", 400, "malformed"),
        ("[]", "application/json", 422, "value_invalid"),
        ('"text"', "application/json", 422, "value_invalid"),
        ("null", "application/json", 422, "value_invalid"),
        ("cabinet=1", "application/x-www-form-urlencoded", 415, "media_type_unknown"),
        ("<a/>", "text/xml", 415, "media_type_unknown"),
        ('{"a": "' + "x" * 3_000_000 + '"}', "application/json", 413, "too_large"),
    ],
)
def test_a_body_that_is_no_request_is_refused(
    installer: Person, world: World, body: Any, kind: str, status: int, code: str
) -> None:
    with nothing_changed():
        answer = installer.client.generic(
            "POST",
            "/api/v1/assignments/",
            body,
            content_type=kind,
            headers={"Authorization": f"Bearer {installer.secret}", "Idempotency-Key": '"a wish"'},
        )
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert answer.headers["Content-Type"] == "application/problem+json"


# --- once only -------------------------------------------------------------------------------------------


def test_a_request_that_was_refused_may_come_again_under_its_key(installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    first = hung(world, cabinet=cabinet)
    body = {"cabinet": cabinet.pk, "serial": device.serial, "valid_from": when(world.start + 6 * DAY)}
    with nothing_changed():
        told(installer.post("assignments/", body, key='"a wish"'), 409, "slot_taken")

    assignments.end_assignment(
        world.office,
        assignment_id=first.period,
        valid_to=world.start + 5 * DAY,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )

    with one_entry("device.assigned"):
        reply = made(installer.post("assignments/", body, key='"a wish"'), "assignments")
    with nothing_changed():
        again = installer.post("assignments/", body, key='"a wish"')
    assert (again.status, again.text, again.headers) == (reply.status, reply.text, reply.headers)


def test_a_key_is_forgotten_after_thirty_days(installer: Person, api: Api, world: World) -> None:
    device, other, cabinet = world.device(), world.device(), world.cabinet()
    body = {"cabinet": cabinet.pk, "serial": device.serial, "valid_from": when(world.start + 5 * DAY)}
    first = made(installer.post("assignments/", body, key='"a wish"'), "assignments")
    another = {**body, "serial": other.serial, "cabinet": world.cabinet().pk}

    world.clock.at += 30 * DAY - HOUR
    with nothing_changed():
        assert installer.post("assignments/", body, key='"a wish"').text == first.text
        told(installer.post("assignments/", another, key='"a wish"'), 422, "key_reused")

    world.clock.at += 2 * HOUR
    with nothing_changed():
        told(installer.post("assignments/", body, key='"a wish"'), 409, "overlapping_history")
    with one_entry("device.assigned"):
        made(installer.post("assignments/", another, key='"a wish"'), "assignments")


def test_a_repeat_gets_the_first_answer_whatever_happened_meanwhile(installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    body = {"cabinet": cabinet.pk, "serial": device.serial, "valid_from": when(world.start + 5 * DAY)}
    first = made(installer.post("assignments/", body, key='"a wish"'), "assignments")
    ok(
        change(
            installer,
            first["id"],
            "end",
            valid_to=when(world.start + 7 * DAY),
            end_reason="fault",
            depot=world.tarnmouth.pk,
        )
    )

    with nothing_changed():
        again = installer.post("assignments/", body, key='"a wish"')

    assert (again.status, again.text, again.headers) == (first.status, first.text, first.headers)
    assert installer.seen(f"assignments/{first['id']}/") != first.tag


def test_a_repeat_of_who_may_no_longer_do_it_is_refused(installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    body = {"cabinet": cabinet.pk, "serial": device.serial, "valid_from": when(world.start + 5 * DAY)}
    made(installer.post("assignments/", body, key='"a wish"'), "assignments")
    staff.change_role(world.administrator, staff_id=world.installer.staff_id, role="auditor")

    with nothing_changed():
        told(installer.post("assignments/", body, key='"a wish"'), 403, "role_forbids")


# --- ended -----------------------------------------------------------------------------------------------


def test_an_ended_assignment_says_when_and_why_and_the_device_where_it_went(
    installer: Person, world: World
) -> None:
    cabinet, end = world.cabinet(), world.start + 9 * DAY
    assignment = hung(world, cabinet=cabinet)
    device = assignment.device

    with one_entry("device.removed") as entries:
        reply = change(
            installer,
            assignment.period,
            "end",
            valid_to=when(end),
            end_reason="other",
            end_note="the rail came down",
            staff=world.installer.staff_id,
        )

    assert changed(reply).body == shown(
        assignment.period,
        device,
        cabinet,
        world.location,
        valid_from=utc(world.start + 2 * DAY),
        valid_to=utc(end),
        end_reason="other",
        end_note="the rail came down",
    )
    assert "Location" not in reply.headers
    assert (entries[0].occurred_at, entries[0].reason) == (end, "the rail came down")
    now = ok(installer.get(f"devices/{device.pk}/"))
    assert (now["place"], now["staff"], now["there_since"]) == (
        "van",
        str(world.installer.staff_id),
        utc(end),
    )


@pytest.mark.parametrize(
    ("given", "status", "code", "pointer"),
    [
        ({"valid_to": None}, 422, "value_invalid", "#/valid_to"),
        ({"valid_to": "2026-03-03T00:00:00Z"}, 422, "time_in_future", "#/valid_to"),
        ({"valid_to": "2026-02-02T08:00:00Z"}, 409, "overlapping_history", "#/valid_to"),
        ({"end_reason": "tired"}, 422, "value_invalid", "#/end_reason"),
        ({"end_reason": "other"}, 422, "reason_missing", "#/end_note"),
        ({"depot": None}, 422, "value_invalid", "#/depot"),
        ({"depot": str(uuid4())}, 422, "not_found", "#/depot"),
        ({"staff": str(uuid4())}, 422, "not_found", "#/staff"),
        ({"valid_from": "2026-02-09T08:00:00Z"}, 422, "value_invalid", "#/valid_from"),
    ],
)
def test_what_cannot_end_so_is_refused(
    installer: Person, world: World, given: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    assignment = hung(world)
    body = {"valid_to": when(world.start + 9 * DAY), "end_reason": "fault", "depot": world.tarnmouth.pk}

    with nothing_changed():
        told(change(installer, assignment.period, "end", **{**body, **given}), status, code, pointer)
        without_depot = {name: value for name, value in body.items() if name != "depot"}
        told(change(installer, assignment.period, "end", **without_depot), 422, "value_invalid", "#/depot")

    ok(change(installer, assignment.period, "end", **body))
    with nothing_changed():
        told(change(installer, assignment.period, "end", **body), 409, "device_not_assigned")


# --- swapped ---------------------------------------------------------------------------------------------


def test_a_swap_ends_one_assignment_and_answers_with_the_other(installer: Person, world: World) -> None:
    cabinet, at, new = world.cabinet(), world.start + 9 * DAY, world.device()
    old = assignments.assign_device(
        world.office,
        device_id=world.device().pk,
        cabinet_id=cabinet.pk,
        valid_from=world.start + 2 * DAY,
        installation=assignments.Installation(rail_below_ceiling_mm=40, offset_from_front_mm=300),
    )

    with one_entry("device.swapped"):
        reply = change(
            installer,
            old.period,
            "swap",
            serial=new.serial,
            valid_from=when(at),
            end_reason="fault",
            end_note="a dead port",
            depot=world.tarnmouth.pk,
        )

    made(reply, "assignments")
    assert reply["id"] != str(old.period)
    assert reply.body == shown(
        reply["id"],
        new,
        cabinet,
        world.location,
        valid_from=utc(at),
        rail_below_ceiling_mm=40,
        offset_from_front_mm=300,
    )
    ended = ok(installer.get(f"assignments/{old.period}/"))
    assert (ended["valid_to"], ended["end_reason"], ended["end_note"]) == (utc(at), "fault", "a dead port")
    assert places(old.device)[-1] == ("depot", at, None)
    assert places(new)[-1] == ("cabinet", at, None)
    # The cabinet is one with the new device in it.
    [hanging] = ok(installer.get(f"cabinets/{cabinet.pk}/"))["hanging"]
    assert (hanging["assignment"], hanging["serial"]) == (reply["id"], new.serial)


def test_what_cannot_be_swapped_so_is_refused(installer: Person, world: World) -> None:
    old, new, five = hung(world), world.device(), world.device(world.plumb_5)
    at = when(world.start + 9 * DAY)
    body = {"valid_from": at, "depot": world.tarnmouth.pk}
    wrong = new.serial[:-1] + str((int(new.serial[-1]) + 1) % 10)

    with nothing_changed():
        for given, status, code, pointer in (
            ({}, 422, "value_invalid", "#/device"),
            ({"device": old.device.pk}, 409, "nothing_changes", "#/device"),
            ({"serial": old.device.serial}, 409, "nothing_changes", "#/serial"),
            ({"serial": wrong}, 422, "serial_invalid", "#/serial"),
            ({"device": five.pk}, 422, "sensor_count_mismatch", "#/device"),
            ({"device": new.pk, "depot": None}, 422, "value_invalid", "#/depot"),
            ({"device": new.pk, "end_reason": "other"}, 422, "reason_missing", "#/end_note"),
            ({"device": new.pk, "installation": {"slot": 5}}, 422, "value_invalid", "#/installation/slot"),
        ):
            told(change(installer, old.period, "swap", **{**body, **given}), status, code, pointer)


# --- put right -------------------------------------------------------------------------------------------


def test_a_corrected_start_of_a_swap_moves_both_neighbours(office: Person, world: World) -> None:
    cabinet, new = world.cabinet(), world.device()
    old = hung(world, cabinet=cabinet)
    device = old.device
    swapped, really = world.start + 9 * DAY, world.start + 7 * DAY
    following = assignments.swap_device(
        world.office,
        assignment_id=old.period,
        device_id=new.pk,
        valid_from=swapped,
        depot_id=world.tarnmouth.pk,
    )

    with one_entry("period.corrected") as entries:
        reply = change(
            office, following.period, "correct", reason="the note says Saturday", valid_from=when(really)
        )

    assert changed(reply).body == shown(
        following.period, new, cabinet, world.location, valid_from=utc(really)
    )
    assert entries[0].reason == "the note says Saturday"
    assert ok(office.get(f"assignments/{old.period}/"))["valid_to"] == utc(really)
    assert places(device) == [
        ("depot", world.start + DAY, world.start + 2 * DAY),
        ("cabinet", world.start + 2 * DAY, really),
        ("depot", really, None),
    ]
    assert places(new) == [("depot", world.start + DAY, really), ("cabinet", really, None)]


def test_the_facts_of_an_assignment_are_corrected_and_the_rest_stays(office: Person, world: World) -> None:
    wrong, right = world.cabinet(), world.cabinet()
    assignment = hung(world, cabinet=wrong)
    facts = {
        "cabinet": right.pk,
        "slot": 2,
        "slot_reason": "a second row",
        "sensor_order": [3, 2, 1],
        "rail_below_ceiling_mm": 55,
        "offset_from_front_mm": 0,
    }

    with one_entry("period.corrected"):
        reply = change(office, assignment.period, "correct", reason="read the tag again", facts=facts)

    expected = shown(
        assignment.period,
        assignment.device,
        right,
        world.location,
        valid_from=utc(world.start + 2 * DAY),
        **{name: value for name, value in facts.items() if name != "cabinet"},
    )
    assert changed(reply).body == expected

    with one_entry("period.corrected"):
        reply = change(
            office,
            assignment.period,
            "correct",
            reason="none was measured",
            facts={"offset_from_front_mm": None},
        )

    assert changed(reply).body == {**expected, "offset_from_front_mm": None}


def test_an_end_is_corrected_or_taken_back(office: Person, world: World) -> None:
    cabinet = world.cabinet()
    assignment = hung(world, cabinet=cabinet)
    ended = assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=world.start + 9 * DAY,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    expected = shown(
        assignment.period, ended.device, cabinet, world.location, valid_from=utc(world.start + 2 * DAY)
    )

    with one_entry("period.corrected"):
        reply = change(
            office,
            assignment.period,
            "correct",
            reason="it was no fault",
            valid_to=when(world.start + 10 * DAY),
            facts={"end_reason": "other", "end_note": "the store asked"},
        )
    assert changed(reply).body == {
        **expected,
        "valid_to": utc(world.start + 10 * DAY),
        "end_reason": "other",
        "end_note": "the store asked",
    }

    # It hangs there still, once the custody that followed never was.
    with nothing_changed():
        reply = change(office, assignment.period, "correct", reason="it hangs there still", valid_to=None)
        told(reply, 409, "neighbour_swallowed", "#/valid_to")


@pytest.mark.parametrize(
    ("given", "status", "code", "pointer"),
    [
        ({}, 409, "nothing_changes", None),
        ({"reason": ""}, 422, "reason_missing", "#/reason"),
        ({"reason": None}, 422, "value_invalid", "#/reason"),
        ({"valid_from": "2026-03-03T00:00:00Z"}, 422, "time_in_future", "#/valid_from"),
        ({"valid_from": "2026-02-01T08:00:00Z"}, 409, "neighbour_swallowed", "#/valid_from"),
        ({"valid_to": "2026-02-20T08:00:00Z"}, 409, "overlapping_history", "#/valid_to"),
        ({"facts": {"slot": 7}}, 422, "value_invalid", "#/facts/slot"),
        ({"facts": {"slot": 2}}, 422, "slot_needs_reason", "#/facts/slot_reason"),
        ({"facts": {"sensor_order": [1, 1, 2]}}, 422, "value_invalid", "#/facts/sensor_order"),
        ({"facts": {"sensor_order": "1 2 3"}}, 422, "value_invalid", "#/facts/sensor_order"),
        ({"facts": {"cabinet": "{five}"}}, 422, "sensor_count_mismatch", "#/facts/cabinet"),
        ({"facts": {"cabinet": "{full}"}}, 409, "slot_taken", "#/facts/slot"),
        ({"facts": {"cabinet": str(uuid4())}}, 422, "not_found", "#/facts/cabinet"),
        ({"facts": {"end_reason": "fault"}}, 422, "value_invalid", "#/facts/end_reason"),
        ({"facts": {"device": str(uuid4())}}, 422, "value_invalid", "#/facts/device"),
    ],
)
def test_what_cannot_be_corrected_so_is_refused(
    office: Person, world: World, given: dict[str, Any], status: int, code: str, pointer: str | None
) -> None:
    assignment = hung(world)
    full, five = world.cabinet(), world.cabinet(model=world.quay)
    hung(world, cabinet=full)
    if "facts" in given and str(given["facts"].get("cabinet", "")).startswith("{"):
        given = {"facts": {"cabinet": {"{full}": full.pk, "{five}": five.pk}[given["facts"]["cabinet"]]}}

    with nothing_changed():
        reply = change(office, assignment.period, "correct", **{"reason": "read it again", **given})
        told(reply, status, code, pointer)


def test_a_withdrawn_assignment_is_gone_and_the_device_was_in_the_depot_all_along(
    office: Person, world: World
) -> None:
    assignment = hung(world)

    with one_entry("period.withdrawn") as entries:
        reply = ok(change(office, assignment.period, "withdraw", reason="it never hung there"))

    assert reply.body == {"id": str(assignment.period), "withdrawn": True}
    assert reply.headers["Register-Index"] == str(entries[0].index)
    assert entries[0].reason == "it never hung there"
    assert places(assignment.device) == [("depot", world.start + DAY, None)]
    told(office.get(f"assignments/{assignment.period}/"), 404, "not_found")
    # As known before, it is still told.
    before = office.get(f"assignments/{assignment.period}/", known_at=entries[0].index - 1)
    assert ok(before)["valid_to"] is None


def test_history_is_put_right_by_the_office_alone_and_with_a_reason(
    installer: Person, office: Person, world: World
) -> None:
    assignment = hung(world)

    with nothing_changed():
        for what, body in (("correct", {"valid_from": when(world.start + 3 * DAY)}), ("withdraw", {})):
            told(change(installer, assignment.period, what, reason="so", **body), 403, "role_forbids")
            told(
                change(office, assignment.period, what, reason=" ", **body), 422, "reason_missing", "#/reason"
            )
            told(change(office, assignment.period, what, **body), 422, "value_invalid", "#/reason")


# --- who sees an assignment ------------------------------------------------------------------------------


def test_a_device_that_followed_its_cabinet_is_in_the_hands_of_the_depot_where_it_stands(
    api: Api, world: World
) -> None:
    cabinet, new = world.cabinet(), world.device(depot=world.fellgate)
    assignment = hung(world, cabinet=cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=world.store(depot=world.fellgate).pk,
        valid_from=world.start + 6 * DAY,
        devices="follow",
    )
    there = api.as_(world.stranger)
    path = f"assignments/{assignment.period}/"

    [listed] = there.rows("assignments/")
    assert listed == ok(there.get(path)).body
    with one_entry("device.swapped"):
        made(
            change(
                there,
                assignment.period,
                "swap",
                serial=new.serial,
                valid_from=when(world.start + 9 * DAY),
                depot=world.fellgate.pk,
            ),
            "assignments",
        )


def test_an_assignment_that_ended_is_seen_by_every_depot_in_which_it_ran(api: Api, world: World) -> None:
    cabinet, store = world.cabinet(), world.store(depot=world.fellgate)
    moved, ended = world.start + 6 * DAY, world.start + 9 * DAY
    assignment = hung(world, cabinet=cabinet)
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=moved, devices="follow"
    )
    here, there = api.as_(world.installer), api.as_(world.stranger)
    path = f"assignments/{assignment.period}/"
    told(here.get(path), 404, "not_found")
    assert here.rows("assignments/", when="any") == []
    assert ok(here.get(path, as_of=utc(moved - HOUR)))["location"] == str(world.location.pk)
    told(there.get(path, as_of=utc(moved - HOUR)), 404, "not_found")

    with one_entry("device.removed"):
        reply = change(
            there,
            assignment.period,
            "end",
            valid_to=when(ended),
            end_reason="fault",
            depot=world.fellgate.pk,
        )

    expected = shown(
        assignment.period,
        assignment.device,
        cabinet,
        store,  # where it hung at last
        valid_from=utc(world.start + 2 * DAY),
        valid_to=utc(ended),
        end_reason="fault",
    )
    assert changed(reply).body == expected
    for asker in (here, there):
        assert ok(asker.get(path)).body == expected
        assert asker.rows("assignments/", when="any") == [expected]
        assert asker.rows("assignments/") == []


def test_a_device_that_comes_out_as_its_cabinet_leaves_hung_where_the_cabinet_stood(
    api: Api, installer: Person, world: World
) -> None:
    cabinet = world.cabinet()
    assignment = hung(world, cabinet=cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=world.store(depot=world.fellgate).pk,
        valid_from=world.start + 6 * DAY,
        devices="come_out",
    )
    path = f"assignments/{assignment.period}/"

    assert ok(installer.get(path))["location"] == str(world.location.pk)
    told(api.as_(world.stranger).get(path), 404, "not_found")


# --- listed ----------------------------------------------------------------------------------------------


def test_assignments_are_listed_by_what_they_refer_to(installer: Person, world: World) -> None:
    store = world.store()
    cabinet, elsewhere, big = world.cabinet(), world.cabinet(store), world.cabinet(model=world.quay)
    one, two = hung(world, cabinet=cabinet), hung(world, cabinet=elsewhere)
    five = world.assigned(world.device(world.plumb_5), big)
    gone = hung(world, cabinet=world.cabinet())
    world.assigned(world.device(depot=world.fellgate), world.cabinet(world.store(depot=world.fellgate)))
    assignments.end_assignment(
        world.office,
        assignment_id=gone.period,
        valid_to=world.start + 9 * DAY,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )

    def found(**asked: object) -> set[str]:
        rows = installer.rows("assignments/", **asked)
        for row in rows:
            assert row == ok(installer.get(f"assignments/{row['id']}/")).body
        return {row["id"] for row in rows}

    running = {str(one.period), str(two.period), str(five.period)}
    assert found() == running
    assert found(when="any") == {*running, str(gone.period)}
    assert found(when="any", ended=True) == found(when="any", end_reason="fault") == {str(gone.period)}
    assert found(when="any", ended=False) == running
    assert found(when="any", end_reason="swap") == set()
    assert found(cabinet=cabinet.pk) == found(device=one.device.pk) == {str(one.period)}
    assert found(search=one.device.serial[3:]) == found(search=cabinet.asset_tag.lower()) == {str(one.period)}
    assert found(location=store.pk) == {str(two.period)}
    assert found(device_model=world.plumb_5.pk) == {str(five.period)}
    assert found(as_of=utc(world.start + 8 * DAY)) == {*running, str(gone.period)}
    assert found(as_of=utc(world.start + DAY)) == set()


def test_the_latest_assignment_comes_first(installer: Person, world: World) -> None:
    at = [world.start + days * DAY for days in (4, 9, 2, 7)]
    made_then = {str(hung(world, at=moment).period): moment for moment in at}
    by_time = sorted(made_then, key=lambda key: made_then[key])

    def order(**asked: object) -> list[str]:
        return [row["id"] for row in installer.rows("assignments/", **asked)]

    assert order() == order(ordering="-valid_from") == by_time[::-1]
    assert order(ordering="valid_from") == by_time
    assert order(ordering="period") == sorted(made_then)
    assert order(ordering="-period") == sorted(made_then, reverse=True)


# Each query of a reading by the table that it reads first.
SIGNED_IN = ["apitoken", "staffdepot"]  # the token with its person; whose depots
REFERRED = ["cabinetwhereabouts", "cabinet", "location", "devicemodel"]  # what assignments refer to


@pytest.mark.parametrize("rows", [3, 30])
def test_reading_takes_as_many_queries_for_many_assignments_as_for_few(
    installer: Person, world: World, rows: int
) -> None:
    some = [hung(world, cabinet=world.cabinet(world.store())) for _ in range(rows)]

    def tables(path: str, **asked: object) -> list[str]:
        return tables_read(lambda: installer.get(path, **asked))

    # the head; the page; its devices; what they refer to
    page = [*SIGNED_IN, "entry", "devicewhereabouts", "device", *REFERRED]
    assert sorted(tables("assignments/")) == sorted(page)
    assert sorted(tables("assignments/", when="any", search="PB3", page_size=2)) == sorted(page)
    assert sorted(tables(f"assignments/{some[0].period}/")) == sorted(page)


@pytest.mark.parametrize("rows", [3, 30])
def test_assigning_takes_as_many_statements_in_a_large_register_as_in_a_small_one(
    installer: Person, world: World, rows: int
) -> None:
    for _ in range(rows):
        hung(world)
    device, cabinet = world.device(), world.cabinet()

    with CaptureQueriesContext(connection) as statements:
        reply = assign(installer, world, cabinet, serial=device.serial)

    made(reply, "assignments")
    # By its word and the table: INSERT's and UPDATE's stand first in the statement, as FROM's does.
    tables = [
        re.sub(r"^(\w+).*?registry_(\w+).*", r"\1 \2", query["sql"])
        for query in statements.captured_queries
        if "registry_" in query["sql"]
    ]
    assert tables == [
        "SELECT apitoken", "SELECT staffdepot",  # who asks
        "SELECT entry", "SELECT staff", "SELECT staffdepot",  # the same under the lock, with the head
        "SELECT requestanswer",  # no repeat
        "SELECT cabinet", "SELECT cabinetwhereabouts", "SELECT locationstate",  # where it goes
        "SELECT locationstate", "SELECT cabinetmodel",
        "SELECT devicemodel", "SELECT device", "SELECT devicewhereabouts",  # which device
        "SELECT devicewhereabouts", "SELECT devicewhereabouts",  # its history; who has the slot
        "UPDATE devicewhereabouts", "INSERT devicewhereabouts", "INSERT devicewhereabouts",
        "INSERT entry", "INSERT subject",
        "SELECT entry", "SELECT devicewhereabouts", "SELECT device",  # the answer
        "SELECT cabinetwhereabouts", "SELECT cabinet", "SELECT location", "SELECT devicemodel",
        "DELETE requestanswer", "INSERT requestanswer",
    ]  # fmt: skip
