"""Stories: everything that happened at a location and to a device, with what each correction replaced."""

from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from registry.actions import (
    assignments,
    cabinets,
    devices,
    locations,
    periods,
    products,
    provisional,
    staff,
)
from registry.actions._devices import NewDevice
from registry.models import CabinetWhereabouts, Device, DeviceWhereabouts, Split, Staff
from registry.queries.moments import head_index
from registry.queries.timelines import Event, device_trace, location_timeline
from registry.rules.splits import Share
from tests.conftest import outside_actions
from tests.factories.world import DAY, HOUR, World


def verbs(events: list[Event]) -> list[str]:
    return [event.verb for event in events]


def utc(moment: Any) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"


def found_in(world: World, cabinet_id: UUID) -> Device:
    """Record a device that nobody booked in, hanging in a cabinet since day 5."""
    return provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 5 * DAY,
        evidence="label torn",
        cabinet_id=cabinet_id,
    )


# --- what an event tells ---------------------------------------------------------------------------


def test_an_event_says_who_when_it_occurred_when_it_was_recorded_and_why(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.clock.at += HOUR
    assignments.assign_device(
        world.installer,
        device_id=device.pk,
        cabinet_id=cabinet.pk,
        valid_from=world.start + 4 * DAY,
        reason="rollout of week 6",
    )

    event = location_timeline(world.location.pk)[-1]

    assert (event.verb, event.face, event.who) == ("device.assigned", "api", "Installer")
    assert (event.occurred_at, event.recorded_at) == (world.start + 4 * DAY, world.clock.at)
    assert event.reason == "rollout of week 6"
    assert event.words == (
        f"Device {device.serial} was assigned to cabinet {cabinet.asset_tag} at Harbour Road 0042, Tarnmouth"
    )
    assert (event.index, event.simulated, event.replaced) == (head_index(), True, [])
    assert (event.cabinets, event.devices) == (frozenset({cabinet.pk}), frozenset({device.pk}))


def test_a_location_tells_of_itself_and_of_what_stood_there_by_when_it_occurred(world: World) -> None:
    cabinet = world.cabinet(split=True)
    device, other = world.device(), world.device()
    late = world.assigned(device, cabinet, world.start + 9 * DAY)
    locations.register_contact(world.office, location_id=world.location.pk, text={"name": "Wren Hollis"})
    assignments.swap_device(
        world.office,
        assignment_id=late.period,
        device_id=other.pk,
        valid_from=world.start + 12 * DAY,
        depot_id=world.tarnmouth.pk,
    )
    # Recorded last, but it happened before the device came.
    locations.set_location_state(
        world.office, location_id=world.location.pk, state="asleep", valid_from=world.start + 6 * DAY
    )
    world.cabinet(world.store())  # elsewhere

    events = location_timeline(world.location.pk)

    assert verbs(events) == [
        "location.registered",
        "cabinet.registered",
        "location.state_set",
        "device.assigned",
        "device.swapped",
        "contact.registered",
    ]
    assert [event.occurred_at for event in events] == sorted(event.occurred_at for event in events)


def test_a_moved_cabinet_is_told_at_both_places_and_afterwards_at_the_new_one_alone(world: World) -> None:
    cabinet, store = world.cabinet(), world.store()
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=world.start + 5 * DAY
    )
    products.set_split(
        world.office,
        cabinet_id=cabinet.pk,
        shares=[Share(world.eight_lb.pk, 10_000)],
        valid_from=world.start + 6 * DAY,
    )

    assert verbs(location_timeline(world.location.pk)) == [
        "location.registered",
        "cabinet.registered",
        "cabinet.moved",
    ]
    assert verbs(location_timeline(store.pk)) == ["location.registered", "cabinet.moved", "split.set"]
    assert location_timeline(store.pk)[1].words == (
        f"Cabinet {cabinet.asset_tag} went from Harbour Road 0042, Tarnmouth to {store.label}"
    )


