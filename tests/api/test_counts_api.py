"""Counts over the API: drawn, counted blind, closed, told, and decided on by somebody who did not count."""

import json
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import counts
from registry.models import Count, CountItem, Device, DeviceWhereabouts, Entry
from registry.queries.counts import lines_of
from registry.queries.moments import head_index
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, ok, told
from tests.api.count_operations import OPERATIONS, drawn, missing, nothing_there
from tests.factories.world import World, person


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


@pytest.mark.parametrize("name", OPERATIONS)
def test_a_change_is_one_entry_once_and_read_as_it_was_answered(api: Api, world: World, name: str) -> None:
    administrator = api.as_(world.administrator)
    operation = OPERATIONS[name](world)
    conditional = operation.thing and name != "find"
    if conditional:
        with nothing_changed():
            told(operation.send(administrator, None), 428, "condition_missing")
            told(operation.send(administrator, '"0"'), 412, "changed_meanwhile")
    tag = administrator.seen(operation.thing) if conditional else None
    before = Entry.objects.count()

    replies = [operation.send(administrator, tag, key='"one wish"') for _ in range(2)]

    assert Entry.objects.count() == before + 1
    assert Entry.objects.latest("index").verb == operation.verb
    assert replies[0].text == replies[1].text
    if name != "find":
        address = operation.thing or f"counts/{replies[0]['id']}/"
        assert ok(administrator.get(address)).text == replies[0].text
        assert replies[0].tag == administrator.seen(address)


def test_a_count_tells_how_it_was_drawn(world: World, auditor: Person) -> None:
    for _ in range(40):
        world.device()
    made = auditor.post("counts/", {"name": "Spring", "tolerated": "10", "strata": "none"})
    assert made.status == 201
    count = Count.objects.get()
    assert made.body == {
        "id": str(count.pk),
        "name": "Spring",
        "depot": None,
        "places": ["cabinet", "depot", "van"],
        "strata": "none",
        "plan": "zero_acceptance",
        "plan_words": "If 4 or more of the 40 devices (10 %, rounded down) were wrong, the chance to find"
        " none in 21 would be at most 5 %.",
        "confidence": "95",
        "tolerated": "10",
        "rounding": "down",
        "seed": count.seed,
        "lot_size": 40,
        "lot_sha256": count.lot_sha256,
        "sample_size": 21,
        "acceptance_number": 0,
        "frozen_at": made["frozen_at"],
        "frozen_index": count.registered_id - 1,
        "state": "open",
        "variance": None,
        "lines_done": 0,
    }


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"name": " "}, "#/name"),
        ({"tolerated": "0"}, "#/tolerated"),
        ({"confidence": 100}, "#/confidence"),
        ({"plan": "aql", "tolerated": 2.5}, "#/plan"),
        ({"places": []}, "#/places"),
        ({"rounding": "nearest"}, "#/rounding"),
        ({"depot": str(uuid4())}, "#/depot"),
    ],
)
def test_a_draw_that_cannot_be_points_to_what_is_wrong(
    world: World, auditor: Person, changes: dict[str, Any], pointer: str
) -> None:
    world.device()
    with nothing_changed():
        reply = auditor.post("counts/", {"name": "Spring", **changes})
    assert reply.status == 422
    assert [error["pointer"] for error in reply["errors"]] == [pointer]


