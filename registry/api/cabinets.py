"""Cabinets: freezers, where they stand, how they are split, and what hangs in them."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import cabinets as actions
from registry.actions import products
from registry.api._fields import In, Key, MomentField, Percent, Text
from registry.api._filters import TruthFilter
from registry.api._stores import CabinetIn, CabinetParticularsIn, ShareIn
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import Cabinet, DeviceWhereabouts
from registry.queries.cabinets import CabinetAt, cabinet_at, cabinets_as_known, cabinets_in, stays_in
from registry.queries.moments import Moment
from registry.rules.cabinets import DevicesGo, Setting
from registry.rules.whereabouts import CabinetPlace

# --- what is read ----------------------------------------------------------------------------------


class RegisterCabinetIn(CabinetIn):
    """A new cabinet, at a location or in a depot."""

    id = Key(required=False, source="key", help_text="your own fresh key for the cabinet")
    location = Key(required=False, source="location_id")
    depot = Key(required=False, source="depot_id")
    valid_from = MomentField(help_text="since when it stands there")

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Return the action's arguments."""
        given = self.values_of(data)
        place: dict[str, Any] = {
            name: given.pop(name) for name in ("location_id", "depot_id", "valid_from") if name in given
        }
        return {"cabinet": self.new_cabinet(given), **place}


class CorrectCabinetIn(CabinetParticularsIn):
    """What is known of a cabinet; what is left out stays."""

    reason = Text(required=False)


class ReasonIn(In):
    """When, and why."""

    valid_from = MomentField()
    reason = Text(required=False)


class ScrapIn(ReasonIn):
    """A cabinet is scrapped."""

    devices_to = Key(required=False, help_text="the depot to which its devices come out")


class MoveIn(ScrapIn):
    """A cabinet goes elsewhere: to a location or to a depot."""

    location = Key(required=False, source="location_id")
    depot = Key(required=False, source="depot_id")
    devices = serializers.ChoiceField(
        choices=[str(go) for go in DevicesGo], required=False, help_text="what becomes of what hangs in it"
    )


class SplitIn(ReasonIn):
    """How products share the cabinet, left to right."""

    shares = ShareIn(many=True)


# --- what is shown ---------------------------------------------------------------------------------


class ShareOut(serializers.Serializer):  # type: ignore[type-arg]
    """A product's share of the interior width."""

    product = serializers.UUIDField(source="product_id")
    product_name = serializers.CharField(source="product.name")
    share = Percent(source="hundredths")


class HangingOut(serializers.Serializer):  # type: ignore[type-arg]
    """A device that hangs in a cabinet."""

    assignment = serializers.UUIDField(source="period")
    device = serializers.UUIDField(source="device_id")
    serial = serializers.CharField(source="device.serial")
    slot = serializers.IntegerField()
    valid_from = MomentField()


class CabinetOut(serializers.Serializer):  # type: ignore[type-arg]
    """A cabinet."""

    id = serializers.UUIDField(source="cabinet.pk")
    asset_tag = serializers.CharField(source="cabinet.asset_tag")
    model = serializers.UUIDField(source="cabinet.model_id")
    model_name = serializers.CharField(source="cabinet.model.name")
    sensor_count = serializers.IntegerField(source="cabinet.model.sensor_count")
    maker_serial = serializers.CharField(source="cabinet.maker_serial")
    setting = serializers.ChoiceField(source="cabinet.setting", choices=[str(setting) for setting in Setting])
    position = serializers.CharField(source="cabinet.position")
    condition = serializers.CharField(source="cabinet.condition")
    place = serializers.ChoiceField(source="stay.place", choices=[str(place) for place in CabinetPlace])
    location = serializers.UUIDField(source="stay.location_id", allow_null=True)
    depot = serializers.SerializerMethodField(help_text="the depot that answers for it")
    place_name = serializers.SerializerMethodField()
    there_since = MomentField(source="stay.valid_from")
    since_known_by = serializers.BooleanField(source="stay.starts_known_by")
    shares = serializers.SerializerMethodField()
    hanging = HangingOut(many=True)

    def get_depot(self, at: CabinetAt) -> UUID:
        """The depot that answers for the cabinet."""
        return at.stay.answering_depot_id()

    def get_place_name(self, at: CabinetAt) -> str:
        """What people call the place."""
        place = at.stay.location or at.stay.depot
        return place.label if place else ""

    def get_shares(self, at: CabinetAt) -> ShareOut(many=True):  # type: ignore[valid-type]
        """The shares of its split, left to right."""
        return ShareOut(at.split.shares.all() if at.split else [], many=True).data


