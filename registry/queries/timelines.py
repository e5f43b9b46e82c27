"""What happened, told in order: the timeline of a location and the trace of a device."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from uuid import UUID

from registry.models import CabinetWhereabouts, Entry, Staff, Subject
from registry.queries.changes import Words, Written, referred_labels, replaced, told_shares
from registry.queries.moments import head_index
from registry.rules.canonical import parse_canonical
from registry.rules.errors import absent
from registry.rules.events import Kind, Verb, sentence

EVENTS_MAX = 5_000  # of one story: the newest are told, so that a page stays a page

# How the verbs end of which a story tells what they replaced.
PUT_RIGHT = (".corrected", ".withdrawn", ".merged", ".rejected")
# Kinds to which a story refers mostly from outside: they are called as known, not as an entry called them.
RENAMED = frozenset({Kind.DEPOT, Kind.ACCOUNT})


@dataclass(frozen=True, slots=True)
class Event:
    """One line of a story. `replaced` says, for a correction, what it took back and what stands instead."""

    index: int
    recorded_at: datetime
    occurred_at: datetime
    who: str
    face: str
    verb: str
    words: str
    reason: str
    replaced: list[str]
    simulated: bool
    cabinets: frozenset[UUID]
    devices: frozenset[UUID]


def location_timeline(
    location_id: UUID, *, known_index: int | None = None, zone: tzinfo = UTC
) -> list[Event]:
    """Return every event of a location and of the cabinets while they stood there, oldest first.

    Cabinets count by where the register believed, right after `known_index` (the head unless told), that
    they stood when the event occurred; so an event recorded before a cabinet's place was corrected is
    told where it belongs.
    """
    index = head_index() if known_index is None else known_index
    stays = list(CabinetWhereabouts.objects.believed_at(index).filter(location=location_id))
    of_location = Subject.objects.filter(kind=Kind.LOCATION, thing_id=location_id, entry__lte=index)
    of_cabinets = Subject.objects.filter(
        kind=Kind.CABINET, thing_id__in={stay.cabinet_id for stay in stays}, entry__lte=index
    ).select_related("entry")
    indexes = set(of_location.values_list("entry", flat=True))
    for subject in of_cabinets.defer("entry__body"):
        if any(
            stay.cabinet_id == subject.thing_id and stay.as_period().contains(subject.entry.occurred_at)
            for stay in stays
        ):
            indexes.add(subject.entry_id)
    return _events(indexes, index, zone, {location_id, *(stay.cabinet_id for stay in stays)})


def cabinet_story(cabinet_id: UUID, *, known_index: int | None = None, zone: tzinfo = UTC) -> list[Event]:
    """Return every event of a cabinet as known right after `known_index`, wherever it stood, oldest first."""
    index = head_index() if known_index is None else known_index
    about = Subject.objects.filter(kind=Kind.CABINET, thing_id=cabinet_id, entry__lte=index)
    return _events(set(about.values_list("entry", flat=True)), index, zone, {cabinet_id})


def visit_story(visit_id: UUID, *, zone: tzinfo = UTC) -> list[Event]:
    """Return every event of a visit, oldest first."""
    about = Subject.objects.filter(kind=Kind.VISIT, thing_id=visit_id)
    return _events(set(about.values_list("entry", flat=True)), head_index(), zone, {visit_id})


def device_trace(device_id: UUID, *, known_index: int | None = None, zone: tzinfo = UTC) -> list[Event]:
    """Return every event of a device as known right after `known_index`, oldest first.

    What was told of a provisional record that turned out to be this device belongs to it.
    """
    index = head_index() if known_index is None else known_index
    records = records_of(device_id, index)
    about = Subject.objects.filter(kind=Kind.DEVICE, thing_id__in=records, entry__lte=index)
    return _events(set(about.values_list("entry", flat=True)), index, zone, records)


def records_of(device_id: UUID, index: int) -> set[UUID]:
    """Return a device's key and those of the records that were merged into it, one query a generation."""
    found, latest = {device_id}, {device_id}
    while latest:
        merges = Subject.objects.filter(
            kind=Kind.DEVICE,
            part="device",
            thing_id__in=latest,
            entry__lte=index,
            entry__verb=Verb.PROVISIONAL_MERGED,
        )
        removed = Subject.objects.filter(part="removed", entry__in=merges.values("entry"))
        latest = set(removed.values_list("thing_id", flat=True)) - found
        found |= latest
    return found


