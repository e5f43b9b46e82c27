"""Canonical bytes: RFC 8785 over the restricted form, and nothing outside it."""

import json
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from enum import IntEnum, StrEnum
from hashlib import sha256
from typing import Any
from uuid import UUID

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import load_vectors

from registry.rules.canonical import canonical_bytes, parse_canonical, plain, time_text

INTEGER_MAX = 9_007_199_254_740_991  # 2^53 - 1, RFC 8785 section 3.2.2.3 and RFC 7493 section 2.2
VECTORS = load_vectors("canonical_json")["cases"]


@pytest.mark.parametrize("case", VECTORS, ids=lambda case: case["about"])
def test_canonical_bytes_agree_with_the_test_data_of_the_standards_author(case: dict[str, Any]) -> None:
    canonical = canonical_bytes(case["input"])
    assert canonical == case["canonical"].encode()
    assert sha256(canonical).hexdigest() == case["sha256"]
    assert parse_canonical(canonical) == case["input"]


ASCII = st.text(st.characters(codec="ascii"))
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-INTEGER_MAX, INTEGER_MAX)
    | st.text(st.characters(exclude_categories=["Cs"]))
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(ASCII, inner, max_size=5),
    max_leaves=20,
)


@given(VALUES)
def test_canonical_bytes_are_those_of_the_reference_library(value: Any) -> None:
    canonical = canonical_bytes(value)
    assert canonical == rfc8785.dumps(value)
    assert parse_canonical(canonical) == value


def test_every_character_is_written_as_the_reference_library_writes_it() -> None:
    text = "".join(map(chr, range(0x110000))).translate(dict.fromkeys(range(0xD800, 0xE000)))
    assert len(text) == 0x110000 - 0x800
    assert canonical_bytes(text) == rfc8785.dumps(text)


def test_every_ascii_key_is_sorted_as_the_reference_library_sorts_it() -> None:
    value: dict[str, Any] = {chr(code): code for code in range(128)}
    value |= {"a" + chr(code): code for code in range(128)}
    assert canonical_bytes(value) == rfc8785.dumps(value)
    shuffled = dict(sorted(value.items(), key=lambda item: item[0][::-1], reverse=True))
    assert list(shuffled) != list(value)
    assert canonical_bytes(shuffled) == canonical_bytes(value)


class Colour(StrEnum):
    BLUE = "blue"


class Size(IntEnum):
    SMALL = 8


def nested(depth: int) -> Any:
    value: Any = 1
    for level in range(depth):
        value = [value] if level % 2 else {"in": value}
    return value


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        (56, 56.0),
        (0, float("nan")),
        (0, float("inf")),
        (INTEGER_MAX, INTEGER_MAX + 1),
        (-INTEGER_MAX, -INTEGER_MAX - 1),
        ("\U0001f600", "\ud83d"),
        ("\U0001f601", "\ude01"),
        ("a\ufffd", "a\udc80b"),
        ({"e": 1}, {"\u20ac": 1}),
        ({"e": 1}, {"\ufb33": 1}),
        ({"e": 1}, {"\ud800": 1}),
        ({"1": 1}, {1: 1}),
        ({"None": 1}, {None: 1}),
        ({"blue": 1}, {Colour.BLUE: 1}),
        ([1], (1,)),
        ([1], {1}),
        ("x", b"x"),
        ("1.50", Decimal("1.50")),
        ("2026-05-01", date(2026, 5, 1)),
        ("2026-05-01", datetime(2026, 5, 1, tzinfo=UTC)),
        (str(UUID(int=7)), UUID(int=7)),
        (nested(64), nested(65)),
        (nested(64), nested(300)),  # orjson itself gives up beyond 254, with another error
    ],
    ids=lambda value: ascii(value)[:30],
)
@pytest.mark.parametrize(
    "wrap", [lambda value: value, lambda value: [0, {"in": value}]], ids=["bare", "deep"]
)
def test_what_lies_outside_the_restricted_form_is_refused(inside: Any, outside: Any, wrap: Any) -> None:
    if inside != nested(64):  # which may stand in nothing else
        assert json.loads(canonical_bytes(wrap(inside))) == wrap(inside)
    with pytest.raises(ValueError, match=r"."):
        canonical_bytes(wrap(outside))


def test_sixty_four_levels_of_arrays_and_objects_are_taken() -> None:
    assert canonical_bytes(nested(64)) == rfc8785.dumps(nested(64))


