"""Whether supply and signal are good enough to leave the device alone."""

from statistics import median

from registry.rules.acceptance.evidence import Evidence
from registry.rules.acceptance.findings import Code, Finding, Severity

# Common practice, no source: a lithium cell of 3.6 V is near its end below; radio of a phone network is
# lost now and then below.
SUPPLY_MV_LEAST = 3_300
SIGNAL_DBM_LEAST = -110


def find(evidence: Evidence) -> list[Finding]:
    """Find SUPPLY_LOW and SIGNAL_WEAK."""
    found = []
    supply = _median([report.supply_mv for report in evidence.window])
    if supply is not None and supply < SUPPLY_MV_LEAST:
        found.append(
            Finding(
                Code.SUPPLY_LOW,
                Severity.NOTE,
                f"The device is supplied with {supply} mV; below {SUPPLY_MV_LEAST} mV it may stop.",
                "See to the plug and the supply. Work on the mains is for licensed people.",
                figures={"supply_mv": supply, "least_mv": SUPPLY_MV_LEAST},
            )
        )
    signal = _median([report.signal_dbm for report in evidence.window])
    if signal is not None and signal < SIGNAL_DBM_LEAST:
        found.append(
            Finding(
                Code.SIGNAL_WEAK,
                Severity.NOTE,
                f"The signal is {signal} dBm; below {SIGNAL_DBM_LEAST} dBm reports get lost.",
                "Move the antenna higher and away from metal, and check again.",
                figures={"signal_dbm": signal, "least_dbm": SIGNAL_DBM_LEAST},
            )
        )
    return found


def _median(values: list[int | None]) -> int | None:
    known = [value for value in values if value is not None]
    return round(median(known)) if known else None
