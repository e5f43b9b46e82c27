"""Frozen ledgers, one per schema number: what was written once is read, replayed and audited for ever.

A file is never written again. When a migration alters a ledgered table, images.SCHEMA rises, a step is
added, and fixtures/ledgers/write_ledger.py freezes one more file; the older ones stay as they are.
"""

import json
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
import rfc8785
from django.db import connection
from django.db.models import ForeignKey, Model

from registry.ledger import guards
from registry.ledger.audit import audit
from registry.ledger.images import (
    SCHEMA,
    column_of,
    image_of,
    imaged_fields,
    ledgered_models,
    table_name,
    upgraded,
)
from registry.models import ApiToken, Contact, ContactText, Entry, Staff, Subject
from registry.queries.assignments import devices_at
from registry.queries.cabinets import cabinets_at
from registry.queries.locations import locations_at
from registry.queries.moments import settle
from registry.queries.timelines import device_trace, location_timeline
from registry.rules.canonical import parse_canonical
from registry.rules.events import SENTENCES, Verb
from tests.conftest import outside_actions

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "ledgers"
FILES = sorted(FOLDER.glob("schema-*.jsonl"), key=lambda path: int(path.stem.partition("-")[2]))
# SHA-256 of each file as it was frozen. A file that is there already is never changed, and neither is this.
DIGESTS = {
    "schema-1.jsonl": "c59a6fb7e994761c4afe0ef257efed0c2f96a41bf6a97c044d0849c6e22d5cb6",
}


@dataclass(frozen=True, slots=True)
class Frozen:
    """A frozen ledger as its file holds it."""

    entries: list[tuple[bytes, bytes]] = field(default_factory=list)  # body, leaf hash
    staff: list[dict[str, Any]] = field(default_factory=list)
    tokens: list[dict[str, Any]] = field(default_factory=list)
    texts: list[dict[str, Any]] = field(default_factory=list)

    @classmethod
    def read(cls, path: Path) -> "Frozen":
        frozen = cls()
        for line in path.read_text(encoding="utf-8").splitlines():
            [(kind, held)] = json.loads(line).items()
            if kind == "entry":
                frozen.entries.append((held["body"].encode(), bytes.fromhex(held["leaf_hash"])))
            else:
                by_kind = {"staff": frozen.staff, "token": frozen.tokens, "contact_text": frozen.texts}
                by_kind[kind].append(held)
        return frozen

    @property
    def bodies(self) -> list[Any]:
        return [parse_canonical(body) for body, _ in self.entries]

    def state(self) -> dict[tuple[str, str], dict[str, Any]]:
        """Replay: return the last image of every row, in today's form, by table and key."""
        last: dict[tuple[str, str], tuple[int, Any]] = {}
        for body in self.bodies:
            for image in body["images"]:
                before = last.get((image["table"], image["key"]), (0, None))[1]
                assert image["before"] == before, f"entry {body['index']} found {image['key']} otherwise"
                last[image["table"], image["key"]] = (body["schema"], image["after"])
        found = {}
        for (table, key), (schema, image) in last.items():
            step = upgraded(schema, table, image)
            if step is not None:
                found[step[0], key] = step[1]
        return found


@pytest.fixture(params=FILES, ids=lambda path: path.stem)
def frozen(request: pytest.FixtureRequest) -> Frozen:
    return Frozen.read(request.param)


@pytest.fixture
def loaded(frozen: Frozen, db: None) -> Frozen:
    """The frozen ledger in the test's database: entries from bodies, rows from images."""
    guards.remove(connection)
    with outside_actions():
        _load_entries(frozen)
        _load_rows(frozen)
        for held in frozen.texts:
            salt = bytes.fromhex(held["salt"]) if held["salt"] else None
            ContactText.objects.create(
                id=UUID(held["id"]),
                contact_id=UUID(held["contact"]),
                commitment=held["commitment"],
                salt=salt,
                text=held["text"],
            )
    connection.check_constraints()  # every foreign key leads to a row
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # no check may be pending on an altered table
    guards.install(connection)
    assert guards.missing(connection) == []
    return frozen


def _load_entries(frozen: Frozen) -> None:
    for (data, leaf), body in zip(frozen.entries, frozen.bodies, strict=True):
        entry = Entry.objects.create(
            index=body["index"],
            id=UUID(body["id"]),
            recorded_at=datetime.fromisoformat(body["recorded_at"]),
            occurred_at=datetime.fromisoformat(body["occurred_at"]),
            staff_id=UUID(body["staff"]) if body["staff"] else None,
            face=body["face"],
            verb=body["verb"],
            reason=body["reason"],
            schema=body["schema"],
            simulated=body["simulated"],
            body=data.decode(),
            leaf_hash=leaf,
        )
        written = {image["key"] for image in body["images"]}
        Subject.objects.bulk_create(
            Subject(
                entry=entry,
                position=position,
                part=subject["part"],
                kind=subject["kind"],
                thing_id=UUID(subject["id"]),
                label=subject["label"],
                wrote_record=subject["id"] in written,
            )
            for position, subject in enumerate(body["subjects"])
        )


def _load_rows(frozen: Frozen) -> None:
    models = {table_name(model): model for model in ledgered_models()}
    people = {held["id"]: held for held in frozen.staff}
    token_names = {held["id"]: held["name"] for held in frozen.tokens}
    for (table, key), image in frozen.state().items():
        row = _row(models[table], image)
        if isinstance(row, Staff):
            row.username, row.name = people[key]["username"], people[key]["name"]
            row.name_salt = bytes.fromhex(people[key]["salt"])
            row.set_unusable_password()
        if isinstance(row, ApiToken):
            row.name, row.digest = token_names[key], sha256(key.encode()).digest()  # of no secret
        row.save(force_insert=True)


