"""Particulars of a record: each named value passes its cleaner, or is refused by field.

A cleaner takes what a face was given and returns the value to store; it raises RuleBroken with the field.
"""

from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from functools import cache
from typing import TypeVar
from zoneinfo import available_timezones

from registry.rules.errors import Code, RuleBroken
from registry.rules.texts import LINE_LENGTH_MAX, clean_code, clean_line, clean_note

T = TypeVar("T")
Cleaner = Callable[[object, str], object]
Cleaners = Mapping[str, Cleaner]


def clean_particulars(
    given: Mapping[str, object], cleaners: Cleaners, *, required: frozenset[str] = frozenset()
) -> dict[str, object]:
    """Return the given particulars, cleaned.

    Raises RuleBroken VALUE_INVALID for a field that the record does not have or that is required and
    missing, and what the cleaners raise.
    """
    for name in given:
        if name not in cleaners:
            raise invalid(name, f"There is no field {name!r} here. Use one of {', '.join(sorted(cleaners))}.")
    for name in sorted(required):
        if name not in given:
            raise invalid(name, f"The {name.replace('_', ' ')} is missing. Fill it in.")
    return {name: cleaners[name](value, name) for name, value in given.items()}


def invalid(field: str, message: str) -> RuleBroken:
    """Return the refusal of a value that is out of its range."""
    return RuleBroken(Code.VALUE_INVALID, message, field=field)


def line(value: object, field: str) -> str:
    """Clean one line of text that must be there."""
    return clean_line(value, field)


def optional_line(value: object, field: str) -> str:
    """Clean one line of text that may be blank."""
    return clean_line(value, field, required=False)


def code(value: object, field: str) -> str:
    """Clean a code that must be there."""
    return clean_code(value, field)


def optional_code(value: object, field: str) -> str:
    """Clean a code that may be blank."""
    return clean_code(value, field) if value != "" else ""


def note(value: object, field: str) -> str:
    """Clean text of several lines that may be blank."""
    return clean_note(value, field)


def short_lines(value: object, field: str) -> str:
    """Clean up to three lines of a postal address."""
    text = clean_note(value, field, length_max=LINE_LENGTH_MAX)
    lines = [" ".join(part.split()) for part in text.split("\n") if part.strip()]
    if len(lines) > 3:  # common practice of postal forms, no source
        raise invalid(field, f"The {field} has {len(lines)} lines. Use at most three.")
    return "\n".join(lines)


def choice(options: type[StrEnum]) -> Cleaner:
    """Return a cleaner for one word of an enumeration."""

    def clean(value: object, field: str) -> str:
        if not isinstance(value, str) or value not in set(options):
            words = ", ".join(options)
            raise invalid(field, f"{value!r} is not known as {field.replace('_', ' ')}. Use one of {words}.")
        return str(value)

    return clean


def whole_number(least: int, most: int, unit: str = "") -> Cleaner:
    """Return a cleaner for a whole number within bounds, both included."""

    def clean(value: object, field: str) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            name = field.replace("_", " ")
            raise invalid(
                field, f"The {name} must be a whole number from {least} to {most}{unit}, not {value!r}."
            )
        return value

    return clean


def optional(cleaner: Cleaner) -> Cleaner:
    """Return a cleaner that lets None pass as "unknown"."""

    def clean(value: object, field: str) -> object:
        return None if value is None else cleaner(value, field)

    return clean


def decimal(least: str, most: str, places: int) -> Cleaner:
    """Return a cleaner for a decimal number within bounds, both included, of at most `places` decimals."""
    low, high = Decimal(least), Decimal(most)

    def clean(value: object, field: str) -> Decimal:
        name = field.replace("_", " ")
        problem = invalid(
            field,
            f"The {name} must be a number from {least} to {most} of at most {places} decimals,"
            f" not {value!r}.",
        )
        if isinstance(value, bool | float) or not isinstance(value, int | str | Decimal):
            raise problem
        try:
            number = Decimal(value)
        except InvalidOperation:
            raise problem from None
        if not number.is_finite() or not low <= number <= high or number != round(number, places):
            raise problem
        # One value has one text: "0E-999999999" would fill the memory once written out, and "-0" is 0.
        return round(number, places) + 0

    return clean


def yes_or_no(value: object, field: str) -> bool:
    """Clean a truth value."""
    if not isinstance(value, bool):
        raise invalid(field, f"The {field.replace('_', ' ')} must be yes or no, not {value!r}.")
    return value


def day(value: object, field: str) -> date:
    """Clean a date without a time."""
    if not isinstance(value, date) or hasattr(value, "hour"):
        raise invalid(
            field, f"The {field.replace('_', ' ')} must be a date such as 2026-05-01, not {value!r}."
        )
    return value


def time_zone(value: object, field: str) -> str:
    """Clean the IANA name of a time zone."""
    # Without a slash stand abbreviations, UTC, and "localtime", which means another place on each machine.
    if not isinstance(value, str) or "/" not in value or value.startswith("Etc/") or value not in _places():
        raise invalid(field, f"{value!r} is no time zone of a place. Use a name such as America/New_York.")
    return value


@cache
def _places() -> frozenset[str]:
    """Return the names of all time zones; finding them walks a folder tree, measured to cost 16 ms."""
    return frozenset(available_timezones())


def country(value: object, field: str) -> str:
    """Clean the two letters of a country (shape of ISO 3166-1 alpha-2)."""
    if (
        not isinstance(value, str)
        or len(value) != 2
        or not (value.isascii() and value.isalpha() and value.isupper())
    ):
        raise invalid(field, f"{value!r} is no country code. Use its two capital letters, such as US.")
    return value
