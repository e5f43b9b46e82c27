"""Lists by the page: a keyset cursor, which stays right while rows come and however many look alike.

The framework's own cursor counts among equal values and gives up at a thousand; a chain easily has more
stores of one name.
"""

import base64
import binascii
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import DateTimeField, Model, Q, QuerySet

from registry.rules.particulars import invalid

PAGE_SIZE = 50  # rows
PAGE_SIZE_MAX = 200
PAGE_PARAMETERS = ("cursor", "page_size", "ordering")


@dataclass(frozen=True, slots=True)
class Page:
    """The rows of one page, and the cursor of the next or None."""

    rows: list[Any]
    cursor: str | None


def read_page(
    rows: "QuerySet[Any]", orderings: Sequence[str], asked: Mapping[str, str], tie: str = "id"
) -> Page:
    """Return a page of rows, ordered by one of the orderings (the first unless asked) and then by key.

    Raises RuleBroken VALUE_INVALID for an ordering, a size or a cursor that cannot be.
    """
    ordering = asked.get("ordering") or orderings[0]
    column = ordering.removeprefix("-")
    if column not in {name.removeprefix("-") for name in orderings}:
        names = ", ".join(sorted(name.removeprefix("-") for name in orderings))
        raise invalid(
            "ordering", f"The list cannot be ordered so. Use one of {names}, with - for descending."
        )
    size = _size(asked.get("page_size"))
    descending = ordering.startswith("-")
    if cursor := asked.get("cursor"):
        rows = rows.filter(_after(rows.model, ordering, cursor, tie))
    sign = "-" if descending else ""
    order = [f"{sign}{tie}"] if column == tie else [ordering, f"{sign}{tie}"]
    found = list(rows.order_by(*order)[: size + 1])
    more = len(found) > size
    return Page(found[:size], _cursor(found[size - 1], ordering, tie) if more else None)


def next_link(
    path: str, asked: Mapping[str, str], pinned: Mapping[str, str], cursor: str | None
) -> str | None:
    """Return the address of the next page, which asks the same question as this one; None for the last."""
    if cursor is None:
        return None
    return f"{path}?{urlencode({**asked, **pinned, 'cursor': cursor})}"


def search_in(
    rows: "QuerySet[Any]", fields: Sequence[str], words: str, also: Callable[[str], Q] | None = None
) -> "QuerySet[Any]":
    """Return the rows in which every word occurs in one of the fields, or is `also` found, in any case."""
    for word in words.split():
        found = also(word) if also else Q()
        for field in fields:
            found |= Q(**{f"{field}__icontains": word})
        rows = rows.filter(found)
    return rows


def _size(typed: str | None) -> int:
    if typed is None:
        return PAGE_SIZE
    if not (typed.isascii() and typed.isdigit() and len(typed) < 9 and 1 <= int(typed) <= PAGE_SIZE_MAX):
        raise invalid("page_size", f"A page has 1 to {PAGE_SIZE_MAX} rows. Ask for so many.")
    return int(typed)


def _cursor(row: Model, ordering: str, tie: str) -> str:
    value, key = getattr(row, ordering.removeprefix("-")), getattr(row, tie)
    plain = value.isoformat() if isinstance(value, date) else value  # a datetime is a date, too
    plain = str(plain) if isinstance(plain, UUID) else plain
    text = json.dumps([ordering, plain, key if isinstance(key, int) else str(key)])
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _after(model: type[Model], ordering: str, cursor: str, tie: str) -> Q:
    column = ordering.removeprefix("-")
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4))
        ordered, value, key = json.loads(text)
        if ordered != ordering:
            raise ValueError
        value, key = _value(model, column, value), _value(model, tie, key)
    except (ValueError, TypeError, binascii.Error, ValidationError, RecursionError, OverflowError):
        raise invalid("cursor", "This is no cursor of this list. Begin with the first page.") from None
    step = "lt" if ordering.startswith("-") else "gt"
    if column == tie:
        return Q(**{f"{tie}__{step}": key})
    return Q(**{f"{column}__{step}": value}) | Q(**{column: value, f"{tie}__{step}": key})


def _value(model: type[Model], column: str, given: object) -> Any:
    """Return a value of a cursor as the column has it; raises ValueError and its kin for what is none."""
    field = next(field for field in model._meta.concrete_fields if field.name == column)
    if isinstance(field, DateTimeField):
        moment = datetime.fromisoformat(given) if isinstance(given, str) else None
        if moment is None or moment.tzinfo is None:
            raise ValueError
        return moment.astimezone(UTC)
    value = field.to_python(given)
    if value is None or (isinstance(value, str) and "\0" in value.encode().decode()):  # no half surrogate
        raise ValueError
    return value
