"""History put right through its two actions."""

from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

import pytest

from registry.actions import accounts, assignments, cabinets, devices, locations, periods, products
from registry.actions._action import Writing
from registry.models import (
    Account,
    AccountState,
    Cabinet,
    CabinetWhereabouts,
    Device,
    DeviceWhereabouts,
    Entry,
    Location,
    LocationHolding,
    LocationState,
    Split,
)
from registry.models.base import PeriodVersion
from registry.queries.periods import planned_correction, planned_withdrawal
from registry.rules.assignments import Installation
from registry.rules.splits import Share
from tests.actions.unchanged import refused, undone, unruled
from tests.factories.world import DAY, HOUR, World, new_location, person

Bounds = list[tuple[str, int, int | None]]


def day(world: World, number: int | None) -> datetime | None:
    return None if number is None else world.start + number * DAY


def correct(world: World, period: PeriodVersion, **changes: Any) -> Any:
    actor = changes.pop("actor", world.office)
    for bound in ("valid_from", "valid_to"):
        if isinstance(changes.get(bound), int):
            changes[bound] = day(world, changes[bound])
    given = {"history": type(period)._meta.model_name, "period_id": period.period, "reason": "Misread"}
    return periods.correct_period(actor, **(given | changes))


def withdraw(world: World, period: PeriodVersion, **changes: Any) -> None:
    actor = changes.pop("actor", world.office)
    given = {"history": type(period)._meta.model_name, "period_id": period.period, "reason": "Never was"}
    periods.withdraw_period(actor, **(given | changes))


def history(thing: Any, model: type[PeriodVersion] | None = None) -> list[Any]:
    found = model or {Device: DeviceWhereabouts, Cabinet: CabinetWhereabouts}[type(thing)]
    return list(found.objects.current().filter(**{found.history_of: thing}).order_by("valid_from"))


def bounds(world: World, thing: Any, model: type[PeriodVersion] | None = None) -> Bounds:
    def number(moment: datetime | None) -> int | None:
        return None if moment is None else (moment - world.start).days

    return [
        (
            str(getattr(p, "place", "") or getattr(p, "state", "")),
            number(p.valid_from) or 0,
            number(p.valid_to),
        )
        for p in history(thing, model)
    ]


def installed(world: World, cabinet: Cabinet | None = None, **facts: Any) -> Device:
    """A device in a depot from day 1, in a cabinet from day 5 to 10, and in a depot again."""
    device = world.device()
    assignment = assignments.assign_device(
        world.office,
        device_id=device.pk,
        cabinet_id=(cabinet or world.cabinet()).pk,
        valid_from=day(world, 5),
        **facts,
    )
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=day(world, 10),
        end_reason="fault",
        end_note="Port 2 is deaf",
        depot_id=world.tarnmouth.pk,
    )
    return device


# --- boundaries ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("which", "changes", "after"),
    [
        (1, {"valid_from": 4}, [("depot", 1, 4), ("cabinet", 4, 10), ("depot", 10, None)]),
        (1, {"valid_from": 6}, [("depot", 1, 6), ("cabinet", 6, 10), ("depot", 10, None)]),
        (1, {"valid_to": 9}, [("depot", 1, 5), ("cabinet", 5, 9), ("depot", 9, None)]),
        (1, {"valid_to": 12}, [("depot", 1, 5), ("cabinet", 5, 12), ("depot", 12, None)]),
        (1, {"valid_from": 3, "valid_to": 4}, [("depot", 1, 3), ("cabinet", 3, 4), ("depot", 4, None)]),
        (0, {"valid_to": 6}, [("depot", 1, 6), ("cabinet", 6, 10), ("depot", 10, None)]),
        (0, {"valid_from": 0}, [("depot", 0, 5), ("cabinet", 5, 10), ("depot", 10, None)]),
        (2, {"valid_from": 8}, [("depot", 1, 5), ("cabinet", 5, 8), ("depot", 8, None)]),
        (2, {"valid_from": 15}, [("depot", 1, 5), ("cabinet", 5, 15), ("depot", 15, None)]),
    ],
)
def test_a_moved_boundary_takes_its_neighbour_along_as_the_plan_said(
    world: World, which: int, changes: dict[str, int], after: Bounds
) -> None:
    device = installed(world)
    before = history(device)
    period = before[which]
    planned = planned_correction(
        period,
        day(world, changes.get("valid_from")) or period.valid_from,
        day(world, changes.get("valid_to")) or period.valid_to,
    )
    index = Entry.objects.latest("index").index
    corrected = correct(world, period, **changes)
    assert bounds(world, device) == after
    assert corrected.period == period.period
    assert [p.period for p in history(device)] == [p.period for p in before]
    changed = {old.period for old, new in zip(before, history(device), strict=True) if old.pk != new.pk}
    assert {plan.identity for plan in planned} == changed
    assert planned[0].version == period
    for plan in planned:
        now = next(p for p in history(device) if p.period == plan.identity)
        assert (plan.after.valid_from, plan.after.valid_to) == (now.valid_from, now.valid_to)
    assert (
        list(DeviceWhereabouts.objects.believed_at(index).filter(device=device).order_by("valid_from"))
        == before
    )
    assert history(device)[1].end_reason == "fault"
    entry = Entry.objects.latest("index")
    assert (entry.index, entry.reason) == (index + 1, "Misread")
    assert entry.subjects.get(part="subject").thing_id == device.pk


