"""Entity tags, and what a request makes depend on them (RFC 9110, sections 8.8.3 and 13)."""

import hashlib
import json
from collections.abc import Mapping

from django.utils.http import parse_etags, quote_etag

from registry.actions._requests import Answer
from registry.rules.errors import Code, RuleBroken


def entity_tag(body: bytes) -> str:
    """Return the strong entity tag of a representation: it changes when any byte does."""
    return quote_etag(hashlib.sha256(body).hexdigest()[:32])


def require_match(headers: Mapping[str, str], tag: str) -> None:
    """Raise RuleBroken CHANGED_MEANWHILE unless If-Match, where it came, names the thing strongly."""
    if "If-Match" in headers:
        wanted = parse_etags(headers["If-Match"])
        if wanted != ["*"] and tag not in wanted:
            raise RuleBroken(
                Code.CHANGED_MEANWHILE,
                "Somebody changed this meanwhile. Read it again, then decide again.",
                field="If-Match",
            )


def require_follows(before: Answer, key: str, tag: str) -> None:
    """Raise RuleBroken unless a thing is still as the answer before told it.

    PREDECESSOR_MISSING where that answer was about another thing, CHANGED_MEANWHILE where the thing was
    changed since. So a change that was queued without signal is made on what its maker saw.
    """
    try:
        told = json.loads(before.body)
    except ValueError:
        told = None
    if not isinstance(told, dict) or told.get("id") != key:
        raise RuleBroken(
            Code.PREDECESSOR_MISSING,
            "The change before was about another thing. Read this one, and send its ETag as If-Match.",
            field="Predecessor-Key",
        )
    if before.headers.get("ETag") != tag:
        raise RuleBroken(
            Code.CHANGED_MEANWHILE,
            "Somebody changed this after your change before. Read it again, then decide again.",
            field="Predecessor-Key",
        )


def is_known(headers: Mapping[str, str], tag: str) -> bool:
    """Say whether If-None-Match names the thing, weakly."""
    known = parse_etags(headers.get("If-None-Match", ""))
    return known == ["*"] or tag in [other.removeprefix("W/") for other in known]


def require_unknown(headers: Mapping[str, str], tag: str) -> None:
    """Raise RuleBroken CHANGED_MEANWHILE where a change is wanted only if the thing is not as it is."""
    if is_known(headers, tag):
        raise RuleBroken(
            Code.CHANGED_MEANWHILE,
            "If-None-Match forbids the change, because this is what is there. Leave that header out.",
            field="If-None-Match",
        )