def test_a_device_tells_its_life_from_receipt_to_retirement(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    hung = world.assigned(device, cabinet, world.start + 3 * DAY)
    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        valid_to=world.start + 6 * DAY,
        end_reason="fault",
        end_note="port 2 silent",
        staff_id=world.installer.staff_id,
    )
    for days, act in (
        (7, devices.send_device_to_repair),
        (9, devices.return_device_from_repair),
        (11, devices.retire_device),
    ):
        more = {"depot_id": world.fellgate.pk} if days == 9 else {}
        act(world.office, device_id=device.pk, valid_from=world.start + days * DAY, **more)  # type: ignore[operator]
    world.device()  # another

    events = device_trace(device.pk)

    assert [event.words for event in events] == [
        f"{device.serial} came into depot TM Tarnmouth",
        f"Device {device.serial} was assigned to cabinet {cabinet.asset_tag} at Harbour Road 0042, Tarnmouth",
        f"Device {device.serial} was taken out of cabinet {cabinet.asset_tag} at Harbour Road 0042, Tarnmouth"
        " and went to Installer",
        f"Device {device.serial} was sent to its maker from Installer",
        f"Device {device.serial} came back to depot FG Fellgate",
        f"Device {device.serial} was retired, last at FG Fellgate",
    ]
    assert events[2].reason == "port 2 silent"


def test_a_story_of_nothing_is_empty(world: World) -> None:
    assert location_timeline(world.account.pk) == []
    assert device_trace(world.account.pk) == []


# --- what the register knew ------------------------------------------------------------------------


def test_what_was_recorded_later_is_not_told_as_known_then(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    before = head_index()
    hung = world.assigned(device, cabinet)
    between = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        valid_from=world.start + 3 * DAY,
        reason="hung later",
    )

    def trace(index: int | None = None) -> list[str]:
        return verbs(device_trace(device.pk, known_index=index))

    def story(index: int | None = None) -> list[str]:
        return verbs(location_timeline(world.location.pk, known_index=index))

    assert trace(before) == ["devices.received"]
    assert trace(between) == ["devices.received", "device.assigned"]
    assert trace() == ["devices.received", "device.assigned", "period.corrected"]
    assert story(before) == ["location.registered", "cabinet.registered"]
    assert story(between) == ["location.registered", "cabinet.registered", "device.assigned"]
    assert story() == [
        "location.registered",
        "cabinet.registered",
        "device.assigned",
        "period.corrected",
    ]


def test_an_event_recorded_before_a_place_was_corrected_is_told_at_the_corrected_location(
    world: World,
) -> None:
    cabinet, store = world.cabinet(), world.store()
    world.assigned(world.device(), cabinet)
    before = head_index()
    stay = CabinetWhereabouts.objects.current().get(cabinet=cabinet)
    periods.correct_period(
        world.office,
        history="cabinetwhereabouts",
        period_id=stay.period,
        facts={"location_id": store.pk},
        reason="the neighbouring store",
    )

    assert verbs(location_timeline(store.pk, known_index=before)) == ["location.registered"]
    assert verbs(location_timeline(store.pk)) == [
        "location.registered",
        "cabinet.registered",
        "device.assigned",
        "period.corrected",
    ]


def test_a_story_as_known_then_is_the_same_whatever_is_recorded_later(world: World) -> None:
    location = world.location.pk
    locations.correct_location(
        world.office, location_id=location, particulars={"depot_id": world.fellgate.pk}
    )
    device, cabinet = world.device(depot=world.fellgate), world.cabinet()
    world.assigned(device, cabinet)
    index = head_index()
    told, traced = location_timeline(location), device_trace(device.pk)
    assert told[-1].replaced == ["depot was TM Tarnmouth, is now FG Fellgate"]

    locations.correct_depot(world.office, depot_id=world.fellgate.pk, particulars={"name": "Fell"})
    locations.correct_location(world.office, location_id=location, particulars={"name": "Mole End"})
    cabinets.correct_cabinet(world.office, cabinet_id=cabinet.pk, particulars={"asset_tag": "SK-9999"})
    devices.correct_device(world.office, device_id=device.pk, firmware="2.1")

    assert location_timeline(location, known_index=index) == told
    assert device_trace(device.pk, known_index=index) == traced


# --- what a correction replaced --------------------------------------------------------------------


