"""Serial schemes: which can be, what they accept, and by which word they refuse."""

import random
import re

import pytest
from check_definitions import DEFINITIONS
from hypothesis import given, settings
from hypothesis import strategies as st
from identifier_vectors import load, named, outcome

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import ALPHABETS, CheckMethod, SerialScheme, accept, normalise

VECTORS = load("serial_schemes")
NORMALISATION = load("normalisation")
PROBLEMS = {"missing_prefix", "wrong_prefix", "wrong_length", "wrong_character", "wrong_check"}


def scheme_of(fields: dict[str, object]) -> SerialScheme:
    return SerialScheme(**{name: value for name, value in fields.items() if name != "pattern"})


SCHEMES = {name: scheme_of(fields) for name, fields in VECTORS["schemes"].items()}


@pytest.mark.parametrize("case", NORMALISATION["accepted"], ids=lambda case: case["about"])
def test_typed_text_is_folded(case: dict[str, str]) -> None:
    assert normalise(case["typed"]) == case["normalised"]
    assert normalise(case["normalised"]) == case["normalised"]


@pytest.mark.parametrize("case", NORMALISATION["refused"], ids=lambda case: case["about"])
def test_other_characters_blank_and_overlong_texts_are_refused(case: dict[str, object]) -> None:
    with pytest.raises(RuleBroken) as refusal:
        normalise(case["typed"])
    assert refusal.value.code == case["code"]
    assert refusal.value.field == "serial"
    assert refusal.value.details.get("position") == case["position"]
    refusal.value.message.encode("utf-8")


def test_a_hundred_characters_are_still_read() -> None:
    assert normalise(" " * 91 + "P30042176") == "P30042176"


def test_a_lone_surrogate_is_named_by_its_code_point_so_that_the_answer_can_be_sent() -> None:
    with pytest.raises(RuleBroken) as refusal:
        normalise("P3\ud800")
    assert "U+D800" in refusal.value.message
    assert refusal.value.details["character"] == "U+D800"


def test_a_number_is_no_serial_because_its_zeros_in_front_are_lost() -> None:
    with pytest.raises(RuleBroken) as refusal:
        normalise(42176)  # type: ignore[arg-type]
    assert refusal.value.code is Code.TEXT_INVALID


@settings(derandomize=True, database=None, deadline=None, max_examples=300)
@given(st.text(max_size=120))
def test_folding_yields_plain_characters_or_refuses_by_name(typed: str) -> None:
    text = outcome(normalise, typed)
    if isinstance(text, RuleBroken):
        assert text.code is Code.TEXT_INVALID
    else:
        assert re.fullmatch(r"[0-9A-Z*]+", text)
        assert normalise(text) == text


@pytest.mark.parametrize("case", VECTORS["accepted"], ids=named)
def test_a_serial_of_the_scheme_is_accepted_in_canonical_form(case: dict[str, str]) -> None:
    assert accept(SCHEMES[case["scheme"]], case["typed"]) == case["serial"]


@pytest.mark.parametrize("case", VECTORS["refused"], ids=named)
def test_another_text_is_refused_with_its_problem_word(case: dict[str, str]) -> None:
    with pytest.raises(RuleBroken) as refusal:
        accept(SCHEMES[case["scheme"]], case["typed"])
    assert refusal.value.code is Code.SERIAL_INVALID
    assert refusal.value.field == "serial"
    assert refusal.value.details["problem"] == case["problem"]


def test_every_problem_word_has_a_case() -> None:
    assert {case["problem"] for case in VECTORS["refused"]} == PROBLEMS


def test_a_refusal_says_where_and_how_long() -> None:
    scheme = SCHEMES["plumb_3"]
    with pytest.raises(RuleBroken) as refusal:
        accept(scheme, "P3-0O4217-6")
    assert refusal.value.details == {"problem": "wrong_character", "character": "O", "position": 4}
    with pytest.raises(RuleBroken) as refusal:
        accept(scheme, "P3-00421-6")
    assert refusal.value.details == {"problem": "wrong_length", "length": 8, "expected_length": 9}
    assert "too short" in refusal.value.message
    with pytest.raises(RuleBroken, match="too long"):
        accept(scheme, "P3-0042177-6")


