"""Putting history right in the console: any period of any history, with the neighbours that move."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, assignments, cabinets, devices, locations, periods, products
from registry.models import (
    AccountState,
    CabinetWhereabouts,
    DeviceWhereabouts,
    LocationHolding,
    LocationState,
    Split,
)
from registry.rules.splits import Share
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of
from tests.factories.world import DAY, HOUR, World

WHY = {"reason": "the note says so"}


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


def swap(world: World) -> tuple[DeviceWhereabouts, DeviceWhereabouts]:
    """Swap a device for another at 2026-02-12 10:00 EST; return both assignments."""
    old = world.assigned(world.device(), world.cabinet())
    new = assignments.swap_device(
        world.office,
        assignment_id=old.period,
        device_id=world.device().pk,
        valid_from=datetime(2026, 2, 12, 15, tzinfo=UTC),
        depot_id=world.tarnmouth.pk,
    )
    return old, new


def correct(version: Any) -> str:
    return at("period_correct", type(version)._meta.model_name, version.period)


def test_moving_the_boundary_of_a_swap_shows_and_moves_all_four_periods(world: World, office: Client) -> None:
    old, new = swap(world)
    values = {**WHY, "valid_from": "2026-02-12 09:00"}

    with nothing_changed():
        shown = lines(post(office, correct(new), "check", **values))
    assert post(office, correct(new), "record", **values).status_code == 303

    assert {what for what, _, _ in shown} == {
        f"place of device {old.device.serial}",
        f"place of device {new.device.serial}",
    }
    assert len(shown) == 4
    assert all("2026-02-12 09:00 EST" in will for _, _, will in shown)
    moved = datetime(2026, 2, 12, 14, tzinfo=UTC)
    assert DeviceWhereabouts.objects.current().get(period=new.period).valid_from == moved
    assert DeviceWhereabouts.objects.current().get(period=old.period).valid_to == moved


def test_a_bound_that_nobody_touched_does_not_move_by_its_seconds(world: World, office: Client) -> None:
    at_seconds = world.start + 2 * DAY + timedelta(seconds=37)
    place = world.assigned(world.device(), world.cabinet(), at_seconds)

    assert post(office, correct(place), "record", **WHY, rail_below_ceiling_mm="95").status_code == 303

    now = DeviceWhereabouts.objects.current().get(period=place.period)
    assert (now.valid_from, now.rail_below_ceiling_mm) == (at_seconds, 95)


def test_a_time_that_came_twice_is_shown_so_that_it_is_read_again_as_it_was(
    world: World, office: Client
) -> None:
    # In America/New_York the clocks went back on 2025-11-02 at 06:00 UTC (tz database): 01:30 came twice.
    location = world.store()
    second = datetime(2025, 11, 2, 6, 30, tzinfo=UTC)
    held = LocationHolding.objects.current().get(location=location)
    periods.correct_period(
        world.office, history="accountstate", period_id=_account_state(world).period,
        valid_from=second - 2 * DAY, reason="an older contract",
    )  # fmt: skip
    for history, version in (
        ("locationholding", held),
        ("locationstate", LocationState.objects.current().get(location=location)),
    ):
        periods.correct_period(
            world.office, history=history, period_id=version.period, valid_from=second, reason="older"
        )

    page = office.get(correct(held))
    assert page.context["form"]["valid_from"].value() == "2025-11-02 01:30 EST"
    assert post(office, correct(held), "record", **WHY, store_number="0099").status_code == 303

    assert LocationHolding.objects.current().get(period=held.period).valid_from == second


def _account_state(world: World) -> AccountState:
    state: AccountState = AccountState.objects.current().get(account=world.account)
    return state


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"reason": ""}, "id_reason"),
        ({"reason": "  "}, "id_reason"),
        ({"valid_from": "2026-01-01 00:00"}, "id_valid_from"),
        ({"valid_from": "2026-04-01 00:00"}, "id_valid_from"),
        ({"cabinet": "SK-NONE"}, "id_cabinet"),
        ({"slot": "2"}, "id_slot_reason"),
        ({"sensor_order": "1 1 2"}, "id_sensor_order"),
    ],
)
def test_what_cannot_have_been_is_refused_beside_its_field(
    world: World, office: Client, change: dict[str, str], field: str
) -> None:
    place = world.assigned(world.device(), world.cabinet())

    with nothing_changed():
        page = post(office, correct(place), "record", **{**WHY, "rail_below_ceiling_mm": "95", **change})

    assert field in problems(page)
    assert post(office, correct(place), "check", **WHY, rail_below_ceiling_mm="95").status_code == 200


def test_nothing_to_put_right_is_told_so(world: World, office: Client) -> None:
    place = world.assigned(world.device(), world.cabinet())

    with nothing_changed():
        page = post(office, correct(place), "record", **WHY)

    assert "The register already says so." in " ".join(problems(page).values())


def test_a_device_turns_out_to_have_hung_in_the_cabinet_next_to_it(world: World, office: Client) -> None:
    place, other = world.assigned(world.device(), world.cabinet()), world.cabinet()

    done = post(office, correct(place), "record", **WHY, cabinet=other.asset_tag)

    assert (done.status_code, done.headers["Location"]) == (303, at("device", place.device_id))
    assert DeviceWhereabouts.objects.current().get(period=place.period).cabinet == other


def test_an_end_is_corrected_with_its_reason_or_taken_back(world: World, office: Client) -> None:
    old, _ = swap(world)

    form = office.get(correct(old)).context["form"]
    assert "valid_to" in form.fields
    assert form["end_reason"].value() == "swap"
    assert post(office, correct(old), "record", **WHY, end_reason="fault").status_code == 303
    assert DeviceWhereabouts.objects.current().get(period=old.period).end_reason == "fault"

    with nothing_changed():
        refused = post(office, correct(old), "record", **WHY, valid_to="")
    assert refused.status_code == 422  # another device hung there by then


def test_custody_stays_and_states_are_put_right_each_with_what_it_says(world: World, office: Client) -> None:
    device = world.device()
    devices.hand_over_device(
        world.office,
        device_id=device.pk,
        valid_from=world.start + 3 * DAY,
        staff_id=world.installer.staff_id,
    )
    van = DeviceWhereabouts.objects.current().get(device=device, place="van")
    cabinet, other = world.cabinet(), world.store()
    stay = CabinetWhereabouts.objects.current().get(cabinet=cabinet)
    held = LocationHolding.objects.current().get(location=world.location)
    account = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    locations.set_location_state(
        world.office, location_id=other.pk, state="asleep", valid_from=world.start + 3 * DAY
    )
    asleep = LocationState.objects.current().get(location=other, state="asleep")
    store = f"LF {other.holdings.get().store_number}"

    for version, values in (
        (van, {"staff": str(world.stranger.staff_id)}),
        (stay, {"store": store}),
        (held, {"account": str(account.pk), "store_number": "7"}),
        (asleep, {"state": "planned"}),
    ):
        assert post(office, correct(version), "record", **WHY, **values).status_code == 303

    assert DeviceWhereabouts.objects.current().get(period=van.period).staff_id == world.stranger.staff_id
    assert CabinetWhereabouts.objects.current().get(period=stay.period).location == other
    assert LocationHolding.objects.current().get(period=held.period).account == account
    assert LocationState.objects.current().get(period=asleep.period).state == "planned"


def test_a_split_is_put_right_by_its_rows(world: World, office: Client) -> None:
    cabinet = world.cabinet(split=True)
    split = Split.objects.current().get(cabinet=cabinet)
    assert office.get(correct(split)).context["form"]["percent_2"].value() == "40"

    with nothing_changed():
        refused = post(office, correct(split), "record", **WHY, percent_2="50")
    assert "The shares add to 110 %" in problems(refused)["id_percent_1"]

    shown = lines(post(office, correct(split), "check", **WHY, percent_1="50", percent_2="50"))
    assert [(was.split(", from")[0], will.split(", from")[0]) for _, was, will in shown] == [
        ("8 lb bag 60 %, 18 lb bag 40 %", "8 lb bag 50 %, 18 lb bag 50 %")
    ]
    assert post(office, correct(split), "record", **WHY, percent_1="50", percent_2="50").status_code == 303


def test_a_withdrawn_period_leaves_the_gap_to_what_was_before(world: World, office: Client) -> None:
    cabinet = world.cabinet(split=True)
    products.set_split(
        world.office,
        cabinet_id=cabinet.pk,
        shares=[Share(world.eight_lb.pk, 10_000)],
        valid_from=world.start + 4 * DAY,
    )
    wrong = Split.objects.current().get(cabinet=cabinet, valid_to=None)
    address = at("period_withdraw", "split", wrong.period)
    assert address in office.get(correct(wrong)).content.decode()

    shown = lines(post(office, address, "check", **WHY))
    done = post(office, address, "record", **WHY)

    assert [will.split(", from")[0] for _, _, will in shown] == [
        "taken away",
        "8 lb bag 60 %, 18 lb bag 40 %",
    ]
    assert (done.status_code, done.headers["Location"]) == (303, at("cabinet", cabinet.pk))
    assert Split.objects.current().get(cabinet=cabinet).valid_to is None
    assert office.get(correct(wrong)).status_code == 404


@pytest.mark.parametrize("history", ["devicewhereabouts", "cabinetwhereabouts", "nonsense", "staffdepot"])
def test_there_is_no_page_for_a_period_that_is_not_there(office: Client, history: str) -> None:
    key = "01890a5d-ac96-774b-bcce-b302099a8057"

    for name in ("period_correct", "period_withdraw"):
        assert office.get(at(name, history, key)).status_code == 404


def test_every_history_on_a_page_leads_to_its_correction(world: World, office: Client) -> None:
    cabinet = world.cabinet(split=True)
    place = world.assigned(world.device(), cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        valid_from=world.start + 5 * DAY + HOUR,
        location_id=world.store().pk,
        devices="follow",
    )
    of_cabinet = office.get(at("cabinet", cabinet.pk)).content.decode()
    of_device = office.get(at("device", place.device_id)).content.decode()
    of_store = office.get(at("location", world.location.pk)).content.decode()

    for version in CabinetWhereabouts.objects.current().filter(cabinet=cabinet):
        assert correct(version) in of_cabinet
    assert correct(Split.objects.current().get(cabinet=cabinet)) in of_cabinet
    for version in DeviceWhereabouts.objects.current().filter(device=place.device_id):
        assert correct(version) in of_device
    assert correct(LocationHolding.objects.current().get(location=world.location)) in of_store
    assert correct(LocationState.objects.current().get(location=world.location)) in of_store
    auditor = signed_in(world.auditor)
    assert "Put right" not in text_of(auditor.get(at("cabinet", cabinet.pk)))
