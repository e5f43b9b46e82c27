"""The chain of a device's whereabouts: who had it from when to when, who said so, and what is found in it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from itertools import pairwise
from uuid import UUID

from django.db.models import Q

from registry.models import Cabinet, CabinetWhereabouts, Depot, Device, DeviceWhereabouts, Location, Subject
from registry.queries.cabinets import stay_words
from registry.queries.moments import Moment
from registry.queries.periods import place_words
from registry.queries.quarantine import EVER, runs_within
from registry.queries.records import refer_as_known
from registry.queries.timelines import PUT_RIGHT, Event, records_of, told_events
from registry.rules import traces
from registry.rules.errors import absent
from registry.rules.events import Kind, Verb
from registry.rules.periods import Period
from registry.rules.traces import CabinetStay, DeviceStay, Finding, FormerStay, History, Reported
from registry.rules.whereabouts import LIVE, WORDS, CabinetPlace, DevicePlace

# Custody that is told by what became of the device, not by who has it.
_TOLD_BY_STATE = frozenset({DevicePlace.MAKER, DevicePlace.LOST, DevicePlace.RETIRED})
# What followers are called in the entry of a cabinet that moved.
_FOLLOWED = "device"


@dataclass(frozen=True, slots=True)
class Belief:
    """What was believed of one period from entry `recorded` on, until entry `superseded` put it right."""

    identity: UUID
    words: str
    period: Period
    starts_known_by: bool
    recorded: int
    superseded: int


@dataclass(frozen=True, slots=True)
class Stood:
    """Where a cabinet stood during a part of an assignment; what the stay refers to has been read."""

    stay: CabinetWhereabouts
    period: Period

    @property
    def words(self) -> str:
        """The store, or the depot, in words."""
        return stay_words(self.stay)

    @property
    def answering(self) -> Depot | None:
        """The depot that answered for it there."""
        depot: Depot | None = self.stay.location.depot if self.stay.location is not None else self.stay.depot
        return depot


@dataclass(frozen=True, slots=True)
class ChainStay:
    """One link of the chain: a device with one holder, as of V.

    `entries` made the link what it is, earliest first; `corrections` are those of them that put it right,
    and `replaced` is what those took back. `merged_from` is the serial of the record under which it was
    told first, blank where that is the device's own.
    """

    place: DeviceWhereabouts
    words: str
    period: Period
    stood: tuple[Stood, ...]
    entries: tuple[int, ...]
    corrections: tuple[int, ...]
    replaced: tuple[Belief, ...]
    merged_from: str

    @property
    def end_reason(self) -> str:
        """Why an assignment ended by V, a word of EndReason; blank while it ran."""
        return self.place.end_reason if self.period.valid_to else ""

    @property
    def end_note(self) -> str:
        """Why an assignment ended by V, in words."""
        return self.place.end_note if self.period.valid_to else ""


@dataclass(frozen=True, slots=True)
class Chain:
    """A device's whereabouts as of V, known at R: its links, what was withdrawn, and what is found.

    `events` are the entries to which any of them refers, by index.
    """

    device: Device
    stays: tuple[ChainStay, ...]
    withdrawn: tuple[Belief, ...]
    findings: tuple[Finding, ...]
    events: Mapping[int, Event]

    def told_by(self, link: ChainStay) -> list[Event]:
        """Return the entries that made a link what it is, earliest first."""
        return [self.events[index] for index in link.entries if index in self.events]

    def found_in(self, link: ChainStay) -> list[Finding]:
        """Return what is found in a link, the gravest first."""
        return [finding for finding in self.findings if link.place.period in finding.periods]


def device_chain(device_id: UUID, moment: Moment, zone: tzinfo = UTC) -> Chain:
    """Return the chain of a device, whoever asks; raises RuleBroken NOT_FOUND where there is no device.

    What was told of a provisional record that turned out to be this device belongs to it. As many queries
    for a long chain as for a short one: one more a generation of merged records, two more for each kind of
    thing of which one was revised since, one more where another record had the serial.
    """
    device = Device.objects.filter(pk=device_id).first()
    if device is None:
        raise absent("device")
    records = records_of(device_id, moment.index)
    told = _Told(_versions(records, moment.index), device_id)
    events = told_events(told.indexes(), zone, moment.index, records)
    brought = _brought(records, moment.index)
    cabinets = {version.cabinet_id for version in told.believed if version.cabinet_id}
    stays = _cabinet_stays(cabinets, brought, moment)
    stays_of: dict[UUID, list[CabinetWhereabouts]] = {}
    for stay in stays:
        stays_of.setdefault(stay.cabinet_id, []).append(stay)
    serials = dict(Device.objects.filter(pk__in=records).values_list("pk", "serial"))
    links = tuple(
        link
        for version in told.believed
        if (link := _link(version, told, events, stays_of, serials, moment)) is not None
    )
    history = History(
        [_device_stay(link.place, link.period) for link in links],
        [
            _cabinet_stay(stay, period, brought)
            for stay in stays
            if (period := traces.as_of(stay.as_period(), moment.valid_at))
        ],
        _former(device, records, moment),
        _reported(device, links, moment),
    )
    withdrawn = tuple(belief for belief in told.withdrawn(events) if _began(belief, moment))
    return Chain(device, links, withdrawn, tuple(traces.find(history)), events)


def holder_words(place: DeviceWhereabouts) -> str:
    """Return who or what had a device, in words; what the place refers to has been read already."""
    if place.place in _TOLD_BY_STATE:
        return WORDS[DevicePlace(place.place)]
    slot = f" in slot {place.slot}" if place.slot not in (None, 1) else ""
    return place_words(place) + slot


# --- what was said, and by whom ----------------------------------------------------------------------


def _versions(records: Iterable[UUID], index: int) -> list[DeviceWhereabouts]:
    """Return all that was ever believed of these records by entry `index`, in the order it was said."""
    versions = DeviceWhereabouts.objects.filter(device__in=records, recorded__lte=index)
    found = list(versions.select_related("staff").order_by("recorded", "valid_from", "id"))
    refer_as_known(found, index, cabinet=Cabinet, depot=Depot)
    for version in found:
        if version.superseded_id is not None and version.superseded_id > index:
            version.superseded_id = None  # not known yet
    return found


class _Told:
    """The versions of a device's periods, and of the records that were merged into it."""

    def __init__(self, versions: Sequence[DeviceWhereabouts], device_id: UUID) -> None:
        self.of: dict[UUID, list[DeviceWhereabouts]] = {}
        for version in versions:
            self.of.setdefault(version.period, []).append(version)
        self.believed = sorted(
            (v for v in versions if v.superseded_id is None and v.device_id == device_id),
            key=lambda version: version.valid_from,
        )
        # A merge gives each period to the other device under a new identity, in the same entry.
        given = {
            (version.superseded_id, version.valid_from): version
            for version in versions
            if version.device_id != device_id and version.superseded_id is not None
        }
        self.source = {
            after.period: before.period
            for after in versions
            if (before := given.get((after.recorded_id, after.valid_from)))
            and before.device_id != after.device_id
        }

    def indexes(self) -> set[int]:
        """Return every entry that made or superseded a version."""
        made = {version.recorded_id for versions in self.of.values() for version in versions}
        ended = {version.superseded_id for versions in self.of.values() for version in versions}
        return made | {index for index in ended if index is not None}

    def line(self, period: UUID) -> list[DeviceWhereabouts]:
        """Return the versions of a period, those of the merged record that it comes from first."""
        before = self.line(self.source[period]) if period in self.source else []
        return [*before, *self.of[period]]

    def withdrawn(self, events: Mapping[int, Event]) -> list[Belief]:
        """Return the last belief of each period that was taken back with nothing in its stead."""
        lived_on = set(self.source.values())
        last = [versions[-1] for period, versions in self.of.items() if period not in lived_on]
        return sorted(
            (_belief(version) for version in last if _put_right(version.superseded_id, events)),
            key=lambda belief: belief.period.valid_from,
        )