@pytest.mark.parametrize(
    ("which", "changes", "code", "field"),
    [
        (1, {"valid_from": 1}, "neighbour_swallowed", "valid_from"),
        (1, {"valid_from": 0}, "neighbour_swallowed", "valid_from"),
        (1, {"valid_to": None}, "neighbour_swallowed", "valid_to"),
        (0, {"valid_to": 10}, "neighbour_swallowed", "valid_to"),
        (0, {"valid_to": 11}, "neighbour_swallowed", "valid_to"),
        (2, {"valid_from": 5}, "neighbour_swallowed", "valid_from"),
        (2, {"valid_to": 12}, "overlapping_history", "valid_to"),
        (1, {"valid_from": 10}, "time_invalid", "valid_to"),
        (1, {"valid_from": 40}, "time_in_future", "valid_from"),
        (1, {"valid_to": 40}, "time_in_future", "valid_to"),
        (1, {"valid_from": 5, "valid_to": 10}, "nothing_changes", "period"),
        (1, {}, "nothing_changes", "period"),
    ],
)
def test_a_boundary_moves_only_where_something_is_left_on_both_sides(
    world: World, which: int, changes: dict[str, Any], code: str, field: str
) -> None:
    device = installed(world)
    with refused(code, field):
        correct(world, history(device)[which], **changes)
    correct(world, history(device)[which], valid_from=day(world, (1, 5, 10)[which]) + HOUR)


def test_a_gap_stays_until_the_longer_period_runs_into_the_neighbour(world: World) -> None:
    device = installed(world)
    depot, assignment, _ = history(device)

    def leave_a_gap(writing: Writing) -> None:
        writing.replace(depot, valid_to=day(world, 3))

    unruled(world, leave_a_gap)
    for start, end_of_depot in ((4, 3), (6, 3), (3, 3), (2, 2)):
        with undone():
            correct(world, assignment, valid_from=start)
            assert bounds(world, device)[:2] == [("depot", 1, end_of_depot), ("cabinet", start, 10)]
    with refused("neighbour_swallowed", "valid_from"):
        correct(world, assignment, valid_from=1)
    [depot, *_] = history(device)
    for end, start_of_stay in ((4, 5), (6, 6)):
        with undone():
            correct(world, depot, valid_to=end)
            assert bounds(world, device)[:2] == [("depot", 1, end), ("cabinet", start_of_stay, 10)]
    withdraw(world, assignment)  # across a gap nothing runs on
    assert bounds(world, device) == [("depot", 1, 3), ("depot", 10, None)]


