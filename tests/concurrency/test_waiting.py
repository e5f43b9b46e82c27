"""Waiting for the ledger lock: bounded, and told; and requests that overlap with their own repeat.

On both databases in every run, as the races are.
"""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.concurrency.databases import NewDatabase, run_python
from tests.concurrency.waiting import LONG_S, SHORT_S

BUSY = "Others are writing, perhaps this very request. Wait a moment and send it again."
# What one contact writes beside its answer: an entry about the contact and the location.
CONTACT = {"registry_contact": 1, "registry_contacttext": 1, "registry_entry": 1, "registry_subject": 2}

Meeting = Callable[[str, int], dict[str, Any]]


@pytest.fixture
def meeting(new_database: NewDatabase, tmp_path: Path) -> Iterator[Meeting]:
    """Run a case on a database of its own, where a writer waits so many seconds for the others."""
    with new_database() as url:

        def run(case: str, wait_s: int) -> dict[str, Any]:
            arguments = ["-m", "tests.concurrency.waiting", case]
            printed = run_python(arguments, url, tmp_path, RIMEBOOK_LOCK_WAIT_S=str(wait_s))
            report: dict[str, Any] = json.loads(printed)
            assert report["vendor"] == url.partition(":")[0]
            assert report["findings"] == []
            return report

        yield run


def test_who_waits_too_long_for_the_others_is_told_so_and_writes_nothing(meeting: Meeting) -> None:
    report = meeting("lock_held_for_long", 1)

    assert report["first"]["done"]
    assert (report["second"]["refused"], report["second"]["words"]) == ("register_busy", BUSY)
    assert 0.9 < report["second"]["took_s"] < LONG_S - 0.5
    assert report["afterwards"]["done"]
    # The second name alone was written: a revised row, and one entry about one account.
    assert report["new"] == {"registry_account": 0, "registry_entry": 1, "registry_subject": 1}


def test_who_waits_for_less_than_the_limit_gets_their_turn(meeting: Meeting) -> None:
    report = meeting("lock_held_shortly", 10)

    assert report["second"]["done"]
    assert report["second"]["took_s"] > SHORT_S - 0.2
    assert report["new"] == {"registry_account": 0, "registry_entry": 2, "registry_subject": 2}


def test_a_repeat_that_overlaps_waits_for_the_first_and_gets_its_answer(meeting: Meeting) -> None:
    report = meeting("repeat_that_waits", 10)

    assert report["first"]["done"][0] == 201
    assert report["second"]["done"] == report["first"]["done"] == report["afterwards"]["done"]
    assert report["second"]["took_s"] > SHORT_S - 0.2, "it did not wait"
    assert report["new"] == {**CONTACT, "registry_requestanswer": 1}


def test_a_repeat_that_gives_up_waiting_gets_the_answer_when_it_comes_again(meeting: Meeting) -> None:
    report = meeting("repeat_that_gives_up", 1)

    assert report["second"]["refused"] == "register_busy"
    assert report["afterwards"]["done"] == report["first"]["done"]
    assert report["new"] == {**CONTACT, "registry_requestanswer": 1}


def test_another_request_under_the_key_of_one_under_way_is_refused_after_it(meeting: Meeting) -> None:
    report = meeting("another_body_that_waits", 10)

    assert report["second"]["refused"] == "key_reused"
    assert report["afterwards"]["done"] == report["first"]["done"]
    assert report["new"] == {**CONTACT, "registry_requestanswer": 1}


def test_a_repeat_of_one_that_broke_off_does_it_once(meeting: Meeting) -> None:
    report = meeting("repeat_of_one_that_fails", 10)

    assert report["first"]["failed"].startswith("ZeroDivisionError")
    assert report["second"]["done"][0] == 201
    assert report["afterwards"]["done"] == report["second"]["done"]
    assert report["new"] == {**CONTACT, "registry_requestanswer": 1}
