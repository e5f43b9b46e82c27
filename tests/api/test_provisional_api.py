"""Devices that nobody booked in, over HTTP: recorded, confirmed, merged, rejected."""

from typing import Any
from uuid import uuid4

import pytest

from registry.models import Device, DeviceWhereabouts
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, changed, made, ok, one_entry, told
from tests.api.operations import found_in_the_field, utc, when
from tests.factories.world import DAY, World, person

PHOTO = "5f" * 32  # as SHA-256 is written: 64 hexadecimal digits


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def judge(asker: Person, device: Device, what: str, **body: Any) -> Reply:
    path = f"devices/{device.pk}/"
    return asker.post(f"{path}{what}/", body, tag=asker.seen(path))


def record(asker: Person, world: World, **given: Any) -> Reply:
    body = {
        "model": world.plumb_3.pk,
        "serial": world.serial(),
        "evidence": "in a box without papers",
        "valid_from": when(world.start + 5 * DAY),
        **given,
    }
    return asker.post("devices/provisional/", body)


def test_a_device_found_in_a_cabinet_is_recorded_where_it_hangs(installer: Person, world: World) -> None:
    cabinet, serial = world.cabinet(), world.serial()

    with one_entry("provisional.recorded") as entries:
        reply = record(
            installer,
            world,
            serial=f"{serial[:3]} {serial[3:]}",
            firmware="1.9",
            photo_sha256=PHOTO,
            cabinet=cabinet.pk,
            installation={"sensor_order": [2, 1, 3], "rail_below_ceiling_mm": 30},
        )

    made(reply, "devices")
    [place] = DeviceWhereabouts.objects.current().filter(device=reply["id"])
    assert reply.body == {
        "id": reply["id"],
        "serial": serial,
        "serial_typed": f"{serial[:3]} {serial[3:]}",
        "model": str(world.plumb_3.pk),
        "model_name": "Plumb-3",
        "sensor_count": 3,
        "standing": "provisional",
        "evidence": "in a box without papers",
        "firmware": "1.9",
        "imei": "",
        "iccid": "",
        "place": "cabinet",
        "place_name": f"cabinet {cabinet.asset_tag} at {world.location.label}",
        "depot": str(world.tarnmouth.pk),
        "staff": None,
        "cabinet": str(cabinet.pk),
        "assignment": str(place.period),
        "there_since": utc(world.start + 5 * DAY),
        "since_known_by": False,
        "reference": "",
    }
    hangs = ok(installer.get(f"assignments/{place.period}/"))
    assert (hangs["sensor_order"], hangs["rail_below_ceiling_mm"]) == ([2, 1, 3], 30)
    assert entries[0].reason == "in a box without papers"
    assert Device.objects.get(pk=reply["id"]).photo_sha256 == PHOTO


def test_a_device_found_elsewhere_is_recorded_in_depot_or_van(installer: Person, world: World) -> None:
    with one_entry("provisional.recorded"):
        reply = record(installer, world, depot=world.tarnmouth.pk)
    assert made(reply, "devices")["place_name"] == "depot TM Tarnmouth"

    with one_entry("provisional.recorded"):
        reply = record(
            installer,
            world,
            evidence="",
            photo_sha256=PHOTO,
            depot=world.tarnmouth.pk,
            staff=world.installer.staff_id,
        )
    assert made(reply, "devices")["place_name"] == "van of Installer"


