"""An installation is checked by its reports and the tape, signed off by name, and frozen."""

import hashlib
import json
from datetime import timedelta

import pytest

from registry.actions import acceptance, accounts, assignments, cabinets, periods, visits
from registry.models import AcceptanceCheck, DeviceWhereabouts, Entry
from registry.models.base import new_key
from registry.queries.acceptance import billing_of, evidence_of, first_readings, judged_in
from registry.queries.assignments import assignment_at
from registry.queries.moments import Moment, present, settle
from registry.rules.acceptance import judge
from registry.rules.cabinets import DevicesGo
from registry.rules.canonical import parse_canonical
from registry.rules.roles import Scope
from registry.rules.simulation import Fault
from registry.rules.whereabouts import EndReason
from tests.actions.unchanged import refused
from tests.factories import visiting
from tests.factories.evidence import photographed
from tests.factories.playing import BELOW, MINUTE, checked, hung, mark_compensation, passed, report
from tests.factories.world import DAY, World

FOUND = {
    Fault.NONE: ("pass", set()),
    Fault.MISSING_SENSOR: ("fail", {"sensor_missing"}),
    Fault.SWAPPED: ("fail", {"order_swapped"}),
    Fault.STUCK: ("fail", {"sensor_stuck"}),
    Fault.UNCOMPENSATED: ("pass_with_note", {"uncompensated"}),
    Fault.SILENT: ("fail", {"report_missing"}),
    Fault.LATE: ("fail", {"report_late"}),
}


def codes(check: AcceptanceCheck) -> set[str]:
    return {finding["code"] for finding in judged_in(check).findings}


def signed(world: World, check: AcceptanceCheck, note: str = "") -> AcceptanceCheck:
    return acceptance.sign_off(world.installer, check_id=check.pk, note=note)


@pytest.mark.parametrize("fault", Fault)
def test_a_device_that_is_played_is_judged_by_what_it_reported(world: World, fault: Fault) -> None:
    assignment = hung(world)
    if fault is Fault.LATE:  # an hour's device is late after two
        report(world, assignment.device.serial, interval_min=10, reports=4)
        world.clock.at += 3 * timedelta(hours=1)
    else:
        report(world, assignment.device.serial, fault)

    check = checked(world, assignment)

    assert (check.result, codes(check)) == FOUND[fault]


def test_what_was_judged_is_frozen_with_its_digest_and_judges_the_same_again(world: World) -> None:
    assignment = hung(world)
    report(world, assignment.device.serial, Fault.SWAPPED)
    grounds = evidence_of(assignment_at(assignment.period, present(), Scope.of_all()), world.clock.at, BELOW)
    check = checked(world, assignment)
    world.clock.at += MINUTE
    report(world, assignment.device.serial, seed=6, reports=1)  # afterwards

    kept = AcceptanceCheck.objects.get(pk=check.pk)
    frozen = judged_in(kept)
    assert hashlib.sha256(kept.readings.encode()).hexdigest() == kept.readings_sha256
    assert frozen.reports == [heard.plain() for heard in grounds.reports]
    assert frozen.findings == [finding.plain() for finding in judge(grounds).findings]
    assert frozen.judged_by["facts"] == grounds.facts.plain()
    assert [zone["sensor"] for zone in frozen.zones] == [1, 2, 3]
    for text in (kept.readings, kept.findings, kept.judged_by):
        assert parse_canonical(text.encode()) == json.loads(text)


def test_a_check_a_photo_and_a_survey_are_told_of_a_visit_that_goes_to_their_cabinet(world: World) -> None:
    check = passed(world)
    assignment = DeviceWhereabouts.objects.current().get(period=check.assignment)
    here = visiting.planned(world, cabinets=[])
    elsewhere = visiting.planned(world, cabinets=[], location_id=world.store().pk)
    off = visiting.planned(world, cabinets=[])
    visits.cancel_visit(world.office, visit_id=off.pk, reason="Too wet")
    of_cabinet = {"cabinet_id": assignment.cabinet_id, "taken_at": world.clock.at}
    for tell in (
        lambda key: checked(world, assignment, visit_id=key),
        lambda key: photographed(world, **of_cabinet, visit_id=key),
        lambda key: visiting.surveyed(world, assignment.cabinet, visit_id=key),
    ):
        for visit_id, code in (
            (new_key(), "not_found"),
            (elsewhere.pk, "cabinet_not_available"),
            (off.pk, "visit_state"),
        ):
            with refused(code, "visit"):
                tell(visit_id)
        assert tell(here.pk).visit_id == here.pk


