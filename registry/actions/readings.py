"""Readings: taken in without the ledger lock, and sealed into the ledger by the hour."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from django.db import OperationalError, transaction
from django.db.models import Max, Min

from registry.actions._action import Actor, Writing, action
from registry.actions._checkpoints import busy_refused
from registry.actions._open import opened
from registry.actions._readings import store
from registry.ledger import clock
from registry.ledger.seals import sealed_leaves
from registry.models import DeviceToken, Reading, ReadingSeal
from registry.queries.readings import Instant
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face, Verb
from registry.rules.merkle import Frontier
from registry.rules.readings import (
    SEAL_ROWS_MAX,
    Report,
    check_size,
    full_hour,
    hour_due,
    read_report,
    require_own,
    require_same,
)

logger = logging.getLogger(__name__)


class Outcome(StrEnum):
    """What became of one row of a batch."""

    ACCEPTED = "accepted"
    DUPLICATE = "duplicate"  # the register holds just that already
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one row; a refused one says why by code and words."""

    outcome: Outcome
    code: str = ""
    words: str = ""


ACCEPTED, DUPLICATE = Taken(Outcome.ACCEPTED), Taken(Outcome.DUPLICATE)


def take_readings(token: DeviceToken, batch: Sequence[object], *, seal: bool = True) -> list[Taken]:
    """Take a batch of readings in, and return what became of each row, in its order.

    It is no action: it takes no ledger lock and leaves no entry, because the seal of the hour binds it. A
    row that cannot be read is refused by itself. Whether the register knows the serial makes no difference.
    Where an hour is over, it is sealed then, unless `seal` is False.
    Raises RuleBroken TOO_MANY, REGISTER_BUSY; then nothing was taken.
    """
    check_size(len(batch))
    now = clock.now()
    own = token.device.serial if token.device else None
    taken: list[Taken | None] = [None] * len(batch)
    first: dict[Instant, tuple[int, Report]] = {}
    later: list[tuple[int, Report]] = []
    for number, row in enumerate(batch):
        try:
            report = read_report(row, now)
            require_own(report.serial, own)
        except RuleBroken as broken:
            taken[number] = _refused(broken)
            continue
        if first.setdefault((report.serial, report.measured_at), (number, report))[0] != number:
            later.append((number, report))
    held: dict[Instant, Report] = {}
    if first:
        with busy_refused(), opened(), transaction.atomic(durable=True):
            held = store({instant: report for instant, (_, report) in first.items()}, now, token.pk)
    for instant, (number, report) in first.items():
        taken[number] = _compared(report, held[instant]) if instant in held else ACCEPTED
    for number, report in later:
        instant = (report.serial, report.measured_at)
        taken[number] = _compared(report, held.get(instant, first[instant][1]))
    if seal:
        seal_when_due()
    return [one for one in taken if one is not None]


def _compared(report: Report, held: Report) -> Taken:
    try:
        require_same(report, held)
    except RuleBroken as broken:
        return _refused(broken)
    return DUPLICATE


def _refused(broken: RuleBroken) -> Taken:
    return Taken(Outcome.REFUSED, str(broken.code), broken.message)


@action(None)
def seal_readings(writing: Writing) -> ReadingSeal:
    """Seal what was received before the present hour and is not sealed yet; return the seal.

    Where more than SEAL_ROWS_MAX wait, whole hours of them: others write between the calls that catch up. One
    seal an hour: what an intake brings to an end after its hour was sealed waits for the next one. Raises
    RuleBroken NOTHING_CHANGES where no hour is due.
    """
    until = _due(writing.now)
    if until is None:
        raise RuleBroken(
            Code.NOTHING_CHANGES, "No reading of an hour that is over waits for its seal. Seal again later."
        )
    Reading.objects.filter(seal=None, received_at__lt=until).update(seal=writing.index)
    frontier = Frontier()
    for leaf in sealed_leaves(writing.index):
        frontier.append(leaf)
    received = Reading.objects.filter(seal=writing.index).aggregate(
        first_received_at=Min("received_at"), last_received_at=Max("received_at")
    )
    seal = writing.insert(
        ReadingSeal(sealed_until=until, row_count=frontier.size, root=frontier.root().hex(), **received)
    )
    writing.tell(Verb.READINGS_SEALED, writing.now, {"reading_seal": seal})
    return seal


def seal_when_due() -> None:
    """Seal where an hour is due; what goes wrong is logged, and the next try makes good.

    Whoever brought readings is answered by then, and `audit` says what waits too long.
    """
    until = _due(clock.now())
    if until is None:
        return
    try:
        seal_readings(Actor(None, Face.API))
    except (RuleBroken, OperationalError):
        logger.exception("no seal was made of the readings before %s", until)


def _due(now: datetime) -> datetime | None:
    """Return the full hour up to which is sealed next, or None where none is due."""
    waiting = Reading.objects.filter(seal=None, received_at__lt=full_hour(now))
    times = waiting.order_by("received_at").values_list("received_at", flat=True)
    first = times.first()
    if first is None:
        return None
    last = times[SEAL_ROWS_MAX - 1 : SEAL_ROWS_MAX].first()
    sealed = ReadingSeal.objects.aggregate(until=Max("sealed_until"))
    return hour_due(first, last, sealed["until"], now)
