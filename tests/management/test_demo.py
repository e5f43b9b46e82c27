"""The demo: its files, their replay, and the command that shows them."""

import dataclasses
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection, transaction

from registry.actions import _action, register
from registry.actions._action import SYSTEM
from registry.ledger import clock as ledger_clock
from registry.ledger.audit import audit
from registry.management import scenario as scenarios
from registry.management.scenario import DOES, Scenario, ScenarioError, read_scenario, replay, replayed
from registry.models import (
    Account,
    Cabinet,
    CabinetWhereabouts,
    Contact,
    Device,
    DeviceWhereabouts,
    Entry,
    Location,
    LocationHolding,
    LocationState,
    Split,
    Staff,
)
from registry.queries.epcis import Span, device_document, location_document, period_document
from registry.queries.moments import head_index
from registry.rules.events import Face, Verb
from tests.epcis_checks import Event, Link, check, events_of, links_in_register, links_of

FOLDER = Path(settings.BASE_DIR) / "fixtures" / "demo"
YEAR_BEGINS, YEAR_ENDS = datetime(2025, 10, 1, tzinfo=UTC), datetime(2026, 10, 1, tzinfo=UTC)

# Verbs and actions that the demo leaves out on purpose, each with its reason.
VERBS_LEFT_OUT: dict[Verb, str] = {}
ACTIONS_LEFT_OUT: dict[str, str] = {}


@pytest.fixture(scope="module")
def demo() -> Scenario:
    return read_scenario(FOLDER)


@dataclass(frozen=True)
class Replayed:
    """What a whole replay left behind; the database itself was rolled back."""

    entries: int
    again: int
    findings: list[str]
    counts: dict[str, int]
    verbs: set[str]
    simulated: set[bool]
    state: dict[str, object]
    epcis: dict[str, Any]  # everything that happened, as a document
    strays: list[Event]  # of the document of a device or a location, and not in that one
    links: set[Link]  # what hung in what


@pytest.fixture(scope="module")
def whole(demo: Scenario, django_db_setup: None, django_db_blocker: object) -> Replayed:
    """Replay the whole demo once for this module, and keep what is asked of it."""
    with django_db_blocker.unblock(), Undone():  # type: ignore[attr-defined]
        entries = replay(demo)
        return Replayed(
            entries=entries,
            again=replay(demo),
            findings=[finding.words for finding in audit().findings],
            counts={
                model._meta.model_name or "": model.objects.count()
                for model in (Account, Location, Cabinet, Contact, Staff)
            }
            | {"device": Device.objects.count(), "entry": Entry.objects.count()},
            verbs=set(Entry.objects.values_list("verb", flat=True)),
            simulated=set(Entry.objects.values_list("simulated", flat=True)),
            state=_state(),
            epcis=period_document(head_index(), Span()),
            strays=_strays(),
            links=links_in_register(),
        )


class Undone:
    """A transaction that lets durable ones run inside it, as a test case's does, and is rolled back."""

    def __enter__(self) -> None:
        self.atomic = transaction.atomic()
        self.atomic._from_testcase = True  # type: ignore[attr-defined]
        self.atomic.__enter__()

    def __exit__(self, *error: object) -> None:
        transaction.set_rollback(True)
        self.atomic.__exit__(*error)  # type: ignore[arg-type]
        connection.close()


def _strays() -> list[Event]:
    """Return the events of single devices and locations that the document of everything does not have."""
    index, ever = head_index(), Span()
    everything = events_of(period_document(index, ever))
    stores = CabinetWhereabouts.objects.exclude(location=None).values_list("location", flat=True).distinct()
    documents = [device_document(key, index, ever) for key in Device.objects.values_list("pk", flat=True)]
    documents += [location_document(key, index, ever) for key in stores]
    return [event for document in documents for event in events_of(document) if event not in everything]


def _state() -> dict[str, object]:
    """Return the whole present of the register by codes and times, without keys."""
    return {
        "devices": _rows(
            DeviceWhereabouts,
            *("device__serial", "device__standing", "device__firmware", "device__merged_into__serial"),
            *("place", "depot__code", "staff__username", "cabinet__asset_tag", "slot", "end_reason"),
        ),
        "cabinets": _rows(
            CabinetWhereabouts,
            *("cabinet__asset_tag", "cabinet__condition", "place", "location__name", "depot__code"),
        ),
        "locations": _rows(LocationState, "location__name", "location__depot__code", "state"),
        "holdings": _rows(LocationHolding, "location__name", "account__code", "store_number"),
        "splits": _rows(Split, "cabinet__asset_tag", "shares__position", "shares__hundredths"),
        "records": sorted(Device.objects.values_list("serial", "standing", "serial_typed")),
        "people": sorted(Staff.objects.values_list("username", "role", "is_active")),
        "ledger": list(
            Entry.objects.order_by("index").values_list("index", "verb", "recorded_at", "occurred_at")
        ),
    }


def _rows(model: type, *columns: str) -> list[str]:
    found = model.objects.current().values_list(*columns, "valid_from", "valid_to", "starts_known_by")
    return sorted(str(row) for row in found)


