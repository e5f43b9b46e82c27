"""Locations and depots: their particulars, their contacts, and how they begin."""

from datetime import date
from decimal import Decimal

import pytest
from rule_checks import assert_text, assert_words, refused

from registry.rules.errors import Code
from registry.rules.locations import (
    DEPOT_FIELDS,
    DEPOT_REQUIRED,
    FIELDS,
    REQUIRED,
    LocationStanding,
    check_coordinates,
    check_not_closed,
    clean_contact,
    clean_first_state,
)
from registry.rules.particulars import choice, clean_particulars

STORE = {
    "name": "Lantern Fuel 12",
    "street": "12 Harbour Road\nUnit 4",
    "locality": "Port Example",
    "region": "",
    "postal_code": "00417",
    "country": "US",
    "latitude": "36.12",
    "longitude": "-86.67",
    "time_zone": "America/Chicago",
    "gln": "9506000134352",  # GS1's demonstration prefix
    "visiting_hours": "Mon 6-9\nTue 6-9",
    "authority_on": date(2026, 5, 1),
    "authority_reference": "letter 7",
}


def test_a_location_has_these_particulars() -> None:
    cleaned = clean_particulars(STORE, FIELDS, required=REQUIRED)
    assert set(FIELDS) == set(STORE)
    assert {"name", "locality", "country", "time_zone"} == REQUIRED
    assert cleaned == STORE | {"latitude": Decimal("36.12"), "longitude": Decimal("-86.67")}


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("name", "", Code.TEXT_INVALID),
        ("name", "a\nb", Code.TEXT_INVALID),
        ("street", "a\nb\nc\nd", Code.VALUE_INVALID),
        ("locality", "", Code.TEXT_INVALID),
        ("region", "a\nb", Code.TEXT_INVALID),
        ("postal_code", 417, Code.TEXT_INVALID),
        ("country", "us", Code.VALUE_INVALID),
        ("latitude", "90.000001", Code.VALUE_INVALID),
        ("latitude", "-90.000001", Code.VALUE_INVALID),
        ("latitude", "1.0000001", Code.VALUE_INVALID),
        ("longitude", "180.000001", Code.VALUE_INVALID),
        ("longitude", "-180.000001", Code.VALUE_INVALID),
        ("longitude", "1.0000001", Code.VALUE_INVALID),
        ("time_zone", "EST", Code.VALUE_INVALID),
        ("gln", "9506000134353", Code.CHECK_INVALID),
        ("gln", "950600013435", Code.VALUE_INVALID),
        ("gln", 9506000134352, Code.TEXT_INVALID),
        ("gln", "", Code.TEXT_INVALID),
        ("visiting_hours", "a\x00", Code.TEXT_INVALID),
        ("authority_on", "2026-05-01", Code.VALUE_INVALID),
        ("authority_reference", "a\nb", Code.TEXT_INVALID),
    ],
)
def test_wrong_particulars_of_a_location_are_refused(field: str, value: object, code: Code) -> None:
    with refused(code, field):
        clean_particulars(STORE | {field: value}, FIELDS)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        *(("latitude", edge) for edge in ("-90", "90", "89.999999", None)),
        *(("longitude", edge) for edge in ("-180", "180", "179.999999", None)),
        *((field, "") for field in ("street", "region", "postal_code", "visiting_hours")),
        *((field, None) for field in ("gln", "authority_on")),
        ("authority_reference", ""),
    ],
)
def test_the_edges_of_the_world_and_what_is_unknown_are_taken(field: str, value: str | None) -> None:
    cleaned = clean_particulars(STORE | {field: value}, FIELDS)[field]
    assert cleaned == (Decimal(value) if value and "tude" in field else value)


def test_a_gln_is_stored_without_its_separators() -> None:
    assert FIELDS["gln"](" 9506000-134352 ", "gln") == "9506000134352"


@pytest.mark.parametrize(
    ("latitude", "longitude", "missing"),
    [(Decimal(1), None, "longitude"), (None, Decimal(1), "latitude"), (Decimal(0), None, "longitude")],
)
def test_coordinates_are_given_together(latitude: object, longitude: object, missing: str) -> None:
    check_coordinates(None, None)
    check_coordinates(Decimal(0), Decimal(0))
    with refused(Code.VALUE_INVALID, missing):
        check_coordinates(latitude, longitude)


def test_nothing_is_put_into_a_closed_store() -> None:
    check_not_closed(False, "Lantern Fuel 12")
    with refused(Code.LOCATION_CLOSED, "location") as caught:
        check_not_closed(True, "Lantern Fuel 12")
    assert caught.value.message.startswith("Lantern Fuel 12 is closed")


def test_a_contact_has_a_name_and_perhaps_more() -> None:
    blank = {"phone": "", "email": "", "note": ""}
    assert clean_contact({"name": " Ada  Example "}) == {"name": "Ada Example"} | blank
    full = {"name": "Ada", "phone": "555-0100", "email": "ada@example.com", "note": "mornings"}
    assert clean_contact(full) == full
    assert list(clean_contact({"note": "", "name": "Ada"})) == ["name", "phone", "email", "note"]


@pytest.mark.parametrize(
    ("contact", "code", "field"),
    [
        ({}, Code.VALUE_INVALID, "name"),
        ({"phone": "555-0100"}, Code.VALUE_INVALID, "name"),
        ({"name": " "}, Code.TEXT_INVALID, "name"),
        ({"name": None}, Code.TEXT_INVALID, "name"),
        ({"name": "Ada", "phone": 5550100}, Code.TEXT_INVALID, "phone"),
        ({"name": "Ada", "note": "a\nb"}, Code.TEXT_INVALID, "note"),
        ({"name": "Ada", "birthday": "1 May"}, Code.VALUE_INVALID, "birthday"),
    ],
    ids=str,
)
def test_a_contact_without_a_name_or_with_more_than_asked_is_refused(
    contact: dict[str, object], code: Code, field: str
) -> None:
    with refused(code, field):
        clean_contact(contact)


@pytest.mark.parametrize("state", ["planned", "open", "asleep"])
def test_a_location_begins_planned_open_or_asleep(state: str) -> None:
    begun = clean_first_state(state)
    assert begun is LocationStanding(state)


@pytest.mark.parametrize("state", ["closed", "", "OPEN", "gone", None])
def test_a_location_does_not_begin_closed(state: str) -> None:
    with refused(Code.VALUE_INVALID, "state"):
        clean_first_state(state)


def test_a_location_stands_in_one_of_four_ways() -> None:
    assert_words(choice(LocationStanding), "planned open asleep closed")


def test_a_depot_has_a_code_and_a_name() -> None:
    assert set(DEPOT_FIELDS) == {"code", "name"} == DEPOT_REQUIRED
    assert_text(DEPOT_FIELDS["code"], blank=False, length_max=40)
    assert_text(DEPOT_FIELDS["name"], blank=False, length_max=200)
