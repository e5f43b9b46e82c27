"""Tokens: how long they live, and how their secrets are kept."""

import hashlib
import secrets
from datetime import datetime, timedelta

from registry.rules.errors import Code, RuleBroken
from registry.rules.periods import require_offset

PREFIX = "rime_"  # so that a secret found in a file or a log is known for what it is
SECRET_BYTES = 32  # 256 random bits: a plain digest cannot be tried through
LIFE_MAX = timedelta(days=400)
LIFE_DEFAULT = timedelta(days=90)


def new_secret() -> str:
    """Return a fresh secret, to be shown once."""
    return PREFIX + secrets.token_urlsafe(SECRET_BYTES)


def digest_of_secret(secret: str) -> bytes:
    """Return what is kept of a secret: SHA-256, 32 bytes."""
    return hashlib.sha256(secret.encode()).digest()


def check_expiry(expires_at: datetime, now: datetime) -> None:
    """Raise RuleBroken TIME_INVALID unless the token would expire within LIFE_MAX from now."""
    require_offset(expires_at, "expires_at")
    if not now < expires_at <= now + LIFE_MAX:
        raise RuleBroken(
            Code.TIME_INVALID,
            f"A token lives at most {LIFE_MAX.days} days from now. Choose a time within them.",
            field="expires_at",
        )
