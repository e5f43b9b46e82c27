"""The audit of the ledger itself: texts, hashes, order and subjects."""

from collections.abc import Callable
from datetime import UTC, timedelta
from typing import Any

import pytest

from registry.ledger.audit import REPEATED, Finding
from registry.models import (
    Entry,
    Subject,
)
from registry.models.base import new_key
from registry.rules.canonical import canonical_bytes, parse_canonical
from registry.rules.merkle import leaf_hash
from tests.factories.world import DAY
from tests.ledger.tampering import (
    Life,
    edit,
    found,
    layers,
    middle,
    newest,
    remove,
    remove_entry,
    rewrite,
)

MINUTE = timedelta(minutes=1)


# --- the ledger's text -----------------------------------------------------------------------------


def test_an_edited_body_is_not_the_text_that_was_hashed(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: rewrite(entry, lambda body: body.update(reason="because"), rehash=False))

    assert [(f.layer, f.entry, f.words) for f in findings if f.layer == "hash"] == [
        ("hash", entry.index, f"Entry {entry.index}: its text is not the one that was hashed.")
    ]


def test_an_edited_body_with_its_hash_made_anew_contradicts_the_columns(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: rewrite(entry, lambda body: body.update(reason="because"), rehash=True))

    assert findings == [
        Finding(
            "columns",
            f"Entry {entry.index}: the column reason says '', the hashed text 'because'.",
            entry=entry.index,
            table="entry",
            key=str(entry.index),
            field="reason",
            stored="",
            proved="because",
        )
    ]


def test_an_edited_image_with_its_hash_made_anew_contradicts_the_table(brief: Life) -> None:
    entry = newest()

    def rename(body: dict[str, Any]) -> None:
        body["images"][0]["after"]["name"] = "Elsewhere"

    assert found(lambda: rewrite(entry, rename, rehash=True)) == [
        Finding(
            "rows",
            f"depot {brief.last.pk}: the field name is stored as 'Fell Gate', the ledger proves 'Elsewhere'.",
            entry=entry.index,
            table="depot",
            key=str(brief.last.pk),
            field="name",
            stored="Fell Gate",
            proved="Elsewhere",
        )
    ]


def test_an_edited_before_with_its_hash_made_anew_contradicts_the_entries_before_it(brief: Life) -> None:
    entry = newest()

    def rename(body: dict[str, Any]) -> None:
        body["images"][0]["before"]["name"] = "Elsewhere"

    [finding] = found(lambda: rewrite(entry, rename, rehash=True))

    before = Entry.objects.filter(verb="depot.registered").latest("index").index
    assert finding == Finding(
        "replay",
        f"Entry {entry.index} says that it found the field name of depot {brief.last.pk} as 'Elsewhere',"
        f" entry {before} left it as 'Fellgate'.",
        entry=entry.index,
        table="depot",
        key=str(brief.last.pk),
        field="name",
        stored="Elsewhere",
        proved="Fellgate",
    )


def test_an_edited_leaf_hash_is_seen(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: edit(entry, leaf_hash=bytes(32)))

    assert [(f.layer, f.entry) for f in findings] == [("hash", entry.index)]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("{", "not JSON"),
        ('{"b":1,"a":2}', "not in canonical form"),
        ("[]", "its text is no entry"),
    ],
)
def test_a_body_that_is_no_entry_is_said_whatever_its_hash(brief: Life, body: str, words: str) -> None:
    entry = middle()

    findings = found(lambda: edit(entry, body=body, leaf_hash=leaf_hash(body.encode())))

    assert [words in f.words for f in findings if f.layer == "hash"] == [True]
    assert {f.entry for f in findings if f.layer == "hash"} == {entry.index}


@pytest.mark.parametrize("image", [{}, "image", {"table": "depot", "key": "1", "before": None}])
def test_an_image_of_no_known_form_is_said_and_the_audit_goes_on(brief: Life, image: Any) -> None:
    entry = newest()

    findings = found(lambda: rewrite(entry, lambda body: body["images"].append(image), rehash=True))

    assert findings == [
        Finding("replay", f"Entry {entry.index} holds an image of no known form.", entry=entry.index)
    ]


def test_each_column_of_an_entry_is_held_against_its_text(brief: Life, subtests: Any) -> None:
    entry = middle()
    values: dict[str, Any] = {
        "id": new_key(),
        "recorded_at": entry.recorded_at + MINUTE,
        "occurred_at": entry.occurred_at - MINUTE,
        "staff_id": brief.world.installer.staff_id,
        "face": "console",
        "verb": "split.sent",
        "reason": "because",
        "schema": 2,
        "simulated": False,
    }
    assert set(values) == set(REPEATED) - {"index"}
    for column, value in values.items():
        with subtests.test(column=column):
            findings = found(lambda: edit(entry, **{column: value}))  # noqa: B023

            [finding] = [f for f in findings if f.layer == "columns"]
            assert finding.entry == entry.index
            assert f"the column {column} says" in finding.words


# --- the ledger's order ----------------------------------------------------------------------------


