"""The command that seals readings by the hour."""

from io import StringIO

import pytest
from django.core.management import call_command

from registry.actions import readings, tokens
from registry.actions.readings import take_readings
from registry.models import ReadingSeal
from tests.factories.world import HOUR, World


def sealed() -> str:
    words = StringIO()
    call_command("seal", stdout=words)
    return words.getvalue()


def test_the_command_seals_what_waits_and_says_where_nothing_does(world: World) -> None:
    gateway, _ = tokens.issue_device_token(world.administrator, name="Gateway Tarnmouth")
    row = {"serial": "PB3000018", "measured_at": world.clock.at.isoformat(), "distances_mm": [412]}
    take_readings(gateway, [row])

    assert "Seal again later." in sealed()
    assert not ReadingSeal.objects.exists()
    world.clock.at += HOUR
    words = sealed()

    seal = ReadingSeal.objects.get()
    assert words == (
        f"1 readings, received before 2026-03-02 09:00 UTC, are sealed by entry {seal.registered_id};"
        f" their root is {seal.root}.\n"
    )
    assert "Seal again later." in sealed()


def test_the_command_catches_up_with_every_hour_that_is_over(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readings, "SEAL_ROWS_MAX", 1)
    gateway, _ = tokens.issue_device_token(world.administrator, name="Gateway Tarnmouth")
    for _ in range(3):
        row = {"serial": "PB3000018", "measured_at": world.clock.at.isoformat(), "distances_mm": [412]}
        take_readings(gateway, [row], seal=False)
        world.clock.at += HOUR

    assert [line.split(",")[0] for line in sealed().splitlines()] == ["1 readings"] * 3
    assert ReadingSeal.objects.count() == 3
