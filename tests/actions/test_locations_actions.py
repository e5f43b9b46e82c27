"""Depots, locations and their contacts through their actions."""

import json
from dataclasses import replace
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import accounts, assignments, cabinets, locations
from registry.actions._action import Actor
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet, NewLocation
from registry.models import (
    Account,
    Cabinet,
    CabinetWhereabouts,
    Contact,
    ContactText,
    Device,
    DeviceWhereabouts,
    Entry,
    Location,
    LocationHolding,
    LocationState,
    Split,
)
from registry.models.base import PeriodVersion
from registry.rules.assignments import Installation
from registry.rules.commitments import commitment
from registry.rules.splits import Share
from tests.actions.unchanged import entry_of, refused, undone
from tests.factories.world import DAY, HOUR, World, new_location, person

GLN = "4012345000009"
OTHER_GLN = "9506000134352"


def register(world: World, number: str = "0043", **changes: Any) -> Location:
    account = changes.pop("account", world.account)
    actor = changes.pop("actor", world.office)
    valid_from = changes.pop("valid_from", world.start)
    particulars = changes.pop("particulars", {})
    new = replace(new_location(world.tarnmouth, number, **particulars), **changes)
    return locations.register_location(actor, account_id=account.pk, location=new, valid_from=valid_from)


def another_account(world: World, code: str = "GM", **changes: Any) -> Account:
    return accounts.register_account(
        world.office,
        particulars={"code": code, "name": "Gannet Marina Stores"},
        **({"valid_from": world.start} | changes),
    )


def hand(world: World, location: Location, account: Account, number: str, at: Any) -> LocationHolding:
    return locations.hand_location(
        world.office, location_id=location.pk, account_id=account.pk, store_number=number, valid_from=at
    )


def close(world: World, location: Location, at: Any, **changes: Any) -> Location:
    actor = changes.pop("actor", world.office)
    return locations.close_location(actor, location_id=location.pk, valid_from=at, **changes)


def set_state(world: World, location: Location, state: str, at: Any) -> Location:
    return locations.set_location_state(world.office, location_id=location.pk, state=state, valid_from=at)


def current(model: type[PeriodVersion], **about: Any) -> list[Any]:
    return list(model.objects.current().filter(**about).order_by("valid_from"))


# --- depots --------------------------------------------------------------------------------------------


def test_a_depot_code_is_taken_once_whether_registered_or_corrected(world: World) -> None:
    with refused("code_taken", "code"):
        locations.register_depot(world.office, particulars={"code": "TM", "name": "Otter Sound"})
    depot = locations.register_depot(world.office, particulars={"code": "OS", "name": "Otter Sound"})

    def correct(**particulars: object) -> object:
        return locations.correct_depot(world.office, depot_id=depot.pk, particulars=particulars)

    with refused("code_taken", "code"):
        correct(code="TM")
    with refused("nothing_changes"):
        correct(code="OS")
    with refused("value_invalid", "name"):
        locations.register_depot(world.office, particulars={"code": "ON"})
    with refused("value_invalid", "street"):
        correct(street="1 Quay")
    with refused("not_found", "depot"):
        locations.correct_depot(world.office, depot_id=uuid4(), particulars={"code": "OQ"})
    correct(code="OQ")
    assert depot.__class__.objects.get(pk=depot.pk).code == "OQ"


# --- registered ----------------------------------------------------------------------------------------


