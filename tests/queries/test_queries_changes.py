"""What an action would change, in words: rehearsed, so that it is told before anything is written."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from django.db import connection

from registry.actions import accounts, assignments, cabinets, devices, locations, periods, products, staff
from registry.actions._requests import rehearse
from registry.actions._stores import NewCabinet
from registry.models import Split
from registry.queries.changes import NOTHING, ChangeLine, change_lines, show_time
from registry.queries.moments import head_index
from registry.rules.splits import Share
from tests.actions.unchanged import nothing_changed
from tests.factories.world import DAY, World, new_location

NEW_YORK = ZoneInfo("America/New_York")


def lines(world: World, action: Any, **arguments: Any) -> list[ChangeLine]:
    """Rehearse an action as the office, and return what it would change."""
    with nothing_changed():
        told = rehearse(action, world.office, **arguments)
    labels: Mapping[str, str] = {str(about.thing_id): about.label for about in told.story.about}
    images = [(row.table, row.before, row.after) for row in told.written]
    return change_lines(images, labels, head_index(), NEW_YORK)


def local(moment: Any) -> str:
    return show_time(moment, NEW_YORK)


def test_a_time_is_told_with_its_zone_and_with_seconds_only_where_it_has_some(world: World) -> None:
    assert show_time(world.start, NEW_YORK) == "2026-01-31 03:00 EST"
    assert show_time(world.start.replace(second=7), NEW_YORK) == "2026-01-31 03:00:07 EST"


def test_a_corrected_record_tells_each_column_was_and_will_be(world: World) -> None:
    told = lines(
        world,
        accounts.correct_account,
        account_id=world.account.pk,
        particulars={"name": "Lantern Gas", "billing_start": "manual", "code": "LF"},
    )

    assert sorted(told, key=lambda line: line.what) == [
        ChangeLine("billing start of account LF Lantern Gas", "acceptance", "manual"),
        ChangeLine("name of account LF Lantern Gas", "Lantern Fuel", "Lantern Gas"),
    ]


def test_what_a_record_refers_to_is_told_by_its_label_even_where_the_entry_does_not_name_it(
    world: World,
) -> None:
    [line] = lines(
        world,
        locations.correct_location,
        location_id=world.location.pk,
        particulars={"depot_id": world.fellgate.pk},
    )

    assert line == ChangeLine(f"depot of location {world.location.label}", "TM Tarnmouth", "FG Fellgate")


def test_a_new_store_tells_itself_its_holder_its_state_its_cabinets_and_their_split(world: World) -> None:
    cabinet = NewCabinet(world.cove.pk, {"asset_tag": "SK-77"}, [Share(world.eight_lb.pk, 10_000)])
    store = new_location(world.tarnmouth, "0077")
    told = lines(
        world,
        locations.register_location,
        account_id=world.account.pk,
        location=type(store)(store.store_number, store.depot_id, store.particulars, cabinets=[cabinet]),
        valid_from=world.start,
    )
    since = f"from {local(world.start)} on"

    assert [line.what for line in told] == [
        "location Harbour Road 0077, Tarnmouth",
        "holder of location Harbour Road 0077, Tarnmouth",
        "state of location Harbour Road 0077, Tarnmouth",
        "cabinet SK-77",
        "place of cabinet SK-77",
        "split of cabinet SK-77",
    ]
    by_what = {line.what.split(" ")[0] + line.what[-2:]: line for line in told}
    assert {line.was for line in told} == {"not in the register", NOTHING}
    assert by_what["holderth"].will == f"LF Lantern Fuel, store number 0077, {since}"
    assert by_what["stateth"].will == f"open, {since}"
    assert by_what["place77"].will == f"location Harbour Road 0077, Tarnmouth, {since}"
    assert by_what["split77"].will == f"8 lb bag 100 %, {since}"
    assert "model Cove 40" in by_what["cabinet77"].will
    assert "depot TM Tarnmouth" in by_what["locationth"].will


def test_ending_a_period_tells_it_before_and_after_and_what_follows_it(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    hung = world.assigned(device, cabinet)
    told = lines(
        world,
        assignments.end_assignment,
        assignment_id=hung.period,
        valid_to=world.start + 9 * DAY,
        depot_id=world.tarnmouth.pk,
        end_reason="fault",
    )
    began, ended = local(world.start + 2 * DAY), local(world.start + 9 * DAY)
    what = f"place of device {device.serial}"

    assert [line.what for line in told] == [what, what]
    assert told[0].was == (f"cabinet {cabinet.asset_tag}, slot 1, sensor order 1 2 3, from {began} on")
    assert told[0].will.startswith(
        f"cabinet {cabinet.asset_tag}, slot 1, sensor order 1 2 3, end reason fault"
    )
    assert told[0].will.endswith(f"from {began} to {ended}")
    assert told[1] == ChangeLine(what, NOTHING, f"depot TM Tarnmouth, from {ended} on")


def test_a_moved_boundary_tells_the_neighbours_that_move_with_it(world: World) -> None:
    first, second, cabinet = world.device(), world.device(), world.cabinet()
    hung = world.assigned(first, cabinet)
    swapped = assignments.swap_device(
        world.office,
        assignment_id=hung.period,
        device_id=second.pk,
        valid_from=world.start + 9 * DAY,
        depot_id=world.tarnmouth.pk,
        end_reason="fault",
    )
    told = lines(
        world,
        periods.correct_period,
        history="devicewhereabouts",
        period_id=swapped.period,
        valid_from=world.start + 8 * DAY,
        reason="the sheet says so",
    )

    assert {line.what for line in told} == {
        f"place of device {first.serial}",
        f"place of device {second.serial}",
    }
    assert len(told) == 4  # the one corrected, its own custody before, and the other's two periods
    assert all(local(world.start + 9 * DAY) in line.was for line in told)
    assert all(local(world.start + 8 * DAY) in line.will for line in told)


def test_a_withdrawn_period_is_taken_away_and_the_one_before_runs_on(world: World) -> None:
    cabinet = world.cabinet(split=True)
    products.set_split(
        world.office,
        cabinet_id=cabinet.pk,
        shares=[Share(world.eight_lb.pk, 10_000)],
        valid_from=world.start + 5 * DAY,
    )
    newest = Split.objects.current().get(cabinet=cabinet, valid_to=None)
    told = lines(world, periods.withdraw_period, history="split", period_id=newest.period, reason="never")

    assert (
        ChangeLine(
            f"split of cabinet {cabinet.asset_tag}",
            f"8 lb bag 100 %, from {local(world.start + 5 * DAY)} on",
            "taken away",
        )
        in told
    )
    [other] = [line for line in told if line.will != "taken away"]
    assert other.will == f"8 lb bag 60 %, 18 lb bag 40 %, from {local(world.start + DAY)} on"


def test_a_start_known_by_a_time_is_told_so(world: World) -> None:
    told = lines(
        world,
        locations.take_over_location,
        account_id=world.account.pk,
        location=new_location(world.tarnmouth, "0088"),
        known_by=world.start,
    )

    assert f"open, known by {local(world.start)} on" in [line.will for line in told]


def test_people_are_told_by_name_and_their_depots_as_given_and_taken_away(world: World) -> None:
    with nothing_changed():
        told = rehearse(
            staff.change_depots,
            world.administrator,
            staff_id=world.installer.staff_id,
            depots=[world.fellgate.pk],
            everywhere=False,
        )
    images = [(row.table, row.before, row.after) for row in told.written]

    assert change_lines(images, {}, head_index()) == [
        ChangeLine("depots of Installer", "TM Tarnmouth", "taken away"),
        ChangeLine("depots of Installer", NOTHING, "FG Fellgate"),
    ]


def test_a_contact_is_told_without_what_the_ledger_does_not_hold(world: World) -> None:
    [line] = lines(
        world, locations.register_contact, location_id=world.location.pk, text={"name": "Wren Hollis"}
    )

    assert line.was == "not in the register"
    assert line.will == f"location {world.location.label}"
    assert "Wren" not in line.what


def test_no_key_is_ever_told(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(split=True), world.store()
    world.assigned(device, cabinet)
    told = [
        *lines(
            world,
            cabinets.move_cabinet,
            cabinet_id=cabinet.pk,
            location_id=store.pk,
            devices="come_out",
            valid_from=world.start + 9 * DAY,
        ),
        *lines(
            world,
            devices.hand_over_device,
            device_id=world.device().pk,
            staff_id=world.installer.staff_id,
            valid_from=world.start + 9 * DAY,
        ),
    ]

    for line in told:
        for word in f"{line.what} {line.was} {line.will}".replace(",", " ").split():
            with pytest.raises(ValueError):  # noqa: PT011 - any text that is no key
                UUID(word)


@pytest.mark.parametrize("rows", [3, 30])
def test_telling_many_changes_takes_as_many_queries_as_telling_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    store = world.store()
    for _ in range(rows):
        world.assigned(world.device(), world.cabinet(store, split=True))
    told = rehearse(
        locations.close_location,
        world.office,
        location_id=store.pk,
        cabinets_to=world.fellgate.pk,
        valid_from=world.start + 9 * DAY,
    )
    labels = {str(about.thing_id): about.label for about in told.story.about}
    images = [(row.table, row.before, row.after) for row in told.written]
    assert connection.in_atomic_block

    with django_assert_num_queries(2):  # the head; depots. The entry names everything else
        assert len(change_lines(images, labels, head_index())) >= 3 * rows