# --- the files --------------------------------------------------------------------------------------


def test_the_script_writes_the_files_byte_for_byte(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, str(FOLDER / "write_scenario.py"), str(tmp_path)], check=True, cwd=tmp_path
    )
    written = sorted(path.name for path in tmp_path.iterdir())
    assert written == ["company.json", "events.jsonl"]
    for name in written:
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes()


def test_everything_is_recorded_within_the_year_and_in_order(demo: Scenario) -> None:
    times = [happening.at for happening in demo.happenings]
    assert times == sorted(set(times))
    assert times[0] >= YEAR_BEGINS
    assert times[-1] < YEAR_ENDS


def test_the_files_hold_only_invented_numbers() -> None:
    text = (FOLDER / "events.jsonl").read_text(encoding="utf-8")
    assert re.findall(r"\b555-\d{4}\b", text)
    assert all(phone.startswith("555-01") for phone in re.findall(r'"phone": "([^"]*)"', text))
    assert all(number.startswith("952") for number in re.findall(r'"(?:gln|gtin)": "(\d+)"', text))
    assert all(number.startswith("00") for number in re.findall(r'"imei": "(\d+)"', text))
    assert all(address.endswith(".example") for address in re.findall(r'"email": "[^"@]*@([^"]*)"', text))


def test_every_role_and_every_face_takes_part(demo: Scenario) -> None:
    assert {person["role"] for person in demo.people} == {"administrator", "office", "installer", "auditor"}
    assert {happening.face for happening in demo.happenings} == set(Face)


def test_every_action_is_in_the_demo(demo: Scenario) -> None:
    # A place that could not be counted is recorded by the action that records what was found.
    assert set(DOES) - {"record_not_counted"} == set(_action.ACTIONS) - set(ACTIONS_LEFT_OUT)
    assert {happening.do for happening in demo.happenings} == set(DOES)


# --- the replay -------------------------------------------------------------------------------------


def test_the_whole_year_replays_and_its_audit_is_clean(whole: Replayed, demo: Scenario) -> None:
    assert whole.entries == whole.counts["entry"] == len(demo.happenings)
    assert whole.findings == []
    assert whole.simulated == {True}


def test_every_verb_occurs(whole: Replayed) -> None:
    assert whole.verbs == {str(verb) for verb in Verb} - {str(verb) for verb in VERBS_LEFT_OUT}


def test_the_fleet_has_the_size_that_pages_need(whole: Replayed) -> None:
    counts = whole.counts
    assert 55 <= counts["location"] <= 65
    assert 105 <= counts["cabinet"] <= 115
    assert 90 <= counts["device"] <= 100
    assert counts["contact"] >= 8
    assert 300 <= counts["entry"] <= 600


def test_the_whole_year_is_an_epcis_document_from_which_others_know_what_hangs_where(whole: Replayed) -> None:
    """Whoever reads the facts of it in the order of their times ends with the links that the register has."""
    links = links_of(whole.epcis)

    assert links == whole.links
    assert whole.strays == []
    assert len([link for link in links if link[-1] is None]) > 50
    declared = [event["errorDeclaration"] for event in check(whole.epcis) if "errorDeclaration" in event]
    assert {declaration["reason"] for declaration in declared} == {"incorrect_data", "did_not_occur"}


def test_a_second_replay_writes_nothing(whole: Replayed) -> None:
    assert whole.again == 0


def test_an_interrupted_replay_goes_on_and_ends_alike(
    db: None, demo: Scenario, whole: Replayed, monkeypatch: pytest.MonkeyPatch
) -> None:
    perform, stop_at = scenarios._perform, len(demo.happenings) // 2

    def interrupted(happening: scenarios.Happening, password: str) -> None:
        if happening is demo.happenings[stop_at]:
            raise KeyboardInterrupt
        perform(happening, password)

    monkeypatch.setattr(scenarios, "_perform", interrupted)
    with pytest.raises(KeyboardInterrupt):
        replay(demo)
    assert replayed(demo) == stop_at
    monkeypatch.undo()
    assert replay(demo) == len(demo.happenings) - stop_at
    assert _state() == whole.state


# --- refusals ---------------------------------------------------------------------------------------


@pytest.fixture
def founded_for_real(db: None) -> None:
    register.found_register(SYSTEM, username="ada", name="Ada Frost", password="rime-on-the-pier-7")


def test_a_register_in_use_is_left_alone(founded_for_real: None, demo: Scenario) -> None:
    with pytest.raises(ScenarioError, match=r"holds something else than the demo \(entry 1\)"):
        replay(demo)
    assert Entry.objects.count() == 1


def test_real_work_in_an_unfinished_demo_stops_the_replay(db: None, demo: Scenario) -> None:
    replay(demo, until=3)
    administrator = _action.Actor(Staff.objects.get(username="hester").pk, Face.CONSOLE)
    from registry.actions import locations

    locations.register_depot(administrator, particulars={"code": "REAL", "name": "Real"})
    with pytest.raises(ScenarioError, match=r"\(entry 4\)"):
        replay(demo)


