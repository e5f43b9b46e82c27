"""The ledger over HTTP: every entry as a sentence and as the bytes that prove it, for who sees all depots."""

import hashlib
import json
from typing import Any
from uuid import uuid4

import pytest
import rfc8785

from registry.models import Entry
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, ok, tables_read, told
from tests.api.noun_operations import asleep, contact
from tests.api.operations import when
from tests.factories.world import DAY, World, person


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


def test_an_entry_is_told_as_a_sentence_with_who_and_what_it_is_about(auditor: Person, world: World) -> None:
    cabinet, device = world.cabinet(), world.device()
    hung = world.assigned(device, cabinet)

    newest = ok(auditor.get("entries/"))["results"][0]

    entry = Entry.objects.get(index=hung.recorded_id)
    assert newest == {
        "index": entry.index,
        "id": str(entry.id),
        "occurred_at": "2026-02-02T08:00:00Z",
        "recorded_at": entry.recorded_at.isoformat().replace("+00:00", "Z"),
        "words": f"Device {device.serial} was assigned to cabinet {cabinet.asset_tag}"
        f" at {world.location.label}",
        "verb": "device.assigned",
        "who": "Office",
        "staff": str(world.office.staff_id),
        "face": "api",
        "reason": "",
        "replaced": [],
        "simulated": True,
        "schema": entry.schema,
        "subjects": [
            {"part": "device", "kind": "device", "id": str(device.pk), "label": device.serial},
            {"part": "cabinet", "kind": "cabinet", "id": str(cabinet.pk), "label": cabinet.asset_tag},
            {
                "part": "location",
                "kind": "location",
                "id": str(world.location.pk),
                "label": world.location.label,
            },
        ],
    }
    one = ok(auditor.get(f"entries/{entry.index}/"))
    stated = {"clock_offset_s": 0, "stated_at": newest["occurred_at"]}
    assert one.body == {**newest, **stated, "body": None, "leaf_hash": None}


def test_an_entry_is_proved_by_its_canonical_text_and_its_leaf(auditor: Person, world: World) -> None:
    for index in (1, 5, Entry.objects.count()):
        entry = ok(auditor.get(f"entries/{index}/", body="true"))
        body = entry["body"]

        # RFC 8785: what the reference library makes of the same values is the same text.
        assert rfc8785.dumps(json.loads(body)).decode() == body
        # RFC 9162, section 2.1.1: the hash of a leaf is that of a zero byte and the entry.
        assert entry["leaf_hash"] == hashlib.sha256(b"\0" + body.encode()).hexdigest()
        assert json.loads(body)["index"] == index
        assert entry.tag != auditor.seen(f"entries/{index}/")
    told(auditor.get("entries/1/", body="yes"), 422, "value_invalid")


def test_a_correction_is_told_with_what_it_replaced(api: Api, auditor: Person, world: World) -> None:
    office, period = api.as_(world.office), asleep(world)
    path = f"periods/locationstate/{period.period}/"
    body = {"reason": "the sign said so", "valid_from": when(world.start + 4 * DAY)}
    ok(office.post(f"{path}correct/", body, tag="*"))

    entry = ok(auditor.get("entries/", verb="period.corrected"))["results"][0]

    assert (entry["reason"], entry["who"]) == ("the sign said so", "Office")
    assert any("2026-02-05" in line and "2026-02-04" in line for line in entry["replaced"]), entry["replaced"]


def test_entries_are_found_by_filters_and_told_the_newest_first(
    api: Api, auditor: Person, world: World
) -> None:
    period = asleep(world)
    contact(world)

    def verbs(**query: Any) -> list[str]:
        return [row["verb"] for row in auditor.rows("entries/", **query)]

    rows = auditor.rows("entries/", page_size=7)
    assert [row["index"] for row in rows] == list(range(Entry.objects.count(), 0, -1))
    assert [row["index"] for row in auditor.rows("entries/", ordering="index", page_size=7)] == list(
        range(1, Entry.objects.count() + 1)
    )
    assert rows[-1]["words"] == "The register was founded"
    assert (rows[-1]["who"], rows[-1]["staff"]) == ("the system", None)
    assert verbs(about=world.location.pk) == [
        "contact.registered",
        "location.state_set",
        "location.registered",
    ]
    assert verbs(about=period.pk) == []
    assert verbs(verb="location.state_set") == ["location.state_set"]
    assert verbs(staff=world.office.staff_id)[-1] == "account.registered"
    assert verbs(face="console") == []
    assert len(verbs(face="api")) + len(verbs(face="command")) == Entry.objects.count()
    assert len(verbs(simulated=True)) == Entry.objects.count()
    for wrong in ({"verb": "drank"}, {"face": "door"}, {"about": "0042"}, {"simulated": "perhaps"}):
        told(auditor.get("entries/", **wrong), 422, "value_invalid")


def test_only_who_may_read_the_ledger_and_sees_all_depots_is_told_of_it(api: Api, world: World) -> None:
    for actor in (world.auditor, world.office, world.administrator):
        ok(api.as_(actor).get("entries/"))
        ok(api.as_(actor).get("entries/1/"))
    some = (
        person(world, "auditor", world.tarnmouth, world.fellgate),
        person(world, "office", world.tarnmouth),
        person(world, "administrator"),
    )
    for actor in some:
        for path in ("entries/", "entries/1/", "entries/999/"):
            reply = told(api.as_(actor).get(path), 403, "role_forbids")
            assert reply["detail"].endswith("Ask somebody who has all of them.")
    for path in ("entries/", "entries/1/", "entries/999/"):
        reply = told(api.as_(world.installer).get(path), 403, "role_forbids")
        assert "auditor" in reply["detail"]


def test_an_entry_that_there_is_not_is_not_found_however_great_its_number(auditor: Person) -> None:
    for index in (0, 999, 2**63, 10**40):
        told(auditor.get(f"entries/{index}/"), 404, "not_found")
    for path in ("entries/-1/", "entries/first/", f"entries/{uuid4()}/"):
        told(auditor.get(path), 404, "not_found")


def test_nothing_is_written_to_the_ledger_by_its_readers(auditor: Person) -> None:
    path = "entries/1/"
    with nothing_changed():
        for method in ("POST", "PUT", "PATCH", "DELETE"):
            told(auditor.send(method, path, body={}), 405, "method_unknown")
            told(auditor.send(method, "entries/", body={}), 405, "method_unknown")


def test_corrections_are_told_in_as_many_queries_as_any_other_entry(
    api: Api, auditor: Person, world: World
) -> None:
    office, period = api.as_(world.office), asleep(world)
    path = f"periods/locationstate/{period.period}/correct/"
    for hours in range(30):
        at = when(world.start + 4 * DAY) if hours % 2 else when(world.start + 3 * DAY)
        ok(office.post(path, {"reason": "so", "valid_from": at}, tag="*"))

    reads = []
    for size in (3, 30):
        asked = {"verb": "period.corrected", "page_size": size}
        assert len(ok(auditor.get("entries/", **asked))["results"]) == size
        reads.append(tables_read(lambda asked=asked: auditor.get("entries/", **asked)))
    # the rows; then in words: the head, the entries, their subjects, the people; and the subjects
    assert reads[0] == [
        "apitoken", "entry", "entry", "entry", "entry", "subject", "staff", "subject"
    ]  # fmt: skip
    assert reads[0] == reads[1]