def test_while_people_count_no_answer_tells_what_is_expected(
    world: World, auditor: Person, office: Person
) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    count, other = drawn(world), world.device()
    expected = [line.device.serial for line in lines_of(count)]  # type: ignore[union-attr]
    found = auditor.post(f"counts/{count.pk}/findings/", {"cabinet": str(cabinet.pk), "serial": other.serial})
    right = auditor.post(
        f"counts/{count.pk}/findings/", {"depot": str(world.tarnmouth.pk), "serial": expected[1]}
    )
    assert (found.status, right.status) == (201, 201)
    # What is right and what is wrong is answered alike, but for what was typed and where.
    assert (
        found.body.keys()
        == right.body.keys()
        == {"count", "place", "key", "serial", "place_done", "not_counted", "seen_at"}
    )
    wrong = auditor.post(
        f"counts/{count.pk}/findings/", {"cabinet": str(cabinet.pk), "serial": expected[0][:-1]}
    )
    assert wrong.status == 422
    assert "suggestions" not in wrong.body
    answers = [found, wrong, *(ok(auditor.get(f"counts/{count.pk}/{what}")) for what in ("", "sheet/"))]
    answers.append(ok(auditor.get("counts/")))
    told_text = " ".join(answer.text for answer in answers)
    assert expected[0] not in told_text
    told(auditor.get(f"counts/{count.pk}/variance/"), 409, "count_open")
    assert ok(auditor.get(f"counts/{count.pk}/"))["variance"] is None
    for line in lines_of(count):
        told(office.get(f"count-differences/{line.pk}/"), 404, "not_found")


def test_the_sheet_tells_where_to_go_and_what_was_recorded_there(world: World, auditor: Person) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    count = counts.draw_count(world.auditor, name="Spring")
    auditor.post(
        f"counts/{count.pk}/findings/",
        {"cabinet": str(cabinet.pk), "serial": device.serial.lower(), "place_done": True},
    )
    sheet = ok(auditor.get(f"counts/{count.pk}/sheet/"))
    assert sheet["places"] == [
        {
            "position": 1,
            "place": "cabinet",
            "key": str(cabinet.pk),
            "words": f"cabinet {cabinet.asset_tag} at {world.location.label}",
            "address": "12 Harbour Road, Tarnmouth",
            "recorded": [device.serial.lower()],
            "done": True,
            "not_counted": False,
        }
    ]
    table = ok(auditor.send("GET", f"counts/{count.pk}/sheet/", headers={"Accept": "text/csv"}))
    assert table.headers["Content-Type"].startswith("text/csv")
    assert table.text.splitlines() == [
        "Place,Kind,Where,Address,Serial found,Seen at,Note",
        f'1,cabinet,"cabinet {cabinet.asset_tag} at {world.location.label}","12 Harbour Road, Tarnmouth",,,',
    ]
    refused = auditor.send("GET", f"counts/{device.pk}/sheet/", headers={"Accept": "text/csv"})
    told(refused, 404, "not_found")


def test_a_closed_count_tells_what_it_says_of_the_register(
    world: World, auditor: Person, office: Person
) -> None:
    key = missing(world)
    item = CountItem.objects.get(pk=key)
    address = ok(auditor.get(f"counts/{item.count_id}/"))["variance"]
    assert address == f"/api/v1/counts/{item.count_id}/variance/"
    variance = ok(auditor.get(f"counts/{item.count_id}/variance/"))
    # One wrong of one: Clopper and Pearson's limits are 2.5 % and 100 %.
    assert (variance["passed"], variance["wrong"], variance["explained"]) == (False, 1, 0)
    assert (variance["upper_ppm"], variance["two_sided_ppm"]) == (1_000_000, [25_000, 1_000_000])
    [difference] = variance["differences"]
    assert (
        difference.items()
        >= {
            "id": str(key),
            "kind": "missing",
            "sampled": True,
            "serial": Device.objects.get().serial,
            "expected": "depot TM Tarnmouth",
            "found": "nowhere",
            "now": "depot TM Tarnmouth",
            "decision": "",
            "decided_by": None,
            "decided_index": None,
        }.items()
    )
    reply = office.post(
        f"count-differences/{key}/accept/",
        {"reason": "Searched"},
        tag=office.seen(f"count-differences/{key}/"),
    )
    assert (ok(reply)["decision"], reply["decided_by"]) == ("accepted", str(world.office.staff_id))
    assert DeviceWhereabouts.objects.current().get(valid_to=None).place == "lost"
    assert (reply["decided_index"], reply["decision_reason"]) == (head_index(), "Searched")


