"""One race: prepares a register through actions, lets processes run at it, and reports what is left.

Run by test_races.py in a process of its own, because the database is chosen by the environment when
Django starts: `python -m tests.concurrency.arena CASE ROUNDS` with RIMEBOOK_DATABASE_URL naming a migrated
database without an entry and RIMEBOOK_DATA_DIR a folder of its own. It prints one JSON object; it judges
nothing.
"""

import json
import multiprocessing
import os
import sys
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import combinations, pairwise
from multiprocessing.connection import Connection
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tests.factories.world import World

PROCESSES = 8
# A worker that waits longer than this at the barrier has lost its fellows; it ends instead of hanging.
BARRIER_TIMEOUT_S = 60
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)

# What one process does in one round: a word for the report, the action, and its arguments.
Move = tuple[str, Callable[..., Any], dict[str, Any]]


def main() -> None:
    """Set up, race, look, and print the report."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django
    from django.conf import settings

    django.setup()
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # speed, not secrecy
    from django.db import connections

    from registry.models import Entry
    from tests.factories.world import World

    world = World.found(SimpleNamespace(at=datetime.now(UTC)))
    rounds = CASES[sys.argv[1]](world, int(sys.argv[2]))
    entries_before = Entry.objects.count()
    connections.close_all()  # a connection is never shared with a forked process
    outcomes = race(world, rounds)
    json.dump({"rounds": outcomes, "entries_before": entries_before, **what_is_left()}, sys.stdout)


# --- the cases: for each round, one move a process -------------------------------------------------


def same_device(world: "World", rounds: int) -> list[list[Move]]:
    """One device of each round goes into eight different cabinets, each at a minute of its own."""
    cabinets, devices = _cabinets(world, rounds * PROCESSES), _devices(world, rounds)
    return [
        [
            _assign(world, devices[number], cabinets[number * PROCESSES + place], place)
            for place in range(PROCESSES)
        ]
        for number in range(rounds)
    ]


def own_devices(world: "World", rounds: int) -> list[list[Move]]:
    """Every process has a device and a cabinet of its own in every round."""
    cabinets, devices = _cabinets(world, rounds * PROCESSES), _devices(world, rounds * PROCESSES)
    moves = [_assign(world, device, cabinet, 0) for device, cabinet in zip(devices, cabinets, strict=True)]
    return [moves[begin : begin + PROCESSES] for begin in range(0, len(moves), PROCESSES)]


def same_slot(world: "World", rounds: int) -> list[list[Move]]:
    """Eight devices go into one slot of one cabinet, each at a minute of its own."""
    cabinets, devices = _cabinets(world, rounds), _devices(world, rounds * PROCESSES)
    return [
        [
            _assign(world, devices[number * PROCESSES + place], cabinets[number], place)
            for place in range(PROCESSES)
        ]
        for number in range(rounds)
    ]


def same_serial(world: "World", rounds: int) -> list[list[Move]]:
    """One serial that nobody booked in is recorded eight times at once."""
    from registry.actions._devices import NewDevice
    from registry.actions.provisional import record_provisional_device

    return [
        [
            (
                "record",
                record_provisional_device,
                {
                    "device": NewDevice(world.plumb_3.pk, serial),
                    "depot_id": world.tarnmouth.pk,
                    "valid_from": world.start + HOUR,
                    "evidence": "found on the shelf",
                },
            )
            for _ in range(PROCESSES)
        ]
        for serial in [world.serial() for _ in range(rounds)]
    ]


def store_closed_and_filled(world: "World", rounds: int) -> list[list[Move]]:
    """Four close an empty store while two move cabinets into it and two put new ones up there."""
    from registry.actions._stores import NewCabinet
    from registry.actions.cabinets import move_cabinet, register_cabinet
    from registry.actions.locations import close_location

    at = world.start + 10 * 24 * HOUR
    waiting = [world.cabinet(world.tarnmouth) for _ in range(rounds * 2)]
    planned = []
    for number in range(rounds):
        store = world.store().pk
        moves: list[Move] = [
            ("close", close_location, {"location_id": store, "valid_from": at + place * MINUTE})
            for place in range(4)
        ]
        for place in range(2):
            when = at + (place * 4 - 1) * MINUTE  # before and after every closing
            cabinet = waiting[number * 2 + place]
            moves.append(
                ("fill", move_cabinet, {"cabinet_id": cabinet.pk, "location_id": store, "valid_from": when})
            )
            new = NewCabinet(world.cove.pk, {"asset_tag": world.code("NEW")})
            moves.append(
                ("fill", register_cabinet, {"cabinet": new, "location_id": store, "valid_from": when})
            )
        planned.append(moves)
    return planned


def store_closed_and_fitted(world: "World", rounds: int) -> list[list[Move]]:
    """Four close a store and clear its cabinet out while four assign devices to that cabinet."""
    from registry.actions.assignments import assign_device
    from registry.actions.locations import close_location

    at = world.start + 10 * 24 * HOUR
    devices = _devices(world, rounds * 4)
    planned = []
    for number in range(rounds):
        store = world.store()
        cabinet = world.cabinet(store)
        moves: list[Move] = [
            (
                "close",
                close_location,
                {
                    "location_id": store.pk,
                    "valid_from": at + place * MINUTE,
                    "cabinets_to": world.tarnmouth.pk,
                    "reason": "the store shuts",
                },
            )
            for place in range(4)
        ]
        for place in range(4):
            # Two are fitted before every closing, which takes them out, and two after.
            when = at + (HOUR if place % 2 else -HOUR) + place * MINUTE
            named = {"device_id": devices[number * 4 + place], "cabinet_id": cabinet.pk}
            moves.append(("fit", assign_device, {**named, "valid_from": when}))
        planned.append(moves)
    return planned


def same_finding(world: "World", rounds: int) -> list[list[Move]]:
    """Eight who find one device at one place, all devices of one count."""
    from registry.actions.counts import record_finding

    count, serials, _ = _counted(world, rounds)
    return [
        [
            (
                "find",
                record_finding,
                {"count_id": count, "depot_id": world.tarnmouth.pk, "serial": serial, "place_done": True},
            )
        ]
        * PROCESSES
        for serial in serials
    ]


def same_reports(world: "World", rounds: int) -> list[list[Move]]:
    """Eight gateways bring the same reports at once, each in another order."""
    from registry.actions.tokens import issue_device_token

    gateways = [
        issue_device_token(world.administrator, name=f"Gateway {place}")[0] for place in range(PROCESSES)
    ]
    serials = [world.serial() for _ in range(rounds)]
    planned: list[list[Move]] = []
    for serial in serials:
        at = [world.start + minute * MINUTE for minute in range(PROCESSES)]
        rows = [
            {"serial": serial, "measured_at": when.isoformat(), "distances_mm": [412, None, 700]}
            for when in at
        ]
        planned.append(
            [
                ("bring", _bring, {"token": gateway, "batch": rows[place:] + rows[:place]})
                for place, gateway in enumerate(gateways)
            ]
        )
    return planned


def _bring(_actor: Any, *, token: Any, batch: list[Any]) -> str:
    """Bring a batch, and tell how many of its rows were new."""
    from registry.actions.readings import take_readings

    outcomes = Counter(str(taken.outcome) for taken in take_readings(token, batch))
    assert set(outcomes) <= {"accepted", "duplicate"}, outcomes
    return f"{outcomes['accepted']} new"


def same_difference(world: "World", rounds: int) -> list[list[Move]]:
    """Half of eight accept a difference and half dismiss it."""
    from registry.actions.counts import accept_difference, close_count, dismiss_difference, record_finding

    count, _, lines = _counted(world, rounds)
    record_finding(world.auditor, count_id=count, depot_id=world.tarnmouth.pk, place_done=True)
    close_count(world.auditor, count_id=count)
    planned: list[list[Move]] = []
    for line in lines:
        decided = {"item_id": line, "reason": "looked twice"}
        moves: list[Move] = [("accept", accept_difference, decided), ("dismiss", dismiss_difference, decided)]
        planned.append(moves * (PROCESSES // 2))
    return planned


def _counted(world: "World", size: int) -> tuple[Any, list[str], list[Any]]:
    """Draw a count of so many devices, which is small enough to be all of them: key, serials, lines."""
    from registry.actions.counts import draw_count
    from registry.models import CountItem

    _devices(world, size)
    count = draw_count(world.auditor, name="Spring", tolerated="0.1")
    lines = CountItem.objects.filter(count=count).order_by("position")
    assert len(lines) == size
    return count.pk, list(lines.values_list("device__serial", flat=True)), [line.pk for line in lines]


CASES: dict[str, Callable[["World", int], list[list[Move]]]] = {
    case.__name__: case
    for case in (
        same_device,
        own_devices,
        same_slot,
        same_serial,
        store_closed_and_filled,
        store_closed_and_fitted,
        same_finding,
        same_difference,
        same_reports,
    )
}


def _assign(world: "World", device_id: Any, cabinet_id: Any, minute: int) -> Move:
    from registry.actions.assignments import assign_device

    at = world.start + 3 * 24 * HOUR + minute * MINUTE
    return "assign", assign_device, {"device_id": device_id, "cabinet_id": cabinet_id, "valid_from": at}


def _devices(world: "World", count: int) -> list[Any]:
    """Book devices into Tarnmouth and return their keys."""
    from registry.actions._devices import NewDevice
    from registry.actions.devices import receive_devices

    received = receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_3.pk, world.serial()) for _ in range(count)],
        depot_id=world.tarnmouth.pk,
        valid_from=world.start,
    )
    return [device.pk for device in received]


def _cabinets(world: "World", count: int) -> list[Any]:
    """Register stores full of cabinets and return the keys of the cabinets."""
    from registry.actions._stores import CABINETS_MAX, NewCabinet
    from registry.actions.locations import register_location
    from registry.models import CabinetWhereabouts
    from tests.factories.world import new_location

    tags = [world.code("RACE") for _ in range(count)]
    keys: list[Any] = []
    for begin in range(0, count, CABINETS_MAX):
        store = new_location(world.tarnmouth, world.code("N"))
        cabinets = [
            NewCabinet(world.cove.pk, {"asset_tag": tag}) for tag in tags[begin : begin + CABINETS_MAX]
        ]
        filled = type(store)(store.store_number, store.depot_id, store.particulars, cabinets=cabinets)
        location = register_location(
            world.office, account_id=world.account.pk, location=filled, valid_from=world.start
        )
        stays = CabinetWhereabouts.objects.filter(location=location).order_by("cabinet__asset_tag")
        keys += stays.values_list("cabinet", flat=True)
    return keys


# --- the race --------------------------------------------------------------------------------------


def race(world: "World", rounds: list[list[Move]]) -> list[dict[str, int]]:
    """Let each process make its move of every round; return how often each outcome came, by round.

    All wait for each other at a barrier before each round, with their connection open.
    """
    forking = multiprocessing.get_context("fork")
    barrier = forking.Barrier(PROCESSES)
    running = []
    for place in range(PROCESSES):
        receiving, sending = forking.Pipe(duplex=False)
        moves = [moves[place] for moves in rounds]
        process = forking.Process(target=_run, args=(sending, barrier, world, moves), daemon=True)
        process.start()
        sending.close()
        running.append((process, receiving))
    counted: list[Counter[str]] = [Counter() for _ in rounds]
    for process, receiving in running:
        for number, outcome in enumerate(receiving.recv()):
            counted[number][outcome] += 1
        process.join(BARRIER_TIMEOUT_S)
    return [dict(sorted(count.items())) for count in counted]


def _run(sending: Connection, barrier: Any, world: "World", moves: list[Move]) -> None:
    from django.db import connection

    from registry.rules.errors import RuleBroken

    connection.ensure_connection()
    outcomes = []
    for word, act, arguments in moves:
        barrier.wait(BARRIER_TIMEOUT_S)
        try:
            told = act(world.office, **arguments)
        except RuleBroken as refusal:
            outcomes.append(f"{word}: {refusal.code}")
        except Exception as error:  # every other class is for the test to see by its name
            outcomes.append(f"{word}: {type(error).__name__} {str(error)[:200]}")
        else:
            outcomes.append(f"{word}: {told if isinstance(told, str) else 'done'}")
    sending.send(outcomes)
    connection.close()


# --- what is left ----------------------------------------------------------------------------------


def what_is_left() -> dict[str, Any]:
    """Return what a test wants to know of the register afterwards, by plain comparison of stored rows."""
    from django.db import connection

    from registry.ledger import guards
    from registry.ledger.audit import audit
    from registry.models import Entry, Reading

    entries = list(Entry.objects.order_by("index").values_list("index", "recorded_at"))
    return {
        "vendor": connection.vendor,
        "indexes": [index for index, _ in entries],
        "times_not_onward": [later[0] for earlier, later in pairwise(entries) if later[1] <= earlier[1]],
        "missing_guards": [guard.name for guard in guards.missing(connection)],
        "findings": [finding.words for finding in audit().findings],
        "overlaps": _overlaps(),
        "in_closed_stores": _in_closed_stores(),
        "readings": Reading.objects.count(),
    }


def _meet(one: Any, other: Any) -> bool:
    return (one.valid_to is None or other.valid_from < one.valid_to) and (
        other.valid_to is None or one.valid_from < other.valid_to
    )


def _overlaps() -> list[str]:
    """Return each pair of current periods that put a device, a slot or a cabinet to two uses at once."""
    from registry.models import CabinetWhereabouts, DeviceWhereabouts

    uses: dict[Any, list[Any]] = {}
    for hang in DeviceWhereabouts.objects.filter(superseded=None):
        uses.setdefault(("device", hang.device_id), []).append(hang)
        if hang.cabinet_id:
            uses.setdefault(("slot", hang.cabinet_id, hang.slot), []).append(hang)
    for stay in CabinetWhereabouts.objects.filter(superseded=None):
        uses.setdefault(("cabinet", stay.cabinet_id), []).append(stay)
    return [
        str(use)
        for use, periods in uses.items()
        for one, other in combinations(periods, 2)
        if _meet(one, other)
    ]


def _in_closed_stores() -> list[str]:
    """Return each cabinet, and each device in one, that stood in a store while the store was closed."""
    from registry.models import CabinetWhereabouts, DeviceWhereabouts, LocationState

    found = []
    for closed in LocationState.objects.filter(superseded=None, state="closed"):
        for stay in CabinetWhereabouts.objects.filter(superseded=None, location=closed.location_id):
            if _meet(closed, stay):
                found.append(f"cabinet {stay.cabinet_id}")
            hanging = DeviceWhereabouts.objects.filter(superseded=None, cabinet=stay.cabinet_id)
            last = CabinetWhereabouts.objects.filter(superseded=None, cabinet=stay.cabinet_id)
            standing = last.order_by("-valid_from")[0]
            if any(_meet(hang, closed) for hang in hanging) and standing.location_id == closed.location_id:
                found.append(f"device in cabinet {stay.cabinet_id}")
    return found


if __name__ == "__main__":
    main()
