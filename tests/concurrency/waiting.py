"""Two who want to write at once: one holds the ledger lock, the other waits for it, or not long enough.

Run by test_waiting.py in a process of its own, as arena.py is: `python -m tests.concurrency.waiting CASE`,
with RIMEBOOK_LOCK_WAIT_S in the environment. The two are threads with connections of their own. It prints
one JSON object; it judges nothing.
"""

import hashlib
import json
import os
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from functools import partial
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tests.factories.world import World

# A thread that waits longer than this for its fellow has lost it; it ends instead of hanging.
FELLOW_TIMEOUT_S = 60
SHORT_S, LONG_S = 0.5, 2.5  # how long the first holds the lock: the second waits 1 s, or 10

Report = dict[str, Any]


def main() -> None:
    """Set up, let the two meet, look, and print the report."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django
    from django.conf import settings

    django.setup()
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # speed, not secrecy
    from django.db import connection

    from registry.ledger.audit import audit
    from tests.actions.unchanged import dump
    from tests.factories.world import World

    world = World.found(SimpleNamespace(at=datetime.now(UTC)))
    before = dump()
    report = CASES[sys.argv[1]](world)
    after = dump()
    report |= {
        "vendor": connection.vendor,
        "new": {
            table: len(after[table]) - len(before[table]) for table in after if after[table] != before[table]
        },
        "findings": [finding.words for finding in audit().findings],
    }
    json.dump(report, sys.stdout)


# --- what the two do -----------------------------------------------------------------------------------


def correct(world: "World", name: str) -> Any:
    from registry.actions.accounts import correct_account

    return correct_account(world.office, account_id=world.account.pk, particulars={"name": name})


def ask(world: "World", body: str, render: Callable[[Any], Any]) -> Any:
    """Carry out a request that writes something new whenever it is done."""
    from registry.actions._requests import Request, carry_out
    from registry.actions.locations import register_contact

    actor, digest = world.office, hashlib.sha256(body.encode()).digest()
    request = Request(actor.staff_id, actor.face, render=render, key="one wish", digest=digest)
    return carry_out(
        request=request, action=register_contact, location_id=world.location.pk, text={"name": body}
    )


def shown(thing: Any) -> Any:
    from registry.actions._requests import Answer

    return Answer(201, str(thing.pk), {"Location": f"/{thing.pk}"})


def told(call: Callable[[], Any]) -> Report:
    """Return what came of a call, and how long it took."""
    from django.db import connection

    from registry.rules.errors import RuleBroken

    begun = time.monotonic()
    try:
        done = call()
    except RuleBroken as broken:
        outcome: Report = {"refused": str(broken.code), "words": broken.message}
    except Exception as error:  # every other class is for the test to see by its name
        outcome = {"failed": f"{type(error).__name__} {error}"}
    else:
        outcome = {"done": [done.status, done.body, dict(done.headers)] if hasattr(done, "body") else True}
    finally:
        connection.close()
    return outcome | {"took_s": time.monotonic() - begun}


def meet(first: Callable[[threading.Event], Any], second: Callable[[], Any]) -> Report:
    """Let the first begin, the second when the first says that it has the lock; report on both."""
    locked = threading.Event()

    def follow() -> Any:
        assert locked.wait(FELLOW_TIMEOUT_S)
        return told(second)

    with ThreadPoolExecutor(2) as threads:
        one = threads.submit(told, partial(first, locked))
        other = threads.submit(follow)
        return {"first": one.result(), "second": other.result()}


def hold(locked: threading.Event, seconds: float) -> None:
    """Hold the ledger lock for a time, as somebody who writes does, and write nothing."""
    from django.db import transaction

    from registry.ledger import journal

    with transaction.atomic(durable=True):
        journal.lock()
        locked.set()
        time.sleep(seconds)


def slowly(locked: threading.Event, seconds: float, *, fail: bool = False) -> Callable[[Any], Any]:
    """Return a render that takes its time, so that the first is under way when the second comes."""

    def render(thing: Any) -> Any:
        locked.set()
        time.sleep(seconds)
        if fail:
            raise ZeroDivisionError("the face is broken")
        return shown(thing)

    return render


# --- the cases -----------------------------------------------------------------------------------------


def lock_held(world: "World", seconds: float) -> Report:
    """The lock is held while an action comes; then the action comes again."""
    report = meet(partial(hold, seconds=seconds), lambda: correct(world, "Lantern Fuel & Bait"))
    return report | {"afterwards": told(lambda: correct(world, "Lantern Fuel & Tackle"))}


def overlapping(world: "World", seconds: float, body: str = "a body", *, fail: bool = False) -> Report:
    """A request comes while one under the same key is under way, and once more afterwards."""
    report = meet(
        lambda locked: ask(world, "a body", slowly(locked, seconds, fail=fail)),
        lambda: ask(world, body, shown),
    )
    return report | {"afterwards": told(lambda: ask(world, "a body", shown))}


CASES: dict[str, Callable[["World"], Report]] = {
    "lock_held_for_long": partial(lock_held, seconds=LONG_S),
    "lock_held_shortly": partial(lock_held, seconds=SHORT_S),
    "repeat_that_waits": partial(overlapping, seconds=SHORT_S),
    "repeat_that_gives_up": partial(overlapping, seconds=LONG_S),
    "another_body_that_waits": partial(overlapping, seconds=SHORT_S, body="another body"),
    "repeat_of_one_that_fails": partial(overlapping, seconds=SHORT_S, fail=True),
}


if __name__ == "__main__":
    main()