def test_a_location_begins_with_its_number_state_and_cabinets_in_one_entry(world: World) -> None:
    shares = [Share(world.eight_lb.pk, 2_500), Share(world.eighteen_lb.pk, 7_500)]
    cabinet = NewCabinet(world.cove.pk, {"asset_tag": "sk-1", "setting": "outdoor"}, shares)
    entry_of(lambda: register(world, state="planned", cabinets=[cabinet]))
    location = Location.objects.get(name="Harbour Road 0043")
    [holding] = current(LocationHolding, location=location)
    [state] = current(LocationState, location=location)
    [stay] = current(CabinetWhereabouts, location=location)
    [split] = current(Split, cabinet=stay.cabinet)
    assert (holding.account, holding.store_number, state.state) == (world.account, "0043", "planned")
    assert (stay.cabinet.asset_tag, stay.cabinet.setting) == ("SK-1", "outdoor")
    assert [(s.position, s.hundredths) for s in split.shares.order_by("position")] == [(1, 2_500), (2, 7_500)]
    for period in (holding, state, stay, split):
        assert (period.valid_from, period.valid_to, period.starts_known_by) == (world.start, None, False)


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"state": "closed"}, "value_invalid", "state"),
        ({"state": "haunted"}, "value_invalid", "state"),
        ({"depot_id": uuid4()}, "not_found", "depot"),
        ({"particulars": {"latitude": "54.1"}}, "value_invalid", "longitude"),
        ({"particulars": {"latitude": "91", "longitude": "1"}}, "value_invalid", "latitude"),
        ({"particulars": {"gln": "4012345000008"}}, "check_invalid", "gln"),
        ({"particulars": {"country": "usa"}}, "value_invalid", "country"),
        ({"particulars": {"time_zone": "UTC"}}, "value_invalid", "time_zone"),
        ({"particulars": {"street": "1\n2\n3\n4"}}, "value_invalid", "street"),
        ({"particulars": {"owner": "us"}}, "value_invalid", "owner"),
    ],
)
def test_a_location_with_one_wrong_particular_is_refused(
    world: World, changes: dict[str, Any], code: str, field: str
) -> None:
    good: dict[str, Any] = {
        "state": "asleep",
        "particulars": {
            "latitude": "54.1",
            "longitude": "-3.25",
            "gln": GLN,
            "authority_on": date(2026, 1, 5),
            "authority_reference": "Letter 12",
        },
    }
    with refused(code, field):
        register(world, **changes)
    location = register(world, **good)
    assert (str(location.latitude), location.gln) == ("54.100000", GLN)


@pytest.mark.parametrize("missing", ["name", "locality", "country", "time_zone"])
def test_a_location_without_what_it_needs_is_refused(world: World, missing: str) -> None:
    whole = new_location(world.tarnmouth, "0043")
    particulars = {name: value for name, value in whole.particulars.items() if name != missing}
    with refused("value_invalid", missing):
        locations.register_location(
            world.office,
            account_id=world.account.pk,
            location=NewLocation("0043", world.tarnmouth.pk, particulars),
            valid_from=world.start,
        )
    register(world)


def test_a_global_location_number_belongs_to_one_location(world: World) -> None:
    first = register(world, "1", particulars={"gln": GLN})
    with refused("code_taken", "gln"):
        register(world, "2", particulars={"gln": GLN})
    second = register(world, "2", particulars={"gln": OTHER_GLN})

    def correct(**particulars: object) -> Location:
        return locations.correct_location(world.office, location_id=second.pk, particulars=particulars)

    with refused("code_taken", "gln"):
        correct(gln=GLN)
    correct(gln=None)
    assert locations.correct_location(
        world.office, location_id=first.pk, particulars={"gln": GLN, "name": "Slipway"}
    )


def test_a_location_begins_under_an_account_that_is_there_known_and_open(world: World) -> None:
    account = another_account(world, valid_from=world.start + DAY)
    with refused("before_known", "valid_from"):
        register(world, account=account)
    with refused("not_found", "account"):
        register(world, account=Account(pk=uuid4()))
    with undone():
        accounts.close_account(world.office, account_id=account.pk, valid_from=world.start + 5 * DAY)
        for day in (2, 5, 6):  # closed later than stated, just then, and before
            with refused("account_closed", "account"):
                register(world, account=account, valid_from=world.start + day * DAY)
        accounts.reopen_account(world.office, account_id=account.pk, valid_from=world.start + 7 * DAY)
        with refused("account_closed", "account"):
            register(world, account=account, valid_from=world.start + 6 * DAY)
        with undone():
            register(world, account=account, valid_from=world.start + 7 * DAY)
    register(world, account=account, valid_from=world.start + DAY)


