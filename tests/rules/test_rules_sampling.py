"""Sampling: sizes and limits held to published tables and to scipy, and a draw that anybody can repeat."""

import subprocess
from collections.abc import Mapping
from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import load_vectors, refused
from scipy.stats import beta, binom, hypergeom

from registry.rules.errors import Code
from registry.rules.sampling import (
    AQL_PLANS,
    MILLION,
    WHOLE,
    Rounding,
    allocate,
    aql_plan,
    chance_of_at_most,
    chance_of_missing,
    draw,
    draw_number,
    lot_digest,
    most_wrong,
    rate_text,
    smallest_sample,
    smallest_sample_of_many,
    two_sided_limits_ppm,
    upper_limit_ppm,
    wrong_in_lot,
    zero_acceptance_sample,
)

VECTORS = load_vectors("sampling")
sizes_of_strata = st.dictionaries(
    st.sampled_from(["stores", "depots", "vans", "TM", "FG", "SK"]), st.integers(1, 60), min_size=1
)


# --- how many ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", VECTORS["samples"], ids=lambda case: "{lot_size}".format(**case))
def test_a_sample_has_the_size_of_the_table(case: dict[str, int | str]) -> None:
    lot, tolerated = int(case["lot_size"]), int(case["tolerated_hundredths"])
    wrong = wrong_in_lot(lot, tolerated, Rounding(str(case["rounding"])))

    size = smallest_sample(lot, wrong, int(case["confidence_hundredths"]), int(case["accepted"]))

    assert size == case["sample_size"]


@pytest.mark.parametrize("case", VECTORS["samples_of_many"], ids=lambda case: case["tolerated_hundredths"])
def test_a_sample_of_however_many_has_the_size_of_the_table(case: dict[str, int]) -> None:
    size = smallest_sample_of_many(case["tolerated_hundredths"], case["confidence_hundredths"])

    assert size == case["sample_size"]


@given(st.integers(2, 3_000), st.integers(10, 5_000), st.integers(5_000, 9_990), st.integers(0, 3))
def test_a_sample_is_the_smallest_by_scipys_hypergeometric_distribution(
    lot: int, tolerated: int, confidence: int, accepted: int
) -> None:
    wrong = min(lot, max(accepted + 1, wrong_in_lot(lot, tolerated, Rounding.UP)))
    if wrong <= accepted:
        return
    size = smallest_sample(lot, wrong, confidence, accepted)
    left, slack = 1 - confidence / WHOLE, 1e-9

    assert hypergeom.cdf(accepted, lot, wrong, size) <= left + slack
    if size > accepted + 1:
        assert hypergeom.cdf(accepted, lot, wrong, size - 1) > left - slack


@given(st.integers(1, 400), st.data())
def test_the_chance_is_scipys(lot: int, data: st.DataObject) -> None:
    wrong, size = data.draw(st.integers(0, lot)), data.draw(st.integers(1, lot))
    found = data.draw(st.integers(0, size))

    assert float(chance_of_at_most(found, lot, wrong, size)) == pytest.approx(
        hypergeom.cdf(found, lot, wrong, size), abs=1e-9
    )


def test_not_even_counting_all_shows_more_wrong_ones_than_there_are() -> None:
    for wrong, accepted in ((0, 0), (1, 1), (11, 0)):
        with pytest.raises(ValueError, match="more wrong ones"):
            smallest_sample(10, wrong, 9_500, accepted)


def test_down_is_the_cautious_rounding_and_at_least_one_is_wrong() -> None:
    assert [wrong_in_lot(150, 500, rounding) for rounding in Rounding] == [7, 8]
    assert [wrong_in_lot(100, 500, rounding) for rounding in Rounding] == [5, 5]
    assert [wrong_in_lot(3, 100, rounding) for rounding in Rounding] == [1, 1]


# --- strata ------------------------------------------------------------------------------------------


def chance_if_lying(
    sizes: Mapping[str, int], sample: Mapping[str, int], lying: Mapping[str, int]
) -> Fraction:
    """The chance to draw none of the wrong where so many lie in each stratum, from the definition."""
    chance = Fraction(1)
    for name, size in sizes.items():
        chance *= Fraction(comb(size - lying[name], sample[name]), comb(size, sample[name]))
    return chance


def test_the_greatest_chance_of_missing_is_found_among_all_ways_to_lie() -> None:
    sizes, sample = {"stores": 7, "depots": 4, "vans": 3}, {"stores": 3, "depots": 1, "vans": 1}
    for wrong in range(1, 9):
        ways = [
            {"stores": a, "depots": b, "vans": wrong - a - b}
            for a in range(min(7, wrong) + 1)
            for b in range(min(4, wrong - a) + 1)
            if wrong - a - b <= 3
        ]
        greatest = max(chance_if_lying(sizes, sample, lying) for lying in ways)
        assert chance_of_missing(sizes, sample, wrong) == greatest


