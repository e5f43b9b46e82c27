"""The Merkle tree: RFC 9162 section 2.1, its published values, its definition, another library's roots."""

import random
from collections.abc import Callable, Iterator
from hashlib import sha256
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from naive_tree import NaiveTree
from pymerkle import InmemoryTree
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
    node_hash,
    peaks_of,
    root_of_inclusion,
)

VECTORS = load_vectors("merkle_tree")
SIZE_MAX = 130  # leaves of the tree that is held against the definition, past a power of two
LEAVES = [leaf_hash(number.to_bytes(2)) for number in range(SIZE_MAX)]
NAIVE = NaiveTree(LEAVES)


def grown(leaves: list[bytes]) -> tuple[Frontier, dict[Subtree, bytes]]:
    """Return the frontier of leaves, and every subtree that became whole on the way."""
    frontier = Frontier()
    whole: dict[Subtree, bytes] = {(0, position): leaf for position, leaf in enumerate(leaves)}
    for leaf in leaves:
        whole.update(frontier.append(leaf))
    return frontier, whole


WHOLE = grown(LEAVES)[1]


def inclusion(leaf: int, size: int) -> list[bytes]:
    return [fold(subtrees, WHOLE.__getitem__) for subtrees in inclusion_subtrees(leaf, size)]


def consistency(old: int, size: int) -> list[bytes]:
    return [fold(subtrees, WHOLE.__getitem__) for subtrees in consistency_subtrees(old, size)]


def flipped(digest: bytes, bit: int) -> bytes:
    return (int.from_bytes(digest) ^ 1 << bit).to_bytes(HASH_LENGTH)


# --- published values ------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", VECTORS["leaves"], ids=lambda case: case["about"])
def test_a_leaf_has_the_published_hash(case: dict[str, Any]) -> None:
    assert leaf_hash(bytes.fromhex(case["entry_hex"])).hex() == case["sha256"]


@pytest.mark.parametrize("case", VECTORS["nodes"], ids=lambda case: case["about"])
def test_a_node_has_the_published_hash(case: dict[str, Any]) -> None:
    assert (
        node_hash(bytes.fromhex(case["left_hex"]), bytes.fromhex(case["right_hex"])).hex() == case["sha256"]
    )


@pytest.mark.parametrize("case", VECTORS["roots"], ids=lambda case: case["about"])
def test_a_tree_has_the_published_root(case: dict[str, Any]) -> None:
    leaves = [leaf_hash(bytes.fromhex(entry)) for entry in case["entries_hex"]]

    assert grown(leaves)[0].root().hex() == case["sha256"]
    assert NaiveTree(leaves).root(len(leaves)).hex() == case["sha256"]


def test_the_published_roots_are_those_of_no_to_eight_leaves() -> None:
    assert [len(case["entries_hex"]) for case in VECTORS["roots"]] == list(range(9))


PUBLISHED = [leaf_hash(bytes.fromhex(entry)) for entry in VECTORS["roots"][8]["entries_hex"]]


