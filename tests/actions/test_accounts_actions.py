"""Accounts through their actions."""

from dataclasses import replace
from datetime import datetime, timedelta
from uuid import uuid4

import pytest

from registry.actions import accounts, locations
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.models import Account, AccountState, Cabinet, Location
from tests.actions.unchanged import entry_of, refused, undone
from tests.factories.world import DAY, HOUR, World, new_location


def register(world: World, code: str = "PP", **changes: object) -> Account:
    particulars = {"code": code, "name": "Pier & Pantry"} | changes.pop("particulars", {})
    return accounts.register_account(
        world.office, **({"particulars": particulars, "valid_from": world.start} | changes)
    )


def close(world: World, account: Account, at: datetime) -> None:
    accounts.close_account(world.office, account_id=account.pk, valid_from=at)


def states(account: Account) -> list[tuple[str, datetime, datetime | None]]:
    found = AccountState.objects.current().filter(account=account).order_by("valid_from")
    return [(state.state, state.valid_from, state.valid_to) for state in found]


def test_an_account_comes_with_its_locations_and_cabinets_in_one_entry(world: World) -> None:
    stores = [
        replace(
            new_location(world.tarnmouth, number),
            cabinets=[NewCabinet(world.cove.pk, {"asset_tag": f"SK-{number}"})],
        )
        for number in ("1", "2")
    ]
    entry, _ = entry_of(lambda: register(world, locations=stores))
    account = Account.objects.get(code="PP")
    assert states(account) == [("open", world.start, None)]
    assert entry.occurred_at == world.start
    held = Location.objects.filter(holdings__account=account).order_by("holdings__store_number")
    assert [store.name for store in held] == ["Harbour Road 1", "Harbour Road 2"]
    parts = [(subject.part, subject.label) for subject in entry.subjects.order_by("position")]
    assert parts == [
        ("account", "PP Pier & Pantry"),
        ("location", "Harbour Road 1, Tarnmouth"),
        ("location", "Harbour Road 2, Tarnmouth"),
        ("cabinet", "SK-1"),
        ("cabinet", "SK-2"),
    ]


def test_one_bad_location_among_many_takes_the_whole_account_back(world: World) -> None:
    stores = [new_location(world.tarnmouth, "1"), new_location(world.tarnmouth, "2")]
    with refused("code_taken", "store_number"):
        register(world, locations=[stores[0], stores[1], stores[1]])
    register(world, locations=stores)


def test_more_locations_than_fit_one_request_are_refused(world: World) -> None:
    stores = [new_location(world.tarnmouth, str(number)) for number in range(51)]
    with refused("too_many", "locations"):
        register(world, locations=stores)
    register(world, locations=stores[:50])


def test_a_device_is_not_registered_with_a_cabinet_of_a_new_account(world: World) -> None:
    cabinet = NewCabinet(world.cove.pk, {"asset_tag": "SK-1"})
    store = new_location(world.tarnmouth, "1")
    hung = replace(cabinet, device=NewDevice(world.plumb_3.pk, world.serial()))
    with refused("value_invalid", "device"):
        register(world, locations=[replace(store, cabinets=[hung])])
    register(world, locations=[replace(store, cabinets=[cabinet])])
    assert Cabinet.objects.filter(asset_tag="SK-1").exists()


def test_an_account_code_is_taken_once_and_its_leading_zeros_count(world: World) -> None:
    register(world, "0007")
    with refused("code_taken", "code"):
        register(world, "0007")
    assert register(world, "7").code == "7"
    assert Account.objects.filter(code="0007").exists()


@pytest.mark.parametrize(
    ("particulars", "field"),
    [
        ({"billing_start": "never"}, "billing_start"),
        ({"colour": "blue"}, "colour"),
    ],
)
def test_particulars_that_no_account_has_are_refused(
    world: World, particulars: dict[str, object], field: str
) -> None:
    with refused("value_invalid", field):
        register(world, particulars=particulars)
    assert register(world, particulars={"billing_start": "manual"}).billing_start == "manual"


def test_an_account_needs_its_name(world: World) -> None:
    with refused("value_invalid", "name"):
        accounts.register_account(world.office, particulars={"code": "PP"}, valid_from=world.start)
    register(world)


def test_an_account_may_begin_within_the_clock_skew_and_no_later(world: World) -> None:
    now = world.clock.at
    with refused("time_in_future", "valid_from"):
        register(world, valid_from=now + timedelta(minutes=2, seconds=1))
    with refused("time_invalid", "valid_from"):
        register(world, valid_from=now.replace(tzinfo=None))
    account = register(world, valid_from=now + timedelta(minutes=2))
    assert states(account) == [("open", now + timedelta(minutes=2), None)]


# --- one above the other -------------------------------------------------------------------------------


def test_an_account_begins_only_under_a_parent_that_is_there_and_open(world: World) -> None:
    parent = register(world, "CHAIN", valid_from=world.start + DAY)
    with refused("not_found", "parent"):
        register(world, parent_id=uuid4(), valid_from=world.start + DAY)
    with refused("before_known", "valid_from"):
        register(world, parent_id=parent.pk)
    with undone():
        close(world, parent, world.start + 5 * DAY)
        with refused("account_closed", "parent"):
            register(world, parent_id=parent.pk, valid_from=world.start + 2 * DAY)
    assert register(world, parent_id=parent.pk, valid_from=world.start + DAY).parent == parent


