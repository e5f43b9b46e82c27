"""How long one assignment takes over loopback, beside an empty POST and beside the bare driver.

Run by hand, from the folder that holds manage.py; pytest never collects it:

    .venv/bin/python -m tests.benchmarks.assignment_http [--rounds 9] [--size 100] [--database ...]

Four ways take turns in one run, `--size` times each a round, after a tenth as many to warm up:

- raw: the bare driver's transaction of tests.benchmarks.assignment;
- action: `assign_device` in process, as there;
- empty: an authenticated POST with the same body, which reads it and answers;
- assign: POST /api/v1/assignments/ by serial, with its Idempotency-Key, answered 201.

The last two go over one kept-alive connection on loopback to gunicorn with one worker of eight threads, as
the demo serves. No device and no cabinet is used twice, and any other status than the expected one ends the
run. Then one assignment is taken apart in process: statements and time by what they were for.
"""

import http.client
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from statistics import median
from types import SimpleNamespace
from uuid import uuid4

from tests.benchmarks.assignment import (
    DETAIL_ACTIONS,
    Way,
    action_of,
    raw_postgresql,
    raw_sqlite,
    run_by_database,
    spread,
    stocked,
    tell_where_time_goes,
    timed,
)
from tests.walk.served import free_port, wait_for

WAYS = ("raw", "action", "empty", "assign")


def main() -> None:
    """Run the benchmark: once for each database, each in a process of its own."""
    run_by_database("tests.benchmarks.assignment_http", "Time one assignment over loopback.", _measure)


def _measure(rounds: int, size: int) -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.core.management import call_command
    from django.db import connection

    from registry.actions.tokens import issue_token
    from tests.factories.world import World

    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # only set-up uses it
    call_command("migrate", verbosity=0)
    warm_up = max(1, size // 10)
    count = 2 * rounds * (size + warm_up) + DETAIL_ACTIONS
    world = World.found(SimpleNamespace(at=datetime.now(UTC)))
    stock = stocked(world, count)
    act = action_of(world, stock)
    bodies = [
        json.dumps({"serial": serial, "cabinet": str(cabinet), "valid_from": stock.at.isoformat()})
        for serial, cabinet in zip(stock.serials, stock.cabinets, strict=True)
    ]
    _, secret = issue_token(world.administrator, staff_id=world.office.staff_id, name="benchmark")
    raw = raw_sqlite(count) if connection.vendor == "sqlite" else raw_postgresql(count)
    connection.close()
    port = free_port()
    server = subprocess.Popen(
        [
            *(sys.executable, "-m", "gunicorn", "tests.benchmarks.empty:application"),
            *("--bind", f"127.0.0.1:{port}", "--workers", "1", "--threads", "8"),
            *("--no-control-socket", "--log-level", "warning", "--keep-alive", "30"),
        ]
    )
    try:
        wait_for(port, server)
        client = http.client.HTTPConnection("127.0.0.1", port)
        ways: dict[str, Way] = {
            "raw": raw,
            "action": act,
            "empty": _requests(client, "/empty/", secret, bodies, 200),
            "assign": _requests(client, "/api/v1/assignments/", secret, bodies, 201),
        }
        taken = _take_turns(ways, rounds, size, warm_up, count)
    finally:
        server.terminate()
        server.wait(10)
    print(f"{connection.vendor}: {rounds} rounds of {size}, milliseconds each, median [least, greatest]")
    for way, seconds in taken.items():
        print(f"  {way:<7} {spread([each * 1000 for each in seconds], '.2f')}")
    for slow, fast in (("assign", "raw"), ("assign", "empty"), ("assign", "action"), ("empty", "raw")):
        ratios = [many / few for many, few in zip(taken[slow], taken[fast], strict=True)]
        print(f"  {slow} / {fast}, round by round: {spread(ratios, '.1f')}")
    rest = median(taken["assign"]) - median(taken["action"]) - median(taken["empty"])
    print(f"  assign - action - empty: {rest * 1000:.2f} ms (serializers, the answer's queries, keeping it)")
    last = iter(range(count - DETAIL_ACTIONS, count))
    tell_where_time_goes("request in process", _in_process(secret, bodies), last)


def _take_turns(
    ways: dict[str, Way], rounds: int, size: int, warm_up: int, count: int
) -> dict[str, list[float]]:
    """Return the seconds that each way took, by round; devices of the two that assign are kept apart."""
    half = (count - DETAIL_ACTIONS) // 2
    numbers = {
        "raw": iter(range(count)),
        "action": iter(range(half)),
        "empty": iter(range(count)),
        "assign": iter(range(half, 2 * half)),
    }
    taken: dict[str, list[float]] = {way: [] for way in WAYS}
    for _ in range(rounds):
        for way, do in ways.items():
            timed(do, numbers[way], warm_up)
        sums = dict.fromkeys(WAYS, 0.0)
        for _ in range(size):
            for way, do in ways.items():
                sums[way] += timed(do, numbers[way], 1)
        for way, seconds in sums.items():
            taken[way].append(seconds / size)
    return taken


def _requests(
    client: http.client.HTTPConnection, path: str, secret: str, bodies: list[str], expected: int
) -> Way:
    def ask(number: int) -> None:
        client.request(
            "POST",
            path,
            body=bodies[number],
            headers={
                "Authorization": f"Bearer {secret}",
                "Content-Type": "application/json",
                "Idempotency-Key": f'"{uuid4()}"',
            },
        )
        answer = client.getresponse()
        body = answer.read()
        assert answer.status == expected, body

    return ask


def _in_process(secret: str, bodies: list[str]) -> Way:
    from django.test import Client

    client = Client(headers={"authorization": f"Bearer {secret}", "host": "localhost"})

    def ask(number: int) -> None:
        answer = client.post(
            "/api/v1/assignments/",
            data=bodies[number],
            content_type="application/json",
            headers={"idempotency-key": f'"{uuid4()}"'},
        )
        assert answer.status_code == 201, answer.content

    return ask


if __name__ == "__main__":
    main()