def test_corrected_particulars_tell_what_they_were(world: World) -> None:
    locations.correct_location(
        world.office,
        location_id=world.location.pk,
        particulars={"name": "Mole End", "depot_id": world.fellgate.pk, "region": "ME"},
        reason="moved to the other depot",
    )

    event = location_timeline(world.location.pk)[-1]

    assert event.reason == "moved to the other depot"
    assert sorted(event.replaced) == [
        "depot was TM Tarnmouth, is now FG Fellgate",
        "name was Harbour Road 0042, is now Mole End",
        "region was not said, is now ME",
    ]


def test_a_corrected_contact_tells_nothing_of_its_text_or_commitment(world: World) -> None:
    contact = locations.register_contact(
        world.office, location_id=world.location.pk, text={"name": "Wren Hollis"}
    )
    locations.correct_contact(world.office, contact_id=contact.pk, text={"name": "Wren Hollis-Pike"})

    event = location_timeline(world.location.pk)[-1]

    assert (event.verb, event.replaced) == ("contact.corrected", [])
    assert "Wren" not in event.words


def test_a_corrected_swap_tells_every_boundary_that_moved_with_whose_it_is(world: World) -> None:
    old, new = world.device(), world.device()
    first = world.assigned(old, world.cabinet())
    second = assignments.swap_device(
        world.office,
        assignment_id=first.period,
        device_id=new.pk,
        valid_from=world.start + 10 * DAY,
        depot_id=world.tarnmouth.pk,
    )
    was, now = world.start + 10 * DAY, world.start + 12 * DAY
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=second.period,
        valid_from=now,
        reason="read the job sheet",
    )

    for device, other in ((old, new), (new, old)):
        event = device_trace(device.pk)[-1]
        assert event.words == f"The history of {device.serial} and {other.serial} was corrected"
        assert event.replaced == [
            f"place of device {new.serial}: valid from was {utc(was)}, is now {utc(now)}",
            f"place of device {new.serial}: valid to was {utc(was)}, is now {utc(now)}",
            f"place of device {old.serial}: valid to was {utc(was)}, is now {utc(now)}",
            f"place of device {old.serial}: valid from was {utc(was)}, is now {utc(now)}",
        ]


def test_a_corrected_cabinet_and_a_corrected_place_are_told_by_name(world: World) -> None:
    device, wrong, right, store = world.device(), world.cabinet(), world.cabinet(), world.store()
    hung = world.assigned(device, wrong)
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        facts={"cabinet_id": right.pk, "rail_below_ceiling_mm": 40},
        reason="read the tag again",
    )
    stay = CabinetWhereabouts.objects.current().get(cabinet=wrong)
    periods.correct_period(
        world.office,
        history="cabinetwhereabouts",
        period_id=stay.period,
        facts={"location_id": store.pk},
        reason="the neighbouring store",
    )

    assert device_trace(device.pk)[-1].replaced == [
        f"place of device {device.serial}: cabinet was {wrong.asset_tag}, is now {right.asset_tag}",
        f"place of device {device.serial}: rail below ceiling mm was not said, is now 40",
    ]
    assert location_timeline(store.pk)[-1].replaced == [
        f"place of cabinet {wrong.asset_tag}: location was {world.location.label}, is now {store.label}"
    ]


def test_a_corrected_depot_or_van_is_told_by_name(world: World) -> None:
    device = world.device()
    van = devices.hand_over_device(
        world.office,
        device_id=device.pk,
        staff_id=world.installer.staff_id,
        valid_from=world.start + 3 * DAY,
    )
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=van.period,
        facts={"staff_id": world.stranger.staff_id, "depot_id": world.fellgate.pk},
        reason="the other van",
    )

    assert device_trace(device.pk)[-1].replaced == [
        f"place of device {device.serial}: depot was TM Tarnmouth, is now FG Fellgate",
        f"place of device {device.serial}: staff was Installer, is now Stranger",
    ]


def test_a_corrected_split_tells_both_splits(world: World) -> None:
    cabinet = world.cabinet(split=True)
    split = Split.objects.current().get(cabinet=cabinet)
    periods.correct_period(
        world.office,
        history="split",
        period_id=split.period,
        facts={"shares": [Share(world.eighteen_lb.pk, 2_550), Share(world.eight_lb.pk, 7_450)]},
        reason="measured again",
    )

    assert location_timeline(world.location.pk)[-1].replaced == [
        f"split of cabinet {cabinet.asset_tag}: shares were 8 lb bag 60 %, 18 lb bag 40 %,"
        " are now 18 lb bag 25.5 %, 8 lb bag 74.5 %"
    ]


