"""How the databases are opened: what the durability of an entry rests on."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
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
            "erased_is_overwritten": "PRAGMA secure_delete",
        },
        RIMEBOOK_DATA_DIR=str(tmp_path),
        RIMEBOOK_DATABASE_URL="",
        RIMEBOOK_LOCK_WAIT_S="",
    )

    assert answers == {
        "journal": "wal",
        "synchronous": 2,  # FULL
        "foreign_keys": 1,
        "busy_ms": 20_000,
        "erased_is_overwritten": 1,
        "mode": "IMMEDIATE",
    }


def test_sqlite_waits_as_long_as_it_is_told(tmp_path: Path) -> None:
    answers = asked(
        {"busy_ms": "PRAGMA busy_timeout"},
        RIMEBOOK_DATA_DIR=str(tmp_path),
        RIMEBOOK_DATABASE_URL="",
        RIMEBOOK_LOCK_WAIT_S="3",
    )

    assert answers["busy_ms"] == 3_000


@pytest.fixture
def contrary() -> Iterator[str]:
    """Return the URL of a database whose owner has set it up otherwise than we need it."""
    server = postgresql.server_url()
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute("CREATE DATABASE contrary")
        connection.execute("ALTER DATABASE contrary SET default_transaction_isolation = 'serializable'")
        connection.execute("ALTER DATABASE contrary SET lock_timeout = '7min'")
        connection.execute("ALTER DATABASE contrary SET timezone = 'America/New_York'")
        yield f"{server.rsplit('/', 1)[0]}/contrary"
        connection.execute("DROP DATABASE contrary WITH (FORCE)")


ASKED = {
    "isolation": "SHOW transaction_isolation",
    "zone": "SHOW timezone",
    "wait": "SHOW lock_timeout",
    "shared": "SHOW application_name",
}


@pytest.mark.postgresql
def test_postgresql_reads_committed_rows_in_utc_and_waits_its_turn(contrary: str, tmp_path: Path) -> None:
    with psycopg.connect(contrary) as plain:
        found = plain.execute("SHOW default_transaction_isolation").fetchone()
    assert found == ("serializable",), "the database is not set up otherwise"

    answers = asked(
        ASKED, RIMEBOOK_DATA_DIR=str(tmp_path), RIMEBOOK_DATABASE_URL=contrary, RIMEBOOK_LOCK_WAIT_S=""
    )

    # The lock is taken in the first statement; what the former holder wrote is seen by the second.
    expected = {"isolation": "read committed", "zone": "UTC", "wait": "20s", "shared": "", "mode": None}
    assert answers == expected


@pytest.mark.postgresql
def test_what_the_address_of_a_database_asks_for_is_kept_beside_ours(contrary: str, tmp_path: Path) -> None:
    answers = asked(
        ASKED | {"pages": "SHOW work_mem"},
        RIMEBOOK_DATA_DIR=str(tmp_path),
        RIMEBOOK_DATABASE_URL=f"{contrary}?application_name=rimebook&options=-c%20work_mem%3D9MB",
        RIMEBOOK_LOCK_WAIT_S="3",
    )

    assert (answers["isolation"], answers["wait"]) == ("read committed", "3s")
    assert (answers["shared"], answers["pages"]) == ("rimebook", "9MB")


def test_an_address_that_asks_for_tls_keeps_asking_for_it() -> None:
    # Over the socket of the throw-away server nobody asks for TLS, so this looks at what the driver is told.
    from config.settings import database_at

    asked_for = database_at("postgresql://rimebook@ice.example/book?sslmode=verify-full")["OPTIONS"]
    assert isinstance(asked_for, dict)
    assert asked_for["sslmode"] == "verify-full"
    plain = database_at("postgresql://rimebook@ice.example/book")["OPTIONS"]
    assert isinstance(plain, dict)
    assert "sslmode" not in plain
