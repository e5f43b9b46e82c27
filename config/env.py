"""Typed readers of the environment. A bad value stops the start and says which and why."""

import os
from collections.abc import Iterable

PREFIX = "RIMEBOOK_"
TRUE_WORDS = frozenset({"1", "true", "yes", "on"})
FALSE_WORDS = frozenset({"0", "false", "no", "off"})


class BadSetting(SystemExit):
    """A setting that cannot be used; the start stops with this one sentence."""

    def __init__(self, name: str, why: str) -> None:
        super().__init__(f"{PREFIX}{name} {why}")


def text(name: str, default: str | None = None) -> str:
    """Return the text of a setting; without a default it must be given and not blank."""
    value = os.environ.get(PREFIX + name, "").strip()
    if value:
        return value
    if default is None:
        raise BadSetting(name, "is not set. Set it in the environment and start again.")
    return default


def switch(name: str, default: bool) -> bool:
    """Return True or False for yes/no, true/false, on/off, 1/0."""
    word = text(name, "yes" if default else "no").lower()
    if word in TRUE_WORDS:
        return True
    if word in FALSE_WORDS:
        return False
    raise BadSetting(name, f"is {word!r}. Write yes or no.")


def whole_number(name: str, default: int, *, least: int, most: int) -> int:
    """Return a whole number from `least` to `most`, both included."""
    typed = text(name, str(default))
    try:
        number = int(typed)
    except ValueError:
        raise BadSetting(name, f"is {typed!r}. Write a whole number from {least} to {most}.") from None
    if not least <= number <= most:
        raise BadSetting(name, f"is {number}. Write a whole number from {least} to {most}.")
    return number


def words(name: str, default: Iterable[str]) -> list[str]:
    """Return the parts of a comma-separated list, blank parts left out."""
    return [part.strip() for part in text(name, ",".join(default)).split(",") if part.strip()]


def choice(name: str, default: str, options: Iterable[str]) -> str:
    """Return one of the words that a setting may have, in capitals."""
    word = text(name, default).upper()
    if word not in set(options):
        raise BadSetting(name, f"is {word!r}. Write one of {', '.join(options)}.")
    return word
