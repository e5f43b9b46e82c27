"""Tokens: their secrets, what is kept of them, and how long they live."""

import hashlib
import re
from datetime import UTC, datetime, timedelta, timezone

import pytest

from registry.rules.errors import Code
from registry.rules.tokens import (
    LIFE_DEFAULT,
    LIFE_MAX,
    PREFIX,
    SECRET_BYTES,
    check_expiry,
    digest_of_secret,
    new_secret,
)
from tests.rules.rule_checks import refused

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
TICK = timedelta(microseconds=1)
DAY = timedelta(days=1)


def test_a_secret_is_known_by_its_beginning_and_holds_256_random_bits() -> None:
    secrets = {new_secret() for _ in range(200)}
    assert len(secrets) == 200
    # 43 characters of base64url hold 258 bits (RFC 4648, section 5, from memory): 32 bytes and no padding.
    assert all(re.fullmatch(r"rime_[A-Za-z0-9_-]{43}", secret) for secret in secrets)
    assert (PREFIX, SECRET_BYTES) == ("rime_", 32)
    for place in range(len(PREFIX), len(PREFIX) + 43):
        assert len({secret[place] for secret in secrets}) > 8, "a character that hardly varies"


def test_sha_256_is_kept_of_a_secret() -> None:
    # The digest of "abc": FIPS 180-4's first example, from memory.
    assert digest_of_secret("abc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    secret = new_secret()
    assert digest_of_secret(secret) == hashlib.sha256(secret.encode()).digest()


def test_a_token_lives_up_to_400_days_and_90_unless_told() -> None:
    assert (LIFE_DEFAULT, LIFE_MAX) == (90 * DAY, 400 * DAY)
    for accepted in (NOW + TICK, NOW + DAY, NOW + 400 * DAY):
        check_expiry(accepted, NOW)
    for refusing in (NOW, NOW - TICK, NOW - DAY, NOW + 400 * DAY + TICK, datetime.max.replace(tzinfo=UTC)):
        with refused(Code.TIME_INVALID, "expires_at"):
            check_expiry(refusing, NOW)


def test_the_expiry_is_compared_by_the_instant_and_says_its_offset() -> None:
    there = timezone(timedelta(hours=-5))
    check_expiry((NOW + 400 * DAY).astimezone(there), NOW)
    with refused(Code.TIME_INVALID, "expires_at"):
        check_expiry((NOW + 400 * DAY + TICK).astimezone(there), NOW)
    with refused(Code.TIME_INVALID, "expires_at"):
        check_expiry((NOW + DAY).replace(tzinfo=None), NOW)


@pytest.mark.parametrize("secret", ["", "rime_", "Fähre"])
def test_any_text_has_a_digest(secret: str) -> None:
    assert len(digest_of_secret(secret)) == 32