def test_an_open_account_is_not_put_under_a_closed_one(world: World) -> None:
    parent, account = register(world, "CHAIN"), register(world, "BANNER")
    close(world, parent, world.start + DAY)

    with refused("account_closed", "parent"):
        accounts.correct_account(world.office, account_id=account.pk, particulars={"parent_id": parent.pk})
    close(world, account, world.start + DAY)
    put = accounts.correct_account(world.office, account_id=account.pk, particulars={"parent_id": parent.pk})
    assert put.parent == parent


def test_an_account_never_stands_above_itself(world: World) -> None:
    top = register(world, "TOP")
    middle = register(world, "MIDDLE", parent_id=top.pk)
    low = register(world, "LOW", parent_id=middle.pk)

    def put(account: Account, parent: object) -> Account:
        return accounts.correct_account(
            world.office, account_id=account.pk, particulars={"parent_id": parent}
        )

    for below in (top, middle, low):
        with refused("parent_cycle", "parent"):
            put(top, below.pk)
    with refused("not_found", "parent"):
        put(low, uuid4())
    with refused("value_invalid", "parent"):
        put(low, str(top.pk))
    assert put(low, top.pk).parent == top
    assert put(middle, low.pk).parent == low
    assert put(middle, None).parent is None


def test_accounts_stand_at_most_eight_deep(world: World) -> None:
    lowest = register(world, "L1")
    for level in range(2, 9):
        lowest = register(world, f"L{level}", parent_id=lowest.pk)
    with refused("parent_cycle", "parent"):
        register(world, "L9", parent_id=lowest.pk)
    assert lowest.parent is not None
    register(world, "L8B", parent_id=lowest.parent.pk)


# --- corrected -----------------------------------------------------------------------------------------


def test_a_correction_changes_something_and_takes_no_other_accounts_code(world: World) -> None:
    other = register(world)

    def correct(**particulars: object) -> Account:
        return accounts.correct_account(world.office, account_id=other.pk, particulars=particulars)

    with refused("code_taken", "code"):
        correct(code="LF")
    with refused("nothing_changes"):
        correct(code="PP", name="Pier & Pantry")
    with refused("nothing_changes"):
        correct()
    with refused("not_found", "account"):
        accounts.correct_account(world.office, account_id=uuid4(), particulars={"name": "Nobody"})
    corrected = correct(code="PP", name="Pier & Pantry East")
    assert (corrected.code, corrected.name) == ("PP", "Pier & Pantry East")


# --- closed and opened again ---------------------------------------------------------------------------


def test_an_account_with_an_open_location_does_not_close(world: World) -> None:
    noon = world.start + 5 * DAY
    with refused("account_occupied", "account") as caught:
        close(world, world.account, noon)
    assert caught.value.details == {"locations": 1, "accounts": 0}
    with undone():
        locations.set_location_state(
            world.office, location_id=world.location.pk, state="asleep", valid_from=noon - DAY
        )
        with refused("account_occupied", "account"):
            close(world, world.account, noon)
    with undone():
        locations.close_location(world.office, location_id=world.location.pk, valid_from=noon + HOUR)
        with refused("account_occupied", "account"):
            close(world, world.account, noon)
    with undone():
        other = register(world)
        locations.hand_location(
            world.office,
            location_id=world.location.pk,
            account_id=other.pk,
            store_number="1",
            valid_from=noon,
        )
        close(world, world.account, noon)
    locations.close_location(world.office, location_id=world.location.pk, valid_from=noon)
    close(world, world.account, noon)
    assert states(world.account) == [("open", world.start, noon), ("closed", noon, None)]


def test_an_account_with_an_open_account_below_it_does_not_close(world: World) -> None:
    parent = register(world, "TOP")
    below = register(world, "LOW", parent_id=parent.pk)
    noon = world.start + 5 * DAY
    with refused("account_occupied", "account") as caught:
        close(world, parent, noon)
    assert caught.value.details == {"locations": 0, "accounts": 1}
    close(world, below, noon)
    close(world, parent, noon)
    with refused("account_closed", "parent"):
        accounts.reopen_account(world.office, account_id=below.pk, valid_from=noon + DAY)
    accounts.reopen_account(world.office, account_id=parent.pk, valid_from=noon + DAY)
    accounts.reopen_account(world.office, account_id=below.pk, valid_from=noon + DAY)
    assert states(below)[-1] == ("open", noon + DAY, None)


def test_an_account_closes_after_it_began_and_after_whatever_came_last(world: World) -> None:
    account = register(world)
    noon = world.start + 5 * DAY
    with refused("before_known", "valid_from"):
        close(world, account, world.start - HOUR)
    with refused("overlapping_history", "valid_from"):
        close(world, account, world.start)
    with refused("time_in_future", "valid_from"):
        close(world, account, world.clock.at + HOUR)
    with refused("not_found", "account"):
        accounts.close_account(world.office, account_id=uuid4(), valid_from=noon)
    with refused("nothing_changes", "account"):
        accounts.reopen_account(world.office, account_id=account.pk, valid_from=noon)
    close(world, account, noon)
    with refused("nothing_changes", "account"):
        close(world, account, noon + DAY)
    with refused("overlapping_history", "valid_from"):
        accounts.reopen_account(world.office, account_id=account.pk, valid_from=noon - HOUR)
    with refused("not_found", "account"):
        accounts.reopen_account(world.office, account_id=uuid4(), valid_from=noon + DAY)
    accounts.reopen_account(world.office, account_id=account.pk, valid_from=noon + DAY)
    assert states(account) == [
        ("open", world.start, noon),
        ("closed", noon, noon + DAY),
        ("open", noon + DAY, None),
    ]
