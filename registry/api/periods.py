"""Periods: what was true of a thing from when to when, and how history is put right.

Whatever is dated has its history here, under the name by which the ledger speaks of its table.
"""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions import periods as actions
from registry.api._fields import Key, MomentField, Text, Truth, read_moment
from registry.api._stores import ShareIn
from registry.api._views import ListView, RegisterView, ThingView, changes
from registry.api.assignments import CorrectIn, FactsIn, WithdrawIn, WithdrawnOut
from registry.api.cabinets import ShareOut
from registry.models.base import PeriodVersion
from registry.queries.moments import Moment
from registry.queries.periods import (
    Planned,
    histories,
    period_at,
    periods_as_known,
    periods_in,
    place_words,
    planned_correction,
    planned_withdrawal,
)
from registry.rules.locations import LocationStanding
from registry.rules.particulars import invalid

_STATES = [str(state) for state in LocationStanding]
STILL = "still"  # the end of a period that runs, where null cannot be written

# --- what is read ----------------------------------------------------------------------------------


class PeriodFactsIn(FactsIn):
    """Facts of a period that were recorded wrongly; each history knows some of them."""

    location = Key(required=False, source="location_id", help_text="where a cabinet stood")
    depot = Key(
        required=False, source="depot_id", help_text="where a cabinet was, or who answered for a device"
    )
    staff = Key(required=False, source="staff_id", help_text="in whose van a device was")
    account = Key(required=False, source="account_id", help_text="who held a location")
    store_number = Text(required=False, help_text="under which number")
    state = serializers.ChoiceField(choices=_STATES, required=False, help_text="of an account or location")
    shares = ShareIn(many=True, required=False, help_text="of a split, left to right")


class CorrectPeriodIn(CorrectIn):
    """A period was recorded wrongly; what is left out stays."""

    starts_known_by = Truth(required=False, help_text="it was so no later than its start")
    facts = PeriodFactsIn(required=False)


# --- what is shown ---------------------------------------------------------------------------------


class PeriodFactsOut(serializers.Serializer):  # type: ignore[type-arg]
    """What was true; null is what such a period does not say."""

    place = serializers.CharField(allow_null=True)
    state = serializers.CharField(allow_null=True)
    location = serializers.UUIDField(source="location_id", allow_null=True)
    depot = serializers.UUIDField(source="depot_id", allow_null=True)
    staff = serializers.UUIDField(source="staff_id", allow_null=True)
    cabinet = serializers.UUIDField(source="cabinet_id", allow_null=True)
    account = serializers.UUIDField(source="account_id", allow_null=True)
    store_number = serializers.CharField(allow_null=True)
    reference = serializers.CharField(allow_null=True)
    slot = serializers.IntegerField(allow_null=True)
    slot_reason = serializers.CharField(allow_null=True)
    sensor_order = serializers.ListField(child=serializers.IntegerField(), allow_null=True)
    rail_below_ceiling_mm = serializers.IntegerField(allow_null=True)
    offset_from_front_mm = serializers.IntegerField(allow_null=True)
    end_reason = serializers.CharField(allow_null=True)
    end_note = serializers.CharField(allow_null=True)
    shares = ShareOut(many=True, allow_null=True)


class PeriodOut(serializers.Serializer):  # type: ignore[type-arg]
    """A period of a history."""

    id = serializers.UUIDField(source="period")
    history = serializers.SerializerMethodField()
    of = serializers.SerializerMethodField(help_text="the thing whose history it is")
    of_name = serializers.SerializerMethodField()
    words = serializers.SerializerMethodField(help_text="where it was, or what state it was in")
    valid_from = MomentField()
    valid_to = MomentField(allow_null=True, help_text="null: it still runs")
    starts_known_by = serializers.BooleanField(help_text="it was so no later than its start")
    recorded_index = serializers.IntegerField(
        source="recorded_id", help_text="the ledger entry since which it is believed so"
    )
    facts = serializers.SerializerMethodField()

    def get_history(self, period: PeriodVersion) -> str:
        """The name of the history."""
        return period._meta.model_name or ""

    def get_of(self, period: PeriodVersion) -> UUID:
        """The key of the thing."""
        key: UUID = getattr(period, f"{period.history_of}_id")
        return key

    def get_of_name(self, period: PeriodVersion) -> str:
        """What people call the thing."""
        return str(getattr(period, period.history_of).label)

    def get_words(self, period: PeriodVersion) -> str:
        """What people call the period."""
        return place_words(period)

    def get_facts(self, period: PeriodVersion) -> PeriodFactsOut():  # type: ignore[valid-type]
        """What was true."""
        columns = {str(field.source) for field in PeriodFactsOut().fields.values()}
        said = {column: getattr(period, column, None) for column in columns - {f"{period.history_of}_id"}}
        if said["sensor_order"] is not None:
            said["sensor_order"] = [int(port) for port in said["sensor_order"].split()]
        if said["shares"] is not None:
            said["shares"] = said["shares"].all()
        return PeriodFactsOut({f"{period.history_of}_id": None, **said}).data


