"""Product shares of a cabinet: ordered left to right, adding to exactly 100 %."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation
from uuid import UUID

from registry.rules.errors import Code, RuleBroken

WHOLE = 10_000  # hundredths of a percent: shares are counted, never rounded
SHARES_MAX = 12  # products side by side; common practice is two or three, no source
ROUNDING_SLACK = 50  # hundredths of a percent within which a proposal is offered; common practice, no source


@dataclass(frozen=True, slots=True)
class Share:
    """A product and its share of the interior width, in hundredths of a percent (1 to 10,000)."""

    product_id: UUID
    hundredths: int


def read_percent(typed: object, field: str = "share") -> int:
    """Return a typed percentage ("33.33", "50 %", 50) in hundredths of a percent.

    Raises RuleBroken SPLIT_INVALID for what is no number, is not above 0, is above 100, or has more
    than two decimals.
    """
    text = str(typed).strip().removesuffix("%").strip()
    try:
        percent = Decimal(text)
        # Compared as typed: a product would round a long tail of digits away, or overflow.
        fits = percent.is_finite() and 0 < percent <= 100 and percent == round(percent, 2)
    except InvalidOperation:
        fits = False
    if isinstance(typed, float | bool) or not fits:
        raise RuleBroken(
            Code.SPLIT_INVALID,
            f"{typed!r} is no share. Write a percentage above 0 and up to 100 with at most two decimals.",
            field=field,
        )
    return int(percent * 100)


def check_split(shares: Sequence[Share]) -> None:
    """Raise RuleBroken unless the shares make a split.

    SPLIT_INVALID: none or more than SHARES_MAX, a share of nothing, a product twice. SPLIT_NOT_WHOLE:
    they do not add to exactly 100 %; within 0.5 % the details hold a `proposal` that does.
    """
    if not 1 <= len(shares) <= SHARES_MAX:
        raise RuleBroken(
            Code.SPLIT_INVALID,
            f"A split has 1 to {SHARES_MAX} products, not {len(shares)}. List them from left to right.",
            field="shares",
        )
    for share in shares:
        if not 1 <= share.hundredths <= WHOLE:
            raise RuleBroken(
                Code.SPLIT_INVALID,
                "Each share lies above 0 % and up to 100 %. Leave out what has none.",
                field="shares",
            )
    if len({share.product_id for share in shares}) != len(shares):
        raise RuleBroken(
            Code.SPLIT_INVALID,
            "A product stands in the split twice. Add its shares together.",
            field="shares",
        )
    total = sum(share.hundredths for share in shares)
    if total != WHOLE:
        details: dict[str, object] = {"total": percent_text(total)}
        words = ""
        if abs(total - WHOLE) <= ROUNDING_SLACK:
            proposal = [percent_text(part) for part in normalised([share.hundredths for share in shares])]
            details["proposal"] = list(proposal)
            words = f" {' / '.join(proposal)} would."
        raise RuleBroken(
            Code.SPLIT_NOT_WHOLE,
            f"The shares add to {percent_text(total)} %, not to 100 %.{words} Change them.",
            field="shares",
            details=details,
        )


def normalised(hundredths: Sequence[int]) -> list[int]:
    """Return the shares scaled to exactly 10,000 by largest remainder, order kept, none below 1."""
    total = sum(hundredths)
    exact = [Decimal(part) * WHOLE / total for part in hundredths]
    floors = [max(1, int(part)) for part in exact]
    by_remainder = sorted(range(len(exact)), key=lambda place: (floors[place] - exact[place], place))
    spare = WHOLE - sum(floors)
    if spare < 0:  # shares of almost nothing were raised to 1: the largest pays for them
        floors[floors.index(max(floors))] += spare
    else:
        for place in by_remainder[:spare]:
            floors[place] += 1
    return floors


def percent_text(hundredths: int) -> str:
    """Return hundredths of a percent as a percentage without needless zeros: 3333 is 33.33, 5000 is 50."""
    percent = (Decimal(hundredths) / 100).quantize(Decimal("0.01"), rounding=ROUND_HALF_EVEN)
    text = format(percent, "f")
    return text.rstrip("0").rstrip(".")
