"""What happened, told in order: the timeline of a location and the trace of a device."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from registry.ledger.images import Image
from registry.models import (
    Account,
    CabinetWhereabouts,
    Depot,
    Entry,
    Product,
    SplitShare,
    Staff,
    Subject,
)
from registry.models.base import Record
from registry.queries.moments import head_index
from registry.queries.records import records_known_at
from registry.rules.canonical import Json, parse_canonical
from registry.rules.events import Kind, Verb, sentence
from registry.rules.splits import percent_text

EVENTS_MAX = 5_000  # of one story: the newest are told, so that a page stays a page

# What a reader calls a dated table, and the column that names whose history it is.
TABLE_WORDS = {
    "accountstate": ("state of account", "account_id"),
    "cabinetwhereabouts": ("place of cabinet", "cabinet_id"),
    "devicewhereabouts": ("place of device", "device_id"),
    "locationholding": ("holder of location", "location_id"),
    "locationstate": ("state of location", "location_id"),
    "split": ("split of cabinet", "cabinet_id"),
}
# Columns that say nothing to a reader of what was replaced.
SILENT = frozenset(
    {
        "id",
        "period",
        "recorded_index",
        "superseded_index",
        "registered_index",
        "revised_index",
        "name_commitment",
        "commitment",
    }
)
# How the verbs end of which a story tells what they replaced.
PUT_RIGHT = (".corrected", ".withdrawn", ".merged", ".rejected")
# What a withdrawn period said, beside its bounds.
FACTS = ("place", "state", "cabinet_id", "location_id", "account_id", "store_number", "depot_id", "staff_id")
# Columns that refer to what an entry need not be about, and so does not name.
REFERRED: dict[str, type[Record]] = {"depot_id": Depot, "parent_id": Account}


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


def location_timeline(location_id: UUID, *, known_index: int | None = None) -> list[Event]:
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
    return _events(indexes, index)


def device_trace(device_id: UUID, *, known_index: int | None = None) -> list[Event]:
    """Return every event of a device as known right after `known_index`, oldest first.

    What was told of a provisional record that turned out to be this device belongs to it.
    """
    index = head_index() if known_index is None else known_index
    about = Subject.objects.filter(
        kind=Kind.DEVICE, thing_id__in=_records_of(device_id, index), entry__lte=index
    )
    return _events(set(about.values_list("entry", flat=True)), index)


def _records_of(device_id: UUID, index: int) -> set[UUID]:
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


@dataclass(frozen=True, slots=True)
class _Names:
    """What is called how: people who still have a name, other things, and a split by its shares."""

    people: Mapping[UUID, str]
    things: Mapping[str, str]
    shares: Mapping[str, str]


def _events(indexes: Iterable[int], known_index: int) -> list[Event]:
    """Return the events of entries, by when they occurred; as many queries for many as for one."""
    newest = sorted(indexes)[-EVENTS_MAX:]
    entries = list(Entry.objects.filter(index__in=newest).prefetch_related("subjects"))
    images = {entry.index: _images(entry) for entry in entries if entry.verb.endswith(PUT_RIGHT)}
    names = _names(entries, [image for found in images.values() for image in found], known_index)
    events = [_event(entry, images.get(entry.index, []), names) for entry in entries]
    return sorted(events, key=lambda event: (event.occurred_at, event.index))


def _images(entry: Entry) -> list[tuple[str, Image | None, Image]]:
    """Return the images of an entry: table, before, after."""
    body = parse_canonical(entry.body.encode())
    images = body.get("images") if isinstance(body, dict) else None
    found: list[tuple[str, Image | None, Image]] = []
    for image in images if isinstance(images, list) else []:
        if isinstance(image, dict) and isinstance(image["after"], dict):
            before = image["before"]
            found.append((str(image["table"]), before if isinstance(before, dict) else None, image["after"]))
    return found


def _names(
    entries: Iterable[Entry], images: Iterable[tuple[str, Image | None, Image]], known_index: int
) -> _Names:
    wanted: dict[type[Record], set[UUID]] = {}
    people = {entry.staff_id for entry in entries if entry.staff_id} | {
        subject.thing_id
        for entry in entries
        for subject in entry.subjects.all()
        if subject.kind == Kind.STAFF
    }
    splits: set[UUID] = set()
    for table, before, after in images:
        if table == "split":
            splits.add(UUID(str(after["id"])))
        for image in (before or {}, after):
            if image.get("staff_id"):
                people.add(UUID(str(image["staff_id"])))
            for column, model in REFERRED.items():
                if image.get(column):
                    wanted.setdefault(model, set()).add(UUID(str(image[column])))
    shares = list(SplitShare.objects.filter(split__in=splits).order_by("position")) if splits else []
    if shares:
        wanted[Product] = {share.product_id for share in shares}
    things = {
        str(key): thing.label
        for model, keys in wanted.items()
        for key, thing in records_known_at(model, known_index, keys).items()
    }
    called = dict(Staff.objects.filter(pk__in=people).exclude(name="").values_list("pk", "name"))
    things |= {str(key): name for key, name in called.items()}
    shared: dict[str, str] = {}
    for share in shares:
        told = f"{things[str(share.product_id)]} {percent_text(share.hundredths)} %"
        before_it = shared.get(str(share.split_id))
        shared[str(share.split_id)] = f"{before_it}, {told}" if before_it else told
    return _Names(called, things, shared)


def _event(entry: Entry, images: list[tuple[str, Image | None, Image]], names: _Names) -> Event:
    subjects = sorted(entry.subjects.all(), key=lambda subject: subject.position)
    parts: dict[str, list[str]] = {}
    for subject in subjects:
        label = names.people.get(subject.thing_id, subject.label)
        parts.setdefault(subject.part, []).append(label)
    verb = Verb(entry.verb)
    labels = {**{str(subject.thing_id): subject.label for subject in subjects}, **names.things}
    return Event(
        index=entry.index,
        recorded_at=entry.recorded_at,
        occurred_at=entry.occurred_at,
        who=names.people.get(entry.staff_id, "a former staff member") if entry.staff_id else "the system",
        face=entry.face,
        verb=verb,
        words=sentence(verb, parts),
        reason=entry.reason,
        replaced=_replaced(images, labels, names.shares),
        simulated=entry.simulated,
        cabinets=frozenset(s.thing_id for s in subjects if s.kind == Kind.CABINET),
        devices=frozenset(s.thing_id for s in subjects if s.kind == Kind.DEVICE),
    )


def _replaced(
    images: list[tuple[str, Image | None, Image]], labels: Mapping[str, str], shares: Mapping[str, str]
) -> list[str]:
    """Return what a correction replaced, a line a change; nothing for what was merely added."""
    fresh = {
        (table, after["period"]): after
        for table, before, after in images
        if before is None and "period" in after
    }
    lines: list[str] = []
    for table, before, after in images:
        if before is None:
            continue
        if after.get("superseded_index") is None:
            lines += _changes(before, after, labels)
            continue
        words, column = TABLE_WORDS[table]
        whose = f"{words} {_value(column, before[column], labels)}"
        following = fresh.get((table, before["period"]))
        if following is None:
            lines.append(f"{whose}: {_period(before, column, labels, shares)} was withdrawn")
            continue
        lines += [f"{whose}: {change}" for change in _changes(before, following, labels)]
        was, now = shares.get(str(before["id"])), shares.get(str(following["id"]))
        if was != now:
            lines.append(f"{whose}: shares were {was}, are now {now}")
    return lines


def _period(before: Image, whose: str, labels: Mapping[str, str], shares: Mapping[str, str]) -> str:
    facts = [_value(name, before[name], labels) for name in FACTS if name != whose and before.get(name)]
    shared = shares.get(str(before["id"]))
    span = " to ".join(_value(end, before[end], labels) for end in ("valid_from", "valid_to"))
    return f"{' '.join([*facts, shared] if shared else facts)}, {span},"


def _changes(before: Mapping[str, Json], after: Mapping[str, Json], labels: Mapping[str, str]) -> list[str]:
    return [
        f"{column.removesuffix('_id').replace('_', ' ')} was {_value(column, value, labels)},"
        f" is now {_value(column, after.get(column), labels)}"
        for column, value in before.items()
        if column not in SILENT and after.get(column) != value
    ]


def _value(column: str, value: Json, labels: Mapping[str, str]) -> str:
    if value in (None, ""):
        return "still" if column == "valid_to" else "not said"
    if column in ("valid_from", "valid_to"):
        return f"{str(value)[:16].replace('T', ' ')} UTC"
    return labels.get(str(value), str(value))
