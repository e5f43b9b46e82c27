"""The vector files: each one names its source, and each case says how sure its value is."""

import json
from pathlib import Path

import pytest
from rule_checks import VECTORS, require_vector_source

FILES = sorted(VECTORS.rglob("*.json"))


def test_the_vectors_of_the_rules_are_there() -> None:
    assert {path.stem for path in FILES} >= {
        "allen_relations",
        "canonical_json",
        "merkle_tree",
        "uuid_version_7",
    }


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(VECTORS).as_posix())
def test_every_vector_file_names_its_source_and_marks_each_case(path: Path) -> None:
    require_vector_source(json.loads(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "document",
    [
        [{"mark": "C"}],
        {"cases": [{"mark": "C"}]},
        {"source": None, "cases": [{"mark": "C"}]},
        {"source": "somewhere", "cases": [{"mark": "C"}]},
        {"source": "RFC 9562 annex A.6, the example", "cases": []},
        {"source": "RFC 9562 annex A.6, the example", "cases": [{}]},
        {"source": "RFC 9562 annex A.6, the example", "cases": [{"mark": "sure"}]},
    ],
    ids=["a list", "no source", "null", "a word", "no cases", "no mark", "unknown mark"],
)
def test_a_vector_file_without_source_cases_or_marks_is_refused(document: object) -> None:
    require_vector_source({"source": "RFC 9562 annex A.6, the example", "cases": [{"mark": "P"}]})
    with pytest.raises(AssertionError):
        require_vector_source(document)
