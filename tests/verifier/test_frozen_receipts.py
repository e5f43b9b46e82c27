"""Receipts of real entries: those of the frozen ledgers, which the register itself once wrote."""

import json
import runpy
from pathlib import Path
from typing import Any

import pytest
from bundles import KEY, PROGRAM, ROOT, TAMPERED
from django.test import Client
from mini_verifier import status_of

VERIFIER = runpy.run_path(str(PROGRAM))
WRITER = runpy.run_path(str(TAMPERED / "write_bundles.py"))
LEDGERS = sorted((ROOT / "fixtures/ledgers").glob("*.jsonl"))


class Frozen:
    """A frozen ledger with a checkpoint over all of it."""

    def __init__(self, path: Path) -> None:
        lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        self.entries = [line["entry"] for line in lines if "entry" in line]
        self.bodies = [json.loads(entry["body"]) for entry in self.entries]
        self.ledger = WRITER["Ledger"](entry["body"] for entry in self.entries)
        self.size = len(self.entries)
        made = {"at": self.bodies[-1]["recorded_at"], "register": self.bodies[0]["id"]}
        self.checkpoint = self.ledger.checkpoint(self.size, **made)

    def receipt(self, indexes: list[int], subject: Any = None) -> dict[str, Any]:
        bundle: dict[str, Any] = self.ledger.bundle(indexes, (self.size,))
        return bundle | {"checkpoints": [self.checkpoint], "subject": subject}

    def subjects(self, kind: str) -> dict[str, str]:
        """Return the things of a kind that entries name, with their last label."""
        parts = [part for body in self.bodies for part in body["subjects"] if part["kind"] == kind]
        return {part["id"]: part["label"] for part in parts}

    def naming(self, things: set[str]) -> list[int]:
        return [body["index"] for body in self.bodies if things & {part["id"] for part in body["subjects"]}]


def outcome(bundle: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the findings, held against the second verifier's verdict."""
    VERIFIER["take"](bundle, VERIFIER["BUNDLE"])
    report = VERIFIER["check"](bundle, [], [KEY])
    assert status_of(json.dumps(bundle), [KEY], []) == report.status
    return list(report)


@pytest.fixture(params=LEDGERS, ids=lambda path: path.stem)
def frozen(request: pytest.FixtureRequest) -> Frozen:
    return Frozen(request.param)


def test_a_frozen_ledger_is_shown_whole(frozen: Frozen) -> None:
    findings = outcome(frozen.receipt(list(range(1, frozen.size + 1))))

    assert [each for each in findings if not each["holds"] and each["code"] != "kept"] == []
    assert f"All entries from 1 to {frozen.size}" in findings[-1]["words"]


@pytest.mark.parametrize("kind", ["device", "location", "cabinet", "account", "staff"])
def test_what_names_a_thing_makes_its_receipt(frozen: Frozen, kind: str) -> None:
    things = frozen.subjects(kind)
    assert things
    for thing, label in things.items():
        findings = outcome(
            frozen.receipt(frozen.naming({thing}), {"kind": kind, "id": thing, "label": label})
        )
        assert {each["code"] for each in findings if not each["holds"]} <= {"kept", "whole"}
        assert findings[-1]["code"] == "subject"


def test_a_stores_cabinets_and_a_devices_merged_records_are_said(frozen: Frozen) -> None:
    said = 0
    for thing, label in frozen.subjects("location").items():
        direct = frozen.naming({thing})
        cabinets = {
            part["id"]
            for index in direct
            for part in frozen.bodies[index - 1]["subjects"]
            if part["kind"] == "cabinet"
        }
        bundle = frozen.receipt(
            frozen.naming({thing} | cabinets), {"kind": "location", "id": thing, "label": label}
        )
        findings = outcome(bundle)
        assert not [each for each in findings if each["holds"] is False]
        said += len([each for each in findings if each["code"] == "subject" and each["holds"] is None])
    assert said
    merge = next(body for body in frozen.bodies if body["verb"] == "provisional.merged")
    record, device = (
        next(part for part in merge["subjects"] if part["part"] == name) for name in ("removed", "device")
    )
    subject = {name: device[name] for name in ("kind", "id", "label")}
    findings = outcome(frozen.receipt(frozen.naming({record["id"], device["id"]}), subject))
    assert not [each for each in findings if each["holds"] is False]
    assert [each for each in findings if each["code"] == "subject" and each["holds"] is None]


def test_the_register_serves_the_program(client: Client) -> None:
    answer = client.get("/static/registry/verify_bundle.py")

    assert answer.status_code == 200
    assert b"".join(answer) == PROGRAM.read_bytes()
