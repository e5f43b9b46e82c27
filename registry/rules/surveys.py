"""What somebody saw of a cabinet before work: whether it is suitable, and what has to be known for it."""

from enum import StrEnum

from registry.rules import particulars
from registry.rules.errors import Code, RuleBroken
from registry.rules.particulars import Cleaners, optional


class SurveyOutcome(StrEnum):
    """Whether a device may be put up."""

    SUITABLE = "suitable"
    WITH_CONDITIONS = "with_conditions"
    UNSUITABLE = "unsuitable"


class Drilling(StrEnum):
    """Where the cabinet's maker lets somebody drill."""

    FORBIDDEN = "forbidden"
    MARKED_ZONE = "marked_zone"
    UNKNOWN = "unknown"


class Liner(StrEnum):
    """What the inside is made of."""

    STEEL = "steel"
    ALUMINIUM = "aluminium"
    PLASTIC = "plastic"
    UNKNOWN = "unknown"


class Socket(StrEnum):
    """Where a device could take its power."""

    FREE_PROTECTED = "free_protected"  # a free outlet with protection against earth faults
    FREE = "free"  # a free outlet; nobody saw such protection
    NONE = "none"
    UNKNOWN = "unknown"


FIELDS: Cleaners = {
    "outcome": particulars.choice(SurveyOutcome),
    "near_water": optional(particulars.yes_or_no),
    "needs_ladder": optional(particulars.yes_or_no),
    "drilling": particulars.choice(Drilling),
    "liner": particulars.choice(Liner),
    "socket": particulars.choice(Socket),
    "note": particulars.note,
}
REQUIRED = frozenset({"outcome"})


def check_survey(outcome: SurveyOutcome, note: str) -> None:
    """Raise RuleBroken REASON_MISSING where the conditions, or what speaks against it, are not told."""
    if outcome is not SurveyOutcome.SUITABLE and not note:
        raise RuleBroken(
            Code.REASON_MISSING,
            "Say in the note which conditions there are, or what speaks against it.",
            field="note",
        )
