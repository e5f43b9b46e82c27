"""How long one assignment takes, beside the same facts written by the bare driver.

Run by hand, from the folder that holds manage.py; pytest never collects it:

    .venv/bin/python -m tests.benchmarks.assignment [--rounds 9] [--size 100] [--database sqlite|postgresql]

Two ways of writing take turns in one run, `--size` times each a round, so that whatever else the machine
does falls on both; before each round, a tenth as many of each warm up:

- raw: one transaction of the plain driver (sqlite3, psycopg), prepared statements where it has them, with
  one look-up by serial, one UPDATE that supersedes the device's present whereabouts, one INSERT of the
  assignment, and one INSERT of a ledger entry with a body of two kilobytes. It writes into tables of the
  same columns that carry a primary key and an index on the serial, but no guard and no foreign key;
- action: `assign_device`, in process, with the lock, every check, guards, images and entry.

Times are of this machine and of little worth elsewhere; the ratio carries over. Both databases keep what
they answered for: SQLite with WAL and synchronous=FULL, PostgreSQL with fsync and synchronous_commit on.
No device and no cabinet is used twice, and a refusal ends the run: a refused write would be a fast one.
Printed are medians over rounds with the least and the greatest, then where an action's time goes:
statements by kind, and time spent in the database and in Python.
"""

import argparse
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from statistics import median
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid4

if TYPE_CHECKING:
    from tests.factories.world import World

DATABASES = ("sqlite", "postgresql")
BODY = "x" * 2_000  # about the canonical text of an assignment's entry
DETAIL_ACTIONS = 50  # looked into at the end, apart from what is timed

# An action a call; each takes the number of its device and cabinet.
Way = Callable[[int], None]


def main() -> None:
    """Run the benchmark: once for each database, each in a process of its own."""
    run_by_database("tests.benchmarks.assignment", "Time one assignment beside the bare driver.", _measure)


def run_by_database(module: str, words: str, measure: Callable[[int, int], None]) -> None:
    """Let a module measure, rounds by size, once for each database, each in a process of its own."""
    parser = argparse.ArgumentParser(description=words)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--size", type=int, default=100, help="of each way in a round")
    parser.add_argument("--database", choices=DATABASES, help="one of the two only")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inside:
        measure(options.rounds, options.size)
        return
    for database in [options.database] if options.database else DATABASES:
        with tempfile.TemporaryDirectory() as home:
            url = durable_server() if database == "postgresql" else f"sqlite:///{home}/rimebook.sqlite3"
            environment = {**os.environ, "RIMEBOOK_DATABASE_URL": url, "RIMEBOOK_DATA_DIR": home}
            same = [f"--rounds={options.rounds}", f"--size={options.size}", "--inside"]
            subprocess.run([sys.executable, "-m", module, *same], env=environment, check=True)


def durable_server() -> str:
    from tests import postgresql

    return postgresql.server_url(options="")