@given(sizes_of_strata, st.integers(10, 5_000), st.integers(5_000, 9_900))
def test_a_sample_over_strata_keeps_its_promise_however_the_wrong_ones_lie(
    sizes: dict[str, int], tolerated: int, confidence: int
) -> None:
    lot = sum(sizes.values())
    wrong = wrong_in_lot(lot, tolerated, Rounding.DOWN)

    size = zero_acceptance_sample(sizes, wrong, confidence)

    assert max(len(sizes), smallest_sample(lot, wrong, confidence)) <= size <= lot
    left = Fraction(WHOLE - confidence, WHOLE)
    assert chance_of_missing(sizes, allocate(sizes, size), wrong) <= left


@given(st.integers(1, 3_000), st.integers(10, 5_000))
def test_of_one_stratum_it_is_the_simple_sample(lot: int, tolerated: int) -> None:
    wrong = wrong_in_lot(lot, tolerated, Rounding.UP)

    assert zero_acceptance_sample({"all": lot}, wrong, 9_500) == smallest_sample(lot, wrong, 9_500)


@given(sizes_of_strata, st.data())
def test_an_allocation_is_whole_in_proportion_and_reaches_every_stratum(
    sizes: dict[str, int], data: st.DataObject
) -> None:
    lot = sum(sizes.values())
    size = data.draw(st.integers(len(sizes), lot))

    given_to = allocate(sizes, size)

    assert sum(given_to.values()) == size
    assert all(1 <= given_to[name] <= sizes[name] for name in sizes)
    assert allocate(dict(reversed(sizes.items())), size) == given_to
    for name, count in given_to.items():
        quota = Fraction(size * sizes[name], lot)
        assert count > quota - len(sizes)
        assert count == 1 or count <= quota + 1


def test_the_largest_remainder_gets_what_is_left() -> None:
    # Quotas 30.5, 12.2 and 2.3 of 45: the half gets the one that is left.
    assert allocate({"stores": 305, "depots": 122, "vans": 23}, 45) == {"stores": 31, "depots": 12, "vans": 2}
    assert allocate({"b": 1, "a": 1, "c": 4}, 3) == {"a": 1, "b": 1, "c": 1}
    assert allocate({"a": 2, "b": 2}, 3) == {"a": 2, "b": 1}


@pytest.mark.parametrize(("sizes", "size"), [({"a": 3}, 4), ({"a": 3, "b": 3}, 1), ({"a": 3, "b": 0}, 2)])
def test_what_cannot_be_allocated_is_an_error(sizes: dict[str, int], size: int) -> None:
    with pytest.raises(ValueError, match="does not go over"):
        allocate(sizes, size)


# --- AQL ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "case", VECTORS["aql_plans"], ids=lambda case: f"{case['lot']} {case['aql_hundredths']}"
)
def test_a_plan_is_the_standards(case: dict[str, list[int] | int]) -> None:
    least, most = case["lot"]  # type: ignore[misc]
    for lot in (least, most):
        assert list(aql_plan(lot, case["aql_hundredths"])) == case["plan"]  # type: ignore[arg-type]
    assert len(VECTORS["aql_plans"]) == sum(len(plans) for plans in AQL_PLANS.values())


@pytest.mark.parametrize("case", VECTORS["operating_characteristics"], ids=str)
def test_a_plan_accepts_as_often_as_its_characteristic_says(case: dict[str, object]) -> None:
    size, accepted = case["plan"]  # type: ignore[misc]
    assert binom.cdf(accepted, size, int(str(case["percent"])) / 100) == pytest.approx(
        float(str(case["accepted"])), abs=5e-4
    )
    assert [size, accepted] in [case["plan"] for case in VECTORS["aql_plans"]]


def test_outside_the_table_there_is_no_plan() -> None:
    for lot in (25, 3_201):
        with refused(Code.VALUE_INVALID, "plan") as caught:
            aql_plan(lot, 100)
        assert "26 to 3200" in caught.value.message
    with refused(Code.VALUE_INVALID, "tolerated") as caught:
        aql_plan(100, 200)
    assert "1 %, 1.5 %, 2.5 %, 4 %" in caught.value.message


# --- the draw ----------------------------------------------------------------------------------------


