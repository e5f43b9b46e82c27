"""What counts as text: the one gate that everything typed passes before it is stored or hashed."""

import unicodedata

from registry.rules.errors import Code, RuleBroken

LINE_LENGTH_MAX = 200  # characters of a name, a code or an address line
NOTE_LENGTH_MAX = 2_000  # characters of a reason or a note
CODE_LENGTH_MAX = 40  # characters of a code that people read out and type

# Unicode categories that are no text: control, surrogate, private use, unassigned, and the separators of
# lines and paragraphs.
NO_TEXT_CATEGORIES = frozenset({"Cc", "Cs", "Co", "Cn", "Zl", "Zp"})
INVISIBLE = (
    "Cf"  # format characters, such as a space of no width: no code holds one, and alone they are no text
)
# Marks that turn the reading direction around could make a serial look like another one (the twelve of
# the property Bidi_Control, Unicode Standard Annex 9).
DIRECTION_MARKS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def _refuse(field: str, why: str) -> RuleBroken:
    return RuleBroken(Code.TEXT_INVALID, why, field=field)


def clean_line(value: object, field: str, *, required: bool = True, length_max: int = LINE_LENGTH_MAX) -> str:
    """Return one line of text: composed (NFC), trimmed, its runs of space made one.

    Raises RuleBroken TEXT_INVALID for what is no text, holds a line break or a control character,
    is blank although required, or is longer than `length_max` characters.
    """
    return _clean(value, field, required=required, length_max=length_max, breaks=False)


def clean_note(
    value: object, field: str, *, required: bool = False, length_max: int = NOTE_LENGTH_MAX
) -> str:
    """Return text of several lines, trimmed at its ends; line breaks become plain newlines.

    Raises RuleBroken TEXT_INVALID as `clean_line` does, but lets newlines pass.
    """
    return _clean(value, field, required=required, length_max=length_max, breaks=True)


def clean_code(value: object, field: str) -> str:
    """Return a code that people use (account code, store number, asset tag): one line, no spaces inside.

    Leading zeros stay, because a code is text. Raises RuleBroken TEXT_INVALID.
    """
    code = clean_line(value, field, length_max=CODE_LENGTH_MAX)
    if " " in code:
        raise _refuse(field, f"{code!r} holds a space. Write the {field.replace('_', ' ')} without spaces.")
    for character in code:
        if unicodedata.category(character) == INVISIBLE:  # two codes would look the same
            raise _refuse(field, f"{code!r} holds U+{ord(character):04X}, which nobody sees. Type it again.")
    return code


def _clean(value: object, field: str, *, required: bool, length_max: int, breaks: bool) -> str:
    name = field.replace("_", " ")
    if not isinstance(value, str):
        raise _refuse(field, f"The {name} must be text, not {type(value).__name__}. Write it as text.")
    if len(value) > 4 * length_max:  # before any work is done on it
        raise _refuse(field, f"The {name} is too long. Use at most {length_max} characters.")
    text = unicodedata.normalize("NFC", value)
    if breaks:
        for line_break in ("\r\n", "\r", "\u2028", "\u2029"):
            text = text.replace(line_break, "\n")
    for character in text:
        if character == "\n" and breaks:
            continue
        if character in DIRECTION_MARKS or (
            unicodedata.category(character) in NO_TEXT_CATEGORIES and character != "\t"
        ):
            raise _refuse(field, f"The {name} holds U+{ord(character):04X}, which is no text. Type it again.")
    text = text.strip() if breaks else " ".join(text.split())
    if required and all(
        character.isspace() or unicodedata.category(character) == INVISIBLE for character in text
    ):
        raise _refuse(field, f"The {name} is missing. Fill it in.")
    if len(text) > length_max:
        raise _refuse(field, f"The {name} has {len(text)} characters. Use at most {length_max}.")
    return text
