"""Readings in the console: the quarantine, and the last reports of a device."""

from datetime import timedelta
from typing import Any

import pytest

from registry.actions import tokens
from registry.actions.readings import take_readings
from registry.models import DeviceToken
from tests.console.pages import at, signed_in, text_of
from tests.factories.world import DAY, HOUR, World, person

MINUTE = timedelta(minutes=1)


@pytest.fixture
def gateway(world: World) -> DeviceToken:
    return tokens.issue_device_token(world.administrator, name="Gateway")[0]


def row(world: World, serial: str, ago: timedelta, **more: Any) -> dict[str, Any]:
    measured_at = (world.clock.at - ago).isoformat()
    return {"serial": serial, "measured_at": measured_at, "distances_mm": [412, None, 655], **more}


def test_the_quarantine_tells_what_came_from_nowhere_and_where_it_may_hang(
    world: World, gateway: DeviceToken
) -> None:
    waiting, near, cabinet = world.device(), world.device(), world.cabinet()
    world.assigned(near, cabinet)
    slip = near.serial[:-1] + str((int(near.serial[-1]) + 1) % 10)
    take_readings(gateway, [row(world, serial, HOUR) for serial in (waiting.serial, slip, near.serial)])
    take_readings(gateway, [row(world, "LONGAGO7", 60 * DAY)])

    page = signed_in(world.office).get(at("quarantine"))

    words = text_of(page)
    assert f"{waiting.serial} Not assigned then. It is believed to be here now: depot TM Tarnmouth" in words
    assert f"{slip} Nobody booked this serial in" in words
    assert f"{near.serial}, a slip away, hangs in cabinet {cabinet.label}" in words
    assert at("cabinet", cabinet.pk) in page.content.decode()
    assert "LONGAGO7" not in words
    assert "LONGAGO7" in text_of(signed_in(world.office).get(at("quarantine"), {"since": "ever"}))
    elsewhere = person(world, "office", world.fellgate)
    hidden = text_of(signed_in(elsewhere).get(at("quarantine")))
    assert waiting.serial not in hidden
    assert slip in hidden
    assert cabinet.label not in hidden


def test_an_empty_quarantine_says_so(world: World) -> None:
    assert "Whatever reported was assigned to a cabinet." in text_of(
        signed_in(world.office).get(at("quarantine"))
    )


def test_a_device_shows_its_last_reports_and_what_they_count_for(world: World, gateway: DeviceToken) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet, world.clock.at - HOUR)
    office = signed_in(world.office)
    assert "Last reports" not in text_of(office.get(at("device", device.pk)))
    rows = [row(world, device.serial, minutes * MINUTE) for minutes in range(10, 60, 10)]
    full = row(world, device.serial, 5 * MINUTE, temperatures_c=[-18.5], supply_mv=3600, signal_dbm=-97)
    take_readings(gateway, [*rows[:-2], full, row(world, device.serial, 2 * HOUR)])

    page = office.get(at("device", device.pk))

    reports = page.context["reports"]
    assert [one.reading.measured_at for one, _ in reports] == sorted(
        (one.reading.measured_at for one, _ in reports), reverse=True
    )
    words = text_of(page)
    assert len(reports) == 5
    assert "1: 412, 2: none , 3: 655" in words
    assert "-18.5" in words
    assert "3600 mV" in words
    assert "-97 dBm" in words
    assert cabinet.asset_tag in words
    assert "nothing: it was assigned to no cabinet then" in words