@pytest.mark.parametrize("case", VECTORS["inclusion"], ids=lambda case: case["about"])
def test_the_published_inclusion_proofs_hold_and_their_changes_do_not(case: dict[str, Any]) -> None:
    leaf, size = case["leaf"], case["size"]
    path = [bytes.fromhex(digest) for digest in case["path"]]
    root, digest = bytes.fromhex(case["root"]), bytes.fromhex(case["leaf_sha256"])

    assert root_of_inclusion(leaf, size, digest, path) == root
    if size > 1:
        whole = grown(PUBLISHED)[1]
        assert digest == PUBLISHED[leaf]
        assert [fold(each, whole.__getitem__) for each in inclusion_subtrees(leaf, size)] == path
    # As the published tests change them.
    for other, claimed in (
        (leaf - 1, size),
        (leaf + 1, size),
        (leaf ^ 2, size),
        (leaf, size * 2),
        (leaf, size // 2),
    ):
        assert root_of_inclusion(other, claimed, digest, path) != root
    for changed in changed_paths(path, root, 3):
        assert root_of_inclusion(leaf, size, digest, changed) != root


@pytest.mark.parametrize("case", VECTORS["consistency"], ids=lambda case: case["about"])
def test_the_published_consistency_proofs_hold_and_their_changes_do_not(case: dict[str, Any]) -> None:
    old, size = case["old"], case["size"]
    path = [bytes.fromhex(digest) for digest in case["path"]]
    old_root, root = bytes.fromhex(case["old_root"]), bytes.fromhex(case["root"])
    whole = grown(PUBLISHED)[1]

    assert [fold(each, whole.__getitem__) for each in consistency_subtrees(old, size)] == path
    assert is_consistent(old, size, old_root, root, path)
    if not path:
        return
    for other, claimed in (
        (old - 1, size),
        (old + 1, size),
        (old ^ 2, size),
        (old, size * 2),
        (old, size // 2),
    ):
        assert not is_consistent(other, claimed, old_root, root, path)
    for one, two in ((b"WrongRoot", root), (old_root, b"WrongRoot"), (root, old_root)):
        assert not is_consistent(old, size, one, two, path)
    for changed in [*changed_paths(path, root, 4), *changed_paths(path, old_root, 4), [path[0], *path], []]:
        assert not is_consistent(old, size, old_root, root, changed)


def changed_paths(path: list[bytes], root: bytes, bit: int) -> Iterator[list[bytes]]:
    """Yield a path with something before, within and after it, a part less, or a bit flipped."""
    for more in (b"", root):
        yield [*path, more]
        yield [more, *path]
    for position in range(len(path)):
        yield path[:position] + path[position + 1 :]
        yield [*path[:position], sha256(b"some").digest(), *path[position:]]
        changed = bytes([path[position][0] ^ 1 << bit]) + path[position][1:]
        yield [*path[:position], changed, *path[position + 1 :]]


# --- the definition --------------------------------------------------------------------------------------


@given(st.binary(max_size=100))
def test_a_leaf_is_neither_the_plain_hash_nor_a_node(entry: bytes) -> None:
    assert len(leaf_hash(entry)) == HASH_LENGTH == 32
    assert leaf_hash(entry) not in (sha256(entry).digest(), sha256(b"\x01" + entry).digest())


def test_an_empty_tree_has_the_root_of_the_standard() -> None:
    assert Frontier().root() == EMPTY_ROOT == sha256(b"").digest()


def test_a_growing_tree_has_the_root_of_the_definition_at_every_size() -> None:
    frontier = Frontier()
    for size in range(SIZE_MAX):
        assert frontier.root() == NAIVE.root(size)
        assert [WHOLE[peak] for peak in peaks_of(size)] == frontier.peaks
        assert len(frontier.peaks) == size.bit_count()
        frontier.append(LEAVES[size])


def test_each_subtree_becomes_whole_once_and_has_the_hash_of_the_definition() -> None:
    frontier, seen = Frontier(), []
    for leaf in LEAVES:
        seen += frontier.append(leaf)
    names = [name for name, _ in seen]

    assert len(names) == len(set(names)) == SIZE_MAX - SIZE_MAX.bit_count()
    for (level, position), digest in seen:
        assert digest == NAIVE.hash_of(position << level, position + 1 << level)


@pytest.mark.parametrize("size", [0, 1, 6, 7, 8, 64, 100])
def test_a_tree_that_was_put_away_grows_on(size: int) -> None:
    frontier = grown(LEAVES[:size])[0]
    woken = Frontier(frontier.size, list(frontier.peaks))
    for leaf in LEAVES[size:]:
        assert woken.append(leaf) == frontier.append(leaf)

    assert woken.root() == NAIVE.root(SIZE_MAX)


@pytest.mark.parametrize("size", range(1, SIZE_MAX + 1))
def test_every_proof_is_that_of_the_definition_and_holds(size: int) -> None:
    root = NAIVE.root(size)
    for leaf in range(size):
        path = inclusion(leaf, size)
        assert path == NAIVE.path(leaf, size)
        assert root_of_inclusion(leaf, size, LEAVES[leaf], path) == root
    for old in range(1, size + 1):
        path = consistency(old, size)
        assert path == NAIVE.proof(old, size)
        assert is_consistent(old, size, NAIVE.root(old), root, path)


def test_proofs_are_made_of_whole_subtrees_only() -> None:
    for size in range(1, SIZE_MAX + 1):
        proofs = [inclusion_subtrees(leaf, size) for leaf in range(size)]
        proofs += [consistency_subtrees(old, size) for old in range(1, size + 1)]
        for level, position in {subtree for proof in proofs for part in proof for subtree in part}:
            assert position + 1 << level <= size


def ceiling_of_log2(size: int) -> int:
    return (size - 1).bit_length()


@given(st.integers(1, 2**53), st.data())
def test_proofs_are_as_short_as_the_tree_is_high(size: int, data: st.DataObject) -> None:
    leaf, old = data.draw(st.integers(0, size - 1)), data.draw(st.integers(1, size))
    parts = [*inclusion_subtrees(leaf, size), *consistency_subtrees(old, size)]

    assert len(inclusion_subtrees(leaf, size)) <= ceiling_of_log2(size)
    assert len(consistency_subtrees(old, size)) <= ceiling_of_log2(size) + 1
    assert sum(map(len, parts)) <= (2 * ceiling_of_log2(size) + 1) ** 2


def test_the_longest_proofs_reach_their_bounds() -> None:
    assert max(len(inclusion_subtrees(leaf, 100)) for leaf in range(100)) == 7
    assert max(len(consistency_subtrees(old, 100)) for old in range(1, 101)) == 8


# --- another library -------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_roots_are_those_of_pymerkle_on_random_entries(seed: int) -> None:
    """pymerkle 7 (GPL, for tests alone) hashes as the RFC does; its proofs have another form."""
    rng = random.Random(seed)
    theirs, ours = InmemoryTree(algorithm="sha256"), Frontier()
    for _ in range(200):
        entry = rng.randbytes(rng.randrange(200))
        theirs.append_entry(entry)
        ours.append(leaf_hash(entry))
        assert ours.root() == theirs.get_root()


# --- what is refused -------------------------------------------------------------------------------------


def each_proof(sizes: range) -> Iterator[tuple[int, int, list[bytes], Callable[..., bool]]]:
    """Yield every proof: number and size, its path, and what says whether it holds for others."""
    for size in sizes:
        root = NAIVE.root(size)
        for leaf in range(size):

            def leads(
                number: int, claimed: int, path: list[bytes], root: bytes = root, digest: bytes = LEAVES[leaf]
            ) -> bool:
                return root_of_inclusion(number, claimed, digest, path) == root

            yield leaf, size, inclusion(leaf, size), leads
        for old in range(1, size):

            def joins(
                number: int,
                claimed: int,
                path: list[bytes],
                root: bytes = root,
                early: bytes = NAIVE.root(old),
            ) -> bool:
                return is_consistent(number, claimed, early, root, path)

            yield old, size, consistency(old, size), joins


def test_no_bit_of_a_proof_can_be_flipped() -> None:
    for number, size, path, holds in each_proof(range(1, 12)):
        assert holds(number, size, path)
        for position, digest in enumerate(path):
            for bit in range(8 * HASH_LENGTH):
                assert not holds(
                    number, size, [*path[:position], flipped(digest, bit), *path[position + 1 :]]
                )


@pytest.mark.parametrize("size", [1, 7, 11])
def test_no_bit_of_a_leaf_or_root_can_be_flipped(size: int) -> None:
    root = NAIVE.root(size)
    for leaf in range(size):
        for bit in range(8 * HASH_LENGTH):
            assert root_of_inclusion(leaf, size, flipped(LEAVES[leaf], bit), inclusion(leaf, size)) != root
    for old in range(1, size):
        early, path = NAIVE.root(old), consistency(old, size)
        for bit in range(8 * HASH_LENGTH):
            assert not is_consistent(old, size, flipped(early, bit), root, path)
            assert not is_consistent(old, size, early, flipped(root, bit), path)


def test_no_path_can_be_shortened_lengthened_or_put_in_another_order() -> None:
    for number, size, path, holds in each_proof(range(1, 34)):
        more = {bytes(HASH_LENGTH), NAIVE.root(size), *path}
        for position in range(len(path) + 1):
            for digest in more:
                assert not holds(number, size, [*path[:position], digest, *path[position:]])
        for position in range(len(path)):
            assert not holds(number, size, path[:position] + path[position + 1 :])
            swapped = [
                *path[:position],
                *path[position + 1 : position + 2],
                path[position],
                *path[position + 2 :],
            ]
            assert swapped == path or not holds(number, size, swapped)


def test_no_proof_holds_for_another_number_in_the_same_tree() -> None:
    for number, size, path, holds in each_proof(range(1, 34)):
        assert not [other for other in range(-1, size + 2) if other != number and holds(other, size, path)]


def test_an_inclusion_proof_binds_no_size_but_its_shape_alone() -> None:
    """So the size is taken from the record that also signs the root, never from a proof.

    What a proof does bind is on which sides its hashes stand: it holds for exactly those numbers and sizes
    whose path has the same sides.
    """
    assert root_of_inclusion(0, 7, LEAVES[0], inclusion(0, 8)) == NAIVE.root(8) != NAIVE.root(7)
    sides = {(leaf, size): NAIVE.sides(leaf, size) for size in range(1, 24) for leaf in range(size)}
    for (leaf, size), own in sides.items():
        path, root = inclusion(leaf, size), NAIVE.root(size)
        for (other, claimed), others in sides.items():
            assert (root_of_inclusion(other, claimed, LEAVES[leaf], path) == root) is (own == others)


def test_a_consistency_proof_binds_no_size_either() -> None:
    assert is_consistent(1, 4, NAIVE.root(1), NAIVE.root(3), consistency(1, 3))
    assert not is_consistent(1, 4, NAIVE.root(1), NAIVE.root(4), consistency(1, 3))


def test_a_tree_of_one_root_cannot_be_told_twice_with_its_last_leaf_doubled() -> None:
    assert grown([*LEAVES[:3], LEAVES[2]])[0].root() != NAIVE.root(3)


def test_two_histories_of_one_beginning_are_not_joined() -> None:
    other = [*LEAVES[:7], leaf_hash(b"another past"), *LEAVES[8:20]]
    fork, whole = grown(other)
    for old in range(8, 20):
        for path in (
            consistency(old, 20),
            [fold(each, whole.__getitem__) for each in consistency_subtrees(old, 20)],
        ):
            assert not is_consistent(old, 20, NAIVE.root(old), fork.root(), path)


@pytest.mark.parametrize(("leaf", "size"), [(-1, 3), (3, 3), (0, 0), (0, -1), (5, 4)])
def test_a_leaf_that_is_not_there_has_no_proof(leaf: int, size: int) -> None:
    with pytest.raises(ValueError, match=f"a tree of {size} leaves has no leaf {leaf}"):
        inclusion_subtrees(leaf, size)
    assert root_of_inclusion(leaf, size, LEAVES[0], []) is None


@pytest.mark.parametrize(("old", "size"), [(0, 0), (0, 3), (-1, 3), (4, 3), (1, 0)])
def test_there_is_no_proof_from_nothing_or_back(old: int, size: int) -> None:
    with pytest.raises(ValueError, match=f"no proof from {old} leaves to {size}"):
        consistency_subtrees(old, size)
    assert not is_consistent(old, size, EMPTY_ROOT, EMPTY_ROOT, [])


def test_a_tree_is_consistent_with_itself_by_an_empty_proof_only() -> None:
    for size in range(1, 20):
        root = NAIVE.root(size)
        assert consistency_subtrees(size, size) == []
        assert is_consistent(size, size, root, root, [])
        assert not is_consistent(size, size, root, root, [root])
        assert not is_consistent(size, size, root, NAIVE.root(size + 1), [])