class BoundsOut(serializers.Serializer):  # type: ignore[type-arg]
    """From when to when."""

    valid_from = MomentField()
    valid_to = MomentField(allow_null=True)


class PlannedOut(serializers.Serializer):  # type: ignore[type-arg]
    """What a correction would do to one period."""

    id = serializers.UUIDField(source="version.period")
    history = serializers.CharField(source="version._meta.model_name")
    of = serializers.SerializerMethodField()
    of_name = serializers.SerializerMethodField()
    words = serializers.SerializerMethodField()
    before = BoundsOut()
    after = BoundsOut(allow_null=True, help_text="null: it is taken out")

    def get_of(self, planned: Planned) -> UUID:
        """The key of the thing."""
        key: UUID = getattr(planned.version, f"{planned.version.history_of}_id")
        return key

    def get_of_name(self, planned: Planned) -> str:
        """What people call the thing."""
        return str(getattr(planned.version, planned.version.history_of).label)

    def get_words(self, planned: Planned) -> str:
        """What people call the period."""
        return place_words(planned.version)


class PlanOut(serializers.Serializer):  # type: ignore[type-arg]
    """What a correction would change: the period first, then every neighbour that moves with it."""

    known_index = serializers.IntegerField(help_text="the ledger entry up to which this knows")
    results = PlannedOut(many=True)


# --- addresses -------------------------------------------------------------------------------------


class PeriodShown(RegisterView):
    """How one period is shown."""

    noun, place = "period", "periods"
    out = PeriodOut
    dated = True

    def shown(self, key: Any, moment: Moment) -> Mapping[str, Any]:
        """Return the period that the address names; raises RuleBroken NOT_FOUND."""
        return self.out(self.period(moment)).data

    def period(self, moment: Moment) -> PeriodVersion:
        """Return the period that the address names; raises RuleBroken NOT_FOUND."""
        return period_at(self.kwargs["history"], self.kwargs["key"], moment, self.scope)


class PeriodsView(PeriodShown, ListView):
    """The history of one thing."""

    orderings = ("valid_from",)
    tie = "period"
    parameters = {
        "history": "the name of the history; needed",
        "of": "the key of the thing; needed",
        "when": "`then`: those only that ran at `as_of`, not those of any time",
    }

    def rows(self, moment: Moment) -> "QuerySet[PeriodVersion]":
        """Return the periods of a thing that this person may see."""
        history = self.chosen("history", tuple(histories()))
        thing = self.key_in("of")
        if not history:
            raise invalid("history", f"The history is missing. Use one of {', '.join(histories())}.")
        if thing is None:
            raise invalid("of", "The key of the thing is missing. Take one from an answer.")
        found = periods_in(history, moment, self.scope).filter(**{histories()[history].history_of: thing})
        return found.valid_at(moment.valid_at) if self.chosen("when", ("then",)) else found

    def known(self, rows: list[Any], moment: Moment) -> Iterable[PeriodVersion]:
        """Return them with what they refer to."""
        return periods_as_known(rows, moment)


class PeriodView(PeriodShown, ThingView):
    """One period."""

    def get(self, request: Request, history: str, key: UUID) -> Response:
        """Show one."""
        return super().get(request, key)


class PeriodCorrectView(PeriodShown):
    """The correction of a period."""

    @changes(actions.correct_period, CorrectPeriodIn)
    def post(self, request: Request, history: str, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct when a period ran, or what was true; neighbours that touch move along."""
        return self.change(key=key, history=history, period_id=key, **given)


class PeriodWithdrawView(PeriodShown):
    """The withdrawal of a period that never was."""

    @changes(actions.withdraw_period, WithdrawIn, out=WithdrawnOut)
    def post(self, request: Request, history: str, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Withdraw a period that never was."""
        return self.change(
            key=key,
            answer=lambda _: ({"id": str(key), "withdrawn": True}, None),
            history=history,
            period_id=key,
            **given,
        )


class PeriodPlanView(PeriodShown):
    """What a correction of a period would move, before it is made."""

    out = PlanOut
    dated = False
    refuses = (HTTPStatus.CONFLICT,)
    parameters = {
        "valid_from": "its new start: a time with its offset; as it is unless told",
        "valid_to": f"its new end: a time with its offset, or `{STILL}`; as it is unless told",
        "withdraw": "`true`: what taking it out would move",
    }

    def get(self, request: Request, history: str, key: UUID) -> Response:
        """Tell which neighbours a correction would move; what the register would refuse is refused."""
        self.only(*self.parameters)
        moment = self.moment()
        period = self.period(moment)
        withdrawing = bool(self.chosen("withdraw", ("true",)))
        asked = request.query_params
        valid_from, valid_to = period.valid_from, period.valid_to
        if "valid_from" in asked:
            valid_from = read_moment(asked["valid_from"], "valid_from")
        if "valid_to" in asked:
            valid_to = None if asked["valid_to"] == STILL else read_moment(asked["valid_to"], "valid_to")
        planned = (
            planned_withdrawal(period) if withdrawing else planned_correction(period, valid_from, valid_to)
        )
        shown = {"known_index": moment.index, "results": planned}
        return Response(self.out(shown).data, headers={"Cache-Control": "private, no-cache"})
