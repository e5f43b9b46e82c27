"""The chain of a device's whereabouts, and what is found in it."""

from registry.rules.traces.chains import (
    CabinetStay,
    DeviceStay,
    FormerStay,
    History,
    as_of,
    find,
    shared,
)
from registry.rules.traces.findings import TO_DO, Finding, FindingCode, FindingKind
from registry.rules.traces.reported import Reported

__all__ = [
    "TO_DO",
    "CabinetStay",
    "DeviceStay",
    "Finding",
    "FindingCode",
    "FindingKind",
    "FormerStay",
    "History",
    "Reported",
    "as_of",
    "find",
    "shared",
]