def test_real_work_after_the_demo_is_welcome(db: None, demo: Scenario) -> None:
    short = dataclasses.replace(demo, happenings=demo.happenings[:3])
    replay(short)
    administrator = _action.Actor(Staff.objects.get(username="hester").pk, Face.CONSOLE)
    from registry.actions import locations

    locations.register_depot(administrator, particulars={"code": "REAL", "name": "Real"})
    assert replay(short) == 0


def test_an_event_that_the_register_refuses_is_told_in_a_sentence(db: None, demo: Scenario) -> None:
    first, second = demo.happenings[:2]
    wrong = dataclasses.replace(second, arguments={"particulars": {"code": "T M", "name": "Tarnmouth"}})
    with pytest.raises(ScenarioError, match=r"^Event 2 \(register_depot\) was refused: 'T M' holds a space"):
        replay(dataclasses.replace(demo, happenings=[first, wrong]))
    assert Entry.objects.count() == 1


@pytest.mark.parametrize("damage", ['{"at"', '{"at": "2025-10-01T12:00:00Z"}', '["at"]', "3"])
def test_damaged_files_are_told_in_a_sentence(tmp_path: Path, damage: str) -> None:
    (tmp_path / "company.json").write_text((FOLDER / "company.json").read_text(encoding="utf-8"))
    (tmp_path / "events.jsonl").write_text(damage)
    with pytest.raises(ScenarioError, match="damaged"):
        read_scenario(tmp_path)


def test_missing_files_are_told_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match="cannot be read"):
        read_scenario(tmp_path)


# --- the command ------------------------------------------------------------------------------------


@pytest.fixture
def small_demo(demo: Scenario, monkeypatch: pytest.MonkeyPatch) -> Scenario:
    """The demo up to the first stores, so that the command's own tests stay quick."""
    assigned = [place for place, event in enumerate(demo.happenings) if event.do == "assign_device"]
    happenings = demo.happenings[: assigned[1] + 1]
    device = next(event.arguments for event in happenings if event.do == "assign_device")["serial"]
    serial = re.sub(r"[ -]", "", device).upper()
    small = dataclasses.replace(
        demo, happenings=happenings, sample={"location": "LF-H 0042", "device": serial}
    )
    monkeypatch.setattr("registry.management.commands.demo.read_scenario", lambda _folder: small)
    return small


def _run(**options: object) -> str:
    out = StringIO()
    call_command("demo", stdout=out, **options)
    return out.getvalue()


def test_the_command_shows_what_it_did_and_says_so_again(db: None, small_demo: Scenario) -> None:
    first = _run(no_serve=True)
    total = len(small_demo.happenings)
    assert f"Replayed: {total} of {total} entries" in first
    assert "nothing was found" in first
    assert "Timeline of LF-H 0042" in first
    assert "times in America/New_York" in first
    assert " EDT " in first
    for person in small_demo.people:
        assert person["username"] in first
    assert small_demo.password in first
    second = _run(no_serve=True)
    assert "The demo is there already" in second
    assert second.partition("Audited")[2] == first.partition("Audited")[2]
    assert Entry.objects.count() == total


def test_the_command_refuses_a_register_in_use_before_it_migrates(
    founded_for_real: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("registry.management.commands.demo.call_command", _never)
    with pytest.raises(CommandError, match="something else than the demo"):
        _run(no_serve=True)


def test_a_busy_port_fails_before_anything_else(monkeypatch: pytest.MonkeyPatch, busy_port: int) -> None:
    monkeypatch.setattr("registry.management.commands.demo.read_scenario", _never)
    with pytest.raises(CommandError, match=f"Port {busy_port} cannot be used"):
        _run(port=busy_port)


@pytest.fixture
def busy_port() -> Iterator[int]:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        yield taken.getsockname()[1]


@pytest.mark.parametrize("port", ["0", "65536", "http"])
def test_what_is_no_port_is_refused(port: str) -> None:
    with pytest.raises(CommandError, match="is no port"):
        call_command("demo", "--port", port)


def test_serving_replaces_the_process_with_a_server_on_loopback(
    db: None, small_demo: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken: list[list[str]] = []
    monkeypatch.setattr("os.execv", lambda _path, words: taken.append(words))
    monkeypatch.setattr("registry.management.commands.demo.connections", _Nothing())
    monkeypatch.setattr("registry.management.commands.demo._require_free", lambda port: None)
    out = _run(port=8123)
    assert out.rstrip().endswith("Stop it with Ctrl-C.")
    assert "http://127.0.0.1:8123/" in out
    [words] = taken
    assert words[1:4] == ["-m", "gunicorn", "config.wsgi:application"]
    assert "127.0.0.1:8123" in words
    assert "--no-control-socket" in words


class _Nothing:
    """Stands for the connections, which the test's own transaction still needs."""

    def close_all(self) -> None:
        return None


def _never(*_args: object, **_options: object) -> object:
    raise AssertionError("this must not be reached")


def test_the_demo_leaves_the_clock_as_it_was(db: None, demo: Scenario) -> None:
    replay(demo, until=2)
    assert not ledger_clock.is_simulated()
