"""Surveys of cabinets before work."""

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._steps import find, history_in_sight, running
from registry.actions._visits import at_or_now, key_or_fresh, visit_told_of
from registry.models import Cabinet, CabinetSurvey, CabinetWhereabouts
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.particulars import clean_particulars
from registry.rules.periods import require_past
from registry.rules.roles import Act
from registry.rules.surveys import FIELDS, REQUIRED, SurveyOutcome, check_survey
from registry.rules.whereabouts import CabinetPlace


@action(Act.WORK_VISIT)
def record_survey(
    writing: Writing,
    *,
    cabinet_id: UUID,
    particulars: Mapping[str, object],
    visit_id: UUID | None = None,
    surveyed_at: datetime | None = None,
    id: UUID | None = None,
) -> CabinetSurvey:
    """Record what somebody saw of a cabinet where it stands (rules.surveys.FIELDS).

    Raises RuleBroken REASON_MISSING, CABINET_NOT_AVAILABLE for a cabinet that stands in no store or not
    where the visit goes, VISIT_STATE for a cancelled one,
    NOT_FOUND, TIME_IN_FUTURE, BEFORE_KNOWN, CODE_TAKEN and what cleaning does.
    """
    cabinet = find(Cabinet, cabinet_id, "cabinet")
    stays = history_in_sight(writing, CabinetWhereabouts, cabinet, "cabinet")
    at = at_or_now(writing, surveyed_at)
    require_past(at, writing.now, "surveyed_at")
    stay = running(stays, at, "surveyed_at")
    if stay.place != CabinetPlace.LOCATION:
        raise RuleBroken(
            Code.CABINET_NOT_AVAILABLE,
            f"Cabinet {cabinet.label} stands in no store then. Survey it where it is to work.",
            field="cabinet",
        )
    visit = visit_told_of(writing, visit_id, cabinet, at)
    values = clean_particulars(particulars, FIELDS, required=REQUIRED)
    check_survey(SurveyOutcome(str(values["outcome"])), str(values.get("note", "")))
    survey = writing.insert(
        CabinetSurvey(
            id=key_or_fresh(CabinetSurvey, id),
            cabinet=cabinet,
            visit=visit,
            surveyed_at=at,
            surveyed_by=writing.staff,
            **values,
        )
    )
    writing.tell(
        Verb.SURVEY_RECORDED,
        at,
        {"survey": survey, "cabinet": cabinet, "location": stay.location, "visit": visit},
    )
    return survey
