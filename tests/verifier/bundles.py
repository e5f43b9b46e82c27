"""The bundles of fixtures/tampered, and texts that are no bundle, for whoever tests a verifier."""

import json
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = ROOT / "registry/static/registry/verify_bundle.py"
TAMPERED = ROOT / "fixtures/tampered"
BUNDLES = TAMPERED / "bundles"
CASES: list[dict[str, Any]] = json.loads((BUNDLES / "cases.json").read_text(encoding="utf-8"))
KEY = (BUNDLES / "public_key.txt").read_text(encoding="utf-8").strip()


def honest() -> dict[str, Any]:
    """Return an honest bundle, to be changed."""
    bundle: dict[str, Any] = json.loads((BUNDLES / "honest_device.json").read_text(encoding="utf-8"))
    return bundle


def status_of_case(case: dict[str, Any]) -> int:
    """Return the exit status that the README gives for a case."""
    if case["fails"] == ["unreadable"]:
        return 2
    return 1 if case["fails"] else 3 if case["lacks"] else 0


Place = tuple[str | int, ...]


def texts_of(value: Any, place: Place = ()) -> list[tuple[Place, str]]:
    """Return every text in a value and where it stands."""
    if isinstance(value, str):
        return [(place, value)]
    if isinstance(value, dict | list):
        inner = value.items() if isinstance(value, dict) else enumerate(value)
        return [found for key, each in inner for found in texts_of(each, (*place, key))]
    return []


def with_text(value: Any, place: Place, text: object) -> Any:
    """Return a copy of a value with something else at a place."""
    if not place:
        return text
    copy = value.copy()
    copy[place[0]] = with_text(value[place[0]], place[1:], text)
    return copy


def _with(**members: Any) -> dict[str, Any]:
    return honest() | members


UNREADABLE = {
    "nothing": "",
    "a number": "7",
    "a list": "[]",
    "null": "null",
    "open": '{"form": ',
    "deep": "[" * 200_000,
    "deep objects": '{"a":' * 200_000,
    "not a number": json.dumps(_with(about=float("nan"))),
    "infinity": json.dumps(_with(entries=[float("inf")])),
    "key beyond ASCII": json.dumps({"\u00fcber": 1}, ensure_ascii=False),
    "byte order mark": "\ufeff" + json.dumps(honest()),
    "subject a list": json.dumps(_with(subject=[])),
    "subject without label": json.dumps(_with(subject={"kind": "device", "id": honest()["subject"]["id"]})),
    "entries an object": json.dumps(_with(entries={})),
    "an entry a text": json.dumps(_with(entries=["x"])),
    "index true": json.dumps(_with(entries=[honest()["entries"][0] | {"index": True}])),
    "index a text": json.dumps(_with(entries=[honest()["entries"][0] | {"index": "7"}])),
    "path of numbers": json.dumps(_with(entries=[honest()["entries"][0] | {"path": [1]}])),
    "capital digits": json.dumps(_with(entries=[honest()["entries"][0] | {"path": ["AB" * 32]}])),
    "digits of another script": json.dumps(
        _with(entries=[honest()["entries"][0] | {"path": ["\u0663" * 64]}])
    ),
    "a hash and a line end": json.dumps(
        _with(entries=[honest()["entries"][0] | {"path": ["ab" * 32 + "\n"]}])
    ),
    "signature short": json.dumps(_with(checkpoints=[honest()["checkpoints"][0] | {"signature": "ab"}])),
    "form twice": json.dumps(_with()).replace('{"form"', '{"form": "x", "form"', 1),
}
