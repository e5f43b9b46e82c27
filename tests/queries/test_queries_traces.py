"""Chains of whereabouts: who had a device and who said so; and each finding, from a history made by actions.

What the actions refuse is written here by `unruled`, as a register of other rules may hand it down; what the
database refuses cannot be written at all, and so is no finding.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from registry.actions import assignments, cabinets, devices, locations, periods, provisional, tokens
from registry.actions._action import Writing
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.actions.readings import take_readings
from registry.models import Cabinet, CabinetWhereabouts, Depot, Device, DeviceWhereabouts
from registry.models.base import PeriodVersion
from registry.queries.moments import head_index, present, settle
from registry.queries.traces import Chain, device_chain
from registry.rules.errors import RuleBroken
from registry.rules.whereabouts import CabinetPlace, DevicePlace
from tests.actions.unchanged import refused, unruled
from tests.factories.world import DAY, World, new_location


def day(world: World, number: int) -> datetime:
    return world.start + number * DAY


def number(world: World, moment: datetime | None) -> int | None:
    return None if moment is None else (moment - world.start).days


def history(thing: Device | Cabinet) -> list[Any]:
    model: type[PeriodVersion] = DeviceWhereabouts if isinstance(thing, Device) else CabinetWhereabouts
    return list(model.objects.current().filter(**{model.history_of: thing}).order_by("valid_from"))


def correct(world: World, period: PeriodVersion, **changes: Any) -> None:
    for bound in ("valid_from", "valid_to"):
        if bound in changes:
            changes[bound] = day(world, changes[bound])
    given = {"history": type(period)._meta.model_name, "period_id": period.period, "reason": "Misread"}
    periods.correct_period(world.office, **(given | changes))


def withdraw(world: World, period: PeriodVersion) -> None:
    name = str(type(period)._meta.model_name)
    periods.withdraw_period(world.office, history=name, period_id=period.period, reason="Never was")


def move(world: World, cabinet: Cabinet, at: int, to: Any, go: str | None = None) -> None:
    where = {"depot_id" if isinstance(to, Depot) else "location_id": to.pk}
    cabinets.move_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=day(world, at), devices=go, **where)


def take_out(world: World, assignment: DeviceWhereabouts, at: int, reason: str = "swap") -> None:
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=day(world, at),
        end_reason=reason,
        depot_id=world.tarnmouth.pk,
    )


def found_in(world: World, serial: str | None = None, at: int = 5, **where: Any) -> Device:
    """Record a device that nobody booked in."""
    return provisional.record_provisional_device(
        world.office,
        device=NewDevice(world.plumb_3.pk, serial or world.serial()),
        valid_from=day(world, at),
        evidence="label torn",
        **where,
    )


def links(world: World, chain: Chain) -> list[tuple[str, int | None, int | None]]:
    return [
        (link.place.place, number(world, link.period.valid_from), number(world, link.period.valid_to))
        for link in chain.stays
    ]


def findings(world: World, thing: Device) -> list[tuple[str, int | None, int | None]]:
    return [
        (finding.code, number(world, finding.since), number(world, finding.until))
        for finding in device_chain(thing.pk, present()).findings
    ]


# --- the chain ---------------------------------------------------------------------------------------


def test_a_life_from_receipt_to_retirement_has_each_holder_cabinet_and_place(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store(depot=world.fellgate)
    devices.hand_over_device(
        world.office, device_id=device.pk, staff_id=world.installer.staff_id, valid_from=day(world, 2)
    )
    hung = world.assigned(device, cabinet, day(world, 4))
    move(world, cabinet, 6, store, "follow")
    take_out(world, hung, 8, "fault")
    devices.send_device_to_repair(
        world.office, device_id=device.pk, valid_from=day(world, 9), reference="RMA-7"
    )
    devices.return_device_from_repair(
        world.office, device_id=device.pk, valid_from=day(world, 11), depot_id=world.fellgate.pk
    )
    devices.retire_device(world.office, device_id=device.pk, valid_from=day(world, 12))

    chain = device_chain(device.pk, present())

    assert links(world, chain) == [
        ("depot", 1, 2),
        ("van", 2, 4),
        ("cabinet", 4, 8),
        ("depot", 8, 9),
        ("maker", 9, 11),
        ("depot", 11, 12),
        ("retired", 12, None),
    ]
    assert [link.words for link in chain.stays] == [
        "depot TM Tarnmouth",
        "van of Installer",
        f"cabinet {cabinet.asset_tag}",
        "depot TM Tarnmouth",
        "in repair at its maker",
        "depot FG Fellgate",
        "retired",
    ]
    hung_link = chain.stays[2]
    assert [
        (stood.words, number(world, stood.period.valid_from), number(world, stood.period.valid_to))
        for stood in hung_link.stood
    ] == [(world.location.label, 4, 6), (store.label, 6, 8)]
    assert [stood.answering for stood in hung_link.stood] == [world.tarnmouth, world.fellgate]
    # Hung by one entry, taken out by another; nothing was put right.
    assert [chain.events[index].verb for index in hung_link.entries] == ["device.assigned", "device.removed"]
    assert (hung_link.corrections, hung_link.replaced, hung_link.merged_from) == ((), (), "")
    assert (chain.withdrawn, chain.findings) == ((), ())


def test_a_correction_is_marked_with_what_it_took_back_and_by_which_entries(world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet(), day(world, 4))
    assigned_by = head_index()
    correct(world, hung, valid_from=3)
    corrected_by = head_index()

    depot, cabinet = device_chain(device.pk, present()).stays

    for link in (depot, cabinet):
        assert link.corrections == (corrected_by,)
        [taken_back] = link.replaced
        assert (taken_back.recorded, taken_back.superseded) == (assigned_by, corrected_by)
    assert number(world, depot.replaced[0].period.valid_to) == 4
    assert number(world, cabinet.replaced[0].period.valid_from) == 4
    assert cabinet.entries == (assigned_by, corrected_by)


def test_a_withdrawn_period_is_kept_apart_with_the_entries_that_said_and_withdrew_it(world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet(), day(world, 4))
    said = head_index()
    withdraw(world, hung)

    chain = device_chain(device.pk, present())

    assert links(world, chain) == [("depot", 1, None)]
    [withdrawn] = chain.withdrawn
    assert (withdrawn.identity, withdrawn.recorded, withdrawn.superseded) == (hung.period, said, said + 1)
    assert number(world, withdrawn.period.valid_from) == 4
    assert chain.events[said + 1].reason == "Never was"


def test_a_merged_record_brings_its_periods_and_who_said_them(world: World) -> None:
    known, cabinet = world.device(), world.cabinet()
    found = found_in(world, cabinet_id=cabinet.pk)
    recorded = head_index()
    [hung] = history(found)
    correct(world, hung, valid_from=4)
    provisional.merge_provisional_device(world.office, device_id=found.pk, into_id=known.pk)
    merged = head_index()

    chain = device_chain(known.pk, present())

    assert links(world, chain) == [("depot", 1, 4), ("cabinet", 4, None)]
    depot, link = chain.stays
    assert (depot.merged_from, link.merged_from) == ("", found.serial)
    assert link.entries == (recorded, recorded + 1, merged)
    # The merge gave the period to another record and changed nothing of it; the custody before it was cut.
    assert [number(world, belief.period.valid_from) for belief in link.replaced] == [5]
    assert [(belief.recorded, belief.superseded) for belief in depot.replaced] == [(recorded - 2, merged)]
    assert chain.withdrawn == ()


def test_records_merged_one_into_another_make_one_chain(world: World) -> None:
    known, cabinet = world.device(), world.cabinet()
    earlier = found_in(world, at=3, depot_id=world.tarnmouth.pk)
    later = found_in(world, at=5, cabinet_id=cabinet.pk)
    provisional.merge_provisional_device(world.office, device_id=later.pk, into_id=earlier.pk)
    provisional.merge_provisional_device(world.office, device_id=earlier.pk, into_id=known.pk)

    chain = device_chain(known.pk, present())

    assert links(world, chain) == [("depot", 1, 3), ("depot", 3, 5), ("cabinet", 5, None)]
    assert [link.merged_from for link in chain.stays] == ["", earlier.serial, later.serial]
    assert [chain.events[index].verb for index in chain.stays[2].entries] == [
        "provisional.recorded",
        "provisional.merged",
        "provisional.merged",
    ]


def test_the_chain_is_told_as_of_a_day_and_as_known_after_an_entry(world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet(), day(world, 4))
    before = head_index()
    take_out(world, hung, 8, "fault")
    correct(world, history(device)[1], valid_from=3)
    now = present()

    assert links(world, device_chain(device.pk, now)) == [
        ("depot", 1, 3),
        ("cabinet", 3, 8),
        ("depot", 8, None),
    ]
    # As of day 6 it hung there still, so that nothing was faulty; the correction is known all the same.
    then = device_chain(device.pk, settle(day(world, 6)))
    assert links(world, then) == [("depot", 1, 3), ("cabinet", 3, None)]
    assert then.findings == ()
    # What was known after the assignment was recorded.
    known = device_chain(device.pk, settle(now.valid_at, before))
    assert links(world, known) == [("depot", 1, 4), ("cabinet", 4, None)]
    assert (known.stays[1].corrections, known.findings) == ((), ())
    assert device_chain(device.pk, settle(day(world, 0))).stays == ()
    assert device_chain(device.pk, settle(now.valid_at, 1)).stays == ()


def test_a_chain_tells_names_as_they_were_known(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    before, tag = head_index(), cabinet.asset_tag
    cabinets.correct_cabinet(
        world.office, cabinet_id=cabinet.pk, particulars={"asset_tag": "SK-NEW"}, reason="Misread"
    )

    known = device_chain(device.pk, settle(present().valid_at, before))

    assert known.stays[1].words == f"cabinet {tag}"
    assert device_chain(device.pk, present()).stays[1].words == "cabinet SK-NEW"


def test_there_is_no_chain_of_what_is_no_device(world: World) -> None:
    with pytest.raises(RuleBroken) as caught:
        device_chain(world.account.pk, present())
    assert caught.value.code == "not_found"


# --- findings that actions can bring about ----------------------------------------------------------------


def test_what_was_lost_is_unknown_until_it_is_found(world: World) -> None:
    device = world.device()
    devices.mark_device_lost(world.office, device_id=device.pk, valid_from=day(world, 5))
    assert findings(world, device) == [("lost", 5, None)]

    devices.hand_over_device(
        world.office, device_id=device.pk, depot_id=world.tarnmouth.pk, valid_from=day(world, 9)
    )

    assert findings(world, device) == [("lost", 5, 9)]


def test_what_reported_outside_any_cabinet_is_told_until_the_history_is_put_right(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    gateway, _ = tokens.issue_device_token(world.administrator, name="Gateway")
    before = head_index()

    def report(*days: int) -> None:
        rows = [
            {"serial": device.serial, "measured_at": day(world, number).isoformat(), "distances_mm": [400]}
            for number in days
        ]
        take_readings(gateway, rows)

    report(0, 3, 4, 8, 12)
    hung = world.assigned(device, cabinet, day(world, 6))
    take_out(world, hung, 10)

    assert findings(world, device) == [
        ("reported_unassigned", 0, 0),
        ("reported_unassigned", 3, 4),
        ("reported_unassigned", 12, 12),
    ]
    # Known at an entry before any seal, nothing was reported that the ledger could tell.
    assert device_chain(device.pk, settle(present().valid_at, before)).findings == ()
    correct(world, hung, valid_from=2)
    correct(world, history(device)[1], valid_to=13)
    assert findings(world, device) == [("reported_unassigned", 0, 0)]


def test_what_was_first_seen_in_a_cabinet_was_never_received(world: World) -> None:
    found = found_in(world, cabinet_id=world.cabinet().pk)
    provisional.confirm_provisional_device(world.office, device_id=found.pk)

    assert findings(world, found) == [("never_received", 5, 5)]


def test_what_was_taken_over_with_a_store_is_known_by_a_day_only(world: World) -> None:
    serial = world.serial()
    cabinet = NewCabinet(world.cove.pk, {"asset_tag": "SK-77"}, device=NewDevice(world.plumb_3.pk, serial))
    locations.take_over_location(
        world.office,
        account_id=world.account.pk,
        location=replace(new_location(world.tarnmouth, "0077"), cabinets=[cabinet]),
        known_by=day(world, 3),
    )

    device = Device.objects.get(serial=serial)

    assert findings(world, device) == [("never_received", 3, 3), ("start_known_by", 3, 3)]


def test_a_cabinet_whose_move_is_put_later_moved_under_the_device_and_nobody_says_so(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    move(world, cabinet, 4, store)
    world.assigned(device, cabinet, day(world, 6))
    assert findings(world, device) == []

    correct(world, history(cabinet)[1], valid_from=8)

    assert findings(world, device) == [("moved_unsaid", 8, None)]


def test_an_assignment_put_earlier_than_the_move_of_its_cabinet_says_nothing_of_the_way(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    move(world, cabinet, 4, store)
    hung = world.assigned(device, cabinet, day(world, 6))

    correct(world, hung, valid_from=2)

    assert findings(world, device) == [("moved_unsaid", 4, None)]


def test_a_device_that_followed_is_found_to_be_told_elsewhere_once_its_cabinet_is_put_right(
    world: World,
) -> None:
    device, cabinet, other = world.device(), world.cabinet(), world.cabinet()
    hung = world.assigned(device, cabinet, day(world, 3))
    move(world, cabinet, 6, world.store(), "follow")
    assert findings(world, device) == []

    correct(world, hung, facts={"cabinet_id": other.pk})

    assert findings(world, device) == [("told_elsewhere", 6, 6)]
    # Where the move itself never was, nobody tells of the device any more.
    withdraw(world, history(cabinet)[1])
    assert findings(world, device) == []


def test_a_merged_record_that_followed_a_cabinet_followed_it(world: World) -> None:
    known, cabinet = world.device(), world.cabinet()
    found = found_in(world, at=3, cabinet_id=cabinet.pk)
    move(world, cabinet, 6, world.store(), "follow")
    provisional.merge_provisional_device(world.office, device_id=found.pk, into_id=known.pk)

    assert findings(world, known) == []


def test_a_store_that_got_its_cabinet_later_than_its_device_had_it_hung_in_a_depot(world: World) -> None:
    device, cabinet = world.device(), world.cabinet(world.tarnmouth)
    move(world, cabinet, 4, world.location)
    hung = world.assigned(device, cabinet, day(world, 6))
    take_out(world, hung, 10)
    assert findings(world, device) == []

    correct(world, history(cabinet)[1], valid_from=8)

    assert findings(world, device) == [("hung_in_no_store", 6, 8), ("moved_unsaid", 8, 10)]


def test_a_return_that_is_withdrawn_leaves_a_step_out(world: World) -> None:
    device = world.device()
    devices.send_device_to_repair(
        world.office, device_id=device.pk, valid_from=day(world, 3), reference="RMA-7"
    )
    devices.return_device_from_repair(
        world.office, device_id=device.pk, valid_from=day(world, 5), depot_id=world.tarnmouth.pk
    )
    world.assigned(device, world.cabinet(), day(world, 6))
    assert findings(world, device) == []

    withdraw(world, history(device)[2])

    assert findings(world, device) == [("step_missing", 6, 6)]


def test_a_faulty_device_that_hangs_again_was_never_at_its_maker(world: World) -> None:
    device = world.device()
    take_out(world, world.assigned(device, world.cabinet(), day(world, 3)), 5, "fault")
    assert findings(world, device) == [("fault_unsettled", 5, None)]

    world.assigned(device, world.cabinet(), day(world, 7))

    assert findings(world, device) == [("fault_unsettled", 5, 7)]


def test_a_faulty_device_sent_without_a_return_number_is_found(world: World) -> None:
    device = world.device()
    take_out(world, world.assigned(device, world.cabinet(), day(world, 3)), 5, "fault")
    devices.send_device_to_repair(world.office, device_id=device.pk, valid_from=day(world, 6))

    assert findings(world, device) == [("no_return_number", 6, None)]


def test_a_rejected_record_of_the_same_serial_hung_elsewhere_at_the_same_time(world: World) -> None:
    serial, cabinet = world.serial(), world.cabinet()
    ghost = found_in(world, serial, cabinet_id=cabinet.pk)
    provisional.reject_provisional_device(world.office, device_id=ghost.pk, reason="A misread label")
    judged = head_index()
    [device] = devices.receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_3.pk, serial)],
        depot_id=world.tarnmouth.pk,
        valid_from=day(world, 2),
    )

    assert findings(world, device) == [("two_records", 5, None)]
    [finding] = device_chain(device.pk, present()).findings
    assert finding.words == (
        f"A record of the same serial was believed to be in cabinet {cabinet.asset_tag} until entry {judged}"
        " judged it; this one was in depot TM Tarnmouth."
    )


def test_a_serial_of_a_record_that_was_merged_away_and_then_came_is_of_two_devices(world: World) -> None:
    serial, known = world.serial(), world.device()
    found = found_in(world, serial, cabinet_id=world.cabinet().pk)
    provisional.merge_provisional_device(world.office, device_id=found.pk, into_id=known.pk)
    assert findings(world, known) == []  # its own history now

    [device] = devices.receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_3.pk, serial)],
        depot_id=world.tarnmouth.pk,
        valid_from=day(world, 2),
    )

    assert findings(world, device) == [("two_records", 5, None)]
    assert findings(world, known) == []


# --- what is refused, and so is found in nothing but an older register ------------------------------------


def place_of(device: Device, place: str, start: datetime, end: datetime | None, **more: Any) -> Any:
    return DeviceWhereabouts(device=device, place=place, valid_from=start, valid_to=end, **more)


def test_the_database_lets_no_record_be_in_two_places_at_once(world: World) -> None:
    device = world.device()

    def lie(writing: Writing) -> None:
        writing.insert(place_of(device, "depot", day(world, 3), None, depot=world.fellgate))

    with pytest.raises(IntegrityError), transaction.atomic():
        unruled(world, lie)


def test_the_database_lets_no_serial_stand_for_two_devices(world: World) -> None:
    device = world.device()

    def twin(writing: Writing) -> None:
        writing.insert(Device(model=world.plumb_3, serial=device.serial, serial_typed=device.serial))

    with pytest.raises(IntegrityError), transaction.atomic():
        unruled(world, twin)


def test_the_database_lets_no_assignment_end_without_a_reason(world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet(), day(world, 3))

    def end(writing: Writing) -> None:
        writing.replace(hung, valid_to=day(world, 5))

    with pytest.raises(IntegrityError), transaction.atomic():
        unruled(world, end)


def test_the_actions_leave_no_gap_whatever_is_put_right(world: World) -> None:
    device = world.device()
    take_out(world, world.assigned(device, world.cabinet(), day(world, 4)), 8)
    world.assigned(device, world.cabinet(), day(world, 12))
    for which, changes in ((1, {"valid_to": 6}), (2, {"valid_from": 7}), (0, {"valid_to": 2})):
        correct(world, history(device)[which], **changes)
        assert findings(world, device) == []
    withdraw(world, history(device)[1])

    assert links(world, device_chain(device.pk, present())) == [
        ("depot", 1, 7),
        ("depot", 7, 12),
        ("cabinet", 12, None),
    ]
    assert findings(world, device) == []


def test_the_actions_hang_nothing_in_a_cabinet_that_is_scrapped_or_not_known(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    hung = world.assigned(device, cabinet, day(world, 4))
    with refused("before_known", "valid_from"):
        correct(world, history(cabinet)[0], valid_from=5)
    take_out(world, hung, 8)
    cabinets.scrap_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=day(world, 9))
    with refused("cabinet_not_available", "cabinet_id"):
        correct(world, history(device)[1], valid_to=10)
    with refused("cabinet_not_available", "cabinet_id"):
        correct(world, history(cabinet)[1], valid_from=7)


def test_the_actions_let_nothing_come_back_after_it_was_retired(world: World) -> None:
    device = world.device()
    devices.retire_device(world.office, device_id=device.pk, valid_from=day(world, 4))

    with refused("device_not_available", "device"):
        devices.hand_over_device(
            world.office, device_id=device.pk, depot_id=world.tarnmouth.pk, valid_from=day(world, 6)
        )


def test_an_older_register_may_hand_down_a_gap(world: World) -> None:
    device = world.device()
    [first] = history(device)

    def gap(writing: Writing) -> None:
        writing.replace(first, valid_to=day(world, 3))
        writing.insert(place_of(device, DevicePlace.DEPOT, day(world, 5), None, depot=world.fellgate))

    unruled(world, gap)

    assert findings(world, device) == [("whereabouts_unknown", 3, 5)]


def test_an_older_register_may_hand_down_what_came_back_after_it_was_retired(world: World) -> None:
    device = world.device()
    devices.retire_device(world.office, device_id=device.pk, valid_from=day(world, 4))

    def back(writing: Writing) -> None:
        writing.replace(history(device)[1], valid_to=day(world, 6))
        writing.insert(place_of(device, DevicePlace.DEPOT, day(world, 6), None, depot=world.fellgate))

    unruled(world, back)

    assert findings(world, device) == [("back_after_retired", 6, None)]


def test_an_older_register_may_hand_down_a_cabinet_scrapped_or_unknown_under_its_device(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet, day(world, 3))
    [stay] = history(cabinet)

    def scrap(writing: Writing) -> None:
        writing.replace(stay, valid_from=day(world, 4), valid_to=day(world, 6))
        writing.insert(
            CabinetWhereabouts(
                cabinet=cabinet,
                place=CabinetPlace.SCRAPPED,
                depot=world.tarnmouth,
                valid_from=day(world, 6),
            )
        )

    unruled(world, scrap)

    assert findings(world, device) == [("cabinet_unknown", 3, 4), ("cabinet_scrapped", 6, None)]


# --- queries ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_a_chain_takes_as_many_queries_when_it_is_long(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    device, cabinet = world.device(), world.cabinet()
    for row in range(rows):
        at = day(world, 2) + row * timedelta(hours=6)
        hung = world.assigned(device, cabinet, at)
        assignments.end_assignment(
            world.office,
            assignment_id=hung.period,
            valid_to=at + timedelta(hours=3),
            end_reason="swap",
            staff_id=world.installer.staff_id,
        )
    moment = present()

    # the device; what was merged into it; all its versions with people; their cabinets; their depots; the
    # entries; their subjects; names of people; moves with which it went; stays of its cabinets; these
    # cabinets; their locations; the locations' depots; the records' serials; other records of the serial;
    # what it reported outside them
    with django_assert_num_queries(16):
        assert len(device_chain(device.pk, moment).stays) == 2 * rows + 1
