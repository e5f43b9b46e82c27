"""Devices and gateways post readings; people read them, and what came from nowhere."""

import json
from datetime import datetime, timedelta
from typing import Any

import pytest

from registry.actions import assignments, tokens
from registry.models import Entry, Reading, ReadingSeal
from registry.rules.readings import BATCH_MAX
from tests.api.client import Api, Person, Reply, ok, told
from tests.factories.world import DAY, HOUR, World

MINUTE = timedelta(minutes=1)


@pytest.fixture
def gateway(world: World) -> Person:
    _token, secret = tokens.issue_device_token(world.administrator, name="Gateway Tarnmouth")
    return Person(secret)


def row(world: World, serial: str, at: datetime | None = None, **more: Any) -> dict[str, Any]:
    measured_at = (at or world.clock.at - MINUTE).isoformat()
    return {"serial": serial, "measured_at": measured_at, "distances_mm": [412, None, 655], **more}


def post(asker: Person, *rows: Any) -> Reply:
    return asker.post("readings/", {"readings": list(rows)}, key=None)


def raw(asker: Person, body: bytes) -> Any:
    return asker.client.post(
        "/api/v1/readings/",
        body,
        content_type="application/json",
        headers={"Authorization": f"Bearer {asker.secret}"},
    )


# --- intake --------------------------------------------------------------------------------------------


def test_a_batch_is_answered_row_by_row(world: World, gateway: Person) -> None:
    good = row(world, "pb3-000018", temperatures_c=[-18.5], supply_mv=3600, signal_dbm=-97, firmware="2.8")
    post(gateway, good)

    reply = ok(post(gateway, good, row(world, "PB3000026"), row(world, "", distances_mm=[1]), "nonsense"))

    assert (reply["accepted"], reply["duplicates"], reply["refused"]) == (1, 1, 2)
    assert [(one["row"], one["outcome"], one["code"]) for one in reply["rows"]] == [
        (0, "duplicate", None),
        (1, "accepted", None),
        (2, "refused", "text_invalid"),
        (3, "refused", "value_invalid"),
    ]
    assert reply["rows"][2]["detail"].endswith(".")
    assert reply["rows"][1]["detail"] is None
    assert Reading.objects.count() == 2


def test_an_empty_batch_is_taken_and_one_beyond_the_limit_is_refused_whole(
    world: World, gateway: Person
) -> None:
    assert ok(post(gateway))["rows"] == []
    rows = [row(world, f"PB{number}") for number in range(BATCH_MAX + 1)]
    told(post(gateway, *rows), 422, "too_many", "#/readings")
    assert not Reading.objects.exists()


@pytest.mark.parametrize(
    "body", [[], 7, None, {}, {"readings": {}}, {"readings": [], "more": 1}, {"rows": []}]
)
def test_a_body_that_is_no_batch_is_refused(gateway: Person, body: Any) -> None:
    assert raw(gateway, json.dumps(body).encode()).status_code == 422


@pytest.mark.parametrize("body", [b"{", b"\xff", b'{"readings": [' + b"[" * 100_000, b'{"readings": [1,]}'])
def test_a_body_that_is_no_json_is_told_so(gateway: Person, body: bytes) -> None:
    reply = raw(gateway, body)
    assert (reply.status_code, reply.json()["code"]) == (400, "malformed")


@pytest.mark.parametrize(
    "value", ['"\\ud800"', "NaN", "1e999", "9" * 5_000, "-Infinity", "[" * 900 + "]" * 900]
)
def test_a_value_that_other_readers_stumble_over_loses_its_own_row_alone(
    world: World, gateway: Person, value: str
) -> None:
    good = json.dumps(row(world, "PB3000018"))
    bad = json.dumps(row(world, "PB3000026", supply_mv="?")).replace('"?"', value)

    reply = raw(gateway, f'{{"readings": [{bad}, {good}]}}'.encode())

    assert (reply.status_code, reply.json()["accepted"], reply.json()["refused"]) == (200, 1, 1)


def test_an_intake_after_the_hour_seals_it(world: World, gateway: Person) -> None:
    post(gateway, row(world, "PB3000018"))
    world.clock.at += HOUR
    ok(post(gateway, row(world, "PB3000018")))

    assert ReadingSeal.objects.get().row_count == 1
    assert Entry.objects.latest("index").face == "api"


# --- who may -------------------------------------------------------------------------------------------


