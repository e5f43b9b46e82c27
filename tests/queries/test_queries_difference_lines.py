"""Differences in words, as an auditor reads them."""

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from registry.actions import accounts, assignments, cabinets, locations, periods
from registry.models import DeviceWhereabouts
from registry.queries._reach import reach_of_fleet
from registry.queries.changes import show_time
from registry.queries.difference_lines import DifferenceLine, difference_lines
from registry.queries.differences import differences, settle_between
from registry.queries.moments import head_index
from registry.rules.roles import Scope
from registry.rules.splits import Share
from tests.factories.world import DAY, HOUR, World

NEW_YORK = ZoneInfo("America/New_York")


def lines(first: int, last: int | None = None) -> list[DifferenceLine]:
    found = differences(settle_between(first, last), reach_of_fleet(Scope.of_all()))
    return difference_lines(found.found, found.between, NEW_YORK)


def words(first: int, last: int | None = None) -> list[tuple[str, str, str]]:
    return [(line.what, line.was, line.now) for line in lines(first, last)]


def local(moment: Any) -> str:
    return show_time(moment, NEW_YORK)


@pytest.fixture
def hung(world: World) -> DeviceWhereabouts:
    """A device that hung in a cabinet for a week, as the office said."""
    assignment = world.assigned(world.device(), world.cabinet(split=True))
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=world.start + 9 * DAY,
        end_reason="fault",
        end_note="Port 2 is deaf",
        depot_id=world.tarnmouth.pk,
    )
    return assignment


def test_a_moved_end_is_told_with_both_ends_the_store_and_the_entry_that_did_it(
    world: World, hung: DeviceWhereabouts
) -> None:
    before = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        reason="The work sheet says the third",
        valid_to=world.start + 3 * DAY,
    )

    line = next(line for line in lines(before) if line.difference.period == hung.period)

    serial, tag = hung.device.serial, hung.cabinet.asset_tag
    assert line.what == f"place of device {serial}: cabinet {tag}"
    assert line.was == f"until {local(world.start + 9 * DAY)} (fault: Port 2 is deaf)"
    assert line.now == f"until {local(world.start + 3 * DAY)} (fault: Port 2 is deaf)"
    assert line.location == world.location
    [entry] = line.entries
    assert (entry.index, entry.who, entry.verb) == (before + 1, "Office", "period.corrected")
    assert entry.reason == "The work sheet says the third"


def test_what_ended_ran_until_then_and_what_began_was_nothing(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    assignment = world.assigned(device, cabinet)
    before, at = head_index(), world.start + 5 * DAY
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=at,
        end_reason="moved",
        staff_id=world.installer.staff_id,
    )

    assert sorted(words(before)) == [
        (
            f"place of device {device.serial}",
            "nothing",
            f"van TM Tarnmouth, Installer, from {local(at)} on",
        ),
        (
            f"place of device {device.serial}: cabinet {cabinet.asset_tag}",
            "runs on",
            f"until {local(at)} (moved)",
        ),
    ]


def test_what_was_withdrawn_is_nothing_now(world: World, hung: DeviceWhereabouts) -> None:
    cabinet, before = hung.cabinet, head_index()
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=world.store().pk,
        valid_from=world.start + 20 * DAY,
    )
    moved = head_index()
    periods.withdraw_period(
        world.office,
        history="cabinetwhereabouts",
        period_id=cabinet.whereabouts.get(superseded=None, valid_to=None).period,
        reason="it never left",
    )
    since = local(world.start + 20 * DAY)
    store = world.location.label.replace("0042", "N-0002")

    assert [line.location for line in lines(moved)] == [None, None]  # their words say where
    assert words(moved) == [
        (f"place of cabinet {cabinet}: location {world.location}", f"until {since}", "runs on"),
        (f"place of cabinet {cabinet}", f"location {store}, from {since} on", "nothing"),
    ]
    assert [line for line in words(before) if "cabinet" in line[0]] == []


def test_a_split_is_told_by_its_shares_and_a_fact_by_its_column(
    world: World, hung: DeviceWhereabouts
) -> None:
    split = hung.cabinet.splits.get()
    before = head_index()
    periods.correct_period(
        world.office,
        history="split",
        period_id=split.period,
        reason="the front says so",
        facts={"shares": [Share(world.eight_lb.pk, 10_000)]},
    )
    since = local(split.valid_from)

    [line] = lines(before)

    assert (line.what, line.was, line.now) == (
        f"split of cabinet {hung.cabinet}",
        f"8 lb bag 60 %, 18 lb bag 40 %, from {since} on",
        f"8 lb bag 100 %, from {since} on",
    )
    assert line.location == world.location