def test_a_report_from_before_the_installation_is_not_counted_but_told(world: World) -> None:
    device = world.device()
    report(world, device.serial)
    world.clock.at += 2 * MINUTE
    assignment = assignments.assign_device(
        world.office, device_id=device.pk, cabinet_id=world.cabinet().pk, valid_from=world.clock.at
    )
    world.clock.at += 2 * MINUTE

    assert codes(checked(world, assignment)) == {"report_missing"}
    report(world, device.serial, seed=9, reports=2)  # 11 minutes and 1 minute ago
    assert codes(checked(world, assignment)) == set()


def test_what_was_kept_and_comes_only_now_is_late(world: World) -> None:
    assignment = assignments.assign_device(
        world.office,
        device_id=world.device().pk,
        cabinet_id=world.cabinet().pk,
        valid_from=world.clock.at - 5 * MINUTE,
    )
    report(world, assignment.device.serial, Fault.LATE, reports=2)

    assert codes(checked(world, assignment)) == {"report_late"}


def test_the_device_of_the_same_depot_that_reports_instead_is_named(world: World) -> None:
    assignment, other, elsewhere = hung(world), world.device(), world.device(depot=world.fellgate)
    report(world, other.serial)
    report(world, elsewhere.serial)

    check = checked(world, assignment)

    assert codes(check) == {"report_missing", "wrong_device"}
    assert judged_in(check).judged_by["strangers"] == [other.serial]


def test_reports_belong_to_the_sensor_order_of_the_assignment(world: World) -> None:
    assignment = hung(world, sensor_order=(3, 1, 2))
    report(world, assignment.device.serial, ports=(3, 1, 2))

    assert codes(checked(world, assignment)) == set()


def test_a_device_of_a_marked_model_that_does_not_compensate_passes(world: World) -> None:
    mark_compensation(world, world.plumb_3, "no")
    assignment = hung(world)
    report(world, assignment.device.serial, Fault.UNCOMPENSATED)

    assert checked(world, assignment).result == "pass"


def test_a_fail_is_not_signed_off_and_after_the_repair_a_new_check_is(world: World) -> None:
    assignment = hung(world)
    report(world, assignment.device.serial, Fault.SWAPPED, reports=4)
    failed = checked(world, assignment)
    with refused("check_failed", "check"):
        signed(world, failed)

    world.clock.at += 60 * MINUTE
    report(world, assignment.device.serial, reports=5)
    after = checked(world, assignment, note="Plugged in again as recorded.")
    signed(world, after, "Store told.")

    kept = AcceptanceCheck.objects.get(pk=after.pk)
    assert (kept.result, kept.sign_off_note) == ("pass", "Store told.")
    assert kept.signed_off_at is not None
    assert kept.signed_off_at - world.clock.at < timedelta(seconds=1)
    assert kept.signed_off_by_id == world.installer.staff_id
    assert AcceptanceCheck.objects.get(pk=failed.pk).signed_off_at is None


def test_only_the_newest_check_is_signed_off_and_only_once(world: World) -> None:
    first = passed(world)
    newest = acceptance.check_installation(world.installer, assignment_id=first.assignment, tape_mm=BELOW)
    with refused("check_outdated", "check") as caught:
        signed(world, first)
    assert caught.value.details["newest"] == str(newest.pk)

    signed(world, newest)
    with refused("nothing_changes", "check"):
        signed(world, newest)


def test_a_check_of_what_does_not_hang_there_any_more_is_not_signed_off(world: World) -> None:
    ended, moved, corrected, whole = passed(world), passed(world), passed(world), passed(world)
    assignments.end_assignment(
        world.office,
        assignment_id=ended.assignment,
        valid_to=world.clock.at,
        end_reason=EndReason.FAULT,
        depot_id=world.tarnmouth.pk,
    )
    cabinets.move_cabinet(
        world.office,
        cabinet_id=moved.cabinet_id,
        location_id=world.store().pk,
        valid_from=world.clock.at,
        devices=DevicesGo.FOLLOW,
    )
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=corrected.assignment,
        facts={"cabinet_id": world.cabinet().pk},
        reason="The tag was misread.",
    )

    for check in (ended, moved, corrected):
        with refused("check_outdated", "check"):
            signed(world, check)
    signed(world, whole)