def test_a_draw_is_repeated_with_a_program_that_knows_nothing_of_ours() -> None:
    serials = [f"PB3{number:07d}" for number in range(20)]
    seed = "6f1d"
    numbers = {
        serial: subprocess.run(
            ["sha256sum"], input=f"{seed}:{serial}".encode(), capture_output=True, check=True
        ).stdout.decode()[:64]
        for serial in serials
    }

    [drawn] = draw({"all": serials}, {"all": 7}, seed).values()

    assert drawn == sorted(serials, key=lambda serial: numbers[serial])[:7]
    assert draw_number(seed, serials[0]) == numbers[serials[0]]


@given(st.lists(st.text(max_size=8), unique=True, min_size=1, max_size=30), st.text(max_size=8), st.data())
def test_a_draw_does_not_depend_on_the_order_of_the_list(
    keys: list[str], seed: str, data: st.DataObject
) -> None:
    size = data.draw(st.integers(1, len(keys)))
    mixed = data.draw(st.permutations(keys))

    drawn = draw({"all": keys}, {"all": size}, seed)["all"]

    assert drawn == draw({"all": mixed}, {"all": size}, seed)["all"]
    assert len(set(drawn)) == size
    assert lot_digest(keys) == lot_digest(mixed)


def test_each_is_drawn_about_as_often_as_the_others() -> None:
    keys = [f"PB3{number:07d}" for number in range(10)]
    often = dict.fromkeys(keys, 0)
    for seed in range(2_000):
        for key in draw({"all": keys}, {"all": 3}, str(seed))["all"]:
            often[key] += 1

    # 600 of 2,000 each, with a standard deviation of 20.5: five of them (the seeds are fixed).
    assert all(abs(times - 600) < 103 for times in often.values())


def test_a_list_has_the_digest_that_sha256sum_gives_its_lines() -> None:
    lines = ["PB30000002 stores cabinet b", "PB30000001 stores cabinet a"]
    told = subprocess.run(
        ["sha256sum"], input=("\n".join(sorted(lines)) + "\n").encode(), capture_output=True, check=True
    )

    assert lot_digest(lines) == told.stdout.decode()[:64]


# --- what a count says -------------------------------------------------------------------------------


@pytest.mark.parametrize("case", VECTORS["upper_limits"], ids=str)
def test_an_upper_limit_is_that_of_the_table(case: dict[str, object]) -> None:
    limit = upper_limit_ppm(int(str(case["found"])), int(str(case["sample_size"])), 9_500)
    assert f"{limit / 10_000:.2f}" == case["percent"]


@pytest.mark.parametrize("case", VECTORS["two_sided"], ids=str)
def test_two_sided_limits_are_those_of_the_table(case: dict[str, object]) -> None:
    limits = two_sided_limits_ppm(int(str(case["found"])), int(str(case["sample_size"])), 9_500)
    assert [f"{limit / 10_000:.2f}" for limit in limits] == case["percent"]


@given(st.integers(1, 300), st.integers(5_000, 9_990), st.data())
def test_limits_are_scipys_rounded_outward(size: int, confidence: int, data: st.DataObject) -> None:
    found = data.draw(st.integers(0, size))
    left = 1 - confidence / WHOLE

    upper = upper_limit_ppm(found, size, confidence) / MILLION
    low, high = (limit / MILLION for limit in two_sided_limits_ppm(found, size, confidence))

    def exact(chance: float, least: int) -> float:
        return float(beta.ppf(chance, found + least, size - found + 1 - least))

    for limit, told in (
        (upper, exact(1 - left, 1) if found < size else 1.0),
        (high, exact(1 - left / 2, 1) if found < size else 1.0),
    ):
        assert -1e-9 <= limit - told <= 1e-6 + 1e-9
    assert -1e-9 <= (exact(left / 2, 0) if found else 0.0) - low <= 1e-6 + 1e-9


@given(st.integers(1, 400), st.integers(5_000, 9_990), st.data())
def test_so_many_of_a_lot_are_wrong_at_most_by_scipys_distribution(
    lot: int, confidence: int, data: st.DataObject
) -> None:
    size = data.draw(st.integers(1, lot))
    found = data.draw(st.integers(0, size))
    left, slack = 1 - confidence / WHOLE, 1e-9

    most = most_wrong(found, size, lot, confidence)

    assert found <= most <= lot - (size - found)
    assert hypergeom.cdf(found, lot, most, size) > left - slack
    if most < lot - (size - found):
        assert hypergeom.cdf(found, lot, most + 1, size) <= left + slack
    if size == lot:
        assert most == found


def test_a_rate_is_told_in_percent() -> None:
    told = [rate_text(ppm) for ppm in (0, 1, 50_000, 48_703, 15_000, MILLION)]
    assert told == ["0 %", "0.0001 %", "5 %", "4.8703 %", "1.5 %", "100 %"]
