"""Who may write just now: whatever writes the register's tables opens this first."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_open: ContextVar[bool] = ContextVar("action_open", default=False)


def is_open() -> bool:
    """Say whether an action is under way: the tests refuse any other write to the register's tables."""
    return _open.get()


@contextmanager
def opened() -> Iterator[None]:
    """Let the register's tables be written for as long as the context lasts."""
    token = _open.set(True)
    try:
        yield
    finally:
        _open.reset(token)
