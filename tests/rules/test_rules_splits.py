"""Splits: typed percentages, what adds to a whole, and the proposal for what nearly does."""

from decimal import Decimal
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import refused

from registry.rules.errors import Code
from registry.rules.splits import Share, check_split, normalised, percent_text, read_percent


def shares(*hundredths: int) -> list[Share]:
    return [Share(UUID(int=number), part) for number, part in enumerate(hundredths)]


@pytest.mark.parametrize(
    ("typed", "hundredths"),
    [
        ("33.33", 3333),
        ("50 %", 5000),
        ("50%", 5000),
        (" 50 ", 5000),
        (50, 5000),
        (Decimal("12.5"), 1250),
        ("12.50", 1250),
        ("12.500", 1250),
        ("0.01", 1),
        ("100", 10_000),
        ("100.00", 10_000),
        ("99.99", 9_999),
    ],
)
def test_a_percentage_is_read_in_hundredths(typed: object, hundredths: int) -> None:
    assert read_percent(typed) == hundredths


@pytest.mark.parametrize(
    "typed",
    [
        *("0", "0.00", "-5", "100.01", "100.001", "33.333", "0.001"),
        *("", " ", "%", "half", "5%0", "%50", "50 %%", "33,33", "1/3", None, b"50", [50]),
        *("NaN", "sNaN", "Infinity", "-Infinity", Decimal("NaN"), Decimal("Infinity")),
        *("1e999999", "1e-999999999", "1e-1000000000000000000", "33.33" + "0" * 40 + "1"),
        *(50.0, 1.0, True),
    ],
    ids=repr,
)
def test_what_is_no_percentage_is_refused(typed: object) -> None:
    with refused(Code.SPLIT_INVALID, "share"):
        read_percent(typed)
    with refused(Code.SPLIT_INVALID, "left"):
        read_percent(typed, "left")


@given(st.integers(1, 10_000))
def test_a_share_is_written_as_it_is_read(hundredths: int) -> None:
    text = percent_text(hundredths)
    assert read_percent(text) == hundredths
    assert Decimal(text) == Decimal(hundredths) / 100
    assert not ("." in text and text.endswith(("0", ".")))


@pytest.mark.parametrize(
    ("hundredths", "text"),
    [(3333, "33.33"), (5000, "50"), (1000, "10"), (10_000, "100"), (1250, "12.5"), (1, "0.01"), (0, "0")],
)
def test_a_percentage_is_written_without_needless_zeros(hundredths: int, text: str) -> None:
    assert percent_text(hundredths) == text


@pytest.mark.parametrize(
    "parts",
    [
        [10_000],
        [5_000, 5_000],
        [9_999, 1],
        [3_334, 3_333, 3_333],
        [834] * 4 + [833] * 8,  # twelve, the most
    ],
)
def test_shares_that_add_to_a_hundred_percent_make_a_split(parts: list[int]) -> None:
    check_split(shares(*parts))


@pytest.mark.parametrize(
    "parts",
    [
        [],
        [770] * 12 + [760],  # thirteen adding to a hundred percent
        [0, 10_000],
        [-1, 10_001],
        [10_001],
        [10_001, 10_000],
    ],
)
def test_a_list_that_is_no_split_is_refused(parts: list[int]) -> None:
    with refused(Code.SPLIT_INVALID, "shares"):
        check_split(shares(*parts))


def test_a_product_stands_in_a_split_once() -> None:
    small, large = UUID(int=8), UUID(int=20)
    check_split([Share(small, 4_000), Share(large, 6_000)])
    with refused(Code.SPLIT_INVALID, "shares"):
        check_split([Share(small, 4_000), Share(small, 6_000)])


@pytest.mark.parametrize(
    ("parts", "total", "proposal"),
    [
        # Largest remainder (Hamilton's method): the hundredth left over goes to the first of equals.
        ([3_333, 3_333, 3_333], "99.99", ["33.34", "33.33", "33.33"]),
        # 3316.58, 3316.58, 3366.83: two are left over, for .83 and then for the first .58.
        ([3_300, 3_300, 3_350], "99.5", ["33.17", "33.16", "33.67"]),
        ([5_025, 5_025], "100.5", ["50", "50"]),
        ([9_950], "99.5", ["100"]),
        ([10_000, 50], "100.5", ["99.5", "0.5"]),
        # What would round to nothing keeps its hundredth.
        ([10_000, 1], "100.01", ["99.99", "0.01"]),
        ([9_949], "99.49", None),
        ([10_000, 51], "100.51", None),
        ([5_000], "50", None),
        ([9_000, 9_000], "180", None),
    ],
)
def test_shares_that_miss_the_whole_are_refused_with_a_proposal_within_half_a_percent(
    parts: list[int], total: str, proposal: list[str] | None
) -> None:
    with refused(Code.SPLIT_NOT_WHOLE, "shares") as caught:
        check_split(shares(*parts))
    expected: dict[str, object] = {"total": total}
    if proposal is not None:
        expected["proposal"] = proposal
        assert " / ".join(proposal) in caught.value.message
    assert caught.value.details == expected


@st.composite
def nearly_whole(draw: st.DrawFn, slack: int = 50) -> list[int]:
    """Draw one to twelve shares that add to a hundred percent, give or take half a percent."""
    total = 10_000 + draw(st.integers(-slack, slack))
    cuts = sorted(draw(st.sets(st.integers(1, total - 1), max_size=11)))
    return [right - left for left, right in zip([0, *cuts], [*cuts, total], strict=True)]


@given(nearly_whole())
def test_a_proposal_adds_to_a_hundred_percent_and_keeps_the_order(parts: list[int]) -> None:
    proposed = normalised(parts)
    assert sum(proposed) == 10_000
    assert len(proposed) == len(parts)
    for part, new in zip(parts, proposed, strict=True):
        assert new >= 1
        assert abs(Decimal(new) - Decimal(part) * 10_000 / sum(parts)) < 1
    for one, new_one in zip(parts, proposed, strict=True):
        for other, new_other in zip(parts, proposed, strict=True):
            assert not (one > other and new_one < new_other)
    check_split(shares(*proposed))  # the proposal itself is taken


@given(nearly_whole(slack=0))
def test_what_is_whole_already_is_proposed_unchanged(parts: list[int]) -> None:
    assert normalised(parts) == parts


@given(st.lists(st.integers(1, 10**6), min_size=1, max_size=12))
def test_whatever_the_shares_they_are_scaled_to_the_whole_and_none_to_nothing(parts: list[int]) -> None:
    scaled = normalised(parts)
    assert sum(scaled) == 10_000
    assert min(scaled) >= 1


def test_shares_of_almost_nothing_are_paid_for_by_the_largest() -> None:
    assert normalised([1, 99_999]) == [1, 9_999]
    assert normalised([1, 9_999_999, 1]) == [1, 9_998, 1]


def test_many_small_shares_are_kept_above_nothing() -> None:
    assert normalised([1] * 11 + [10_039]) == [1] * 11 + [9_989]
    assert normalised([1] * 11 + [9_939]) == [1] * 11 + [9_989]
