"""Visits: planned, released, begun and finished, with their cautions and what to take along."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, DateFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import visits as actions
from registry.api._fields import Day, In, Key, MomentField, Text
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import Visit
from registry.queries.moments import Moment
from registry.queries.visits import visit_now, visits_as_shown, visits_in_sight
from registry.rules.visits import CABINETS_MAX, VisitKind, VisitState

_KINDS = [str(kind) for kind in VisitKind]
_STATES = [str(state) for state in VisitState]
_FOR_GOOD = "enters the ledger for good, so nothing personal"

# --- what is read ----------------------------------------------------------------------------------


class PlanVisitIn(In):
    """A visit to come."""

    id = Key(required=False, help_text="a UUID that the caller made; a fresh one unless told")
    location = Key(source="location_id")
    kind = serializers.ChoiceField(choices=_KINDS)
    planned_on = Day(help_text="at the store")
    cabinets = serializers.ListField(
        child=Key(), required=False, max_length=CABINETS_MAX, help_text="in the order of work"
    )
    installer = Key(required=False, allow_null=True, source="installer_id", help_text="null: nobody yet")
    note = Text(required=False, help_text=_FOR_GOOD)
    reason = Text(required=False, help_text="why a day that is over is told now; " + _FOR_GOOD)


class CorrectVisitIn(In):
    """Another plan; what is left out stays."""

    planned_on = Day(required=False, help_text="at the store")
    cabinets = serializers.ListField(
        child=Key(), required=False, max_length=CABINETS_MAX, help_text="all of them, in the order of work"
    )
    installer = Key(required=False, allow_null=True, source="installer_id", help_text="null: nobody")
    note = Text(required=False, help_text=_FOR_GOOD)
    reason = Text(required=False, help_text=_FOR_GOOD)


class ReleaseVisitIn(In):
    """A visit may go ahead."""

    override_reason = Text(
        required=False, help_text="why it goes ahead without authority or survey; " + _FOR_GOOD
    )


class AcknowledgeIn(In):
    """Somebody has read the cautions of a cabinet."""

    cabinet = Key(source="cabinet_id")
    codes = serializers.ListField(child=Text(), max_length=100, help_text="of each caution that was read")
    acknowledged_at = MomentField(required=False, help_text="now unless told")


class BeginVisitIn(In):
    """Somebody is there."""

    begun_at = MomentField(required=False, help_text="now unless told")


class LeftOutIn(In):
    """A cabinet that a survey left out."""

    cabinet = Key(source="cabinet_id")
    reason = Text(help_text="why; " + _FOR_GOOD)


class FinishVisitIn(In):
    """It is over."""

    outcome = Text(required=False, help_text="what came of it; " + _FOR_GOOD)
    left_out = serializers.ListField(
        child=LeftOutIn(),
        required=False,
        max_length=CABINETS_MAX,
        help_text="of a survey: each cabinet that was not surveyed, and why",
    )
    finished_at = MomentField(required=False, help_text="now unless told")


class CancelVisitIn(In):
    """It is called off."""

    reason = Text(help_text=_FOR_GOOD)


# --- what is shown ---------------------------------------------------------------------------------


class VisitCabinetOut(serializers.Serializer):  # type: ignore[type-arg]
    """A cabinet of a visit, and who acknowledged its cautions."""

    cabinet = serializers.UUIDField(source="cabinet_id")
    position = serializers.IntegerField()
    caution_codes = serializers.SerializerMethodField()
    acknowledged_by = serializers.UUIDField(source="acknowledged_by_id", allow_null=True)
    acknowledged_at = MomentField(allow_null=True)

    def get_caution_codes(self, line: Any) -> list[str]:
        """The codes that were acknowledged."""
        return str(line.caution_codes).split()


class VisitOut(serializers.Serializer):  # type: ignore[type-arg]
    """A visit's own facts."""

    id = serializers.UUIDField()
    location = serializers.UUIDField(source="location_id")
    kind = serializers.ChoiceField(choices=_KINDS)
    planned_on = serializers.DateField(help_text="at the store")
    installer = serializers.UUIDField(source="installer_id", allow_null=True)
    state = serializers.ChoiceField(choices=_STATES)
    note = serializers.CharField()
    override_reason = serializers.CharField(help_text="why it was released although something was missing")
    outcome = serializers.CharField()
    cabinets = VisitCabinetOut(many=True, source="shown_cabinets")


class VisitFilter(RegisterFilter):
    """Filters of visits."""

    planned_on = DateFilter(label="on this day at the store")
    state = ChoiceFilter(choices=[(word, word) for word in _STATES], label="in this state")
    kind = ChoiceFilter(choices=[(word, word) for word in _KINDS], label="of this kind")
    location = UUIDFilter(field_name="location_id", label="to this location")
    installer = UUIDFilter(field_name="installer_id", label="of this person")


# --- addresses -------------------------------------------------------------------------------------


class VisitShown(RegisterView):
    """How one visit is shown."""

    noun, place = "visit", "visits"
    out = VisitOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a visit; raises RuleBroken NOT_FOUND."""
        return self.out(visit_now(key, self.scope, self.staff.pk)).data


class VisitsView(VisitShown, ListView):
    """Visits: an installer sees their own ones and those that are nobody's."""

    filters = VisitFilter
    searches = ("location__name", "location__locality", "note")
    orderings = ("planned_on", "-planned_on")

    def rows(self, moment: Moment) -> "QuerySet[Visit]":
        """Return the visits that this person may see."""
        return visits_as_shown(visits_in_sight(self.scope, self.staff.pk))

    def known(self, rows: list[Any], moment: Moment) -> Iterable[Visit]:
        """Return them as they stand."""
        return rows

    @changes(actions.plan_visit, PlanVisitIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Plan a visit."""
        return self.change(made=lambda visit: visit.pk, **given)


class VisitView(VisitShown, ThingView):
    """One visit."""

    @changes(actions.correct_visit, CorrectVisitIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Change the plan of a visit on which nobody has begun."""
        reason = given.pop("reason", "")
        return self.change(key=key, visit_id=key, particulars=given, reason=reason)


class VisitReleaseView(VisitShown):
    """The release of a visit."""

    @changes(actions.release_visit, ReleaseVisitIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Let a visit go ahead: with authority and survey, or with a reason."""
        return self.change(key=key, visit_id=key, **given)


class VisitAcknowledgeView(VisitShown):
    """The cautions of a visit's cabinet, read."""

    @changes(actions.acknowledge_cautions, AcknowledgeIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Acknowledge the cautions of one cabinet, each by its code."""
        return self.change(key=key, visit_id=key, **given)


class VisitBeginView(VisitShown):
    """The beginning of a visit."""

    @changes(actions.begin_visit, BeginVisitIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Begin a released visit whose cautions were acknowledged."""
        return self.change(key=key, visit_id=key, **given)


class VisitFinishView(VisitShown):
    """The end of a visit."""

    @changes(actions.finish_visit, FinishVisitIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Finish a visit."""
        return self.change(key=key, visit_id=key, **given)


class VisitCancelView(VisitShown):
    """A visit, called off."""

    @changes(actions.cancel_visit, CancelVisitIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Cancel a visit."""
        return self.change(key=key, visit_id=key, **given)