def test_in_a_swap_both_devices_move_and_keep_out_of_each_others_time(world: World) -> None:
    cabinet, old, new = world.cabinet(), world.device(), world.device()
    first = assignments.assign_device(
        world.office, device_id=old.pk, cabinet_id=cabinet.pk, valid_from=day(world, 5)
    )
    second = assignments.swap_device(
        world.office,
        assignment_id=first.period,
        device_id=new.pk,
        valid_from=day(world, 10),
        depot_id=world.tarnmouth.pk,
    )
    with refused("neighbour_swallowed", "valid_from"):
        correct(world, second, valid_from=5)
    for boundary in (8, 12):
        with undone():
            correct(world, second, valid_from=boundary)
            assert bounds(world, old) == [
                ("depot", 1, 5),
                ("cabinet", 5, boundary),
                ("depot", boundary, None),
            ]
            assert bounds(world, new) == [("depot", 1, boundary), ("cabinet", boundary, None)]
            subjects = Entry.objects.latest("index").subjects.filter(part="subject")
            assert {subject.thing_id for subject in subjects} == {old.pk, new.pk}
    correct(world, history(old)[1], valid_to=9)
    assert bounds(world, new) == [("depot", 1, 9), ("cabinet", 9, None)]
    with refused("neighbour_swallowed", "valid_to"):
        correct(world, history(new)[0], valid_to=None)


# --- who, what and why ---------------------------------------------------------------------------------


@pytest.mark.parametrize("put_right", [correct, withdraw])
def test_history_is_put_right_with_a_reason_and_where_there_is_any(world: World, put_right: Any) -> None:
    device = installed(world)
    period = history(device)[1]
    given: dict[str, Any] = {"valid_from": 6} if put_right is correct else {}
    for reason in ("", " \n"):
        with refused("reason_missing", "reason"):
            put_right(world, period, **given, reason=reason)
    with refused("not_found", "history"):
        put_right(world, period, **given, history="staff")
    with refused("not_found", "period"):
        put_right(world, period, **given, history="locationstate")
    with refused("not_found", "period"):
        put_right(world, period, **given, period_id=uuid4())
    with undone():
        withdraw(world, period)
        with refused("period_superseded", "period"):
            put_right(world, period, **given)
    put_right(world, period, **given)


def test_a_correction_touches_only_things_of_the_persons_depots(world: World) -> None:
    cabinet, far = world.cabinet(), world.store(depot=world.fellgate)
    device, local = installed(world, cabinet), person(world, "office", world.tarnmouth)
    devices.hand_over_device(
        world.office, device_id=device.pk, valid_from=day(world, 12), depot_id=world.fellgate.pk
    )
    cabinets.move_cabinet(world.office, cabinet_id=cabinet.pk, location_id=far.pk, valid_from=day(world, 12))
    theirs = world.cabinet(far)
    [_, hung, ours, gone] = history(device)
    stay = history(cabinet)[0]
    state, holding = history(far, LocationState)[0], history(far, LocationHolding)[0]
    for field, call in (
        ("period", lambda: correct(world, gone, valid_from=13, actor=local)),
        ("period", lambda: correct(world, ours, valid_to=13, actor=local)),  # the neighbour is not theirs
        ("depot_id", lambda: correct(world, ours, facts={"depot_id": world.fellgate.pk}, actor=local)),
        ("cabinet_id", lambda: correct(world, hung, facts={"cabinet_id": theirs.pk}, actor=local)),
        ("location_id", lambda: correct(world, stay, facts={"location_id": far.pk}, actor=local)),
        ("period", lambda: correct(world, stay, valid_to=13, actor=local)),
        ("period", lambda: withdraw(world, gone, actor=local)),
        ("period", lambda: correct(world, state, facts={"state": "asleep"}, actor=local)),
        ("period", lambda: correct(world, holding, facts={"store_number": "8"}, actor=local)),
    ):
        with refused("not_found", field):
            call()
    correct(world, hung, valid_to=11, actor=local)
    both = person(world, "office", world.tarnmouth, world.fellgate)
    correct(world, gone, valid_from=13, actor=both)


def test_a_split_is_corrected_by_the_depot_where_the_cabinet_is_now(world: World) -> None:
    cabinet, local = world.cabinet(split=True), person(world, "office", world.tarnmouth)
    [split] = history(cabinet, Split)
    whole = {"shares": [Share(world.eight_lb.pk, 10_000)]}
    with undone():
        correct(world, split, facts=whole, actor=local)
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, depot_id=world.fellgate.pk, valid_from=day(world, 9)
    )
    with refused("not_found", "period"):
        correct(world, split, facts=whole, actor=local)


# --- facts ---------------------------------------------------------------------------------------------


