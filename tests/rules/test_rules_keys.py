"""Keys: UUIDs of version 7, RFC 9562 section 5.7."""

from uuid import RFC_4122

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import load_vectors

from registry.rules.keys import RANDOM_BITS, uuid7

TIMES = st.integers(0, 2**48 - 1)
RANDOMS = st.integers(0, 2**74 - 1)


def test_a_key_agrees_with_the_example_of_the_standard() -> None:
    for case in load_vectors("uuid_version_7")["cases"]:
        random = int(case["rand_a_hex"], 16) << 62 | int(case["rand_b_hex"], 16)
        assert str(uuid7(case["unix_ms"], random)) == case["uuid"]


@given(TIMES, RANDOMS)
def test_a_key_holds_its_time_its_version_and_every_random_bit(unix_ms: int, random: int) -> None:
    key = uuid7(unix_ms, random)
    assert key.version == 7
    assert key.variant == RFC_4122
    assert key.int >> 80 == unix_ms
    assert (key.int >> 64 & 0xFFF) << 62 | key.int & (1 << 62) - 1 == random


@given(TIMES, TIMES, RANDOMS, RANDOMS)
def test_keys_sort_by_time(one: int, other: int, random_one: int, random_other: int) -> None:
    first, second = uuid7(one, random_one), uuid7(other, random_other)
    if one != other:
        assert (first < second) is (one < other)
        assert (str(first) < str(second)) is (one < other)


@pytest.mark.parametrize(
    ("unix_ms", "random", "told"),
    [(-1, 0, "48"), (2**48, 0, "48"), (0, -1, "74"), (0, 2**74, "74")],
)
def test_what_does_not_fit_is_refused(unix_ms: int, random: int, told: str) -> None:
    assert RANDOM_BITS == 74
    assert str(uuid7(0, 0)) == "00000000-0000-7000-8000-000000000000"
    assert str(uuid7(2**48 - 1, 2**74 - 1)) == "ffffffff-ffff-7fff-bfff-ffffffffffff"
    with pytest.raises(ValueError, match=told):
        uuid7(unix_ms, random)
