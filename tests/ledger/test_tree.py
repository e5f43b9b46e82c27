"""The stored tree: grown from where it stood, never built anew, and its proofs read in a few queries."""

from hashlib import sha256

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.actions import locations
from registry.ledger import tree
from registry.models import Entry, TreeNode
from registry.rules.errors import Code, RuleBroken
from registry.rules.merkle import Frontier, is_consistent, root_of_inclusion
from tests.conftest import outside_actions
from tests.factories.world import World

LEAF, NODE = b"\x00", b"\x01"


def naive_root(leaves: list[bytes]) -> bytes:
    """Return the root of leaf hashes as RFC 9162 section 2.1.1 defines it."""
    if len(leaves) == 1:
        return leaves[0]
    half = 1
    while half * 2 < len(leaves):
        half *= 2
    return sha256(NODE + naive_root(leaves[:half]) + naive_root(leaves[half:])).digest()


def leaves() -> list[bytes]:
    """Return the leaves anew from the stored texts."""
    bodies = Entry.objects.order_by("index").values_list("body", flat=True)
    return [sha256(LEAF + body.encode()).digest() for body in bodies]


def more(world: World, count: int) -> int:
    """Append so many entries; return how many there are."""
    for number in range(count):
        name = f"Tarnmouth {number} of {world.code('T')}"
        locations.correct_depot(world.office, depot_id=world.tarnmouth.pk, particulars={"name": name})
    return Entry.objects.count()


def test_a_subtree_has_the_number_of_its_place_in_order() -> None:
    # Four leaves: 0 1 2 3 4 5 6 are leaf, pair, leaf, whole, leaf, pair, leaf from left to right.
    assert [tree.number_of(s) for s in [(0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1), (0, 3)]] == [
        *range(7)
    ]


def test_growing_in_steps_gives_the_root_of_the_definition(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tree, "CHUNK", 3)
    size = Entry.objects.count()
    with outside_actions():
        tree.grow(Frontier(), size)
        assert tree.frontier_at(size).root() == naive_root(leaves())

        larger = more(world, 11)
        frontier = tree.frontier_at(size)
        tree.grow(frontier, larger)

    assert frontier.size == larger
    assert frontier.root() == tree.frontier_at(larger).root() == naive_root(leaves())
    # As many inner subtrees as are whole: the size less the number of peaks.
    assert TreeNode.objects.count() == larger - larger.bit_count()


def test_growing_reads_and_writes_what_is_new_alone(world: World) -> None:
    size = more(world, 20)
    with outside_actions():
        tree.grow(Frontier(), size)
        larger = more(world, 1)
        with CaptureQueriesContext(connection) as queries:
            tree.grow(tree.frontier_at(size), larger)

    words = [query["sql"] for query in queries.captured_queries]
    read = [sql for sql in words if sql.startswith("SELECT")]
    # The frontier's leaf and inner peaks, then the one new leaf.
    assert len(read) <= 3
    assert f'"index" > {size}' in read[-1]


def test_growing_again_what_is_there_changes_nothing(world: World) -> None:
    size = Entry.objects.count()
    with outside_actions():
        tree.grow(Frontier(), size)
        before = set(TreeNode.objects.values_list("number", "digest"))
        tree.grow(Frontier(), size)

    assert {(number, bytes(digest)) for number, digest in before} == {
        (number, bytes(digest)) for number, digest in TreeNode.objects.values_list("number", "digest")
    }


def test_proofs_lead_to_the_root_of_every_size(world: World) -> None:
    size = more(world, 5)
    with outside_actions():
        tree.grow(Frontier(), size)
    hashed = leaves()

    for until in range(1, size + 1):
        root = naive_root(hashed[:until])
        paths = tree.inclusion_paths(range(1, until + 1), until)
        for index, path in paths.items():
            assert root_of_inclusion(index - 1, until, hashed[index - 1], path) == root
        for old in range(1, until + 1):
            proof = tree.consistency_path(old, until)
            assert is_consistent(old, until, naive_root(hashed[:old]), root, proof)


def test_many_proofs_are_read_in_two_queries(world: World) -> None:
    size = more(world, 12)
    with outside_actions():
        tree.grow(Frontier(), size)

    for indexes in ([3], range(1, size + 1)):
        with CaptureQueriesContext(connection) as queries:
            tree.inclusion_paths(indexes, size)
        assert len(queries) == 2, "leaves, and subtrees above them"


def test_what_is_missing_in_the_tree_is_refused_and_never_guessed(world: World) -> None:
    size = more(world, 3)
    with outside_actions():
        tree.grow(Frontier(), size)
        TreeNode.objects.filter(number=1).delete()

    with pytest.raises(RuleBroken) as refused:
        tree.inclusion_paths([3], size)
    assert refused.value.code is Code.TREE_DAMAGED
    with pytest.raises(RuleBroken) as refused, outside_actions():
        tree.grow(Frontier(), size + 1)  # an entry that is not there
    assert refused.value.code is Code.TREE_DAMAGED
    with pytest.raises(ValueError, match="no leaf"):
        tree.inclusion_paths([size + 1], size)