def test_the_facts_of_an_assignment_are_corrected_one_by_one(world: World) -> None:
    device, other = installed(world), world.cabinet()
    index = Entry.objects.latest("index").index
    before = history(device)
    hung = correct(
        world,
        before[1],
        facts={
            "cabinet_id": other.pk,
            "slot": 2,
            "slot_reason": "Two rows",
            "sensor_order": " 3  2 01 ",
            "rail_below_ceiling_mm": 40,
            "offset_from_front_mm": None,
            "end_reason": "other",
            "end_note": "Swept away",
        },
    )
    hung.refresh_from_db()
    assert (hung.cabinet, hung.slot, hung.slot_reason, hung.sensor_order) == (other, 2, "Two rows", "3 2 1")
    assert (hung.rail_below_ceiling_mm, hung.end_reason, hung.end_note) == (40, "other", "Swept away")
    assert (hung.valid_from, hung.valid_to) == (before[1].valid_from, before[1].valid_to)
    subjects = Entry.objects.latest("index").subjects
    assert subjects.get(part="cabinet").thing_id == before[1].cabinet_id
    assert subjects.get(part="now_cabinet").thing_id == other.pk
    then = DeviceWhereabouts.objects.believed_at(index).get(period=hung.period)
    assert (then.cabinet_id, then.slot) == (before[1].cabinet_id, 1)
    assert history(device)[0] == before[0]
    assert history(device)[2] == before[2]


@pytest.mark.parametrize(
    ("facts", "code", "field"),
    [
        ({"slot": 0}, "value_invalid", "slot"),
        ({"slot": 5, "slot_reason": "Many"}, "value_invalid", "slot"),
        ({"slot": 2}, "slot_needs_reason", "slot_reason"),
        ({"slot": "2"}, "value_invalid", "slot"),
        ({"sensor_order": "1 2"}, "value_invalid", "sensor_order"),
        ({"sensor_order": "1 2 2"}, "value_invalid", "sensor_order"),
        ({"sensor_order": "1 2 \u00b2"}, "value_invalid", "sensor_order"),
        ({"sensor_order": "left to right"}, "value_invalid", "sensor_order"),
        ({"sensor_order": "1 " * 60}, "value_invalid", "sensor_order"),
        ({"rail_below_ceiling_mm": 1_001}, "value_invalid", "rail_below_ceiling_mm"),
        ({"offset_from_front_mm": 2_001}, "value_invalid", "offset_from_front_mm"),
        ({"end_reason": "bored"}, "value_invalid", "end_reason"),
        ({"end_reason": "other", "end_note": " "}, "reason_missing", "end_note"),
        ({"cabinet_id": uuid4()}, "not_found", "cabinet_id"),
        ({"cabinet_id": "SK-1"}, "value_invalid", "cabinet_id"),
        ({"depot_id": uuid4()}, "value_invalid", "depot_id"),
        ({"device_id": uuid4()}, "value_invalid", "device_id"),
        ({"state": "open"}, "value_invalid", "state"),
        ({"slot": 1, "sensor_order": "1 2 3"}, "nothing_changes", "period"),
    ],
)
def test_facts_of_an_assignment_that_cannot_be_are_refused(
    world: World, facts: dict[str, Any], code: str, field: str
) -> None:
    hung = history(installed(world))[1]
    with refused(code, field):
        correct(world, hung, facts=facts)
    correct(world, hung, facts={"slot": 4, "slot_reason": "Fourth row", "rail_below_ceiling_mm": 1_000})


def test_a_running_assignment_has_no_reason_of_ending(world: World) -> None:
    running = world.assigned(world.device(), world.cabinet())
    with refused("value_invalid", "end_reason"):
        correct(world, running, facts={"end_reason": "fault"})
    correct(world, running, facts={"sensor_order": "3 2 1"})


def test_an_assignment_is_not_corrected_into_a_slot_or_cabinet_that_does_not_take_it(world: World) -> None:
    cabinet, large, late = world.cabinet(), world.cabinet(model=world.quay), world.cabinet()
    correct(world, history(late)[0], valid_from=7)
    other = installed(world, cabinet)
    device = installed(world)
    hung = history(device)[1]
    with refused("slot_taken", "slot") as caught:
        correct(world, hung, facts={"cabinet_id": cabinet.pk})
    assert caught.value.details["device"] == other.serial
    with refused("sensor_count_mismatch", "cabinet_id"):
        correct(world, hung, facts={"cabinet_id": large.pk})
    with refused("before_known", "valid_from"):
        correct(world, hung, facts={"cabinet_id": late.pk})
    with undone():
        correct(world, hung, facts={"cabinet_id": cabinet.pk, "slot": 2, "slot_reason": "Two rows"})
    with undone():
        correct(world, history(other)[1], valid_to=7)
        correct(world, hung, valid_from=7)
        correct(world, history(device)[1], facts={"cabinet_id": cabinet.pk})
    correct(world, history(device)[0], valid_from=0)
    with refused("before_known", "valid_from"):
        correct(world, hung, valid_from=day(world, 1) - HOUR)
    correct(world, hung, valid_from=1)


