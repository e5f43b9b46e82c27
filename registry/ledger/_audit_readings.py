"""The audit of readings: each seal's root over what stands in the table, and what no seal binds."""

from datetime import datetime

from django.db.models import Exists, OuterRef

from registry.ledger import clock
from registry.ledger._audit_images import readable
from registry.ledger._findings import Finding, Report
from registry.ledger.images import table_name
from registry.ledger.seals import sealed_leaves
from registry.models import Entry, Reading, ReadingSeal
from registry.rules.events import Verb
from registry.rules.merkle import Frontier
from registry.rules.readings import UNSEALED_MAX

LAYER = "readings"
CHUNK = 200  # seals read at a time


def check_readings(report: Report) -> None:
    """Compute each seal again over the stored readings; name those sealed by no seal or by none in time.

    Which of a seal's readings was changed cannot be told: it binds them together.
    """
    for seal in ReadingSeal.objects.order_by("pk").iterator(chunk_size=CHUNK):
        report.seals += 1
        _check_seal(report, seal)
    sealing = Entry.objects.filter(index=OuterRef("seal_id"), verb=Verb.READINGS_SEALED)
    for reading in Reading.objects.filter(~Exists(sealing), seal__isnull=False).iterator(chunk_size=CHUNK):
        words = f"A reading of {reading.serial} claims entry {reading.seal_id} as its seal, which is none."
        report.note(Finding(LAYER, words, reading.seal_id, table_name(Reading), str(reading.pk)))
    _check_waiting(report, clock.now())


def _check_seal(report: Report, seal: ReadingSeal) -> None:
    frontier, broken = Frontier(), list[Exception]()
    for leaf in readable(sealed_leaves(seal.registered_id), broken.append):
        frontier.append(leaf)
    report.readings += frontier.size
    if broken:
        problem = f"cannot be read to their end: a column holds what it cannot have ({broken[0]})"
    elif frontier.size < seal.row_count:
        problem = f"are {frontier.size:,} where {seal.row_count:,} were sealed: some are gone"
    elif frontier.size > seal.row_count:
        problem = f"are {frontier.size:,} where {seal.row_count:,} were sealed: some were added"
    elif frontier.root().hex() != seal.root:
        problem = "are not those that were sealed: at least one was changed"
    else:
        return
    words = f"The readings that entry {seal.registered_id} sealed until {seal.label} {problem}."
    report.note(Finding(LAYER, words, seal.registered_id, table_name(ReadingSeal), str(seal.pk)))


def _check_waiting(report: Report, now: datetime) -> None:
    waiting = Reading.objects.filter(seal=None, received_at__lt=now - UNSEALED_MAX)
    oldest = waiting.order_by("received_at").first()
    if oldest is not None:
        words = (
            f"{waiting.count():,} readings wait for their seal for more than {UNSEALED_MAX.days} day, the"
            f" oldest since {oldest.received_at:%Y-%m-%d %H:%M} UTC: nothing binds them. Have manage.py seal"
            " run by the hour."
        )
        report.note(Finding(LAYER, words, None, table_name(Reading), str(oldest.pk)))