def test_words_and_numbers_of_an_enumeration_are_written_as_what_they_stand_for() -> None:
    assert canonical_bytes([Colour.BLUE, Size.SMALL]) == b'["blue",8]'


def test_a_refusal_names_the_place() -> None:
    with pytest.raises(ValueError, match="/lines/1/share: float"):
        canonical_bytes({"lines": [1, {"share": 0.5}]})
    with pytest.raises(ValueError, match="value: float"):
        canonical_bytes(0.5)


@pytest.mark.parametrize(
    "data",
    [
        b'{"a": 1}',
        b' {"a":1}',
        b'{"a":1}\n',
        b'{"b":1,"a":2}',
        b'{"a":1,"a":1}',
        b'{"a":1,"a":2}',
        b'"\\u0061"',
        b'"\\/"',
        b"-0",
        b"1.0",
        b"1e2",
        b"9007199254740992",
        b"01",
        b"NaN",
        b"",
        b"{",
        b"[1,]",
        b'"\xff"',
        b'"\\ud800"',
        b'\xef\xbb\xbf"a"',
        b'{"\xe2\x82\xac":1}',
        b"[" * 65 + b"]" * 65,
        b"[" * 300 + b"]" * 300,
        b"[" * 5000 + b"]" * 5000,
    ],
    ids=lambda data: ascii(data)[:30],
)
def test_bytes_that_are_not_canonical_are_refused(data: bytes) -> None:
    assert parse_canonical(b'{"a":1,"b":["\xe2\x82\xac",null]}') == {"a": 1, "b": ["\u20ac", None]}
    with pytest.raises(ValueError, match=r"."):
        parse_canonical(data)


def test_a_broken_text_is_told_from_one_that_is_not_canonical() -> None:
    with pytest.raises(ValueError, match="not JSON"):
        parse_canonical(b"{")
    with pytest.raises(ValueError, match="not in canonical form"):
        parse_canonical(b"[1, 2]")


# --- Times and other values ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        (datetime(2026, 1, 31, 8, tzinfo=UTC), "2026-01-31T08:00:00.000000Z"),
        (datetime(2026, 1, 31, 8, 0, 0, 1, tzinfo=UTC), "2026-01-31T08:00:00.000001Z"),
        (datetime(2026, 1, 31, 22, 30, tzinfo=timezone(-timedelta(hours=5))), "2026-02-01T03:30:00.000000Z"),
        # RFC 3339 section 5.8: 19 min 39.57 s after the sixteenth hour, eight hours behind UTC.
        (
            datetime(1996, 12, 19, 16, 39, 57, tzinfo=timezone(-timedelta(hours=8))),
            "1996-12-20T00:39:57.000000Z",
        ),
    ],
)
def test_a_moment_has_one_text_in_utc_with_microseconds(moment: datetime, text: str) -> None:
    assert time_text(moment) == plain(moment) == text


def test_a_moment_without_an_offset_has_no_text() -> None:
    for write in (time_text, plain):
        with pytest.raises(ValueError, match="offset"):
            write(datetime(2026, 1, 31, 8))  # noqa: DTZ001


@given(st.datetimes(min_value=datetime(1900, 1, 2), timezones=st.timezones()))  # noqa: DTZ001
def test_texts_of_moments_sort_as_the_moments_do(moment: datetime) -> None:
    text = time_text(moment)
    assert len(text) == len("2026-01-31T08:00:00.000000Z")
    assert datetime.fromisoformat(text) == moment.astimezone(UTC)


@pytest.mark.parametrize(
    ("value", "form"),
    [
        (None, None),
        (True, True),
        (7, 7),
        ("ice", "ice"),
        (Colour.BLUE, "blue"),
        (UUID(int=7), "00000000-0000-0000-0000-000000000007"),
        (Decimal("7.50"), "7.50"),
        (Decimal("1E+3"), "1000"),
        (Decimal("1E-7"), "0.0000001"),
        (date(2026, 5, 1), "2026-05-01"),
        ((1, [Decimal("2.0"), None]), [1, ["2.0", None]]),
        ([], []),
    ],
    ids=repr,
)
def test_values_take_their_plain_form(value: object, form: object) -> None:
    assert plain(value) == form
    assert json.loads(canonical_bytes(plain(value))) == form


@pytest.mark.parametrize(
    "value", [1.5, {"a": 1}, {1}, b"x", time(8), pytest.param(object(), id="object"), [[1.5]]], ids=repr
)
def test_a_value_without_a_plain_form_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match="no canonical form"):
        plain(value)
