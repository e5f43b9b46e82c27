"""manage.py token: issue a token for the API, for a phone or a program."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.actions._action import Actor
from registry.actions.tokens import issue_token
from registry.management.people import person_called
from registry.rules.errors import RuleBroken
from registry.rules.events import Face


class Command(BaseCommand):
    """Issue a token to a person, by an administrator; its secret is shown once."""

    help = "Issue a token for the API. The secret is printed once, alone on its line, and kept nowhere."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take for whom, under which name, and by whom."""
        parser.add_argument("username", help="of the person who will use the token")
        parser.add_argument("name", help="of the phone or program that will hold it")
        parser.add_argument("--by", required=True, help="username of the administrator who issues it")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Issue it; a refusal is one sentence and exit status 1."""
        by, person = (person_called(options[name]) for name in ("by", "username"))
        try:
            token, secret = issue_token(Actor(by.pk, Face.COMMAND), staff_id=person.pk, name=options["name"])
        except RuleBroken as broken:
            raise CommandError(broken.message) from None
        self.stderr.write(f"It expires on {token.expires_at:%Y-%m-%d}. Send it as Authorization: Bearer.")
        self.stdout.write(secret)
