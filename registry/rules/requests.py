"""Requests that may come twice or late: the key by which a repeat is known, and the clock of who asks."""

import re
from datetime import datetime, timedelta

from registry.rules.errors import Code, RuleBroken

KEY_LENGTH_MAX = 255  # characters
ANSWER_KEPT = timedelta(days=30)  # longer than a phone stays in a drawer between two visits
# Two clocks that differ by less are one: a slow line alone makes such a difference.
CLOCK_NOISE = timedelta(seconds=10)
CLOCK_OFFSET_MAX = timedelta(days=36_525)  # a century: a phone that lost its date begins in 1970

# A String of Structured Field Values (RFC 9651, section 3.3.3): printable ASCII in quotes, where only a
# quote and a backslash are escaped. draft-ietf-httpapi-idempotency-key-header-07 names this form.
_QUOTED = re.compile(r'"((?:[\x20-\x21\x23-\x5b\x5d-\x7e]|\\["\\])+)"')


def read_key(header: str, name: str = "Idempotency-Key") -> str:
    """Return the key that an Idempotency-Key header, or the one of this name, holds; raises KEY_INVALID."""
    match = _QUOTED.fullmatch(header.strip(" \t"))
    key = re.sub(r"\\(.)", r"\1", match[1]) if match else ""
    if not key or len(key) > KEY_LENGTH_MAX:
        raise RuleBroken(
            Code.KEY_INVALID,
            f"An idempotency key is 1 to {KEY_LENGTH_MAX} plain characters in double quotes."
            ' Make a fresh one for each wish, such as "8e03978e-40d5-43e8-bc93-6894a57f9324".',
            field=name,
        )
    return key


def clock_offset_s(now: datetime, client_now: datetime) -> int:
    """Return the seconds to add to what a client's clock states, so that it agrees with ours.

    0 where both agree but for CLOCK_NOISE. Raises RuleBroken VALUE_INVALID beyond CLOCK_OFFSET_MAX.
    """
    offset = now - client_now
    if abs(offset) > CLOCK_OFFSET_MAX:
        raise RuleBroken(
            Code.VALUE_INVALID,
            "This clock is more than a century from ours. Set the phone's date, then send again.",
            field="Client-Clock",
        )
    return 0 if abs(offset) < CLOCK_NOISE else round(offset.total_seconds())