def test_a_device_did_not_hang_in_a_slot_while_another_did(world: World) -> None:
    cabinet = world.cabinet()
    first = installed(world, cabinet)
    second = world.device()
    later = assignments.assign_device(
        world.office, device_id=second.pk, cabinet_id=cabinet.pk, valid_from=day(world, 12)
    )
    with refused("slot_taken", "slot"):
        correct(world, history(first)[1], valid_to=13)
    with refused("slot_taken", "slot"):
        correct(world, later, valid_from=9)
    with undone():
        correct(world, history(first)[1], valid_to=12)
    correct(world, later, valid_from=10)


def test_custody_is_corrected_to_another_depot_or_van(world: World) -> None:
    device, van = world.device(), person(world, "installer", world.tarnmouth)
    devices.hand_over_device(
        world.office, device_id=device.pk, valid_from=day(world, 5), staff_id=world.installer.staff_id
    )
    [depot, in_van] = history(device)
    with refused("value_invalid", "staff_id"):
        correct(world, depot, facts={"staff_id": van.staff_id})
    with refused("not_found", "staff_id"):
        correct(world, in_van, facts={"staff_id": uuid4()})
    with refused("value_invalid", "slot"):
        correct(world, in_van, facts={"slot": 1})
    correct(world, in_van, facts={"staff_id": van.staff_id, "depot_id": world.fellgate.pk})
    correct(world, depot, facts={"depot_id": world.fellgate.pk})
    assert [(p.place, p.depot, p.staff_id) for p in history(device)] == [
        ("depot", world.fellgate, None),
        ("van", world.fellgate, van.staff_id),
    ]


def test_the_shares_of_a_split_are_corrected_whole(world: World) -> None:
    cabinet, eight, eighteen = world.cabinet(split=True), world.eight_lb.pk, world.eighteen_lb.pk
    products.set_split(
        world.office, cabinet_id=cabinet.pk, shares=[Share(eight, 10_000)], valid_from=day(world, 8)
    )
    [split, later] = history(cabinet, Split)
    index = Entry.objects.latest("index").index
    for shares, code in (
        ([Share(eight, 9_000)], "split_not_whole"),
        ([Share(eight, 5_000), Share(eight, 5_000)], "split_invalid"),
        ([], "split_invalid"),
        ([Share(uuid4(), 10_000)], "not_found"),
        ([Share(uuid4(), 700) for _ in range(13)], "too_many"),
        ([(eight, 10_000)], "value_invalid"),
        ("half and half", "value_invalid"),
    ):
        with refused(code, "shares"):
            correct(world, split, facts={"shares": shares})
    with refused("nothing_changes", "period"):
        correct(world, split, facts={"shares": [Share(eight, 6_000), Share(eighteen, 4_000)]})
    with refused("value_invalid", "state"):
        correct(world, split, facts={"state": "open"})
    corrected = correct(
        world, split, valid_to=9, facts={"shares": [Share(eighteen, 4_000), Share(eight, 6_000)]}
    )
    assert [(s.product_id, s.hundredths) for s in corrected.shares.order_by("position")] == [
        (eighteen, 4_000),
        (eight, 6_000),
    ]
    assert (corrected.period, corrected.valid_from) == (split.period, split.valid_from)
    moved = history(cabinet, Split)[1]
    assert (moved.period, moved.valid_from) == (later.period, day(world, 9))
    assert [(s.product_id, s.hundredths) for s in moved.shares.all()] == [(eight, 10_000)]
    then = Split.objects.believed_at(index).get(period=split.period)
    assert [s.hundredths for s in then.shares.order_by("position")] == [6_000, 4_000]


# --- stores and customers ------------------------------------------------------------------------------


