"""What a phone sends that was without signal: named keys, predecessors, and times by a clock of its own."""

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID, uuid1, uuid4

import pytest

from registry.ledger.audit import audit
from registry.models import Cabinet, Device, DeviceWhereabouts, Entry
from registry.models.base import new_key
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, changed, made, ok, one_entry, told
from tests.factories.world import DAY, HOUR, World

MINUTE = timedelta(minutes=1)


@pytest.fixture
def phone(api: Api, world: World) -> Person:
    return api.as_(world.installer)


def send(person: Person, path: str, body: dict[str, Any], **headers: str) -> Reply:
    """Send a change as the queue of a phone does."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return person.send("POST", path, body=body, headers={"Idempotency-Key": f'"{uuid4()}"', **named})


def assigning(world: World, **more: object) -> dict[str, Any]:
    return {
        "serial": world.device().serial,
        "cabinet": str(world.cabinet().pk),
        "valid_from": (world.clock.at - HOUR).isoformat(),
        **more,
    }


# --- keys that the phone makes --------------------------------------------------------------------------


@pytest.mark.parametrize("key", [new_key(), uuid4()])
def test_a_phone_names_the_assignment_that_it_makes(phone: Person, world: World, key: UUID) -> None:
    assert made(phone.post("assignments/", assigning(world, id=str(key))), "assignments")["id"] == str(key)
    assert DeviceWhereabouts.objects.current().get(period=key).cabinet_id is not None


def test_a_phone_names_the_cabinet_the_swap_and_the_device_that_it_makes(phone: Person, world: World) -> None:
    cabinet, assigned, swapped, found = (new_key() for _ in range(4))
    at = {"valid_from": (world.clock.at - DAY).isoformat()}
    model = {"model": str(world.cove.pk), "asset_tag": "SK-0900", "location": str(world.location.pk)}
    ok(phone.post("cabinets/", {"id": str(cabinet), **model, **at}), 201)
    assert Cabinet.objects.get(pk=cabinet).asset_tag == "SK-0900"
    one = {"id": str(assigned), "serial": world.device().serial, "cabinet": str(cabinet), **at}
    hangs = ok(phone.post("assignments/", one), 201)
    other = {"id": str(swapped), "serial": world.device().serial, "depot": str(world.tarnmouth.pk)}
    later = {"valid_from": (world.clock.at - HOUR).isoformat()}
    made_swap = changed(phone.post(f"assignments/{assigned}/swap/", {**other, **later}, tag=hangs.tag))
    assert made_swap["id"] == str(swapped)
    device = {"model": str(world.plumb_3.pk), "serial": world.serial(), "evidence": "It hung there."}
    place = {"cabinet": str(world.cabinet().pk), "id": str(found), "assignment": str(uuid4())}
    recorded = ok(phone.post("devices/provisional/", {**device, **place, **later}), 201)
    assert Device.objects.get(pk=found).serial == recorded["serial"]
    assert DeviceWhereabouts.objects.current().get(period=place["assignment"]).device_id == found


def test_a_key_that_was_used_or_that_is_not_random_is_refused(phone: Person, world: World) -> None:
    key = str(new_key())
    ok(phone.post("assignments/", assigning(world, id=key)), 201)
    again = assigning(world, id=key)
    cabinet = {
        "id": str(world.cabinet().pk),
        "model": str(world.cove.pk),
        "asset_tag": "SK-0901",
        "location": str(world.location.pk),
        "valid_from": (world.clock.at - HOUR).isoformat(),
    }
    with nothing_changed():
        told(phone.post("assignments/", again), 409, "code_taken", "#/id")
        told(phone.post("cabinets/", cabinet), 409, "code_taken", "#/id")
        told(phone.post("assignments/", {**again, "id": str(uuid1())}), 422, "value_invalid", "#/id")
    ok(phone.post("assignments/", {**again, "id": str(new_key())}), 201)


# --- predecessors -----------------------------------------------------------------------------------------


def test_a_change_names_the_one_before_it_in_the_stead_of_an_entity_tag(phone: Person, world: World) -> None:
    body = assigning(world, id=str(new_key()))
    first = send(phone, "assignments/", body, Idempotency_Key='"first"')
    end = ending(world)
    path = f"assignments/{body['id']}/end/"
    with nothing_changed():
        told(send(phone, path, end), 428, "condition_missing")
        told(send(phone, path, end, Predecessor_Key='"never sent"'), 409, "predecessor_missing")
        told(send(phone, path, end, Predecessor_Key="first"), 400, "key_invalid")
    with one_entry("device.removed"):
        ok(send(phone, path, end, Predecessor_Key='"first"'))
    assert first["id"] == body["id"]


def ending(world: World) -> dict[str, Any]:
    return {
        "valid_to": world.clock.at.isoformat(),
        "end_reason": "fault",
        "depot": str(world.tarnmouth.pk),
    }


def test_what_somebody_changed_after_the_change_before_is_not_changed(
    phone: Person, api: Api, world: World
) -> None:
    body = assigning(world, id=str(new_key()))
    ok(send(phone, "assignments/", body, Idempotency_Key='"first"'), 201)
    path = f"assignments/{body['id']}/"
    office = api.as_(world.office)
    facts = {"reason": "Measured again", "facts": {"rail_below_ceiling_mm": 120}}
    ok(office.post(f"{path}correct/", facts, tag=office.seen(path)))
    with nothing_changed():
        refused = send(phone, f"{path}end/", ending(world), Predecessor_Key='"first"')
        told(refused, 412, "changed_meanwhile")
        assert refused["errors"][0]["parameter"] == "Predecessor-Key"
    # Who looked at it again may go on.
    ok(send(phone, f"{path}end/", ending(world), Predecessor_Key='"first"', If_Match=phone.seen(path)))


def test_a_predecessor_is_ones_own_and_of_the_same_thing(phone: Person, api: Api, world: World) -> None:
    one, other = (assigning(world, id=str(new_key())) for _ in range(2))
    ok(send(phone, "assignments/", one, Idempotency_Key='"of the phone"'), 201)
    ok(send(api.as_(world.office), "assignments/", other, Idempotency_Key='"of the office"'), 201)
    with nothing_changed():
        for path, key in (
            (f"assignments/{one['id']}/end/", '"of the office"'),
            (f"assignments/{other['id']}/end/", '"of the phone"'),
        ):
            told(send(phone, path, ending(world), Predecessor_Key=key), 409, "predecessor_missing")


def test_what_is_made_waits_for_the_change_before_it(phone: Person, world: World) -> None:
    body = assigning(world)
    before = {"Predecessor_Key": '"the cabinet"'}
    with nothing_changed():
        told(send(phone, "assignments/", body, **before), 409, "predecessor_missing")
    store = str(world.location.pk)
    at = (world.clock.at - DAY).isoformat()
    cabinet = {"model": str(world.cove.pk), "asset_tag": "SK-0902", "location": store, "valid_from": at}
    ok(send(phone, "cabinets/", cabinet, Idempotency_Key='"the cabinet"'), 201)
    ok(send(phone, "assignments/", body, **before), 201)


# --- the phone's clock --------------------------------------------------------------------------------------


@pytest.mark.parametrize("ahead", [20 * MINUTE, -3 * HOUR])
def test_stated_times_are_put_right_and_both_are_kept(
    phone: Person, api: Api, world: World, ahead: timedelta
) -> None:
    did = world.clock.at - 5 * MINUTE
    body = assigning(world, valid_from=(did + ahead).isoformat())
    reply = ok(send(phone, "assignments/", body, Client_Clock=(world.clock.at + ahead).isoformat()), 201)
    assert datetime.fromisoformat(reply["valid_from"]) == did
    entry = Entry.objects.latest("index")
    assert entry.occurred_at == did
    seen = ok(api.as_(world.auditor).get(f"entries/{entry.index}/"))
    assert seen["clock_offset_s"] == -ahead.total_seconds()
    assert datetime.fromisoformat(seen["stated_at"]) == did + ahead
    assert audit().findings == []


def test_without_the_phones_clock_a_fast_phone_is_refused(phone: Person, world: World) -> None:
    body = assigning(world, valid_from=(world.clock.at + 15 * MINUTE).isoformat())
    with nothing_changed():
        told(send(phone, "assignments/", body), 422, "time_in_future", "#/valid_from")
    ok(send(phone, "assignments/", body, Client_Clock=(world.clock.at + 20 * MINUTE).isoformat()), 201)


def test_a_slow_line_is_no_wrong_clock(phone: Person, api: Api, world: World) -> None:
    body = assigning(world)
    late = (world.clock.at - timedelta(seconds=9)).isoformat()
    ok(send(phone, "assignments/", body, Client_Clock=late), 201)
    entry = Entry.objects.latest("index")
    assert "clock_offset_s" not in entry.body
    seen = ok(api.as_(world.auditor).get(f"entries/{entry.index}/"))
    assert (seen["clock_offset_s"], seen["stated_at"]) == (0, seen["occurred_at"])


def test_a_repeat_by_another_clock_is_the_same_request(phone: Person, world: World) -> None:
    body = assigning(world)
    sent = {"Idempotency_Key": '"once"', "Client_Clock": (world.clock.at + 20 * MINUTE).isoformat()}
    first = ok(send(phone, "assignments/", body, **sent), 201)
    with nothing_changed():
        sent["Client_Clock"] = (world.clock.at + HOUR).isoformat()
        assert send(phone, "assignments/", body, **sent).text == first.text


@pytest.mark.parametrize(
    ("said", "status", "code"),
    [
        ("soon", 422, "time_invalid"),
        ("2026-03-02T08:00:00", 422, "time_invalid"),
        ("1800-01-01T00:00:00Z", 422, "value_invalid"),
    ],
)
def test_a_clock_that_cannot_be_read_is_refused(
    phone: Person, world: World, said: str, status: int, code: str
) -> None:
    body = assigning(world)
    with nothing_changed():
        refused = told(send(phone, "assignments/", body, Client_Clock=said), status, code)
        assert refused["errors"][0]["parameter"] == "Client-Clock"


def test_a_time_that_would_leave_the_calendar_is_refused(phone: Person, world: World) -> None:
    body = assigning(world, valid_from="0001-01-01T00:00:00Z")
    with nothing_changed():
        fast = (world.clock.at + DAY).isoformat()
        told(send(phone, "assignments/", body, Client_Clock=fast), 422, "time_invalid", "#/valid_from")


# --- the face ---------------------------------------------------------------------------------------------


def test_the_field_page_is_told_as_the_face(phone: Person, world: World) -> None:
    ok(send(phone, "assignments/", assigning(world)), 201)
    assert Entry.objects.latest("index").face == "api"
    ok(send(phone, "assignments/", assigning(world), Rimebook_Face="field"), 201)
    assert Entry.objects.latest("index").face == "field"
    body = assigning(world)
    with nothing_changed():
        refused = told(send(phone, "assignments/", body, Rimebook_Face="console"), 422, "value_invalid")
        assert refused["errors"][0]["parameter"] == "Rimebook-Face"
