"""The ledger's entries, newest first: what was done, by whom, about what, and the bytes that prove it."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import QuerySet

from registry.models import Entry, Subject
from registry.queries.moments import Moment
from registry.queries.timelines import Event, told_events
from registry.rules.canonical import parse_canonical
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.roles import Scope


@dataclass(frozen=True, slots=True)
class EntryTold:
    """An entry, in words, with what it is about."""

    entry: Entry
    event: Event
    subjects: tuple[Subject, ...]


def require_whole_ledger(scope: Scope) -> None:
    """Raise RuleBroken ROLE_FORBIDS for somebody who does not see all depots.

    An entry may be about several of them, and a ledger with gaps would look like one that was cut.
    """
    if not scope.everywhere:
        raise RuleBroken(
            Code.ROLE_FORBIDS,
            "The ledger tells of all depots, and yours are only some. Ask somebody who has all of them.",
            details={"role": str(scope.role)},
        )


def entries_in(moment: Moment) -> "QuerySet[Entry]":
    """Return the entries up to the moment's index, in no order."""
    return Entry.objects.filter(index__lte=moment.index)


def entries_told(rows: Iterable[Entry]) -> list[EntryTold]:
    """Return entries that were read, in their order, in words; as many queries for many as for one."""
    entries = list(rows)
    events = told_events([entry.index for entry in entries])
    subjects: dict[int, list[Subject]] = {}
    for subject in Subject.objects.filter(entry__in=entries).order_by("entry", "position"):
        subjects.setdefault(subject.entry_id, []).append(subject)
    return [EntryTold(entry, events[entry.index], tuple(subjects.get(entry.index, ()))) for entry in entries]


def clock_offset_s(entry: Entry) -> int:
    """Return the seconds that were added to the times that an entry's author stated, 0 where none were."""
    told = parse_canonical(entry.body.encode())
    offset = told.get("clock_offset_s") if isinstance(told, dict) else None
    return offset if isinstance(offset, int) else 0


def stated_at(entry: Entry) -> datetime:
    """Return when it happened by the clock of who stated it."""
    return entry.occurred_at - timedelta(seconds=clock_offset_s(entry))


def entry_told(index: int, moment: Moment) -> EntryTold:
    """Return one entry; raises RuleBroken NOT_FOUND for one that the ledger does not have."""
    if index <= moment.index:  # what is greater may be too great for the database
        for told in entries_told(entries_in(moment).filter(index=index)):
            return told
    raise absent("entry")
