"""Texts: the one gate for everything typed."""

import unicodedata
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import refused

from registry.rules.errors import Code, RuleBroken
from registry.rules.texts import clean_code, clean_line, clean_note


@pytest.mark.parametrize(
    ("typed", "line"),
    [
        ("Skerry Ice", "Skerry Ice"),
        ("  Skerry \t  Ice ", "Skerry Ice"),
        ("Skerry\u00a0Ice", "Skerry Ice"),  # no-break space
        ("Cafe\u0301 Lantern", "Caf\u00e9 Lantern"),  # NFC, Unicode Standard Annex 15
        ("\u212b", "\u00c5"),  # the angstrom sign composes to a letter, the example of Annex 15
        ("\u6c37\u5c4b", "\u6c37\u5c4b"),
        ("\U0001f9ca Ice", "\U0001f9ca Ice"),
        ("0", "0"),
    ],
)
def test_a_line_is_composed_and_its_runs_of_space_are_made_one(typed: str, line: str) -> None:
    assert clean_line(typed, "name") == line


@pytest.mark.parametrize(
    "bad",
    [
        *("\x00", "\x07", "\x1f", "\x7f", "\x85", "\x1c"),  # control characters
        *("\ud800", "\udfff"),  # surrogates without their other half
        *("\ue000", "\U0010ffff", "\ufdd0"),  # private use, no character
        *("\u061c", "\u200e", "\u200f"),  # Bidi_Control, Unicode Standard Annex 9: marks
        *("\u202a", "\u202b", "\u202c", "\u202d", "\u202e"),  # embeddings and overrides
        *("\u2066", "\u2067", "\u2068", "\u2069"),  # isolates
    ],
    ids=ascii,
)
@pytest.mark.parametrize("clean", [clean_line, clean_note, clean_code])
def test_control_and_direction_characters_are_no_text(clean: Callable[..., str], bad: str) -> None:
    assert clean("ab", "name") == "ab"
    with refused(Code.TEXT_INVALID, "name") as caught:
        clean(f"a{bad}b", "name")
    assert f"U+{ord(bad):04X}" in caught.value.message


@pytest.mark.parametrize("line_break", ["\n", "\r", "\r\n", "\u2028", "\u2029"], ids=ascii)
def test_a_line_break_is_refused_in_a_line_and_plain_in_a_note(line_break: str) -> None:
    typed = f"north door{line_break}ring twice"
    assert clean_note(typed, "note") == "north door\nring twice"
    with refused(Code.TEXT_INVALID, "note"):
        clean_line(typed, "note")


def test_a_note_keeps_its_inner_spaces_and_loses_its_outer_ones() -> None:
    assert clean_note(" \n a  b\tc \n\n d \n", "note") == "a  b\tc \n\n d"


@pytest.mark.parametrize("typed", [None, 7, 7.5, True, b"ice", ["ice"]], ids=repr)
@pytest.mark.parametrize("clean", [clean_line, clean_note, clean_code])
def test_what_is_no_text_is_refused(clean: Callable[..., str], typed: object) -> None:
    with refused(Code.TEXT_INVALID, "store_number") as caught:
        clean(typed, "store_number")
    assert f"store number must be text, not {type(typed).__name__}" in caught.value.message


@pytest.mark.parametrize("blank", ["", " ", "\t", "\u00a0 ", "\u200b", "\ufeff \u200d"], ids=ascii)
def test_a_required_text_shows_something(blank: str) -> None:
    with refused(Code.TEXT_INVALID, "name"):
        clean_line(blank, "name")
    with refused(Code.TEXT_INVALID, "name"):
        clean_code(blank, "name")
    with refused(Code.TEXT_INVALID, "name"):
        clean_note(blank, "name", required=True)
    clean_line(blank, "name", required=False)
    clean_note(blank, "name")


def test_blank_text_that_may_be_blank_becomes_empty() -> None:
    assert clean_line("  ", "name", required=False) == ""
    assert clean_note(" \n ", "name") == ""


@pytest.mark.parametrize(
    ("clean", "most"),
    [(clean_line, 200), (clean_note, 2_000), (clean_code, 40)],
    ids=["line", "note", "code"],
)
def test_a_text_is_no_longer_than_its_kind_allows(clean: Callable[..., str], most: int) -> None:
    assert clean("x" * most, "name") == "x" * most
    # Length is counted after composing: twice as many typed characters may make as many letters.
    assert clean("e\u0301" * most, "name") == "\u00e9" * most
    with refused(Code.TEXT_INVALID, "name") as caught:
        clean("x" * (most + 1), "name")
    assert str(most) in caught.value.message


def test_a_text_far_too_long_is_refused_before_any_work_is_done_on_it() -> None:
    assert clean_line("x" + " " * 799, "name") == "x"
    with refused(Code.TEXT_INVALID, "name"):
        clean_line("x" + " " * 800, "name")
    with refused(Code.TEXT_INVALID, "name"):
        clean_line("x" + " " * 40, "name", length_max=10)


def test_a_line_may_be_given_its_own_limit() -> None:
    assert clean_line("abc", "name", length_max=3) == "abc"
    with refused(Code.TEXT_INVALID, "name"):
        clean_line("abcd", "name", length_max=3)
    with refused(Code.TEXT_INVALID, "name"):
        clean_note("abcd", "name", length_max=3)


def test_a_code_is_text_without_spaces_and_keeps_its_zeros() -> None:
    assert clean_code(" 00417 ", "store_number") == "00417"
    assert clean_code("LF-7/a", "store_number") == "LF-7/a"
    for typed in ("LF 7", "LF\t7", "LF\u00a07"):
        with refused(Code.TEXT_INVALID, "store_number") as caught:
            clean_code(typed, "store_number")
        assert "store number" in caught.value.message


@pytest.mark.parametrize("unseen", ["\u200b", "\u200d", "\u00ad", "\ufeff", "\u2060"], ids=ascii)
def test_two_codes_that_look_the_same_are_the_same(unseen: str) -> None:
    assert clean_code("LF7", "code") == "LF7"
    with refused(Code.TEXT_INVALID, "code"):
        clean_code(f"LF{unseen}7", "code")


def outcome(clean: Callable[..., str], typed: str) -> str | Code:
    try:
        return clean(typed, "name")
    except RuleBroken as refusal:
        return refusal.code


@given(st.text(max_size=60), st.sampled_from([clean_line, clean_note, clean_code]))
def test_what_is_clean_stays_as_it_is(typed: str, clean: Callable[..., str]) -> None:
    text = outcome(clean, typed)
    if text is Code.TEXT_INVALID:
        return
    assert clean(text, "name") == text
    assert unicodedata.is_normalized("NFC", text)
    assert text == text.strip()
    text.encode()  # can be stored and hashed


@given(st.text(st.characters(codec="ascii", categories=["L", "N", "P"]), min_size=1, max_size=40))
def test_plain_letters_digits_and_punctuation_pass_unchanged(typed: str) -> None:
    assert clean_code(typed, "code") == clean_line(typed, "name") == clean_note(typed, "note") == typed