def test_of_a_period_known_by_the_same_facts_only_what_differs_is_told(
    world: World, hung: DeviceWhereabouts
) -> None:
    before = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        reason="measured again",
        valid_from=hung.valid_from + HOUR,
        facts={"rail_below_ceiling_mm": 120, "end_note": "Port 3 is deaf"},
    )
    other = world.cabinet()
    measured = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        reason="it was the one beside it",
        facts={"cabinet_id": other.pk},
    )
    start = local(hung.valid_from)

    told = [line for line in lines(before, measured) if line.difference.period == hung.period]
    [line] = told
    assert line.what == f"place of device {hung.device.serial}: cabinet {hung.cabinet}"
    assert line.was == f"rail below ceiling mm not said, end note Port 2 is deaf, from {start}"
    assert line.now.startswith("rail below ceiling mm 120, end note Port 3 is deaf, from ")
    [moved] = lines(measured)
    assert moved.what == f"place of device {hung.device.serial}"
    assert moved.was.startswith(f"cabinet {hung.cabinet}, slot 1,")
    assert moved.now.startswith(f"cabinet {other}, slot 1,")


def test_a_start_known_by_is_told_so(world: World) -> None:
    device = world.device()
    assignment = world.assigned(device, world.cabinet())
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        reason="nobody saw it hung",
        starts_known_by=True,
    )
    before = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        reason="the work sheet was found",
        valid_from=assignment.valid_from - HOUR,
    )

    line = next(line for line in lines(before) if line.difference.period == assignment.period)

    assert (line.was, line.now) == (
        f"known by {local(assignment.valid_from)}",
        f"from {local(assignment.valid_from - HOUR)}",
    )


def test_particulars_tell_the_columns_that_differ_and_new_things_all_of_theirs(world: World) -> None:
    cabinet = world.cabinet()
    before = head_index()
    cabinets.correct_cabinet(
        world.office, cabinet_id=cabinet.pk, particulars={"position": "by the till", "setting": "indoor"}
    )
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})
    device = world.device()

    told = words(before)

    assert ("account LF Lantern Gas", "name Lantern Fuel", "name Lantern Gas") in told
    assert (
        f"cabinet {cabinet.asset_tag}",
        "setting unknown, position not said",
        "setting indoor, position by the till",
    ) in told
    [new] = [now for what, was, now in told if was == "not in the register"]
    assert f"serial {device.serial}" in new


def test_of_a_contact_nothing_is_told_but_that_it_was_corrected(world: World) -> None:
    contact = locations.register_contact(
        world.office, location_id=world.location.pk, text={"name": "Wren Hollis", "phone": "0100 0456"}
    )
    registered = head_index()
    locations.correct_contact(world.office, contact_id=contact.pk, text={"name": "Wren Hale"})
    corrected = head_index()
    locations.erase_contact(world.office, contact_id=contact.pk, reason="asked for it")
    what = f"{contact.label} of {world.location.label}"

    assert words(registered - 1, registered) == [(what, "not in the register", "held")]
    assert words(registered, corrected) == [(what, "held", "corrected")]
    assert words(corrected) == [(what, "held", "erased")]
    assert words(registered - 1) == [(what, "not in the register", "erased")]


def test_who_did_it_is_told_by_name(world: World) -> None:
    before = head_index()
    world.device()

    assert {entry.who for line in lines(before) for entry in line.entries} == {"Office"}
    assert lines(0, 1) == []  # who was let in is nothing of the fleet


def test_times_are_told_in_the_zone_that_is_asked_for(world: World) -> None:
    before = head_index()
    world.device()

    assert any("EST" in line.now for line in lines(before))


@pytest.mark.parametrize("rows", [3, 30])
def test_as_many_queries_for_many_lines_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    before = head_index()
    for _ in range(rows):
        world.assigned(world.device(), world.cabinet(split=True))
    found = differences(settle_between(before), reach_of_fleet(Scope.of_all()))

    # shares; products; what is referred to, by kind: cabinets' and devices' models, locations, depots; stays
    # by either belief; stores; entries; people
    with django_assert_num_queries(11):
        assert len(difference_lines(found.found, found.between)) >= 5 * rows
