"""What people type and scanners send, folded to the plain characters that identifiers are made of."""

import unicodedata

from registry.rules.errors import Code, RuleBroken

TYPED_LENGTH_MAX = 100  # characters typed, before separators are dropped: a 40-character serial spaced out

# Spaces and dashes that labels, word processors and phone keyboards put between groups. Listed one by one,
# and not by Unicode category, so that the browser drops exactly the same ones.
SPACES = frozenset(
    "\u0020\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000"
)
DASHES = frozenset("\u002d\u00ad\u2010\u2011\u2012\u2013\u2014\u2015\u2043\u2212\ufe58\ufe63\uff0d")
SEPARATORS = SPACES | DASHES

# The full-width copies of ASCII that East Asian keyboards type. Only these are folded: NFKC would also turn
# a superscript two into a 2 and a trade mark sign into TM, which are no serials.
FULL_WIDTH_FIRST, FULL_WIDTH_LAST = "\uff01", "\uff5e"

PLAIN = frozenset("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz*")


def fold(typed: str, *, field: str, code: Code = Code.TEXT_INVALID) -> str:
    """Return the typed text in upper case, without separators, made of 0-9, A-Z and `*` only.

    Raises RuleBroken with the given code, naming `field`, when the text is blank, longer than
    TYPED_LENGTH_MAX, or holds any other character, which the message and the details name by code point
    and position (from 1).
    """
    name = field.replace("_", " ")
    if not isinstance(typed, str):
        raise RuleBroken(
            code, f"The {name} must be text, not {type(typed).__name__}. Send it as text.", field=field
        )
    if len(typed) > TYPED_LENGTH_MAX:
        raise RuleBroken(
            code,
            f"The {name} is longer than {TYPED_LENGTH_MAX} characters. Type only what the label shows.",
            field=field,
        )
    kept: list[str] = []
    for position, character in enumerate(typed, start=1):
        if character in SEPARATORS:
            continue
        if FULL_WIDTH_FIRST <= character <= FULL_WIDTH_LAST:
            character = unicodedata.normalize("NFKC", character)
        # Tested before the change of case: a dotless i, a long s and a sharp s have ASCII upper cases.
        if character not in PLAIN:
            raise RuleBroken(
                code,
                f"The {name} holds {_name(character)} at position {position}. Use only letters and digits.",
                field=field,
                details={"position": position, "character": f"U+{ord(character):04X}"},
            )
        kept.append(character)
    if not kept:
        raise RuleBroken(code, f"The {name} is blank. Type it as the label shows it.", field=field)
    return "".join(kept).upper()


def fold_digits(typed: str, *, field: str) -> str:
    """Return the typed number as digits 0-9 without separators.

    Raises RuleBroken VALUE_INVALID, naming `field`, for anything else.
    """
    text = fold(typed, field=field, code=Code.VALUE_INVALID)
    for character in text:
        if not "0" <= character <= "9":
            name = field.replace("_", " ")
            raise RuleBroken(
                Code.VALUE_INVALID,
                f"The {name} holds {character!r}. It is made of digits only; compare it with the label.",
                field=field,
                details={"character": f"U+{ord(character):04X}"},
            )
    return text


def _name(character: str) -> str:
    """Return a printable character in quotes, any other as its code point (a lone surrogate has no bytes)."""
    return repr(character) if character.isprintable() else f"U+{ord(character):04X}"
