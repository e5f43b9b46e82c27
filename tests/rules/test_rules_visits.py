"""Visits: their states, their release, and what a survey has to tell; common practice, no source."""

from datetime import date, timedelta

import pytest

from registry.rules.errors import RuleBroken
from registry.rules.surveys import SurveyOutcome, check_survey
from registry.rules.visits import (
    CABINETS_MAX,
    LATE_DAYS_MAX,
    VisitKind,
    VisitState,
    check_acknowledged,
    check_cabinets,
    check_day,
    check_plannable,
    check_release,
    check_step,
)

STEPS = {
    ("planned", "released"),
    ("planned", "cancelled"),
    ("released", "begun"),
    ("released", "cancelled"),
    ("begun", "done"),
    ("begun", "cancelled"),
}


def test_a_visit_takes_the_steps_of_the_table_and_no_others() -> None:
    for state in VisitState:
        for wanted in VisitState:
            if (str(state), str(wanted)) in STEPS:
                check_step(state, wanted)
                continue
            with pytest.raises(RuleBroken) as caught:
                check_step(state, wanted)
            assert caught.value.code == "visit_state"


def test_a_plan_is_changed_until_somebody_begins() -> None:
    for state in VisitState:
        if state in ("planned", "released"):
            check_plannable(state)
        else:
            with pytest.raises(RuleBroken):
                check_plannable(state)


@pytest.mark.parametrize("kind", list(VisitKind))
def test_a_release_asks_for_what_the_kind_of_visit_needs(kind: VisitKind) -> None:
    def ready(**given: object) -> bool:
        try:
            check_release(kind, **{"authority": True, "unsuitable": [], "override_reason": "", **given})  # type: ignore[arg-type]
        except RuleBroken as broken:
            if broken.code != "visit_not_ready":
                raise
            return False
        return True

    assert ready()
    assert ready(authority=False) is (kind not in ("install", "swap"))
    assert ready(unsuitable=["SK-1"]) is (kind not in ("install", "swap"))
    assert ready(authority=False, unsuitable=["SK-1"], override_reason="Agreed by phone")


def test_cautions_that_wait_are_named() -> None:
    check_acknowledged([])
    with pytest.raises(RuleBroken, match="SK-1 and SK-2"):
        check_acknowledged(["SK-1", "SK-2"])


def test_only_a_survey_goes_to_no_cabinet_and_none_to_too_many() -> None:
    check_cabinets(VisitKind.SURVEY, 0)
    check_cabinets(VisitKind.INSTALL, CABINETS_MAX)
    for kind, count in ((VisitKind.INSTALL, 0), (VisitKind.SURVEY, CABINETS_MAX + 1)):
        with pytest.raises(RuleBroken):
            check_cabinets(kind, count)


def test_a_visit_is_planned_for_today_or_later_or_told_late_with_a_reason() -> None:
    today = date(2026, 11, 27)
    check_day(today, today)
    check_day(today - timedelta(days=LATE_DAYS_MAX), today, "The plan was made by telephone")
    for days, why, field in ((1, "", "reason"), (LATE_DAYS_MAX + 1, "Long ago", "planned_on")):
        with pytest.raises(RuleBroken) as caught:
            check_day(today - timedelta(days=days), today, why)
        assert caught.value.field == field


def test_a_survey_that_says_no_or_on_conditions_says_why() -> None:
    check_survey(SurveyOutcome.SUITABLE, "")
    check_survey(SurveyOutcome.UNSUITABLE, "No socket")
    for outcome in (SurveyOutcome.UNSUITABLE, SurveyOutcome.WITH_CONDITIONS):
        with pytest.raises(RuleBroken) as caught:
            check_survey(outcome, "")
        assert caught.value.code == "reason_missing"
