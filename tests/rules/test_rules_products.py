"""Products: each particular at both sides of its bounds."""

from decimal import Decimal

import pytest
from rule_checks import assert_text, assert_whole_number_bounds, assert_words, refused

from registry.rules.errors import Code
from registry.rules.products import FIELDS, REQUIRED


def test_a_product_has_these_particulars() -> None:
    assert set(FIELDS) == {
        "code",
        "name",
        "net_mass",
        "net_mass_unit",
        "gtin",
        "stack_density_kg_m3",
        "discontinued",
    }
    assert {"code", "name", "net_mass", "net_mass_unit"} == REQUIRED
    assert_text(FIELDS["code"], blank=False, length_max=40)
    assert_text(FIELDS["name"], blank=False, length_max=200)
    assert_words(FIELDS["net_mass_unit"], "lb kg")


def test_a_code_of_a_product_holds_no_space() -> None:
    assert FIELDS["code"]("BAG-7", "code") == "BAG-7"
    with refused(Code.TEXT_INVALID, "code"):
        FIELDS["code"]("BAG 7", "code")


@pytest.mark.parametrize("typed", ["0.001", "7", "3.175", 20, Decimal("1000"), "1000.000"], ids=repr)
def test_a_bag_holds_up_to_a_thousand(typed: object) -> None:
    assert FIELDS["net_mass"](typed, "net_mass") == Decimal(str(typed))


@pytest.mark.parametrize("typed", ["0", "0.0009", "-7", "1000.001", "3.1751", 7.5, True, None, ""], ids=repr)
def test_a_bag_that_holds_nothing_or_too_much_is_refused(typed: object) -> None:
    with refused(Code.VALUE_INVALID, "net_mass"):
        FIELDS["net_mass"](typed, "net_mass")


def test_bags_stacked_are_lighter_than_solid_ice() -> None:
    # 917 kg per cubic metre: solid ice at 0 degC, from memory (M).
    assert_whole_number_bounds(FIELDS["stack_density_kg_m3"], 100, 917, " kg per cubic metre")
    assert FIELDS["stack_density_kg_m3"](None, "stack_density_kg_m3") is None


def test_a_gtin_is_stored_with_fourteen_digits() -> None:
    # GS1 General Specifications section 7.9; the number bears GS1's demonstration prefix.
    assert FIELDS["gtin"](" 9506000-134352 ", "gtin") == "09506000134352"
    assert FIELDS["gtin"](None, "gtin") is None
    for typed, code in (
        ("9506000134353", Code.CHECK_INVALID),
        ("95060001343", Code.VALUE_INVALID),
        ("", Code.TEXT_INVALID),
        (9506000134352, Code.TEXT_INVALID),
    ):
        with refused(code, "gtin"):
            FIELDS["gtin"](typed, "gtin")


def test_a_product_is_discontinued_or_not() -> None:
    assert FIELDS["discontinued"](False, "discontinued") is False
    with refused(Code.VALUE_INVALID, "discontinued"):
        FIELDS["discontinued"](None, "discontinued")