def _put_right(index: int | None, events: Mapping[int, Event]) -> bool:
    return index is not None and index in events and events[index].verb.endswith(PUT_RIGHT)


def _belief(version: DeviceWhereabouts) -> Belief:
    return Belief(
        version.period,
        holder_words(version),
        version.as_period(),
        version.starts_known_by,
        version.recorded_id,
        version.superseded_id or 0,
    )


def _began(belief: Belief, moment: Moment) -> bool:
    return belief.period.valid_from <= moment.valid_at


def _link(
    version: DeviceWhereabouts,
    told: _Told,
    events: Mapping[int, Event],
    stays: Mapping[UUID, Sequence[CabinetWhereabouts]],
    serials: Mapping[UUID, str],
    moment: Moment,
) -> ChainStay | None:
    """Return a believed version as a link of the chain, None for one that had not begun by V."""
    period = traces.as_of(version.as_period(), moment.valid_at)
    if period is None:
        return None
    line = told.line(version.period)
    # Told of another record and then merged is said twice, not put right.
    replaced = [
        _belief(before)
        for before, after in pairwise(line)
        if before.device_id == after.device_id
        and _put_right(before.superseded_id, events)
        and _said(before) != _said(after)
    ]
    made = [one.recorded_id for one in line]
    stood = [
        Stood(stay, both)
        for stay in stays.get(version.cabinet_id or version.period, ())
        if (both := traces.shared(period, stay.as_period()))
    ]
    first = line[0].device_id
    return ChainStay(
        version,
        holder_words(version),
        period,
        tuple(stood),
        tuple(made),
        tuple(index for index in made if _put_right(index, events)),
        tuple(replaced),
        serials[first] if first != version.device_id else "",
    )


