"""The audit of the ledger itself: each entry is hashed anew, held against its columns, and replayed."""

from collections.abc import Callable, Iterator
from itertools import groupby
from operator import itemgetter
from typing import Any, NoReturn, TypeAlias

from registry.ledger._audit_images import (
    Body,
    Held,
    differences,
    digest_of,
    image_left,
    images_of,
    known_schema,
    readable,
    same,
    stored_bytes,
)
from registry.ledger._findings import PROGRESS_EVERY, Erasure, Finding, Progress, Report, Unreadable
from registry.ledger._scratch import Left, Scratch
from registry.ledger.images import Image, table_name
from registry.models import Contact, Entry, Subject
from registry.rules.canonical import Json, parse_canonical, plain
from registry.rules.merkle import leaf_hash

CHUNK = 100  # entries read at a time: one that received a thousand devices has half a megabyte

# The columns of an entry that repeat parts of its body.
REPEATED = {
    "index": "index",
    "id": "id",
    "recorded_at": "recorded_at",
    "occurred_at": "occurred_at",
    "staff_id": "staff",
    "face": "face",
    "verb": "verb",
    "reason": "reason",
    "schema": "schema",
    "simulated": "simulated",
}

# Called with the index of each entry and the leaf hash of its text as it is stored, in the ledger's order.
# A check of the whole ledger's tree is an observer. The hash is computed from the text: what the entry's
# column says is compared with it here.
Observe: TypeAlias = Callable[[int, bytes], None]


def check_entries(
    report: Report, scratch: Scratch, progress: Progress | None = None, observe: Observe | None = None
) -> None:
    """Check every entry, and fold its images into what the tables and the personal texts must hold.

    Raises Unreadable where the ledger cannot be read to its end.
    """
    total = Entry.objects.count() if progress else 0
    previous: Entry | None = None
    subjects = _Subjects(report)
    for entry in readable(Entry.objects.order_by("index").iterator(chunk_size=CHUNK), _unreadable(report)):
        report.entries += 1
        _check_order(report, previous, entry)
        data = stored_bytes(entry.body)
        leaf = leaf_hash(data)
        _check_hash(report, entry, leaf)
        if observe:
            observe(entry.index, leaf)
        stored = subjects.of(entry.index)
        body = _parsed(report, entry, data)
        if body is not None:
            _check_columns(report, entry, body)
            _check_subjects(report, entry, body, stored)
            _fold(report, scratch, entry.index, body)
        previous = entry
        if progress and (report.entries % PROGRESS_EVERY == 0 or report.entries == total):
            progress("entries", report.entries, total)
    subjects.of(None)


def _unreadable(report: Report) -> Callable[[Exception], NoReturn]:
    def stop(error: Exception) -> NoReturn:
        raise Unreadable(
            f"The ledger cannot be read on after {report.entries:,} entries: a column of an entry or of its"
            f" subjects holds what it cannot have ({error})."
        ) from error

    return stop


def _check_order(report: Report, previous: Entry | None, entry: Entry) -> None:
    expected = previous.index + 1 if previous else 1
    if entry.index != expected:
        missing = f"{expected}" if entry.index == expected + 1 else f"{expected} to {entry.index - 1}"
        report.note(
            Finding("order", f"Entry {missing} is missing before entry {entry.index}.", entry=entry.index)
        )
    if previous is None:
        return
    # SQLite may hold what is no time, which reads as None: the column then contradicts the text.
    if entry.recorded_at and previous.recorded_at and entry.recorded_at <= previous.recorded_at:
        stored, before = plain(entry.recorded_at), plain(previous.recorded_at)
        words = f"Entry {entry.index} was recorded at {stored}, not after entry {previous.index} at {before}."
        report.note(_of_entry("order", entry, words, "recorded_at", stored, None))
    if entry.simulated and not previous.simulated:
        words = f"Entry {entry.index} is simulated but follows a real one."
        report.note(_of_entry("order", entry, words, "simulated", True, None))


def _of_entry(layer: str, entry: Entry, words: str, column: str, stored: Json, proved: Json) -> Finding:
    return Finding(layer, words, entry.index, table_name(Entry), str(entry.index), column, stored, proved)


def _check_hash(report: Report, entry: Entry, leaf: bytes) -> None:
    stored = stored_bytes(entry.leaf_hash)
    if leaf != stored:
        words = f"Entry {entry.index}: its text is not the one that was hashed."
        report.note(_of_entry("hash", entry, words, "leaf_hash", stored.hex(), leaf.hex()))


def _parsed(report: Report, entry: Entry, data: bytes) -> Body | None:
    try:
        body = parse_canonical(data)
    except ValueError as error:
        words = f"Entry {entry.index}: its text is {error}."
    else:
        if isinstance(body, dict):
            return body
        words = f"Entry {entry.index}: its text is no entry."
    report.note(Finding("hash", words, entry.index, table_name(Entry), str(entry.index), "body"))
    return None


def _check_columns(report: Report, entry: Entry, body: Body) -> None:
    for column, name in REPEATED.items():
        stored, proved = _plain(getattr(entry, column)), body.get(name)
        if not same(stored, proved):
            words = f"Entry {entry.index}: the column {column} says {stored!r}, the hashed text {proved!r}."
            report.note(_of_entry("columns", entry, words, column, stored, proved))


