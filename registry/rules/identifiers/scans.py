"""Scanned codes: a plain serial, a GS1 element string, its bracketed print, or a GS1 Digital Link.

biip takes GS1 syntax apart. It lets wrong check digits, lone qualifiers, foreign digits and torn
brackets pass, so every element is judged again here. A link is only read as text; nothing is fetched.

What is unmarked (no symbology identifier, no FNC1, no brackets, no link) is a plain serial whenever it
can be one, even where it would also read as an element string: 01 and fourteen digits may well be a
maker's serial, and the scheme of the model, which this module does not know, tells. Unmarked text that
cannot be a serial is read as an element string. A caller that expects a GS1 key and holds a scanner that
drops the marks calls `read_element_string`. A 15-digit number is never taken for an IMEI, since one
serial in ten would pass as one: the field that was being filled says what a number is.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import NoReturn

from biip import ParseConfig, ParseError
from biip.gs1_messages import GS1Message
from biip.symbology import GS1Symbology, ISOSymbology

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import gs1
from registry.rules.identifiers.digital_links import parse_digital_link
from registry.rules.identifiers.serials import SERIAL_LENGTH_MAX
from registry.rules.identifiers.typed import SEPARATORS, fold

SCAN_LENGTH_MAX = 500  # characters; the densest code on a device label holds far less
FNC1 = "\u001d"  # how scanners send the separator, GS1 General Specifications section 7.8
FIELD = "scan"

# Dates are not ours to judge, and biip would ask the clock for their century.
PARSE_CONFIG = ParseConfig(gs1_element_strings_verify_date=False)

# The leading digits of an element that end in a GS1 check digit (GS1 syntax dictionary, component `csum`).
CHECKED_DIGITS = {
    "00": 18, "01": 14, "02": 14, "03": 14, "253": 13, "255": 13, "402": 17,
    "410": 13, "411": 13, "412": 13, "413": 13, "414": 13, "415": 13, "416": 13, "417": 13,
    "8003": 14, "8006": 14, "8017": 18, "8018": 18, "8026": 14,
}  # fmt: skip
# An element, and those of which one must stand beside it (the same dictionary, `req`).
REQUIRED_BESIDE = {"21": ("01", "03", "8006"), "254": ("414",)}
# Elements that contradict each other (the same dictionary, `ex`).
EXCLUDED_BESIDE = {"01": ("255", "37")}

SYMBOLOGY = re.compile(r"\]([A-Za-z])[0-9A-Za-z]")
# ISO/IEC 15424 code letters. DotCode (J) is missing in biip's list; system expansion (Y) has a longer mark.
SYMBOLOGY_LETTERS = {symbology.value for symbology in ISOSymbology} - {"Y"} | {"J"}
BRACKETED = re.compile(r"(?:\([0-9]{2,4}\)[^()]+)+")


class ScanKind(StrEnum):
    """What a scanned code names."""

    SERIAL = "serial"  # text for a serial scheme to judge
    GLN = "gln"  # a place (AI 414) or a party (AI 417); the elements tell which
    GTIN = "gtin"  # a kind of product, or with a serial one piece of it
    GRAI = "grai"
    GIAI = "giai"


class ScanSource(StrEnum):
    """In which form a code was written."""

    PLAIN = "plain"
    ELEMENT_STRING = "element_string"
    BRACKETED = "bracketed"  # as printed under a barcode, with the identifiers in brackets
    DIGITAL_LINK = "digital_link"


@dataclass(frozen=True, slots=True)
class Scan:
    """What a code says: one thing, its canonical value, and how it was written.

    `serial` is AI 21 beside a GTIN as the code gives it, in its own case, or empty; a serial scheme folds
    it. `elements` are all (application identifier, value) pairs in their order, empty for a plain code.
    A GLN extension (AI 254) is found there only: `value` is the GLN itself.
    """

    kind: ScanKind
    value: str
    source: ScanSource
    serial: str = ""
    elements: tuple[tuple[str, str], ...] = ()


# Elements that name a thing of the register, with their kind.
PRIMARY_KINDS = {
    "01": ScanKind.GTIN,
    "414": ScanKind.GLN,
    "417": ScanKind.GLN,
    "8003": ScanKind.GRAI,
    "8004": ScanKind.GIAI,
}


def read_scan(text: str) -> Scan:
    """Return what a scanned code names.

    Raises RuleBroken SCAN_INVALID for what is no readable code or names nothing of the register,
    SCAN_AMBIGUOUS for a code that names no single thing, and CHECK_INVALID for a wrong check digit in it.
    """
    text = _printable(text)
    carrier, content = _split_symbology(text)
    if carrier in GS1Symbology.with_gtin():
        return Scan(ScanKind.GTIN, _key(ScanKind.GTIN, content), ScanSource.PLAIN)
    # A scheme marks a link in every carrier: no serial holds a colon, and no element starts with letters.
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]*:", content):
        return _from_elements(parse_digital_link(content, PARSE_CONFIG), ScanSource.DIGITAL_LINK)
    if carrier in GS1Symbology.with_gs1_messages() or FNC1 in content:
        return read_element_string(content)
    if content.startswith("("):
        return _from_elements(_parse_bracketed(content), ScanSource.BRACKETED)
    return _read_unmarked(content)


def read_element_string(text: str) -> Scan:
    """Return what a GS1 element string names, also one whose scanner dropped all marks.

    Raises RuleBroken as `read_scan` does.
    """
    return _from_elements(_parse_element_string(_printable(text)), ScanSource.ELEMENT_STRING)


def _printable(text: str) -> str:
    """Return the text without the spaces around it; refuse what no label can hold."""
    if not isinstance(text, str):
        _refuse(f"A scan is text, not {type(text).__name__}.")
    if len(text) > SCAN_LENGTH_MAX:
        _refuse(f"The code is longer than {SCAN_LENGTH_MAX} characters.")
    text = text.strip(" ")
    if not text.strip(FNC1 + " "):
        _refuse("The code is empty.")
    for character in text:
        if not character.isprintable() and character != FNC1 and character not in SEPARATORS:
            _refuse(f"The code holds U+{ord(character):04X}, which no label shows.")
    return text


def _split_symbology(text: str) -> tuple[GS1Symbology | None, str]:
    """Return the GS1 carrier that a leading symbology identifier (ISO/IEC 15424) names, and the rest.

    Carriers that GS1 gives no meaning, such as a plain QR code, are dropped: their content speaks for
    itself.
    """
    if not text.startswith("]"):
        return None, text
    match = SYMBOLOGY.match(text)
    if match is None or match[1] not in SYMBOLOGY_LETTERS:
        _refuse("The code starts with a mark that names no kind of barcode.")
    content = text[match.end() :]
    try:
        carrier = GS1Symbology(match[0][1:])
    except ValueError:
        return None, content
    if carrier not in GS1Symbology.with_gtin() | GS1Symbology.with_gs1_messages():
        _refuse("This part of a barcode names nothing by itself.")
    return carrier, content


def _read_unmarked(content: str) -> Scan:
    try:
        serial = fold(content, field=FIELD)
    except RuleBroken:
        serial = ""
    if serial and len(serial) <= SERIAL_LENGTH_MAX:
        return Scan(ScanKind.SERIAL, serial, ScanSource.PLAIN)
    return read_element_string(content)


def _parse_element_string(content: str) -> list[tuple[str, str]]:
    """Return the elements of a GS1 message; variable-length ones end with FNC1 unless they come last."""
    rest = content.strip()  # FNC1 counts as space here, and one may stand in front
    try:
        message = GS1Message.parse(rest, config=PARSE_CONFIG)
    except ParseError:
        _refuse("The code is neither a serial nor a GS1 element string.")
    for element in message.element_strings:
        rest = rest.removeprefix(element.ai.ai + element.value)
        # biip cuts a variable-length element at its greatest length and reads the remainder as another.
        if element.ai.separator_required and rest and not rest.startswith(FNC1):
            _refuse(f"Element ({element.ai.ai}) is too long, or its end is not marked.")
        rest = rest.lstrip(FNC1)
    return [(element.ai.ai, element.value) for element in message.element_strings]


def _parse_bracketed(content: str) -> list[tuple[str, str]]:
    """Return the elements of the print under a barcode.

    A value may itself hold brackets, which this form cannot tell from those around an identifier; biip
    drops what does not fit, so such a text is refused before it. Spaces are layout: no value holds any.
    """
    content = "".join(content.split())
    if not BRACKETED.fullmatch(content):
        raise RuleBroken(
            Code.SCAN_AMBIGUOUS,
            "The brackets of this code do not pair up with identifiers. Scan it instead of typing its print.",
            field=FIELD,
        )
    try:
        message = GS1Message.parse_hri(content, config=PARSE_CONFIG)
    except ParseError:
        _refuse("The code is no GS1 element string in brackets.")
    return [(element.ai.ai, element.value) for element in message.element_strings]


def _from_elements(elements: Iterable[tuple[str, str]], source: ScanSource) -> Scan:
    """Return the one thing that the elements name, after checking each of them and all together."""
    pairs = tuple(dict.fromkeys(elements))  # the same element twice says the same thing once
    values = dict(pairs)
    for identifier, value in pairs:
        # Values decoded from a link may hold anything, and biip takes the digits of every script.
        if not set(value) <= set(gs1.CHARACTER_SET_82):
            _refuse(f"Element ({identifier}) holds a character outside GS1 character set 82.")
        if identifier in CHECKED_DIGITS:
            gs1.require_check_digit(value[: CHECKED_DIGITS[identifier]], FIELD)
    if len(values) != len(pairs):
        _refuse_ambiguous("The code gives two values for one element.")
    _require_company(values)
    primary = [(identifier, value) for identifier, value in pairs if identifier in PRIMARY_KINDS]
    if not primary:
        _refuse("The code names no place, product or asset.")
    if len(primary) > 1:
        _refuse_ambiguous(f"The code names several things: {', '.join(f'({ai})' for ai, _ in primary)}.")
    identifier, value = primary[0]
    kind = PRIMARY_KINDS[identifier]
    if kind is ScanKind.GRAI and len(value) == CHECKED_DIGITS["8003"]:
        _refuse_ambiguous("The code names a type of asset and no single one, because its serial is missing.")
    return Scan(kind, _key(kind, value), source, values.get("21", ""), pairs)


def _require_company(values: dict[str, str]) -> None:
    """Raise RuleBroken SCAN_INVALID for elements without, or beside, what the dictionary says."""
    for identifier, required in REQUIRED_BESIDE.items():
        if identifier in values and not any(other in values for other in required):
            _refuse(f"Element ({identifier}) stands without ({') or ('.join(required)}).")
    for identifier, excluded in EXCLUDED_BESIDE.items():
        for other in excluded:
            if identifier in values and other in values:
                _refuse(f"Elements ({identifier}) and ({other}) contradict each other.")


def _key(kind: ScanKind, value: str) -> str:
    """Return the canonical key; a shape that fails is a code that cannot be read."""
    try:
        if kind is ScanKind.GLN:
            return gs1.gln(value, FIELD)
        if kind is ScanKind.GTIN:
            return gs1.gtin(value, FIELD)
        if kind is ScanKind.GRAI:
            return gs1.grai(value, FIELD)
        return gs1.giai(value, FIELD)
    except RuleBroken as broken:
        if broken.code is Code.CHECK_INVALID:
            raise
        raise RuleBroken(Code.SCAN_INVALID, broken.message, field=FIELD) from broken


def _refuse(message: str) -> NoReturn:
    raise RuleBroken(Code.SCAN_INVALID, f"{message} Scan it again, or type the serial.", field=FIELD)


def _refuse_ambiguous(message: str) -> NoReturn:
    raise RuleBroken(Code.SCAN_AMBIGUOUS, f"{message} Scan the code that names one thing.", field=FIELD)
