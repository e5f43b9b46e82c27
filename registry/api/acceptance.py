"""Acceptance: the first reports of an installation, its checks, their sign-off, and when billing starts."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import acceptance as actions
from registry.api._fields import In, Key, MomentField, Text, WholeNumber
from registry.api._filters import TruthFilter
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.ledger import clock
from registry.models import AcceptanceCheck
from registry.queries.acceptance import (
    BillingOf,
    billing_of,
    check_now,
    checks_in,
    first_readings,
    judged_in,
)
from registry.queries.assignments import assignment_at
from registry.queries.moments import Moment, present
from registry.rules.acceptance import Code, Result, Severity
from registry.rules.cabinets import SENSORS_MAX
from registry.rules.errors import RuleBroken

_RESULTS = [str(result) for result in Result]


# --- what is read ----------------------------------------------------------------------------------


class CheckIn(In):
    """What the tape said."""

    id = Key(required=False, source="check_id", help_text="your own fresh key for the check")
    tape_mm = serializers.ListField(
        child=WholeNumber(allow_null=True),
        max_length=SENSORS_MAX,
        help_text="from each sensor's face straight down, left to right; null where nobody measured",
    )
    note = Text(required=False, help_text="enters the ledger for good, so nothing personal")
    visit = Key(required=False, source="visit_id", help_text="the visit during which it was made")


class SignOffIn(In):
    """Words to a sign-off."""

    note = Text(required=False, help_text="enters the ledger for good, so nothing personal")


# --- what is shown ---------------------------------------------------------------------------------


class AcceptanceFindingOut(serializers.Serializer):  # type: ignore[type-arg]
    """What was found, and what to do next."""

    code = serializers.ChoiceField(
        choices=[str(code) for code in Code], help_text="stable: words may change, codes never"
    )
    sensor = serializers.IntegerField(allow_null=True, help_text="from the left, 1 first; null: the whole")
    severity = serializers.ChoiceField(
        choices=[str(severity) for severity in Severity], help_text="fail: do not leave yet"
    )
    words = serializers.CharField()
    next_step = serializers.CharField()
    figures = serializers.DictField(help_text="the numbers behind the words")


class AcceptanceZoneOut(serializers.Serializer):  # type: ignore[type-arg]
    """The part of the cabinet below one sensor."""

    sensor = serializers.IntegerField(help_text="from the left, 1 first")
    port = serializers.IntegerField(help_text="at which it is recorded to be plugged in")
    distance_mm = serializers.IntegerField(allow_null=True, help_text="median of the newest; null: none")
    reports = serializers.IntegerField(help_text="in which it was heard, of the newest five")


class FirstReportOut(serializers.Serializer):  # type: ignore[type-arg]
    """One report, as it came."""

    measured_at = MomentField()
    received_at = MomentField()
    distances_mm = serializers.ListField(
        child=serializers.IntegerField(allow_null=True), help_text="by port, port 1 first"
    )
    temperatures_c = serializers.ListField(child=serializers.CharField(allow_null=True))
    supply_mv = serializers.IntegerField(allow_null=True)
    signal_dbm = serializers.IntegerField(allow_null=True)
    firmware = serializers.CharField(allow_blank=True)


class FirstReadingsOut(serializers.Serializer):  # type: ignore[type-arg]
    """What came of an installation so far; nothing of it is kept."""

    assignment = serializers.UUIDField(source="at.place.period")
    serial = serializers.CharField(source="at.device.serial")
    since = MomentField(source="evidence.facts.since", help_text="when the device was hung")
    now = MomentField(source="evidence.now")
    report_interval_min = serializers.IntegerField(source="evidence.facts.report_interval_min")
    blind_zone_mm = serializers.IntegerField(source="evidence.facts.blind_zone_mm")
    height_mm = serializers.IntegerField(help_text="from the rail to the floor, or as far as it measures")
    air_c = serializers.SerializerMethodField()
    zones = AcceptanceZoneOut(many=True, help_text="from left to right")
    reports = FirstReportOut(many=True, source="evidence.reports", help_text="the newest last")
    findings = AcceptanceFindingOut(many=True, source="judgement.findings")
    result = serializers.ChoiceField(choices=_RESULTS, source="judgement.result")
    advice = serializers.ListField(
        child=serializers.CharField(), source="judgement.advice", help_text="what to wait for or do"
    )

    def get_air_c(self, shown: Any) -> str | None:
        """The air at the rail in degrees Celsius, or null where none is known."""
        rail = shown.evidence.rail_c
        return None if rail is None else f"{rail:.1f}"


class AcceptanceOut(serializers.Serializer):  # type: ignore[type-arg]
    """A check of an installation, frozen with what it judged."""

    id = serializers.UUIDField()
    assignment = serializers.UUIDField()
    device = serializers.UUIDField(source="device_id")
    serial = serializers.CharField(source="device.serial")
    cabinet = serializers.UUIDField(source="cabinet_id")
    asset_tag = serializers.CharField(source="cabinet.asset_tag")
    location = serializers.UUIDField(source="location_id")
    location_name = serializers.CharField(source="location.label")
    visit = serializers.UUIDField(source="visit_id", allow_null=True)
    checked_at = MomentField()
    checked_by = serializers.UUIDField(source="checked_by_id")
    checked_by_name = serializers.CharField(source="checked_by.name")
    tape_mm = serializers.ListField(child=serializers.IntegerField(allow_null=True))
    zones = serializers.SerializerMethodField()
    reports = serializers.SerializerMethodField()
    readings_sha256 = serializers.CharField(help_text="of the canonical JSON of the reports")
    findings = serializers.SerializerMethodField()
    advice = serializers.SerializerMethodField()
    result = serializers.ChoiceField(choices=_RESULTS)
    note = serializers.CharField()
    signed_off_at = MomentField(allow_null=True, help_text="null: nobody did yet")
    signed_off_by = serializers.UUIDField(source="signed_off_by_id", allow_null=True)
    signed_off_by_name = serializers.SerializerMethodField()
    sign_off_note = serializers.CharField()

    def get_zones(self, check: AcceptanceCheck) -> list[dict[str, Any]]:
        """The parts of the cabinet from left to right, with the median of what their sensors said."""
        return judged_in(check).zones

    def get_reports(self, check: AcceptanceCheck) -> list[dict[str, Any]]:
        """The reports that were judged, as they came, the newest last."""
        return judged_in(check).reports

    def get_findings(self, check: AcceptanceCheck) -> list[dict[str, Any]]:
        """What was found, what forbids leaving first."""
        return judged_in(check).findings

    def get_advice(self, check: AcceptanceCheck) -> list[str]:
        """What was worth doing although nothing was found."""
        return judged_in(check).advice

    def get_signed_off_by_name(self, check: AcceptanceCheck) -> str | None:
        """Who signed it off."""
        return check.signed_off_by.name if check.signed_off_by else None


class BillingStartOut(serializers.Serializer):  # type: ignore[type-arg]
    """From which day an assignment is billed, derived, never stored."""

    assignment = serializers.UUIDField(source="at.place.period")
    account = serializers.SerializerMethodField()
    rule = serializers.SerializerMethodField()
    on = serializers.SerializerMethodField()
    words = serializers.SerializerMethodField()
    acceptance = serializers.SerializerMethodField()

    def get_account(self, found: BillingOf) -> UUID | None:
        """The account that held the store then."""
        return found.account.pk if found.account else None

    def get_rule(self, found: BillingOf) -> str | None:
        """The account's rule: acceptance, assignment, or manual."""
        return str(found.day.rule) if found.day else None

    def get_on(self, found: BillingOf) -> str | None:
        """The first billable day in the store's calendar, or null."""
        return found.day.on.isoformat() if found.day and found.day.on else None

    def get_words(self, found: BillingOf) -> str:
        """Why that day, or why none."""
        return found.day.words if found.day else "No account held the store then, so nothing is billed."

    def get_acceptance(self, found: BillingOf) -> UUID | None:
        """The first check that was signed off."""
        return found.check.pk if found.check else None


