"""manage.py audit: check the register against its ledger, and say what was found."""

import json
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.ledger import clock
from registry.ledger.audit import Kept, Pinned, Report, as_json, audit
from registry.rules.checkpoints import read_checkpoint, read_public_key

FOUND, COULD_NOT_RUN = 1, 2  # exit statuses
ERASURES_TOLD_MAX = 20  # to people, the newest; machines are told more


class Command(BaseCommand):
    """Recompute leaf hashes, look for each guard, replay all images and compare row by row."""

    help = (
        "Check the register against its ledger. Exit status 0: nothing found; 1: something was; 2: the audit"
        " could not be carried out."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take the form of the answer."""
        parser.add_argument("--json", action="store_true", help="answer in JSON, for machines")
        parser.add_argument(
            "--checkpoint",
            action="append",
            default=[],
            metavar="FILE",
            help="a checkpoint that was kept outside; may be given again for others",
        )
        parser.add_argument(
            "--public-key",
            action="append",
            default=[],
            metavar="KEY",
            help="the public key that was written down outside: 64 hexadecimal digits, or a file of them",
        )
        parser.add_argument(
            "--progress",
            action="store_true",
            help="say on standard error how far it is; on a terminal it does so unasked",
        )

    def handle(self, *_args: Any, **options: Any) -> None:
        """Run the audit and answer."""
        telling = options["progress"] or self.stderr.isatty()
        try:
            pinned = Pinned(
                [_kept(name) for name in options["checkpoint"]],
                [_public_key(given) for given in options["public_key"]],
            )
            report = audit(self._progress if telling else None, pinned)
        except CommandError:
            raise
        except Exception as error:
            # Whatever stopped it: 1 would say that the register was looked at, and something found.
            raise CommandError(
                f"The audit could not be carried out, so nothing is known of the register: {error}",
                returncode=COULD_NOT_RUN,
            ) from error
        if options["json"]:
            self.stdout.write(json.dumps(as_json(report, clock.now()), indent=2, default=repr))
        else:
            self._tell(report)
        if not report.clean:
            sys.exit(FOUND)

    def _progress(self, what: str, done: int, total: int) -> None:
        # On a terminal one line that changes, elsewhere one line each time.
        ending = "\r" if self.stderr.isatty() and done < total else "\n"
        words = f"{done:,} of {total:,} {what} checked"
        self.stderr.write(words, style_func=str, ending=ending)

    def _tell(self, report: Report) -> None:
        self._tell_checked(report)
        self._tell_erasures(report)
        if report.clean:
            self.stdout.write("Nothing was found.")
        else:
            layers = ", ".join(f"{layer} {count:,}" for layer, count in sorted(report.counts.items()))
            self.stdout.write(f"{report.found:,} findings ({layers}):")
            for finding in report.findings:
                self.stdout.write(f"FOUND ({finding.layer}): {finding.words}")
            unlisted = report.found - len(report.findings)
            if unlisted:
                self.stdout.write(f"... and {unlisted:,} more, which were counted and are not listed.")
        self.stdout.write(f"{_beginning(report)} it cannot be excluded {', or '.join(report.not_excluded)}.")

    def _tell_checked(self, report: Report) -> None:
        self.stdout.write(
            f"{report.entries:,} entries hashed and replayed, {report.rows:,} rows compared,"
            f" {report.guards} guards looked for, {report.texts:,} personal texts ({report.erased:,} erased)"
            f" and {report.names:,} names held against their commitments; {report.seals:,} seals computed"
            f" over {report.readings:,} readings; {report.subtrees:,} subtrees of the tree compared,"
            f" {report.checkpoints:,} checkpoints verified."
        )

    def _tell_erasures(self, report: Report) -> None:
        told = report.erasures[-ERASURES_TOLD_MAX:]
        for erasure in told:
            texts = "1 text" if erasure.texts == 1 else f"{erasure.texts} texts"
            place = f" of {erasure.location}" if erasure.location else ""
            self.stdout.write(
                f"Erased: {texts} of {erasure.label}{place}, by entry {erasure.entry} at"
                f" {erasure.recorded_at}, by {erasure.by}."
            )
        untold = report.erasures_counted - len(told)
        if untold:
            self.stdout.write(f"... and {untold:,} erasures more; --json lists them.")


def _beginning(report: Report) -> str:
    if report.kept_size:
        key = " and the public key" if report.key_given else ""
        return (
            f"By the checkpoint{key} from outside, the first {report.kept_size:,} entries are proved. Still,"
        )
    return "Without a checkpoint and a public key kept outside,"


def _kept(name: str) -> Kept:
    """Return the checkpoint in a file; raises CommandError where there is none."""
    try:
        return Kept(name, read_checkpoint(Path(name).read_bytes()))
    except (OSError, ValueError) as error:
        raise _unusable(f"{name} holds no checkpoint that can be read: {error}. Name its file.") from None


def _public_key(given: str) -> str:
    """Return a public key that was given as such or as the name of a file; raises CommandError."""
    try:
        return read_public_key(Path(given).read_text() if Path(given).is_file() else given)
    except (OSError, ValueError) as error:
        raise _unusable(
            f"{given} is no public key: {error}. Give the key, or a file that holds it."
        ) from None


def _unusable(words: str) -> CommandError:
    return CommandError(words, returncode=COULD_NOT_RUN)
