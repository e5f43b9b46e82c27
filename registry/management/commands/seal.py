"""manage.py seal: seal the readings of the hours that are over. For a timer, a few minutes past the hour."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.actions._action import SYSTEM
from registry.actions.readings import seal_readings
from registry.rules.errors import Code, RuleBroken


class Command(BaseCommand):
    """Seal every hour that is over."""

    help = "Seal the readings that were received before the present hour. Nothing to seal is no failure."

    def handle(self, *_args: Any, **_options: Any) -> None:
        """Seal them hour by hour and say so; a refusal is one sentence and exit status 1."""
        sealed = 0
        while True:
            try:
                seal = seal_readings(SYSTEM)
            except RuleBroken as broken:
                if broken.code is not Code.NOTHING_CHANGES:
                    raise CommandError(broken.message) from None
                if not sealed:
                    self.stdout.write(broken.message)
                return
            sealed += 1
            self.stdout.write(
                f"{seal.row_count:,} readings, received before {seal.label}, are sealed by entry"
                f" {seal.registered_id}; their root is {seal.root}."
            )
