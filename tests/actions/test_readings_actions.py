"""Readings are taken in row by row, and sealed by the hour."""

from datetime import timedelta
from typing import Any

import pytest

from registry.actions._action import SYSTEM
from registry.actions.readings import Outcome, Taken, seal_readings, take_readings
from registry.actions.tokens import issue_device_token
from registry.models import DeviceToken, Entry, Reading, ReadingSeal
from registry.queries.readings import last_report, readings_of_serial
from registry.rules.errors import Code
from registry.rules.events import Verb
from registry.rules.readings import BATCH_MAX
from tests.actions.unchanged import nothing_changed
from tests.factories.world import HOUR, World
from tests.ledger.naive_seals import naive_root
from tests.rules.rule_checks import refused

SERIAL = "PB3000018"
MINUTE = timedelta(minutes=1)


@pytest.fixture
def gateway(world: World) -> DeviceToken:
    token, _secret = issue_device_token(world.administrator, name="Gateway Tarnmouth")
    return token


def row(world: World, serial: str = SERIAL, minutes_ago: int = 5, **more: Any) -> dict[str, Any]:
    measured_at = (world.clock.at - minutes_ago * MINUTE).isoformat()
    return {"serial": serial, "measured_at": measured_at, "distances_mm": [412, None, 655], **more}


def outcomes(taken: list[Taken]) -> list[str]:
    return [one.code or one.outcome.value for one in taken]


def test_a_batch_is_taken_in_without_an_entry(world: World, gateway: DeviceToken) -> None:
    before = Entry.objects.count()

    taken = take_readings(
        gateway,
        [
            row(world, temperatures_c=[-18.5], supply_mv=3600, signal_dbm=-97, firmware="2.8.1"),
            row(world, "GHOST7", 3),
        ],
    )

    assert outcomes(taken) == ["accepted", "accepted"]
    stored = last_report(SERIAL)
    assert stored is not None
    assert (stored.distances_mm, stored.temperatures_c) == ([412, None, 655], ["-18.5"])
    assert (stored.supply_mv, stored.signal_dbm, stored.firmware) == (3600, -97, "2.8.1")
    assert (stored.measured_at, stored.received_at) == (world.clock.at - 5 * MINUTE, world.clock.at)
    assert (stored.reported_by, stored.seal_id) == (gateway, None)
    assert Entry.objects.count() == before


def test_bad_rows_are_refused_by_themselves_and_the_good_ones_stay(
    world: World, gateway: DeviceToken
) -> None:
    taken = take_readings(
        gateway,
        [row(world), 7, row(world, distances_mm="none"), row(world, "PB3000026"), row(world, minutes_ago=-3)],
    )

    assert outcomes(taken) == ["accepted", "value_invalid", "value_invalid", "accepted", "time_in_future"]
    assert taken[2].words.endswith(".")
    assert set(Reading.objects.values_list("serial", flat=True)) == {SERIAL, "PB3000026"}


def test_a_repeated_report_is_harmless_and_one_that_differs_is_refused(
    world: World, gateway: DeviceToken
) -> None:
    same, other = row(world, temperatures_c=["-18.50"]), row(world, distances_mm=[9])
    take_readings(gateway, [row(world, temperatures_c=[-18.5])])

    assert outcomes(take_readings(gateway, [same, other, row(world, minutes_ago=9)])) == [
        "duplicate",
        "reading_differs",
        "accepted",
    ]
    # Within one batch the first one counts, as it would in two.
    fresh = row(world, minutes_ago=2)
    assert outcomes(take_readings(gateway, [fresh, fresh, {**fresh, "distances_mm": [1]}])) == [
        "accepted",
        "duplicate",
        "reading_differs",
    ]
    assert [one.distances_mm for one in readings_of_serial(SERIAL, world.start)] == [[412, None, 655]] * 3


def test_a_late_report_takes_its_place_by_the_measured_time(world: World, gateway: DeviceToken) -> None:
    take_readings(gateway, [row(world, minutes_ago=5)])
    take_readings(gateway, [row(world, minutes_ago=60 * 24 * 9)])

    found = readings_of_serial(SERIAL, world.start)
    assert [one.measured_at for one in found] == sorted(one.measured_at for one in found)
    assert readings_of_serial(SERIAL, world.start, limit=1) == found[1:]
    assert readings_of_serial(SERIAL, world.start, found[1].measured_at) == found[:1]
    assert last_report(SERIAL) == found[1]
    assert last_report("PB3") is None


def test_a_devices_own_token_reports_for_itself_alone_and_learns_nothing(
    world: World, gateway: DeviceToken
) -> None:
    own, other = world.device(), world.device()
    take_readings(gateway, [row(world, other.serial)])
    token, _secret = issue_device_token(world.administrator, name="rail 7", device_id=own.pk)

    there, absent = row(world, other.serial), row(world, "PB3999999")
    taken = take_readings(
        token, [row(world, own.serial), there, absent, row(world, other.serial, distances_mm=[1])]
    )

    assert outcomes(taken) == ["accepted", *["other_device"] * 3]
    assert taken[1] == taken[2] == taken[3]
    assert Reading.objects.filter(reported_by=token).count() == 1


