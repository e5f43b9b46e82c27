"""How long an audit takes and how much memory it needs, for ledgers of several sizes.

Run by hand, from the folder that holds manage.py; pytest never collects it:

    .venv/bin/python -m tests.benchmarks.audit_size [--entries 10000 100000 1000000]

For each size a ledger is built in a throw-away SQLite database (tests/factories/long_ledger.py: as the
journal writes it, stored in bulk) in one process, and audited in another, fresh one, so that the greatest
resident memory is the audit's own, Python and Django included. In the same run as the audit, SHA-256 over
the same texts is timed by itself. Times at work are of the processor, which others may share; they are of
this machine and of little worth elsewhere. The ratio to raw SHA-256 carries over. An audit that finds
anything ends the run: the ledger is a valid one.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from types import SimpleNamespace

SIZES = [10_000, 100_000, 1_000_000]
READ_AT_ONCE = 1_000  # entries
SIGNED_LAST = 1_000  # entries between the last two checkpoints
MEBIBYTE = 1024 * 1024
MODULE = "tests.benchmarks.audit_size"


def main() -> None:
    """Build and audit a ledger of each size, each step in a process of its own."""
    parser = argparse.ArgumentParser(description="Audit ledgers of several sizes.")
    parser.add_argument("--entries", type=int, nargs="+", default=SIZES)
    parser.add_argument("--inside", choices=["build", "audit"], help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inside:
        set_up()
        build(options.entries[0]) if options.inside == "build" else measure()
        return
    for entries in options.entries:
        with tempfile.TemporaryDirectory() as home:
            url = f"sqlite:///{home}/rimebook.sqlite3"
            environment = {**os.environ, "RIMEBOOK_DATABASE_URL": url, "RIMEBOOK_DATA_DIR": home}
            for step in ("build", "audit"):
                command = [sys.executable, "-m", MODULE, "--inside", step, "--entries", str(entries)]
                subprocess.run(command, env=environment, check=True)


def set_up() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()


def build(entries: int) -> None:
    """Found a register and make its ledger `entries` long."""
    from django.conf import settings
    from django.core.management import call_command

    from registry.models import Entry
    from tests.factories.long_ledger import lengthen
    from tests.factories.world import World

    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # only set-up uses it
    call_command("migrate", verbosity=0)
    begin = time.perf_counter()
    world = World.found(SimpleNamespace(at=datetime.now(UTC) - timedelta(days=1)))
    lengthen(world, entries - Entry.objects.count() - SIGNED_LAST)
    print(f"{entries:,} entries, built in {time.perf_counter() - begin:.0f} s", flush=True)
    first = signed_in()
    lengthen(world, SIGNED_LAST)
    last = signed_in()
    print(
        f"  the first checkpoint grew the whole tree and took {1_000 * first / entries:.3f} ms an entry;"
        f" the next, after {SIGNED_LAST:,} entries more, {1_000 * last / SIGNED_LAST:.3f} ms an entry",
        flush=True,
    )


def signed_in() -> float:
    """Make a checkpoint; return the seconds of work that it took."""
    from registry.actions._action import SYSTEM
    from registry.actions.checkpoints import make_checkpoint

    begin = time.process_time()
    make_checkpoint(SYSTEM)
    return time.process_time() - begin


def measure() -> None:
    """Audit the register, and hash its texts by themselves."""
    from registry.ledger.audit import audit

    idle = resident_mib()
    begin, at_work = time.perf_counter(), time.process_time()
    report = audit()
    seconds, worked = time.perf_counter() - begin, time.process_time() - at_work
    peak = resident_mib()
    assert report.clean, report.findings[:5]
    hashing, reading, size = hash_raw()
    print(
        f"  audited in {seconds:.1f} s, {worked:.1f} s of them at work: {report.entries / worked:,.0f}"
        f" entries a second at work, {report.rows:,} rows, {report.erasures_counted:,} erasures,"
        f" {report.subtrees:,} subtrees, {report.checkpoints} checkpoints; nothing found"
    )
    print(f"  greatest resident memory {peak:.0f} MiB, {idle:.0f} MiB of it before the audit began")
    print(
        f"  raw SHA-256 over the same {size / MEBIBYTE:,.0f} MiB: {hashing:.2f} s at work;"
        f" audit / SHA-256 {worked / hashing:.0f};"
        f" audit / (reading the texts and SHA-256) {worked / (hashing + reading):.0f}",
        flush=True,
    )


def resident_mib() -> float:
    """Return the greatest resident memory of this process so far, in MiB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # Linux counts in KiB


def hash_raw() -> tuple[float, float, int]:
    """Return the seconds of work of SHA-256 over every text and of reading them, and their bytes."""
    from django.db import connection

    hashing = reading = size = 0
    with connection.cursor() as cursor:
        cursor.execute('SELECT body FROM registry_entry ORDER BY "index"')
        rows = True
        while rows:
            begin = time.process_time()
            rows = cursor.fetchmany(READ_AT_ONCE)
            texts = [body.encode() for (body,) in rows]
            size += sum(len(text) for text in texts)
            read = time.process_time()
            for text in texts:
                sha256(b"\0" + text).digest()
            hashing += time.process_time() - read
            reading += read - begin
    return hashing, reading, size


if __name__ == "__main__":
    main()
