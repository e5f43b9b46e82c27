"""What changed between two states of knowledge: net, since when, how far back, and who did it."""

from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import accounts, assignments, cabinets, devices, locations, periods
from registry.models import DeviceWhereabouts, LocationState
from registry.queries import differences as module
from registry.queries._reach import Reach, reach_of_account, reach_of_fleet, reach_of_location
from registry.queries.differences import Differences, differences, settle_between
from registry.queries.moments import head_index
from registry.rules.differences import Turn, Window
from registry.rules.errors import Code, RuleBroken
from registry.rules.roles import Role, Scope
from tests.factories.world import DAY, HOUR, World

ALL = Scope.of_all()
FLEET = reach_of_fleet(ALL)


def between(first: int, last: int | None = None, reach: Reach = FLEET, **window: Any) -> Differences:
    return differences(settle_between(first, last), reach, Window(**window))


def told(found: Differences) -> list[tuple[str, Any, bool | None]]:
    return [(one.table, one.turn and str(one.turn), one.reaches_back) for one in found.found]


def ended(world: World, at: datetime) -> DeviceWhereabouts:
    """Let a device hang from the second day on, and end its assignment at a time."""
    assignment = world.assigned(world.device(), world.cabinet())
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=at,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    return assignment


def correct(world: World, period: DeviceWhereabouts, **bounds: Any) -> None:
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=period.period,
        reason="the work sheet says so",
        **bounds,
    )


def test_a_corrected_end_tells_both_beliefs_since_when_and_by_which_entry(world: World) -> None:
    stated, true = world.start + 9 * DAY, world.start + 3 * DAY
    assignment = ended(world, stated)
    before = head_index()
    correct(world, assignment, valid_to=true)

    found = between(before)

    assert told(found) == [("devicewhereabouts", "moved", True)] * 2  # the assignment, and what came after
    hung = next(one for one in found.found if one.period == assignment.period)
    assert (hung.before.valid_to, hung.after.valid_to) == (stated, true)
    assert (hung.since, hung.spans[-1].end) == (true, stated)
    assert hung.columns == ("valid_to",)
    assert hung.indexes == (before + 1,)
    assert hung.thing == assignment.device_id
    assert found.taken_back == 0


def test_what_happened_since_the_first_moment_does_not_reach_back(world: World) -> None:
    assignment = world.assigned(world.device(), world.cabinet())
    before = head_index()
    world.clock.at += DAY
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=world.clock.at - HOUR,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )

    assert told(between(before)) == [
        ("devicewhereabouts", "ended", False),
        ("devicewhereabouts", "new", False),
    ]


def test_what_reaches_back_is_measured_from_the_time_of_the_first_moment(world: World) -> None:
    assignment = world.assigned(world.device(), world.cabinet())
    world.clock.at += 5 * DAY  # a bill is signed, five days after the last entry
    signed = world.clock.at
    world.clock.at += DAY
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=signed - HOUR,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )

    by_time = differences(settle_between(signed), FLEET)
    by_index = differences(settle_between(by_time.between.first), FLEET)
    pinned = differences(settle_between(by_time.between.first, None, signed), FLEET)

    assert [one.reaches_back for one in by_time.found] == [True, True]
    # The index alone says no more than when its entry was recorded.
    assert [one.reaches_back for one in by_index.found] == [False, False]
    assert pinned.found == by_time.found


def test_what_was_made_and_taken_back_nets_to_nothing_and_is_counted(world: World) -> None:
    end = world.start + 9 * DAY
    assignment = ended(world, end)
    before = head_index()
    correct(world, assignment, valid_to=end - DAY)
    correct(world, assignment, valid_to=end - 2 * DAY)
    correct(world, assignment, valid_to=end)

    found = between(before)

    assert found.found == ()
    assert found.taken_back == 3
    assert between(before, before + 2).taken_back == 0  # of these two, something remains


def test_what_was_withdrawn_and_recorded_again_is_no_difference(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    assignment = world.assigned(device, cabinet)
    before = head_index()
    periods.withdraw_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        reason="was not there",
    )
    assert told(between(before)) == [
        ("devicewhereabouts", "moved", True),  # the depot runs on
        ("devicewhereabouts", "withdrawn", True),
    ]

    again = world.assigned(device, cabinet)

    assert again.period != assignment.period
    found = between(before)
    assert (found.found, found.taken_back) == ((), 2)


def test_particulars_have_no_dates_and_a_new_record_reaches_nowhere(world: World) -> None:
    before = head_index()
    accounts.correct_account(
        world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas", "code": "LF"}
    )
    world.device()

    found = between(before)

    [renamed] = [one for one in found.found if one.table == "account"]
    assert (renamed.turn, renamed.since, renamed.reaches_back) == (None, None, None)
    assert renamed.columns == ("name",)
    assert (renamed.before.name, renamed.after.name) == ("Lantern Fuel", "Lantern Gas")
    [device] = [one for one in found.found if one.table == "device"]
    assert (device.before, device.reaches_back) == (None, False)
    assert [found.counted(kind) for kind in (True, None, False)] == [1, 1, 1]  # it came weeks ago


