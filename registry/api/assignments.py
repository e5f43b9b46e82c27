"""Assignments: which device hangs in which cabinet, since when, and how."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import assignments as actions
from registry.actions import periods
from registry.api._fields import In, Key, MomentField, Text, WholeNumber
from registry.api._filters import TruthFilter
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import DeviceWhereabouts
from registry.queries.assignments import DeviceAt, assignment_at, assignments_as_known, assignments_in
from registry.queries.cabinets import stays_in
from registry.queries.moments import Moment
from registry.rules.assignments import Installation
from registry.rules.whereabouts import EndReason

HISTORY = "devicewhereabouts"
INSTALLATION_FACTS = (
    "slot",
    "slot_reason",
    "sensor_order",
    "rail_below_ceiling_mm",
    "offset_from_front_mm",
)


# --- what is read ----------------------------------------------------------------------------------


class InstallationIn(In):
    """How a device hangs."""

    slot = WholeNumber(required=False, help_text="1 unless told; 2 and up need a reason")
    slot_reason = Text(required=False)
    sensor_order = serializers.ListField(
        child=WholeNumber(), required=False, max_length=64, help_text="ports from left to right"
    )
    rail_below_ceiling_mm = WholeNumber(required=False, allow_null=True)
    offset_from_front_mm = WholeNumber(required=False, allow_null=True)

    def to_internal_value(self, data: Any) -> Installation:
        """Return the facts as a plain value."""
        given = super().to_internal_value(data)
        return Installation(**{**given, "sensor_order": tuple(given.get("sensor_order", ()))})


class WhichDeviceIn(In):
    """A device, by its serial as typed or scanned, or by its key."""

    instead = {"device": "serial"}

    serial = Text(required=False, help_text="as typed, or the text of a scanned code")
    device = Key(required=False, source="device_id")


class AssignIn(WhichDeviceIn):
    """A device goes into a cabinet."""

    id = Key(required=False, source="assignment_id", help_text="your own fresh key for the assignment")
    cabinet = Key(source="cabinet_id")
    valid_from = MomentField(help_text="when it was hung up")
    installation = InstallationIn(required=False)
    reason = Text(required=False)


class WhereToIn(In):
    """Where the device goes that comes out."""

    depot = Key(required=False, source="depot_id", help_text="the depot that has it, or answers for the van")
    staff = Key(required=False, source="staff_id", help_text="the person whose van has it")
    end_note = Text(required=False)


class EndIn(WhereToIn):
    """A device comes out of its cabinet."""

    valid_to = MomentField(help_text="when it came out")
    end_reason = serializers.ChoiceField(choices=[str(reason) for reason in EndReason])


class SwapIn(WhereToIn, WhichDeviceIn):
    """Another device takes the place of the one that hangs there."""

    id = Key(
        required=False, source="new_assignment_id", help_text="your own fresh key for the new assignment"
    )
    valid_from = MomentField(help_text="when they were swapped")
    end_reason = serializers.ChoiceField(choices=[str(reason) for reason in EndReason], required=False)
    installation = InstallationIn(required=False)


class FactsIn(In):
    """Facts of an assignment that were recorded wrongly."""

    cabinet = Key(required=False, source="cabinet_id")
    slot = WholeNumber(required=False)
    slot_reason = Text(required=False)
    sensor_order = serializers.ListField(child=WholeNumber(), required=False, max_length=64)
    rail_below_ceiling_mm = WholeNumber(required=False, allow_null=True)
    offset_from_front_mm = WholeNumber(required=False, allow_null=True)
    end_reason = serializers.ChoiceField(choices=[str(reason) for reason in EndReason], required=False)
    end_note = Text(required=False)

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Return the facts as a correction states them, the ports as text."""
        given: dict[str, Any] = super().to_internal_value(data)
        if "sensor_order" in given:
            given["sensor_order"] = " ".join(str(port) for port in given["sensor_order"])
        return given


class CorrectIn(In):
    """An assignment was recorded wrongly; what is left out stays."""

    reason = Text(help_text="why history is put right")
    valid_from = MomentField(required=False)
    valid_to = MomentField(required=False, allow_null=True, help_text="null: it still runs")
    facts = FactsIn(required=False)


class WithdrawIn(In):
    """A period never was."""

    reason = Text(help_text="why history is put right")


# --- what is shown ---------------------------------------------------------------------------------


