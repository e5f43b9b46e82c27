"""Half-open periods on two axes, and the only ways in which a history may grow or be put right.

Valid time says what was true; the ledger's index says between which entries the register believed it.
Periods are closed-open, [valid_from, valid_to), with None for "still" (SQL:2011 PERIOD semantics).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import UUID

from registry.rules.errors import Code, RuleBroken

# A phone's clock may run ahead of ours by this much before its "now" counts as the future.
CLOCK_SKEW_MAX = timedelta(minutes=2)


@dataclass(frozen=True, slots=True)
class Period:
    """A half-open stretch of valid time, kept in UTC; `valid_to` None means "still".

    Raises RuleBroken TIME_INVALID for a time without its offset or an end that is not after the start.
    """

    valid_from: datetime
    valid_to: datetime | None = None

    def __post_init__(self) -> None:
        for name in ("valid_from", "valid_to"):
            require_offset(getattr(self, name), name)
        # Python compares two times of one zone by their clock faces, so that 01:10 after the clocks went
        # back would lie before 01:30 before it (PEP 495); in UTC there is no such hour.
        start = self.valid_from.astimezone(UTC)
        if self.valid_to is not None:
            end = self.valid_to.astimezone(UTC)
            if end <= start:
                raise RuleBroken(
                    Code.TIME_INVALID,
                    f"The end {show(self.valid_to)} is not after the start {show(self.valid_from)}."
                    " Give a later end.",
                    field="valid_to",
                )
            object.__setattr__(self, "valid_to", end)
        object.__setattr__(self, "valid_from", start)

    def contains(self, moment: datetime) -> bool:
        """Say whether the moment lies in the period; the end itself does not."""
        return self.valid_from <= moment and (self.valid_to is None or moment < self.valid_to)

    def overlaps(self, other: "Period") -> bool:
        """Say whether the two share an instant (SQL:2011 OVERLAPS of two periods)."""
        return (other.valid_to is None or self.valid_from < other.valid_to) and (
            self.valid_to is None or other.valid_from < self.valid_to
        )

    def meets(self, later: "Period") -> bool:
        """Say whether `later` starts at the very instant at which this one ends (Allen 1983, "meets")."""
        return self.valid_to == later.valid_from


@dataclass(frozen=True, slots=True)
class Stretch:
    """One current period of a history: its stable identity, when it was true, and what to call it."""

    identity: UUID
    period: Period
    label: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """What a correction does to one period; `after` None takes it out of the history."""

    identity: UUID
    before: Period
    after: Period | None


def show(moment: datetime) -> str:
    """Return a moment as people read it, with its offset, to the second."""
    return moment.isoformat(sep=" ", timespec="seconds")


def require_offset(moment: datetime | None, field: str) -> None:
    """Raise RuleBroken TIME_INVALID for a time that does not say its offset, or that UTC cannot tell."""
    if moment is None:
        return
    if not isinstance(moment, datetime) or moment.utcoffset() is None:
        raise RuleBroken(
            Code.TIME_INVALID,
            f"{moment} does not say its offset from UTC. Add one, such as 2026-05-01T09:30:00-04:00.",
            field=field,
        )
    try:
        moment.astimezone(UTC)
    except OverflowError:
        raise RuleBroken(
            Code.TIME_INVALID, f"{moment} lies beyond the calendar. State when it was.", field=field
        ) from None


def require_past(moment: datetime, now: datetime, field: str) -> None:
    """Raise RuleBroken TIME_IN_FUTURE for a stated time beyond the clock and its allowed skew."""
    require_offset(moment, field)
    if moment > now + CLOCK_SKEW_MAX:
        raise RuleBroken(
            Code.TIME_IN_FUTURE,
            f"{show(moment)} has not come yet; it is {show(now)}. State when it happened.",
            field=field,
        )


def believed_at(index: int, recorded: int, superseded: int | None) -> bool:
    """Say whether the register believed a version right after ledger entry `index`."""
    return recorded <= index and (superseded is None or superseded > index)


def running_stretch(history: Sequence[Stretch], at: datetime, field: str = "valid_from") -> Stretch:
    """Return the stretch that runs at `at` and still does.

    Raises RuleBroken BEFORE_KNOWN where the thing is not known to have existed by then, and
    OVERLAPPING_HISTORY where the register already holds something that came after that time.
    """
    require_offset(at, field)
    ordered = sorted(history, key=lambda stretch: stretch.period.valid_from)
    if not ordered or at < ordered[0].period.valid_from:
        first = f"It is known since {show(ordered[0].period.valid_from)}. " if ordered else ""
        raise RuleBroken(
            Code.BEFORE_KNOWN,
            f"Nothing is known of it at {show(at)}. {first}Give a later time, or correct its first period.",
            field=field,
        )
    last = ordered[-1]
    if last.period.valid_to is not None or at < last.period.valid_from:
        raise _something_later(last, field)
    return last


def open_stretch(history: Sequence[Stretch], at: datetime, field: str = "valid_from") -> Stretch:
    """Return the still-running stretch which a change at `at` would end, and leave something of it.

    Raises as `running_stretch` does, and OVERLAPPING_HISTORY where it starts at that very time.
    """
    last = running_stretch(history, at, field)
    if at == last.period.valid_from:
        raise _something_later(last, field)
    return last


def _something_later(last: Stretch, field: str) -> RuleBroken:
    since = last.period.valid_to or last.period.valid_from
    return RuleBroken(
        Code.OVERLAPPING_HISTORY,
        f"The register already holds something from {show(since)} on ({last.label or 'another period'})."
        " Give a later time, or correct that period.",
        field=field,
        details={"period": str(last.identity)},
    )


def plan_new_bounds(
    history: Sequence[Stretch], identity: UUID, valid_from: datetime, valid_to: datetime | None
) -> list[Change]:
    """Return the changes that give one period new bounds, with the neighbours that move along.

    A neighbour that touched the moved boundary follows it; one that the longer period would run into
    gives way. Raises RuleBroken NEIGHBOUR_SWALLOWED where nothing of a neighbour would be left, or the
    end is taken off a period that others follow, OVERLAPPING_HISTORY where an end is put on the last
    period, NOTHING_CHANGES, PERIOD_SUPERSEDED.
    """
    before, subject, after = _around(history, identity)
    new = Period(valid_from, valid_to)
    if new == subject.period:
        raise RuleBroken(Code.NOTHING_CHANGES, "The register already says so.", field="valid_from")
    if subject.period.valid_to is None and valid_to is not None:
        raise RuleBroken(
            Code.OVERLAPPING_HISTORY,
            "This period still runs; a correction cannot end it. Record what came after it instead.",
            field="valid_to",
        )
    valid_from, valid_to = new.valid_from, new.valid_to
    changes = [Change(identity, subject.period, new)]
    for neighbour in before:
        old = neighbour.period
        leapt_over = old.valid_from >= valid_from
        if old.meets(subject.period) or old.overlaps(new) or leapt_over:
            changes.append(_moved(neighbour, old.valid_from, valid_from, "valid_from"))
    for neighbour in after:
        old = neighbour.period
        if valid_to is None:
            raise _swallowed(neighbour, "valid_to")
        if subject.period.meets(old) or old.valid_from < valid_to:
            changes.append(_moved(neighbour, valid_to, old.valid_to, "valid_to"))
    return [change for change in changes if change.before != change.after]


def plan_withdrawal(history: Sequence[Stretch], identity: UUID) -> list[Change]:
    """Return the changes that take out a period which never was.

    The neighbour before it, if they touched, runs on over the gap: what held before still held.
    Raises RuleBroken PERIOD_SUPERSEDED, or OVERLAPPING_HISTORY where nothing would be left of the
    history or its last period would end without a successor.
    """
    before, subject, after = _around(history, identity)
    changes = [Change(identity, subject.period, None)]
    if before and before[-1].period.meets(subject.period):
        previous = before[-1]
        changes.append(
            Change(
                previous.identity,
                previous.period,
                Period(previous.period.valid_from, subject.period.valid_to),
            )
        )
    elif not after:
        raise RuleBroken(
            Code.OVERLAPPING_HISTORY,
            "Without this period the register would not know where it is. Correct its place instead.",
        )
    return changes


def _around(history: Sequence[Stretch], identity: UUID) -> tuple[list[Stretch], Stretch, list[Stretch]]:
    ordered = sorted(history, key=lambda stretch: stretch.period.valid_from)
    for place, stretch in enumerate(ordered):
        if stretch.identity == identity:
            return ordered[:place], stretch, ordered[place + 1 :]
    raise RuleBroken(
        Code.PERIOD_SUPERSEDED,
        "This period is no longer in the register. Look again and retry.",
        field="period",
    )


def _moved(neighbour: Stretch, valid_from: datetime, valid_to: datetime | None, field: str) -> Change:
    if valid_to is not None and valid_to <= valid_from:
        raise _swallowed(neighbour, field)
    return Change(neighbour.identity, neighbour.period, Period(valid_from, valid_to))


def _swallowed(neighbour: Stretch, field: str) -> RuleBroken:
    return RuleBroken(
        Code.NEIGHBOUR_SWALLOWED,
        f"Nothing would be left of {neighbour.label or 'a neighbouring period'}, which starts at"
        f" {show(neighbour.period.valid_from)}. Choose another time, or withdraw that period first.",
        field=field,
        details={"period": str(neighbour.identity)},
    )
