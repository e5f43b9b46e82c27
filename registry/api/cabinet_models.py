"""Cabinet models: kinds of freezers."""

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django_filters import ChoiceFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import cabinets as actions
from registry.api._catalogue import RecordShown, RecordsView
from registry.api._fields import In, Text, WholeNumber
from registry.api._filters import CountFilter
from registry.api._views import RegisterFilter, ThingView, changes
from registry.models import CabinetModel
from registry.rules.cabinets import DoorKind, Refrigeration, Supply

_DOORS = [str(door) for door in DoorKind]
_REFRIGERATION = [str(kind) for kind in Refrigeration]
_SUPPLIES = [str(supply) for supply in Supply]
_SENSORS = "sensors that it takes, side by side"

# --- what is read ----------------------------------------------------------------------------------


class CabinetModelParticularsIn(In):
    """What is known of a cabinet model; what is left out stays, and unknown is said to be unknown."""

    name = Text(required=False)
    door = serializers.ChoiceField(choices=_DOORS, required=False)
    refrigeration = serializers.ChoiceField(
        choices=_REFRIGERATION, required=False, help_text="in a cold wall the tubes lie in the walls"
    )
    interior_width_mm = WholeNumber(required=False, allow_null=True, help_text="millimetres")
    interior_depth_mm = WholeNumber(required=False, allow_null=True, help_text="millimetres")
    interior_height_mm = WholeNumber(required=False, allow_null=True, help_text="millimetres")
    usable_volume_l = WholeNumber(required=False, allow_null=True, help_text="litres")
    sensor_count = WholeNumber(required=False, help_text=_SENSORS)
    supply = serializers.ChoiceField(choices=_SUPPLIES, required=False, help_text="how it takes its power")
    refrigerant = Text(required=False, help_text="ISO 817 designation, such as R-290; blank where unread")
    refrigerant_charge_g = WholeNumber(required=False, allow_null=True, help_text="grams")


class RegisterCabinetModelIn(CabinetModelParticularsIn):
    """A new cabinet model."""

    name = Text()
    sensor_count = WholeNumber(help_text=_SENSORS)


class CorrectCabinetModelIn(CabinetModelParticularsIn):
    """What is known of a cabinet model; what is left out stays."""

    reason = Text(required=False)


# --- what is shown ---------------------------------------------------------------------------------


class CabinetModelOut(serializers.Serializer):  # type: ignore[type-arg]
    """A cabinet model."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    door = serializers.ChoiceField(choices=_DOORS)
    refrigeration = serializers.ChoiceField(choices=_REFRIGERATION)
    interior_width_mm = serializers.IntegerField(allow_null=True, help_text="millimetres")
    interior_depth_mm = serializers.IntegerField(allow_null=True, help_text="millimetres")
    interior_height_mm = serializers.IntegerField(allow_null=True, help_text="millimetres")
    usable_volume_l = serializers.IntegerField(allow_null=True, help_text="litres")
    sensor_count = serializers.IntegerField(help_text=_SENSORS)
    supply = serializers.ChoiceField(choices=_SUPPLIES)
    refrigerant = serializers.CharField(help_text="ISO 817 designation; blank where unread")
    refrigerant_charge_g = serializers.IntegerField(allow_null=True, help_text="grams")


class CabinetModelFilter(RegisterFilter):
    """Filters of cabinet models."""

    door = ChoiceFilter(choices=[(word, word) for word in _DOORS], label="with this door")
    refrigeration = ChoiceFilter(choices=[(word, word) for word in _REFRIGERATION], label="cooled so")
    supply = ChoiceFilter(choices=[(word, word) for word in _SUPPLIES], label="powered so")
    sensor_count = CountFilter(label="that take so many sensors")


# --- addresses -------------------------------------------------------------------------------------


class CabinetModelShown(RecordShown):
    """How one cabinet model is shown."""

    noun, place = "cabinet_model", "cabinet-models"
    model, out = CabinetModel, CabinetModelOut


class CabinetModelsView(CabinetModelShown, RecordsView):
    """Cabinet models."""

    filters = CabinetModelFilter
    searches = ("name", "refrigerant")
    orderings = ("name", "sensor_count")

    @changes(
        actions.register_cabinet_model, RegisterCabinetModelIn, status=HTTPStatus.CREATED, conditional=False
    )
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register a cabinet model."""
        return self.change(
            made=lambda model: model.pk,
            particulars=given,
        )


class CabinetModelView(CabinetModelShown, ThingView):
    """One cabinet model."""

    @changes(actions.correct_cabinet_model, CorrectCabinetModelIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct what is known of a cabinet model."""
        reason = given.pop("reason", "")
        return self.change(key=key, cabinet_model_id=key, particulars=given, reason=reason)
