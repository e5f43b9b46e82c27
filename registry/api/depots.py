"""Depots: where cabinets and devices wait, and the scope of people's work."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import locations as actions
from registry.api._catalogue import RecordShown, RecordsView
from registry.api._fields import In, Text
from registry.api._views import ThingView, changes
from registry.models import Depot
from registry.queries.moments import Moment
from registry.rules.roles import require_depot

# --- what is read ----------------------------------------------------------------------------------


class RegisterDepotIn(In):
    """A new depot."""

    code = Text(help_text="text, so leading zeros stay")
    name = Text()


class CorrectDepotIn(In):
    """What is known of a depot; what is left out stays."""

    code = Text(required=False, help_text="text, so leading zeros stay")
    name = Text(required=False)
    reason = Text(required=False)


# --- what is shown ---------------------------------------------------------------------------------


class DepotOut(serializers.Serializer):  # type: ignore[type-arg]
    """A depot."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()


# --- addresses -------------------------------------------------------------------------------------


class DepotShown(RecordShown):
    """How one depot is shown."""

    noun, place = "depot", "depots"
    model, out = Depot, DepotOut


class DepotsView(DepotShown, RecordsView):
    """The depots of the person who asks."""

    searches = ("code", "name")
    orderings = ("code", "name")

    def rows(self, moment: Moment) -> "QuerySet[Any]":
        """Return this person's depots."""
        everything = super().rows(moment)
        return everything if self.scope.everywhere else everything.filter(pk__in=self.scope.depots)

    @changes(actions.register_depot, RegisterDepotIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register a depot, which is told once even to somebody to whom it is not given."""
        return self.change(
            made=lambda depot: depot.pk,
            particulars=given,
        )


class DepotView(DepotShown, ThingView):
    """One depot."""

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a depot of this person; raises RuleBroken NOT_FOUND."""
        require_depot(self.scope, key, self.noun)
        return super().shown(key, moment)

    @changes(actions.correct_depot, CorrectDepotIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct a depot."""
        reason = given.pop("reason", "")
        return self.change(key=key, depot_id=key, particulars=given, reason=reason)