def account(world: World, code: str, start: int = 0) -> Account:
    return accounts.register_account(
        world.office, particulars={"code": code, "name": f"Account {code}"}, valid_from=day(world, start)
    )


def test_a_store_number_is_corrected_to_one_that_was_free_then(world: World) -> None:
    other, far = account(world, "GM"), account(world, "PP")
    second = world.store()
    [holding] = history(world.location, LocationHolding)
    locations.hand_location(
        world.office,
        location_id=second.pk,
        account_id=other.pk,
        store_number="9",
        valid_from=day(world, 5),
    )
    [before, after] = history(second, LocationHolding)
    for facts, code, field in (
        ({"store_number": before.store_number}, "code_taken", "store_number"),
        ({"account_id": other.pk, "store_number": "9"}, "code_taken", "store_number"),
        ({"store_number": "9 b"}, "text_invalid", "store_number"),
        ({"account_id": uuid4()}, "not_found", "account_id"),
        ({"state": "open"}, "value_invalid", "state"),
        ({"store_number": "0042"}, "nothing_changes", "period"),
    ):
        with refused(code, field):
            correct(world, holding, facts=facts)
    with undone():
        correct(world, holding, facts={"account_id": far.pk, "store_number": "9"})
    correct(world, holding, facts={"store_number": "9"})
    with refused("code_taken", "store_number"):
        correct(world, after, facts={"account_id": world.account.pk})
    correct(world, after, facts={"account_id": world.account.pk, "store_number": before.store_number})
    assert [(h.account, h.store_number) for h in history(second, LocationHolding)] == [
        (world.account, before.store_number),
        (world.account, before.store_number),
    ]


def test_a_closed_or_unknown_account_did_not_hold_an_open_location(world: World) -> None:
    closed, late = account(world, "GM"), account(world, "PP", 5)
    accounts.close_account(world.office, account_id=closed.pk, valid_from=day(world, 9))
    [holding] = history(world.location, LocationHolding)
    with refused("account_closed", "account_id"):
        correct(world, holding, facts={"account_id": closed.pk})
    with refused("before_known", "valid_from"):
        correct(world, holding, facts={"account_id": late.pk})
    with undone():
        correct(world, history(late, AccountState)[0], valid_from=0)
        correct(world, holding, facts={"account_id": late.pk})
        with refused("before_known", "valid_from"):
            correct(world, history(late, AccountState)[0], valid_from=1)
    with undone():  # what is closed itself may stay with a closed account
        locations.close_location(world.office, location_id=world.location.pk, valid_from=day(world, 9))
        correct(world, holding, facts={"account_id": closed.pk})
    correct(world, history(closed, AccountState)[0], facts={"state": "open"}, valid_to=8)
    accounts.reopen_account(world.office, account_id=closed.pk, valid_from=day(world, 10))
    with refused("account_closed", "account_id"):
        correct(world, holding, facts={"account_id": closed.pk})


def test_an_account_was_not_closed_while_it_held_an_open_location(world: World) -> None:
    locations.close_location(world.office, location_id=world.location.pk, valid_from=day(world, 8))
    accounts.close_account(world.office, account_id=world.account.pk, valid_from=day(world, 9))
    accounts.reopen_account(world.office, account_id=world.account.pk, valid_from=day(world, 12))
    locations.set_location_state(
        world.office, location_id=world.location.pk, state="open", valid_from=day(world, 14)
    )
    [_, shut, _] = history(world.account, AccountState)
    [_, empty, again] = history(world.location, LocationState)
    with refused("account_closed", "account_id"):
        correct(world, shut, valid_from=7)
    with refused("account_closed", "account_id"):
        correct(world, shut, valid_to=15)
    with refused("account_closed", "account_id"):
        correct(world, empty, valid_from=10)
    with refused("account_closed", "account_id"):
        correct(world, again, valid_from=11)
    with refused("account_closed", "account_id"):
        withdraw(world, empty)
    with refused("value_invalid", "state"):
        correct(world, shut, facts={"state": "asleep"})
    with undone():
        correct(world, shut, valid_from=8)
    correct(world, again, valid_from=12)


