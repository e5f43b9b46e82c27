"""Surveys of cabinets, and the cautions that follow from what is known."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import surveys as actions
from registry.api._fields import In, Key, MomentField, Text, Truth
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import CabinetSurvey
from registry.queries.cabinets import cabinet_at
from registry.queries.moments import Moment
from registry.queries.visits import cautions_of, surveys_in
from registry.rules.cautions import DEFER
from registry.rules.errors import absent
from registry.rules.surveys import FIELDS, Drilling, Liner, Socket, SurveyOutcome

_OUTCOMES = [str(word) for word in SurveyOutcome]
_DRILLING = [str(word) for word in Drilling]
_LINERS = [str(word) for word in Liner]
_SOCKETS = [str(word) for word in Socket]


class SurveyIn(In):
    """What somebody saw of a cabinet; what is left out is unknown."""

    id = Key(required=False, help_text="a UUID that the caller made; a fresh one unless told")
    cabinet = Key(source="cabinet_id")
    visit = Key(required=False, source="visit_id")
    surveyed_at = MomentField(required=False, help_text="now unless told")
    outcome = serializers.ChoiceField(choices=_OUTCOMES)
    near_water = Truth(required=False, allow_null=True, help_text="a sink or a wet floor")
    needs_ladder = Truth(required=False, allow_null=True)
    drilling = serializers.ChoiceField(choices=_DRILLING, required=False)
    liner = serializers.ChoiceField(choices=_LINERS, required=False)
    socket = serializers.ChoiceField(choices=_SOCKETS, required=False)
    note = Text(required=False, help_text="enters the ledger for good, so nothing personal")


class SurveyOut(serializers.Serializer):  # type: ignore[type-arg]
    """A survey."""

    id = serializers.UUIDField()
    cabinet = serializers.UUIDField(source="cabinet_id")
    visit = serializers.UUIDField(source="visit_id", allow_null=True)
    surveyed_at = MomentField()
    surveyed_by = serializers.UUIDField(source="surveyed_by_id")
    outcome = serializers.ChoiceField(choices=_OUTCOMES)
    near_water = serializers.BooleanField(allow_null=True, help_text="null: nobody looked")
    needs_ladder = serializers.BooleanField(allow_null=True, help_text="null: nobody looked")
    drilling = serializers.ChoiceField(choices=_DRILLING)
    liner = serializers.ChoiceField(choices=_LINERS)
    socket = serializers.ChoiceField(choices=_SOCKETS)
    note = serializers.CharField()


class CautionOut(serializers.Serializer):  # type: ignore[type-arg]
    """One caution."""

    code = serializers.CharField()
    words = serializers.CharField()
    trigger = serializers.CharField(help_text="what of the cabinet calls for it")
    source = serializers.CharField(help_text="where it comes from")
    assumed = serializers.BooleanField(help_text="nobody knows whether it applies, so it does")


class CabinetCautionsOut(serializers.Serializer):  # type: ignore[type-arg]
    """The cautions of a cabinet as it is known now."""

    cabinet = serializers.UUIDField()
    cautions = CautionOut(many=True)
    defers_to = serializers.CharField(help_text="what comes before all of them")


class SurveyFilter(RegisterFilter):
    """Filters of surveys."""

    cabinet = UUIDFilter(field_name="cabinet_id", label="of this cabinet")
    visit = UUIDFilter(field_name="visit_id", label="of this visit")
    outcome = ChoiceFilter(choices=[(word, word) for word in _OUTCOMES], label="that ended so")


class SurveyShown(RegisterView):
    """How one survey is shown."""

    noun, place = "survey", "surveys"
    out = SurveyOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a survey; raises RuleBroken NOT_FOUND."""
        survey = surveys_in(self.scope).filter(pk=key).first()
        if survey is None:
            raise absent("survey")
        return self.out(survey).data


class SurveysView(SurveyShown, ListView):
    """Surveys of cabinets."""

    filters = SurveyFilter
    searches = ("cabinet__asset_tag", "note")
    orderings = ("-surveyed_at", "surveyed_at")

    def rows(self, moment: Moment) -> "QuerySet[CabinetSurvey]":
        """Return the surveys of cabinets that this person may see."""
        return surveys_in(self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[CabinetSurvey]:
        """Return them as they stand: none is changed."""
        return rows

    @changes(actions.record_survey, SurveyIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Record a survey of a cabinet."""
        particulars = {name: given.pop(name) for name in FIELDS if name in given}
        return self.change(made=lambda survey: survey.pk, particulars=particulars, **given)


class SurveyView(SurveyShown, ThingView):
    """One survey."""


class CabinetCautionsView(ThingView):
    """The cautions of a cabinet."""

    noun, place = "cabinet", "cabinets"
    out = CabinetCautionsOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return the cautions; raises RuleBroken NOT_FOUND."""
        cabinet = cabinet_at(key, moment, self.scope).cabinet
        return self.out({"cabinet": key, "cautions": cautions_of(cabinet), "defers_to": DEFER}).data
