"""GS1 keys that name places, products and assets: their shape and their check digits.

Structures follow the GS1 General Specifications as the GS1 syntax dictionary states them, section 7.9
for the check digit. Whether a company prefix was ever issued is not ours to tell.
"""

import re

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers.check_methods import DIGITS_AND_LETTERS, LETTERS, CheckMethod, is_valid
from registry.rules.identifiers.typed import fold_digits

# Character set 82 of the GS1 General Specifications section 7.11: no space, no tilde, case matters.
CHARACTER_SET_82 = DIGITS_AND_LETTERS + LETTERS.lower() + "!\"%&'()*+,-./:;<=>?_"
_SET_82 = "[" + re.escape(CHARACTER_SET_82) + "]"

GLN_LENGTH = 13  # digits
GTIN_LENGTHS = (8, 12, 13, 14)  # digits
GTIN_STORED_LENGTH = 14  # digits, padded with zeros in front, as AI 01 carries every GTIN
GIAI_LENGTH_MAX = 30  # characters, AI 8004
COMPANY_PREFIX_LENGTH_MIN = 4  # digits; GS1 General Specifications section 1.4, from memory

_GRAI = re.compile(rf"(?P<padding>0)(?P<type>[0-9]{{13}})(?P<serial>{_SET_82}{{0,16}})")
_GIAI = re.compile(rf"[0-9]{{{COMPANY_PREFIX_LENGTH_MIN}}}{_SET_82}{{1,{GIAI_LENGTH_MAX - 4}}}")


def gln(text: str, field: str = "gln") -> str:
    """Return a Global Location Number as 13 digits; spaces and dashes in the text are dropped.

    Raises RuleBroken VALUE_INVALID for another shape and CHECK_INVALID for a wrong check digit.
    """
    digits = fold_digits(text, field=field)
    if len(digits) != GLN_LENGTH:
        raise _misshapen(field, f"A GLN has {GLN_LENGTH} digits, this one has {len(digits)}.")
    _require_number(digits, field)
    return digits


def gtin(text: str, field: str = "gtin") -> str:
    """Return a Global Trade Item Number as 14 digits; 8, 12 and 13 digits are padded with zeros in front.

    One product then has one text, whether its 12-digit or its 13-digit form was scanned; padding leaves
    the check digit right, because the weights count from the right. Spaces and dashes are dropped. Raises
    RuleBroken VALUE_INVALID for another shape and CHECK_INVALID for a wrong check digit.
    """
    digits = fold_digits(text, field=field)
    if len(digits) not in GTIN_LENGTHS:
        raise _misshapen(field, f"A GTIN has 8, 12, 13 or 14 digits, this one has {len(digits)}.")
    _require_number(digits, field)
    return digits.zfill(GTIN_STORED_LENGTH)


def grai(text: str, field: str = "grai", *, serial_required: bool = True) -> str:
    """Return a Global Returnable Asset Identifier (AI 8003): 0, 13 digits, up to 16 characters of serial.

    Without a serial it names a type of asset, so a single asset needs one (`serial_required`). The serial
    is of character set 82 and keeps its case; only spaces around the text are dropped. Raises RuleBroken
    VALUE_INVALID for another shape and CHECK_INVALID for a wrong check digit.
    """
    match = _GRAI.fullmatch(_trimmed(text, field))
    if match is None:
        raise _misshapen(field, "A GRAI is a 0, then 13 digits, then a serial of at most 16 characters.")
    _require_number(match["type"], field)
    if serial_required and not match["serial"]:
        raise _misshapen(field, "Without a serial this GRAI names a type of asset and no single one.")
    return match[0]


def giai(text: str, field: str = "giai") -> str:
    """Return a Global Individual Asset Identifier (AI 8004): company prefix, then the asset's reference.

    5 to 30 characters of set 82, case kept, the first four digits; there is no check digit, so a slip
    goes unseen. Only spaces around the text are dropped. Raises RuleBroken VALUE_INVALID.
    """
    match = _GIAI.fullmatch(_trimmed(text, field))
    if match is None:
        raise _misshapen(
            field,
            f"A GIAI has 5 to {GIAI_LENGTH_MAX} characters without spaces and starts with the digits of a "
            "company prefix.",
        )
    return match[0]


def require_check_digit(digits: str, field: str) -> None:
    """Raise RuleBroken CHECK_INVALID unless the last digit is the GS1 check digit of the others.

    The right digit is never told: the wrong one may stand anywhere in the number.
    """
    if not is_valid(CheckMethod.GS1_MOD_10, digits):
        raise RuleBroken(
            Code.CHECK_INVALID,
            f"The check digit of {digits} does not fit. Compare every digit with the label.",
            field=field,
            details={"digits": digits},
        )


def _require_number(digits: str, field: str) -> None:
    """Raise RuleBroken unless the digits are a number that was issued to somebody, as far as one can see.

    A row of zeros passes the check digit. Numbers beginning with seven zeros are free for use inside a
    company (GS1 General Specifications section 1.4, from memory), so they name nothing for anybody else.
    """
    require_check_digit(digits, field)
    if not digits.strip("0"):
        raise _misshapen(field, "A row of zeros is a placeholder and names nothing.")


def _trimmed(text: str, field: str) -> str:
    """Return a case-sensitive key without the spaces around it.

    Dashes stay, because they belong to character set 82.
    """
    if not isinstance(text, str):
        raise _misshapen(field, f"The {field} must be text, not {type(text).__name__}.")
    return text.strip(" ")


def _misshapen(field: str, message: str) -> RuleBroken:
    return RuleBroken(Code.VALUE_INVALID, f"{message} Compare it with the label.", field=field)
