"""The ledger's Merkle tree as it is stored: leaves with their entries, whole subtrees above in a table.

It is grown from where the last checkpoint left it, never built anew: a subtree that is whole is written
once. What it holds is derived, so the audit computes it again and compares.
"""

from collections.abc import Iterable, Iterator

from django.db import transaction

from registry.models import Entry, TreeNode
from registry.rules.errors import Code, RuleBroken
from registry.rules.merkle import (
    Frontier,
    Subtree,
    consistency_subtrees,
    fold,
    inclusion_subtrees,
    peaks_of,
)

CHUNK = 10_000  # leaves read, and their subtrees written, at a time
READ_MAX = 500  # keys of one query


def number_of(subtree: Subtree) -> int:
    """Return the number under which a subtree is stored: its place in order, from left to right."""
    level, position = subtree
    return (2 * position + 1 << level) - 1


def frontier_at(size: int) -> Frontier:
    """Return the frontier of the first `size` leaves; raises RuleBroken TREE_DAMAGED."""
    peaks = peaks_of(size)
    found = _hashes(peaks)
    return Frontier(size, [found[peak] for peak in peaks])


def grow(frontier: Frontier, size: int) -> None:
    """Let the tree grow to `size` leaves, writing what becomes whole, a chunk in a transaction.

    Writing again what stands there changes nothing, so two may do this at the same time.
    """
    while frontier.size < size:
        until = min(frontier.size + CHUNK, size)
        whole = [
            TreeNode(number=number_of(subtree), digest=digest)
            for leaf in _leaves(frontier.size, until)
            for subtree, digest in frontier.append(leaf)
        ]
        if frontier.size < until:
            raise damaged()
        with transaction.atomic():
            TreeNode.objects.bulk_create(whole, ignore_conflicts=True, batch_size=READ_MAX)


def inclusion_paths(indexes: Iterable[int], size: int) -> dict[int, list[bytes]]:
    """Return for entries their inclusion proofs in the tree of the first `size`, by index.

    Raises RuleBroken TREE_DAMAGED, ValueError for an index that the tree does not have.
    """
    parts = {index: inclusion_subtrees(index - 1, size) for index in indexes}
    found = _hashes({subtree for path in parts.values() for subtrees in path for subtree in subtrees})
    return {index: [fold(subtrees, found.__getitem__) for subtrees in path] for index, path in parts.items()}


def consistency_path(old: int, size: int) -> list[bytes]:
    """Return the proof that the tree of `old` leaves is the beginning of that of `size`.

    Raises RuleBroken TREE_DAMAGED, ValueError unless 0 < old <= size.
    """
    path = consistency_subtrees(old, size)
    found = _hashes({subtree for subtrees in path for subtree in subtrees})
    return [fold(subtrees, found.__getitem__) for subtrees in path]


def damaged() -> RuleBroken:
    """Return the refusal of a tree in which something is missing or altered."""
    return RuleBroken(
        Code.TREE_DAMAGED,
        "The stored tree is not the one that the last checkpoint signed. Run manage.py audit, and ask who"
        " works on the database.",
    )


def _leaves(start: int, stop: int) -> Iterator[bytes]:
    found = Entry.objects.filter(index__gt=start, index__lte=stop).order_by("index")
    for expected, (index, leaf) in enumerate(found.values_list("index", "leaf_hash"), start + 1):
        if index != expected:
            raise damaged()
        yield bytes(leaf)


def _hashes(subtrees: Iterable[Subtree]) -> dict[Subtree, bytes]:
    """Return the hashes of whole subtrees, a query or two for each READ_MAX of them."""
    wanted = sorted(set(subtrees))
    found: dict[Subtree, bytes] = {}
    for start in range(0, len(wanted), READ_MAX):
        some = wanted[start : start + READ_MAX]
        indexes = {position + 1: (0, position) for level, position in some if level == 0}
        numbers = {number_of(subtree): subtree for subtree in some if subtree[0]}
        if indexes:
            leaves = Entry.objects.filter(index__in=indexes).values_list("index", "leaf_hash")
            found |= {indexes[index]: bytes(leaf) for index, leaf in leaves}
        if numbers:
            nodes = TreeNode.objects.filter(number__in=numbers).values_list("number", "digest")
            found |= {numbers[number]: bytes(digest) for number, digest in nodes}
    if len(found) < len(wanted):
        raise damaged()
    return found