def _said(version: DeviceWhereabouts) -> tuple[object, ...]:
    """Return what a chain tells of a version."""
    return holder_words(version), version.as_period(), version.starts_known_by, version.end_reason


# --- where the cabinets stood ------------------------------------------------------------------------


def _brought(records: Iterable[UUID], index: int) -> set[UUID]:
    """Return the stays of cabinets (by identity) with which the device went, as entries tell."""
    moves = Subject.objects.filter(
        kind=Kind.DEVICE,
        part=_FOLLOWED,
        thing_id__in=records,
        entry__lte=index,
        entry__verb=Verb.CABINET_MOVED,
    )
    # Such an entry closes the stay before, and writes the new one without an end.
    opened = CabinetWhereabouts.objects.filter(recorded__in=moves.values("entry"), valid_to=None)
    return set(opened.values_list("period", flat=True))


def _cabinet_stays(cabinets: set[UUID], brought: set[UUID], moment: Moment) -> list[CabinetWhereabouts]:
    """Return where cabinets stood as believed at R, with the rest of the stays that brought the device."""
    stays = list(
        CabinetWhereabouts.objects.believed_at(moment.index)
        .filter(Q(cabinet__in=cabinets) | Q(period__in=brought))
        .order_by("valid_from", "id")
    )
    refer_as_known(stays, moment.index, cabinet=Cabinet, location=Location, depot=Depot)
    refer_as_known([stay.location for stay in stays if stay.location], moment.index, depot=Depot)
    return stays


def _former(device: Device, records: set[UUID], moment: Moment) -> list[FormerStay]:
    """Return what other records of the serial were believed to be until they were judged."""
    others = list(
        Device.objects.filter(serial=device.serial, registered__lte=moment.index)
        .exclude(pk__in=records)
        .values_list("pk", flat=True)
    )
    if not others:
        return []
    judged = DeviceWhereabouts.objects.filter(
        device__in=others,
        superseded__lte=moment.index,
        superseded__verb__in=[Verb.PROVISIONAL_MERGED, Verb.PROVISIONAL_REJECTED],
    )
    versions = list(judged.select_related("staff").order_by("valid_from", "id"))
    refer_as_known(versions, moment.index, cabinet=Cabinet, depot=Depot)
    return [
        FormerStay(_device_stay(version, period), version.superseded_id or 0)
        for version in versions
        if (period := traces.as_of(version.as_period(), moment.valid_at))
    ]


# --- what it reported ------------------------------------------------------------------------------------


def _reported(device: Device, links: Sequence[ChainStay], moment: Moment) -> list[Reported]:
    """Return what the serial reported by V outside any cabinet, by stay: one query.

    What was sealed by R; at the head also what waits for its seal. A record that stands for no device has
    no reports: they are another's.
    """
    if device.standing not in LIVE or not links:
        return []
    stays: list[tuple[UUID | None, datetime, datetime]] = [(None, EVER, links[0].period.valid_from)]
    stays += [
        (link.place.period, link.period.valid_from, link.period.valid_to or moment.valid_at)
        for link in links
        if link.place.place != DevicePlace.CABINET
    ]
    runs = runs_within(
        [(device.serial, since, until) for _, since, until in stays],
        None if moment.at_head else moment.index,
    )
    return [Reported(stays[run.span][0], run.count, run.first, run.last) for run in runs]


# --- as the rules take it ----------------------------------------------------------------------------


def _device_stay(place: DeviceWhereabouts, period: Period) -> DeviceStay:
    return DeviceStay(
        place.period,
        period,
        DevicePlace(place.place),
        holder_words(place),
        place.cabinet_id,
        place.starts_known_by,
        place.end_reason if period.valid_to else "",  # as of V it may have run still
        place.reference,
    )


def _cabinet_stay(stay: CabinetWhereabouts, period: Period, brought: set[UUID]) -> CabinetStay:
    return CabinetStay(
        stay.period,
        stay.cabinet_id,
        stay.cabinet.label,
        period,
        CabinetPlace(stay.place),
        stay.location_id or stay.depot_id or stay.period,
        Stood(stay, period).words,
        stay.period in brought,
    )
