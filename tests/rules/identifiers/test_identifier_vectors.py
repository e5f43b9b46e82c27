"""The vector files themselves: each names its source, each case says how sure its value is."""

import json

import pytest
from identifier_vectors import VECTORS, load, require_source

FILES = sorted(path.stem for path in VECTORS.glob("*.json"))


def test_there_are_vector_files() -> None:
    assert FILES == [
        "check_characters",
        "detection_rates",
        "gs1_keys",
        "mobile_numbers",
        "normalisation",
        "scans",
        "serial_schemes",
        "suggestions",
    ]


@pytest.mark.parametrize("name", FILES)
def test_each_vector_file_names_its_source_and_marks_each_case(name: str) -> None:
    load(name)


@pytest.mark.parametrize(
    "document",
    [
        {"cases": [{"text": "1", "mark": "C"}]},
        {"source": "", "cases": [{"text": "1", "mark": "C"}]},
        {"source": "somewhere", "cases": [{"text": "1", "mark": "C"}]},
        {"source": "ISO/IEC 7064:2003 clause 7", "cases": [{"text": "1"}]},
        {"source": "ISO/IEC 7064:2003 clause 7", "cases": [{"text": "1", "mark": "sure"}]},
        {"source": "ISO/IEC 7064:2003 clause 7", "cases": []},
    ],
    ids=["no source", "empty source", "a word for a source", "no mark", "unknown mark", "no cases"],
)
def test_a_vector_file_without_source_marks_or_cases_is_refused(document: dict[str, object]) -> None:
    with pytest.raises(AssertionError):
        require_source(document, "broken")


@pytest.mark.parametrize("name", FILES)
def test_vector_files_are_plain_ascii_so_that_no_editor_changes_a_dash(name: str) -> None:
    text = (VECTORS / f"{name}.json").read_bytes()
    assert text.isascii()
    json.loads(text)
