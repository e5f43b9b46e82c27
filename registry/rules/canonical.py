"""The canonical bytes of a ledger entry: RFC 8785 over a restricted form.

The form knows objects with ASCII keys, arrays, strings without lone surrogates, whole numbers within
2^53 - 1, true, false and null. Decimals and times travel as strings. Within it a sorted encoder gives
the bytes of RFC 8785 exactly, because number formatting and UTF-16 key order cannot differ; a property
test holds ours against the reference library.
"""

import json
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import TypeAlias
from uuid import UUID

import orjson

INTEGER_MAX = 2**53 - 1  # the largest whole number that every JSON reader keeps (RFC 8785 section 3.2.2.3)
DEPTH_MAX = 64  # arrays and objects within each other; entries need about six, orjson writes at most 254

Json: TypeAlias = "dict[str, Json] | list[Json] | str | int | bool | None"
_Path: TypeAlias = "tuple[_Path, str | int] | None"  # the way to a value, from its end


def canonical_bytes(value: Json) -> bytes:
    """Return the canonical UTF-8 bytes of `value`; raises ValueError outside the restricted form."""
    _check(value, None, 0)
    return orjson.dumps(value, option=orjson.OPT_SORT_KEYS)


def parse_canonical(data: bytes) -> Json:
    """Return the value of canonical bytes; raises ValueError where they are not canonical.

    A body that parses but was not written canonically (spaces, another key order, a repeated key) is
    refused, because two texts with one meaning would hash to two leaves.
    """
    try:
        value: Json = orjson.loads(data)
    except json.JSONDecodeError as error:
        raise ValueError(f"not JSON: {error}") from None
    if canonical_bytes(value) != data:
        raise ValueError("not in canonical form")
    return value


def _check(value: Json, path: _Path, depth: int) -> None:
    if depth >= DEPTH_MAX and isinstance(value, list | dict):
        raise ValueError(f"more than {DEPTH_MAX} arrays and objects within each other")
    if value is None or isinstance(value, bool):
        return
    if isinstance(value, int):
        if not -INTEGER_MAX <= value <= INTEGER_MAX:
            raise ValueError(f"{_told(path)}: {value} is beyond 2^53 - 1; write it as a string")
    elif isinstance(value, str):
        try:
            value.encode()
        except UnicodeEncodeError:
            raise ValueError(f"{_told(path)}: holds a lone surrogate") from None
    elif isinstance(value, list):
        for position, item in enumerate(value):
            _check(item, (path, position), depth + 1)
    elif isinstance(value, dict):
        for key, item in value.items():
            if type(key) is not str or not key.isascii():  # orjson writes no key of a kind of str
                raise ValueError(f"{_told((path, key))}: a key must be ASCII text")
            # Most of what is checked, and fit without a look: an audit checks a hundred of it an entry.
            if item is None or (type(item) is str and item.isascii()):
                continue
            _check(item, (path, key), depth + 1)
    else:
        raise ValueError(f"{_told(path)}: {type(value).__name__} is outside the restricted form")


def _told(path: _Path) -> str:
    """Return the way to a value, "/images/0/key": put into words only where it is needed."""
    steps: list[str] = []
    while path:
        path, step = path
        steps.append(f"/{step}")
    return "".join(reversed(steps)) or "value"


def time_text(moment: datetime) -> str:
    """Return a moment as UTC text with microseconds, 2026-01-31T08:00:00.000000Z.

    Raises ValueError for a time without an offset.
    """
    if moment.tzinfo is None:
        raise ValueError("a time without an offset has no place in the ledger")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def plain(value: object) -> Json:
    """Return `value` in the restricted form: times, dates, decimals and UUIDs become strings."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, datetime):
        return time_text(value)
    if isinstance(value, UUID):
        return str(value)
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, date):
        return value.isoformat()
    raise ValueError(f"{type(value).__name__} has no canonical form")
