"""Devices: controllers with their sensors, where each is, and how it got there."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import CharFilter, ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import devices as actions
from registry.actions._devices import NewDevice
from registry.api._fields import In, Key, MomentField, Text
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import Device
from registry.queries.assignments import DeviceAt, device_at, devices_as_known, devices_in, places_in
from registry.queries.moments import Moment, present
from registry.rules.identifiers import normalise
from registry.rules.whereabouts import DevicePlace, DeviceStanding

# --- what is read ----------------------------------------------------------------------------------


class NewDeviceIn(In):
    """A device, as its label says."""

    model = Key(source="model_id")
    serial = Text(help_text="as typed or scanned; spaces and dashes do not matter")
    firmware = Text(required=False)
    imei = Text(required=False, help_text="15 digits, with its check digit")
    iccid = Text(required=False, help_text="of the SIM card")
    iccid_override = Text(required=False, help_text="why a doubtful ICCID is kept all the same")

    def to_internal_value(self, data: Any) -> NewDevice:
        """Return the device as a plain value."""
        return NewDevice(**super().to_internal_value(data))


class ReceiveIn(In):
    """Devices that came into a depot: all are booked in, or none."""

    devices = NewDeviceIn(many=True)
    depot = Key(source="depot_id")
    valid_from = MomentField(help_text="when they came")
    reason = Text(required=False)


class CorrectDeviceIn(In):
    """What a device's label says beside its serial; what is left out stays."""

    firmware = Text(required=False)
    imei = Text(required=False)
    iccid = Text(required=False)
    iccid_override = Text(required=False)
    reason = Text(required=False)


class WhenIn(In):
    """When, and why."""

    valid_from = MomentField()
    reason = Text(required=False)


class HandOverIn(WhenIn):
    """A device goes to a depot, or into a person's van."""

    depot = Key(required=False, source="depot_id", help_text="the depot that has it, or answers for the van")
    staff = Key(required=False, source="staff_id", help_text="the person whose van has it")


class RepairIn(WhenIn):
    """A device goes to its maker."""

    reference = Text(required=False, help_text="the maker's return number")


class ReturnIn(WhenIn):
    """A device comes back from its maker."""

    depot = Key(source="depot_id")


# --- what is shown ---------------------------------------------------------------------------------


class DeviceOut(serializers.Serializer):  # type: ignore[type-arg]
    """A device."""

    id = serializers.UUIDField(source="device.pk")
    serial = serializers.CharField(source="device.serial")
    serial_typed = serializers.CharField(source="device.serial_typed")
    model = serializers.UUIDField(source="device.model_id")
    model_name = serializers.CharField(source="device.model.name")
    sensor_count = serializers.IntegerField(source="device.model.sensor_count")
    standing = serializers.ChoiceField(
        source="device.standing", choices=[str(standing) for standing in DeviceStanding]
    )
    evidence = serializers.CharField(source="device.evidence", help_text="of a provisional device")
    firmware = serializers.CharField(source="device.firmware")
    imei = serializers.CharField(source="device.imei")
    iccid = serializers.CharField(source="device.iccid")
    place = serializers.ChoiceField(source="place.place", choices=[str(place) for place in DevicePlace])
    place_name = serializers.CharField(source="words")
    depot = serializers.SerializerMethodField(help_text="the depot that answers for it")
    staff = serializers.UUIDField(source="place.staff_id", allow_null=True, help_text="whose van has it")
    cabinet = serializers.UUIDField(source="place.cabinet_id", allow_null=True)
    assignment = serializers.SerializerMethodField(help_text="where it hangs in a cabinet")
    there_since = MomentField(source="place.valid_from")
    since_known_by = serializers.BooleanField(source="place.starts_known_by")
    reference = serializers.CharField(source="place.reference", help_text="the maker's return number")

    def get_depot(self, at: DeviceAt) -> UUID | None:
        """The depot that answers for the device."""
        return at.stay.answering_depot_id() if at.stay else at.place.depot_id

    def get_assignment(self, at: DeviceAt) -> UUID | None:
        """The assignment that runs, if it hangs in a cabinet."""
        return at.place.period if at.place.place == DevicePlace.CABINET else None