def _measure(rounds: int, size: int) -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.core.management import call_command
    from django.db import connection

    from tests.factories.world import World

    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # only set-up uses it
    call_command("migrate", verbosity=0)
    warm_up = max(1, size // 10)
    count = rounds * (size + warm_up) + DETAIL_ACTIONS
    world = World.found(SimpleNamespace(at=datetime.now(UTC)))
    act = action_of(world, stocked(world, count))
    raw = raw_sqlite(count) if connection.vendor == "sqlite" else raw_postgresql(count)
    numbers = {"raw": iter(range(count)), "action": iter(range(count))}
    taken: dict[str, list[float]] = {"raw": [], "action": []}
    for _ in range(rounds):
        for way, do in (("raw", raw), ("action", act)):
            timed(do, numbers[way], warm_up)
        sums = dict.fromkeys(taken, 0.0)
        for _ in range(size):
            for way, do in (("raw", raw), ("action", act)):
                sums[way] += timed(do, numbers[way], 1)
        for way, seconds in sums.items():
            taken[way].append(seconds / size)
    print(f"{connection.vendor}: {rounds} rounds of {size}, seconds each, median [least, greatest]")
    for way, seconds_each in taken.items():
        print(f"  {way:<7} {spread(seconds_each, '.6f')}")
    ratios = [slow / fast for slow, fast in zip(taken["action"], taken["raw"], strict=True)]
    print(f"  action / raw, round by round: {spread(ratios, '.1f')}")
    tell_where_time_goes("action", act, numbers["action"])


def timed(do: Way, numbers: Iterator[int], times: int) -> float:
    begin = time.perf_counter()
    for _ in range(times):
        do(next(numbers))
    return time.perf_counter() - begin


def spread(values: list[float], form: str) -> str:
    return f"{median(values):{form}} [{min(values):{form}}, {max(values):{form}}]"


# --- the action ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stock:
    """Devices in a depot and cabinets in stores, by number, and when each is assigned."""

    serials: list[str]
    cabinets: list[UUID]
    at: datetime


def stocked(world: "World", count: int) -> Stock:
    """Register `count` devices and cabinets."""
    from registry.actions._devices import NewDevice
    from registry.actions._stores import CABINETS_MAX, NewCabinet
    from registry.actions.devices import receive_devices
    from registry.actions.locations import register_location
    from registry.models import Cabinet
    from registry.rules.devices import RECEIVED_MAX
    from tests.factories.world import new_location

    serials: list[str] = []
    for begin in range(0, count, RECEIVED_MAX):
        batch = [world.serial() for _ in range(min(RECEIVED_MAX, count - begin))]
        receive_devices(
            world.office,
            devices=[NewDevice(world.plumb_3.pk, serial) for serial in batch],
            depot_id=world.tarnmouth.pk,
            valid_from=world.start,
        )
        serials += batch
    tags = [world.code("BENCH") for _ in range(count)]
    for begin in range(0, count, CABINETS_MAX):
        cabinets = [
            NewCabinet(world.cove.pk, {"asset_tag": tag}) for tag in tags[begin : begin + CABINETS_MAX]
        ]
        plain = new_location(world.tarnmouth, world.code("N"))
        store = type(plain)(plain.store_number, plain.depot_id, plain.particulars, cabinets=cabinets)
        register_location(world.office, account_id=world.account.pk, location=store, valid_from=world.start)
    keys = dict(Cabinet.objects.values_list("asset_tag", "pk"))
    return Stock(serials, [keys[tag] for tag in tags], world.start + timedelta(days=1))


def action_of(world: "World", stock: Stock) -> Way:
    """Return how to assign a device of the stock to its cabinet, in process."""
    from registry.actions.assignments import assign_device

    def act(number: int) -> None:
        # A refusal raises, and ends the run.
        assign_device(
            world.office,
            serial=stock.serials[number],
            cabinet_id=stock.cabinets[number],
            valid_from=stock.at,
        )

    return act


# --- the bare driver -------------------------------------------------------------------------------

_WHEREABOUTS = (
    "id {key} PRIMARY KEY, device_id {key}, place text, depot_id {key}, staff_id {key}, cabinet_id {key},"
    " slot integer, slot_reason text, sensor_order text, end_reason text, period {key},"
    " valid_from {time}, valid_to {time}, recorded_index bigint, superseded_index bigint"
)
_ENTRY = (
    '"index" bigint PRIMARY KEY, id {key} UNIQUE, recorded_at {time} UNIQUE, occurred_at {time},'
    " staff_id {key}, face text, verb text, reason text, schema integer, simulated boolean, body text,"
    " leaf_hash {bytes}"
)
_LOOK_UP = (
    "SELECT d.id, w.id FROM raw_device d JOIN raw_whereabouts w ON w.device_id = d.id"
    " WHERE d.serial = {p} AND w.superseded_index IS NULL"
)
_SUPERSEDE = "UPDATE raw_whereabouts SET superseded_index = {p} WHERE id = {p}"


def _tables(key: str, moment: str, data: str) -> list[str]:
    types = {"key": key, "time": moment, "bytes": data}
    return [
        f"CREATE TABLE raw_device (id {key} PRIMARY KEY, serial text UNIQUE)",
        f"CREATE TABLE raw_whereabouts ({_WHEREABOUTS.format(**types)})",
        "CREATE INDEX raw_whereabouts_device ON raw_whereabouts (device_id)",
        f"CREATE TABLE raw_entry ({_ENTRY.format(**types)})",
    ]


def _insert(table: str, columns: int, mark: str) -> str:
    return f"INSERT INTO {table} VALUES ({', '.join([mark] * columns)})"


def raw_sqlite(count: int) -> Way:
    from django.conf import settings

    connection = sqlite3.connect(
        f"{settings.DATABASES['default']['NAME']}.raw", isolation_level=None, timeout=20
    )
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    for statement in _tables("char(32)", "datetime", "blob"):
        connection.execute(statement)

    def text(moment: datetime) -> str:
        return moment.replace(tzinfo=None).isoformat(" ")

    def write(statement: str, values: tuple[Any, ...]) -> Any:
        return connection.execute(statement, values)

    connection.execute("BEGIN")
    _fill(lambda statement, values: write(statement, values), count, "?", lambda key: key.hex, text)
    connection.execute("COMMIT")

    def raw(number: int) -> None:
        connection.execute("BEGIN IMMEDIATE")
        _assign_raw(write, number, "?", lambda key: key.hex, text)
        connection.execute("COMMIT")

    return raw


def raw_postgresql(count: int) -> Way:
    import psycopg
    from django.conf import settings

    named = settings.DATABASES["default"]
    connection = psycopg.connect(
        host=named["HOST"], user=named["USER"], dbname=named["NAME"], autocommit=True
    )
    connection.prepare_threshold = 1
    on = connection.execute("SHOW fsync").fetchone(), connection.execute("SHOW synchronous_commit").fetchone()
    assert on == (("on",), ("on",)), f"the server forgets: {on}"
    for statement in _tables("uuid", "timestamptz", "bytea"):
        connection.execute(statement)

    def same(value: Any) -> Any:
        return value

    with connection.transaction():
        _fill(connection.execute, count, "%s", same, same)

    def raw(number: int) -> None:
        with connection.transaction():
            _assign_raw(connection.execute, number, "%s", same, same)

    return raw


def _fill(execute: Any, count: int, mark: str, key: Any, moment: Any) -> None:
    """Put as many devices into a depot as will be assigned."""
    start = moment(datetime.now(UTC) - timedelta(days=30))
    depot = key(uuid4())
    for number in range(count):
        device = key(uuid4())
        execute(_insert("raw_device", 2, mark), (device, f"RAW{number:07d}"))
        place = (key(uuid4()), device, "depot", depot, None, None, None, "", "", "")
        execute(_insert("raw_whereabouts", 15, mark), (*place, key(uuid4()), start, None, 0, None))


def _assign_raw(execute: Any, number: int, mark: str, key: Any, moment: Any) -> None:
    """Look up, supersede, insert, and append the entry."""
    now = datetime.now(UTC)
    found = execute(_LOOK_UP.format(p=mark), (f"RAW{number:07d}",)).fetchone()
    index = number + 1
    assert execute(_SUPERSEDE.format(p=mark), (index, found[1])).rowcount == 1
    place = (key(uuid4()), found[0], "cabinet", None, None, key(uuid4()), 1, "", "1 2 3", "")
    execute(_insert("raw_whereabouts", 15, mark), (*place, key(uuid4()), moment(now), None, index, None))
    story = (key(uuid4()), moment(now), moment(now), key(uuid4()), "api", "device.assigned", "", 1, False)
    execute(_insert("raw_entry", 12, mark), (index, *story, BODY, b"\0" * 32))


# --- where the time goes ---------------------------------------------------------------------------


def tell_where_time_goes(what: str, act: Way, numbers: Iterator[int]) -> None:
    """Print, of further actions, the statements by kind and table, and the time in SQL and in Python."""
    from django.db import connection

    kinds: Counter[str] = Counter()
    spent: Counter[str] = Counter()

    def watch(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        begin = time.perf_counter()
        try:
            return execute(sql, params, many, context)
        finally:
            kind = kind_of(sql)
            kinds[kind] += 1
            spent[kind] += time.perf_counter() - begin

    with connection.execute_wrapper(watch):
        whole = timed(act, numbers, DETAIL_ACTIONS)
    in_sql = sum(spent.values())
    each = 1000 / DETAIL_ACTIONS  # milliseconds an action
    print(f"  of one {what}: {sum(kinds.values()) / DETAIL_ACTIONS:g} statements in {whole * each:.2f} ms,")
    rest = whole - in_sql
    print(f"    {in_sql * each:.2f} ms in statements, {rest * each:.2f} ms in Python, its commit included")
    for kind, seconds in spent.most_common():
        print(f"    {kinds[kind] / DETAIL_ACTIONS:6g} x {kind:<36} {seconds * each:.3f} ms")


def kind_of(sql: str) -> str:
    """Return a statement's first word and its first table."""
    word = sql.split(maxsplit=1)[0]
    tables = [part.strip('"(),') for part in sql.split() if part.startswith('"registry_')]
    return f"{word} {tables[0].split('.')[0].strip(chr(34)) if tables else ''}".strip()


if __name__ == "__main__":
    main()