def test_a_cabinet_did_not_stand_in_a_store_that_was_closed_or_unknown(world: World) -> None:
    cabinet, shut, late = world.cabinet(), world.store(), world.store()
    locations.close_location(world.office, location_id=shut.pk, valid_from=day(world, 9))
    correct(world, history(late, LocationState)[0], valid_from=3)
    [stay] = history(cabinet)
    with refused("location_closed", "location"):
        correct(world, stay, facts={"location_id": shut.pk})
    with refused("before_known", "valid_from"):
        correct(world, stay, facts={"location_id": late.pk})
    with refused("not_found", "location_id"):
        correct(world, stay, facts={"location_id": uuid4()})
    with refused("value_invalid", "depot_id"):
        correct(world, stay, facts={"depot_id": world.tarnmouth.pk})
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, depot_id=world.tarnmouth.pk, valid_from=day(world, 9)
    )
    [stay, in_depot] = history(cabinet)
    correct(world, stay, facts={"location_id": shut.pk})
    with refused("location_closed", "location"):
        correct(world, in_depot, valid_from=10)
    with refused("before_known", "valid_from"):
        correct(world, history(cabinet)[0], valid_from=day(world, 0) - HOUR)
    with refused("value_invalid", "location_id"):
        correct(world, in_depot, facts={"location_id": shut.pk})
    correct(world, in_depot, facts={"depot_id": world.fellgate.pk})


def test_a_location_was_not_closed_or_unknown_while_a_cabinet_stood_there(world: World) -> None:
    cabinet, store = world.cabinet(), world.location
    locations.close_location(
        world.office, location_id=store.pk, valid_from=day(world, 9), cabinets_to=world.tarnmouth.pk
    )
    [was_open, closed] = history(store, LocationState)
    assert bounds(world, cabinet) == [("location", 1, 9), ("depot", 9, None)]
    with refused("location_occupied", "state"):
        correct(world, closed, valid_from=8)
    with refused("location_occupied", "state"):
        correct(world, was_open, facts={"state": "closed"})
    with refused("before_known", "valid_from"):
        correct(world, was_open, valid_from=2)
    with refused("value_invalid", "state"):
        correct(world, was_open, facts={"state": "haunted"})
    with refused("value_invalid", "location_id"):
        correct(world, was_open, facts={"location_id": store.pk})
    with undone():
        correct(world, was_open, valid_from=1, facts={"state": "planned"})
        assert bounds(world, store, LocationState) == [("planned", 1, 9), ("closed", 9, None)]
    correct(world, closed, valid_from=10)
    assert bounds(world, store, LocationState) == [("open", 0, 10), ("closed", 10, None)]


def test_a_cabinet_was_known_before_a_device_hung_in_it_and_before_it_was_split(world: World) -> None:
    cabinet, split = world.cabinet(), world.cabinet(split=True)
    installed(world, cabinet)
    with refused("before_known", "valid_from"):
        correct(world, history(cabinet)[0], valid_from=6)
    with refused("before_known", "valid_from"):
        correct(world, history(split)[0], valid_from=2)
    correct(world, history(split, Split)[0], valid_from=2)
    correct(world, history(split)[0], valid_from=2)
    correct(world, history(cabinet)[0], valid_from=5)


# --- "known by" ----------------------------------------------------------------------------------------


def taken_over(world: World) -> Location:
    return locations.take_over_location(
        world.office,
        account_id=world.account.pk,
        location=new_location(world.tarnmouth, "0043"),
        known_by=day(world, 3),
    )


def test_a_start_that_is_corrected_is_exact_unless_it_is_said_to_be_known_by(world: World) -> None:
    location = taken_over(world)
    [state] = history(location, LocationState)
    assert state.starts_known_by
    for changes, known_by in (
        ({"valid_from": 2}, False),
        ({"valid_from": 2, "starts_known_by": True}, True),
        ({"facts": {"state": "asleep"}}, True),
    ):
        with undone():
            assert correct(world, state, **changes).starts_known_by is known_by
    [exact] = history(world.location, LocationState)
    assert correct(world, exact, starts_known_by=True).starts_known_by


def test_a_start_that_was_known_by_is_said_to_be_exact_without_moving_it(world: World) -> None:
    location = taken_over(world)
    state = history(location, LocationState)[0]
    with refused("nothing_changes", "period"):
        correct(world, state, starts_known_by=True)

    exact = correct(world, state, starts_known_by=False)

    assert (exact.valid_from, exact.starts_known_by) == (state.valid_from, False)
    with refused("nothing_changes", "period"):
        correct(world, exact, starts_known_by=False)


