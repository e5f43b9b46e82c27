"""Checkpoints: what the ledger was at one size, said in one canonical record and signed (Ed25519, RFC 8032).

The record binds size, root and time together with the register's own name, the id of entry 1: an
inclusion proof alone does not bind the size of its tree.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from uuid import UUID

import orjson
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from registry.rules.canonical import Json, canonical_bytes, parse_canonical, time_text
from registry.rules.merkle import HASH_LENGTH

FORM = "rimebook-checkpoint-1"  # a promise to every verifier: another form gets another number
PUBLIC_KEY_LENGTH = 32  # bytes
SIGNATURE_LENGTH = 64  # bytes
FILE_BYTES_MAX = 10_000  # of a checkpoint in a file: one has about 500

MEMBERS = frozenset({"at", "form", "register", "root", "size"})


@dataclass(frozen=True, slots=True)
class Statement:
    """What a checkpoint says: the ledger of `register` had `size` entries with this root at `at`."""

    register: UUID
    size: int
    root: bytes
    at: datetime

    def record(self) -> str:
        """Return the canonical text that is signed."""
        return canonical_bytes(
            {
                "at": time_text(self.at),
                "form": FORM,
                "register": str(self.register),
                "root": self.root.hex(),
                "size": self.size,
            }
        ).decode()


@dataclass(frozen=True, slots=True)
class Signed:
    """A record with its signature and the public key that it names, both in hexadecimal digits."""

    record: str
    signature: str
    public_key: str

    def as_json(self) -> dict[str, Json]:
        """Return the form in which a checkpoint leaves the register."""
        return {"record": self.record, "signature": self.signature, "public_key": self.public_key}


# --- signing -------------------------------------------------------------------------------------------


def new_private_key() -> str:
    """Return a fresh private key as PEM (PKCS #8)."""
    return (
        Ed25519PrivateKey.generate()
        .private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        .decode()
    )


def read_private_key(text: str) -> Ed25519PrivateKey:
    """Return the private key in PEM or in 64 hexadecimal digits; raises ValueError for anything else."""
    try:
        if "-----" not in text:
            return Ed25519PrivateKey.from_private_bytes(_hex(text.strip(), PUBLIC_KEY_LENGTH))
        key = serialization.load_pem_private_key(text.encode(), password=None)
    except (ValueError, TypeError) as error:
        raise ValueError(f"no private key can be read from it ({error})") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise ValueError("it is no Ed25519 key")
    return key


def read_public_key(text: str) -> str:
    """Return a public key in 64 hexadecimal digits as such, small; raises ValueError for anything else."""
    return _hex(text.strip().lower(), PUBLIC_KEY_LENGTH).hex()


def public_key_of(private: Ed25519PrivateKey) -> str:
    """Return the public half of a key in hexadecimal digits."""
    raw = private.public_key().public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    return raw.hex()


def sign(private: Ed25519PrivateKey, statement: Statement) -> Signed:
    """Return a statement, signed."""
    record = statement.record()
    return Signed(record, private.sign(record.encode()).hex(), public_key_of(private))


# --- checking ------------------------------------------------------------------------------------------


def is_signed(signed: Signed, public_keys: Collection[str]) -> bool:
    """Say whether one of these public keys (hexadecimal digits) signed the record."""
    try:
        signature = _hex(signed.signature, SIGNATURE_LENGTH)
        keys = [_hex(key, PUBLIC_KEY_LENGTH) for key in public_keys]
    except ValueError:
        return False
    for key in keys:
        try:
            Ed25519PublicKey.from_public_bytes(key).verify(signature, signed.record.encode())
        except (InvalidSignature, ValueError):
            continue
        return True
    return False


def read_record(text: str) -> Statement:
    """Return what a record says; raises ValueError where it is no record of this form."""
    record = parse_canonical(text.encode())
    if not isinstance(record, dict) or record.get("form") != FORM or set(record) != MEMBERS:
        raise ValueError(f"it is no record of the form {FORM}")
    size, at = record["size"], record["at"]
    if not isinstance(size, int) or isinstance(size, bool) or size < 1:
        raise ValueError("its size is no number of entries")
    moment = datetime.fromisoformat(str(at))
    if moment.tzinfo is None or time_text(moment) != at:
        raise ValueError("its time is not in canonical form")
    root = _hex(str(record["root"]), HASH_LENGTH)
    return Statement(UUID(str(record["register"])), size, root, moment.astimezone(UTC))


def read_checkpoint(data: bytes) -> Signed:
    """Return the signed record in a checkpoint's file; raises ValueError where there is none."""
    if len(data) > FILE_BYTES_MAX:
        raise ValueError(f"a checkpoint has at most {FILE_BYTES_MAX} bytes")
    found = orjson.loads(data)
    names = ("record", "signature", "public_key")
    if not isinstance(found, dict) or not all(isinstance(found.get(name), str) for name in names):
        raise ValueError("it holds no record, signature and public key")
    signed = Signed(*(found[name] for name in names))
    read_record(signed.record)
    return signed


def _hex(text: str, length: int) -> bytes:
    """Return `length` bytes from small hexadecimal digits; raises ValueError for anything else."""
    if len(text) != 2 * length or set(text) - set("0123456789abcdef"):
        raise ValueError(f"it is not {2 * length} hexadecimal digits")
    return bytes.fromhex(text)