def _row(model: type[Model], image: dict[str, Any]) -> Model:
    values = {}
    for each in imaged_fields(model):
        target = each.target_field if isinstance(each, ForeignKey) else each
        values[each.attname] = target.to_python(image[column_of(each)])
    return model(**values)


# --- the files -------------------------------------------------------------------------------------


def test_there_is_a_frozen_ledger_for_every_schema_number() -> None:
    assert [path.name for path in FILES] == [f"schema-{number}.jsonl" for number in range(1, SCHEMA + 1)]


def test_no_frozen_ledger_was_written_again() -> None:
    assert {path.name: sha256(path.read_bytes()).hexdigest() for path in FILES} == DIGESTS


def test_every_body_hashes_to_the_leaf_that_was_stored(frozen: Frozen) -> None:
    """RFC 9162 section 2.1.1, computed here and not by the code that wrote it."""
    for body, leaf in frozen.entries:
        assert sha256(b"\x00" + body).digest() == leaf


def test_every_body_is_canonical_to_our_reader_and_to_the_reference(frozen: Frozen) -> None:
    for body, _ in frozen.entries:
        assert rfc8785.dumps(parse_canonical(body)) == body  # type: ignore[arg-type]


def test_entries_run_from_1_without_a_gap_and_bear_the_files_schema(
    frozen: Frozen, request: pytest.FixtureRequest
) -> None:
    number = int(request.node.callspec.params["frozen"].stem.partition("-")[2])

    assert [body["index"] for body in frozen.bodies] == list(range(1, len(frozen.bodies) + 1))
    assert {body["schema"] for body in frozen.bodies} == {number}
    times = [body["recorded_at"] for body in frozen.bodies]
    assert times == sorted(set(times))


def test_every_image_in_todays_form_has_exactly_the_columns_of_its_table(frozen: Frozen) -> None:
    """A column added, renamed or dropped without a step from the former form fails here."""
    columns = {
        table_name(model): {column_of(each) for each in imaged_fields(model)} for model in ledgered_models()
    }
    for body in frozen.bodies:
        for image in body["images"]:
            for side in (image["before"], image["after"]):
                step = upgraded(body["schema"], image["table"], side) if side is not None else None
                if step is not None:
                    assert set(step[1]) == columns[step[0]]


def test_every_verb_of_a_frozen_ledger_can_still_be_worded(frozen: Frozen) -> None:
    verbs = Counter(body["verb"] for body in frozen.bodies)

    assert {Verb(verb) for verb in verbs} <= set(SENTENCES)
    assert len(verbs) > 30


def test_a_frozen_ledger_holds_images_of_every_kind_of_row(frozen: Frozen) -> None:
    """Rows that were revised, superseded, merged, rejected and erased are among them."""
    rows = frozen.state()
    tables = {table for table, _ in rows}

    assert len(tables) >= 18
    assert any(row.get("superseded_index") for row in rows.values())
    assert any(row.get("erased") for row in rows.values())
    assert {row.get("standing") for row in rows.values()} > {"confirmed", "merged", "rejected"}


# --- replayed into the tables of today -------------------------------------------------------------


def test_the_tables_of_today_hold_a_frozen_ledger_and_it_audits_clean(loaded: Frozen) -> None:
    report = audit()

    assert report.findings == []
    assert (report.entries, report.rows) == (len(loaded.entries), len(loaded.state()))
    assert report.erased == len([held for held in loaded.texts if held["salt"] is None]) > 0


def test_a_row_rebuilt_from_its_image_gives_the_image_again(loaded: Frozen) -> None:
    rows = loaded.state()

    found = {
        (table_name(model), str(row.pk)): image_of(row)
        for model in ledgered_models()
        for row in model._base_manager.all()
    }
    assert found == rows


def test_a_frozen_ledger_answers_every_question_of_today(loaded: Frozen) -> None:
    rows = loaded.state()
    standing = [row["standing"] for (table, _), row in rows.items() if table == "device"]
    kinds = Counter(table for table, _ in rows)
    end = Entry.objects.latest("index").recorded_at

    def sizes(index: int) -> tuple[int, int, int]:
        moment = settle(end, index)
        assert all(at.words for at in devices_at(moment))
        return len(devices_at(moment)), len(cabinets_at(moment)), len(locations_at(moment))

    assert sizes(0) == (0, 0, 0)
    assert len({sizes(index) for index in range(len(loaded.entries))}) > 5
    assert sizes(len(loaded.entries)) == (standing.count("confirmed"), kinds["cabinet"], kinds["location"])
    erased = Contact.objects.filter(erased=True).get()
    assert "contact.erased" in [event.verb for event in location_timeline(erased.location_id)]
    for at in devices_at(settle(end)):
        assert device_trace(at.device.pk)


def test_a_single_changed_row_of_a_frozen_ledger_is_found(loaded: Frozen) -> None:
    contact = Contact.objects.filter(erased=False).get()
    other = next(
        key for table, key in loaded.state() if table == "location" and UUID(key) != contact.location_id
    )
    guards.remove(connection)
    with outside_actions():
        Contact.objects.filter(pk=contact.pk).update(location_id=UUID(other))
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    guards.install(connection)

    [finding] = audit().findings

    assert (finding.layer, finding.table, finding.key) == ("rows", "contact", str(contact.pk))
