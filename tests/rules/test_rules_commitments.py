"""Commitments: what the ledger keeps of personal data once the data is gone."""

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.rules.commitments import commitment

SALT = bytes(range(16))
CONTACT = {"phone": "555-0100", "name": "Ada Example"}


def test_a_commitment_is_the_hash_of_salt_and_canonical_text() -> None:
    # From the definition: no published vector exists.
    canonical = b'{"name":"Ada Example","phone":"555-0100"}'
    assert commitment(SALT, CONTACT) == sha256(SALT + canonical).hexdigest()
    assert commitment(SALT, "Ada") == sha256(SALT + b'"Ada"').hexdigest()


@given(st.binary(min_size=16, max_size=16), st.binary(min_size=16, max_size=16), st.text("ab", max_size=2))
def test_a_commitment_opens_with_its_own_salt_and_text_alone(one: bytes, other: bytes, text: str) -> None:
    assert (commitment(one, text) == commitment(other, text)) is (one == other)
    assert commitment(one, text) != commitment(one, text + "c")


@pytest.mark.parametrize("length", [0, 15, 17, 32])
def test_a_salt_of_another_length_is_refused(length: int) -> None:
    assert len(commitment(bytes(16), CONTACT)) == 64
    with pytest.raises(ValueError, match="16 bytes"):
        commitment(bytes(length), CONTACT)


def test_what_has_no_canonical_text_cannot_be_committed_to() -> None:
    with pytest.raises(ValueError, match="float"):
        commitment(SALT, 1.5)  # type: ignore[arg-type]
