"""The command that plays a device over HTTP."""

from datetime import UTC, datetime
from io import BytesIO, StringIO
from typing import Any
from urllib.request import Request

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from registry.actions.tokens import issue_device_token
from registry.management.commands import simulate
from registry.models import Reading
from registry.rules.simulation import Fault, Scene, play
from tests.factories.world import World


def simulated(address: str, token: str, serial: str, **options: Any) -> str:
    words = StringIO()
    call_command(
        "simulate",
        serial,
        address=address,
        token=token,
        pause=0.01,
        stdout=words,
        **{"reports": 2, **options},
    )
    return words.getvalue()


def through_the_client(asked: Request, timeout: int) -> BytesIO:
    """Hand what would go over HTTP to the test client."""
    reply = Client().post(
        asked.full_url.removeprefix("http://register.test"),
        asked.data,
        content_type="application/json",
        headers={"Authorization": asked.get_header("Authorization")},
    )
    assert reply.status_code == 200, reply.content
    return BytesIO(reply.content)


def test_what_is_played_arrives(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(simulate, "urlopen", through_the_client)
    world.clock.at = datetime.now(UTC)
    _, secret = issue_device_token(world.administrator, name="Gateway")

    words = simulated("http://register.test", secret, "PB3000018", fault="missing_sensor", sensor=2, seed=4)

    scene = Scene((420, 900, 760), rail_c=-9.0, floor_c=-11.0, fault=Fault.MISSING_SENSOR, sensor=2, seed=4)
    expected = [list(play(scene, number).distances_mm) for number in range(2)]  # type: ignore[union-attr]
    assert list(Reading.objects.order_by("measured_at").values_list("distances_mm", flat=True)) == expected
    assert "nothing heard" in words
    assert "A tape would say 420, 900, 760 mm" in words


def test_a_silent_device_sends_nothing_and_wrong_wishes_are_told_in_words() -> None:
    nowhere = "http://127.0.0.1:9"

    assert "0 reports were sent." in simulated(nowhere, "x", "PB3000018", fault="silent")
    with pytest.raises(CommandError, match="Nothing answers at"):
        simulated(nowhere, "x", "PB3000018")
    with pytest.raises(CommandError, match="needs a token"):
        simulated(nowhere, "", "PB3000018")
    with pytest.raises(CommandError, match="sensors 1 to 3"):
        simulated(nowhere, "x", "PB3000018", sensor=4)
    with pytest.raises(CommandError, match="http:// or https://"):
        simulated("ftp://127.0.0.1", "x", "PB3000018")
    with pytest.raises(CommandError, match="whole numbers"):
        simulated(nowhere, "x", "PB3000018", below="a,b")
