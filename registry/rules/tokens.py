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
# Nobody climbs a ladder to change the token of a device: it is issued for years.
DEVICE_LIFE_MAX = timedelta(days=4_000)
DEVICE_LIFE_DEFAULT = timedelta(days=800)


def new_secret() -> str:
    """Return a fresh secret, to be shown once."""
    return PREFIX + secrets.token_urlsafe(SECRET_BYTES)


def digest_of_secret(secret: str) -> bytes:
    """Return what is kept of a secret: SHA-256, 32 bytes."""
    return hashlib.sha256(secret.encode()).digest()


def check_expiry(expires_at: datetime, now: datetime, life_max: timedelta = LIFE_MAX) -> None:
    """Raise RuleBroken TIME_INVALID unless the token would expire within `life_max` from now."""
    require_offset(expires_at, "expires_at")
    if not now < expires_at <= now + life_max:
        raise RuleBroken(
            Code.TIME_INVALID,
            f"A token lives at most {life_max.days} days from now. Choose a time within them.",
            field="expires_at",
        )
