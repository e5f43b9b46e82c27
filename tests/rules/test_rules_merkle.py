"""Merkle leaves: RFC 9162 section 2.1.1 and its published values."""

from hashlib import sha256
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import load_vectors

from registry.rules.merkle import HASH_LENGTH, leaf_hash

VECTORS = load_vectors("merkle_tree")


def root_of(leaves: list[bytes]) -> bytes:
    """Return the tree's root as RFC 9162 section 2.1.1 defines it, written down here from its text."""
    if len(leaves) == 1:
        return leaves[0]
    half = 1
    while half * 2 < len(leaves):
        half *= 2
    return sha256(b"\x01" + root_of(leaves[:half]) + root_of(leaves[half:])).digest()


@pytest.mark.parametrize("case", VECTORS["leaves"], ids=lambda case: case["about"])
def test_a_leaf_has_the_published_hash(case: dict[str, Any]) -> None:
    assert leaf_hash(bytes.fromhex(case["entry_hex"])).hex() == case["sha256"]


@pytest.mark.parametrize("case", VECTORS["roots"], ids=lambda case: case["about"])
def test_our_leaves_make_the_published_roots(case: dict[str, Any]) -> None:
    leaves = [leaf_hash(bytes.fromhex(entry)) for entry in case["entries_hex"]]
    assert root_of(leaves).hex() == case["sha256"]


@given(st.binary(max_size=100))
def test_a_leaf_is_neither_the_plain_hash_nor_a_node(entry: bytes) -> None:
    assert len(leaf_hash(entry)) == HASH_LENGTH == 32
    assert leaf_hash(entry) not in (sha256(entry).digest(), sha256(b"\x01" + entry).digest())
