"""What devices reported, by serial and measured time."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias
from uuid import UUID

from django.db import connection
from django.db.models import Exists, OuterRef, Q, QuerySet

from registry.models import Device, DeviceWhereabouts, Reading
from registry.models.base import PeriodQuerySet
from registry.queries.assignments import devices_in
from registry.queries.cabinets import cabinets_in
from registry.queries.moments import Moment
from registry.rules.errors import absent
from registry.rules.readings import Report
from registry.rules.roles import Scope
from registry.rules.whereabouts import LIVE, DevicePlace

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


# --- whose they are, looked up and never stored ---------------------------------------------------------


def readings_in(
    moment: Moment,
    scope: Scope,
    *,
    serial: str | None = None,
    device_id: UUID | None = None,
    cabinet_id: UUID | None = None,
) -> "QuerySet[Reading]":
    """Return the readings of a serial, of a device, or from a cabinet, in no order.

    A cabinet's are those of a device that was assigned to it at the measured time. What is seen of a
    hidden device by its serial is nothing, as of one that never reported. Raises RuleBroken NOT_FOUND for an
    absent or hidden device or cabinet.
    """
    if cabinet_id is not None:
        if not cabinets_in(moment, scope).filter(pk=cabinet_id).exists():
            raise absent("cabinet")
        hung = _hung().filter(cabinet=cabinet_id)
        serials = set(hung.values_list("device__serial", flat=True))  # so that their own index is used
        return Reading.objects.filter(Exists(_then(hung)), serial__in=serials)
    if device_id is not None:
        device = devices_in(moment, scope).filter(pk=device_id).first()
        if device is None:
            raise absent("device")
        return Reading.objects.filter(serial=device.serial)
    if not seen_serials([serial or ""], moment, scope):
        return Reading.objects.none()
    return Reading.objects.filter(serial=serial)


def seen_serials(serials: Iterable[str], moment: Moment, scope: Scope) -> set[str]:
    """Return those serials whose device this person may see, or that no device has."""
    asked = set(serials)
    known = Device.objects.filter(serial__in=asked, standing__in=LIVE)
    hidden = (
        set()
        if scope.everywhere
        else set(known.exclude(pk__in=devices_in(moment, scope)).values_list("serial", flat=True))
    )
    return asked - hidden


@dataclass(frozen=True, slots=True)
class Placed:
    """A reading, and the assignment of its serial at the measured time; None where there was none."""

    reading: Reading
    stay: DeviceWhereabouts | None


def placed(rows: Iterable[Reading]) -> list[Placed]:
    """Return readings that were read, in their order, with their assignments as believed now: one query."""
    readings = list(rows)
    hung: dict[str, list[DeviceWhereabouts]] = {}
    stays = _hung().filter(device__serial__in={reading.serial for reading in readings})
    for stay in stays.select_related("device", "cabinet"):
        hung.setdefault(stay.device.serial, []).append(stay)

    def stay_of(reading: Reading) -> DeviceWhereabouts | None:
        there = hung.get(reading.serial, ())
        return next((stay for stay in there if stay.as_period().contains(reading.measured_at)), None)

    return [Placed(reading, stay_of(reading)) for reading in readings]


def _hung() -> "PeriodQuerySet":
    """Return what hung in which cabinet, as the register believes now."""
    return DeviceWhereabouts.objects.current().filter(place=DevicePlace.CABINET)


def _then(hung: "PeriodQuerySet") -> "QuerySet[Any]":
    """Return those of a reading's serial at its measured time."""
    return hung.filter(
        Q(valid_to=None) | Q(valid_to__gt=OuterRef("measured_at")),
        device__serial=OuterRef("serial"),
        valid_from__lte=OuterRef("measured_at"),
    )
