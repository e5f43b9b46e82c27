"""Suggestions: what is offered for a slip, in which order, from which stock, and that nothing is missed."""

import random
from functools import cache

import pytest
from identifier_vectors import load, named

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import (
    ALPHABETS,
    CheckMethod,
    SerialScheme,
    Suggestion,
    SuggestionKind,
    accept,
    candidates,
    nearest,
)
from registry.rules.identifiers.suggestions import CANDIDATES_MAX, CONFUSIONS_MAX, LIMIT_MAX

VECTORS = load("suggestions")
SCHEMES = {name: SerialScheme(**fields) for name, fields in VECTORS["schemes"].items()}
STOCK = 10_000
EVERY_CHARACTER = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
RANKS = ["exact", "confusion", "swap", "missing extra", "substitution"]


def rank(suggestion: Suggestion) -> int:
    return next(index for index, kinds in enumerate(RANKS) if suggestion.kind in kinds.split())


@pytest.mark.parametrize("case", VECTORS["cases"], ids=named)
def test_the_slip_is_recognised_and_ranked(case: dict[str, object]) -> None:
    found = nearest(case["typed"], SCHEMES[case["scheme"]], set(case["assignable"]))
    assert [{"serial": one.serial, "kind": one.kind} for one in found] == case["expected"]


@cache
def scheme_for(method: CheckMethod) -> SerialScheme:
    """Return a scheme as long as labels of the trade have it: 10 digits, or 8 letters and digits."""
    alphabet = ALPHABETS[method].payload
    return SerialScheme("P3", alphabet, 10 if len(alphabet) == 10 else 8, method)


@cache
def stock_of(method: CheckMethod) -> frozenset[str]:
    """Return 10,000 random serials, the same in every run."""
    scheme = scheme_for(method)
    chance = random.Random(f"stock of {method}")
    stock: set[str] = set()
    while len(stock) < STOCK:
        stock.add(scheme.complete("".join(chance.choices(scheme.alphabet, k=scheme.payload_length))))
    return frozenset(stock)


def single_slips(serial: str, chance: random.Random) -> dict[str, str]:
    """Return one text for each kind of single slip; a slip may leave the serial as it is."""
    place = chance.randrange(len(serial))
    left = chance.randrange(len(serial) - 1)
    jump = chance.randrange(len(serial) - 2)
    character = chance.choice(EVERY_CHARACTER)
    return {
        "wrong": serial[:place] + character + serial[place + 1 :],
        "missing": serial[:place] + serial[place + 1 :],
        "extra": serial[:place] + character + serial[place:],
        "doubled": serial[: place + 1] + serial[place:],
        "swapped": serial[:left] + serial[left + 1] + serial[left] + serial[left + 2 :],
        "jumped": serial[:jump] + serial[jump + 2] + serial[jump + 1] + serial[jump] + serial[jump + 3 :],
    }


@pytest.mark.parametrize("method", CheckMethod)
def test_no_single_slip_hides_its_serial_in_a_stock_of_ten_thousand(method: CheckMethod) -> None:
    scheme, stock = scheme_for(method), stock_of(method)
    chance = random.Random(f"slips of {method}")
    slips = 0
    for serial in chance.sample(sorted(stock), 150):
        for kind, typed in single_slips(serial, chance).items():
            found = nearest(typed, scheme, stock)
            assert serial in [one.serial for one in found], (kind, serial, typed)
            assert all(one.serial in stock for one in found)
            slips += 1
    assert slips == 900


@pytest.mark.parametrize("method", CheckMethod)
def test_every_place_and_every_character_of_one_serial_is_covered(method: CheckMethod) -> None:
    scheme = scheme_for(method)
    serial = min(stock_of(method))
    texts = set()
    for place in range(len(serial) + 1):
        texts.add(serial[:place] + serial[place + 1 :])
        for character in EVERY_CHARACTER + "*":
            texts.add(serial[:place] + character + serial[place:])
            texts.add(serial[:place] + character + serial[place + 1 :])
    for typed in texts:
        if typed != serial:
            assert [one.serial for one in nearest(typed, scheme, {serial})] == [serial], typed


