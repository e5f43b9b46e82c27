"""What a check of an installation may find: stable codes, how each weighs, and the result of them all."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from registry.rules.canonical import Json


class Code(StrEnum):
    """What was found. A code is a promise: words may change, codes never."""

    REPORT_MISSING = "report_missing"  # nothing came since the device was hung
    REPORT_LATE = "report_late"  # the newest report is old, or reports come long after they were measured
    WRONG_DEVICE = "wrong_device"  # what reports is not what is assigned
    SENSOR_MISSING = "sensor_missing"  # a sensor hears nothing
    SENSOR_OUT_OF_RANGE = "sensor_out_of_range"  # nearer than it can measure, or beyond the cabinet
    SENSOR_STUCK = "sensor_stuck"  # it says the same again and again
    ORDER_SWAPPED = "order_swapped"  # two or more sensors read each other's distances
    UNCOMPENSATED = "uncompensated"  # the device reads as long as one that takes the air to be warm
    COMPENSATES_ALREADY = "compensates_already"  # the model is marked as one that does not, but it does
    TAPE_DISAGREES = "tape_disagrees"  # the sensor and the tape say different things
    TAPE_MISSING = "tape_missing"  # nobody measured with a tape
    TEMPERATURE_MISSING = "temperature_missing"  # no temperature came, where distances need one
    TEMPERATURE_IMPLAUSIBLE = "temperature_implausible"  # no air in or around a freezer is so
    TEMPERATURES_DISAGREE = "temperatures_disagree"  # two sensors of one cabinet are too far apart
    NOT_COOLING = "not_cooling"  # a warm cabinet that does not get colder
    SUPPLY_LOW = "supply_low"
    SIGNAL_WEAK = "signal_weak"


class Severity(StrEnum):
    """How a finding weighs."""

    NOTE = "note"  # the installer may leave; somebody follows it up
    FAIL = "fail"  # not done yet


class Result(StrEnum):
    """What a check comes to."""

    PASS = "pass"
    PASS_WITH_NOTE = "pass_with_note"
    FAIL = "fail"


RESULT_WORDS = {
    Result.PASS: "passed",
    Result.PASS_WITH_NOTE: "passed with a note",
    Result.FAIL: "failed",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was found: about which sensor (from the left, 1 first) or the whole, and what to do.

    `figures` are the numbers behind the words, whole or as decimal text, so that they can be kept.
    """

    code: Code
    severity: Severity
    words: str
    next_step: str
    sensor: int | None = None
    figures: dict[str, Json] = field(default_factory=dict)

    def plain(self) -> dict[str, Json]:
        """Return the finding as plain values, as it is kept and shown."""
        return {
            "code": str(self.code),
            "sensor": self.sensor,
            "severity": str(self.severity),
            "words": self.words,
            "next_step": self.next_step,
            "figures": self.figures,
        }


def result_of(findings: Iterable[Finding]) -> Result:
    """Return what findings come to: the gravest decides."""
    severities = {finding.severity for finding in findings}
    if Severity.FAIL in severities:
        return Result.FAIL
    return Result.PASS_WITH_NOTE if severities else Result.PASS
