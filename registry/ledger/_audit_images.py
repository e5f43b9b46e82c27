"""Images as the audit compares them: by digest, and field by field where the digests differ."""

from collections.abc import Callable, Iterable, Iterator
from hashlib import sha256
from typing import NamedTuple, TypeAlias, TypeVar

import orjson
from django.core.exceptions import ValidationError

from registry.ledger._scratch import Left
from registry.ledger.images import SCHEMA, Image, upgraded
from registry.models import Entry
from registry.rules.canonical import Json, parse_canonical

# What a column raises for a value that it cannot have. SQLite holds any value in any column.
UNREADABLE = (ValueError, TypeError, ArithmeticError, AttributeError, ValidationError)

Body: TypeAlias = dict[str, Json]
Thing = TypeVar("Thing")


class Held(NamedTuple):
    """An image that an entry holds; `before` is None for a new row."""

    table: str
    key: str
    before: Image | None
    after: Image


def digest_of(image: Image) -> bytes:
    """Return the SHA-256 of an image, the same for the same values whatever their order.

    It is compared with itself alone and never kept, so nothing is asked of the form: that of a ledger's
    image was asked with its entry.
    """
    return sha256(orjson.dumps(image, option=orjson.OPT_SORT_KEYS)).digest()


def stored_bytes(value: object) -> bytes:
    """Return the bytes of a text or of bytes, of whatever kind SQLite gave the value back."""
    if isinstance(value, bytes | memoryview):
        return bytes(value)
    return str(value).encode()


def same(one: Json, other: Json) -> bool:
    """Say whether two values are one to the ledger, to which true is not 1."""
    return type(one) is type(other) and one == other


def differences(one: Image, other: Image) -> Iterator[tuple[str, Json, Json]]:
    """Yield each column in which two images differ, with both values; None for an absent one."""
    for column in {**one, **other}:
        if not same(one.get(column), other.get(column)) or (column in one) != (column in other):
            yield column, one.get(column), other.get(column)


def known_schema(body: Body) -> int | None:
    """Return the schema of a body's images, None where it has none that we know."""
    schema = body.get("schema")
    return schema if type(schema) is int and 1 <= schema <= SCHEMA else None


def images_of(body: Body, schema: int) -> Iterator[Held | None]:
    """Yield a body's images in today's form, None for one of no known form; of a table that is gone, none."""
    images = body.get("images")
    for image in images if isinstance(images, list) else []:
        if not isinstance(image, dict) or not {"table", "key", "before", "after"} <= set(image):
            yield None
            continue
        table, before, after = str(image["table"]), image["before"], image["after"]
        if not isinstance(after, dict) or not isinstance(before, dict | None):
            yield None
            continue
        today = upgraded(schema, table, after)
        found = upgraded(schema, table, before) if before is not None else None
        if today is not None:
            yield Held(today[0], str(image["key"]), found[1] if found else None, today[1])


def image_left(left: Left, table: str, key: str) -> Image:
    """Return the image behind a digest, from the entry that left it."""
    body = parse_canonical(Entry.objects.values_list("body", flat=True).get(index=left.entry).encode())
    if not isinstance(body, dict) or (schema := known_schema(body)) is None:
        raise ValueError(f"entry {left.entry} changed under a snapshot")
    for held in images_of(body, schema):
        if held and (held.table, held.key) == (table, key) and digest_of(held.after) == left.digest:
            return held.after
    raise ValueError(f"entry {left.entry} changed under a snapshot")


def readable(rows: Iterable[Thing], broken: Callable[[Exception], None]) -> Iterator[Thing]:
    """Yield what can be read, up to a value that its column cannot have, which `broken` is told."""
    try:
        yield from rows
    except UNREADABLE as error:
        broken(error)
