"""Acceptance checks: what an installation is judged by, those made, and when billing starts."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from registry.models import (
    AcceptanceCheck,
    Account,
    Device,
    DeviceWhereabouts,
    LocationHolding,
    Reading,
)
from registry.queries.assignments import DeviceAt, assignment_at
from registry.queries.moments import Moment
from registry.queries.readings import readings_of_serial
from registry.queries.records import as_known
from registry.rules.acceptance import (
    TAPE_TOLERANCE_MM,
    BillingDay,
    Evidence,
    Facts,
    Heard,
    Judgement,
    billing_start,
    judge,
)
from registry.rules.accounts import BillingStart
from registry.rules.devices import Compensation, Principle
from registry.rules.errors import absent
from registry.rules.roles import Scope
from registry.rules.whereabouts import DevicePlace

REPORTS_MAX = 24  # newest reports that are judged: what is frozen stays some thousand characters
BUFFERED_OVER = timedelta(days=7)  # how old a report may be that comes late, to be told of
STRANGERS_MAX = 3  # serials that are named as the possible right one


# --- what an installation is judged by -----------------------------------------------------------------


def evidence_of(at: DeviceAt, now: datetime, tape_mm: Iterable[int | None] | None = None) -> Evidence:
    """Return what an assignment is judged by at `now`: its facts, its reports since, and the tape."""
    place, model = at.place, at.device.model
    if place.cabinet is None:
        raise RuntimeError("an assignment without a cabinet")
    reports = _heard(readings_of_serial(at.device.serial, place.valid_from, place.valid_to, REPORTS_MAX))
    facts = Facts(
        serial=at.device.serial,
        since=place.valid_from,
        sensor_order=tuple(int(port) for port in place.sensor_order.split()),
        principle=Principle(model.principle),
        compensates=Compensation(model.compensates),
        blind_zone_mm=model.blind_zone_mm,
        range_mm=model.range_mm,
        report_interval_min=model.report_interval_min,
        interior_height_mm=place.cabinet.model.interior_height_mm,
        rail_below_ceiling_mm=place.rail_below_ceiling_mm,
    )
    return Evidence(
        facts,
        now,
        reports,
        None if tape_mm is None else tuple(tape_mm),
        () if reports else _buffered(at.device.serial, place.valid_from),
        () if reports else _strangers(at, now),
    )


def _heard(readings: Iterable[Reading]) -> tuple[Heard, ...]:
    return tuple(
        Heard(
            reading.measured_at,
            reading.received_at,
            tuple(reading.distances_mm),
            tuple(reading.temperatures_c),
            reading.supply_mv,
            reading.signal_dbm,
            reading.firmware,
        )
        for reading in readings
    )


def _buffered(serial: str, since: datetime) -> tuple[Heard, ...]:
    """Return what came since a time and was measured shortly before it."""
    before = readings_of_serial(serial, since - BUFFERED_OVER, since)
    return _heard(reading for reading in before if reading.received_at >= since)[-REPORTS_MAX:]


def _strangers(at: DeviceAt, now: datetime) -> tuple[str, ...]:
    """Return serials of the store's depot that hang nowhere and have begun to report since."""
    if at.stay is None:
        return ()
    idle = DeviceWhereabouts.objects.current().valid_at(now).filter(depot=at.stay.answering_depot_id())
    serials = Device.objects.filter(pk__in=idle.exclude(place=DevicePlace.CABINET).values("device"))
    since = at.place.valid_from
    told = Reading.objects.filter(serial__in=serials.values("serial"))
    began = told.filter(measured_at__gte=since).exclude(
        serial__in=told.filter(measured_at__gte=since - BUFFERED_OVER, measured_at__lt=since).values("serial")
    )
    return tuple(began.order_by("serial").values_list("serial", flat=True).distinct()[:STRANGERS_MAX])


# --- the first reports, as they arrive -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Zone:
    """The part of a cabinet below one sensor, from the left: the middle of its newest distances, in mm."""

    sensor: int
    port: int
    distance_mm: int | None
    reports: int


@dataclass(frozen=True, slots=True)
class FirstReadings:
    """What came of an installation so far, and what is found in it; nothing of it is kept."""

    at: DeviceAt
    evidence: Evidence
    judgement: Judgement

    @property
    def zones(self) -> list[Zone]:
        """The parts of the cabinet, from the left."""
        return zones_of(self.evidence)

    @property
    def height_mm(self) -> int:
        """How far below the rail the cabinet's floor is, or how far the device measures."""
        facts = self.evidence.facts
        if facts.interior_height_mm is None:
            return facts.range_mm
        return facts.interior_height_mm - (facts.rail_below_ceiling_mm or 0)


def zones_of(evidence: Evidence) -> list[Zone]:
    """Return the parts of a cabinet, from the left, with what their sensors say."""
    found = []
    for sensor in evidence.sensors:
        distance = evidence.distance(sensor)
        shown = None if distance is None else round(distance)
        found.append(Zone(sensor, evidence.port(sensor), shown, len(evidence.distances(sensor))))
    return found