def test_a_location_begins_within_the_clock_skew_and_no_later(world: World) -> None:
    with refused("time_in_future", "valid_from"):
        register(world, valid_from=world.clock.at + timedelta(minutes=3))
    register(world, valid_from=world.clock.at + timedelta(minutes=2))


def test_a_location_is_for_a_depot_of_the_person_who_registers_it(world: World) -> None:
    local = person(world, "office", world.tarnmouth)
    with refused("not_found", "depot"):
        register(world, actor=local, depot_id=world.fellgate.pk)
    register(world, actor=local)


def test_a_store_number_is_the_accounts_own_and_free_again_once_given_up(world: World) -> None:
    other, noon = another_account(world), world.start + 5 * DAY
    with refused("code_taken", "store_number"):
        register(world, "0042")
    with undone():
        register(world, "0042", account=other)
    with undone():
        register(world, "42")
    hand(world, world.location, other, "9", noon)
    with refused("code_taken", "store_number"):
        register(world, "0042", valid_from=noon - HOUR)
    assert register(world, "0042", valid_from=noon)


def test_a_device_is_not_registered_with_its_cabinet(world: World) -> None:
    cabinet = NewCabinet(world.cove.pk, {"asset_tag": "SK-1"})
    with refused("value_invalid", "device"):
        register(world, cabinets=[replace(cabinet, device=NewDevice(world.plumb_3.pk, world.serial()))])
    register(world, cabinets=[cabinet])


def test_the_cabinets_of_a_location_have_tags_of_their_own_and_a_limit(world: World) -> None:
    taken = world.cabinet()

    def tagged(*tags: str) -> list[NewCabinet]:
        return [NewCabinet(world.cove.pk, {"asset_tag": tag}) for tag in tags]

    with refused("code_repeated", "asset_tag"):
        register(world, cabinets=tagged("SK-1", "SK-2", "SK-1"))
    with refused("code_taken", "asset_tag"):
        register(world, cabinets=tagged("SK-1", taken.asset_tag))
    with refused("too_many", "cabinets"):
        register(world, cabinets=tagged(*(f"SK-{number}" for number in range(51))))
    with refused("not_found", "model"):
        register(world, cabinets=[NewCabinet(uuid4(), {"asset_tag": "SK-1"})])
    with refused("value_invalid", "asset_tag"):
        register(world, cabinets=[NewCabinet(world.cove.pk, {})])
    with refused("split_not_whole", "shares"):
        register(
            world,
            cabinets=[NewCabinet(world.cove.pk, {"asset_tag": "SK-1"}, [Share(world.eight_lb.pk, 9_000)])],
        )
    register(world, cabinets=tagged(*(f"SK-{number}" for number in range(50))))


# --- taken over ----------------------------------------------------------------------------------------


def take_over(world: World, *found: NewCabinet, **changes: Any) -> Location:
    new = replace(new_location(world.tarnmouth, "0043"), cabinets=found)
    return locations.take_over_location(
        world.office, **({"account_id": world.account.pk, "location": new, "known_by": world.start} | changes)
    )


