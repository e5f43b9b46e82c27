"""How the databases are opened: what the durability of an entry rests on."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import postgresql

ROOT = Path(__file__).resolve().parents[1]


def asked(statements: dict[str, str], **environment: str) -> dict[str, object]:
    """Ask a fresh process's connection, opened by the settings alone."""
    program = (
        "import contextlib, json, sys, django; django.setup()\n"
        "from django.db import connection, transaction\n"
        "answers = {}\n"
        "outside = transaction.atomic() if connection.vendor == 'postgresql' else contextlib.nullcontext()\n"
        "with outside, connection.cursor() as cursor:\n"
        "    for name, sql in json.loads(sys.argv[1]).items():\n"
        "        cursor.execute(sql); answers[name] = cursor.fetchone()[0]\n"
        "answers['mode'] = getattr(connection, 'transaction_mode', None)\n"
        "print(json.dumps(answers))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, json.dumps(statements)],
        cwd=ROOT,
        env={**os.environ, "DJANGO_SETTINGS_MODULE": "config.settings", **environment},
        capture_output=True,
        text=True,
        check=True,
    )
    answers: dict[str, object] = json.loads(done.stdout)
    return answers


def test_sqlite_survives_a_power_cut_and_waits_its_turn(tmp_path: Path) -> None:
    answers = asked(
        {
            "journal": "PRAGMA journal_mode",
            "synchronous": "PRAGMA synchronous",
            "foreign_keys": "PRAGMA foreign_keys",
            "busy_ms": "PRAGMA busy_timeout",
        },
        RIMEBOOK_DATA_DIR=str(tmp_path),
        RIMEBOOK_DATABASE_URL="",
    )

    assert answers == {
        "journal": "wal",
        "synchronous": 2,  # FULL
        "foreign_keys": 1,
        "busy_ms": 20_000,
        "mode": "IMMEDIATE",
    }


@pytest.mark.postgresql
def test_postgresql_reads_committed_rows_in_utc(tmp_path: Path) -> None:
    answers = asked(
        {"isolation": "SHOW transaction_isolation", "zone": "SHOW timezone"},
        RIMEBOOK_DATA_DIR=str(tmp_path),
        RIMEBOOK_DATABASE_URL=postgresql.server_url(),
        PGOPTIONS="-c default_transaction_isolation=serializable",  # of a server set up otherwise
    )

    # The lock is taken in the first statement; what the former holder wrote is seen by the second.
    assert answers == {"isolation": "read committed", "zone": "UTC", "mode": None}