def test_a_withdrawn_period_tells_what_it_said_and_until_when_the_former_one_runs(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    hung = world.assigned(device, cabinet)
    periods.withdraw_period(
        world.office, history="devicewhereabouts", period_id=hung.period, reason="never hung"
    )

    event = device_trace(device.pk)[-1]

    since = utc(world.start + 2 * DAY)
    assert (event.verb, event.reason) == ("period.withdrawn", "never hung")
    assert event.replaced == [
        f"place of device {device.serial}: cabinet {cabinet.asset_tag}, {since} to still, was withdrawn",
        f"place of device {device.serial}: valid to was {since}, is now still",
    ]


def test_a_withdrawn_split_tells_its_shares(world: World) -> None:
    cabinet = world.cabinet(split=True)
    later = world.start + 9 * DAY
    split = products.set_split(
        world.office, cabinet_id=cabinet.pk, shares=[Share(world.eight_lb.pk, 10_000)], valid_from=later
    )
    periods.withdraw_period(world.office, history="split", period_id=split.period, reason="another cabinet")

    assert location_timeline(world.location.pk)[-1].replaced == [
        f"split of cabinet {cabinet.asset_tag}: 8 lb bag 100 %, {utc(later)} to still, was withdrawn",
        f"split of cabinet {cabinet.asset_tag}: valid to was {utc(later)}, is now still",
    ]


# --- devices that nobody booked in -----------------------------------------------------------------


def test_a_device_tells_what_was_told_of_the_record_that_turned_out_to_be_it(world: World) -> None:
    known, cabinet = world.device(), world.cabinet()
    found = found_in(world, cabinet.pk)
    before = head_index()
    provisional.merge_provisional_device(
        world.office, device_id=found.pk, into_id=known.pk, reason="the label was read again"
    )

    trace = device_trace(known.pk)

    assert [(event.verb, event.who) for event in trace] == [
        ("devices.received", "Office"),
        ("provisional.recorded", "Installer"),
        ("provisional.merged", "Office"),
    ]
    assert trace[-1].words == f"Provisional device {found.serial} turned out to be {known.serial}"
    since = utc(world.start + 5 * DAY)
    assert trace[-1].replaced == [
        f"place of device {found.serial}: cabinet {cabinet.asset_tag}, {since} to still, was withdrawn",
        f"place of device {known.serial}: valid to was still, is now {since}",
        f"merged into was not said, is now {known.serial}",
        "standing was provisional, is now merged",
    ]
    assert verbs(device_trace(found.pk)) == ["provisional.recorded", "provisional.merged"]
    assert verbs(device_trace(known.pk, known_index=before)) == ["devices.received"]
    assert verbs(location_timeline(world.location.pk))[-1] == "provisional.merged"


def test_records_merged_one_into_another_tell_one_story(world: World) -> None:
    known, cabinet = world.device(), world.cabinet()
    earlier = provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 2 * DAY,
        evidence="lay in the van",
        depot_id=world.tarnmouth.pk,
    )
    later = found_in(world, cabinet.pk)
    provisional.merge_provisional_device(world.office, device_id=later.pk, into_id=earlier.pk)
    provisional.merge_provisional_device(world.office, device_id=earlier.pk, into_id=known.pk)

    assert verbs(device_trace(known.pk)) == [
        "devices.received",
        "provisional.recorded",
        "provisional.recorded",
        "provisional.merged",
        "provisional.merged",
    ]


def test_a_rejected_device_tells_where_it_is_no_longer_believed_to_have_hung(world: World) -> None:
    cabinet = world.cabinet()
    found = found_in(world, cabinet.pk)
    provisional.reject_provisional_device(world.office, device_id=found.pk, reason="a competitor's")

    event = device_trace(found.pk)[-1]

    since = utc(world.start + 5 * DAY)
    assert (event.verb, event.reason) == ("provisional.rejected", "a competitor's")
    assert event.replaced == [
        f"place of device {found.serial}: cabinet {cabinet.asset_tag}, {since} to still, was withdrawn",
        "standing was provisional, is now rejected",
    ]
    assert event in location_timeline(world.location.pk)