def test_everything_that_is_taken_over_is_known_by_that_time(world: World) -> None:
    serial = world.serial()
    location = take_over(
        world,
        NewCabinet(
            world.cove.pk,
            {"asset_tag": "SK-1"},
            [Share(world.eight_lb.pk, 10_000)],
            NewDevice(world.plumb_3.pk, serial.lower(), firmware="1.0"),
            Installation(sensor_order=(3, 2, 1), rail_below_ceiling_mm=40),
        ),
        NewCabinet(world.quay.pk, {"asset_tag": "SK-2"}),
    )
    [hung] = current(DeviceWhereabouts, device__serial=serial)
    stays = current(CabinetWhereabouts, location=location)
    periods = [
        hung,
        *stays,
        *current(Split, cabinet=hung.cabinet),
        *current(LocationState, location=location),
        *current(LocationHolding, location=location),
    ]
    assert (hung.place, hung.cabinet.asset_tag, hung.sensor_order) == ("cabinet", "SK-1", "3 2 1")
    assert (hung.device.serial_typed, hung.device.firmware) == (serial.lower(), "1.0")
    assert len(periods) == 6
    assert {(p.valid_from, p.valid_to, p.starts_known_by) for p in periods} == {(world.start, None, True)}


@pytest.mark.parametrize(
    "fault", ["serial", "taken", "twice", "sensors", "order", "model", "future", "known"]
)
def test_what_is_taken_over_is_judged_like_anything_else(world: World, fault: str) -> None:
    booked, serial = world.device(), world.serial()
    good = NewCabinet(world.cove.pk, {"asset_tag": "SK-1"}, device=NewDevice(world.plumb_3.pk, serial))
    wrong = serial[:-1] + str((int(serial[-1]) + 1) % 10)
    cases: dict[str, tuple[str, str, Any]] = {
        "serial": (
            "serial_invalid",
            "serial",
            lambda: take_over(world, replace(good, device=NewDevice(world.plumb_3.pk, wrong))),
        ),
        "taken": (
            "code_taken",
            "serial",
            lambda: take_over(world, replace(good, device=NewDevice(world.plumb_3.pk, booked.serial))),
        ),
        "twice": (
            "code_taken",
            "serial",
            lambda: take_over(world, good, replace(good, particulars={"asset_tag": "SK-2"})),
        ),
        "sensors": (
            "sensor_count_mismatch",
            "device",
            lambda: take_over(world, replace(good, model_id=world.quay.pk)),
        ),
        "order": (
            "value_invalid",
            "sensor_order",
            lambda: take_over(world, replace(good, installation=Installation(sensor_order=(1, 2)))),
        ),
        "model": (
            "not_found",
            "model",
            lambda: take_over(world, replace(good, device=NewDevice(uuid4(), serial))),
        ),
        "future": (
            "time_in_future",
            "valid_from",
            lambda: take_over(world, good, known_by=world.clock.at + HOUR),
        ),
        "known": (
            "before_known",
            "valid_from",
            lambda: take_over(world, good, known_by=world.start - HOUR),
        ),
    }
    code, field, call = cases[fault]
    with refused(code, field):
        call()
    with refused("not_found", "account"):
        take_over(world, good, account_id=uuid4())
    take_over(world, good)
    assert Device.objects.filter(serial=serial).exists()


# --- corrected -----------------------------------------------------------------------------------------


def test_a_correction_of_a_location_changes_something_that_can_be(world: World) -> None:
    def correct(**particulars: object) -> Location:
        return locations.correct_location(
            world.office, location_id=world.location.pk, particulars=particulars
        )

    with refused("nothing_changes"):
        correct(name=world.location.name)
    with refused("value_invalid", "longitude"):
        correct(latitude="54.1")
    with refused("value_invalid", "store_number"):
        correct(store_number="1")
    with refused("not_found", "location"):
        locations.correct_location(world.office, location_id=uuid4(), particulars={"name": "Slipway"})
    correct(latitude="54.1", longitude="-3.2")
    with refused("value_invalid", "longitude"):
        correct(longitude=None)
    assert str(correct(latitude="54.2").latitude) == "54.200000"


