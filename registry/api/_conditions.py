"""Entity tags, and what a request makes depend on them (RFC 9110, sections 8.8.3 and 13)."""

import hashlib
from collections.abc import Mapping

from django.utils.http import parse_etags, quote_etag

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
