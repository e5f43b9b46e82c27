"""manage.py found: begin a register, with its first administrator."""

import sys
from argparse import ArgumentParser
from getpass import getpass
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.actions._action import SYSTEM
from registry.actions.register import found_register
from registry.rules.errors import RuleBroken


class Command(BaseCommand):
    """Write entry 1: the register begins, and somebody can let others in."""

    help = "Begin a register in a migrated, empty database, with its first administrator."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take who the first administrator is; the password is asked for, or read from standard input."""
        parser.add_argument("username", help="by which the first administrator signs in")
        parser.add_argument("name", help="what people call them")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Begin; a refusal is one sentence and exit status 1."""
        try:
            found_register(
                SYSTEM, username=options["username"], name=options["name"], password=self._password()
            )
        except RuleBroken as broken:
            raise CommandError(broken.message) from None
        self.stdout.write(f"The register has begun. Sign in at /console/ as {options['username']}.")

    def _password(self) -> str:
        if not sys.stdin.isatty():
            return sys.stdin.readline().rstrip("\n")
        password = getpass("Password: ")
        if getpass("Again: ") != password:
            raise CommandError("The two passwords differ. Start again.")
        return password