class DeviceFilter(RegisterFilter):
    """Filters of devices."""

    model = UUIDFilter(field_name="model_id", label="of this model")
    standing = ChoiceFilter(
        choices=[(str(standing), str(standing)) for standing in DeviceStanding], label="whom we vouch for"
    )
    place = ChoiceFilter(
        method="in_place", choices=[(str(p), str(p)) for p in DevicePlace], label="that were there"
    )
    staff = UUIDFilter(method="in_van", label="in this person's van")
    cabinet = UUIDFilter(method="in_cabinet", label="in this cabinet")
    serial = CharFilter(method="of_serial", label="with exactly this serial, however it is typed")

    def of_serial(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        """Keep the one with a serial, typed with or without spaces and dashes."""
        return rows.filter(serial=normalise(value))

    def in_place(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        """Keep those in one kind of place."""
        return self._of(rows, place=value)

    def in_van(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those in one person's van."""
        return self._of(rows, staff=value)

    def in_cabinet(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those in one cabinet."""
        return self._of(rows, cabinet=value)

    def _of(self, rows: "QuerySet[Any]", **where: Any) -> "QuerySet[Any]":
        return rows.filter(pk__in=places_in(self.moment, self.scope).filter(**where).values("device"))


# --- addresses -------------------------------------------------------------------------------------


class DeviceShown(RegisterView):
    """How one device is shown."""

    noun, place = "device", "devices"
    out = DeviceOut
    dated = True

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a device; raises RuleBroken NOT_FOUND."""
        return self.out(device_at(key, moment, self.scope)).data


class ReceivedOut(serializers.Serializer):  # type: ignore[type-arg]
    """Devices that were booked in, in the order of the request."""

    results = DeviceOut(many=True)


class DevicesView(DeviceShown, ListView):
    """Devices, and where each was at the moment asked for."""

    filters = DeviceFilter
    searches = ("serial", "imei", "iccid")
    orderings = ("serial", "id")

    def rows(self, moment: Moment) -> "QuerySet[Device]":
        """Return the devices of this person's depots."""
        return devices_in(moment, self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[DeviceAt]:
        """Return them with where they are."""
        return devices_as_known(rows, moment)

    @changes(
        actions.receive_devices, ReceiveIn, status=HTTPStatus.CREATED, conditional=False, out=ReceivedOut
    )
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Book devices into a depot."""
        return self.change(
            answer=lambda devices: ({"results": self._received(devices)}, None),
            **given,
        )

    def _received(self, devices: list[Device]) -> Any:
        return self.out(devices_as_known(devices, present()), many=True).data


class DeviceView(DeviceShown, ThingView):
    """One device."""

    @changes(actions.correct_device, CorrectDeviceIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct what a device's label says beside its serial."""
        return self.change(key=key, device_id=key, **given)


class DeviceHandOverView(DeviceShown):
    """The handing over of a device."""

    @changes(actions.hand_over_device, HandOverIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Hand a device over to a depot or into a van."""
        return self.change(key=key, device_id=key, **given)


class DeviceRepairView(DeviceShown):
    """The way of a device to its maker."""

    @changes(actions.send_device_to_repair, RepairIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Send a device to its maker."""
        return self.change(key=key, device_id=key, **given)


class DeviceReturnView(DeviceShown):
    """The way of a device back from its maker."""

    @changes(actions.return_device_from_repair, ReturnIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Take a device back from its maker."""
        return self.change(key=key, device_id=key, **given)


class DeviceLostView(DeviceShown):
    """The loss of a device."""

    @changes(actions.mark_device_lost, WhenIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Mark a device as lost."""
        return self.change(key=key, device_id=key, **given)


class DeviceRetireView(DeviceShown):
    """The end of a device."""

    @changes(actions.retire_device, WhenIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Retire a device for good."""
        return self.change(key=key, device_id=key, **given)