def _plain(value: object) -> Json:
    try:
        return plain(value)
    except ValueError:  # a kind of value that no action would have written
        return repr(value)


# --- what entries are about ------------------------------------------------------------------------


class _Subjects:
    """The stored subjects of each entry by position, read alongside the entries."""

    def __init__(self, report: Report) -> None:
        self.report = report
        columns = ("entry_id", "position", "part", "kind", "thing_id", "label", "wrote_record")
        rows = Subject.objects.order_by("entry_id", "position").values_list(*columns)
        stream = readable(rows.iterator(chunk_size=CHUNK), _unreadable(report))
        self.groups: Iterator[tuple[int, Iterator[Any]]] = groupby(stream, key=itemgetter(0))
        self.next = next(self.groups, None)

    def of(self, index: int | None) -> dict[int, Image]:
        """Return the subjects of an entry by position; None for an entry after all others."""
        while self.next and (index is None or self.next[0] < index):
            words = f"Subjects are stored for entry {self.next[0]}, which is missing."
            self.report.note(Finding("subjects", words, self.next[0], table_name(Subject)))
            self.next = next(self.groups, None)
        if self.next is None or self.next[0] != index:
            return {}
        found: dict[int, Image] = {
            position: {"part": part, "kind": kind, "id": str(thing), "label": label, "wrote_record": wrote}
            for _, position, part, kind, thing, label, wrote in self.next[1]
        }
        self.next = next(self.groups, None)
        return found


def _check_subjects(report: Report, entry: Entry, body: Body, stored: dict[int, Image]) -> None:
    written = {str(image.get("key")) for image in _list(body, "images") if isinstance(image, dict)}
    proved: dict[int, Image] = {
        position: {
            **{name: subject.get(name) for name in ("part", "kind", "id", "label")},
            "wrote_record": str(subject.get("id")) in written,
        }
        for position, subject in enumerate(_list(body, "subjects"))
        if isinstance(subject, dict)
    }
    if stored == proved:
        return
    for position in sorted({*stored, *proved}):
        for column, is_stored, is_proved in _subject_differences(stored.get(position), proved.get(position)):
            where = f"the field {column} of its subject {position}" if column else f"its subject {position}"
            words = (
                f"Entry {entry.index}: {where} is stored as {is_stored!r},"
                f" the hashed text says {is_proved!r}."
            )
            key = f"{entry.index}/{position}"
            report.note(
                Finding(
                    "subjects", words, entry.index, table_name(Subject), key, column, is_stored, is_proved
                )
            )


def _subject_differences(stored: Image | None, proved: Image | None) -> Iterator[tuple[str, Json, Json]]:
    if stored is None or proved is None:
        yield "", stored, proved
    else:
        yield from differences(stored, proved)


def _list(body: Body, name: str) -> list[Json]:
    value = body.get(name)
    return value if isinstance(value, list) else []


# --- the replay ------------------------------------------------------------------------------------


def _fold(report: Report, scratch: Scratch, index: int, body: Body) -> None:
    """Carry the entry's images into the state, checking that each "before" is what the ledger proved.

    Images of an older schema are brought into today's form first, so that the state has one form.
    """
    schema = known_schema(body)
    if schema is None:
        words = f"Entry {index} has no known schema: {body.get('schema')!r}."
        report.note(Finding("replay", words, index))
        return
    for held in images_of(body, schema):
        if held is None:
            report.note(Finding("replay", f"Entry {index} holds an image of no known form.", index))
            continue
        row = (held.table, held.key)
        _check_before(report, scratch.left(*row), index, row, held.before)
        scratch.leave(*row, Left(index, digest_of(held.after)))
        if held.table == table_name(Contact):
            _fold_contact(report, scratch, index, body, held)


def _check_before(
    report: Report, left: Left | None, index: int, row: tuple[str, str], before: Image | None
) -> None:
    what, says = " ".join(row), f"Entry {index} says that it"
    if left is None:
        if before is not None:
            words = f"{says} changed {what}, which no entry before it made."
            report.note(Finding("replay", words, index, *row, stored=before))
    elif before is None:
        words = f"{says} made {what}, which entry {left.entry} had left there already."
        report.note(Finding("replay", words, index, *row, proved=image_left(left, *row)))
    elif digest_of(before) != left.digest:
        for column, stored, proved_value in differences(before, image_left(left, *row)):
            words = (
                f"{says} found the field {column} of {what} as {stored!r}, entry {left.entry} left it as"
                f" {proved_value!r}."
            )
            report.note(Finding("replay", words, index, *row, column, stored, proved_value))


def _fold_contact(report: Report, scratch: Scratch, index: int, body: Body, held: Held) -> None:
    """Carry on to which texts of a contact the ledger commits, and who erased them."""
    key = held.key
    scratch.commit(key, str(held.after.get("commitment")))
    if held.after.get("erased") is not True or not scratch.erase(key):
        return
    labels = {
        str(subject.get("part")): str(subject.get("label"))
        for subject in _list(body, "subjects")
        if isinstance(subject, dict)
    }
    staff = body.get("staff")
    report.note_erasure(
        Erasure(
            contact=key,
            label=labels.get("contact", f"contact {key[-6:]}"),
            location=labels.get("location", ""),
            texts=scratch.commitments(key),
            entry=index,
            recorded_at=str(body.get("recorded_at")),
            staff=None if staff is None else str(staff),
            face=str(body.get("face")),
        )
    )
