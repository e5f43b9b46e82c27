"""Reports from nowhere: serials that nobody booked in, or that hung in no cabinet when they measured.

None is dropped and none counts for a cabinet. An assignment that is put right takes its reports out of here
by itself, because whose a report is, is looked up each time.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from itertools import groupby
from typing import Any
from uuid import UUID

from django.db import connection

from registry.models import Device, DeviceModel, DeviceWhereabouts
from registry.queries.assignments import DeviceAt, assignments_as_known, assignments_in, devices_as_known
from registry.queries.moments import Moment
from registry.queries.readings import seen_serials
from registry.rules.identifiers import SuggestionKind, candidates
from registry.rules.periods import Period
from registry.rules.roles import Scope
from registry.rules.whereabouts import LIVE, DevicePlace

SHOWN_MAX = 100  # serials with their likely places, the newest report first
LIKELY_MAX = 3
NEAR_MAX = 10_000  # serials in one query
LOOK_BACK = timedelta(days=30)  # unless told
EVER, NEVER = datetime(1, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)

# By walking down the index: as many steps as there are serials, however many reports each has.
_SERIALS = (
    'WITH RECURSIVE s(serial) AS (SELECT min("serial") FROM "registry_reading" UNION ALL SELECT'
    ' (SELECT min(r."serial") FROM "registry_reading" r WHERE r."serial" > s.serial) FROM s'
    " WHERE s.serial IS NOT NULL) SELECT serial FROM s WHERE serial IS NOT NULL"
)
_WITHIN = {
    "sqlite": (
        "SELECT asked.key, count(*), min(r.measured_at), max(r.measured_at) FROM json_each(%s) AS asked"
        """ CROSS JOIN "registry_reading" r ON r."serial" = json_extract(asked.value, '$[0]')"""
        """ AND r."measured_at" >= json_extract(asked.value, '$[1]')"""
        """ AND r."measured_at" < json_extract(asked.value, '$[2]')"""
        " WHERE %s IS NULL OR r.seal_index <= %s GROUP BY asked.key"
    ),
    "postgresql": (
        "SELECT asked.key - 1, count(*), min(r.measured_at), max(r.measured_at)"
        " FROM unnest(%s::text[], %s::timestamptz[], %s::timestamptz[])"
        " WITH ORDINALITY AS asked(serial, since, until, key)"
        ' JOIN "registry_reading" r ON r."serial" = asked.serial'
        ' AND r."measured_at" >= asked.since AND r."measured_at" < asked.until'
        " WHERE %s::bigint IS NULL OR r.seal_index <= %s GROUP BY asked.key"
    ),
}


class Why(StrEnum):
    """Why a report belongs to no cabinet."""

    UNKNOWN_SERIAL = "unknown_serial"  # no device has it
    NOT_ASSIGNED = "not_assigned"  # the device hung nowhere then


@dataclass(frozen=True, slots=True)
class Run:
    """How many reports a serial sent within a span, told by its place among those asked for."""

    span: int
    serial: str
    count: int
    first: datetime
    last: datetime


@dataclass(frozen=True, slots=True)
class Likely:
    """A cabinet in which the device may hang, and why one may think so."""

    cabinet: UUID
    words: str
    serial: str  # the device's own, or one that is a slip away


@dataclass(frozen=True, slots=True)
class Stray:
    """A serial that reported from nowhere; `place` says where the device is believed to be now."""

    run: Run
    why: Why
    device: Device | None = None
    place: str = ""
    likely: tuple[Likely, ...] = ()


@dataclass(frozen=True, slots=True)
class Quarantine:
    """The strays that are shown, the newest report first, and how many there are in all."""

    strays: list[Stray]
    total: int


def quarantine(moment: Moment, scope: Scope, since: datetime | None = None) -> Quarantine:
    """Return the serials that reported while assigned nowhere, measured since then (LOOK_BACK unless told).

    A device of another depot is left out, as everywhere; a serial that no device has is shown to all, with
    the cabinets that they may see.
    """
    serials = _serials()
    spans = unassigned_spans(serials, since or moment.valid_at - LOOK_BACK)
    runs = _merged(runs_within(spans))
    seen = seen_serials((run.serial for run in runs), moment, scope)
    runs = sorted((run for run in runs if run.serial in seen), key=lambda run: run.last, reverse=True)
    shown = runs[:SHOWN_MAX]
    devices = {
        device.serial: device
        for device in Device.objects.filter(serial__in={run.serial for run in shown}, standing__in=LIVE)
    }
    places = {at.device.pk: at for at in devices_as_known(devices.values(), moment)} if devices else {}
    return Quarantine(
        [_stray(run, devices.get(run.serial), places, moment, scope) for run in shown], len(runs)
    )


def unassigned_spans(
    serials: Sequence[str], since: datetime = EVER, until: datetime = NEVER
) -> list[tuple[str, datetime, datetime]]:
    """Return when each serial was assigned to no cabinet within [since, until), as is believed now."""
    hung: dict[str, list[Period]] = {}
    stays = DeviceWhereabouts.objects.current().filter(place=DevicePlace.CABINET)
    if len(serials) == 1:
        stays = stays.filter(device__serial=serials[0])
    for serial, valid_from, valid_to in stays.values_list("device__serial", "valid_from", "valid_to"):
        hung.setdefault(serial, []).append(Period(valid_from, valid_to))
    spans = []
    for serial in serials:
        at: datetime | None = since
        for period in sorted(hung.get(serial, ()), key=lambda period: period.valid_from):
            if at is not None and at < period.valid_from:
                spans.append((serial, at, min(period.valid_from, until)))
            at = None if at is None or period.valid_to is None else max(at, period.valid_to)
        if at is not None:
            spans.append((serial, at, until))
    return [span for span in spans if span[1] < span[2]]


def runs_within(spans: Sequence[tuple[str, datetime, datetime]], sealed_by: int | None = None) -> list[Run]:
    """Return what was reported within each span [since, until) in which anything was: one query.

    Of what entry `sealed_by` and those before it sealed, where told.
    """
    if not spans:
        return []
    if connection.vendor == "sqlite":
        adapt = connection.ops.adapt_datetimefield_value
        given: list[Any] = [
            json.dumps([(serial, adapt(since), adapt(until)) for serial, since, until in spans])
        ]
    else:
        given = [list(column) for column in zip(*spans, strict=True)]
    with connection.cursor() as cursor:
        cursor.execute(_WITHIN[connection.vendor], [*given, sealed_by, sealed_by])
        found = cursor.fetchall()
    return [
        Run(int(key), spans[int(key)][0], count, _moment(first), _moment(last))
        for key, count, first, last in sorted(found, key=lambda row: int(row[0]))
    ]


def _moment(value: Any) -> datetime:
    """Return a time as the database gave it, which SQLite tells as text without its offset."""
    moment = datetime.fromisoformat(value) if isinstance(value, str) else value
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment


def _serials() -> list[str]:
    with connection.cursor() as cursor:
        cursor.execute(_SERIALS)
        return [serial for (serial,) in cursor.fetchall()]


def _merged(runs: Iterable[Run]) -> list[Run]:
    """Return one run a serial; those of one serial follow each other."""
    merged = []
    for serial, group in groupby(runs, key=lambda run: run.serial):
        parts = list(group)
        merged.append(
            Run(
                parts[0].span,
                serial,
                sum(part.count for part in parts),
                min(part.first for part in parts),
                max(part.last for part in parts),
            )
        )
    return merged


def _stray(
    run: Run, device: Device | None, places: dict[UUID, DeviceAt], moment: Moment, scope: Scope
) -> Stray:
    if device is None:
        return Stray(run, Why.UNKNOWN_SERIAL, likely=tuple(_one_slip_away(run.serial, moment, scope)))
    at = places.get(device.pk)
    hung = assignments_in(moment, scope, ended_too=True).filter(device=device).order_by("-valid_from")
    likely = [
        Likely(
            place.place.cabinet_id,
            f"{'hangs' if place.place.valid_to is None else 'hung last'} in {place.words}",
            device.serial,
        )
        for place in assignments_as_known(hung[:1], moment)
        if place.place.cabinet_id is not None
    ]
    return Stray(run, Why.NOT_ASSIGNED, device, at.words if at else "", tuple(likely))


def _one_slip_away(serial: str, moment: Moment, scope: Scope) -> Iterable[Likely]:
    """Yield the cabinets in which a device hangs whose serial is a slip away, as if one was misread."""
    near: dict[str, SuggestionKind] = {}
    for scheme in dict.fromkeys(model.serial_scheme() for model in DeviceModel.objects.order_by("name")):
        near |= {found.serial: found.kind for found in candidates(serial, scheme)}
    hanging = (
        assignments_in(moment, scope)
        .filter(device__serial__in=list(near)[:NEAR_MAX])
        .order_by("device__serial")
    )
    for place in assignments_as_known(hanging[:LIKELY_MAX], moment):
        if place.place.cabinet_id is not None:
            yield Likely(
                place.place.cabinet_id,
                f"{place.device.serial}, a slip away, hangs in {place.words}",
                place.device.serial,
            )