def test_a_token_that_may_report_opens_nothing_else_and_a_persons_cannot_report(
    world: World, api: Api, gateway: Person
) -> None:
    for path in ("readings/?serial=PB3", "quarantine/", "devices/", "me/", "device-tokens/", "tokens/"):
        told(gateway.get(path), 401, "not_signed_in")
    told(gateway.post("devices/", {}), 401, "not_signed_in")
    told(post(api.as_(world.administrator), row(world, "PB3000018")), 401, "not_signed_in")
    told(post(Person("rime_nothing"), row(world, "PB3000018")), 401, "not_signed_in")
    assert not Reading.objects.exists()


def test_a_session_of_the_console_cannot_report(world: World, api: Api) -> None:
    person = api.as_(world.administrator)
    from registry.models import Staff

    person.client.force_login(Staff.objects.get(pk=world.administrator.staff_id))
    reply = person.client.post("/api/v1/readings/", b'{"readings": []}', content_type="application/json")
    assert reply.status_code == 401


def test_an_expired_or_revoked_token_reports_no_more(world: World, gateway: Person) -> None:
    token, secret = tokens.issue_device_token(
        world.administrator, name="short", expires_at=world.clock.at + HOUR
    )
    ok(post(Person(secret)))
    world.clock.at += HOUR
    told(post(Person(secret)), 401, "not_signed_in")
    ok(post(gateway))
    tokens.revoke_device_token(world.administrator, device_token_id=_key(gateway))
    told(post(gateway), 401, "not_signed_in")


def _key(gateway: Person) -> Any:
    from registry.models import DeviceToken
    from registry.rules.tokens import digest_of_secret

    return DeviceToken.objects.get(digest=digest_of_secret(gateway.secret)).pk


def test_a_devices_own_token_learns_nothing_of_other_devices(world: World, gateway: Person) -> None:
    own, other = world.device(), world.device()
    post(gateway, row(world, other.serial))
    _token, secret = tokens.issue_device_token(world.administrator, name="own", device_id=own.pk)

    reply = ok(
        post(Person(secret), row(world, own.serial), row(world, other.serial), row(world, "PB3999999"))
    )

    assert [one["code"] for one in reply["rows"]] == [None, "other_device", "other_device"]
    assert reply["rows"][1]["detail"] == reply["rows"][2]["detail"]


def test_a_gateway_is_told_the_same_of_known_and_unknown_serials(world: World, gateway: Person) -> None:
    reply = ok(post(gateway, row(world, world.device().serial), row(world, "NOBODYS1")))
    assert [one["outcome"] for one in reply["rows"]] == ["accepted", "accepted"]


# --- tokens --------------------------------------------------------------------------------------------


def test_a_device_token_is_issued_shown_once_listed_and_revoked(world: World, api: Api) -> None:
    administrator = api.as_(world.administrator)
    device = world.device()
    body = {"name": "rail 7", "device": str(device.pk)}

    issued = ok(administrator.post("device-tokens/", body, key='"a wish"'), 201)
    again = ok(administrator.post("device-tokens/", body, key='"a wish"'), 201)

    assert (issued["serial"], issued["revoked"], again["secret"]) == (device.serial, False, None)
    assert issued["secret"] not in json.dumps(administrator.get("device-tokens/").body)
    path = f"device-tokens/{issued['id']}/"
    revoked = ok(administrator.post(f"{path}revoke/", {"reason": "stolen"}, tag=administrator.get(path).tag))
    assert revoked["revoked"] is True
    told(post(Person(issued["secret"])), 401, "not_signed_in")
    assert ok(administrator.get("device-tokens/", revoked="false"))["results"] == []


def test_a_device_token_is_made_under_the_callers_key_once(world: World, api: Api) -> None:
    administrator = api.as_(world.administrator)
    body = {"id": "0190b3a2-0000-7000-8000-000000000007", "name": "Gateway"}
    assert ok(administrator.post("device-tokens/", body), 201)["id"] == body["id"]
    told(administrator.post("device-tokens/", body), 409, "code_taken", "#/id")


# --- reading -------------------------------------------------------------------------------------------


