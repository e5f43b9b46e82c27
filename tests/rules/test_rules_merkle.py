"""Merkle leaves: RFC 9162 section 2.1.1 and its published values."""

from hashlib import sha256
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import load_vectors

from registry.rules.merkle import (
    EMPTY_ROOT,
    HASH_LENGTH,
    Frontier,
    Subtree,
    consistency_subtrees,
    fold,
    inclusion_subtrees,
    is_consistent,
    leaf_hash,
    peaks_of,
    root_of_inclusion,
)

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


LEAVES = [leaf_hash(bytes([number])) for number in range(40)]


def grown(size: int) -> tuple[Frontier, dict[Subtree, bytes]]:
    """Return the frontier of the first leaves, and every subtree that became whole on the way."""
    frontier = Frontier()
    whole: dict[Subtree, bytes] = {(0, position): leaf for position, leaf in enumerate(LEAVES[:size])}
    for leaf in LEAVES[:size]:
        whole.update(frontier.append(leaf))
    return frontier, whole


def test_an_empty_tree_has_the_root_of_the_standard() -> None:
    assert Frontier().root() == EMPTY_ROOT == sha256(b"").digest()


@pytest.mark.parametrize("size", range(1, len(LEAVES)))
def test_every_proof_in_a_tree_leads_to_its_root(size: int) -> None:
    frontier, whole = grown(size)
    root = frontier.root()

    assert root == root_of(LEAVES[:size])
    assert [whole[peak] for peak in peaks_of(size)] == frontier.peaks
    for leaf in range(size):
        path = [fold(subtrees, whole.__getitem__) for subtrees in inclusion_subtrees(leaf, size)]
        assert root_of_inclusion(leaf, size, LEAVES[leaf], path) == root
    for old in range(1, size + 1):
        path = [fold(subtrees, whole.__getitem__) for subtrees in consistency_subtrees(old, size)]
        assert is_consistent(old, size, root_of(LEAVES[:old]), root, path)