class AcceptanceFilter(RegisterFilter):
    """Filters of checks."""

    assignment = UUIDFilter(label="of this assignment")
    device = UUIDFilter(field_name="device_id", label="of this device")
    cabinet = UUIDFilter(field_name="cabinet_id", label="of this cabinet")
    location = UUIDFilter(field_name="location_id", label="made at this location")
    visit = UUIDFilter(field_name="visit_id", label="made during this visit")
    result = ChoiceFilter(choices=[(word, word) for word in _RESULTS], label="that came to this")
    signed_off = TruthFilter(method="that_were_signed", label="true: signed off; false: not")

    def that_were_signed(self, rows: "QuerySet[Any]", name: str, value: bool) -> "QuerySet[Any]":
        """Keep those that were signed off, or those that were not."""
        return rows.filter(signed_off_at__isnull=not value)


# --- addresses -------------------------------------------------------------------------------------


class FirstReadingsView(ThingView):
    """What came of an installation so far: look here until it says that you may leave."""

    noun, place = "assignment", "assignments"
    out = FirstReadingsOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return the reports and what is found in them; raises RuleBroken NOT_FOUND."""
        return self.out(first_readings(key, moment, self.scope, clock.now())).data


class BillingStartView(ThingView):
    """From which day an assignment is billed, as of a time and as known at one."""

    noun, place = "assignment", "assignments"
    out = BillingStartOut
    dated = True

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return the day, or why there is none; raises RuleBroken NOT_FOUND."""
        return self.out(billing_of(key, moment, self.scope)).data


class AcceptanceShown(RegisterView):
    """How one check is shown."""

    noun, place = "acceptance", "acceptance"
    out = AcceptanceOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a check; raises RuleBroken NOT_FOUND."""
        return self.out(check_now(key, self.scope)).data


class AssignmentAcceptanceView(AcceptanceShown):
    """The check of an assignment."""

    noun = "assignment"

    def require_seen(self, key: Any) -> None:
        """Raise RuleBroken NOT_FOUND for an assignment that is hidden or absent."""
        try:
            assignment_at(key, present(), self.scope)
        except RuleBroken:
            if not self._was_carried_out():
                raise

    @changes(actions.check_installation, CheckIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Check an installation by its reports so far and the tape; each call is a check of its own."""
        return self.change(made=lambda check: check.pk, assignment_id=key, **given)


class AcceptanceChecksView(AcceptanceShown, ListView):
    """Checks of installations, the newest first."""

    filters = AcceptanceFilter
    searches = ("device__serial", "cabinet__asset_tag")
    orderings = ("-checked_at",)

    def rows(self, moment: Moment) -> "QuerySet[AcceptanceCheck]":
        """Return the checks of this person's depots."""
        return checks_in(self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[AcceptanceCheck]:
        """Return them as they stand."""
        return rows


class AcceptanceCheckView(AcceptanceShown, ThingView):
    """One check."""


class AcceptanceSignOffView(AcceptanceShown):
    """The sign-off of a check."""

    @changes(actions.sign_off, SignOffIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Sign a check off by name: the installation is accepted as it was judged."""
        return self.change(key=key, check_id=key, **given)
