"""The Merkle tree as RFC 9162 defines it, recursively and from its text, to hold ours against."""

from functools import cache
from hashlib import sha256


def split(size: int) -> int:
    """Return k, the largest power of two smaller than `size` (k < n <= 2k)."""
    k = 1
    while 2 * k < size:
        k *= 2
    return k


class NaiveTree:
    """A tree over leaf hashes; `start` and `stop` name the slice D[start:stop] of the text."""

    def __init__(self, leaves: list[bytes]) -> None:
        self.leaves = leaves
        self.hash_of = cache(self._hash_of)

    def _hash_of(self, start: int, stop: int) -> bytes:
        """MTH of section 2.1.1."""
        if start == stop:
            return sha256(b"").digest()
        if stop - start == 1:
            return self.leaves[start]
        middle = start + split(stop - start)
        return sha256(b"\x01" + self.hash_of(start, middle) + self.hash_of(middle, stop)).digest()

    def root(self, size: int) -> bytes:
        """Return the root over the first leaves."""
        return self.hash_of(0, size)

    def path(self, leaf: int, size: int) -> list[bytes]:
        """PATH(m, D_n) of section 2.1.3.1."""
        return [digest for digest, _ in self._path(leaf, 0, size)]

    def sides(self, leaf: int, size: int) -> str:
        """Return on which side of the path each of its hashes stands, nearest the leaf first."""
        return "".join(side for _, side in self._path(leaf, 0, size))

    def _path(self, leaf: int, start: int, stop: int) -> list[tuple[bytes, str]]:
        if stop - start == 1:
            return []
        k = split(stop - start)
        if leaf < k:
            return [*self._path(leaf, start, start + k), (self.hash_of(start + k, stop), "R")]
        return [*self._path(leaf - k, start + k, stop), (self.hash_of(start, start + k), "L")]

    def proof(self, old: int, size: int) -> list[bytes]:
        """PROOF(m, D_n) of section 2.1.4.1."""
        return self._subproof(old, 0, size, True)

    def _subproof(self, old: int, start: int, stop: int, known: bool) -> list[bytes]:
        if old == stop - start:
            return [] if known else [self.hash_of(start, stop)]
        k = split(stop - start)
        if old <= k:
            return [*self._subproof(old, start, start + k, known), self.hash_of(start + k, stop)]
        return [*self._subproof(old - k, start + k, stop, False), self.hash_of(start, start + k)]
