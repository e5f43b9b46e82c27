"""What devices reported, by serial and measured time."""

import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, TypeAlias

from django.db import connection

from registry.models import Reading
from registry.rules.readings import Report

LIMIT_DEFAULT = 1_000  # rows of one serial that are read unless told

Instant: TypeAlias = tuple[str, datetime]  # a serial, and the measured time in UTC

_HELD = {
    "sqlite": (
        'SELECT r.* FROM json_each(%s) AS asked CROSS JOIN "registry_reading" r'
        """ ON r."serial" = json_extract(asked.value, '$[0]')"""
        """ AND r."measured_at" = json_extract(asked.value, '$[1]')"""
    ),
    "postgresql": (
        "SELECT r.* FROM unnest(%s::text[], %s::timestamptz[]) AS asked(serial, measured_at)"
        ' JOIN "registry_reading" r ON r."serial" = asked.serial AND r."measured_at" = asked.measured_at'
    ),
}


def held_at(instants: Iterable[Instant]) -> dict[Instant, Report]:
    """Return what was reported of each serial at just that time, where anything was: one query."""
    asked = list(instants)
    if connection.vendor == "sqlite":
        adapt = connection.ops.adapt_datetimefield_value
        given: list[Any] = [json.dumps([(serial, adapt(moment)) for serial, moment in asked])]
    else:
        given = [[serial for serial, _ in asked], [moment for _, moment in asked]]
    return {
        (reading.serial, reading.measured_at): as_report(reading)
        for reading in Reading.objects.raw(_HELD[connection.vendor], given)
    }


def as_report(reading: Reading) -> Report:
    """Return what a stored reading reports, as a plain value."""
    return Report(
        reading.serial,
        reading.measured_at,
        tuple(reading.distances_mm),
        tuple(reading.temperatures_c),
        reading.supply_mv,
        reading.signal_dbm,
        reading.firmware,
    )


SEALED_COLUMNS = tuple(field.attname for field in Reading._meta.local_concrete_fields if field.name != "seal")
_CHUNK = 2_000  # rows read at a time


def sealed_rows(index: int) -> Iterator[dict[str, Any]]:
    """Yield what entry `index` seals, by column, in the order of keys: the leaves of its tree."""
    found = Reading.objects.filter(seal=index).order_by("pk")
    yield from found.values(*SEALED_COLUMNS).iterator(chunk_size=_CHUNK)


def readings_of_serial(
    serial: str, since: datetime, until: datetime | None = None, limit: int = LIMIT_DEFAULT
) -> list[Reading]:
    """Return what a serial reported in [since, until), the newest last; of more than `limit` the newest."""
    found = Reading.objects.filter(serial=serial, measured_at__gte=since)
    if until is not None:
        found = found.filter(measured_at__lt=until)
    return list(found.order_by("-measured_at")[:limit])[::-1]


def last_report(serial: str) -> Reading | None:
    """Return the newest report of a serial, by measured time."""
    return Reading.objects.filter(serial=serial).order_by("-measured_at").first()
