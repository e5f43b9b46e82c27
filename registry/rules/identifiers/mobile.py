"""Numbers of the mobile modem and its card: IMEI (3GPP TS 23.003) and ICCID (ITU-T E.118)."""

from dataclasses import dataclass
from enum import StrEnum

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers.check_methods import CheckMethod, check_characters, is_valid
from registry.rules.identifiers.typed import fold_digits

IMEI_CORE_LENGTH = 14  # digits: type allocation code 8, serial number 6 (TS 23.003 section 6.2.1)
IMEI_LENGTH = 15  # digits, with the check digit
IMEISV_LENGTH = 16  # digits, with two of the software version instead (TS 23.003 section 6.2.2)

ICCID_START = "89"  # the telecommunication industry, ISO/IEC 7812-1
ICCID_LENGTHS = range(18, 21)  # digits; E.118 shows 19 at most, and cards with 20 exist
ICCID_LENGTH_MAX = 22  # digits; the longest that any source speaks of, so more is no card number at all


class ImeiForm(StrEnum):
    """In which of its three lengths an IMEI was given."""

    WITHOUT_CHECK_DIGIT = "without_check_digit"  # 14 digits
    WITH_CHECK_DIGIT = "with_check_digit"  # 15 digits
    WITH_SOFTWARE_VERSION = "with_software_version"  # 16 digits, the IMEISV


@dataclass(frozen=True, slots=True)
class ImeiResult:
    """An IMEI of 15 digits, and how it came about.

    `software_version` is the two digits of an IMEISV, or empty. Where `check_digit_added`, nothing
    guarded the digits that were typed, so a face shows the result and asks.
    """

    text: str
    form: ImeiForm
    software_version: str = ""

    @property
    def check_digit_added(self) -> bool:
        """Tell whether the last digit was computed here and not read from the label."""
        return self.form is not ImeiForm.WITH_CHECK_DIGIT


def imei(text: str, field: str = "imei") -> ImeiResult:
    """Return the IMEI in its one stored form of 15 digits; spaces and dashes are dropped.

    14 digits get their check digit (TS 23.003 annex B). 15 digits must end in the right one: it is never
    repaired, though networks report a 0 there. 16 digits are an IMEISV, which has no check digit and
    whose last two digits change with every software update, so the equipment is kept under the IMEI of
    its first 14 and the version apart. The result tells which of these happened. Raises RuleBroken
    VALUE_INVALID for another shape and CHECK_INVALID for a wrong check digit.
    """
    digits = fold_digits(text, field=field)
    core = digits[:IMEI_CORE_LENGTH]
    if not core.strip("0"):
        # Its check digit fits, and equipment that lost its number shows it. Common practice, no source.
        raise RuleBroken(
            Code.VALUE_INVALID, "A row of zeros is a placeholder. Read the IMEI from the label.", field=field
        )
    if len(digits) == IMEI_LENGTH:
        if not is_valid(CheckMethod.LUHN, digits):
            raise RuleBroken(
                Code.CHECK_INVALID,
                "The last digit of this IMEI does not fit the others. Compare every digit with the label; "
                "if a network reported it, give the first 14 digits only.",
                field=field,
            )
        return ImeiResult(digits, ImeiForm.WITH_CHECK_DIGIT)
    complete = core + check_characters(CheckMethod.LUHN, core)
    if len(digits) == IMEI_CORE_LENGTH:
        return ImeiResult(complete, ImeiForm.WITHOUT_CHECK_DIGIT)
    if len(digits) == IMEISV_LENGTH:
        return ImeiResult(complete, ImeiForm.WITH_SOFTWARE_VERSION, digits[IMEI_CORE_LENGTH:])
    raise RuleBroken(
        Code.VALUE_INVALID,
        f"An IMEI has 14, 15 or 16 digits, this one has {len(digits)}. Compare it with the label.",
        field=field,
    )


@dataclass(frozen=True, slots=True)
class IccidResult:
    """A card number, and what speaks against it: `wrong_start`, `wrong_length`, `wrong_check`."""

    text: str
    doubts: tuple[str, ...] = ()


def iccid(text: str, field: str = "iccid", *, override: bool = False) -> IccidResult:
    """Return the card number as digits, with its doubts; spaces and dashes are dropped.

    Expected are 89 in front, 18 to 20 digits and a Luhn digit at the end (ITU-T E.118, ISO/IEC 7812-1).
    Real cards break each of these, so a doubt refuses only until somebody says that the card is right:
    with `override` the doubts are returned, and the caller records them with the decision. Raises
    RuleBroken VALUE_INVALID for anything but 1 to ICCID_LENGTH_MAX digits (no override helps there), and
    CHECK_INVALID with details["doubts"] for doubts without an override.
    """
    digits = fold_digits(text, field=field)
    if len(digits) > ICCID_LENGTH_MAX:
        raise RuleBroken(
            Code.VALUE_INVALID,
            f"A card number has at most {ICCID_LENGTH_MAX} digits, this one has {len(digits)}. "
            "Compare it with the card.",
            field=field,
        )
    doubts = _doubts(digits)
    if doubts and not override:
        said = {
            "wrong_start": f"does not start with {ICCID_START}",
            "wrong_length": f"has {len(digits)} digits where 18 to 20 are usual",
            "wrong_check": "has a last digit that does not fit the others",
        }
        raise RuleBroken(
            Code.CHECK_INVALID,
            f"The card number {' and '.join(said[doubt] for doubt in doubts)}. "
            "Compare it with the card; if the card really says so, confirm it.",
            field=field,
            details={"doubts": list(doubts)},
        )
    return IccidResult(digits, doubts)


def _doubts(digits: str) -> tuple[str, ...]:
    found = []
    if not digits.startswith(ICCID_START):
        found.append("wrong_start")
    if len(digits) not in ICCID_LENGTHS:
        found.append("wrong_length")
    if not is_valid(CheckMethod.LUHN, digits):
        found.append("wrong_check")
    return tuple(found)
