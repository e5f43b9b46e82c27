"""The audit as a whole: what it finds in a clean register, what it cannot see, and its command."""

import json
import os
import subprocess
import sys
from datetime import datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction

from config import env
from registry.actions import (
    cabinets,
)
from registry.actions._stores import NewCabinet
from registry.ledger import guards
from registry.ledger.audit import audit
from registry.ledger.images import ledgered_models, table_name
from registry.models import (
    Cabinet,
    CabinetWhereabouts,
    ContactText,
    Entry,
    Staff,
)
from tests import postgresql
from tests.factories.world import DAY
from tests.ledger.tampering import (
    Life,
    edit,
    newest,
    remove,
    remove_entry,
    rewrite,
    undone,
    unguarded,
    writer_of,
)

ROOT = Path(__file__).resolve().parents[2]
WAIT_S = 60  # for one command in a process of its own, on a busy machine


# --- nothing to find -------------------------------------------------------------------------------


def test_nothing_is_found_in_a_register_after_a_whole_life(life: Life) -> None:
    report = audit()

    assert report.findings == []
    assert report.clean
    assert report.entries == Entry.objects.count() > 30
    assert report.rows == sum(model._base_manager.count() for model in ledgered_models())
    assert report.guards == len(guards.all_guards(connection.vendor))
    assert report.erased == 1


def test_a_life_holds_rows_of_every_ledgered_table(life: Life) -> None:
    assert [table_name(model) for model in ledgered_models() if not model._base_manager.exists()] == []


def test_nothing_is_found_in_an_empty_register(db: None) -> None:
    report = audit()

    assert (report.findings, report.entries, report.rows) == ([], 0, 0)


def test_the_audit_writes_nothing(life: Life) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("SET TRANSACTION READ ONLY")
        else:
            cursor.execute("PRAGMA query_only = ON")
        try:
            assert audit().clean
        finally:
            if connection.vendor == "sqlite":
                cursor.execute("PRAGMA query_only = OFF")


# --- what an audit alone cannot see, and the command -----------------------------------------------


def told(*options: str) -> tuple[int, str]:
    """Return the command's exit status and what it said."""
    out = StringIO()
    try:
        call_command("audit", *options, stdout=out, stderr=StringIO())
    except SystemExit as stop:
        return int(stop.code or 0), out.getvalue()
    return 0, out.getvalue()


def test_the_command_says_that_nothing_was_found_and_what_that_does_not_exclude(brief: Life) -> None:
    status, words = told()

    assert status == 0
    assert f"{Entry.objects.count()} entries hashed and replayed" in words
    assert "Without a checkpoint and a public key kept outside" in words
    assert "the newest entries were cut off" in " ".join(words.split())
    assert "FOUND" not in words


def test_newest_entries_cut_off_with_their_rows_are_not_seen_and_the_command_says_so(brief: Life) -> None:
    cabinets.register_cabinet(
        brief.world.office,
        cabinet=NewCabinet(brief.world.cove.pk, {"asset_tag": "SK-9999"}),
        valid_from=brief.world.start + 9 * DAY,
        depot_id=brief.world.tarnmouth.pk,
    )
    cabinet = Cabinet.objects.get(asset_tag="SK-9999")

    with undone():
        with unguarded():
            remove(CabinetWhereabouts.objects.get(cabinet=cabinet), cabinet)
            remove_entry(newest())
        status, words = told()

    assert status == 0
    assert "it cannot be excluded that the newest entries were cut off" in " ".join(words.split())


def test_ledger_and_table_rewritten_together_are_not_seen_and_the_command_says_so(brief: Life) -> None:
    entry = newest()

    def rename(body: dict[str, Any]) -> None:
        body["images"][0]["after"]["name"] = "Elsewhere"

    with undone():
        with unguarded():
            rewrite(entry, rename, rehash=True)
            edit(brief.last, name="Elsewhere")
        status, words = told()

    assert status == 0
    assert "or that ledger, tables and checkpoints were rewritten together" in " ".join(words.split())


def test_the_command_names_table_row_field_and_both_values_and_fails(brief: Life) -> None:
    with undone():
        with unguarded():
            edit(brief.last, name="Elsewhere")
        status, words = told()

    assert status == 1
    assert (
        f"FOUND (rows): depot {brief.last.pk}: the field name is stored as 'Elsewhere',"
        " the ledger proves 'Fell Gate'." in words
    )
    assert "Nothing was found" not in words


def test_the_command_answers_machines_in_json(brief: Life) -> None:
    status, words = told("--json")
    clean = json.loads(words)
    with undone():
        with unguarded():
            edit(brief.last, name="Elsewhere")
        failed, words = told("--json")
    found_it = json.loads(words)

    assert (status, failed) == (0, 1)
    assert clean["findings"] == []
    assert (clean["entries"], clean["erased"]) == (Entry.objects.count(), 1)
    assert clean["guards"] == len(guards.all_guards(connection.vendor))
    assert datetime.fromisoformat(clean["at"]) == brief.world.clock.at
    assert found_it["findings"] == [
        {
            "layer": "rows",
            "words": f"depot {brief.last.pk}: the field name is stored as 'Elsewhere',"
            " the ledger proves 'Fell Gate'.",
            "entry": writer_of(brief.last),
            "table": "depot",
            "key": str(brief.last.pk),
            "field": "name",
            "stored": "Elsewhere",
            "proved": "Fell Gate",
        }
    ]


