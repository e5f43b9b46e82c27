"""Hashes of the ledger's Merkle tree (RFC 9162 section 2.1.1)."""

from hashlib import sha256

LEAF_PREFIX = b"\x00"  # keeps a leaf from passing as a node: second preimages
HASH_LENGTH = 32  # bytes of SHA-256


def leaf_hash(entry: bytes) -> bytes:
    """Return SHA-256(0x00 || entry), 32 bytes: the leaf of an entry's canonical bytes."""
    return sha256(LEAF_PREFIX + entry).digest()
