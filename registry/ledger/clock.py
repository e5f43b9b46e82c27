"""The one place from which the register takes the time."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime


class SimulatedClock:
    """A clock that stands where it was put; entries made under it are marked as simulated."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def now(self) -> datetime:
        """Return the time to which the clock was put."""
        return self.at


_simulated: ContextVar[SimulatedClock | None] = ContextVar("simulated_clock", default=None)


def now() -> datetime:
    """Return the time in UTC."""
    clock = _simulated.get()
    return clock.now() if clock else datetime.now(UTC)


def is_simulated() -> bool:
    """Say whether somebody put the clock."""
    return _simulated.get() is not None


@contextmanager
def simulated(at: datetime) -> Iterator[SimulatedClock]:
    """Put the clock for as long as the context lasts; set `.at` to move it."""
    clock = SimulatedClock(at)
    token = _simulated.set(clock)
    try:
        yield clock
    finally:
        _simulated.reset(token)