def test_a_location_goes_to_another_depot_only_where_both_are_the_persons(world: World) -> None:
    local = person(world, "office", world.tarnmouth)
    both = person(world, "office", world.tarnmouth, world.fellgate)

    def give(actor: Actor, depot_id: object) -> Location:
        return locations.correct_location(
            actor, location_id=world.location.pk, particulars={"depot_id": depot_id}
        )

    with refused("not_found", "depot"):
        give(local, world.fellgate.pk)
    with refused("not_found", "depot"):
        give(both, uuid4())
    with refused("value_invalid", "depot"):
        give(both, "Fellgate")
    assert give(both, world.fellgate.pk).depot == world.fellgate
    with refused("not_found", "location"):
        give(local, world.tarnmouth.pk)


# --- states --------------------------------------------------------------------------------------------


def test_a_location_sleeps_and_wakes_and_closes_by_another_way(world: World) -> None:
    noon = world.start + 5 * DAY
    with refused("value_invalid", "state"):
        set_state(world, world.location, "closed", noon)
    with refused("nothing_changes", "location"):
        set_state(world, world.location, "open", noon)
    with refused("before_known", "valid_from"):
        set_state(world, world.location, "asleep", world.start - HOUR)
    with refused("overlapping_history", "valid_from"):
        set_state(world, world.location, "asleep", world.start)
    with refused("time_in_future", "valid_from"):
        set_state(world, world.location, "asleep", world.clock.at + HOUR)
    with refused("not_found", "location"):
        set_state(world, Location(pk=uuid4()), "asleep", noon)
    set_state(world, world.location, "asleep", noon)
    set_state(world, world.location, "open", noon + DAY)
    assert [(s.state, s.valid_to) for s in current(LocationState, location=world.location)] == [
        ("open", noon),
        ("asleep", noon + DAY),
        ("open", None),
    ]


def test_a_location_opens_again_only_under_an_account_that_is_open(world: World) -> None:
    noon = world.start + 5 * DAY
    close(world, world.location, noon)
    accounts.close_account(world.office, account_id=world.account.pk, valid_from=noon + DAY)
    for at in (noon + HOUR, noon + 2 * DAY):
        with refused("account_closed", "account"):
            set_state(world, world.location, "open", at)
    accounts.reopen_account(world.office, account_id=world.account.pk, valid_from=noon + 3 * DAY)
    set_state(world, world.location, "open", noon + 3 * DAY)


# --- closed --------------------------------------------------------------------------------------------


def test_closing_sends_cabinets_and_devices_where_somebody_said(world: World) -> None:
    noon = world.start + 5 * DAY
    cabinet, bare, device = world.cabinet(), world.cabinet(), world.device()
    world.assigned(device, cabinet)
    with refused("location_occupied", "cabinets_to") as caught:
        close(world, world.location, noon)
    assert caught.value.details == {"cabinets": sorted([cabinet.asset_tag, bare.asset_tag])}
    for name in ("cabinets_to", "devices_to"):
        with refused("not_found", name):
            close(world, world.location, noon, **{"cabinets_to": world.tarnmouth.pk, name: uuid4()})
    with undone():
        close(world, world.location, noon, cabinets_to=world.fellgate.pk)
        assert current(DeviceWhereabouts, device=device)[-1].depot == world.fellgate
    close(world, world.location, noon, cabinets_to=world.tarnmouth.pk, devices_to=world.fellgate.pk)
    [_, hung, back] = current(DeviceWhereabouts, device=device)
    assert (hung.end_reason, hung.valid_to) == ("closed", noon)
    assert (back.place, back.depot, back.valid_from) == ("depot", world.fellgate, noon)
    for gone in (cabinet, bare):
        [stood, stay] = current(CabinetWhereabouts, cabinet=gone)
        assert (stood.location, stood.valid_to) == (world.location, noon)
        assert (stay.place, stay.depot, stay.valid_from) == ("depot", world.tarnmouth, noon)
    assert [s.state for s in current(LocationState, location=world.location)] == ["open", "closed"]