def test_particulars_corrected_and_corrected_back_net_to_nothing(world: World) -> None:
    before = head_index()
    for name in ("Lantern Gas", "Lantern Fuel"):
        accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": name})

    assert (between(before).found, between(before).taken_back) == ((), 2)
    assert told(between(before, before + 1)) == [("account", None, None)]


def test_a_changed_fact_is_told_with_its_column(world: World) -> None:
    assignment = world.assigned(world.device(), world.cabinet())
    before = head_index()
    correct(world, assignment, facts={"rail_below_ceiling_mm": 120})

    [one] = between(before).found

    assert (one.turn, one.columns) == (Turn.CHANGED, ("rail_below_ceiling_mm",))
    assert one.since == assignment.valid_from


def test_a_changed_split_is_one_difference_with_its_shares(world: World) -> None:
    cabinet = world.cabinet(split=True)
    before = head_index()
    split = cabinet.splits.get()
    periods.correct_period(
        world.office,
        history="split",
        period_id=split.period,
        reason="the front says so",
        valid_from=split.valid_from + HOUR,
    )
    periods.correct_period(
        world.office,
        history="split",
        period_id=split.period,
        reason="it was right",
        valid_from=split.valid_from,
    )

    assert (between(before).found, between(before).taken_back) == ((), 2)
    assert told(between(before, before + 1)) == [("split", "moved", True)]


def test_a_window_shows_what_touches_it(world: World) -> None:
    stated, true = world.start + 9 * DAY, world.start + 3 * DAY
    assignment = ended(world, stated)
    before = head_index()
    correct(world, assignment, valid_to=true)

    def shown(begin: datetime, end: datetime) -> int:
        return len(between(before, begin=begin, end=end).found)

    assert shown(world.start, true) == 0
    assert shown(true, true + HOUR) == 2
    assert shown(stated - HOUR, stated) == 2
    assert shown(stated, stated + DAY) == 0
    correct(world, assignment, valid_to=stated)
    assert between(before, begin=stated, end=None).taken_back == 2
    assert between(before, begin=None, end=world.start).taken_back == 0  # not of that time at all


# --- how far it reaches ------------------------------------------------------------------------------


def test_a_location_tells_what_stood_there_in_either_belief(world: World) -> None:
    elsewhere = world.store()
    cabinet, other = world.cabinet(), world.cabinet(elsewhere)
    device, beside = world.device(), world.device()
    hung = world.assigned(device, cabinet)
    hangs_beside = world.assigned(beside, other)
    contact = locations.register_contact(
        world.office, location_id=world.location.pk, text={"name": "Wren Hollis"}
    )
    before = head_index()
    for assignment in (hung, hangs_beside):
        correct(world, assignment, valid_from=assignment.valid_from + HOUR)
    locations.correct_contact(world.office, contact_id=contact.pk, text={"name": "Wren Hale"})
    devices.correct_device(world.office, device_id=device.pk, firmware="2.1")
    devices.correct_device(world.office, device_id=beside.pk, firmware="2.1")
    stay = cabinet.whereabouts.get(superseded=None)
    periods.correct_period(
        world.office,
        history="cabinetwhereabouts",
        period_id=stay.period,
        reason="it never was there",
        facts={"location_id": elsewhere.pk},
    )

    here = between(before, reach=reach_of_location(world.location.pk, ALL))

    assert {one.thing for one in here.found} == {device.pk, cabinet.pk, contact.pk}
    assert sorted(one.table for one in here.found) == [
        "cabinetwhereabouts",
        "contact",
        "device",
        "devicewhereabouts",
    ]
    there = between(before, reach=reach_of_location(elsewhere.pk, ALL))
    assert {one.thing for one in there.found} == {device.pk, beside.pk, cabinet.pk}


def test_an_account_tells_every_location_that_it_held_in_either_belief(world: World) -> None:
    other = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    kept = world.store(other)
    before = head_index()
    locations.hand_location(
        world.office,
        location_id=world.location.pk,
        account_id=other.pk,
        store_number="7",
        valid_from=world.start + 9 * DAY,
    )
    cabinet, far = world.cabinet(), world.cabinet(kept)

    lost = between(before, reach=reach_of_account(world.account.pk, ALL, before, head_index()))
    won = between(before, reach=reach_of_account(other.pk, ALL, before, head_index()))

    assert {one.thing for one in lost.found} == {world.location.pk, cabinet.pk}
    assert {one.thing for one in won.found} == {world.location.pk, cabinet.pk, far.pk}