def first_readings(assignment_id: UUID, moment: Moment, scope: Scope, now: datetime) -> FirstReadings:
    """Return what came of an assignment so far; raises RuleBroken NOT_FOUND."""
    at = assignment_at(assignment_id, moment, scope)
    evidence = evidence_of(at, now)
    return FirstReadings(at, evidence, judge(evidence))


# --- checks that were made -----------------------------------------------------------------------------


def checks_in(scope: Scope) -> "QuerySet[AcceptanceCheck]":
    """Return the checks of stores for which the scope's depots answer, in no order."""
    found = AcceptanceCheck.objects.select_related(
        "device", "cabinet", "location", "checked_by", "signed_off_by"
    )
    return found if scope.everywhere else found.filter(location__depot__in=scope.depots)


def check_now(check_id: UUID, scope: Scope) -> AcceptanceCheck:
    """Return one check; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    found = checks_in(scope).filter(pk=check_id).first()
    if found is None:
        raise absent("acceptance", "acceptance check")
    return found


def checks_of(assignment_id: UUID) -> "QuerySet[AcceptanceCheck]":
    """Return the checks of one assignment, the newest first."""
    return AcceptanceCheck.objects.filter(assignment=assignment_id).order_by("-registered_id")


def newest_check(assignment_id: UUID) -> AcceptanceCheck | None:
    """Return the newest check of an assignment, if there is one."""
    return checks_of(assignment_id).first()


@dataclass(frozen=True, slots=True)
class Judged:
    """What a check froze, read again: findings, reports, and what they were judged by."""

    findings: list[dict[str, Any]]
    reports: list[dict[str, Any]]
    judged_by: dict[str, Any]

    @property
    def advice(self) -> list[str]:
        """What was worth doing although nothing was found."""
        return list(self.judged_by["advice"])

    @property
    def zones(self) -> list[dict[str, Any]]:
        """The parts of the cabinet, from the left, with what their sensors said."""
        return list(self.judged_by["zones"])


def judged_in(check: AcceptanceCheck) -> Judged:
    """Return what a check froze."""
    return Judged(json.loads(check.findings), json.loads(check.readings), json.loads(check.judged_by))


def frozen_grounds(evidence: Evidence, judgement: Judgement) -> dict[str, Any]:
    """Return what a check keeps beside its reports and findings, as plain values."""
    return {
        "facts": evidence.facts.plain(),
        "buffered": [report.plain() for report in evidence.buffered],
        "strangers": list(evidence.strangers),
        "advice": list(judgement.advice),
        "tape_tolerance_mm": TAPE_TOLERANCE_MM,
        "zones": [
            {
                "sensor": zone.sensor,
                "port": zone.port,
                "distance_mm": zone.distance_mm,
                "reports": zone.reports,
            }
            for zone in zones_of(evidence)
        ],
    }


# --- billing -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BillingOf:
    """From which day an assignment is billed, and on which account and check that rests."""

    at: DeviceAt
    account: Account | None
    check: AcceptanceCheck | None
    day: BillingDay | None


def billing_of(assignment_id: UUID, moment: Moment, scope: Scope) -> BillingOf:
    """Return from which day an assignment is billed, as of V as known at R.

    By the rule of the account that held the store then; None where none did. The check is the first that was
    signed off by then. Raises RuleBroken NOT_FOUND.
    """
    at = assignment_at(assignment_id, moment, scope)
    account = _account_at(at, moment)
    check = _first_signed(at.place, moment)
    if account is None or at.stay is None or at.stay.location is None:
        return BillingOf(at, account, check, None)
    day = billing_start(
        BillingStart(account.billing_start),
        assigned_at=at.place.valid_from,
        starts_known_by=at.place.starts_known_by,
        signed_off_at=check.signed_off_at if check else None,
        time_zone=at.stay.location.time_zone,
    )
    return BillingOf(at, account, check, day)


def _account_at(at: DeviceAt, moment: Moment) -> Account | None:
    if at.stay is None or at.stay.location_id is None:
        return None
    held = LocationHolding.objects.believed_at(moment.index).filter(location=at.stay.location_id)
    holding = held.valid_at(moment.valid_at).select_related("account").first()
    if holding is None:
        return None
    known: list[Account] = list(as_known([holding.account], moment.index))
    return known[0]


def _first_signed(place: DeviceWhereabouts, moment: Moment) -> AcceptanceCheck | None:
    """Return the first sign-off of an assignment; after it nothing of a check changes, so its last entry
    tells when that was known."""
    signed = Q(signed_off_at__isnull=False, signed_off_at__lte=moment.valid_at, revised__lte=moment.index)
    here = Q(device=place.device_id, cabinet=place.cabinet_id)
    found = AcceptanceCheck.objects.filter(signed, here, assignment=place.period).select_related("location")
    return found.order_by("signed_off_at", "registered_id").first()
