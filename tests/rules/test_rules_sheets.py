"""Sheets: RFC 4180, and no cell that a program would compute."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.rules.sheets import sheet


def test_lines_end_in_crlf_and_what_holds_commas_quotes_or_lines_is_quoted() -> None:
    # RFC 4180, section 2, rules 1, 5, 6 and 7.
    told = sheet(["what", "note"], [["Pier & Pantry, Mill Lane", 'the "deaf" port\r\nnumber 2']])

    assert told == 'what,note\r\n"Pier & Pantry, Mill Lane","the ""deaf"" port\r\nnumber 2"\r\n'


@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_a_text_that_could_be_a_formula_is_made_plain(begin: str) -> None:
    # OWASP, "CSV Injection": cells that begin with these are prefixed by a single quote.
    told = sheet(["note"], [[f"{begin}HYPERLINK(1)"]])

    assert list(csv.reader(io.StringIO(told, newline="")))[1] == [f"'{begin}HYPERLINK(1)"]


def test_numbers_stay_numbers_truths_are_said_and_nothing_is_empty() -> None:
    assert sheet(["a", "b", "c", "d"], [[-3, True, False, None]]) == "a,b,c,d\r\n-3,yes,no,\r\n"


@given(st.lists(st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"))))
def test_what_is_written_is_read_again_but_for_the_guard(cells: list[str]) -> None:
    [read] = list(csv.reader(io.StringIO(sheet(["x", *cells], []), newline="")))

    assert read == ["x", *cells]

    [_, read] = list(csv.reader(io.StringIO(sheet(["x"], [["x", *cells]]), newline="")))

    assert [cell.removeprefix("'") for cell in read[1:]] == [cell.removeprefix("'") for cell in cells]
