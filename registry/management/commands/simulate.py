"""manage.py simulate: play a device against the API, with a fault if one is chosen."""

import json
import os
import time
from argparse import ArgumentParser
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

from django.core.management.base import BaseCommand, CommandError

from registry.rules.errors import RuleBroken
from registry.rules.simulation import Fault, Scene, play

TOKEN_VARIABLE = "RIMEBOOK_DEVICE_TOKEN"
TIMEOUT_S = 30
BELOW_MM = "420,900,760"  # a board under the left-most sensor, so that a swapped cable shows


class Command(BaseCommand):
    """Report as a device would, one report after another, over HTTP with a device token."""

    help = (
        "Play a device against the API: --reports reports, each measured when it is sent. The tape's figures"
        " that fit are printed at the end. The same --seed always says the same."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take what is played, and where it is sent."""
        parser.add_argument("serial", help="of the device, as its label shows it")
        parser.add_argument("--address", required=True, help="of the register, such as http://127.0.0.1:8000")
        parser.add_argument("--token", default="", help=f"a device token; unless told, from {TOKEN_VARIABLE}")
        parser.add_argument("--fault", choices=[str(fault) for fault in Fault], default=str(Fault.NONE))
        parser.add_argument("--sensor", type=int, default=1, help="from the left: which one has the fault")
        parser.add_argument("--reports", type=int, default=8)
        parser.add_argument("--pause", type=float, default=1.0, help="seconds between two reports")
        parser.add_argument("--below", default=BELOW_MM, help="mm below each sensor, left to right")
        parser.add_argument("--ports", default="", help="ports from left to right, such as 3,1,2")
        parser.add_argument("--rail", type=float, default=-9.0, help="degC at the rail; warm: just opened")
        parser.add_argument("--floor", type=float, default=-11.0, help="degC at the floor")
        parser.add_argument("--interval", type=int, default=15, help="minutes from report to report, played")
        parser.add_argument("--seed", type=int, default=0)

    def handle(self, *_args: Any, **options: Any) -> None:
        """Play it; a refusal of the register is one sentence and exit status 1."""
        token = options["token"] or os.environ.get(TOKEN_VARIABLE, "")
        if not token:
            raise CommandError(f"A device needs a token. Give --token, or set {TOKEN_VARIABLE}.")
        scene = _scene(options)
        sent = 0
        for number in range(options["reports"]):
            if number:
                time.sleep(options["pause"])
            one = play(scene, number)
            if one is None:
                continue
            measured_at = datetime.now(UTC) - timedelta(minutes=one.age_min)
            row = one.row(options["serial"], measured_at.isoformat())
            _send(options["address"], token, row)
            sent += 1
            self.stdout.write(f"{measured_at:%H:%M:%S} UTC: {', '.join(map(_shown, one.distances_mm))}")
        self.stdout.write(
            f"{sent} reports were sent. A tape would say {', '.join(map(str, scene.below_mm))} mm, left to"
            " right."
        )


def _shown(distance: int | None) -> str:
    return "nothing heard" if distance is None else f"{distance} mm"


def _numbers(typed: str, name: str) -> tuple[int, ...]:
    try:
        return tuple(int(number) for number in typed.split(",") if number.strip())
    except ValueError:
        raise CommandError(f"--{name} is whole numbers with commas between, such as 420,900.") from None


def _scene(options: dict[str, Any]) -> Scene:
    try:
        return Scene(
            below_mm=_numbers(options["below"], "below"),
            ports=_numbers(options["ports"], "ports"),
            rail_c=options["rail"],
            floor_c=options["floor"],
            interval_min=options["interval"],
            fault=Fault(options["fault"]),
            sensor=options["sensor"],
            seed=options["seed"],
        )
    except RuleBroken as broken:
        raise CommandError(broken.message) from None


def _send(address: str, token: str, row: dict[str, Any]) -> None:
    """Send one report as a batch of one; raises CommandError for what is not accepted."""
    if not address.startswith(("http://", "https://")):
        raise CommandError("The address begins with http:// or https://. Give it so.")
    asked = Request(  # noqa: S310 - checked above
        f"{address.rstrip('/')}/api/v1/readings/",
        data=json.dumps({"readings": [row]}).encode(),
        headers={"Authorization": f"Bearer {token}", "Content-Type": "application/json"},
        method="POST",
    )
    try:
        with urlopen(asked, timeout=TIMEOUT_S) as answer:  # noqa: S310 - checked above
            told = json.load(answer)
    except HTTPError as error:
        raise CommandError(f"The register answered {error.code}: {_detail(error)}") from None
    except URLError as error:
        raise CommandError(f"Nothing answers at {address}: {error.reason}. Start the register.") from None
    refused = [one for one in told["rows"] if one["outcome"] == "refused"]
    if refused:
        raise CommandError(refused[0]["detail"])


def _detail(error: HTTPError) -> str:
    try:
        return str(json.loads(error.read()).get("detail", error.reason))
    except (ValueError, AttributeError):
        return str(error.reason)
