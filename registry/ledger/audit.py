"""The auditor's machine: re-derives every claim of the register from stored rows.

It shares nothing with the journal but the pure rules and the form of an image: entries are read, hashed
and replayed anew, and the tables compared with what the replay says.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime

from django.db import connection, transaction
from django.db.models import Prefetch

from registry.ledger import guards
from registry.ledger.images import SCHEMA, image_of, ledgered_models, rows_in_key_order, table_name, upgraded
from registry.models import Contact, ContactText, Entry, Staff, Subject
from registry.rules.canonical import Json, canonical_bytes, parse_canonical, plain
from registry.rules.commitments import commitment
from registry.rules.merkle import leaf_hash

CHUNK = 1_000  # entries read at a time
PROGRESS_EVERY = 10_000  # entries between two calls of `progress`

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

Proved = dict[tuple[str, str], bytes]  # table and key to the canonical image that the ledger proves
Committed = set[tuple[str, str]]  # each contact's key with every commitment to a text of it, ever


@dataclass(frozen=True, slots=True)
class Finding:
    """One difference: `layer` says which check saw it, `words` say it to a person."""

    layer: str
    words: str
    entry: int | None = None
    table: str = ""
    key: str = ""


@dataclass(slots=True)
class Report:
    """What an audit looked at, and what it found."""

    entries: int = 0
    rows: int = 0
    guards: int = 0
    erased: int = 0  # personal texts that were wiped: no finding, but said
    findings: list[Finding] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        """Say whether nothing was found."""
        return not self.findings

    def note(self, layer: str, words: str, **where: object) -> None:
        """Add a finding."""
        self.findings.append(Finding(layer, words, **where))  # type: ignore[arg-type]


def audit(progress: Callable[[int], None] | None = None) -> Report:
    """Check guards, entries, subjects, tables and commitments against each other, in one snapshot.

    `progress` is called with the number of entries read so far. Nothing is written.
    """
    report = Report()
    with _snapshot():
        _check_guards(report)
        proved, committed = _replay(report, progress)
        _compare_tables(report, proved)
        _check_contact_texts(report, committed)
        _check_staff_names(report)
    return report


@contextmanager
def _snapshot() -> Iterator[None]:
    """Read one state of the database throughout, without keeping writers out."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield
    else:
        # Django would begin IMMEDIATE here and hold the write lock for the whole audit.
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")


def _check_guards(report: Report) -> None:
    report.guards = len(guards.all_guards(connection.vendor))
    for guard in guards.missing(connection):
        report.note(
            "guards",
            f"The guard {guard.name} is missing or altered; since when is unknown. Run migrate to restore it,"
            " and compare with a checkpoint kept outside.",
            table=guard.table,
        )


def _replay(report: Report, progress: Callable[[int], None] | None) -> tuple[Proved, Committed]:
    """Check every entry and fold the images; return what the tables and the personal texts must hold."""
    proved: Proved = {}
    committed: Committed = set()
    previous: Entry | None = None
    subjects = Prefetch("subjects", queryset=Subject.objects.order_by("position"))
    for entry in Entry.objects.order_by("index").prefetch_related(subjects).iterator(chunk_size=CHUNK):
        report.entries += 1
        _check_order(report, previous, entry)
        body = _check_body(report, entry)
        if body is not None:
            _check_columns(report, entry, body)
            _check_subjects(report, entry, body)
            _fold(report, entry, body, proved, committed)
        previous = entry
        if progress and report.entries % PROGRESS_EVERY == 0:
            progress(report.entries)
    return proved, committed


def _check_order(report: Report, previous: Entry | None, entry: Entry) -> None:
    expected = previous.index + 1 if previous else 1
    if entry.index != expected:
        missing = f"{expected}" if entry.index == expected + 1 else f"{expected} to {entry.index - 1}"
        report.note("order", f"Entry {missing} is missing before entry {entry.index}.", entry=entry.index)
    if previous is None:
        return
    if entry.recorded_at <= previous.recorded_at:
        report.note(
            "order",
            f"Entry {entry.index} was recorded at {plain(entry.recorded_at)},"
            f" not after entry {previous.index}.",
            entry=entry.index,
        )
    if entry.simulated and not previous.simulated:
        report.note("order", f"Entry {entry.index} is simulated but follows a real one.", entry=entry.index)


def _check_body(report: Report, entry: Entry) -> dict[str, Json] | None:
    data = entry.body.encode()
    if leaf_hash(data) != bytes(entry.leaf_hash):
        report.note(
            "hash", f"Entry {entry.index}: its text is not the one that was hashed.", entry=entry.index
        )
    try:
        body = parse_canonical(data)
    except ValueError as error:
        report.note("hash", f"Entry {entry.index}: its text is {error}.", entry=entry.index)
        return None
    if not isinstance(body, dict):
        report.note("hash", f"Entry {entry.index}: its text is no entry.", entry=entry.index)
        return None
    return body


def _check_columns(report: Report, entry: Entry, body: dict[str, Json]) -> None:
    for column, name in REPEATED.items():
        stored, proved = plain(getattr(entry, column)), body.get(name)
        if stored != proved:
            report.note(
                "columns",
                f"Entry {entry.index}: the column {column} says {stored!r}, the hashed text {proved!r}.",
                entry=entry.index,
            )


def _check_subjects(report: Report, entry: Entry, body: dict[str, Json]) -> None:
    told = body.get("subjects")
    written = _written_keys(body)
    proved = [
        (
            subject.get("part"),
            subject.get("kind"),
            subject.get("id"),
            subject.get("label"),
            str(subject.get("id")) in written,
        )
        for subject in (told if isinstance(told, list) else [])
        if isinstance(subject, dict)
    ]
    stored = [
        (subject.part, subject.kind, str(subject.thing_id), subject.label, subject.wrote_record)
        for subject in entry.subjects.all()
    ]
    if stored != proved:
        report.note(
            "subjects",
            f"Entry {entry.index}: its subjects are stored as {stored}, the hashed text says {proved}.",
            entry=entry.index,
        )


