"""manage.py checkpoint: sign the ledger as it stands, and bring what was signed to the places outside."""

import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint, rebuild_tree, send_checkpoints
from registry.queries.checkpoints import warning
from registry.rules.errors import RuleBroken


class Command(BaseCommand):
    """Make a checkpoint where entries came since the last, and send out all that have not left yet."""

    help = "Sign the ledger as it stands and send the checkpoint out. Exit status 1: it did not leave."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take what else is to be done."""
        parser.add_argument(
            "--rebuild-tree",
            action="store_true",
            help="compute the stored tree anew from the entries first, where audit found it damaged",
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Make it, send it, and say so; a refusal is one sentence and exit status 1."""
        try:
            if options["rebuild_tree"]:
                self.stdout.write(f"The tree of {rebuild_tree(SYSTEM):,} entries was computed anew.")
            made = make_checkpoint(SYSTEM)
            tries = send_checkpoints(SYSTEM)
        except RuleBroken as broken:
            raise CommandError(broken.message) from None
        self.stdout.write(f"Checkpoint of {made.size:,} entries: {made.record}")
        self.stdout.write(f"Signed by the key {made.public_key}")
        for departure in tries:
            told = departure.problem or f"it left for {departure.to}"
            self.stdout.write(f"The checkpoint of {departure.checkpoint_id:,} entries: {told}")
        # Where it left when it was made, it does not leave a second time.
        tried = {departure.to for departure in tries}
        for departure in made.departures.filter(problem="").order_by("to"):
            if departure.to not in tried:
                self.stdout.write(f"It left for {departure.to}.")
        if words := warning():
            self.stderr.write(words)
        if any(departure.problem for departure in tries):
            sys.exit(1)