class CabinetFilter(RegisterFilter):
    """Filters of cabinets."""

    location = UUIDFilter(method="at_location", label="that stood at this location then")
    depot = UUIDFilter(method="of_depot", label="for which this depot answers")
    place = ChoiceFilter(
        method="in_place", choices=[(str(p), str(p)) for p in CabinetPlace], label="that were there"
    )
    model = UUIDFilter(field_name="model_id", label="of this model")
    setting = ChoiceFilter(choices=[(str(setting), str(setting)) for setting in Setting])
    hanging = TruthFilter(method="with_device", label="true: those in which something hung")

    def at_location(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those that stood at a location."""
        return self._of(rows, location=value)

    def of_depot(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those for which a depot answers."""
        stays = stays_in(self.moment, self.scope)
        theirs = stays.filter(depot=value) | stays.filter(location__depot=value)
        return rows.filter(pk__in=theirs.values("cabinet"))

    def in_place(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        """Keep those in one kind of place."""
        return self._of(rows, place=value)

    def with_device(self, rows: "QuerySet[Any]", name: str, value: bool) -> "QuerySet[Any]":
        """Keep those in which something hung, or nothing."""
        assigned = DeviceWhereabouts.objects.believed_at(self.moment.index).valid_at(self.moment.valid_at)
        hanging = assigned.filter(cabinet__isnull=False).values("cabinet")
        return rows.filter(pk__in=hanging) if value else rows.exclude(pk__in=hanging)

    def _of(self, rows: "QuerySet[Any]", **where: Any) -> "QuerySet[Any]":
        return rows.filter(pk__in=stays_in(self.moment, self.scope).filter(**where).values("cabinet"))


# --- addresses -------------------------------------------------------------------------------------


class CabinetShown(RegisterView):
    """How one cabinet is shown."""

    noun, place = "cabinet", "cabinets"
    out = CabinetOut
    dated = True

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a cabinet; raises RuleBroken NOT_FOUND."""
        return self.out(cabinet_at(key, moment, self.scope)).data


class CabinetsView(CabinetShown, ListView):
    """Cabinets, and where each stood at the moment asked for."""

    filters = CabinetFilter
    searches = ("asset_tag", "maker_serial", "model__name")
    orderings = ("asset_tag", "id")

    def rows(self, moment: Moment) -> "QuerySet[Cabinet]":
        """Return the cabinets of this person's depots."""
        return cabinets_in(moment, self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[CabinetAt]:
        """Return them with places, splits and devices."""
        return cabinets_as_known(rows, moment)

    @changes(actions.register_cabinet, RegisterCabinetIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register a cabinet where it stands."""
        return self.change(made=lambda cabinet: cabinet.pk, **given)


class CabinetView(CabinetShown, ThingView):
    """One cabinet."""

    @changes(actions.correct_cabinet, CorrectCabinetIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct what is known of a cabinet."""
        reason = given.pop("reason", "")
        return self.change(key=key, cabinet_id=key, particulars=given, reason=reason)


class CabinetMoveView(CabinetShown):
    """The move of a cabinet."""

    @changes(actions.move_cabinet, MoveIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Move a cabinet to a location or a depot."""
        return self.change(key=key, cabinet_id=key, **given)


class CabinetSplitView(CabinetShown):
    """The split of a cabinet."""

    @changes(products.set_split, SplitIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Set how products share a cabinet."""
        return self.change(key=key, cabinet_id=key, **given)


class CabinetScrapView(CabinetShown):
    """The end of a cabinet."""

    @changes(actions.scrap_cabinet, ScrapIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Scrap a cabinet."""
        return self.change(key=key, cabinet_id=key, **given)
