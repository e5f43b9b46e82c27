"""Particulars: each cleaner at both sides of each of its bounds."""

from datetime import UTC, date, datetime
from decimal import Decimal
from enum import StrEnum

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import assert_text, assert_whole_number_bounds, assert_words, refused

from registry.rules import particulars
from registry.rules.errors import Code
from registry.rules.particulars import choice, clean_particulars, decimal, optional, whole_number


class Tint(StrEnum):
    CLEAR = "clear"
    MILKY = "milky"


CLEANERS = {"name": particulars.line, "tint": choice(Tint), "mass_g": optional(whole_number(1, 9))}


def test_particulars_are_cleaned_field_by_field() -> None:
    given_values = {"name": " Skerry  Ice ", "tint": "clear", "mass_g": None}
    required = frozenset({"name"})
    cleaned = clean_particulars(given_values, CLEANERS, required=required)
    assert cleaned == {"name": "Skerry Ice", "tint": "clear", "mass_g": None}
    assert clean_particulars({"name": "x"}, CLEANERS, required=required) == {"name": "x"}
    assert clean_particulars({}, CLEANERS) == {}


@pytest.mark.parametrize(
    ("given_values", "code", "field"),
    [
        ({"name": "x", "colour": "blue"}, Code.VALUE_INVALID, "colour"),
        ({"tint": "clear"}, Code.VALUE_INVALID, "name"),
        ({}, Code.VALUE_INVALID, "name"),
        ({"name": " "}, Code.TEXT_INVALID, "name"),
        ({"name": "x", "tint": "blue"}, Code.VALUE_INVALID, "tint"),
        ({"name": "x", "mass_g": 10}, Code.VALUE_INVALID, "mass_g"),
    ],
)
def test_unknown_missing_and_wrong_particulars_are_refused_by_field(
    given_values: dict[str, object], code: Code, field: str
) -> None:
    with refused(code, field) as caught:
        clean_particulars(given_values, CLEANERS, required=frozenset({"name"}))
    if field == "colour":
        assert "mass_g, name, tint" in caught.value.message


def test_texts_have_their_lengths_and_some_may_be_blank() -> None:
    assert_text(particulars.line, blank=False, length_max=200)
    assert_text(particulars.optional_line, blank=True, length_max=200)
    assert_text(particulars.code, blank=False, length_max=40)
    assert_text(particulars.optional_code, blank=True, length_max=40)
    assert_text(particulars.note, blank=True, length_max=2_000)
    assert_text(particulars.short_lines, blank=True, length_max=200)


@pytest.mark.parametrize("clean", [particulars.code, particulars.optional_code])
def test_a_code_holds_no_space(clean: particulars.Cleaner) -> None:
    assert clean("LF-7", "code") == "LF-7"
    for typed in ("LF 7", " "):
        with refused(Code.TEXT_INVALID, "code"):
            clean(typed, "code")


def test_a_line_is_one_line_and_a_note_may_be_more() -> None:
    assert particulars.note("a\nb", "note") == "a\nb"
    for clean in (particulars.line, particulars.optional_line):
        with refused(Code.TEXT_INVALID, "note"):
            clean("a\nb", "note")


def test_a_street_has_up_to_three_lines_without_blank_ones() -> None:
    # Three lines: common practice of postal forms, no source.
    assert particulars.short_lines(" 12  Harbour Road \n\n Unit\t4\r\n back ", "street") == (
        "12 Harbour Road\nUnit 4\nback"
    )
    assert particulars.short_lines("a\nb\nc\n\n", "street") == "a\nb\nc"
    with refused(Code.VALUE_INVALID, "street"):
        particulars.short_lines("a\nb\nc\nd", "street")


def test_a_choice_is_one_of_its_words() -> None:
    assert_words(choice(Tint), "clear milky")
    assert type(choice(Tint)(Tint.CLEAR, "tint")) is str


def test_a_whole_number_lies_within_its_bounds() -> None:
    assert_whole_number_bounds(whole_number(-5, 5), -5, 5)
    assert_whole_number_bounds(whole_number(0, 1), 0, 1)
    with refused(Code.VALUE_INVALID, "usable_volume_l") as caught:
        whole_number(10, 99, " litres")(9, "usable_volume_l")
    assert "usable volume l must be a whole number from 10 to 99 litres, not 9" in caught.value.message


