"""Locations: stores in which cabinets stand, who holds them, and what happened there."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet
from django.http import HttpResponse
from django_filters import CharFilter, ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions import locations as actions
from registry.api._fields import In, Key, MomentField, Number, Text
from registry.api._stores import LocationIn, LocationParticularsIn, StandingLocationIn
from registry.api._stories import StoryOut, story
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import Location, LocationHolding, LocationState
from registry.queries.locations import LocationAt, location_at, locations_as_known, locations_in
from registry.queries.moments import Moment, present
from registry.queries.timelines import location_timeline
from registry.rules.locations import LocationStanding

# --- what is read ----------------------------------------------------------------------------------


class RegisterLocationIn(LocationIn):
    """A new location of an account, with its cabinets."""

    account = Key(source="account_id")
    valid_from = MomentField(help_text="since when it is a place of ours")

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Return the action's arguments."""
        given = self.values_of(data)
        beside: dict[str, Any] = {
            name: given.pop(name) for name in ("account_id", "valid_from") if name in given
        }
        return {"location": self.new_location(given), **beside}


class TakeOverIn(StandingLocationIn):
    """A location that stands already, with its cabinets and what hangs in them."""

    account = Key(source="account_id")
    known_by = MomentField(help_text="everything was so no later than then; never used for billing")
    reason = Text(required=False)

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Return the action's arguments."""
        given = self.values_of(data)
        beside: dict[str, Any] = {
            name: given.pop(name) for name in ("account_id", "known_by", "reason") if name in given
        }
        return {"location": self.new_location(given), **beside}


class CorrectLocationIn(LocationParticularsIn):
    """What is known of a location; what is left out stays."""

    depot = Key(required=False, source="depot_id", help_text="gives it to another depot")
    reason = Text(required=False)


class StateIn(In):
    """A location opens, or sleeps for the season."""

    state = serializers.ChoiceField(
        choices=[str(s) for s in LocationStanding if s != LocationStanding.CLOSED]
    )
    valid_from = MomentField()
    reason = Text(required=False)


class CloseIn(In):
    """A location closes; its cabinets go to a depot, and their devices come out."""

    valid_from = MomentField()
    cabinets_to = Key(required=False, help_text="the depot to which its cabinets go")
    devices_to = Key(
        required=False, help_text="the depot to which their devices go; the cabinets' unless told"
    )
    reason = Text(required=False)


class HandIn(In):
    """Another account holds the location."""

    account = Key(source="account_id")
    store_number = Text(help_text="the number by which that account counts it")
    valid_from = MomentField()
    reason = Text(required=False)


# --- what is shown ---------------------------------------------------------------------------------


class LocationOut(serializers.Serializer):  # type: ignore[type-arg]
    """A location."""

    id = serializers.UUIDField(source="location.pk")
    account = serializers.SerializerMethodField()
    account_name = serializers.SerializerMethodField()
    store_number = serializers.CharField()
    state = serializers.ChoiceField(choices=[str(state) for state in LocationStanding])
    name = serializers.CharField(source="location.name")
    street = serializers.CharField(source="location.street", help_text="up to three lines")
    locality = serializers.CharField(source="location.locality")
    region = serializers.CharField(source="location.region")
    postal_code = serializers.CharField(source="location.postal_code")
    country = serializers.CharField(source="location.country", help_text="ISO 3166-1 alpha-2")
    latitude = Number(source="location.latitude", allow_null=True)
    longitude = Number(source="location.longitude", allow_null=True)
    time_zone = serializers.CharField(source="location.time_zone", help_text="IANA name")
    gln = serializers.CharField(source="location.gln", allow_null=True)
    visiting_hours = serializers.CharField(source="location.visiting_hours")
    authority_on = serializers.DateField(source="location.authority_on", allow_null=True)
    authority_reference = serializers.CharField(source="location.authority_reference")
    depot = serializers.UUIDField(source="location.depot_id")
    depot_name = serializers.CharField(source="location.depot.label")

    def get_account(self, at: LocationAt) -> UUID | None:
        """The account that held it."""
        return at.account.pk if at.account else None

    def get_account_name(self, at: LocationAt) -> str:
        """Its code and name."""
        return at.account.label if at.account else ""