def test_deciding_leaves_what_was_counted_as_it_was(world: World, auditor: Person, office: Person) -> None:
    key = missing(world)
    count = CountItem.objects.get(pk=key).count_id
    before = ok(auditor.get(f"counts/{count}/variance/"))["as_counted"]
    assert (before["passed"], before["wrong"], before["not_counted"]) == (False, 1, 0)
    office.post(f"count-differences/{key}/dismiss/", {"reason": "On loan"}, tag="*")

    after = ok(auditor.get(f"counts/{count}/variance/"))

    assert after["as_counted"] == before
    assert (after["passed"], after["wrong"], after["explained"]) == (True, 0, 1)


def test_a_place_where_nobody_could_look_is_told_as_such(world: World, auditor: Person) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    count = drawn(world)
    there = {"cabinet": str(cabinet.pk), "not_counted": True}
    told(auditor.post(f"counts/{count.pk}/findings/", there), 422, "reason_missing")

    reply = auditor.post(f"counts/{count.pk}/findings/", {**there, "note": "Nobody let me in"})

    assert (reply.status, reply.body["not_counted"]) == (201, True)
    places = ok(auditor.get(f"counts/{count.pk}/sheet/"))["places"]
    [place] = [each for each in places if each["key"] == str(cabinet.pk)]
    assert (place["done"], place["not_counted"]) == (True, True)


def test_nobody_decides_on_what_they_counted(api: Api, world: World, office: Person) -> None:
    count = drawn(world)
    line = counts.record_finding(
        world.office, count_id=count.pk, depot_id=world.tarnmouth.pk, place_done=True
    )
    counts.close_count(world.office, count_id=count.pk)
    auditor = api.as_(world.auditor)
    for what in ("accept", "dismiss"):
        with nothing_changed():
            reply = office.post(f"count-differences/{line.pk}/{what}/", {"reason": "I looked"}, tag="*")
            told(reply, 403, "approver_counted")
            told(
                auditor.post(f"count-differences/{line.pk}/{what}/", {}, tag="*"),
                403,
                "role_forbids",
            )


def test_a_count_is_closed_only_as_it_was_seen(world: World, auditor: Person) -> None:
    count = drawn(world)
    address = f"counts/{count.pk}/close/"
    reply = auditor.post(address, {}, tag=auditor.seen(f"counts/{count.pk}/"))
    told(reply, 409, "count_incomplete")
    assert reply["details"] == {"waiting": ["depot TM Tarnmouth"]}
    before = auditor.seen(f"counts/{count.pk}/")
    nothing_there(world, count)
    told(auditor.post(address, {}, tag=before), 412, "changed_meanwhile")
    ok(auditor.post(address, {}, tag=auditor.seen(f"counts/{count.pk}/")))


def test_counts_are_narrowed_and_hidden_by_depot(api: Api, world: World, auditor: Person) -> None:
    here, everywhere = drawn(world, "Here"), counts.draw_count(world.auditor, name="Everywhere")
    nothing_there(world, here)
    counts.close_count(world.auditor, count_id=here.pk)

    def names(asker: Person, **query: Any) -> list[str]:
        return [row["name"] for row in asker.rows("counts/", **query)]

    assert names(auditor) == ["Everywhere", "Here"]
    assert names(auditor, state="closed") == names(auditor, depot=world.tarnmouth.pk) == ["Here"]
    assert names(auditor, search="where", ordering="name") == ["Everywhere"]
    local = api.as_(person(world, "auditor", world.tarnmouth))
    assert names(local) == ["Here"]
    told(local.get(f"counts/{everywhere.pk}/"), 404, "not_found")
    assert json.loads(ok(local.get("counts/")).text)["results"][0]["lines_done"] == 1
