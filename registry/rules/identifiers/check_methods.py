"""Check characters: which published method guards a serial, and what each of them can see.

python-stdnum computes. This module chooses the method, keeps to the alphabet the standard gives it
(the library is more lenient), and accepts one spelling of each check.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from stdnum import damm, ean, luhn, verhoeff
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

DIGITS = "0123456789"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
DIGITS_AND_LETTERS = DIGITS + LETTERS


class CheckMethod(StrEnum):
    """How the last characters of a serial are derived from the ones before them.

    All but `none` see every single wrong character. Swapped neighbours escape `luhn` (09 and 90 only),
    `gs1_mod_10` (pairs that differ by 5), and in a few cases `iso7064_mod_11_10` and
    `iso7064_mod_37_36`. No method sees a missing or doubled character as such; the fixed length does.
    """

    NONE = "none"
    LUHN = "luhn"  # ISO/IEC 7812-1 annex B
    GS1_MOD_10 = "gs1_mod_10"  # GS1 General Specifications section 7.9
    DAMM = "damm"  # Damm 2004, quasigroup of order 10
    VERHOEFF = "verhoeff"  # Verhoeff 1969, Mathematical Centre Tract 29
    ISO7064_MOD_11_2 = "iso7064_mod_11_2"  # ISO/IEC 7064:2003 clause 7, a pure system
    ISO7064_MOD_37_2 = "iso7064_mod_37_2"  # clause 7
    ISO7064_MOD_97_10 = "iso7064_mod_97_10"  # clause 8, two check digits
    ISO7064_MOD_11_10 = "iso7064_mod_11_10"  # clause 10, a hybrid system
    ISO7064_MOD_37_36 = "iso7064_mod_37_36"  # clause 10


@dataclass(frozen=True, slots=True)
class Alphabet:
    """The characters a method takes as payload, and those its check may be made of."""

    payload: str
    check: str


CHECK_LENGTHS: Mapping[CheckMethod, int] = MappingProxyType(
    {
        CheckMethod.NONE: 0,
        CheckMethod.LUHN: 1,
        CheckMethod.GS1_MOD_10: 1,
        CheckMethod.DAMM: 1,
        CheckMethod.VERHOEFF: 1,
        CheckMethod.ISO7064_MOD_11_2: 1,
        CheckMethod.ISO7064_MOD_37_2: 1,
        CheckMethod.ISO7064_MOD_97_10: 2,
        CheckMethod.ISO7064_MOD_11_10: 1,
        CheckMethod.ISO7064_MOD_37_36: 1,
    }
)

ALPHABETS: Mapping[CheckMethod, Alphabet] = MappingProxyType(
    {
        CheckMethod.NONE: Alphabet(DIGITS_AND_LETTERS, ""),
        CheckMethod.LUHN: Alphabet(DIGITS, DIGITS),
        CheckMethod.GS1_MOD_10: Alphabet(DIGITS, DIGITS),
        CheckMethod.DAMM: Alphabet(DIGITS, DIGITS),
        CheckMethod.VERHOEFF: Alphabet(DIGITS, DIGITS),
        CheckMethod.ISO7064_MOD_11_2: Alphabet(DIGITS, DIGITS + "X"),
        CheckMethod.ISO7064_MOD_37_2: Alphabet(DIGITS_AND_LETTERS, DIGITS_AND_LETTERS + "*"),
        # The clause speaks of digits. ISO 13616 and ISO 17442 use it on letters too, as A=10 to Z=35.
        CheckMethod.ISO7064_MOD_97_10: Alphabet(DIGITS_AND_LETTERS, DIGITS),
        CheckMethod.ISO7064_MOD_11_10: Alphabet(DIGITS, DIGITS),
        CheckMethod.ISO7064_MOD_37_36: Alphabet(DIGITS_AND_LETTERS, DIGITS_AND_LETTERS),
    }
)


def _no_characters(_payload: str) -> str:
    return ""


_CALCULATE: Mapping[CheckMethod, Callable[[str], str]] = MappingProxyType(
    {
        CheckMethod.NONE: _no_characters,
        CheckMethod.LUHN: luhn.calc_check_digit,
        CheckMethod.GS1_MOD_10: ean.calc_check_digit,
        CheckMethod.DAMM: damm.calc_check_digit,
        CheckMethod.VERHOEFF: verhoeff.calc_check_digit,
        CheckMethod.ISO7064_MOD_11_2: mod_11_2.calc_check_digit,
        CheckMethod.ISO7064_MOD_37_2: mod_37_2.calc_check_digit,
        CheckMethod.ISO7064_MOD_97_10: mod_97_10.calc_check_digits,
        CheckMethod.ISO7064_MOD_11_10: mod_11_10.calc_check_digit,
        CheckMethod.ISO7064_MOD_37_36: mod_37_36.calc_check_digit,
    }
)


def check_characters(method: CheckMethod, payload: str) -> str:
    """Return the check of a payload: no, one or two characters, as CHECK_LENGTHS says.

    The payload is upper-case and holds no separators. Raises ValueError for an empty payload and for a
    character outside the method's alphabet, because the library would compute on: its MOD 11-2 takes an
    X anywhere, and its digit methods take the digits of every script.
    """
    if not payload:
        raise ValueError(f"The payload is empty; {method} needs at least one character.")
    alphabet = ALPHABETS[method].payload
    for position, character in enumerate(payload, start=1):
        if character not in alphabet:
            raise ValueError(
                f"{character!r} at position {position} is outside the alphabet of {method}: {alphabet}."
            )
    return _CALCULATE[method](payload)


def is_valid(method: CheckMethod, text: str) -> bool:
    """Tell whether the text is a payload followed by its own check.

    The check is computed again and compared, not only tested to be congruent: under MOD 97-10 the pairs
    00 and 97, 01 and 98, 02 and 99 are congruent, and one payload would have two spellings.
    """
    length = CHECK_LENGTHS[method]
    payload, check = text[: len(text) - length], text[len(text) - length :]
    try:
        return check_characters(method, payload) == check
    except ValueError:
        return False
