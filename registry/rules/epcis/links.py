"""What things are called in EPCIS, and how local times are told there.

A thing goes by the GS1 key that the register holds of it, as a GS1 Digital Link with the canonical host
(GS1 Digital Link, "URI Syntax" 1.2); a thing without one by the register's own key, as `urn:uuid:`.
"""

from datetime import datetime, timedelta, timezone
from urllib.parse import quote
from uuid import UUID
from zoneinfo import ZoneInfo

DIGITAL_LINK_HOST = "https://id.gs1.org"
GLN, GRAI, GIAI = "414", "8003", "8004"  # application identifiers of the keys that a link begins with
OFFSET_MAX = timedelta(hours=14)  # either way: the pattern of eventTimeZoneOffset in the JSON schema


def record_uri(key: UUID) -> str:
    """Return the URI of a thing by the register's own key."""
    return f"urn:uuid:{key}"


def location_uri(key: UUID, gln: str | None) -> str:
    """Return the URI of a store: of its GLN where it has one."""
    return _digital_link(GLN, gln) if gln else record_uri(key)


def cabinet_uri(key: UUID, asset_tag: str) -> str:
    """Return the URI of a cabinet: of the GIAI or GRAI that is its asset tag, where it is one."""
    for identifier in (GRAI, GIAI):
        if asset_tag.startswith(f"({identifier})"):
            return _digital_link(identifier, asset_tag.removeprefix(f"({identifier})"))
    return record_uri(key)


def is_gs1_key(uri: str) -> bool:
    """Say whether a URI names a thing by a GS1 key, which may turn out to be another thing's."""
    return uri.startswith(f"{DIGITAL_LINK_HOST}/")


def _digital_link(identifier: str, value: str) -> str:
    # What a path gives a meaning is percent-encoded; letters, digits and -._~ stay (RFC 3986, section 2).
    return f"{DIGITAL_LINK_HOST}/{identifier}/{quote(value, safe='')}"


# --- times -----------------------------------------------------------------------------------------


def local_offset(moment: datetime, zone: str | None) -> timedelta:
    """Return how far clocks were ahead of UTC then, to the minute: in an IANA zone, none for UTC itself.

    Before there were time zones clocks went by seconds of longitude, and some went by more than EPCIS can
    say; those are told in UTC.
    """
    if zone is None:
        return timedelta(0)
    ahead = moment.astimezone(ZoneInfo(zone)).utcoffset() or timedelta(0)
    whole = timedelta(minutes=round(ahead / timedelta(minutes=1)))
    return whole if abs(whole) <= OFFSET_MAX else timedelta(0)


def offset_text(offset: timedelta) -> str:
    """Return an offset as eventTimeZoneOffset has it: +00:00 for none, never Z or -00:00."""
    minutes = round(offset / timedelta(minutes=1))
    hours, rest = divmod(abs(minutes), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"


def local_text(moment: datetime, offset: timedelta) -> str:
    """Return a moment as RFC 3339 writes it, with this offset."""
    return moment.astimezone(timezone(offset)).isoformat()
