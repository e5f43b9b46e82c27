"""Races: eight processes with connections of their own, on a SQLite file and on PostgreSQL.

Both databases are raced in every run, whatever `--database` says: what one lock does on PostgreSQL the
start of a transaction does on SQLite, and either could be lost without the other showing it.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.concurrency.arena import PROCESSES
from tests.concurrency.databases import NewDatabase, run_python

ROUNDS = 10

Race = Callable[[str, int], dict[str, Any]]


@pytest.fixture
def race(new_database: NewDatabase, tmp_path: Path) -> Iterator[Race]:
    """Run a case of the arena on a database of its own; what must hold after any race is asserted here."""

    with new_database() as url:

        def run(case: str, rounds: int) -> dict[str, Any]:
            printed = run_python(["-m", "tests.concurrency.arena", case, str(rounds)], url, tmp_path)
            report: dict[str, Any] = json.loads(printed)
            assert report["vendor"] == url.partition(":")[0]
            assert len(report["rounds"]) == rounds
            assert all(sum(outcomes.values()) == PROCESSES for outcomes in report["rounds"])
            _assert_register_whole(report)
            return report

        yield run


def _assert_register_whole(report: dict[str, Any]) -> None:
    """Assert what must hold after any race: one entry for each thing done, and nothing out of order."""
    done = sum(count for outcome, count in _all(report).items() if outcome.endswith(": done"))
    assert report["indexes"] == list(range(1, report["entries_before"] + done + 1))
    assert report["times_not_onward"] == []
    assert report["missing_guards"] == []
    assert report["overlaps"] == []
    assert report["in_closed_stores"] == []
    assert report["findings"] == []


def _all(report: dict[str, Any]) -> Counter[str]:
    return sum((Counter(outcomes) for outcomes in report["rounds"]), Counter())


def test_of_eight_who_hang_one_device_in_eight_cabinets_exactly_one_wins(race: Race) -> None:
    report = race("same_device", ROUNDS)

    lost = {"assign: device_elsewhere", "assign: overlapping_history"}
    for outcomes in report["rounds"]:
        assert outcomes.get("assign: done") == 1
        assert set(outcomes) <= {"assign: done"} | lost


def test_eight_who_hang_devices_of_their_own_all_succeed(race: Race) -> None:
    report = race("own_devices", 25)

    assert _all(report) == {"assign: done": 8 * 25}


def test_of_eight_devices_for_one_slot_exactly_one_gets_it(race: Race) -> None:
    report = race("same_slot", ROUNDS)

    assert report["rounds"] == [{"assign: done": 1, "assign: slot_taken": 7}] * ROUNDS


def test_a_serial_recorded_eight_times_at_once_is_one_device(race: Race) -> None:
    report = race("same_serial", 12)

    assert report["rounds"] == [{"record: done": 1, "record: code_taken": 7}] * 12


def test_a_store_is_closed_or_filled_but_never_both(race: Race) -> None:
    report = race("store_closed_and_filled", ROUNDS)

    closed_twice = {"close: nothing_changes", "close: overlapping_history"}
    for outcomes in report["rounds"]:
        if "close: done" in outcomes:
            assert outcomes["close: done"] == 1
            assert outcomes.get("fill: location_closed") == 4
            assert set(outcomes) <= {"close: done", "fill: location_closed"} | closed_twice
        else:
            assert outcomes == {"close: location_occupied": 4, "fill: done": 4}


def test_no_device_stays_in_a_store_that_is_closed_and_cleared_meanwhile(race: Race) -> None:
    report = race("store_closed_and_fitted", ROUNDS)

    for outcomes in report["rounds"]:
        assert outcomes.get("close: done", 0) <= 1
        assert outcomes.get("fit: done", 0) <= 1
        assert outcomes.get("close: done", 0) + outcomes.get("fit: done", 0) >= 1
    assert set(_all(report)) <= {
        "close: done",
        "close: nothing_changes",
        "close: overlapping_history",
        "fit: done",
        "fit: slot_taken",
        "fit: overlapping_history",
        "fit: cabinet_not_available",
    }


def test_one_device_found_eight_times_at_once_is_one_finding(race: Race) -> None:
    report = race("same_finding", 8)

    assert report["rounds"] == [{"find: done": 1, "find: nothing_changes": 7}] * 8


def test_a_difference_is_accepted_or_dismissed_and_never_both(race: Race) -> None:
    report = race("same_difference", 8)

    for outcomes in report["rounds"]:
        assert outcomes.get("accept: done", 0) + outcomes.get("dismiss: done", 0) == 1
        assert set(outcomes) <= {
            "accept: done",
            "accept: nothing_changes",
            "dismiss: done",
            "dismiss: nothing_changes",
        }


def test_reports_that_eight_gateways_bring_at_once_are_kept_once_each(race: Race) -> None:
    report = race("same_reports", ROUNDS)

    for outcomes in report["rounds"]:
        # "bring: 3 new": so many of the eight reports were new to the register when this gateway came.
        new = {word: int(word.split()[1]) for word in outcomes}
        assert sum(new[word] * times for word, times in outcomes.items()) == 8
        assert sum(outcomes.values()) == 8
    assert report["readings"] == 8 * ROUNDS
