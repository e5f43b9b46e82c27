"""Locations and depots: what they are made of."""

from enum import StrEnum

from registry.rules import particulars
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import gln
from registry.rules.particulars import Cleaners, optional

CONTACT_FIELDS = ("name", "phone", "email", "note")


class LocationStanding(StrEnum):
    """What a location is for now."""

    PLANNED = "planned"
    OPEN = "open"
    ASLEEP = "asleep"  # out of season
    CLOSED = "closed"


def _gln(value: object, field: str) -> str:
    return gln(particulars.line(value, field), field)


FIELDS: Cleaners = {
    "name": particulars.line,
    "street": particulars.short_lines,
    "locality": particulars.line,
    "region": particulars.optional_line,
    "postal_code": particulars.optional_line,
    "country": particulars.country,
    "latitude": optional(particulars.decimal("-90", "90", 6)),
    "longitude": optional(particulars.decimal("-180", "180", 6)),
    "time_zone": particulars.time_zone,
    "gln": optional(_gln),
    "visiting_hours": particulars.note,
    "authority_on": optional(particulars.day),
    "authority_reference": particulars.optional_line,
}
REQUIRED = frozenset({"name", "locality", "country", "time_zone"})

DEPOT_FIELDS: Cleaners = {"code": particulars.code, "name": particulars.line}
DEPOT_REQUIRED = frozenset(DEPOT_FIELDS)


def check_coordinates(latitude: object, longitude: object) -> None:
    """Raise RuleBroken VALUE_INVALID where one of the two stands alone."""
    if (latitude is None) != (longitude is None):
        missing = "latitude" if latitude is None else "longitude"
        raise particulars.invalid(missing, f"The {missing} is missing. Give both, or neither.")


def check_not_closed(closed: bool, label: str) -> None:
    """Raise RuleBroken LOCATION_CLOSED for a store that is closed then or later."""
    if closed:
        raise RuleBroken(
            Code.LOCATION_CLOSED,
            f"{label} is closed then, or was closed later. Open it again, or choose another location.",
            field="location",
        )


def clean_contact(given: dict[str, object]) -> dict[str, str]:
    """Return a contact's text: a name, and phone, email and note where given.

    Raises RuleBroken VALUE_INVALID for another field, TEXT_INVALID for what is no text.
    """
    cleaned = particulars.clean_particulars(
        given,
        dict.fromkeys(CONTACT_FIELDS, particulars.optional_line) | {"name": particulars.line},
        required=frozenset({"name"}),
    )
    return {name: str(cleaned.get(name, "")) for name in CONTACT_FIELDS}


def clean_first_state(state: str) -> LocationStanding:
    """Return the state in which a location begins; raises RuleBroken VALUE_INVALID for a closed one."""
    standing = LocationStanding(str(particulars.choice(LocationStanding)(state, "state")))
    if standing is LocationStanding.CLOSED:
        raise particulars.invalid("state", "A location does not begin closed. Use planned, open or asleep.")
    return standing