@pytest.mark.parametrize(
    ("given", "status", "code", "pointer"),
    [
        ({"evidence": ""}, 422, "evidence_missing", "#/evidence"),
        ({"photo_sha256": "5F" * 32}, 422, "value_invalid", "#/photo_sha256"),
        ({"photo_sha256": "5f"}, 422, "value_invalid", "#/photo_sha256"),
        ({"serial": "PB39999990"}, 422, "serial_invalid", "#/serial"),
        ({"serial": "{known}"}, 409, "code_taken", "#/serial"),
        ({"model": str(uuid4())}, 422, "not_found", "#/model"),
        ({"depot": None}, 422, "value_invalid", "#/depot"),
        ({"depot": str(uuid4())}, 422, "not_found", "#/depot"),
        ({"staff": str(uuid4())}, 422, "not_found", "#/staff"),
        ({"cabinet": "{free}"}, 422, "value_invalid", "#/cabinet"),
        ({"valid_from": "2026-03-03T00:00:00Z"}, 422, "time_in_future", "#/valid_from"),
        ({"valid_from": "yesterday"}, 422, "time_invalid", "#/valid_from"),
        ({"place": "depot"}, 422, "value_invalid", "#/place"),
    ],
)
def test_what_cannot_be_recorded_so_is_refused(
    installer: Person, world: World, given: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    known = {"{known}": world.device().serial, "{free}": str(world.cabinet().pk)}
    body = {name: known.get(str(value), value) for name, value in given.items()}

    with nothing_changed():
        told(record(installer, world, **{"depot": world.tarnmouth.pk, **body}), status, code, pointer)
        told(record(installer, world), 422, "value_invalid", "#/depot")


def test_what_cannot_hang_there_is_refused(installer: Person, world: World) -> None:
    full, five, at_depot = world.cabinet(), world.cabinet(model=world.quay), world.cabinet(world.tarnmouth)
    there = world.device()
    world.assigned(there, full)

    with nothing_changed():
        reply = told(record(installer, world, cabinet=full.pk), 409, "slot_taken", "#/installation/slot")
        assert reply["details"] == {"device": there.serial}
        told(record(installer, world, cabinet=five.pk), 422, "sensor_count_mismatch")
        told(record(installer, world, cabinet=at_depot.pk), 409, "cabinet_not_available", "#/cabinet")


def test_the_office_confirms_and_the_device_is_as_any_other(
    installer: Person, office: Person, world: World
) -> None:
    device = found_in_the_field(world, world.installer)

    with one_entry("provisional.confirmed") as entries:
        reply = changed(judge(office, device, "confirm", reason="the invoice turned up"))

    assert (reply["id"], reply["standing"]) == (str(device.pk), "confirmed")
    assert entries[0].reason == "the invoice turned up"
    with nothing_changed():
        for what, body in (("confirm", {}), ("reject", {"reason": "so"}), ("merge", {"into": uuid4()})):
            told(judge(office, device, what, **body), 409, "not_provisional")


def test_a_merged_record_gives_its_history_to_the_device_that_it_was(office: Person, world: World) -> None:
    known, cabinet = world.device(), world.cabinet()
    stray = found_in_the_field(world, world.installer, cabinet_id=cabinet.pk)

    with one_entry("provisional.merged") as entries:
        reply = changed(judge(office, stray, "merge", into=known.pk, reason="the label was torn"))

    assert (reply["id"], reply["serial"], reply["standing"]) == (str(known.pk), known.serial, "confirmed")
    assert (reply["cabinet"], reply["there_since"]) == (str(cabinet.pk), utc(world.start + 3 * DAY))
    assert reply.text == ok(office.get(f"devices/{known.pk}/")).text
    assert "Location" not in reply.headers
    assert entries[0].reason == "the label was torn"
    told(office.get(f"devices/{stray.pk}/"), 404, "not_found")
    told(office.get(f"devices/{stray.pk}/trace/"), 404, "not_found")
    verbs = [event["verb"] for event in ok(office.get(f"devices/{known.pk}/trace/"))["results"]]
    assert verbs == ["devices.received", "provisional.recorded", "provisional.merged"]


def test_what_cannot_be_merged_is_refused(office: Person, world: World) -> None:
    stray, five, hung = found_in_the_field(world), world.device(world.plumb_5), world.device()
    world.assigned(hung, world.cabinet())

    with nothing_changed():
        for into, status, code in (
            (stray.pk, 422, "value_invalid"),
            (five.pk, 422, "value_invalid"),
            (hung.pk, 409, "device_elsewhere"),
            (uuid4(), 422, "not_found"),
            (None, 422, "value_invalid"),
        ):
            told(judge(office, stray, "merge", into=into), status, code, "#/into")
        told(judge(office, stray, "merge"), 422, "value_invalid", "#/into")


def test_a_rejected_record_is_nowhere_any_more(office: Person, world: World) -> None:
    device = found_in_the_field(world)
    path = f"devices/{device.pk}/"
    with nothing_changed():
        told(judge(office, device, "reject", reason=""), 422, "reason_missing", "#/reason")
        told(judge(office, device, "reject"), 422, "value_invalid", "#/reason")

    with one_entry("provisional.rejected") as entries:
        reply = ok(judge(office, device, "reject", reason="a competitor's"))

    assert reply.body == {"id": str(device.pk), "standing": "rejected"}
    assert reply.headers["Register-Index"] == str(entries[0].index)
    assert entries[0].reason == "a competitor's"
    assert office.rows("devices/") == []
    told(office.get(path), 404, "not_found")
    assert ok(office.get(path, known_at=entries[0].index - 1))["standing"] == "provisional"


def test_the_field_records_and_the_office_judges(api: Api, installer: Person, world: World) -> None:
    device = found_in_the_field(world, world.installer)
    auditor = api.as_(world.auditor)

    with nothing_changed():
        told(record(auditor, world, depot=world.tarnmouth.pk), 403, "role_forbids")
        for asker in (installer, auditor):
            for what in ("confirm", "reject", "merge"):
                told(judge(asker, device, what, reason="so", into=uuid4()), 403, "role_forbids")

    ok(judge(api.as_(person(world, "office", world.tarnmouth)), device, "confirm"))
