"""The only writer of the ledger. Imported by actions, and by nothing else."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.db import OperationalError, connection

from registry.ledger import clock
from registry.ledger.images import SCHEMA, Image
from registry.models import Entry, Subject
from registry.models.base import new_key
from registry.rules.canonical import Json, canonical_bytes, plain
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face, Kind, Verb
from registry.rules.merkle import leaf_hash

# One lock for the whole ledger, taken first. Row locks taken before it deadlocked on foreign keys, and
# two actions that each check what the other changes both passed. The number is arbitrary but fixed.
LOCK_NUMBER = 0x52696D65  # "Rime"
LOCK_NOT_AVAILABLE = "55P03"  # PostgreSQL, appendix A
TICK = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Head:
    """Where the ledger stands: the newest index (0 for none), and the time for the next entry."""

    index: int
    now: datetime
    simulated: bool


@dataclass(frozen=True, slots=True)
class Written:
    """One row that an action wrote: its table and key, and its images; `before` None for a new row."""

    table: str
    key: UUID
    before: Image | None
    after: Image


@dataclass(frozen=True, slots=True)
class About:
    """A thing that an entry is about, and the part it plays there."""

    part: str
    kind: Kind
    thing_id: UUID
    label: str


@dataclass(frozen=True, slots=True)
class Story:
    """What an entry tells beside its images.

    `clock_offset_s` seconds were added to every time that was stated, because the clock that stated them was
    wrong by so much; 0 where it was not.
    """

    verb: Verb
    occurred_at: datetime
    face: Face
    staff_id: UUID | None
    name_commitment: str | None
    reason: str
    about: Sequence[About]
    clock_offset_s: int = 0


def lock() -> None:
    """Take the ledger lock until the transaction ends; it must be the transaction's first statement.

    SQLite took it with BEGIN IMMEDIATE. On PostgreSQL what is read in a *later* statement sees all that
    the former holder committed, because the transaction reads committed rows statement by statement.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK_NUMBER])


def is_lock_timeout(error: OperationalError) -> bool:
    """Say whether a statement failed because others held the lock for as long as we wait."""
    if connection.vendor == "postgresql":
        return getattr(error.__cause__, "sqlstate", None) == LOCK_NOT_AVAILABLE
    return "database is locked" in str(error)


def read_head() -> Head:
    """Read the head and the clock under the lock; recorded time never goes backwards.

    Raises RuleBroken SIMULATION_REFUSED where the clock was put although a real entry exists.
    """
    newest = Entry.objects.order_by("-index").values_list("index", "recorded_at", "simulated").first()
    moment, simulated = clock.now(), clock.is_simulated()
    if newest is None:
        return Head(0, moment, simulated)
    index, recorded_at, newest_simulated = newest
    if simulated and not newest_simulated:
        raise RuleBroken(
            Code.SIMULATION_REFUSED,
            "The register holds real entries, so its clock cannot be put. Use an empty database.",
        )
    return Head(index, max(moment, recorded_at + TICK), simulated)


def append(head: Head, story: Story, written: Sequence[Written]) -> Entry:
    """Append the entry that follows `head` and return it.

    Raises ValueError where something has no canonical form.
    """
    entry, subjects = composed(head, story, written)
    entry.save(force_insert=True)
    Subject.objects.bulk_create(subjects)
    return entry


def composed(head: Head, story: Story, written: Sequence[Written]) -> tuple[Entry, list[Subject]]:
    """Return the entry that follows `head` with its subjects, not yet stored; raises as `append` does."""
    entry_id = new_key()
    told: list[Json] = [
        {"part": about.part, "kind": str(about.kind), "id": str(about.thing_id), "label": about.label}
        for about in story.about
    ]
    images: list[Json] = [
        {"table": row.table, "key": str(row.key), "before": row.before, "after": row.after} for row in written
    ]
    # Told only where a clock was wrong: by it, whoever reads the entry knows the time as it was stated, too.
    clock: dict[str, Json] = {"clock_offset_s": story.clock_offset_s} if story.clock_offset_s else {}
    body = canonical_bytes(
        clock
        | {
            "index": head.index + 1,
            "id": str(entry_id),
            "recorded_at": plain(head.now),
            "occurred_at": plain(story.occurred_at),
            "staff": plain(story.staff_id),
            "name_commitment": story.name_commitment,
            "face": str(story.face),
            "verb": str(story.verb),
            "reason": story.reason,
            "schema": SCHEMA,
            "simulated": head.simulated,
            "subjects": told,
            "images": images,
        }
    )
    entry = Entry(
        index=head.index + 1,
        id=entry_id,
        recorded_at=head.now,
        occurred_at=story.occurred_at,
        staff_id=story.staff_id,
        face=story.face,
        verb=story.verb,
        reason=story.reason,
        schema=SCHEMA,
        simulated=head.simulated,
        body=body.decode(),
        leaf_hash=leaf_hash(body),
    )
    wrote = {row.key for row in written}
    return entry, [
        Subject(
            entry=entry,
            position=position,
            part=about.part,
            kind=about.kind,
            thing_id=about.thing_id,
            label=about.label,
            wrote_record=about.thing_id in wrote,
        )
        for position, about in enumerate(story.about)
    ]