def test_a_neighbour_whose_start_moves_is_no_longer_known_by(world: World) -> None:
    location = taken_over(world)
    [state] = history(location, LocationState)

    def sleep_before(writing: Writing) -> None:
        writing.insert(
            LocationState(location=location, state="asleep", valid_from=day(world, 1), valid_to=day(world, 3))
        )

    unruled(world, sleep_before)
    [asleep, state] = history(location, LocationState)
    with undone():
        correct(world, asleep, valid_from=2)
        assert history(location, LocationState)[1].starts_known_by
    correct(world, asleep, valid_to=2)
    assert not history(location, LocationState)[1].starts_known_by


# --- withdrawn -----------------------------------------------------------------------------------------


def test_a_withdrawn_period_lets_the_one_before_run_on_with_nothing_to_end_it(world: World) -> None:
    device = installed(world)
    before = history(device)
    index = Entry.objects.latest("index").index
    planned = planned_withdrawal(before[2])
    withdraw(world, before[2])
    assert bounds(world, device) == [("depot", 1, 5), ("cabinet", 5, None)]
    hung = history(device)[1]
    assert (hung.period, hung.end_reason, hung.end_note) == (before[1].period, "", "")
    assert [(plan.identity, plan.after is None) for plan in planned] == [
        (before[2].period, True),
        (before[1].period, False),
    ]
    then = DeviceWhereabouts.objects.believed_at(index).filter(device=device).order_by("valid_from")
    assert list(then) == before
    entry = Entry.objects.latest("index")
    assert (entry.verb, entry.reason, entry.index) == ("period.withdrawn", "Never was", index + 1)


def test_a_withdrawn_assignment_leaves_the_custody_before_it_up_to_what_followed(world: World) -> None:
    device = installed(world)
    withdraw(world, history(device)[1])
    assert bounds(world, device) == [("depot", 1, 10), ("depot", 10, None)]


def test_the_first_period_is_withdrawn_only_where_another_follows(world: World) -> None:
    device, alone = installed(world), world.device()
    with refused("overlapping_history"):
        withdraw(world, history(alone)[0])
    withdraw(world, history(device)[0])
    assert bounds(world, device) == [("cabinet", 5, 10), ("depot", 10, None)]


def test_a_withdrawal_contradicts_nothing_else(world: World) -> None:
    cabinet, other = world.cabinet(), world.device()
    device = installed(world, cabinet)
    assignments.assign_device(
        world.office, device_id=other.pk, cabinet_id=cabinet.pk, valid_from=day(world, 12)
    )
    with refused("slot_taken", "slot"):  # the former device would hang there still
        withdraw(world, history(device)[2])
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        depot_id=world.tarnmouth.pk,
        valid_from=day(world, 13),
        devices="follow",
    )
    locations.close_location(world.office, location_id=world.location.pk, valid_from=day(world, 14))
    with refused("location_closed", "location"):
        withdraw(world, history(cabinet)[1])
    with refused("before_known", "valid_from"):  # the cabinet would be known only from the depot on
        withdraw(world, history(cabinet)[0])
    withdraw(world, history(world.location, LocationState)[1])
    withdraw(world, history(cabinet)[1])
    assert bounds(world, cabinet) == [("location", 1, None)]


def test_a_second_slot_is_kept_through_a_correction(world: World) -> None:
    facts = Installation(2, "Two rows", (3, 2, 1), 40, 300)
    device = installed(world, installation=facts)
    corrected = correct(world, history(device)[1], valid_from=4)
    assert (corrected.slot, corrected.slot_reason, corrected.sensor_order) == (2, "Two rows", "3 2 1")
    assert (corrected.rail_below_ceiling_mm, corrected.offset_from_front_mm) == (40, 300)


def test_a_period_is_named_by_its_stable_identity_through_every_correction(world: World) -> None:
    device = installed(world)
    identity: UUID = history(device)[1].period
    for start in (6, 7, 4):
        correct(world, history(device)[1], valid_from=start)
    versions = DeviceWhereabouts.objects.filter(period=identity).order_by("recorded")
    # when assigned, when ended, and once a correction
    assert [version.superseded is None for version in versions] == [False, False, False, False, True]
