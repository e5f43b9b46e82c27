"""May the installer leave? An installation judged by its first reports, its facts, and a tape."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from registry.rules.acceptance import power, reports, sensors, tape, temperatures
from registry.rules.acceptance.billing import BillingDay as BillingDay
from registry.rules.acceptance.billing import billing_start as billing_start
from registry.rules.acceptance.evidence import TAPE_TOLERANCE_MM as TAPE_TOLERANCE_MM
from registry.rules.acceptance.evidence import WINDOW as WINDOW
from registry.rules.acceptance.evidence import Evidence as Evidence
from registry.rules.acceptance.evidence import Facts as Facts
from registry.rules.acceptance.evidence import Heard as Heard
from registry.rules.acceptance.evidence import check_tape as check_tape
from registry.rules.acceptance.findings import RESULT_WORDS as RESULT_WORDS
from registry.rules.acceptance.findings import Code as Code
from registry.rules.acceptance.findings import Finding as Finding
from registry.rules.acceptance.findings import Result as Result
from registry.rules.acceptance.findings import Severity as Severity
from registry.rules.acceptance.findings import result_of as result_of

REPORTS_ENOUGH: Final = 3  # from so many on a drop-out does no harm; common practice, no source
COLD_ENOUGH_C: Final = -5.0  # from here on it shows within the tape's tolerance whether a device compensates

CHECKS: tuple[Callable[[Evidence], list[Finding]], ...] = (
    reports.find,
    sensors.find,
    tape.find,
    temperatures.find,
    power.find,
)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What was found, what it comes to, and what is still worth doing although nothing is found."""

    findings: tuple[Finding, ...]
    result: Result
    advice: tuple[str, ...]


def judge(evidence: Evidence) -> Judgement:
    """Return all findings, those that forbid leaving first, and what they come to."""
    found = [finding for check in CHECKS for finding in check(evidence)]
    found.sort(key=lambda finding: finding.severity is not Severity.FAIL)
    return Judgement(tuple(found), result_of(found), tuple(_advice(evidence)))


def _advice(evidence: Evidence) -> list[str]:
    advice = []
    count = len(evidence.reports)
    if count < REPORTS_ENOUGH:
        advice.append(
            f"{count} of {REPORTS_ENOUGH} reports are there; the device reports every"
            f" {evidence.facts.report_interval_min} min. With all of them a single lost echo does no harm."
        )
    if evidence.tape_mm is None:
        advice.append("Measure with the tape from each sensor's face straight down to what lies below.")
    elif _alike([figure for figure in evidence.tape_mm if figure is not None]):
        advice.append(
            "The tape says nearly the same below every sensor, so a swapped cable would not show. Hold a"
            " board under the left-most sensor, measure to it, and check again."
        )
    rail = evidence.rail_c
    if evidence.warm_scale and rail is not None and rail > COLD_ENOUGH_C:
        advice.append(
            f"At {rail:.0f} degC it hardly shows whether the device compensates for temperature; once it is"
            f" below {COLD_ENOUGH_C:.0f} degC it does. You need not wait for it."
        )
    return advice


def _alike(tapes: list[int]) -> bool:
    return len(tapes) > 1 and max(tapes) - min(tapes) <= 2 * TAPE_TOLERANCE_MM