def test_a_thing_of_another_depot_does_not_show(world: World) -> None:
    mine = Scope(Role.AUDITOR, frozenset({world.tarnmouth.pk}))
    store = world.store(depot=world.fellgate)
    before = head_index()
    hidden = [world.cabinet(store), world.device(depot=world.fellgate), world.cabinet(world.fellgate)]
    seen = [world.cabinet(), world.device(), world.cabinet(world.tarnmouth)]

    found = between(before, reach=reach_of_fleet(mine))

    assert {one.thing for one in found.found} == {thing.pk for thing in seen}
    assert {thing.pk for thing in hidden} <= {one.thing for one in between(before).found}
    reach = reach_of_account(world.account.pk, mine, before, head_index())
    assert {one.thing for one in between(before, reach=reach).found} == {seen[0].pk}
    with pytest.raises(RuleBroken, match="no such location") as refusal:
        reach_of_location(store.pk, mine)
    assert refusal.value.code is Code.NOT_FOUND


def test_what_left_a_depot_still_shows_there(world: World) -> None:
    mine = Scope(Role.AUDITOR, frozenset({world.tarnmouth.pk}))
    cabinet = world.cabinet()
    before = head_index()
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=world.store(depot=world.fellgate).pk,
        valid_from=world.start + 9 * DAY,
    )

    found = between(before, reach=reach_of_fleet(mine))

    assert told(found) == [("cabinetwhereabouts", "ended", True)]


def test_an_absent_account_is_refused(world: World) -> None:
    with pytest.raises(RuleBroken, match="no such account"):
        reach_of_account(uuid4(), ALL, 0, 1)


# --- the same answer for ever ------------------------------------------------------------------------


def test_the_same_two_entries_give_the_same_answer_after_later_corrections(world: World) -> None:
    assignment = ended(world, world.start + 9 * DAY)
    first = head_index()
    correct(world, assignment, valid_to=world.start + 3 * DAY)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})
    last = head_index()

    def answer() -> Any:
        found = between(first, last)
        rows = [(one.period, one.turn, one.spans, one.columns, one.indexes) for one in found.found]
        names = [(one.before.name, one.after.name) for one in found.found if one.table == "account"]
        return found.between.reaches_back_before, rows, names, found.taken_back

    once = answer()
    world.clock.at += 30 * DAY
    correct(world, assignment, valid_to=world.start + 5 * DAY)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern"})
    periods.correct_period(
        world.office,
        history="locationstate",
        period_id=LocationState.objects.current().get(location=world.location).period,
        reason="since the day before",
        valid_from=world.start - DAY,
    )

    assert answer() == once


def test_two_moments_the_wrong_way_round_are_refused(world: World) -> None:
    head = head_index()
    with pytest.raises(RuleBroken, match="Exchange the two") as refusal:
        settle_between(head, head - 1)
    assert (refusal.value.code, refusal.value.field) == (Code.VALUE_INVALID, "to_known")
    for field, asked in (("from_known", (head + 1, None)), ("to_known", (1, head + 1))):
        with pytest.raises(RuleBroken) as refusal:
            settle_between(*asked)
        assert refusal.value.field == field
    with pytest.raises(RuleBroken) as refusal:
        settle_between(1, None, datetime(2026, 3, 1))  # noqa: DTZ001
    assert refusal.value.field == "reaches_back_before"


def test_before_the_first_entry_nothing_was_known_and_everything_is_new(world: World) -> None:
    found = between(0, 0)
    assert (found.found, found.taken_back) == ((), 0)

    everything = between(0)

    assert {one.turn for one in everything.found} == {Turn.NEW, None}
    assert all(one.before is None for one in everything.found)


def test_too_much_is_refused_with_what_to_do(world: World, monkeypatch: Any) -> None:
    monkeypatch.setattr(module, "ROWS_MAX", 3)
    before = head_index()
    for _ in range(3):
        world.device()

    with pytest.raises(RuleBroken, match="Ask for one location or account") as refusal:
        between(before)

    assert refusal.value.code is Code.TOO_MANY
    assert len(between(before, before + 1).found) == 2


@pytest.mark.parametrize("rows", [3, 30])
def test_as_many_queries_for_many_differences_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    hung = [world.assigned(world.device(), world.cabinet(split=True)) for _ in range(rows)]
    before = settle_between(head_index())
    world.clock.at += timedelta(hours=1)
    for assignment in hung:
        correct(world, assignment, valid_from=assignment.valid_from + HOUR)
        devices.correct_device(world.office, device_id=assignment.device_id, firmware="2.1")
    asked = settle_between(before.first)

    # six histories; subjects; the devices among them; the newest entry of each as known; those entries
    with django_assert_num_queries(10):
        assert len(differences(asked, FLEET).found) == 3 * rows
    # the account; of six histories what is within reach; what else is of those periods; as above, four
    with django_assert_num_queries(12):
        reach = reach_of_account(world.account.pk, ALL, asked.first, asked.last)
        assert len(differences(asked, reach).found) == 2 * rows  # their time in the depot is no account's