def test_closing_sends_nothing_to_a_depot_of_somebody_else(world: World) -> None:
    local, noon = person(world, "office", world.tarnmouth), world.start + 5 * DAY
    theirs = world.store(depot=world.fellgate)
    world.assigned(world.device(), world.cabinet())
    with refused("not_found", "location"):
        close(world, theirs, noon, actor=local)
    for name in ("cabinets_to", "devices_to"):
        with refused("not_found", name):
            close(
                world,
                world.location,
                noon,
                actor=local,
                **{"cabinets_to": world.tarnmouth.pk, name: world.fellgate.pk},
            )
    close(world, world.location, noon, actor=local, cabinets_to=world.tarnmouth.pk)


def test_a_location_does_not_close_under_what_came_later(world: World) -> None:
    noon, to = world.start + 5 * DAY, world.tarnmouth.pk
    cabinet, elsewhere = world.cabinet(), world.store()
    with undone():  # the cabinet went away afterwards
        cabinets.move_cabinet(
            world.office, cabinet_id=cabinet.pk, location_id=elsewhere.pk, valid_from=noon + DAY
        )
        with refused("location_occupied", "cabinets_to"):
            close(world, world.location, noon)
        with refused("overlapping_history", "valid_from"):
            close(world, world.location, noon, cabinets_to=to)
        with undone():
            close(world, world.location, noon + DAY)
    with undone():  # a device was hung up afterwards
        world.assigned(world.device(), cabinet, noon + DAY)
        with refused("overlapping_history", "valid_from"):
            close(world, world.location, noon, cabinets_to=to)
    with undone():
        set_state(world, world.location, "asleep", noon)
        with refused("overlapping_history", "valid_from"):
            close(world, world.location, noon, cabinets_to=to)
    with refused("before_known", "valid_from"):
        close(world, world.location, world.start - HOUR, cabinets_to=to)
    with refused("time_in_future", "valid_from"):
        close(world, elsewhere, world.clock.at + HOUR)
    with refused("not_found", "location"):
        close(world, Location(pk=uuid4()), noon)
    close(world, world.location, noon, cabinets_to=to)
    with refused("nothing_changes", "location"):
        close(world, world.location, noon + DAY)


# --- handed over ---------------------------------------------------------------------------------------


def test_a_location_is_handed_to_an_account_that_can_take_it(world: World) -> None:
    noon = world.start + 5 * DAY
    other = another_account(world, valid_from=world.start + DAY)
    register(world, "7", account=other, valid_from=world.start + DAY)
    location = world.location
    with refused("code_taken", "store_number"):
        hand(world, location, other, "7", noon)
    with refused("nothing_changes", "account"):
        hand(world, location, world.account, "0042", noon)
    with refused("not_found", "account"):
        hand(world, location, Account(pk=uuid4()), "8", noon)
    with refused("not_found", "location"):
        hand(world, Location(pk=uuid4()), other, "8", noon)
    with refused("before_known", "valid_from"):
        hand(world, location, other, "8", world.start + HOUR)
    with refused("overlapping_history", "valid_from"):
        hand(world, location, world.account, "8", world.start)
    with refused("time_in_future", "valid_from"):
        hand(world, location, other, "8", world.clock.at + HOUR)
    with refused("text_invalid", "store_number"):
        hand(world, location, other, "8 b", noon)
    with undone():
        empty = another_account(world, "PP")
        accounts.close_account(world.office, account_id=empty.pk, valid_from=noon + DAY)
        with refused("account_closed", "account"):
            hand(world, location, empty, "8", noon)
    with undone():
        close(world, location, noon)
        with refused("location_closed", "location"):
            hand(world, location, other, "8", noon + DAY)
    with undone():  # a nap after the day of the handing is no matter of it
        locations.set_location_state(
            world.office, location_id=location.pk, state="asleep", valid_from=noon + DAY
        )
        hand(world, location, other, "8", noon)
    hand(world, location, other, "8", noon)
    with refused("overlapping_history", "valid_from"):
        hand(world, location, world.account, "8", noon - HOUR)
    assert [
        (h.account, h.store_number, h.valid_from, h.valid_to)
        for h in current(LocationHolding, location=location)
    ] == [(world.account, "0042", world.start, noon), (other, "8", noon, None)]