def test_the_command_says_what_it_checked_and_in_json_what_it_cannot_exclude(brief: Life) -> None:
    _, words = told()
    _, machines = told("--json")
    answer = json.loads(machines)

    texts, names = ContactText.objects.count(), Staff.objects.count()
    assert f"{texts} personal texts (1 erased) and {names} names held against their commitments" in words
    assert (answer["texts"], answer["names"], answer["found"], answer["counts"]) == (texts, names, 0, {})
    assert len(answer["not_excluded"]) == 2
    assert all(each in words for each in answer["not_excluded"])


def test_progress_is_told_where_it_is_asked_for_and_on_a_terminal(
    brief: Life, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("_audit_entries", "_audit_tables"):
        monkeypatch.setattr(f"registry.ledger.{module}.PROGRESS_EVERY", 20)
    entries, terminal = Entry.objects.count(), StringIO()
    monkeypatch.setattr(terminal, "isatty", lambda: True, raising=False)
    silent, asked = StringIO(), StringIO()

    call_command("audit", stdout=StringIO(), stderr=silent)
    call_command("audit", "--json", "--progress", stdout=StringIO(), stderr=asked)
    call_command("audit", stdout=StringIO(), stderr=terminal)

    assert silent.getvalue() == ""
    lines = asked.getvalue().splitlines()
    assert lines[0] == f"20 of {entries} entries checked"
    assert f"{entries} of {entries} entries checked" in lines
    assert lines[-1].endswith("rows checked")
    # On a terminal one line changes until its phase is done.
    assert terminal.getvalue().startswith(f"20 of {entries} entries checked\r")
    assert f"\r{entries} of {entries} entries checked\n20 of " in terminal.getvalue()


def test_an_audit_that_could_not_be_carried_out_is_neither_clean_nor_a_finding(
    brief: Life, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_of: object) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr("registry.ledger._scratch.Scratch.leave", full)

    with pytest.raises(CommandError, match="so nothing is known of the register: no space left") as stop:
        told()

    assert stop.value.returncode == 2


# --- beside writers --------------------------------------------------------------------------------

# In the midst of an audit, after its first read, somebody else registers a depot.
WRITE_IN_THE_MIDST = """
import json, threading, time
import django
django.setup()
from django.core.management import CommandError, call_command
from django.db import connection
from registry.actions import locations, register
from registry.actions._action import SYSTEM, Actor
from registry.ledger.audit import audit
from registry.rules.events import Face

call_command("migrate", verbosity=0)
first = register.found_register(SYSTEM, username="admin", name="Ada Frost", password="rime-on-the-pier-7")
actor = Actor(first.pk, Face.COMMAND)
waited, writers = [], []

def write():
    begun = time.monotonic()
    locations.register_depot(actor, particulars={"code": "MW", "name": "Midway"})
    waited.append(time.monotonic() - begun)
    connection.close()

def in_the_midst(execute, sql, params, many, context):
    if "registry_entry" in sql and not writers:
        writers.append(threading.Thread(target=write, daemon=True))
        writers[0].start()
        writers[0].join(10)
    return execute(sql, params, many, context)

with connection.execute_wrapper(in_the_midst):
    during = audit()
written = len(waited)
after = audit()
print(json.dumps({
    "written": written,
    "during": [during.entries, [f.words for f in during.findings]],
    "after": [after.entries, [f.words for f in after.findings]],
    "in_transaction": connection.in_atomic_block,
}))
"""
RENAME = """
import django
django.setup()
from django.db import connection
from registry.ledger import guards

guards.remove(connection)
with connection.cursor() as cursor:
    cursor.execute("UPDATE registry_depot SET name = 'Elsewhere'")
guards.install(connection)
"""


@pytest.fixture
def elsewhere(request: pytest.FixtureRequest, tmp_path: Path) -> dict[str, str]:
    """The environment of a process with a database of its own, of the kind that is tested."""
    url = f"sqlite:///{tmp_path / 'register.sqlite3'}"
    if request.config.getoption("--database") == "postgresql":
        import psycopg

        server = postgresql.server_url()
        with psycopg.connect(server, autocommit=True) as server_connection:
            server_connection.execute("DROP DATABASE IF EXISTS audited")
            server_connection.execute("CREATE DATABASE audited")
        url = server.rpartition("/")[0] + "/audited"
    return {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings",
        f"{env.PREFIX}DATABASE_URL": url,
        f"{env.PREFIX}DATA_DIR": str(tmp_path),
        "PYTHONPATH": str(ROOT),
    }


def run(environment: dict[str, str], *command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *command],
        env=environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=WAIT_S,
        check=False,
    )


def test_an_audit_sees_one_state_and_keeps_no_writer_out_and_its_status_tells(
    elsewhere: dict[str, str],
) -> None:
    untold = run(elsewhere, "manage.py", "audit")
    assert (untold.returncode, untold.stdout) == (2, "")
    assert "could not be carried out" in untold.stderr  # there is no table yet

    done = run(elsewhere, "-c", WRITE_IN_THE_MIDST)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)

    assert answer["written"] == 1  # the writer did not wait for the end of the audit
    assert answer["during"] == [1, []]  # which goes on with the state that it began with
    assert answer["after"] == [2, []]
    assert answer["in_transaction"] is False

    clean = run(elsewhere, "manage.py", "audit")
    assert clean.stderr == ""
    assert (clean.returncode, "2 entries hashed and replayed" in clean.stdout) == (0, True)
    assert run(elsewhere, "-c", RENAME).returncode == 0
    failed = run(elsewhere, "manage.py", "audit", "--json")
    assert failed.returncode == 1
    [finding] = json.loads(failed.stdout)["findings"]
    assert "the field name is stored as 'Elsewhere', the ledger proves 'Midway'." in finding["words"]
