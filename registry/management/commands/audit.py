"""manage.py audit: check the register against its ledger, and say what was found."""

import json
import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from registry.ledger import clock
from registry.ledger.audit import Report, as_json, audit


class Command(BaseCommand):
    """Recompute leaf hashes, look for each guard, replay all images and compare row by row."""

    help = "Check the register against its ledger. Exit status 0: nothing found; 1: something was."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take the form of the answer."""
        parser.add_argument("--json", action="store_true", help="answer in JSON, for machines")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Run the audit and answer."""
        report = audit(progress=None if options["json"] else self._progress)
        if options["json"]:
            self.stdout.write(json.dumps(as_json(report, clock.now()), indent=2))
        else:
            self._tell(report)
        if not report.clean:
            sys.exit(1)

    def _progress(self, entries: int) -> None:
        self.stderr.write(f"{entries:,} entries read")

    def _tell(self, report: Report) -> None:
        for finding in report.findings:
            self.stdout.write(f"FOUND ({finding.layer}): {finding.words}")
        self.stdout.write(
            f"{report.entries:,} entries hashed and replayed, {report.rows:,} rows compared,"
            f" {report.guards} guards looked for, {report.erased} erased texts."
        )
        if report.clean:
            self.stdout.write(
                "Nothing was found. Without a checkpoint kept outside, it cannot be excluded that the newest"
                " entries were cut off, or that ledger and tables were rewritten together."
            )
