"""What happened, told in order: the timeline of a location and the trace of a device."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from registry.models import CabinetWhereabouts, Entry, Staff, Subject
from registry.queries.moments import head_index
from registry.rules.canonical import Json, parse_canonical
from registry.rules.events import Kind, Verb, sentence

EVENTS_MAX = 5_000  # of one story; a longer one is cut at its beginning and says so

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
    }
)


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
    return _events(indexes)


def device_trace(device_id: UUID, *, known_index: int | None = None) -> list[Event]:
    """Return every event of a device as known right after `known_index`, oldest first."""
    index = head_index() if known_index is None else known_index
    about = Subject.objects.filter(kind=Kind.DEVICE, thing_id=device_id, entry__lte=index)
    return _events(set(about.values_list("entry", flat=True)))


def _events(indexes: Iterable[int]) -> list[Event]:
    """Return the events of entries, by when they occurred; three queries."""
    newest = sorted(indexes)[-EVENTS_MAX:]
    entries = list(Entry.objects.filter(index__in=newest).prefetch_related("subjects"))
    names = dict(Staff.objects.filter(pk__in={entry.staff_id for entry in entries}).values_list("pk", "name"))
    events = [_event(entry, names) for entry in entries]
    return sorted(events, key=lambda event: (event.occurred_at, event.index))


def _event(entry: Entry, names: Mapping[UUID, str]) -> Event:
    subjects = sorted(entry.subjects.all(), key=lambda subject: subject.position)
    parts: dict[str, list[str]] = {}
    for subject in subjects:
        label = names.get(subject.thing_id, subject.label)
        parts.setdefault(subject.part, []).append(label)
    verb = Verb(entry.verb)
    return Event(
        index=entry.index,
        recorded_at=entry.recorded_at,
        occurred_at=entry.occurred_at,
        who=names.get(entry.staff_id, "a former staff member") if entry.staff_id else "the system",
        face=entry.face,
        verb=verb,
        words=sentence(verb, parts),
        reason=entry.reason,
        replaced=_replaced(entry, {str(subject.thing_id): subject.label for subject in subjects}),
        simulated=entry.simulated,
        cabinets=frozenset(s.thing_id for s in subjects if s.kind == Kind.CABINET),
        devices=frozenset(s.thing_id for s in subjects if s.kind == Kind.DEVICE),
    )


def _replaced(entry: Entry, labels: Mapping[str, str]) -> list[str]:
    """Return what a correction replaced, a line a change; nothing for what was merely added."""
    if not entry.verb.endswith((".corrected", ".withdrawn", ".merged", ".rejected")):
        return []
    body = parse_canonical(entry.body.encode())
    images = body.get("images") if isinstance(body, dict) else None
    lines: list[str] = []
    fresh = _inserted(images)
    for image in images if isinstance(images, list) else []:
        if not isinstance(image, dict) or not isinstance(image["before"], dict):
            continue
        table, before, after = str(image["table"]), image["before"], image["after"]
        if not isinstance(after, dict):
            continue
        if after.get("superseded_index") is None:
            lines += _changes(before, after, labels)
            continue
        words, column = TABLE_WORDS[table]
        whose = f"{words} {_value(column, before[column], labels)}"
        following = fresh.get((table, str(before["period"])))
        if following is None:
            span = " to ".join(_value(end, before[end], labels) for end in ("valid_from", "valid_to"))
            lines.append(f"{whose}, {span}: withdrawn")
        else:
            lines += [f"{whose}: {change}" for change in _changes(before, following, labels)]
    return lines


def _inserted(images: Json) -> dict[tuple[str, str], dict[str, Json]]:
    """Return the versions that an entry inserted, by table and period."""
    found: dict[tuple[str, str], dict[str, Json]] = {}
    for image in images if isinstance(images, list) else []:
        if isinstance(image, dict) and image["before"] is None and isinstance(image["after"], dict):
            period = image["after"].get("period")
            if period is not None:
                found[str(image["table"]), str(period)] = image["after"]
    return found


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
