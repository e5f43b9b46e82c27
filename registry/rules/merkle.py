"""The Merkle tree over the ledger's entries (RFC 9162 section 2.1), and proofs in it.

A tree of n leaves is the forest of its whole subtrees: one for each bit of n that is set, the largest on
the left. What is whole never changes again, so that a whole subtree is computed once, whatever follows.
Subtrees are named by level (0 is a leaf) and position from the left within the level.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from hashlib import sha256

LEAF_PREFIX = b"\x00"  # keeps a leaf from passing as a node: second preimages
NODE_PREFIX = b"\x01"
HASH_LENGTH = 32  # bytes of SHA-256
EMPTY_ROOT = sha256(b"").digest()  # of a tree without leaves

Subtree = tuple[int, int]  # level, position
ReadHash = Callable[[Subtree], bytes]  # of a whole subtree


def leaf_hash(entry: bytes) -> bytes:
    """Return SHA-256(0x00 || entry), 32 bytes: the leaf of an entry's canonical bytes."""
    return sha256(LEAF_PREFIX + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Return SHA-256(0x01 || left || right), 32 bytes."""
    return sha256(NODE_PREFIX + left + right).digest()


# --- growing -------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Frontier:
    """What has to be known of a tree of `size` leaves to let it grow: the hashes of its whole subtrees.

    `peaks` are theirs, from the left; `peaks_of(size)` names them. At most 64 for any ledger.
    """

    size: int = 0
    peaks: list[bytes] = field(default_factory=list)

    def append(self, leaf: bytes) -> list[tuple[Subtree, bytes]]:
        """Add the hash of the next leaf; return the subtrees above it that became whole, lowest first."""
        whole: list[tuple[Subtree, bytes]] = []
        level, position, grown = 0, self.size, leaf
        while position & 1:
            level, position, grown = level + 1, position >> 1, node_hash(self.peaks.pop(), grown)
            whole.append(((level, position), grown))
        self.peaks.append(grown)
        self.size += 1
        return whole

    def root(self) -> bytes:
        """Return the root hash of the tree as it is, 32 bytes."""
        if not self.peaks:
            return EMPTY_ROOT
        root = self.peaks[-1]
        for peak in reversed(self.peaks[:-1]):
            root = node_hash(peak, root)
        return root


def peaks_of(size: int) -> list[Subtree]:
    """Return the whole subtrees of which a tree of `size` leaves consists, from the left."""
    return list(_cover(0, size))


def _cover(start: int, stop: int) -> Iterator[Subtree]:
    """Yield the whole subtrees over leaves [start, stop), from the left; start must be aligned to them."""
    while start < stop:
        level = (stop - start).bit_length() - 1
        yield level, start >> level
        start += 1 << level


# --- proving -------------------------------------------------------------------------------------------


def inclusion_subtrees(leaf: int, size: int) -> list[list[Subtree]]:
    """Return what an inclusion proof of leaf `leaf` (from 0) in a tree of `size` is made of.

    One item for each hash of the path, nearest the leaf first: the whole subtrees whose hash it folds.
    RFC 9162 section 2.1.3.1. Raises ValueError for a leaf that the tree does not have.
    """
    if not 0 <= leaf < size:
        raise ValueError(f"a tree of {size} leaves has no leaf {leaf}")
    path: list[list[Subtree]] = []
    start, stop = 0, size
    while stop - start > 1:
        middle = start + _split(stop - start)
        if leaf < middle:
            path.append(list(_cover(middle, stop)))
            stop = middle
        else:
            path.append(list(_cover(start, middle)))
            start = middle
    return path[::-1]


def consistency_subtrees(old: int, size: int) -> list[list[Subtree]]:
    """Return what a consistency proof from a tree of `old` leaves to one of `size` is made of.

    Items as in `inclusion_subtrees`. RFC 9162 section 2.1.4.1. Raises ValueError unless 0 < old <= size.
    """
    if not 0 < old <= size:
        raise ValueError(f"there is no proof from {old} leaves to {size}")
    if old == size:
        return []
    path: list[list[Subtree]] = []
    start, stop, known = 0, size, True
    while old != stop:
        middle = start + _split(stop - start)
        if old <= middle:
            path.append(list(_cover(middle, stop)))
            stop = middle
        else:
            path.append(list(_cover(start, middle)))
            start, known = middle, False
    if not known:
        path.append(list(_cover(start, stop)))
    return path[::-1]


def fold(subtrees: Sequence[Subtree], read: ReadHash) -> bytes:
    """Return the hash over neighbouring whole subtrees, the rightmost joined first."""
    found = read(subtrees[-1])
    for subtree in reversed(subtrees[:-1]):
        found = node_hash(read(subtree), found)
    return found


def _split(size: int) -> int:
    """Return the largest power of two below `size`, which is at least 2."""
    return 1 << (size - 1).bit_length() - 1


# --- checking ------------------------------------------------------------------------------------------


def root_of_inclusion(leaf: int, size: int, leaf_digest: bytes, path: Sequence[bytes]) -> bytes | None:
    """Return the root to which an inclusion proof leads, None where its length cannot be right.

    RFC 9162 section 2.1.3.2. The proof alone does not bind `size`: take both from one signed record.
    """
    if not 0 <= leaf < size:
        return None
    number, last, root = leaf, size - 1, leaf_digest
    for sibling in path:
        if last == 0:
            return None
        if number & 1 or number == last:
            root = node_hash(sibling, root)
            while not number & 1 and number:
                number, last = number >> 1, last >> 1
        else:
            root = node_hash(root, sibling)
        number, last = number >> 1, last >> 1
    return root if last == 0 else None


def is_consistent(old: int, size: int, old_root: bytes, root: bytes, path: Sequence[bytes]) -> bool:
    """Say whether a proof shows that the first `old` leaves of a tree are still its first ones.

    RFC 9162 section 2.1.4.2.
    """
    if not 0 < old <= size:
        return False
    if old == size:
        return not path and old_root == root
    hashes = [*([old_root] if old & (old - 1) == 0 else []), *path]
    if not path:
        return False
    number, last = old - 1, size - 1
    while number & 1:
        number, last = number >> 1, last >> 1
    first = second = hashes[0]
    for sibling in hashes[1:]:
        if last == 0:
            return False
        if number & 1 or number == last:
            first, second = node_hash(sibling, first), node_hash(sibling, second)
            while not number & 1 and number:
                number, last = number >> 1, last >> 1
        else:
            second = node_hash(second, sibling)
        number, last = number >> 1, last >> 1
    return last == 0 and first == old_root and second == root