# --- people ----------------------------------------------------------------------------------------


def test_the_system_and_people_who_left_are_told_by_name(world: World) -> None:
    device = world.device()
    staff.deactivate_staff(world.administrator, staff_id=world.office.staff_id)

    assert device_trace(device.pk)[0].who == "Office"


def test_a_person_whose_name_was_erased_is_a_former_staff_member(world: World) -> None:
    device = world.device()
    devices.hand_over_device(
        world.office,
        device_id=device.pk,
        staff_id=world.installer.staff_id,
        valid_from=world.start + 3 * DAY,
    )
    with outside_actions():
        Staff.objects.update(name="")

    [received, handed_over] = device_trace(device.pk)

    assert received.who == handed_over.who == "a former staff member"
    label = Staff.objects.get(pk=world.installer.staff_id).label
    assert handed_over.words == f"Device {device.serial} went from TM Tarnmouth to {label}"


# --- how many queries ------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_the_story_of_a_location_takes_as_many_queries_for_many_events_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    for _ in range(rows):
        world.assigned(world.device(), world.cabinet())

    # the head; stays of cabinets; entries of the location; entries of the cabinets; the entries; their
    # subjects; names of people
    with django_assert_num_queries(7):
        assert len(location_timeline(world.location.pk)) == 2 * rows + 1

    for number in range(rows):
        locations.correct_location(
            world.office,
            location_id=world.location.pk,
            particulars={"depot_id": (world.tarnmouth if number % 2 else world.fellgate).pk},
        )
    with django_assert_num_queries(8):  # as above, and depots
        assert len(location_timeline(world.location.pk)) == 3 * rows + 1


@pytest.mark.parametrize("rows", [3, 30])
def test_corrected_splits_take_as_many_queries_for_many_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    cabinet = world.cabinet(split=True)
    period = Split.objects.current().get(cabinet=cabinet).period
    for number in range(rows):
        share = 1_000 + number
        periods.correct_period(
            world.office,
            history="split",
            period_id=period,
            facts={"shares": [Share(world.eight_lb.pk, share), Share(world.eighteen_lb.pk, 10_000 - share)]},
            reason="measured again",
        )

    # the head; stays; entries of the location; entries of the cabinet; the entries; subjects; shares of
    # the splits; products; people
    with django_assert_num_queries(9):
        assert len(location_timeline(world.location.pk)) == rows + 2


@pytest.mark.parametrize("rows", [3, 30])
def test_the_trace_of_a_device_takes_as_many_queries_for_many_events_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    device = world.device()
    for number in range(rows):
        devices.hand_over_device(
            world.office,
            device_id=device.pk,
            staff_id=(world.installer if number % 2 else world.stranger).staff_id,
            valid_from=world.start + 2 * DAY + number * timedelta(hours=2),
        )

    # the head; records merged into it; its entries; the entries; their subjects; names of people
    with django_assert_num_queries(6):
        assert len(device_trace(device.pk)) == rows + 1
    assert DeviceWhereabouts.objects.current().filter(device=device).count() == rows + 1


def test_a_correction_is_told_at_the_store_where_the_cabinet_stood_then(world: World) -> None:
    cabinet, elsewhere = world.cabinet(), world.store()
    assignment = world.assigned(world.device(), cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=elsewhere.pk,
        devices="follow",
        valid_from=world.start + 6 * DAY,
    )

    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        valid_from=world.start + 3 * DAY,
        reason="A day late.",
    )

    assert "period.corrected" in [event.verb for event in location_timeline(world.location.pk)]


def test_a_trace_names_its_own_device_among_the_many_that_came_together(world: World) -> None:
    made = devices.receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_3.pk, world.serial()) for _ in range(8)],
        depot_id=world.tarnmouth.pk,
        valid_from=world.start + DAY,
    )

    [event] = device_trace(made[6].pk)

    assert event.words.startswith(f"{made[6].serial}, ")
    assert event.words.endswith("and 5 more came into depot TM Tarnmouth")
