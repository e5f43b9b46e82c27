"""Counts: which plan a question leads to, what findings are, and what a closed count says."""

from uuid import UUID

import pytest
from rule_checks import refused

from registry.rules.counts import (
    LOT_SIZE_MAX,
    CountState,
    DifferenceKind,
    Plan,
    Question,
    Result,
    check_approver,
    check_closed,
    check_complete,
    check_counted,
    check_not_counted,
    check_open,
    difference_kind,
    outcome,
    plan_sample,
    plan_words,
    read_places,
    read_question,
    read_strata,
)
from registry.rules.errors import Code
from registry.rules.sampling import SAMPLE_MAX, Rounding
from registry.rules.whereabouts import DevicePlace

USUAL = Question(Plan.ZERO_ACCEPTANCE, 9_500, 500, Rounding.DOWN)
CAREFUL = Question(Plan.ZERO_ACCEPTANCE, 9_500, 500, Rounding.UP)


def aql(hundredths: int) -> Question:
    return Question(Plan.AQL, 9_500, hundredths, Rounding.DOWN)


def test_a_question_is_read_from_words_and_percentages() -> None:
    for confidence, tolerated in (("95", "5"), ("95.00 %", " 5 %"), (95, 5)):
        assert read_question("zero_acceptance", confidence, tolerated, "down") == USUAL
    assert read_question("aql", "99.5", "2.5", "up") == Question(Plan.AQL, 9_950, 250, Rounding.UP)


@pytest.mark.parametrize(
    ("field", "values"),
    [
        ("plan", ["lax", "", None]),
        ("confidence", ["49.99", "100", "95.001", "much", 95.5, True, None]),
        ("tolerated", ["0.09", "50.01", "-1", "", 0.5]),
        ("rounding", ["nearest", None]),
    ],
)
def test_a_question_that_cannot_be_asked_is_refused_by_field(field: str, values: list[object]) -> None:
    usual = {"plan": "zero_acceptance", "confidence": "95", "tolerated": "5", "rounding": "down"}
    for value in values:
        with refused(Code.VALUE_INVALID, field):
            read_question(**{**usual, field: value})  # type: ignore[arg-type]


def test_places_are_read_in_one_order_each_once() -> None:
    assert read_places(["van", "cabinet", "van"]) == (DevicePlace.CABINET, DevicePlace.VAN)
    assert read_places("depot") == (DevicePlace.DEPOT,)
    for given in ([], ["maker"], ["van", "lost"], None, 7, [["van"]]):
        with refused(Code.VALUE_INVALID, "places"):
            read_places(given)
    assert read_strata("depot") == "depot"
    with refused(Code.VALUE_INVALID, "strata"):
        read_strata("colour")


def test_the_plan_gives_the_reference_sizes() -> None:
    # trade.md 8.1, computed with scipy: N 150, 5 %, D rounded up 8: 46; rounded down 7: 52.
    assert plan_sample(CAREFUL, {"all": 150}).size == 46
    assert plan_sample(USUAL, {"all": 150}).size == 52
    # ISO 2859-1, level II, letter F at AQL 2.5: 20, accepting 1.
    sample = plan_sample(aql(250), {"stores": 100, "vans": 20})
    assert (sample.size, sample.acceptance_number) == (20, 1)
    assert dict(sample.allocation) == {"stores": 17, "vans": 3}


def test_a_small_lot_is_counted_whole() -> None:
    assert plan_sample(USUAL, {"stores": 5, "vans": 1}).allocation == {"stores": 5, "vans": 1}


def test_a_lot_that_cannot_be_drawn_from_is_refused() -> None:
    with refused(Code.VALUE_INVALID, "places"):
        plan_sample(USUAL, {})
    with refused(Code.TOO_MANY, "places"):
        plan_sample(USUAL, {"all": LOT_SIZE_MAX + 1})
    with refused(Code.VALUE_INVALID, "strata"):  # five drawn, and six strata
        plan_sample(aql(250), dict.fromkeys("abcdef", 5))
    with refused(Code.VALUE_INVALID, "tolerated") as caught:
        plan_sample(Question(Plan.ZERO_ACCEPTANCE, 9_500, 10, Rounding.DOWN), {"all": 5_000})
    assert f"at most {SAMPLE_MAX}" in caught.value.message