def test_a_location_may_change_its_number_within_one_account_and_keep_it_for_another(world: World) -> None:
    other, noon = another_account(world), world.start + 5 * DAY
    hand(world, world.location, world.account, "0099", noon)
    hand(world, world.location, other, "0099", noon + DAY)
    assert [h.store_number for h in current(LocationHolding, location=world.location)] == [
        "0042",
        "0099",
        "0099",
    ]


# --- contacts ------------------------------------------------------------------------------------------


def test_a_contacts_words_are_committed_to_and_never_enter_the_ledger(world: World) -> None:
    def register_contact(**text: object) -> Contact:
        return locations.register_contact(world.office, location_id=world.location.pk, text=text)

    with refused("value_invalid", "birthday"):
        register_contact(name="Tamsin Reed", birthday="1 May")
    with refused("value_invalid", "name"):
        register_contact(phone="555-0134")
    with refused("not_found", "location"):
        locations.register_contact(world.office, location_id=uuid4(), text={"name": "Tamsin Reed"})
    contact = register_contact(name="Tamsin Reed", phone="555-0134")
    [first] = ContactText.objects.filter(contact=contact)
    assert first.text == {"name": "Tamsin Reed", "phone": "555-0134", "email": "", "note": ""}
    assert first.commitment == contact.commitment == commitment(bytes(first.salt), first.text)

    with refused("not_found", "contact"):
        locations.correct_contact(world.office, contact_id=uuid4(), text={"name": "Tamsin Reeve"})
    locations.correct_contact(world.office, contact_id=contact.pk, text={"name": "Tamsin Reed"})
    contact.refresh_from_db()
    [_, second] = ContactText.objects.filter(contact=contact).order_by("id")
    assert contact.commitment == second.commitment != first.commitment
    assert bytes(second.salt) != bytes(first.salt)

    bodies = " ".join(Entry.objects.values_list("body", flat=True))
    assert contact.commitment in bodies
    assert "Tamsin" not in bodies
    assert bytes(first.salt).hex() not in bodies
    assert json.dumps(first.text) not in bodies


def test_an_erased_contact_keeps_its_commitments_and_nothing_else(world: World) -> None:
    contact, kept = (
        locations.register_contact(world.office, location_id=world.location.pk, text={"name": name})
        for name in ("Tamsin Reed", "Joss Marram")
    )
    locations.correct_contact(world.office, contact_id=contact.pk, text={"name": "Tamsin Reeve"})
    with refused("not_found", "contact"):
        locations.erase_contact(world.office, contact_id=uuid4())
    locations.erase_contact(world.office, contact_id=contact.pk)
    texts = ContactText.objects.filter(contact=contact)
    assert [(text.salt, text.text) for text in texts] == [(None, None), (None, None)]
    assert Contact.objects.get(pk=contact.pk).erased
    assert ContactText.objects.get(contact=kept).text["name"] == "Joss Marram"
    with refused("nothing_changes", "contact"):
        locations.erase_contact(world.office, contact_id=contact.pk)
    with refused("nothing_changes", "contact"):
        locations.correct_contact(world.office, contact_id=contact.pk, text={"name": "Tamsin Reed"})
    locations.correct_contact(world.office, contact_id=kept.pk, text={"name": "Joss Marrow"})


def test_a_cabinet_that_came_and_went_does_not_keep_a_location_open(world: World) -> None:
    cabinet: Cabinet = world.cabinet()
    assignment = world.assigned(world.device(), cabinet)
    noon = world.start + 5 * DAY
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=noon,
        end_reason="moved",
        depot_id=world.tarnmouth.pk,
    )
    cabinets.move_cabinet(world.office, cabinet_id=cabinet.pk, depot_id=world.tarnmouth.pk, valid_from=noon)
    close(world, world.location, noon)
