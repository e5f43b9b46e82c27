"""Identifiers: serial schemes and their check characters, GS1 keys, IMEI and ICCID, scanned codes."""

from registry.rules.identifiers.check_methods import (
    ALPHABETS,
    CHECK_LENGTHS,
    Alphabet,
    CheckMethod,
    check_characters,
    is_valid,
)
from registry.rules.identifiers.gs1 import giai, gln, grai, gtin
from registry.rules.identifiers.mobile import IccidResult, ImeiForm, ImeiResult, iccid, imei
from registry.rules.identifiers.scans import Scan, ScanKind, ScanSource, read_element_string, read_scan
from registry.rules.identifiers.serials import SerialScheme, accept, normalise
from registry.rules.identifiers.suggestions import Suggestion, SuggestionKind, candidates, nearest

__all__ = [
    "ALPHABETS",
    "CHECK_LENGTHS",
    "Alphabet",
    "CheckMethod",
    "IccidResult",
    "ImeiForm",
    "ImeiResult",
    "Scan",
    "ScanKind",
    "ScanSource",
    "SerialScheme",
    "Suggestion",
    "SuggestionKind",
    "accept",
    "candidates",
    "check_characters",
    "giai",
    "gln",
    "grai",
    "gtin",
    "iccid",
    "imei",
    "is_valid",
    "nearest",
    "normalise",
    "read_element_string",
    "read_scan",
]
