"""Commitments to personal data: the ledger proves what was written without holding it."""

from hashlib import sha256

from registry.rules.canonical import Json, canonical_bytes

SALT_LENGTH = 16  # bytes: 128 bits, so that a short name cannot be guessed from its hash


def commitment(salt: bytes, text: Json) -> str:
    """Return the hex SHA-256 of salt and canonical text; raises ValueError for a salt of another length."""
    if len(salt) != SALT_LENGTH:
        raise ValueError(f"a salt has {SALT_LENGTH} bytes")
    return sha256(salt + canonical_bytes(text)).hexdigest()
