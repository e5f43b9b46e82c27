"""What the tests of the rules share: reading vectors, and holding a refusal to its code and field."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from registry.rules.errors import Code, RuleBroken

VECTORS = Path(__file__).resolve().parents[2] / "fixtures" / "vectors"
MARKS = {"P": "read in the published document", "C": "computed from the definition", "M": "from memory"}
SOURCE_LENGTH_MIN = 20  # characters: a name of a document and a place in it


def load_vectors(name: str) -> dict[str, Any]:
    """Return one vector file; refuse one that does not say where its values come from."""
    document: dict[str, Any] = json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8"))
    require_vector_source(document)
    return document


def require_vector_source(document: object) -> None:
    """Raise AssertionError for a vector file without a source, or with a case that bears no mark."""
    assert isinstance(document, dict), "a vector file is an object"
    source = document.get("source")
    assert isinstance(source, str), "a vector file names its source"
    assert len(source) >= SOURCE_LENGTH_MIN, f"{source!r} is no source"
    for name, cases in document.items():
        if isinstance(cases, list):
            assert cases, f"{name} holds no cases"
            for case in cases:
                assert case.get("mark") in MARKS, f"{case} bears none of {sorted(MARKS)}"


@contextmanager
def refused(code: Code, field: str | None) -> Iterator[pytest.ExceptionInfo[RuleBroken]]:
    """Expect a refusal with this code, at this field, whose words end as a sentence."""
    with pytest.raises(RuleBroken) as caught:
        yield caught
    assert caught.value.code is code, str(caught.value)
    assert caught.value.field == field, str(caught.value)
    assert caught.value.message.endswith((".", "?"))


def assert_whole_number_bounds(
    cleaner: Callable[[object, str], object], least: int, most: int, unit: str = ""
) -> None:
    """Hold a cleaner of whole numbers to both of its bounds, to its kind and to the unit that it tells."""
    for value in (least, most):
        assert cleaner(value, "measure") == value
    for value in (least - 1, most + 1, str(least), float(most), True, [most]):
        with refused(Code.VALUE_INVALID, "measure") as caught:
            cleaner(value, "measure")
        assert f" from {least} to {most}{unit}, not {value!r}" in caught.value.message


def assert_words(cleaner: Callable[[object, str], object], words: str) -> None:
    """Hold a cleaner of an enumeration to exactly these words."""
    for word in words.split():
        assert cleaner(word, "kind") == word
        with refused(Code.VALUE_INVALID, "kind") as caught:
            cleaner(word.upper(), "kind")
        for other in words.split():
            assert other in caught.value.message
    for value in ("", "other than that", None, 1, [words.split()[0]]):
        with refused(Code.VALUE_INVALID, "kind") as caught:
            cleaner(value, "kind")
    assert caught.value.message.endswith(f"Use one of {', '.join(words.split())}.")


def assert_text(cleaner: Callable[[object, str], object], *, blank: bool, length_max: int) -> None:
    """Hold a cleaner of text to its length, to whether it may be blank, and to what is text at all."""
    assert cleaner("x" * length_max, "text") == "x" * length_max
    for value in ("x" * (length_max + 1), None, 7, "a\x00b"):
        with refused(Code.TEXT_INVALID, "text"):
            cleaner(value, "text")
    if blank:
        assert cleaner("", "text") == ""
    else:
        with refused(Code.TEXT_INVALID, "text"):
            cleaner("", "text")
