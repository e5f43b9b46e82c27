"""How two beliefs about one period differ, and which stretch of valid time that touches.

Pure comparison of what was believed first with what is believed last. What is said of a start or of an
end alone (that the start is "known by", why an assignment ended) touches that instant, not the whole
period: an assignment that ended today is no change of last month.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from registry.rules.errors import Code, RuleBroken
from registry.rules.periods import Period, require_offset


class Turn(StrEnum):
    """What became of one belief."""

    NEW = "new"  # nothing was believed first
    WITHDRAWN = "withdrawn"  # nothing is believed last
    ENDED = "ended"  # it ran on, and came to an end; nothing else changed
    MOVED = "moved"  # its bounds are others
    CHANGED = "changed"  # it says something else


@dataclass(frozen=True, slots=True)
class Belief:
    """What was believed of one period: its bounds, what held all along, what is said of its end.

    `facts` and `ending` are (name, value) pairs; `known_by` says that the start is "no later than".
    """

    period: Period
    facts: frozenset[tuple[str, object]]
    known_by: bool = False
    ending: frozenset[tuple[str, object]] = frozenset()


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of valid time, closed-open; None means without end. A single instant ends where it begins."""

    begin: datetime
    end: datetime | None


@dataclass(frozen=True, slots=True)
class Window:
    """The valid time that somebody asks about, such as the month of a bill; None means without bound.

    Raises RuleBroken TIME_INVALID for a time without its offset or an end that is not after the begin.
    """

    begin: datetime | None = None
    end: datetime | None = None

    def __post_init__(self) -> None:
        require_offset(self.begin, "valid_from")
        require_offset(self.end, "valid_to")
        if self.begin is not None and self.end is not None and self.end <= self.begin:
            raise RuleBroken(
                Code.TIME_INVALID,
                "The time asked about ends before it begins. Give a later end.",
                field="valid_to",
            )

    @property
    def is_bounded(self) -> bool:
        """Say whether it leaves out any time at all."""
        return self.begin is not None or self.end is not None

    def meets(self, spans: Iterable[Span]) -> bool:
        """Say whether any span lies in the window; an instant at its very bounds does, to be sure."""
        return any(self._meets(span) for span in spans)

    def _meets(self, span: Span) -> bool:
        if span.end == span.begin:
            return (self.begin is None or self.begin <= span.begin) and (
                self.end is None or span.begin <= self.end
            )
        return (self.begin is None or span.end is None or self.begin < span.end) and (
            self.end is None or span.begin < self.end
        )


def turn_of(before: Belief | None, after: Belief | None) -> Turn:
    """Return what became of a belief of which the two differ."""
    if before is None:
        return Turn.NEW
    if after is None:
        return Turn.WITHDRAWN
    if before.facts != after.facts or before.period == after.period:
        return Turn.CHANGED
    starts_alike = before.period.valid_from == after.period.valid_from and before.known_by == after.known_by
    return Turn.ENDED if starts_alike and before.period.valid_to is None else Turn.MOVED


def touched(before: Belief | None, after: Belief | None) -> list[Span]:
    """Return the stretches of valid time in which two beliefs differ, earliest first; none if they agree.

    The first of them begins at the earliest instant at which they do.
    """
    if before is None or after is None:
        return [_whole(one) for one in (before, after) if one is not None]
    one, other = before.period, after.period
    if before.facts != after.facts or not one.overlaps(other):
        return _merged([_whole(before), _whole(after)])
    found = []
    if one.valid_from != other.valid_from:
        found.append(Span(*sorted((one.valid_from, other.valid_from))))
    elif before.known_by != after.known_by:
        found.append(Span(one.valid_from, one.valid_from))
    if one.valid_to != other.valid_to:
        ends = sorted(end for end in (one.valid_to, other.valid_to) if end is not None)
        found.append(Span(ends[0], ends[1] if len(ends) > 1 else None))
    elif before.ending != after.ending:
        instant = one.valid_to or one.valid_from
        found.append(Span(instant, instant))
    return _merged(found)


def _whole(belief: Belief) -> Span:
    return Span(belief.period.valid_from, belief.period.valid_to)


def _merged(spans: Sequence[Span]) -> list[Span]:
    """Return spans in order, those that meet made one."""
    found: list[Span] = []
    for span in sorted(spans, key=lambda span: span.begin):
        last = found[-1] if found else None
        if last is None or (last.end is not None and last.end < span.begin):
            found.append(span)
        elif last.end is not None and (span.end is None or span.end > last.end):
            found[-1] = Span(last.begin, span.end)
    return found