def test_a_batch_that_is_too_large_is_refused_whole(world: World, gateway: DeviceToken) -> None:
    batch = [row(world, f"PB{number}") for number in range(BATCH_MAX + 1)]
    with refused(Code.TOO_MANY, "readings"), nothing_changed():
        take_readings(gateway, batch)
    assert outcomes(take_readings(gateway, batch[1:])) == ["accepted"] * BATCH_MAX


# --- seals ---------------------------------------------------------------------------------------------


def test_a_seal_binds_what_was_received_before_the_hour_and_late_ones_join_a_later_one(
    world: World, gateway: DeviceToken
) -> None:
    world.clock.at += 10 * MINUTE  # 08:10
    take_readings(gateway, [row(world), row(world, "GHOST7")])
    world.clock.at += HOUR  # 09:10
    take_readings(gateway, [row(world, minutes_ago=120)], seal=False)

    first = seal_readings(SYSTEM)

    entry = Entry.objects.latest("index")
    assert entry.verb == Verb.READINGS_SEALED
    assert first.registered_id == entry.index
    assert first.sealed_until == world.clock.at - 10 * MINUTE
    assert (first.row_count, first.first_received_at) == (2, first.last_received_at)
    assert Reading.objects.filter(seal=None).count() == 1
    world.clock.at += HOUR
    second = seal_readings(SYSTEM)
    assert second.row_count == 1
    for seal in (first, second):
        assert seal.root == naive_root(Reading.objects.filter(seal=seal.registered_id))


def test_an_hour_is_sealed_once_and_only_when_it_is_over(world: World, gateway: DeviceToken) -> None:
    take_readings(gateway, [row(world)])
    with refused(Code.NOTHING_CHANGES, None), nothing_changed():
        seal_readings(SYSTEM)
    world.clock.at += HOUR
    seal_readings(SYSTEM)
    # As if an intake that began before the hour ended only now.
    world.clock.at -= HOUR
    take_readings(gateway, [row(world, "GHOST7")])
    world.clock.at += HOUR
    with refused(Code.NOTHING_CHANGES, None), nothing_changed():
        seal_readings(SYSTEM)
    world.clock.at += HOUR
    assert seal_readings(SYSTEM).row_count == 1


def test_who_catches_up_with_many_seals_whole_hours_and_lets_others_in_between(
    world: World, gateway: DeviceToken, monkeypatch: pytest.MonkeyPatch
) -> None:
    from registry.actions import readings

    monkeypatch.setattr(readings, "SEAL_ROWS_MAX", 3)
    begin = world.clock.at
    for ago, hours in enumerate((0, 1, 1, 4)):
        world.clock.at = begin + hours * HOUR
        batch = [row(world, minutes_ago=ago), row(world, "GHOST7", minutes_ago=ago)]
        take_readings(gateway, batch, seal=False)
    world.clock.at = begin + 6 * HOUR

    seals = [seal_readings(SYSTEM) for _ in range(3)]

    # No two hours have three rows together; the second has more by itself, and the rest is fewer.
    assert [seal.sealed_until for seal in seals] == [begin + hours * HOUR for hours in (1, 2, 6)]
    assert [seal.row_count for seal in seals] == [2, 4, 2]
    for seal in seals:
        assert seal.root == naive_root(Reading.objects.filter(seal=seal.registered_id))
    with refused(Code.NOTHING_CHANGES, None), nothing_changed():
        seal_readings(SYSTEM)


def test_an_intake_after_the_hour_seals_what_waits_and_nothing_twice(
    world: World, gateway: DeviceToken
) -> None:
    take_readings(gateway, [row(world)])
    take_readings(gateway, [row(world, minutes_ago=3)])
    assert not ReadingSeal.objects.exists()
    world.clock.at += HOUR
    for minutes_ago in (9, 8):
        take_readings(gateway, [row(world, minutes_ago=minutes_ago)])

    assert [seal.row_count for seal in ReadingSeal.objects.all()] == [2]
    assert Reading.objects.filter(seal=None).count() == 2


def test_a_seal_that_fails_loses_no_reading_and_is_logged(
    world: World, gateway: DeviceToken, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from registry.actions import readings
    from registry.rules.errors import RuleBroken

    def busy(_actor: object) -> None:
        raise RuleBroken(Code.REGISTER_BUSY, "Others are writing. Try again.")

    take_readings(gateway, [row(world)])
    world.clock.at += HOUR
    monkeypatch.setattr(readings, "seal_readings", busy)

    assert [one.outcome for one in take_readings(gateway, [row(world)])] == [Outcome.ACCEPTED]
    assert "no seal was made" in caplog.text
    assert Reading.objects.filter(seal=None).count() == 2