def test_readings_belong_to_the_cabinet_of_the_measured_time(world: World, api: Api, gateway: Person) -> None:
    device, first, second = world.device(), world.cabinet(), world.cabinet()
    hung = world.assigned(device, first, world.clock.at - 3 * HOUR)
    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        end_reason="moved",
        valid_to=world.clock.at - 2 * HOUR,
        depot_id=world.tarnmouth.pk,
    )
    world.assigned(device, second, world.clock.at - HOUR)
    ends = world.clock.at - 2 * HOUR
    times = [ends - HOUR, ends - MINUTE, ends, ends + HOUR - MINUTE, ends + HOUR]
    post(gateway, *(row(world, device.serial, at) for at in times))
    office = api.as_(world.office)

    def minutes(**query: object) -> list[int]:
        found = ok(office.get("readings/", ordering="measured_at", **query))["results"]
        return [(datetime.fromisoformat(one["measured_at"]) - ends) // MINUTE for one in found]

    assert minutes(cabinet=first.pk) == [-60, -1]
    assert minutes(cabinet=second.pk) == [60]
    assert minutes(device=device.pk) == minutes(serial=device.serial) == [-60, -1, 0, 59, 60]
    bounds = {"measured_from": (ends - MINUTE).isoformat(), "measured_to": (ends + HOUR).isoformat()}
    assert minutes(device=device.pk, **bounds) == [-1, 0, 59]
    shown = ok(office.get("readings/", device=device.pk, ordering="measured_at"))["results"]
    assert [one["cabinet"] for one in shown] == [str(first.pk)] * 2 + [None] * 2 + [str(second.pk)]
    assert shown[0]["assignment"] == str(hung.period)


def test_readings_are_asked_for_by_one_thing_that_may_be_seen(
    world: World, api: Api, gateway: Person
) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    post(gateway, row(world, device.serial), row(world, "GHOST7"))
    own, stranger = api.as_(world.installer), api.as_(world.stranger)

    for query in ({}, {"serial": "A", "device": device.pk}):
        told(own.get("readings/", **query), 422, "value_invalid")
    assert len(ok(own.get("readings/", serial=device.serial))["results"]) == 1
    assert ok(stranger.get("readings/", serial=device.serial))["results"] == []
    assert len(ok(stranger.get("readings/", serial="ghost-7"))["results"]) == 1
    told(stranger.get("readings/", device=device.pk), 404, "not_found")
    told(stranger.get("readings/", cabinet=cabinet.pk), 404, "not_found")


# --- quarantine ----------------------------------------------------------------------------------------


def test_what_reported_from_nowhere_is_told_with_likely_places(
    world: World, api: Api, gateway: Person
) -> None:
    near, waiting = world.device(), world.device()
    cabinet = world.cabinet()
    world.assigned(near, cabinet)
    slipped = near.serial[:-1] + ("0" if near.serial[-1] != "0" else "1")
    post(
        gateway,
        row(world, near.serial),
        row(world, waiting.serial, world.clock.at - 9 * MINUTE),
        row(world, waiting.serial, world.clock.at - 5 * MINUTE),
        row(world, slipped, world.clock.at - HOUR),
        row(world, "ODD7", world.clock.at - 2 * HOUR),
    )

    found = ok(api.as_(world.office).get("quarantine/"))

    assert found["total"] == 3
    first, slip, odd = found["results"]
    assert (first["serial"], first["why"], first["reports"]) == (waiting.serial, "not_assigned", 2)
    assert first["device"] == str(waiting.pk)
    assert first["place"] == "depot TM Tarnmouth"
    assert first["first_measured_at"] < first["last_measured_at"]
    assert (slip["why"], slip["device"]) == ("unknown_serial", None)
    assert [(likely["cabinet"], likely["serial"]) for likely in slip["likely"]] == [
        (str(cabinet.pk), near.serial)
    ]
    assert (odd["serial"], odd["likely"]) == ("ODD7", [])
    since = (world.clock.at - 30 * MINUTE).isoformat()
    assert [
        one["serial"] for one in ok(api.as_(world.office).get("quarantine/", since=since))["results"]
    ] == [waiting.serial]


def test_quarantine_hides_other_depots_devices_and_empties_when_the_history_is_put_right(
    world: World, api: Api, gateway: Person
) -> None:
    device, cabinet = world.device(), world.cabinet()
    post(gateway, row(world, device.serial))

    assert ok(api.as_(world.stranger).get("quarantine/"))["results"] == []
    assert len(ok(api.as_(world.installer).get("quarantine/"))["results"]) == 1
    world.assigned(device, cabinet, world.clock.at - HOUR)
    assert ok(api.as_(world.installer).get("quarantine/"))["results"] == []
    assert Reading.objects.count() == 1


def test_a_device_that_was_taken_out_and_reports_on_is_told_where_it_hung_last(
    world: World, api: Api, gateway: Person
) -> None:
    device, cabinet = world.device(), world.cabinet()
    hung = world.assigned(device, cabinet)
    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        end_reason="fault",
        valid_to=world.clock.at - DAY,
        depot_id=world.tarnmouth.pk,
    )
    post(gateway, row(world, device.serial), row(world, device.serial, world.clock.at - 2 * DAY))

    [stray] = ok(api.as_(world.office).get("quarantine/"))["results"]
    assert stray["reports"] == 1
    assert [likely["cabinet"] for likely in stray["likely"]] == [str(cabinet.pk)]
    assert stray["likely"][0]["words"].startswith(f"hung last in cabinet {cabinet.label} at ")
