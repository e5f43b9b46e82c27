"""Mountings: how each device was mounted in its cabinet, and what the checks find."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import mountings as actions
from registry.api._fields import In, Key, MomentField, Text, Truth, WholeNumber
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import Mounting
from registry.queries.moments import Moment
from registry.queries.mountings import MountingFound, mounting_found, mountings_found, mountings_in
from registry.rules.mountings import CableExit, Severity, Wrapped

_EXITS = [str(way) for way in CableExit]
_WRAPPED = [str(word) for word in Wrapped]
_CLOSED = "when the cover was closed: never before the serial was taken"
_INSTEAD = "what was used where nobody drills, such as magnets or a clamp"

# --- what is read ----------------------------------------------------------------------------------


class MountingFactsIn(In):
    """How a device was mounted. Null, or a blank word, is: not looked at."""

    rail_parallel = Truth(required=False, allow_null=True, help_text="to the doors")
    rail_centred = Truth(required=False, allow_null=True, help_text="left to right")
    rail_behind_front_mm = WholeNumber(required=False, allow_null=True)
    near_evaporator = Truth(required=False, allow_null=True)
    headroom_cleared_mm = WholeNumber(required=False, allow_null=True)
    cable_exit = serializers.ChoiceField(choices=_EXITS, required=False, allow_blank=True)
    exit_below_ceiling_mm = WholeNumber(required=False, allow_null=True)
    hole_mm = WholeNumber(required=False, allow_null=True, help_text="its diameter")
    sealed_inside = Truth(required=False, allow_null=True)
    sealed_outside = Truth(required=False, allow_null=True)
    cable_clear = Truth(required=False, allow_null=True, help_text="of hot and moving parts")
    outdoor_wrapped = serializers.ChoiceField(choices=_WRAPPED, required=False, allow_blank=True)
    used_instead = Text(required=False, help_text=_INSTEAD)
    tools_out = WholeNumber(required=False, allow_null=True, help_text="counted before work")
    tools_back = WholeNumber(required=False, allow_null=True, help_text="counted after it")
    blanket_back = Truth(required=False, allow_null=True)
    serial_taken_at = MomentField(required=False, allow_null=True)
    cover_closed_at = MomentField(required=False, allow_null=True, help_text=_CLOSED)
    note = Text(required=False)
    reason = Text(required=False)


class RecordMountingIn(MountingFactsIn):
    """How a device was mounted for an assignment."""

    id = Key(required=False, help_text="a fresh key of your own, if you need to name it before it is sent")
    assignment = Key(source="assignment_id")


class CorrectMountingIn(MountingFactsIn):
    """What was recorded of a mounting; what is left out stays."""


# --- what is shown ---------------------------------------------------------------------------------


class MountingFindingOut(serializers.Serializer):  # type: ignore[type-arg]
    """What a check found."""

    code = serializers.CharField(help_text="stable: words may change, codes never")
    severity = serializers.ChoiceField(choices=[str(word) for word in Severity])
    words = serializers.CharField()
    next_step = serializers.CharField()


class MountingOut(serializers.Serializer):  # type: ignore[type-arg]
    """How a device was mounted, and what the checks find by the practice of today."""

    id = serializers.UUIDField(source="mounting.pk")
    assignment = serializers.UUIDField(source="mounting.assignment")
    device = serializers.UUIDField(source="mounting.device_id")
    serial = serializers.CharField(source="mounting.device.serial")
    cabinet = serializers.UUIDField(source="mounting.cabinet_id")
    asset_tag = serializers.CharField(source="mounting.cabinet.asset_tag")
    location = serializers.UUIDField(source="mounting.location_id", allow_null=True)
    rail_parallel = serializers.BooleanField(source="mounting.rail_parallel", allow_null=True)
    rail_centred = serializers.BooleanField(source="mounting.rail_centred", allow_null=True)
    rail_behind_front_mm = serializers.IntegerField(source="mounting.rail_behind_front_mm", allow_null=True)
    near_evaporator = serializers.BooleanField(source="mounting.near_evaporator", allow_null=True)
    headroom_cleared_mm = serializers.IntegerField(source="mounting.headroom_cleared_mm", allow_null=True)
    cable_exit = serializers.CharField(source="mounting.cable_exit", help_text="blank: not looked at")
    exit_below_ceiling_mm = serializers.IntegerField(source="mounting.exit_below_ceiling_mm", allow_null=True)
    hole_mm = serializers.IntegerField(source="mounting.hole_mm", allow_null=True)
    sealed_inside = serializers.BooleanField(source="mounting.sealed_inside", allow_null=True)
    sealed_outside = serializers.BooleanField(source="mounting.sealed_outside", allow_null=True)
    cable_clear = serializers.BooleanField(source="mounting.cable_clear", allow_null=True)
    outdoor_wrapped = serializers.CharField(source="mounting.outdoor_wrapped")
    used_instead = serializers.CharField(source="mounting.used_instead")
    tools_out = serializers.IntegerField(source="mounting.tools_out", allow_null=True)
    tools_back = serializers.IntegerField(source="mounting.tools_back", allow_null=True)
    blanket_back = serializers.BooleanField(source="mounting.blanket_back", allow_null=True)
    serial_taken_at = MomentField(source="mounting.serial_taken_at", allow_null=True)
    cover_closed_at = MomentField(source="mounting.cover_closed_at", allow_null=True)
    note = serializers.CharField(source="mounting.note")
    findings = MountingFindingOut(many=True)
    fails = serializers.BooleanField(help_text="true: something is to be mended before anybody leaves")


class MountingFilter(RegisterFilter):
    """Filters of mountings."""

    assignment = UUIDFilter(label="of this assignment")
    cabinet = UUIDFilter(field_name="cabinet_id", label="in this cabinet")
    device = UUIDFilter(field_name="device_id", label="of this device")


# --- addresses -------------------------------------------------------------------------------------


class MountingShown(RegisterView):
    """How one mounting is shown."""

    noun, place = "mounting", "mountings"
    out = MountingOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a mounting; raises RuleBroken NOT_FOUND."""
        return self.out(mounting_found(key, moment, self.scope)).data


class MountingsView(MountingShown, ListView):
    """Mountings in cabinets of this person's depots."""

    filters = MountingFilter

    def rows(self, moment: Moment) -> "QuerySet[Mounting]":
        """Return the mountings of this person's depots."""
        return mountings_in(moment, self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[MountingFound]:
        """Return them with what the checks find."""
        return mountings_found(rows)

    @changes(actions.record_mounting, RecordMountingIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Record how a device was mounted."""
        named = {name: given.pop(name) for name in ("assignment_id", "id", "reason") if name in given}
        return self.change(made=lambda mounting: mounting.pk, facts=given, **named)


class MountingView(MountingShown, ThingView):
    """One mounting."""

    @changes(actions.correct_mounting, CorrectMountingIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct what was recorded of a mounting."""
        reason = given.pop("reason", "")
        return self.change(key=key, mounting_id=key, facts=given, reason=reason)
