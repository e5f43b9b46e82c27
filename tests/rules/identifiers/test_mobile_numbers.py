"""IMEI and ICCID: what is checked, what is added and told, what waits for a recorded override."""

import random

import pytest
from check_definitions import luhn
from identifier_vectors import load, named, outcome

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import IccidResult, ImeiForm, iccid, imei

VECTORS = load("mobile_numbers")


@pytest.mark.parametrize("case", [case for case in VECTORS["imei"] if "value" in case], ids=named)
def test_an_imei_is_returned_with_how_it_came_about(case: dict[str, object]) -> None:
    result = imei(case["text"])
    assert (result.text, result.form, result.software_version, result.check_digit_added) == (
        case["value"],
        case["form"],
        case["software_version"],
        case["check_digit_added"],
    )


@pytest.mark.parametrize("case", [case for case in VECTORS["imei"] if "code" in case], ids=named)
def test_a_wrong_imei_is_refused_by_name(case: dict[str, str]) -> None:
    with pytest.raises(RuleBroken) as refusal:
        imei(case["text"], "modem_imei")
    assert refusal.value.code == case["code"]
    assert refusal.value.field == "modem_imei"


def test_of_the_ten_last_digits_of_an_imei_exactly_the_defined_one_is_taken() -> None:
    # TS 23.003 annex B.2 is the Luhn formula over the first 14 digits.
    chance = random.Random("imei")
    for _ in range(100):
        core = "".join(chance.choices("123456789", k=14))
        taken = []
        for digit in "0123456789":
            result = outcome(imei, core + digit)
            if isinstance(result, RuleBroken):
                assert result.code is Code.CHECK_INVALID
            else:
                taken.append(result.text)
        assert taken == [core + luhn(core)] == [imei(core).text]


def test_every_software_version_is_taken_because_an_imeisv_has_no_check_digit() -> None:
    for version in range(100):
        result = imei(f"26053179311383{version:02d}")
        assert result.text == "260531793113837"
        assert result.software_version == f"{version:02d}"
        assert result.form is ImeiForm.WITH_SOFTWARE_VERSION


@pytest.mark.parametrize("case", [case for case in VECTORS["iccid"] if "value" in case], ids=named)
def test_a_card_number_is_returned_with_its_doubts_when_overridden(case: dict[str, object]) -> None:
    assert iccid(case["text"], override=True) == IccidResult(case["value"], tuple(case["doubts"]))


@pytest.mark.parametrize("case", [case for case in VECTORS["iccid"] if "value" in case], ids=named)
def test_a_doubt_refuses_until_somebody_overrides(case: dict[str, object]) -> None:
    if not case["doubts"]:
        assert iccid(case["text"]) == IccidResult(case["value"], ())
        return
    with pytest.raises(RuleBroken) as refusal:
        iccid(case["text"], "card")
    assert refusal.value.code is Code.CHECK_INVALID
    assert refusal.value.field == "card"
    assert refusal.value.details == {"doubts": case["doubts"]}


@pytest.mark.parametrize("case", [case for case in VECTORS["iccid"] if "code" in case], ids=named)
@pytest.mark.parametrize("override", [False, True])
def test_what_is_no_number_is_refused_whatever_is_overridden(case: dict[str, str], override: bool) -> None:
    with pytest.raises(RuleBroken) as refusal:
        iccid(case["text"], override=override)
    assert refusal.value.code == case["code"]


def test_the_vectors_hold_every_doubt() -> None:
    doubts = {doubt for case in VECTORS["iccid"] for doubt in case.get("doubts", [])}
    assert doubts == {"wrong_start", "wrong_length", "wrong_check"}


@pytest.mark.parametrize("length", range(1, 23))
def test_lengths_from_18_to_20_raise_no_doubt_and_all_others_do(length: int) -> None:
    # E.118 shows 19 digits at most; cards with 20 exist, and secondary sources quote 22 as well.
    payload = "89445001021983048212345"[: length - 1]
    doubts = iccid(payload + luhn(payload) if payload else "8", override=True).doubts
    assert ("wrong_length" in doubts) == (length not in (18, 19, 20))