class AssignmentOut(serializers.Serializer):  # type: ignore[type-arg]
    """An assignment."""

    id = serializers.UUIDField(source="place.period")
    device = serializers.UUIDField(source="device.pk")
    serial = serializers.CharField(source="device.serial")
    device_model = serializers.CharField(source="device.model.name")
    cabinet = serializers.UUIDField(source="place.cabinet_id")
    asset_tag = serializers.CharField(source="place.cabinet.asset_tag")
    location = serializers.SerializerMethodField()
    location_name = serializers.SerializerMethodField()
    valid_from = MomentField(source="place.valid_from")
    valid_to = MomentField(source="place.valid_to", allow_null=True)
    starts_known_by = serializers.BooleanField(source="place.starts_known_by")
    slot = serializers.IntegerField(source="place.slot")
    slot_reason = serializers.CharField(source="place.slot_reason")
    sensor_order = serializers.SerializerMethodField()
    rail_below_ceiling_mm = serializers.IntegerField(source="place.rail_below_ceiling_mm", allow_null=True)
    offset_from_front_mm = serializers.IntegerField(source="place.offset_from_front_mm", allow_null=True)
    end_reason = serializers.CharField(source="place.end_reason", help_text="blank while it runs")
    end_note = serializers.CharField(source="place.end_note")

    def get_location(self, at: DeviceAt) -> UUID | None:
        """The key of the store in which the cabinet stood."""
        return at.stay.location_id if at.stay else None

    def get_location_name(self, at: DeviceAt) -> str:
        """What people call that store."""
        return at.stay.location.label if at.stay and at.stay.location else ""

    def get_sensor_order(self, at: DeviceAt) -> list[int]:
        """The ports from left to right."""
        return [int(port) for port in at.place.sensor_order.split()]


class AssignmentFilter(RegisterFilter):
    """Filters of assignments."""

    cabinet = UUIDFilter(field_name="cabinet_id", label="of this cabinet")
    device = UUIDFilter(field_name="device_id", label="of this device")
    location = UUIDFilter(method="of_location", label="of cabinets that stood at this location then")
    device_model = UUIDFilter(field_name="device__model_id", label="of devices of this model")
    ended = TruthFilter(method="that_ended", label="true: those only that have ended, with `when=any`")
    end_reason = ChoiceFilter(
        choices=[(str(reason), str(reason)) for reason in EndReason], label="that ended for this reason"
    )

    def of_location(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those of cabinets that stood there at the moment of the question."""
        stays = stays_in(self.moment, self.scope).filter(location=value)
        return rows.filter(cabinet__in=stays.values("cabinet"))

    def that_ended(self, rows: "QuerySet[Any]", name: str, value: bool) -> "QuerySet[Any]":
        """Keep those that have ended, or those that run."""
        return rows.filter(valid_to__isnull=not value)


# --- addresses -------------------------------------------------------------------------------------


class AssignmentShown(RegisterView):
    """How one assignment is shown."""

    noun, place = "assignment", "assignments"
    out = AssignmentOut
    dated = True

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return an assignment, whenever it ran; raises RuleBroken NOT_FOUND."""
        return self.out(assignment_at(key, moment, self.scope)).data


class AssignmentsView(AssignmentShown, ListView):
    """Assignments that ran at the moment asked for."""

    filters = AssignmentFilter
    searches = ("device__serial", "cabinet__asset_tag")
    orderings = ("-valid_from", "period")
    tie = "period"
    parameters = {"when": "`any`: those of any time, not those only that ran then"}

    def rows(self, moment: Moment) -> "QuerySet[DeviceWhereabouts]":
        """Return the assignments of this person's depots."""
        return assignments_in(moment, self.scope, ended_too=self.chosen("when", ("any",)) == "any")

    def known(self, rows: list[Any], moment: Moment) -> Iterable[DeviceAt]:
        """Return them with what they refer to."""
        return assignments_as_known(rows, moment)

    @changes(actions.assign_device, AssignIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Assign a device to a cabinet."""
        return self.change(made=lambda place: place.period, **given)


class AssignmentView(AssignmentShown, ThingView):
    """One assignment."""


class AssignmentEndView(AssignmentShown):
    """The end of an assignment."""

    @changes(actions.end_assignment, EndIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """End an assignment: the device comes out."""
        return self.change(key=key, assignment_id=key, **given)


class AssignmentSwapView(AssignmentShown):
    """The swap of a device; the answer is the new assignment."""

    @changes(actions.swap_device, SwapIn, status=HTTPStatus.CREATED)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Swap the device for another; the answer is the new assignment."""
        return self.change(
            key=key,
            made=lambda place: place.period,
            assignment_id=key,
            **given,
        )


class AssignmentCorrectView(AssignmentShown):
    """The correction of an assignment."""

    @changes(periods.correct_period, CorrectIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct when or how a device hung; neighbours that touch move along."""
        return self.change(key=key, history=HISTORY, period_id=key, **given)


class WithdrawnOut(serializers.Serializer):  # type: ignore[type-arg]
    """A period that was taken out of history."""

    id = serializers.UUIDField()
    withdrawn = serializers.BooleanField()


class AssignmentWithdrawView(AssignmentShown):
    """The withdrawal of an assignment that never was."""

    @changes(periods.withdraw_period, WithdrawIn, out=WithdrawnOut)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Withdraw an assignment that never was."""
        return self.change(
            key=key,
            answer=lambda _: ({"id": str(key), "withdrawn": True}, None),
            history=HISTORY,
            period_id=key,
            **given,
        )
