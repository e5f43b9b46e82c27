"""manage.py device_token: issue a token that may report readings, for a gateway or for one device."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.actions._action import Actor
from registry.actions.tokens import issue_device_token
from registry.management.people import person_called
from registry.models import Device
from registry.rules.errors import RuleBroken
from registry.rules.events import Face


class Command(BaseCommand):
    """Issue a token to a gateway or a device, by an administrator; its secret is shown once."""

    help = (
        "Issue a token that may report readings and do nothing else. The secret is printed once, alone on its"
        " line, and kept nowhere."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take under which name, for which device if it is one device's, and by whom."""
        parser.add_argument("name", help="of the gateway or device that will hold it")
        parser.add_argument("--serial", help="of the one device that it is for; a gateway reports for all")
        parser.add_argument("--by", required=True, help="username of the administrator who issues it")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Issue it; a refusal is one sentence and exit status 1."""
        by = person_called(options["by"])
        device_id = None if options["serial"] is None else _device(options["serial"]).pk
        try:
            actor = Actor(by.pk, Face.COMMAND)
            token, secret = issue_device_token(actor, name=options["name"], device_id=device_id)
        except RuleBroken as broken:
            raise CommandError(broken.message) from None
        self.stderr.write(f"It expires on {token.expires_at:%Y-%m-%d}. Send it as Authorization: Bearer.")
        self.stdout.write(secret)


def _device(serial: str) -> Device:
    device = Device.objects.filter(serial=serial).first()
    if device is None:
        raise CommandError(f"There is no device {serial}. Write its serial as the register does.")
    return device