@pytest.mark.parametrize("method", CheckMethod)
def test_candidates_are_serials_ranked_bounded_and_each_once(method: CheckMethod) -> None:
    scheme = scheme_for(method)
    chance = random.Random(f"candidates of {method}")
    for serial in chance.sample(sorted(stock_of(method)), 10):
        for typed in single_slips(serial, chance).values():
            found = list(candidates(typed, scheme))
            assert all(accept(scheme, one.serial) == one.serial for one in found)
            assert len({one.serial for one in found}) == len(found)
            assert [(rank(one), one.serial) for one in found] == sorted(
                (rank(one), one.serial) for one in found
            )
            assert all((one.serial == typed) == (one.kind is SuggestionKind.EXACT) for one in found)


LONG = "P" * 9
LOOK_ALIKE_PAYLOAD = "0ODQ1IL725SGBUVX0ODQ1IL725SGBU"


@pytest.mark.parametrize(
    "typed",
    [
        LONG + LOOK_ALIKE_PAYLOAD,
        LONG + LOOK_ALIKE_PAYLOAD[1:],
        LONG + "0" + LOOK_ALIKE_PAYLOAD,
        LONG + "0" * 30,
        LONG[1:] + LOOK_ALIKE_PAYLOAD,
        LOOK_ALIKE_PAYLOAD,
        "O" * 39,
        "0" * 100,
        "P" * 100,
    ],
)
def test_the_longest_serials_without_a_check_stay_below_the_bound(typed: str) -> None:
    scheme = SerialScheme(LONG, EVERY_CHARACTER, 30, CheckMethod.NONE)
    assert len(list(candidates(typed, scheme))) < CANDIDATES_MAX


def test_a_one_character_prefix_reaches_the_most_candidates_and_still_cuts_nothing_off() -> None:
    scheme = SerialScheme("0", EVERY_CHARACTER, 30, CheckMethod.NONE)
    found = list(candidates(LOOK_ALIKE_PAYLOAD, scheme))
    assert 3_000 < len(found) < CANDIDATES_MAX
    assert found[-1].kind is SuggestionKind.SUBSTITUTION


def test_a_row_of_misread_characters_does_not_multiply_without_end() -> None:
    # 30 misplaced letters with several look-alikes each would make 2 ** 30 combinations.
    scheme = SerialScheme("P5", "0123456789ABCDEFGHIJKMNP", 30, CheckMethod.NONE)
    assert len(list(candidates("P5" + "LOQ" * 10, scheme))) == CONFUSIONS_MAX


def test_the_work_does_not_grow_with_the_stock() -> None:
    class CountingStock:
        """Answers membership and counts the questions; it cannot be walked through."""

        def __init__(self, serials: frozenset[str]) -> None:
            self.serials, self.questions = serials, 0

        def __contains__(self, serial: object) -> bool:
            self.questions += 1
            return serial in self.serials

    scheme = SCHEMES["plumb_3"]
    small, large = (
        CountingStock(frozenset()),
        CountingStock(frozenset(f"Q{number}" for number in range(5_000))),
    )
    assert nearest("P30042476", scheme, small) == nearest("P30042476", scheme, large) == []
    assert small.questions == large.questions == len(list(candidates("P30042476", scheme)))


def test_no_more_than_the_limit_are_returned_and_the_likeliest_come_first() -> None:
    scheme = SCHEMES["plumb_3_old"]
    everything = {f"{number:08d}" for number in range(421_000, 422_000)}
    found = nearest("00421719", scheme, everything, limit=3)
    assert [one.kind for one in found] == ["exact", "confusion", "confusion"]
    assert len(nearest("00421719", scheme, everything)) == 5
    assert len(nearest("00421719", scheme, everything, limit=LIMIT_MAX)) == LIMIT_MAX


@pytest.mark.parametrize("limit", [0, -1, LIMIT_MAX + 1])
def test_a_limit_out_of_range_is_an_error_of_the_program(limit: int) -> None:
    with pytest.raises(ValueError, match="limit"):
        nearest("P30042176", SCHEMES["plumb_3"], set(), limit=limit)


def test_a_text_that_cannot_be_folded_is_refused_and_not_guessed_at() -> None:
    with pytest.raises(RuleBroken) as refusal:
        nearest("P3_0042176", SCHEMES["plumb_3"], {"P30042176"})
    assert refusal.value.code is Code.TEXT_INVALID


def test_nothing_outside_the_assignable_serials_is_offered() -> None:
    scheme = SCHEMES["plumb_3"]
    here, elsewhere = "P30042176", "P30042275"
    assert accept(scheme, elsewhere) == elsewhere
    typed = "P30042276"  # one wrong digit away from both
    assert {one.serial for one in candidates(typed, scheme)} >= {here, elsewhere}
    assert [one.serial for one in nearest(typed, scheme, {here})] == [here]