class LocationFilter(RegisterFilter):
    """Filters of locations."""

    account = UUIDFilter(method="of_account", label="that this account held then")
    store_number = CharFilter(method="of_number", label="with exactly this store number")
    state = ChoiceFilter(method="in_state", choices=[(str(s), str(s)) for s in LocationStanding])
    depot = UUIDFilter(field_name="depot_id", label="of this depot")
    country = CharFilter(label="in this country")

    def of_account(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those that an account held."""
        return rows.filter(pk__in=self._held().filter(account=value).values("location"))

    def of_number(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        """Keep those with a store number; with a filter by account there is at most one."""
        held = self._held().filter(store_number=value)
        if account := self.form.cleaned_data.get("account"):
            held = held.filter(account=account)
        return rows.filter(pk__in=held.values("location"))

    def in_state(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        """Keep those in a state."""
        states = LocationState.objects.believed_at(self.moment.index).valid_at(self.moment.valid_at)
        return rows.filter(pk__in=states.filter(state=value).values("location"))

    def _held(self) -> "QuerySet[Any]":
        return LocationHolding.objects.believed_at(self.moment.index).valid_at(self.moment.valid_at)


# --- addresses -------------------------------------------------------------------------------------


class LocationShown(RegisterView):
    """How one location is shown."""

    noun, place = "location", "locations"
    out = LocationOut
    dated = True

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a location; raises RuleBroken NOT_FOUND."""
        return self.out(location_at(key, moment, self.scope)).data


class LocationsView(LocationShown, ListView):
    """Locations, with holder and state at the moment asked for."""

    filters = LocationFilter
    searches = ("name", "street", "locality", "postal_code")
    orderings = ("name", "locality", "id")

    def also_found(self, word: str, moment: Moment) -> Q:
        """Find a location by its store number, too."""
        held = LocationHolding.objects.believed_at(moment.index).valid_at(moment.valid_at)
        return Q(pk__in=held.filter(store_number__icontains=word).values("location"))

    def rows(self, moment: Moment) -> "QuerySet[Location]":
        """Return the locations of this person's depots."""
        return locations_in(moment, self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[LocationAt]:
        """Return them with holder and state."""
        return locations_as_known(rows, moment)

    @changes(actions.register_location, RegisterLocationIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register a location with its cabinets."""
        return self.change(made=lambda location: location.pk, **given)


class TakeOverView(LocationShown):
    """The taking over of locations that stand already."""

    @changes(actions.take_over_location, TakeOverIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Take over a location with its cabinets and what hangs in them."""
        return self.change(made=lambda location: location.pk, **given)


class LocationView(LocationShown, ThingView):
    """One location."""

    @changes(actions.correct_location, CorrectLocationIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct what is known of a location."""
        reason = given.pop("reason", "")
        return self.change(key=key, location_id=key, particulars=given, reason=reason)


class LocationStateView(LocationShown):
    """The state of a location."""

    @changes(actions.set_location_state, StateIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Open a location, or lay it to sleep."""
        return self.change(key=key, location_id=key, **given)


class LocationCloseView(LocationShown):
    """The closing of a location."""

    @changes(actions.close_location, CloseIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Close a location."""
        return self.change(key=key, location_id=key, **given)


class LocationHandView(LocationShown):
    """The handing of a location to another account."""

    @changes(actions.hand_location, HandIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Hand a location to another account."""
        return self.change(key=key, location_id=key, **given)


class LocationTimelineView(LocationShown):
    """Everything that happened at a location."""

    out = StoryOut
    parameters = {
        "cabinet": "the key of a cabinet: its events only",
        "device": "the key of a device: its events only",
    }

    def get(self, request: Request, key: UUID) -> Response:
        """Tell the timeline of a location: every event up to the moment asked for."""
        self.only(*self.parameters, "as_of", "known_at")
        moment = self.moment()
        location_at(key, present(), self.scope)
        events = location_timeline(key, known_index=moment.index)
        for name in self.parameters:
            if wanted := self.key_in(name):
                events = [event for event in events if wanted in getattr(event, f"{name}s")]
        return story(events, moment)