def test_what_has_ended_stands_in_no_store_or_is_another_depots_is_not_checked(world: World) -> None:
    ended, sight = hung(world), hung(world)
    assignments.end_assignment(
        world.office,
        assignment_id=ended.period,
        valid_to=world.clock.at,
        end_reason=EndReason.FAULT,
        depot_id=world.tarnmouth.pk,
    )
    with refused("device_not_assigned", "assignment"):
        checked(world, ended)
    with refused("not_found", "assignment"):
        checked(world, sight, world.stranger)
    with refused("value_invalid", "tape_mm"):
        checked(world, sight, tape_mm=[900])
    checked(world, sight)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=sight.cabinet_id,
        depot_id=world.tarnmouth.pk,
        valid_from=world.clock.at,
        devices=DevicesGo.FOLLOW,
    )
    with refused("cabinet_not_available", "assignment"):
        checked(world, sight)


def test_a_key_of_the_callers_own_is_taken_once(world: World) -> None:
    key = new_key()
    check = passed(world, check_id=key)

    assert check.pk == key
    with refused("code_taken", "id"):
        acceptance.check_installation(
            world.installer, assignment_id=check.assignment, tape_mm=BELOW, check_id=key
        )


def test_an_entry_tells_of_check_and_sign_off_in_plain_words(world: World) -> None:
    signed(world, passed(world), "All well.")

    told = list(Entry.objects.order_by("-index")[:2])
    assert [entry.verb for entry in told] == ["acceptance.signed_off", "acceptance.checked"]
    parts = [s.part for s in told[0].subjects.order_by("position")]
    assert parts == ["acceptance", "device", "cabinet", "location"]
    assert told[0].subjects.get(part="acceptance").label.endswith("UTC, passed")


# --- looking before, and billing ------------------------------------------------------------------------


def test_the_first_reports_are_looked_at_as_they_come_and_nothing_is_kept(world: World) -> None:
    assignment = hung(world)
    before = first_readings(assignment.period, present(), Scope.of_all(), world.clock.at)
    said = report(world, assignment.device.serial, reports=1)
    after = first_readings(assignment.period, present(), Scope.of_all(), world.clock.at)

    assert [f.code for f in before.judgement.findings] == ["report_missing"]
    assert [zone.distance_mm for zone in before.zones] == [None, None, None]
    assert [zone.distance_mm for zone in after.zones] == list(said[0])
    assert any("1 of 3 reports" in advice for advice in after.judgement.advice)
    assert AcceptanceCheck.objects.count() == 0


def billed(assignment: DeviceWhereabouts | AcceptanceCheck, moment: Moment) -> str | None:
    key = assignment.assignment if isinstance(assignment, AcceptanceCheck) else assignment.period
    day = billing_of(key, moment, Scope.of_all()).day
    return day.on.isoformat() if day and day.on else None


def test_billing_starts_with_the_first_sign_off_as_it_was_known(world: World) -> None:
    check = passed(world)
    before = present()
    signed(world, check)
    first = present()
    world.clock.at += 3 * DAY
    report(world, check.device.serial, reports=3, seed=8)
    signed(world, checked(world, DeviceWhereabouts.objects.current().get(period=check.assignment)))

    day = first.valid_at.date().isoformat()
    assert billed(check, before) is None
    assert billed(check, first) == billed(check, present()) == day
    assert billed(check, settle(first.valid_at - DAY)) is None  # of that day nothing was signed yet
    assert billed(check, settle(world.clock.at, before.index)) is None


def test_billing_follows_the_rule_of_the_account_and_a_sign_off_of_another_cabinet_bills_nothing(
    world: World,
) -> None:
    check = passed(world)
    signed(world, check)
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=check.assignment,
        facts={"cabinet_id": world.cabinet().pk},
        reason="The tag was misread.",
    )
    assert billed(check, present()) is None

    accounts.correct_account(
        world.office, account_id=world.account.pk, particulars={"billing_start": "assignment"}
    )
    assert billed(check, present()) == (world.clock.at - 120 * MINUTE).date().isoformat()
