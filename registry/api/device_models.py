"""Device models: kinds of controllers with their sensors, and the scheme of their serials."""

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django_filters import ChoiceFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import devices as actions
from registry.api._catalogue import RecordShown, RecordsView
from registry.api._fields import In, Text, Truth, WholeNumber
from registry.api._filters import CountFilter
from registry.api._views import RegisterFilter, ThingView, changes
from registry.models import DeviceModel
from registry.rules.devices import Compensation, Principle
from registry.rules.identifiers import CheckMethod

_PRINCIPLES = [str(principle) for principle in Principle]
_COMPENSATION = [str(word) for word in Compensation]
_METHODS = [str(method) for method in CheckMethod]
_SENSORS = "sensors, side by side"
_BLIND = "millimetres; nearer than this it cannot measure"
_RANGE = "millimetres; farther than this it cannot measure"
_COMPENSATES = "whether it corrects its distances for the temperature of the air"
_INTERVAL = "minutes between two reports"
_PREFIX = "what every serial begins with: 0-9 and A-Z; blank for nothing"
_ALPHABET = "the characters that may stand between prefix and check"
_PAYLOAD = "how many of them"
_METHOD = "how the last characters follow from the others; ISO/IEC 7064 and others"
_COVERS = "whether the check is computed over the prefix, too"

# --- what is read ----------------------------------------------------------------------------------


class RegisterDeviceModelIn(In):
    """A new device model, with the scheme of its serials, which never changes."""

    name = Text()
    sensor_count = WholeNumber(help_text=_SENSORS)
    principle = serializers.ChoiceField(choices=_PRINCIPLES, help_text="how it measures distance")
    blind_zone_mm = WholeNumber(help_text=_BLIND)
    range_mm = WholeNumber(help_text=_RANGE)
    compensates = serializers.ChoiceField(choices=_COMPENSATION, required=False, help_text=_COMPENSATES)
    report_interval_min = WholeNumber(help_text=_INTERVAL)
    serial_prefix = Text(required=False, help_text=_PREFIX)
    serial_alphabet = Text(help_text=_ALPHABET)
    serial_payload_length = WholeNumber(help_text=_PAYLOAD)
    serial_check_method = serializers.ChoiceField(choices=_METHODS, help_text=_METHOD)
    serial_check_covers_prefix = Truth(required=False, help_text=_COVERS)


class CorrectDeviceModelIn(In):
    """What is known of a device model beside its serials; what is left out stays."""

    name = Text(required=False)
    sensor_count = WholeNumber(required=False, help_text=_SENSORS)
    principle = serializers.ChoiceField(
        choices=_PRINCIPLES, required=False, help_text="how it measures distance"
    )
    blind_zone_mm = WholeNumber(required=False, help_text=_BLIND)
    range_mm = WholeNumber(required=False, help_text=_RANGE)
    compensates = serializers.ChoiceField(choices=_COMPENSATION, required=False, help_text=_COMPENSATES)
    report_interval_min = WholeNumber(required=False, help_text=_INTERVAL)
    reason = Text(required=False)


# --- what is shown ---------------------------------------------------------------------------------


class DeviceModelOut(serializers.Serializer):  # type: ignore[type-arg]
    """A device model, with the scheme of its serials."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    sensor_count = serializers.IntegerField(help_text=_SENSORS)
    principle = serializers.ChoiceField(choices=_PRINCIPLES)
    blind_zone_mm = serializers.IntegerField(help_text=_BLIND)
    range_mm = serializers.IntegerField(help_text=_RANGE)
    compensates = serializers.ChoiceField(choices=_COMPENSATION, help_text=_COMPENSATES)
    report_interval_min = serializers.IntegerField(help_text=_INTERVAL)
    serial_prefix = serializers.CharField(help_text=_PREFIX)
    serial_alphabet = serializers.CharField(help_text=_ALPHABET)
    serial_payload_length = serializers.IntegerField(help_text=_PAYLOAD)
    serial_check_method = serializers.ChoiceField(choices=_METHODS, help_text=_METHOD)
    serial_check_covers_prefix = serializers.BooleanField(help_text=_COVERS)
    serial_length = serializers.SerializerMethodField(help_text="of prefix, payload and check together")

    def get_serial_length(self, model: DeviceModel) -> int:
        """The characters of a whole serial."""
        return model.serial_scheme().length


class DeviceModelFilter(RegisterFilter):
    """Filters of device models."""

    principle = ChoiceFilter(choices=[(word, word) for word in _PRINCIPLES], label="that measure so")
    sensor_count = CountFilter(label="with so many sensors")


# --- addresses -------------------------------------------------------------------------------------


class DeviceModelShown(RecordShown):
    """How one device model is shown."""

    noun, place = "device_model", "device-models"
    model, out = DeviceModel, DeviceModelOut


class DeviceModelsView(DeviceModelShown, RecordsView):
    """Device models, with the schemes of their serials."""

    filters = DeviceModelFilter
    searches = ("name", "serial_prefix")
    orderings = ("name", "sensor_count")

    @changes(
        actions.register_device_model, RegisterDeviceModelIn, status=HTTPStatus.CREATED, conditional=False
    )
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register a device model."""
        return self.change(
            made=lambda model: model.pk,
            particulars=given,
        )


class DeviceModelView(DeviceModelShown, ThingView):
    """One device model."""

    @changes(actions.correct_device_model, CorrectDeviceModelIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct what is known of a device model; the scheme of its serials stays."""
        reason = given.pop("reason", "")
        return self.change(key=key, device_model_id=key, particulars=given, reason=reason)
