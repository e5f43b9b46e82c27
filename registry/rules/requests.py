"""Requests that may come twice: the key by which a repeat is known."""

import re
from datetime import timedelta

from registry.rules.errors import Code, RuleBroken

KEY_LENGTH_MAX = 255  # characters
ANSWER_KEPT = timedelta(days=30)  # longer than a phone stays in a drawer between two visits

# A String of Structured Field Values (RFC 9651, section 3.3.3): printable ASCII in quotes, where only a
# quote and a backslash are escaped. draft-ietf-httpapi-idempotency-key-header-07 names this form.
_QUOTED = re.compile(r'"((?:[\x20-\x21\x23-\x5b\x5d-\x7e]|\\["\\])+)"')


def read_key(header: str) -> str:
    """Return the key that an Idempotency-Key header holds; raises RuleBroken KEY_INVALID."""
    match = _QUOTED.fullmatch(header.strip(" \t"))
    key = re.sub(r"\\(.)", r"\1", match[1]) if match else ""
    if not key or len(key) > KEY_LENGTH_MAX:
        raise RuleBroken(
            Code.KEY_INVALID,
            f"An idempotency key is 1 to {KEY_LENGTH_MAX} plain characters in double quotes."
            ' Make a fresh one for each wish, such as "8e03978e-40d5-43e8-bc93-6894a57f9324".',
            field="Idempotency-Key",
        )
    return key
