"""What happened to a device, at a location or in a period, as an EPCIS document as known at R."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db.models import Q

from registry.models import Cabinet, CabinetWhereabouts, Depot, Device, DeviceWhereabouts, Entry, Location
from registry.models.base import PeriodVersion
from registry.queries.records import records_known_at, states_of
from registry.queries.timelines import records_of
from registry.rules.canonical import Json, time_text
from registry.rules.epcis import (
    Asked,
    Belief,
    Called,
    Names,
    Statement,
    Thing,
    Unit,
    cabinet_uri,
    chosen,
    document,
    location_uri,
    state,
)
from registry.rules.errors import Code, RuleBroken
from registry.rules.whereabouts import CabinetPlace, DevicePlace

EVENTS_MAX = 5_000  # of one document, about 4 MB of text; a longer one is asked for by shorter periods


@dataclass(frozen=True, slots=True)
class Span:
    """From when, and until before when, what a document tells of occurred; None for no such bound.

    Raises RuleBroken TIME_INVALID for an end that is not after the start.
    """

    starts: datetime | None = None
    ends: datetime | None = None

    def __post_init__(self) -> None:
        if self.starts is not None and self.ends is not None and self.ends <= self.starts:
            raise RuleBroken(
                Code.TIME_INVALID, "The period ends before it begins. Give a later end.", field="to"
            )

    def contains(self, moment: datetime) -> bool:
        """Say whether the moment lies in it; the end itself does not."""
        return (self.starts is None or self.starts <= moment) and (self.ends is None or moment < self.ends)

    @property
    def words(self) -> str:
        """Both bounds in words that are the same for the same instants."""
        told = [
            time_text(moment.astimezone(UTC)) if moment else "always" for moment in (self.starts, self.ends)
        ]
        return f"from {told[0]} to {told[1]}"


def device_document(device_id: UUID, index: int, span: Span) -> dict[str, Json]:
    """Return what happened to a device, and to its cabinets while it hung in them, as known at `index`.

    With what was told of records that turned out to be this device. Raises RuleBroken NO_EVENTS, TOO_MANY.
    """
    records = records_of(device_id, index)
    devices = _with_merged(records)
    places = _beliefs(DeviceWhereabouts, index, device__in=devices)
    cabinets = _hung_in(places)
    hung = [place for place in places if place.subject in records and place.at in cabinets]

    def wanted(statement: Statement) -> bool:
        happening = statement.happening
        if happening.subject not in cabinets:
            return happening.subject in records
        return any(
            stay.at == happening.subject
            and stay.valid_from < happening.occurred_at
            and (stay.valid_to is None or happening.occurred_at < stay.valid_to)
            # Believed when that was stated or later: an assignment that was open once says nothing any more.
            and (stay.superseded is None or stay.superseded > statement.index)
            for stay in hung
        )

    return _told(f"device {device_id}", index, span, wanted, places, cabinets)


def location_document(location_id: UUID, index: int, span: Span) -> dict[str, Json]:
    """Return what happened at a location to cabinets and devices, as known at `index`.

    Raises RuleBroken NO_EVENTS, TOO_MANY.
    """
    stood = CabinetWhereabouts.objects.filter(location=location_id, recorded__lte=index)
    cabinets = set(stood.values_list("cabinet_id", flat=True))
    hung = DeviceWhereabouts.objects.filter(cabinet__in=cabinets, recorded__lte=index)
    devices = _with_merged(set(hung.values_list("device_id", flat=True)))
    places = _beliefs(DeviceWhereabouts, index, device__in=devices)
    return _told(
        f"location {location_id}",
        index,
        span,
        lambda told: location_id in (told.happening.read_at, told.happening.stays_at),
        places,
        cabinets,
    )


def period_document(index: int, span: Span) -> dict[str, Json]:
    """Return what happened anywhere in a period, as known at `index`; raises RuleBroken NO_EVENTS, TOO_MANY.

    Each thing of which a period begins or ends then has an event then, so too many are told by that.
    """
    devices = _moved_in(DeviceWhereabouts, "device_id", index, span)
    cabinets = _moved_in(CabinetWhereabouts, "cabinet_id", index, span)
    _refuse_too_many(len(devices) + len(cabinets))
    places = _beliefs(DeviceWhereabouts, index, device__in=_with_merged(devices))
    return _told("everything", index, span, lambda _: True, places, cabinets)


# --- which things ----------------------------------------------------------------------------------


def _with_merged(devices: set[UUID]) -> set[UUID]:
    """Return devices with all records that stand for the same ones: merged into them, or they into those.

    A query a generation.
    """
    found, latest = set(devices), set(devices)
    while latest:
        merges = Device.objects.filter(
            Q(pk__in=latest, merged_into__isnull=False) | Q(merged_into__in=latest)
        ).values_list("pk", "merged_into")
        latest = {key for pair in merges for key in pair if key} - found
        found |= latest
    return found


def _moved_in(model: type[PeriodVersion], column: str, index: int, span: Span) -> set[UUID]:
    """Return the things of which a period ever believed begins or ends in the span, one more than may be."""
    begins = {"valid_from__gte": span.starts, "valid_from__lt": span.ends}
    ends = {"valid_to__gte": span.starts, "valid_to__lt": span.ends}
    within = [
        Q(**{name: bound for name, bound in bounds.items() if bound is not None}) for bounds in (begins, ends)
    ]
    moved = model.objects.filter(within[0] | within[1], recorded__lte=index)
    return set(moved.values_list(column, flat=True).distinct()[: EVENTS_MAX + 1])


def _refuse_too_many(count: int) -> None:
    if count > EVENTS_MAX:
        raise RuleBroken(
            Code.TOO_MANY,
            f"A document tells of at most {EVENTS_MAX} events, and there are more. Ask for a shorter period.",
            field="to",
            details={"limit": EVENTS_MAX},
        )


# --- what is told ----------------------------------------------------------------------------------


def _told(
    what: str,
    index: int,
    span: Span,
    wanted: Callable[[Statement], bool],
    places: list[Belief],
    cabinets: set[UUID],
) -> dict[str, Json]:
    """Return the document of what happened to the devices of these places and to these cabinets."""
    of_device = _by_subject(places)
    stays = _by_subject(_beliefs(CabinetWhereabouts, index, cabinet__in=cabinets | _hung_in(places)))
    locations = {
        stay.at for each in stays.values() for stay in each if stay.place is CabinetPlace.LOCATION and stay.at
    }
    location_states = states_of(Location, index, locations)
    cabinet_states = states_of(Cabinet, index, stays)
    names = Names(
        {
            **{
                key: _calls((since, location_uri(key, row.gln), row.time_zone) for since, row in states)
                for key, states in location_states.items()
            },
            **{
                key: _calls((since, cabinet_uri(key, row.asset_tag), None) for since, row in states)
                for key, states in cabinet_states.items()
            },
        }
    )
    units = [Unit(key, stays[key]) for key in sorted(cabinets & stays.keys())]
    for key, own in sorted(of_device.items()):
        units.append(
            Unit(key, own, {place.at: stays.get(place.at, ()) for place in own if place.at in stays})
        )
    entries = _entries({number for unit in units for number in unit.indexes(names, index)} | {index})
    statements = chosen(
        state(units, names, {number: entry.id for number, entry in entries.items()}, index),
        lambda told: span.contains(told.happening.occurred_at) and wanted(told),
    )
    _refuse_too_many(len(statements) + sum(statement.declared is not None for statement in statements))
    return document(
        Asked(f"{what} {span.words}", index),
        statements,
        {number: entry.recorded_at for number, entry in entries.items()},
        [
            *_things(statements, index),
            *(_place(key, states[-1][1]) for key, states in location_states.items()),
            *(
                Thing(key, "Cabinet", {"assetTag": states[-1][1].asset_tag})
                for key, states in cabinet_states.items()
            ),
        ],
    )


def _beliefs(model: Any, index: int, **about: Any) -> list[Belief]:
    """Return every version of where things were that was recorded up to `index`, earliest first."""
    of_devices = model is DeviceWhereabouts
    holders = ("cabinet_id", "staff_id", "depot_id") if of_devices else ("location_id", "depot_id")
    rows = model.objects.filter(recorded__lte=index, **about).order_by("valid_from", "id")
    columns = (
        *("period", f"{model.history_of}_id", "place", "valid_from", "valid_to", "starts_known_by"),
        *("recorded_id", "superseded_id"),
    )
    return [
        Belief(
            identity=row["period"],
            subject=row[f"{model.history_of}_id"],
            place=(DevicePlace if of_devices else CabinetPlace)(row["place"]),
            at=next((row[holder] for holder in holders if row[holder] is not None), None),
            valid_from=row["valid_from"],
            valid_to=row["valid_to"],
            known_by=row["starts_known_by"],
            recorded=row["recorded_id"],
            superseded=row["superseded_id"],
        )
        for row in rows.values(*columns, *holders)
    ]


def _hung_in(places: Iterable[Belief]) -> set[UUID]:
    return {place.at for place in places if place.place is DevicePlace.CABINET and place.at is not None}


def _by_subject(beliefs: Iterable[Belief]) -> dict[UUID, list[Belief]]:
    found: dict[UUID, list[Belief]] = {}
    for belief in beliefs:
        found.setdefault(belief.subject, []).append(belief)
    return found


def _calls(states: Iterable[tuple[int, str, str | None]]) -> list[Called]:
    """Return what a thing was called, without the states in which nothing of that changed."""
    found: list[Called] = []
    for since, uri, zone in states:
        if not found or (found[-1].uri, found[-1].zone) != (uri, zone):
            found.append(Called(since, uri, zone))
    return found


def _entries(indexes: set[int]) -> dict[int, Entry]:
    """Return entries by index, without their bodies."""
    return Entry.objects.only("index", "id", "recorded_at").in_bulk(indexes)


def _things(statements: Iterable[Statement], index: int) -> list[Thing]:
    """Return the devices and depots that statements name, as known at `index`."""
    named = {key for statement in statements for key in statement.happening.things}
    devices = records_known_at(Device, index, named)
    depots = records_known_at(Depot, index, named)
    return [
        *(Thing(key, "Device", {"serial": device.serial}) for key, device in devices.items()),
        *(Thing(key, "Depot", {"code": depot.code, "name": depot.name}) for key, depot in depots.items()),
    ]


def _place(key: UUID, location: Location) -> Thing:
    return Thing(
        key,
        "Location",
        {"name": location.name, "city": location.locality, "countryCode": location.country},
    )
