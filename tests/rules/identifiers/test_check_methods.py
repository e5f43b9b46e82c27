"""Check characters against published examples, and against the definitions written down a second time."""

import random

import pytest
from check_definitions import DAMM_TABLE, DEFINITIONS, VERHOEFF_PERMUTATION, dihedral_product
from identifier_vectors import load, named
from stdnum import damm, ean, luhn, verhoeff
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from registry.rules.identifiers import ALPHABETS, CHECK_LENGTHS, CheckMethod, check_characters, is_valid

VECTORS = load("check_characters")
CHECKED = [method for method in CheckMethod if method is not CheckMethod.NONE]


def random_payloads(method: CheckMethod, count: int = 400) -> list[str]:
    """Return payloads of 1 to 30 characters, the same in every run."""
    chance = random.Random(f"payloads of {method}")
    alphabet = ALPHABETS[method].payload
    return ["".join(chance.choices(alphabet, k=chance.randint(1, 30))) for _ in range(count)]


def test_the_methods_are_the_ones_the_schemes_store() -> None:
    assert [str(method) for method in CheckMethod] == [
        "none",
        "luhn",
        "gs1_mod_10",
        "damm",
        "verhoeff",
        "iso7064_mod_11_2",
        "iso7064_mod_37_2",
        "iso7064_mod_97_10",
        "iso7064_mod_11_10",
        "iso7064_mod_37_36",
    ]
    assert set(CHECK_LENGTHS) == set(ALPHABETS) == set(CheckMethod)


@pytest.mark.parametrize("case", VECTORS["cases"], ids=named)
def test_published_examples_have_their_check(case: dict[str, object]) -> None:
    method = CheckMethod(case["method"])
    assert check_characters(method, case["payload"]) == case["check"]
    for text in case["valid"]:
        assert is_valid(method, text), text
    for text in case["invalid"]:
        assert not is_valid(method, text), text


@pytest.mark.parametrize("case", VECTORS["undetected"], ids=named)
def test_known_blind_spots_are_blind(case: dict[str, str]) -> None:
    method = CheckMethod(case["method"])
    assert case["payload"] != case["slip"]
    assert is_valid(method, case["payload"] + case["check"])
    assert is_valid(method, case["slip"] + case["check"])


@pytest.mark.parametrize("case", VECTORS["refused_payloads"], ids=named)
def test_a_payload_outside_the_alphabet_is_refused_with_the_reason(case: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=r"outside the alphabet|is empty"):
        check_characters(CheckMethod(case["method"]), case["payload"])


@pytest.mark.parametrize("method", CheckMethod)
def test_checks_agree_with_the_definition(method: CheckMethod) -> None:
    for payload in random_payloads(method):
        check = check_characters(method, payload)
        assert check == DEFINITIONS[method](payload), payload
        assert len(check) == CHECK_LENGTHS[method]
        assert set(check) <= set(ALPHABETS[method].check)
        assert is_valid(method, payload + check)


LIBRARY = {
    CheckMethod.LUHN: luhn.is_valid,
    CheckMethod.GS1_MOD_10: lambda text: ean.calc_check_digit(text[:-1]) == text[-1],
    CheckMethod.DAMM: damm.is_valid,
    CheckMethod.VERHOEFF: verhoeff.is_valid,
    CheckMethod.ISO7064_MOD_11_2: mod_11_2.is_valid,
    CheckMethod.ISO7064_MOD_37_2: mod_37_2.is_valid,
    CheckMethod.ISO7064_MOD_97_10: mod_97_10.is_valid,
    CheckMethod.ISO7064_MOD_11_10: mod_11_10.is_valid,
    CheckMethod.ISO7064_MOD_37_36: mod_37_36.is_valid,
}


@pytest.mark.parametrize("method", CHECKED)
def test_validation_agrees_with_the_library_on_right_and_wrong_texts(method: CheckMethod) -> None:
    chance = random.Random(f"texts of {method}")
    verdicts = set()
    for payload in random_payloads(method):
        right = payload + check_characters(method, payload)
        # One other payload character: the check alphabet is left alone, where we are stricter.
        place = chance.randrange(len(payload))
        wrong = right[:place] + chance.choice(ALPHABETS[method].payload) + right[place + 1 :]
        for text in (right, wrong):
            assert is_valid(method, text) == LIBRARY[method](text), text
            verdicts.add(is_valid(method, text))
    assert verdicts == {True, False}


def test_a_mod_97_10_check_has_one_spelling_where_the_library_takes_two() -> None:
    # ISO/IEC 7064 clause 8 computes 98 minus the remainder: 02 to 98.
    assert mod_97_10.is_valid("000001")
    assert not is_valid(CheckMethod.ISO7064_MOD_97_10, "000001")
    assert is_valid(CheckMethod.ISO7064_MOD_97_10, "000098")


def test_an_x_inside_a_mod_11_2_payload_is_refused_where_the_library_takes_it() -> None:
    text = "X" + mod_11_2.calc_check_digit("X")
    assert mod_11_2.is_valid(text)
    assert not is_valid(CheckMethod.ISO7064_MOD_11_2, text)


def test_digits_of_another_script_are_refused_where_the_library_takes_them() -> None:
    arabic = "\u0665\u0667\u0662"  # 572
    assert damm.calc_check_digit(arabic) == "4"
    assert not is_valid(CheckMethod.DAMM, arabic + "4")


@pytest.mark.parametrize("method", CheckMethod)
def test_an_empty_text_and_a_check_without_payload_are_invalid(method: CheckMethod) -> None:
    assert not is_valid(method, "")
    for check in ALPHABETS[method].check:
        assert not is_valid(method, check * CHECK_LENGTHS[method])


def test_the_damm_table_of_the_definitions_is_a_totally_anti_symmetric_quasigroup() -> None:
    # Damm 2004: rows and columns are permutations, x * x = 0, and (c * x) * y = (c * y) * x only for x = y.
    for row in range(10):
        assert sorted(DAMM_TABLE[row]) == list(range(10))
        assert sorted(DAMM_TABLE[column][row] for column in range(10)) == list(range(10))
        assert DAMM_TABLE[row][row] == 0
    for start in range(10):
        for left in range(10):
            for right in range(10):
                same = (
                    DAMM_TABLE[DAMM_TABLE[start][left]][right] == DAMM_TABLE[DAMM_TABLE[start][right]][left]
                )
                assert same == (left == right)


def test_the_verhoeff_group_of_the_definitions_is_a_group_and_its_permutation_has_order_eight() -> None:
    numbers = range(10)
    for a in numbers:
        assert dihedral_product(a, 0) == dihedral_product(0, a) == a
        for b in numbers:
            for c in numbers:
                assert dihedral_product(dihedral_product(a, b), c) == dihedral_product(
                    a, dihedral_product(b, c)
                )
    assert dihedral_product(1, 5) != dihedral_product(5, 1)
    power = list(numbers)
    orders = []
    for order in range(1, 9):
        power = [VERHOEFF_PERMUTATION[value] for value in power]
        orders += [order] if power == list(numbers) else []
    assert orders == [8]
