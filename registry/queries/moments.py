"""Moments: what was true at V, as the register knew it at R. Every answer carries the index of its R."""

from dataclasses import dataclass
from datetime import datetime

from registry.ledger import clock
from registry.models import Entry
from registry.rules.errors import Code, RuleBroken
from registry.rules.periods import CLOCK_SKEW_MAX, require_offset


@dataclass(frozen=True, slots=True)
class Moment:
    """A question's two axes, settled.

    `index` is the entry up to which the register's knowledge counts; asked again with it, the answer is
    the same for ever. `at_head` says that nothing newer was known when it was settled.
    """

    valid_at: datetime
    index: int
    at_head: bool


def head_index() -> int:
    """Return the index of the newest entry, 0 for an empty ledger."""
    newest: int | None = Entry.objects.order_by("-index").values_list("index", flat=True).first()
    return newest or 0


def present() -> Moment:
    """Settle the question how things stand now.

    What was stated a moment ahead of our clock, as far as a phone's clock may run ahead, counts already.
    """
    return settle(clock.now() + CLOCK_SKEW_MAX)


def settle(valid_at: datetime, known_at: datetime | int | None = None) -> Moment:
    """Settle a question: read the head first, then resolve a time or an index of knowledge.

    A time at or after the head is answered as the head. Raises RuleBroken TIME_INVALID for a time without
    its offset, VALUE_INVALID for an index that the ledger does not have.
    """
    require_offset(valid_at, "as_of")
    head = head_index()
    if known_at is None:
        return Moment(valid_at, head, True)
    if isinstance(known_at, int):
        if not 0 <= known_at <= head:
            raise RuleBroken(
                Code.VALUE_INVALID,
                f"The ledger has entries 1 to {head}, not {known_at}. Ask for one of them, or for a time.",
                field="known_at",
            )
        return Moment(valid_at, known_at, known_at == head)
    require_offset(known_at, "known_at")
    index: int | None = (
        Entry.objects.filter(recorded_at__lte=known_at, index__lte=head)
        .order_by("-recorded_at")
        .values_list("index", flat=True)
        .first()
    )
    return Moment(valid_at, index or 0, (index or 0) == head)