def test_what_is_optional_may_be_unknown() -> None:
    assert optional(whole_number(1, 9))(None, "mass_g") is None
    assert optional(whole_number(0, 9))(0, "mass_g") == 0
    with refused(Code.VALUE_INVALID, "mass_g"):
        whole_number(1, 9)(None, "mass_g")
    with refused(Code.VALUE_INVALID, "mass_g"):
        optional(whole_number(1, 9))(0, "mass_g")


@pytest.mark.parametrize(
    ("typed", "text"),
    [
        ("-90", "-90.000000"),
        ("90", "90.000000"),
        (90, "90.000000"),
        (Decimal("12.5"), "12.500000"),
        ("0.000001", "0.000001"),
        ("0.0000010", "0.000001"),
        ("-0", "0.000000"),
        ("1E+1", "10.000000"),
        ("0E-1000000000", "0.000000"),
    ],
    ids=repr,
)
def test_a_decimal_has_one_text_for_one_value(typed: object, text: str) -> None:
    assert str(decimal("-90", "90", 6)(typed, "latitude")) == text


@pytest.mark.parametrize(
    "typed",
    [
        *("-90.000001", "90.000001", "0.0000001", "1E-7", "1e999999", "1e-999999"),
        *("NaN", "sNaN", "Infinity", "-Infinity", "", "north", "1,5"),
        *(Decimal("NaN"), Decimal("sNaN"), Decimal("Infinity"), 91),
        *(1.5, 0.0, True, None, [1], (0, (1,), 0), b"1"),
    ],
    ids=repr,
)
def test_what_is_no_decimal_within_its_bounds_is_refused(typed: object) -> None:
    with refused(Code.VALUE_INVALID, "net_mass") as caught:
        decimal("-90", "90", 6)(typed, "net_mass")
    assert caught.value.message.startswith("The net mass must be a number from -90 to 90 ")


@given(st.decimals(0, 1000, places=3))
def test_a_decimal_keeps_its_value(number: Decimal) -> None:
    assert decimal("0", "1000", 3)(str(number), "net_mass") == number


def test_yes_or_no_is_a_truth_value() -> None:
    assert particulars.yes_or_no(True, "discontinued") is True
    assert particulars.yes_or_no(False, "discontinued") is False
    for typed in (1, 0, "yes", "", None):
        with refused(Code.VALUE_INVALID, "discontinued"):
            particulars.yes_or_no(typed, "discontinued")


def test_a_day_has_no_hour() -> None:
    assert particulars.day(date(2026, 5, 1), "authority_on") == date(2026, 5, 1)
    for typed in (datetime(2026, 5, 1, tzinfo=UTC), "2026-05-01", 20_260_501, None):
        with refused(Code.VALUE_INVALID, "authority_on"):
            particulars.day(typed, "authority_on")


@pytest.mark.parametrize(
    "name", ["America/New_York", "America/Argentina/Ushuaia", "Europe/Oslo", "US/Eastern"]
)
def test_a_time_zone_has_the_name_of_a_place(name: str) -> None:
    # Names of the IANA time zone database, as the package tzdata carries them.
    assert particulars.time_zone(name, "time_zone") == name


@pytest.mark.parametrize(
    "name",
    [
        *("UTC", "EST", "EST5EDT", "GMT+0", "Etc/UTC", "Etc/GMT+5", "localtime", "Factory", "posixrules"),
        *("", "America", "America/", "america/new_york", "America/Skerry", "../etc/passwd", "/etc/localtime"),
        *(None, 5, ["Europe/Oslo"]),
    ],
    ids=repr,
)
def test_what_is_no_time_zone_of_a_place_is_refused(name: object) -> None:
    with refused(Code.VALUE_INVALID, "time_zone"):
        particulars.time_zone(name, "time_zone")


def test_a_country_has_two_capital_letters() -> None:
    # The shape of ISO 3166-1 alpha-2; which codes were given out is not ours to tell.
    assert particulars.country("US", "country") == "US"
    assert particulars.country("NO", "country") == "NO"
    for typed in (
        "us",
        "Us",
        "U",
        "USA",
        "",
        "U1",
        "U ",
        "\u00c5S",
        "\uff35\uff33",
        None,
        47,
        ["U", "S"],
        b"US",
    ):
        with refused(Code.VALUE_INVALID, "country"):
            particulars.country(typed, "country")
