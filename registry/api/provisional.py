"""Devices that nobody booked in: recorded in the field, then confirmed, merged or rejected by the office."""

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import provisional as actions
from registry.actions._devices import NewDevice
from registry.api._fields import In, Key, MomentField, Text
from registry.api._views import changes
from registry.api.assignments import InstallationIn
from registry.api.devices import DeviceShown, NewDeviceIn
from registry.rules.whereabouts import DeviceStanding

_LABEL = ("key", "model_id", "serial", "firmware", "imei", "iccid", "iccid_override")


class RecordIn(NewDeviceIn):
    """A device that was found: in a cabinet, in a depot, or in a van."""

    id = Key(required=False, source="key", help_text="your own fresh key for the device")
    assignment = Key(
        required=False, source="assignment_id", help_text="your own fresh key for its assignment"
    )
    valid_from = MomentField(help_text="when it was found")
    evidence = Text(required=False, help_text="why it is believed to be ours; or a photo")
    photo_sha256 = Text(required=False, help_text="SHA-256 of a photo of the label, in hexadecimal digits")
    cabinet = Key(required=False, source="cabinet_id")
    installation = InstallationIn(required=False)
    depot = Key(required=False, source="depot_id")
    staff = Key(required=False, source="staff_id")

    def to_internal_value(self, data: Any) -> dict[str, Any]:  # type: ignore[override]
        """Return the action's arguments."""
        given = In.to_internal_value(self, data)
        label = {name: given.pop(name) for name in _LABEL if name in given}
        return {"device": NewDevice(**label), **given}


class ConfirmIn(In):
    """The office vouches for the device."""

    reason = Text(required=False)


class MergeIn(ConfirmIn):
    """The record turned out to be another device."""

    into = Key(source="into_id")


class RejectIn(In):
    """The device is none of ours, or never was."""

    reason = Text()


class ProvisionalView(DeviceShown):
    """The recording of devices that nobody booked in."""

    @changes(actions.record_provisional_device, RecordIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Record a device that nobody booked in."""
        return self.change(
            made=lambda device: device.pk,
            **given,
        )


class ConfirmView(DeviceShown):
    """The office's word for a provisional device."""

    @changes(actions.confirm_provisional_device, ConfirmIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Confirm a provisional device."""
        return self.change(key=key, device_id=key, **given)


class MergeView(DeviceShown):
    """The merging of a provisional device; the answer is the device that it was all along."""

    @changes(actions.merge_provisional_device, MergeIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Merge a provisional device into another; the answer is that one."""
        return self.change(key=key, made=lambda device: device.pk, device_id=key, **given)


class RejectedOut(serializers.Serializer):  # type: ignore[type-arg]
    """A device that was rejected; it is nowhere any more."""

    id = serializers.UUIDField()
    standing = serializers.ChoiceField(choices=[str(DeviceStanding.REJECTED)])


class RejectView(DeviceShown):
    """The rejection of a provisional device."""

    @changes(actions.reject_provisional_device, RejectIn, out=RejectedOut)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Reject a provisional device."""
        return self.change(
            key=key,
            answer=lambda device: ({"id": str(device.pk), "standing": str(device.standing)}, None),
            device_id=key,
            **given,
        )
