"""UUID version 7 (RFC 9562 section 5.7): keys that the application makes and that sort by time."""

from uuid import UUID

RANDOM_BITS = 74


def uuid7(unix_ms: int, random: int) -> UUID:
    """Return the UUIDv7 of a time (milliseconds since 1970) and 74 random bits.

    Raises ValueError where either does not fit.
    """
    if not 0 <= unix_ms < 1 << 48:
        raise ValueError("the time does not fit 48 bits")
    if not 0 <= random < 1 << RANDOM_BITS:
        raise ValueError("the randomness does not fit 74 bits")
    high, low = random >> 62, random & (1 << 62) - 1
    return UUID(int=unix_ms << 80 | 7 << 76 | high << 64 | 2 << 62 | low)