def test_a_wrong_check_does_not_tell_the_right_one() -> None:
    with pytest.raises(RuleBroken) as refusal:
        accept(SCHEMES["plumb_3"], "P3-004217-0")
    assert "6" not in refusal.value.message
    assert refusal.value.details == {"problem": "wrong_check"}


@pytest.mark.parametrize("case", VECTORS["possible"], ids=named)
def test_a_scheme_at_the_edge_of_the_limits_can_be(case: dict[str, dict[str, object]]) -> None:
    scheme = scheme_of(case["scheme"])
    payload = (scheme.alphabet * scheme.payload_length)[: scheme.payload_length]
    assert accept(scheme, scheme.complete(payload)) == scheme.complete(payload)


@pytest.mark.parametrize("case", VECTORS["impossible"], ids=named)
def test_an_impossible_scheme_is_refused_naming_the_field(case: dict[str, dict[str, object]]) -> None:
    with pytest.raises(RuleBroken) as refusal:
        scheme_of(case["scheme"])
    assert refusal.value.code is Code.VALUE_INVALID
    assert refusal.value.field == case["field"]


def test_a_scheme_cannot_be_changed_afterwards() -> None:
    with pytest.raises(AttributeError):
        SCHEMES["plumb_3"].prefix = "P4"  # type: ignore[misc]


@pytest.mark.parametrize("name", SCHEMES)
def test_the_pattern_is_the_published_one(name: str) -> None:
    assert SCHEMES[name].pattern == VECTORS["schemes"][name]["pattern"]


@pytest.mark.parametrize("name", SCHEMES)
def test_the_pattern_matches_exactly_the_texts_that_are_not_refused_for_their_shape(name: str) -> None:
    scheme = SCHEMES[name]
    pattern = re.compile(scheme.pattern)
    chance = random.Random(f"shapes of {name}")
    seen = set()
    for _ in range(2_000):
        payload = "".join(chance.choices(scheme.alphabet, k=scheme.payload_length))
        text = list(scheme.complete(payload))
        for _slip in range(chance.randint(0, 2)):
            place = chance.randrange(len(text))
            text[place : place + 1] = chance.choice(["", "0", "X", "*", "O", "77", text[place]])
        typed = "".join(text)
        try:
            accept(scheme, typed)
            legal = True
        except RuleBroken as broken:
            legal = broken.details.get("problem") == "wrong_check"
        assert bool(pattern.search(typed)) == legal, typed
        seen.add(legal)
    assert seen == {True, False}


@pytest.mark.parametrize("method", CheckMethod)
@pytest.mark.parametrize("covers", [False, True])
def test_completed_payloads_are_accepted_and_bear_the_defined_check(
    method: CheckMethod, covers: bool
) -> None:
    covers = covers and method is not CheckMethod.NONE
    scheme = SerialScheme("77", ALPHABETS[method].payload, 9, method, check_covers_prefix=covers)
    chance = random.Random(f"completing {method}")
    for _ in range(100):
        payload = "".join(chance.choices(scheme.alphabet, k=9))
        covered = "77" + payload if covers else payload
        serial = scheme.complete(payload)
        assert serial == "77" + payload + DEFINITIONS[method](covered)
        assert accept(scheme, serial) == serial


@pytest.mark.parametrize("payload", ["", "00421", "0042177", "00421A", "00421\u0667"])
def test_completing_another_payload_is_an_error_of_the_program(payload: str) -> None:
    with pytest.raises(ValueError, match="not 6 characters"):
        SCHEMES["plumb_3"].complete(payload)


def test_with_one_check_each_serial_has_exactly_one_spelling() -> None:
    # Under MOD 97-10 a library that only tests congruence takes two checks for some payloads.
    scheme = SerialScheme("", "0123456789", 4, CheckMethod.ISO7064_MOD_97_10)
    for payload in ("0000", "0032", "0065"):
        accepted = []
        for check in range(100):
            try:
                accepted.append(accept(scheme, f"{payload}{check:02d}"))
            except RuleBroken:
                continue
        assert accepted == [scheme.complete(payload)]
