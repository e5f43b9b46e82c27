"""How a batch of readings reaches its table: set by set, and never over what stands there."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import connection

from registry.models.base import new_key
from registry.queries.readings import Instant, held_at
from registry.rules.readings import Report

_INSERT_ROW = (
    'INSERT INTO "registry_reading" ("id", "serial", "measured_at", "received_at", "distances_mm",'
    ' "temperatures_c", "supply_mv", "signal_dbm", "firmware", "reported_by_id")'
    " VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
)
_INSERT_SET = (
    'INSERT INTO "registry_reading" ("id", "serial", "measured_at", "received_at", "distances_mm",'
    ' "temperatures_c", "supply_mv", "signal_dbm", "firmware", "reported_by_id")'
    " SELECT * FROM unnest(%s::uuid[], %s::text[], %s::timestamptz[], %s::timestamptz[], %s::jsonb[],"
    " %s::jsonb[], %s::int[], %s::smallint[], %s::text[], %s::uuid[])"
    ' ON CONFLICT ("serial", "measured_at") DO NOTHING RETURNING "serial", "measured_at"'
)


def store(reports: Mapping[Instant, Report], received_at: datetime, token_id: UUID) -> dict[Instant, Report]:
    """Insert the reports of which none stands there yet; return what stands there of the others.

    In a transaction. On SQLite it holds the only write lock; on PostgreSQL another one may bring the same
    report at the same time, and is waited for.
    """
    held = held_at(reports)
    # In the order of their key, so that two batches with the same reports never wait for each other.
    fresh = [reports[instant] for instant in sorted(reports.keys() - held.keys())]
    if not fresh:
        return held
    rows = [_row(report, received_at, token_id) for report in fresh]
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.executemany(_INSERT_ROW, [[_adapted(value) for value in row] for row in rows])
            return held
        cursor.execute(_INSERT_SET, [list(column) for column in zip(*rows, strict=True)])
        stored = {(serial, measured_at) for serial, measured_at in cursor.fetchall()}
    overtaken = [report for report in fresh if (report.serial, report.measured_at) not in stored]
    return held | held_at((report.serial, report.measured_at) for report in overtaken)


def _row(report: Report, received_at: datetime, token_id: UUID) -> tuple[Any, ...]:
    return (
        new_key(),
        report.serial,
        report.measured_at,
        received_at,
        json.dumps(report.distances_mm),
        json.dumps(report.temperatures_c),
        report.supply_mv,
        report.signal_dbm,
        report.firmware,
        token_id,
    )


def _adapted(value: Any) -> Any:
    """Return a value in the form in which SQLite's columns hold keys and times."""
    if isinstance(value, UUID):
        return value.hex
    return connection.ops.adapt_datetimefield_value(value) if isinstance(value, datetime) else value
