"""GS1 keys: shape, check digit, canonical text."""

import random
from collections.abc import Callable

import pytest
from check_definitions import gs1_mod_10
from hypothesis import given, settings
from hypothesis import strategies as st
from identifier_vectors import load, named, outcome

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import giai, gln, grai, gtin
from registry.rules.identifiers.gs1 import CHARACTER_SET_82

CASES = load("gs1_keys")["cases"]
KEYS: dict[str, Callable[..., str]] = {"gln": gln, "gtin": gtin, "grai": grai, "giai": giai}


def options(case: dict[str, object]) -> dict[str, object]:
    return {"serial_required": case["serial_required"]} if "serial_required" in case else {}


@pytest.mark.parametrize("case", [case for case in CASES if "value" in case], ids=named)
def test_a_key_is_returned_in_canonical_form(case: dict[str, str]) -> None:
    read = KEYS[case["key"]]
    assert read(case["text"], **options(case)) == case["value"]
    assert read(case["value"], **options(case)) == case["value"]


@pytest.mark.parametrize("case", [case for case in CASES if "code" in case], ids=named)
def test_a_wrong_key_is_refused_by_name(case: dict[str, str]) -> None:
    with pytest.raises(RuleBroken) as refusal:
        KEYS[case["key"]](case["text"], **options(case))
    assert refusal.value.code == case["code"]
    assert refusal.value.field == case["key"]


@pytest.mark.parametrize("key", KEYS)
def test_the_refusal_names_the_field_of_the_caller(key: str) -> None:
    with pytest.raises(RuleBroken) as refusal:
        KEYS[key]("?", "asset_tag")
    assert refusal.value.field == "asset_tag"


@pytest.mark.parametrize("key", KEYS)
def test_a_number_is_no_key_because_its_zeros_in_front_are_lost(key: str) -> None:
    with pytest.raises(RuleBroken) as refusal:
        KEYS[key](9506000134352)
    assert refusal.value.code is Code.VALUE_INVALID


def test_a_wrong_check_digit_does_not_tell_the_right_one() -> None:
    with pytest.raises(RuleBroken) as refusal:
        gln("9506000134353")
    assert refusal.value.details == {"digits": "9506000134353"}
    assert "9506000134352" not in refusal.value.message


@pytest.mark.parametrize("key", ["gln", "gtin"])
def test_of_the_ten_last_digits_exactly_the_defined_one_is_taken(key: str) -> None:
    chance = random.Random(f"digits of {key}")
    for _ in range(100):
        payload = "".join(chance.choices("0123456789", k=12))
        taken = []
        for digit in "0123456789":
            result = outcome(KEYS[key], payload + digit)
            if isinstance(result, RuleBroken):
                assert result.code is Code.CHECK_INVALID
            else:
                taken.append(result[-1])
        assert taken == [gs1_mod_10(payload)]


def test_character_set_82_has_82_characters_without_space_and_tilde() -> None:
    # GS1 General Specifications section 7.11; the list of signs is from the AI patterns of its dictionary.
    assert len(CHARACTER_SET_82) == len(set(CHARACTER_SET_82)) == 82
    assert {sign for sign in CHARACTER_SET_82 if not sign.isalnum()} == set("!\"%&'()*+,-./:;<=>?_")


@pytest.mark.parametrize("code_point", range(0x20, 0x180))
def test_a_giai_takes_exactly_the_characters_of_the_set(code_point: int) -> None:
    character = chr(code_point)
    text = f"9506000{character}1"
    if character in CHARACTER_SET_82:
        assert giai(text) == text
    else:
        with pytest.raises(RuleBroken):
            giai(text)


@settings(derandomize=True, database=None, deadline=None, max_examples=200)
@given(st.text(max_size=40), st.sampled_from(sorted(KEYS)))
def test_any_text_is_read_or_refused_with_the_two_codes(text: str, key: str) -> None:
    result = outcome(KEYS[key], text)
    if isinstance(result, RuleBroken):
        assert result.code in (Code.VALUE_INVALID, Code.CHECK_INVALID)
    else:
        assert set(result) <= set(CHARACTER_SET_82)