def _written_keys(body: dict[str, Json]) -> set[str]:
    images = body.get("images")
    return (
        {str(image.get("key")) for image in images if isinstance(image, dict)}
        if isinstance(images, list)
        else set()
    )


def _fold(report: Report, entry: Entry, body: dict[str, Json], proved: Proved, committed: Committed) -> None:
    """Carry the entry's images into the state, checking that each "before" is what the ledger proved.

    Images of an older schema are brought into today's form first, so that the state has one form.
    """
    images, schema = body.get("images"), body.get("schema")
    if not isinstance(schema, int) or not 1 <= schema <= SCHEMA:
        report.note("replay", f"Entry {entry.index} has no known schema: {schema!r}.", entry=entry.index)
        return
    for image in images if isinstance(images, list) else []:
        if not isinstance(image, dict) or not {"table", "key", "before", "after"} <= set(image):
            report.note("replay", f"Entry {entry.index} holds an image of no known form.", entry=entry.index)
            continue
        table, key, before, after = (image[name] for name in ("table", "key", "before", "after"))
        today = _in_todays_form(schema, str(table), after)
        if today is None:
            continue  # its table is gone
        now_called, found = today[0], _in_todays_form(schema, str(table), before)
        if (found[1] if found else None) != proved.get((now_called, str(key))):
            report.note(
                "replay",
                f"Entry {entry.index} says that it found {now_called} {key} otherwise"
                " than the entries before it left it.",
                entry=entry.index,
                table=now_called,
                key=str(key),
            )
        proved[now_called, str(key)] = today[1]
        if table == table_name(Contact) and isinstance(after, dict):
            committed.add((str(key), str(after.get("commitment"))))


def _in_todays_form(schema: int, table: str, image: Json) -> tuple[str, bytes] | None:
    """Return an image's table and canonical bytes under today's schema; None for none."""
    step = upgraded(schema, table, image) if isinstance(image, dict) else None
    return (step[0], canonical_bytes(dict(step[1]))) if step else None


def _compare_tables(report: Report, proved: Proved) -> None:
    """Compare each row with its last image; what the ledger proves and no table holds is missing."""
    for model in ledgered_models():
        table = table_name(model)
        for row in rows_in_key_order(model):
            report.rows += 1
            key = str(row.pk)
            expected = proved.pop((table, key), None)
            stored = image_of(row)
            if expected is None:
                report.note(
                    "rows", f"{table} {key} stands in the table, but no entry made it.", table=table, key=key
                )
            elif canonical_bytes(dict(stored)) != expected:
                _note_difference(report, table, key, stored, parse_canonical(expected))
    for table, key in sorted(proved):
        report.note(
            "rows", f"{table} {key} was made by an entry, but is gone from the table.", table=table, key=key
        )


def _note_difference(report: Report, table: str, key: str, stored: dict[str, Json], expected: Json) -> None:
    for column, value in stored.items():
        proved = expected.get(column) if isinstance(expected, dict) else None
        if value != proved:
            report.note(
                "rows",
                f"{table} {key}: the field {column} is stored as {value!r}, the ledger proves {proved!r}.",
                table=table,
                key=key,
            )


def _check_contact_texts(report: Report, committed: Committed) -> None:
    """Check personal texts against what the ledger commits to; what was erased is counted and said."""
    erased = {str(key) for key in Contact.objects.filter(erased=True).values_list("pk", flat=True)}
    missing = {(contact, bound) for contact, bound in committed if contact not in erased}
    for text in ContactText.objects.order_by("pk").iterator(chunk_size=CHUNK):
        contact, problem = str(text.contact_id), ""
        if (contact, text.commitment) not in committed:
            problem = "is none that an entry committed to"
        elif text.salt is None:
            report.erased += 1
            if contact not in erased:
                problem = "is gone, although no entry erased it"
        elif contact in erased:
            problem = "stands there, although an entry erased it"
        elif not _is_committed(text.salt, text.text, text.commitment):
            problem = "is not the one that was committed to"
        missing.discard((contact, text.commitment))
        if problem:
            report.note(
                "commitments",
                f"The text of contact {contact} {problem}.",
                table=table_name(ContactText),
                key=str(text.pk),
            )
    for contact, _ in sorted(missing):
        report.note(
            "commitments",
            f"A text of contact {contact} is gone from the table.",
            table=table_name(Contact),
            key=contact,
        )


def _check_staff_names(report: Report) -> None:
    for staff in Staff.objects.order_by("pk"):
        if not _is_committed(staff.name_salt, staff.name, staff.name_commitment):
            report.note(
                "commitments",
                f"The name of {staff.label} is not the one that was committed to.",
                table=table_name(Staff),
                key=str(staff.pk),
            )


def _is_committed(salt: bytes | memoryview, text: Json, proved: str) -> bool:
    try:
        return commitment(bytes(salt), text) == proved
    except ValueError:  # a salt or text that no action would have written
        return False


def as_json(report: Report, at: datetime) -> dict[str, Json]:
    """Return a report in plain values, for machines."""
    return {
        "at": plain(at),
        "entries": report.entries,
        "rows": report.rows,
        "guards": report.guards,
        "erased": report.erased,
        "findings": [
            {"layer": f.layer, "words": f.words, "entry": f.entry, "table": f.table, "key": f.key}
            for f in report.findings
        ],
    }