def test_the_newest_entry_deleted_leaves_its_rows_unproved(brief: Life) -> None:
    findings = found(lambda: remove_entry(newest()))

    assert all(f.layer == "rows" for f in findings)
    assert any(
        f"depot {brief.last.pk}: the field name is stored as 'Fell Gate', the ledger proves 'Fellgate'."
        == f.words
        for f in findings
    )


def test_a_deleted_entry_in_the_middle_is_missed(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: remove_entry(entry))

    [gap] = [f for f in findings if f.layer == "order"]
    assert gap.words == f"Entry {entry.index} is missing before entry {entry.index + 1}."
    assert "rows" in layers(findings)


def test_several_deleted_entries_are_missed_as_a_range(brief: Life) -> None:
    gone = list(Entry.objects.filter(index__in=[5, 6, 7]))

    findings = found(lambda: [remove_entry(entry) for entry in gone])

    assert "Entry 5 to 7 is missing before entry 8." in [f.words for f in findings if f.layer == "order"]


def test_a_missing_first_entry_is_missed(brief: Life) -> None:
    findings = found(lambda: remove_entry(Entry.objects.get(index=1)))

    assert "Entry 1 is missing before entry 2." in [f.words for f in findings if f.layer == "order"]


def test_two_entries_exchanged_contradict_their_texts_and_the_clock(brief: Life) -> None:
    one, two = middle().index, middle().index + 3

    def exchange() -> None:
        for old, new in ((one, 10**6), (two, one), (10**6, two)):
            Entry.objects.filter(index=old).update(index=new)
            Subject.objects.filter(entry=old).update(entry=new)

    findings = found(exchange)

    assert {f.entry for f in findings if f.layer == "columns"} == {one, two}
    assert any("the column index says" in f.words for f in findings)
    assert "order" in layers(findings)


def test_an_entry_put_in_between_contradicts_every_later_text(brief: Life) -> None:
    place, head = middle().index, newest().index

    def put_in() -> None:
        copied = Entry.objects.get(index=place)
        for index in range(head, place - 1, -1):
            Entry.objects.filter(index=index).update(index=index + 1)
            Subject.objects.filter(entry=index).update(entry=index + 1)
        copied.pk, copied.id = place, new_key()
        copied.recorded_at -= 365 * DAY
        copied.save(force_insert=True)

    findings = found(put_in)

    moved = {f.entry for f in findings if f.layer == "columns" and "the column index says" in f.words}
    assert moved == set(range(place + 1, head + 2))
    assert place in {f.entry for f in findings if f.layer in ("columns", "order", "subjects")}


def test_an_entry_added_at_the_end_proves_rows_that_no_table_holds(brief: Life) -> None:
    last, key = newest(), str(new_key())
    body: Any = parse_canonical(last.body.encode())
    image = {**body["images"][0]["after"], "id": key}

    def add() -> None:
        forged = new_key()
        recorded_at = last.recorded_at + MINUTE
        forged_body = body | {
            "index": last.index + 1,
            "id": str(forged),
            "recorded_at": recorded_at.astimezone(UTC).isoformat(timespec="microseconds")[:-6] + "Z",
            "subjects": [],
            "images": [{"table": "depot", "key": key, "before": None, "after": image}],
        }
        data = canonical_bytes(forged_body)
        last.pk, last.id, last.recorded_at = last.index + 1, forged, recorded_at
        last.body, last.leaf_hash = data.decode(), leaf_hash(data)
        last.save(force_insert=True)

    findings = found(add)

    assert findings == [
        Finding(
            "rows",
            f"depot {key} was made by an entry, but is gone from the table.",
            entry=last.index,
            table="depot",
            key=key,
            proved=image,
        )
    ]


def test_a_simulated_entry_after_a_real_one_is_said(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: edit(entry, simulated=False))

    assert f"Entry {entry.index + 1} is simulated but follows a real one." in [
        f.words for f in findings if f.layer == "order"
    ]


# --- what entries are about ------------------------------------------------------------------------


def test_a_subject_changed_removed_or_added_is_seen(brief: Life, subtests: Any) -> None:
    entry = middle()
    subject = entry.subjects.get(position=0)

    def add() -> None:
        extra = Subject.objects.get(pk=subject.pk)
        extra.pk, extra.position = None, 9
        extra.save(force_insert=True)

    attempts: dict[str, Callable[[], object]] = {
        "label": lambda: edit(subject, label="SK-9999"),
        "part": lambda: edit(subject, part="from"),
        "kind": lambda: edit(subject, kind="device"),
        "thing": lambda: edit(subject, thing_id=new_key()),
        "wrote_record": lambda: edit(subject, wrote_record=not subject.wrote_record),
        "other entry": lambda: edit(subject, entry=entry.index + 1, position=9),
        "removed": lambda: remove(subject),
        "added": add,
    }
    for name, tamper in attempts.items():
        with subtests.test(name):
            findings = found(tamper)

            assert layers(findings) == {"subjects"}
            assert entry.index in {f.entry for f in findings}
