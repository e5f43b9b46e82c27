"""Reads the vector files that this package and the browser's own code both have to pass."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from registry.rules.errors import RuleBroken

VECTORS = Path(__file__).resolve().parents[3] / "fixtures" / "vectors" / "identifiers"
MARKS = {"P": "read in the published document", "C": "computed from the definition", "M": "from memory"}


def load(name: str) -> dict[str, Any]:
    """Return one vector file; refuse one that does not say where its values come from."""
    document = json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8"))
    require_source(document, name)
    return document


def require_source(document: dict[str, Any], name: str) -> None:
    """Raise AssertionError for a vector file without a source, or with a case that bears no mark."""
    source = document.get("source")
    assert isinstance(source, str), f"{name} names no source"
    assert len(source) >= 20, f"{name} names no source worth the word"
    for key, cases in document.items():
        if not isinstance(cases, list):
            continue
        assert cases, f"{name} has no cases under {key}"
        for case in cases:
            assert case.get("mark") in MARKS, f"{name}, {key}: {case} bears none of {sorted(MARKS)}"


def named(case: dict[str, Any]) -> str:
    """Return a short name of a case for the test's report."""
    return str(case.get("about") or case.get("text") or case.get("typed") or case.get("payload"))[:60]


def outcome(read: Callable[..., object], *arguments: object) -> object:
    """Return what a call returns, or the refusal that it raises."""
    try:
        return read(*arguments)
    except RuleBroken as broken:
        return broken
