"""Idempotency keys: read as the Structured Field String that the draft asks for."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.rules.errors import Code
from registry.rules.requests import ANSWER_KEPT, KEY_LENGTH_MAX, read_key
from tests.rules.rule_checks import refused

# The example of draft-ietf-httpapi-idempotency-key-header-07, read in the published document.
EXAMPLE = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'


def test_the_example_of_the_draft_is_read() -> None:
    assert read_key(EXAMPLE) == "8e03978e-40d5-43e8-bc93-6894a57f9324"


# RFC 9651 section 3.3.3, from memory: DQUOTE *( %x20-21 / %x23-5B / %x5D-7E / "\" DQUOTE / "\\" ) DQUOTE.
PRINTABLE = "".join(map(chr, range(0x20, 0x7F)))


def written(key: str) -> str:
    """Return a key as a header holds it."""
    return '"' + re.sub(r'(["\\])', r"\\\1", key) + '"'


@given(st.text(PRINTABLE, min_size=1, max_size=KEY_LENGTH_MAX))
def test_every_printable_text_is_read_back(key: str) -> None:
    assert read_key(written(key)) == key
    assert read_key(f" \t{written(key)}\t ") == key  # what HTTP may put around a value


@pytest.mark.parametrize(
    "header",
    [
        "",
        '""',
        '"',
        "8e03978e-40d5-43e8-bc93-6894a57f9324",  # no quotes: a token, not a string
        "'8e03978e'",
        '"8e03978e',
        '8e03978e"',
        '"one" "two"',
        '"one", "two"',  # two headers joined
        '"one";expires=30',
        '"a"b"',
        '"a\\b"',  # a backslash that escapes nothing
        '"a\\"',
        '"a\x1fb"',
        '"a\x7fb"',
        '"a\tb"',
        '"a\nb"',
        '"a"\n',
        '"Fähre"',
        '"\N{SNOWFLAKE}"',
    ],
)
def test_what_is_no_string_of_a_structured_field_is_refused(header: str) -> None:
    with refused(Code.KEY_INVALID, "Idempotency-Key") as caught:
        read_key(header)
    assert read_key(caught.value.message.split("such as ")[1].removesuffix(".")), "its example is a good one"


def test_a_key_is_at_most_as_long_as_its_column() -> None:
    assert read_key(written("x" * 255)) == "x" * 255
    assert read_key(written('"' * 255)) == '"' * 255  # counted as it is meant, not as it is escaped
    for long in ("x" * 256, '"' * 256):
        with refused(Code.KEY_INVALID, "Idempotency-Key"):
            read_key(written(long))


def test_an_answer_is_kept_for_thirty_days() -> None:
    assert ANSWER_KEPT.total_seconds() == 30 * 24 * 60 * 60
