"""GS1 Digital Link URIs: a web address whose path holds a GS1 key. Read as text, never fetched."""

import re
from typing import NoReturn
from urllib.parse import parse_qsl, unquote, urlsplit

from biip import ParseConfig, ParseError
from biip.gs1_digital_link_uris import GS1DigitalLinkURI

from registry.rules.errors import Code, RuleBroken

FIELD = "scan"
# Key qualifiers belong into the path; the GS1 syntax dictionary does not flag these as data attributes.
PATH_ONLY = frozenset({"21", "22", "235", "254"})
# The spellings of a GTIN in a path. biip pads any shorter number, so that /01/0 would become a GTIN.
GTIN_SPELLINGS = re.compile(r"(?:[0-9]{8}|[0-9]{12,14})")


def parse_digital_link(content: str, config: ParseConfig) -> list[tuple[str, str]]:
    """Return the elements of a GS1 Digital Link as (application identifier, value) pairs in their order.

    GS1 Digital Link standard, "URI Syntax" 1.2: http or https, any host and leading path, then key and
    qualifiers in numbers; compressed links and alphabetic names are not read. Check digits are left to
    the caller. Raises RuleBroken SCAN_INVALID for anything else, SCAN_AMBIGUOUS when the query repeats an
    element.
    """
    try:
        parts = urlsplit(content)
        host = parts.hostname
    except ValueError:
        _refuse("The link is malformed.")
    if parts.scheme not in ("http", "https"):
        _refuse("Only http and https links are read.")
    if not host or not content.isascii() or not content.isprintable() or " " in content:
        _refuse("The link is malformed.")
    query = [name for name, _value in parse_qsl(parts.query) if re.fullmatch(r"[0-9]{2,4}", name)]
    if len(set(query)) != len(query):  # biip would take the last one
        raise RuleBroken(
            Code.SCAN_AMBIGUOUS,
            "The link gives one element twice. Scan the code that names one thing.",
            field=FIELD,
        )
    for name in PATH_ONLY.intersection(query):
        _refuse(f"The link gives element ({name}) outside its path.")
    try:
        link = GS1DigitalLinkURI.parse(content, config=config)
    except ParseError:
        _refuse("The link holds no GS1 key that can be read.")
    elements = [(element.ai.ai, element.value) for element in link.element_strings]
    segments = parts.path.split("/")
    if elements[0][0] == "01" and not GTIN_SPELLINGS.fullmatch(unquote(segments[segments.index("01") + 1])):
        _refuse("The GTIN in the link has neither 8, 12, 13 nor 14 digits.")
    return elements


def _refuse(message: str) -> NoReturn:
    raise RuleBroken(Code.SCAN_INVALID, f"{message} Scan it again, or type the serial.", field=FIELD)
