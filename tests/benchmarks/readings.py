"""How long an intake of readings takes, beside the same rows written by the bare driver.

Run by hand, from the folder that holds manage.py; pytest never collects it:

    .venv/bin/python -m tests.benchmarks.readings [--rounds 30] [--size 500] [--database sqlite|postgresql]

Two ways of writing take turns, a batch of `--size` rows each a round (at most 500), into tables that grow
alike:

- raw: one transaction of the plain driver with rows read before, INSERT OR IGNORE by executemany on SQLite,
  unnest with ON CONFLICT DO NOTHING on PostgreSQL, into a table of the same columns with a primary key and
  the unique key of serial and time, but no guard, check or foreign key;
- intake: `take_readings`, in process: each row read from plain JSON values and checked, what stands there
  looked up, and the rows inserted under guards, checks and keys.

Then a batch of repeats is timed, and the seal of all rows. Times are of this machine; the ratio carries over.
Both databases keep what they answered for, as in `assignment`.
"""

import json
import os
import sqlite3
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from statistics import median
from typing import Any
from uuid import uuid4

from tests.benchmarks.assignment import run_by_database

SERIALS = 200
CREATE = (
    'CREATE TABLE "{table}" (id {key} PRIMARY KEY, serial varchar(40) NOT NULL, measured_at {time} NOT NULL,'
    " received_at {time} NOT NULL, distances_mm {json} NOT NULL, temperatures_c {json} NOT NULL,"
    " supply_mv integer, signal_dbm smallint, firmware varchar(40) NOT NULL, reported_by {key} NOT NULL,"
    " seal_index bigint, UNIQUE (serial, measured_at))"
)


def main() -> None:
    """Run the benchmark: once for each database, each in a process of its own."""
    run_by_database(
        "tests.benchmarks.readings", "Time an intake of readings beside the bare driver.", _measure
    )


def _measure(rounds: int, size: int) -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.core.management import call_command

    from registry.ledger import clock

    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # only set-up uses it
    call_command("migrate", verbosity=0)
    with clock.simulated(datetime.now(UTC)) as simulated:
        _measured(rounds, size, simulated)


def _measured(rounds: int, size: int, simulated: Any) -> None:
    from django.db import connection

    from registry.actions import tokens
    from registry.actions._action import SYSTEM
    from registry.actions.readings import seal_readings, take_readings
    from tests.factories.world import World

    world = World.found(simulated)
    token, _ = tokens.issue_device_token(world.administrator, name="Gateway")
    now = simulated.at
    raw = raw_sqlite(now) if connection.vendor == "sqlite" else raw_postgresql(now)

    def intake(rows: list[dict[str, Any]]) -> None:
        assert {one.outcome for one in take_readings(token, rows, seal=False)} == {"accepted"}

    taken: dict[str, list[float]] = {"raw": [], "intake": []}
    for number in range(rounds + 2):
        rows = batch(number, size, now)
        parsed = [parse(row, now) for row in rows]
        for way, seconds in (("raw", timed(raw, parsed)), ("intake", timed(intake, rows))):
            if number >= 2:  # after a warm-up
                taken[way].append(seconds)
    print(f"{connection.vendor}: {rounds} rounds of {size} rows, rows a second, median [least, greatest]")
    for way, each in taken.items():
        print(f"  {way:8} {size / median(each):9,.0f} [{size / max(each):,.0f}, {size / min(each):,.0f}]")
    ratios = [intake / raw for intake, raw in zip(taken["intake"], taken["raw"], strict=True)]
    print(f"  intake takes {median(ratios):.2f} [{min(ratios):.2f}, {max(ratios):.2f}] times as long as raw")
    again = timed(lambda rows: take_readings(token, rows, seal=False), batch(2, size, now))
    print(f"  a batch of repeats: {size / again:,.0f} rows a second")
    simulated.at += timedelta(hours=2)
    seconds = timed(seal_readings, SYSTEM)
    count = (rounds + 2) * size
    print(f"  the seal of {count:,} rows: {seconds:.2f} s, {1e6 * seconds / count:.1f} us a row")


def batch(number: int, size: int, now: datetime) -> list[dict[str, Any]]:
    """Return a batch as it comes, of many devices, each with a fresh time."""
    return [
        {
            "serial": f"PB{place % SERIALS:07d}",
            "measured_at": (now - timedelta(seconds=1 + number * 1_000 + place)).isoformat(),
            "distances_mm": [412 + place % 100, 655, 655 + number % 50],
            "temperatures_c": [-18.5],
            "supply_mv": 3_600,
            "signal_dbm": -97,
            "firmware": "2.8.1",
        }
        for place in range(size)
    ]


def parse(row: dict[str, Any], now: datetime) -> tuple[Any, ...]:
    """Return a row as a driver takes it."""
    return (
        uuid4(),
        row["serial"],
        datetime.fromisoformat(row["measured_at"]),
        now,
        json.dumps(row["distances_mm"]),
        json.dumps(row["temperatures_c"]),
        row["supply_mv"],
        row["signal_dbm"],
        row["firmware"],
        uuid4(),
    )


def timed(do: Callable[[Any], object], rows: Any) -> float:
    """Return the seconds that something took."""
    begin = time.perf_counter()
    do(rows)
    return time.perf_counter() - begin


def raw_sqlite(now: datetime) -> Callable[[Any], object]:
    """Return the plain driver's way, into a table beside the register's."""
    from django.db import connection

    raw = sqlite3.connect(connection.settings_dict["NAME"], isolation_level=None)
    raw.execute("PRAGMA synchronous=FULL")
    raw.execute(CREATE.format(table="raw", key="char(32)", time="datetime", json="text"))
    insert = f'INSERT OR IGNORE INTO "raw" VALUES ({", ".join("?" * 10)}, NULL)'

    def write(rows: list[tuple[Any, ...]]) -> None:
        plain = [(row[0].hex, row[1], str(row[2]), str(row[3]), *row[4:9], row[9].hex) for row in rows]
        raw.execute("BEGIN IMMEDIATE")
        raw.executemany(insert, plain)
        raw.execute("COMMIT")

    return write


def raw_postgresql(now: datetime) -> Callable[[Any], object]:
    """Return the plain driver's way, into a table beside the register's."""
    import psycopg
    from django.db import connection

    known = connection.get_connection_params()
    raw = psycopg.connect(
        **{name: known[name] for name in ("dbname", "user", "password", "host", "port") if known.get(name)}
    )
    raw.execute(CREATE.format(table="raw", key="uuid", time="timestamptz", json="jsonb"))
    raw.commit()
    insert = (
        'INSERT INTO "raw" SELECT *, NULL FROM unnest(%s::uuid[], %s::text[], %s::timestamptz[],'
        " %s::timestamptz[], %s::jsonb[], %s::jsonb[], %s::int[], %s::smallint[], %s::text[], %s::uuid[])"
        " ON CONFLICT (serial, measured_at) DO NOTHING"
    )

    def write(rows: list[tuple[Any, ...]]) -> None:
        raw.execute(insert, [list(column) for column in zip(*rows, strict=True)])
        raw.commit()

    return write


if __name__ == "__main__":
    main()