def test_what_a_plan_means_is_told_in_one_sentence() -> None:
    assert plan_words(CAREFUL, 110, 43, 0) == (
        "If 6 or more of the 110 devices (5 %, rounded up) were wrong, the chance to find none in 43 would be"
        " at most 5 %."
    )
    assert plan_words(USUAL, 1, 1, 0).startswith("If the one device were wrong, the chance")
    few = plan_words(USUAL, 10, 10, 0)
    assert few.startswith("If at least one of the 10 devices (5 % of them is less than one) were wrong")
    words = plan_words(aql(250), 120, 20, 1)
    assert "ISO 2859-1" in words
    assert "AQL 2.5 %: of 20 drawn from 120 at most 1 may be wrong" in words


@pytest.mark.parametrize(
    ("result", "elsewhere", "kind"),
    [
        (Result.WAITING, False, None),
        (Result.AGREES, False, None),
        (Result.ABSENT, False, DifferenceKind.MISSING),
        (Result.ABSENT, True, DifferenceKind.ELSEWHERE),
        (Result.UNLISTED, False, DifferenceKind.UNLISTED),
        (Result.UNKNOWN, False, DifferenceKind.UNKNOWN),
    ],
)
def test_a_result_is_a_difference_or_none(
    result: Result, elsewhere: bool, kind: DifferenceKind | None
) -> None:
    assert difference_kind(result, seen_elsewhere=elsewhere) == kind


def test_a_count_without_errors_says_how_wrong_the_register_is_at_most() -> None:
    # trade.md 8.3 by Clopper and Pearson: none of 60: 4.87 % one-sided, 0 to 5.96 % two-sided.
    told = outcome(2_000, 60, 0, 0, 1, 0, 9_500)
    assert (told.passed, told.dismissed, told.sample_size) == (True, 1, 60)
    assert f"{told.upper_ppm / 10_000:.2f}" == "4.87"
    assert [f"{limit / 10_000:.2f}" for limit in told.two_sided_ppm] == ["0.00", "5.96"]
    assert told.wrong_at_most == 95  # scipy: hypergeom.cdf(0, 2000, 95, 60) 0.0516, at 96 0.0499


def test_one_more_wrong_than_the_plan_takes_fails() -> None:
    assert not outcome(2_000, 60, 1, 0, 0, 0, 9_500).passed
    assert outcome(1_000, 80, 2, 0, 0, 2, 9_500).passed
    assert not outcome(1_000, 80, 3, 3, 0, 2, 9_500).passed


def test_a_line_at_which_nobody_could_look_is_no_missing_device() -> None:
    assert difference_kind(Result.NOT_COUNTED, seen_elsewhere=False) is DifferenceKind.NOT_COUNTED
    assert difference_kind(Result.NOT_COUNTED, seen_elsewhere=True) is DifferenceKind.ELSEWHERE
    check_not_counted("locked", "", looked=False)
    for note, serial, looked, code, field in (
        (" ", "", False, Code.REASON_MISSING, "note"),
        ("locked", "PB3", False, Code.VALUE_INVALID, "serial"),
        ("locked", "", True, Code.NOTHING_CHANGES, "not_counted"),
    ):
        with refused(code, field):
            check_not_counted(note, serial, looked=looked)
    check_counted(DifferenceKind.MISSING)
    with refused(Code.COUNT_INCOMPLETE, "difference"):
        check_counted(DifferenceKind.NOT_COUNTED)


def test_an_open_count_is_recorded_in_and_a_closed_one_decided_on() -> None:
    check_open(CountState.OPEN)
    check_closed(CountState.CLOSED)
    with refused(Code.COUNT_CLOSED, "count"):
        check_open(CountState.CLOSED)
    with refused(Code.COUNT_OPEN, "count"):
        check_closed(CountState.OPEN)


def test_a_count_is_complete_when_nobody_has_to_look_any_more() -> None:
    check_complete([])
    places = [f"cabinet SK-{number}" for number in range(7)]
    with refused(Code.COUNT_INCOMPLETE, "count") as caught:
        check_complete(places)
    assert "cabinet SK-4 and 2 more." in caught.value.message
    assert caught.value.details == {"waiting": places}
    with refused(Code.COUNT_INCOMPLETE, "count") as caught:
        check_complete(places[:1])
    assert caught.value.message.startswith("Not counted yet: cabinet SK-0.")


def test_nobody_decides_on_what_they_counted() -> None:
    ottilie, odile = UUID(int=1), UUID(int=2)
    check_approver(odile, {ottilie, None})
    with refused(Code.APPROVER_COUNTED, None):
        check_approver(ottilie, {ottilie})