def told_event(index: int, zone: tzinfo = UTC) -> Event:
    """Return one entry as an event, whatever it is about; raises RuleBroken NOT_FOUND."""
    for event in _events([index], index, zone):
        return event
    raise absent("entry")


def told_events(
    indexes: Iterable[int],
    zone: tzinfo = UTC,
    known_index: int | None = None,
    focus: Collection[UUID] = (),
) -> dict[int, Event]:
    """Return entries as events by index, with things called as known right after `known_index`.

    That is the head unless told. What is in the reader's focus is named first; as many queries for many
    entries as for few.
    """
    index = head_index() if known_index is None else known_index
    return {event.index: event for event in _events(indexes, index, zone, focus)}


def _events(
    indexes: Iterable[int], known_index: int, zone: tzinfo, focus: Collection[UUID] = ()
) -> list[Event]:
    """Return the events of entries, by when they occurred; as many queries for many as for one.

    Where an entry names many things, those in the reader's focus are named first.
    """
    newest = sorted(indexes)[-EVENTS_MAX:]
    entries = list(Entry.objects.filter(index__in=newest).prefetch_related("subjects"))
    images = {entry.index: images_of(entry) for entry in entries if entry.verb.endswith(PUT_RIGHT)}
    everything = [image for found in images.values() for image in found if image[0] != "splitshare"]
    splits = {UUID(str(after["id"])) for table, _, after in everything if table == "split"}
    shares = told_shares(splits, known_index) if splits else {}
    people = _people(entries)
    called = {
        str(subject.thing_id): subject.label
        for entry in entries
        for subject in entry.subjects.all()
        if subject.kind not in RENAMED
    }
    things = called | referred_labels(everything, known_index, called)
    events = [
        _event(entry, images.get(entry.index, []), people, Words(things, shares, zone), focus)
        for entry in entries
    ]
    return sorted(events, key=lambda event: (event.occurred_at, event.index))


def images_of(entry: Entry) -> list[Written]:
    """Return the images of an entry: table, before, after."""
    body = parse_canonical(entry.body.encode())
    images = body.get("images") if isinstance(body, dict) else None
    found: list[Written] = []
    for image in images if isinstance(images, list) else []:
        if isinstance(image, dict) and isinstance(image["after"], dict):
            before = image["before"]
            found.append((str(image["table"]), before if isinstance(before, dict) else None, image["after"]))
    return found


def _people(entries: Iterable[Entry]) -> dict[UUID, str]:
    """Return the names of the people of entries who still have one."""
    keys = {entry.staff_id for entry in entries if entry.staff_id} | {
        subject.thing_id
        for entry in entries
        for subject in entry.subjects.all()
        if subject.kind == Kind.STAFF
    }
    return dict(Staff.objects.filter(pk__in=keys).exclude(name="").values_list("pk", "name"))


def _event(
    entry: Entry,
    images: list[Written],
    people: Mapping[UUID, str],
    words: Words,
    focus: Collection[UUID],
) -> Event:
    subjects = sorted(
        entry.subjects.all(), key=lambda subject: (subject.thing_id not in focus, subject.position)
    )
    parts: dict[str, list[str]] = {}
    for subject in subjects:
        parts.setdefault(subject.part, []).append(people.get(subject.thing_id, subject.label))
    verb = Verb(entry.verb)
    # As the entry called its subjects: what was corrected may be their very names.
    labels = {**words.labels, **{str(subject.thing_id): subject.label for subject in subjects}}
    labels |= {str(key): name for key, name in people.items()}
    return Event(
        index=entry.index,
        recorded_at=entry.recorded_at,
        occurred_at=entry.occurred_at,
        who=people.get(entry.staff_id, "a former staff member") if entry.staff_id else "the system",
        face=entry.face,
        verb=verb,
        words=sentence(verb, parts),
        reason=entry.reason,
        replaced=replaced(images, replace(words, labels=labels)),
        simulated=entry.simulated,
        cabinets=frozenset(s.thing_id for s in subjects if s.kind == Kind.CABINET),
        devices=frozenset(s.thing_id for s in subjects if s.kind == Kind.DEVICE),
    )
