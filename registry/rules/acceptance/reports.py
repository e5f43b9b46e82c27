"""Whether the device reports at all, in time, and is the one that is assigned."""

from registry.rules.acceptance.evidence import Evidence
from registry.rules.acceptance.findings import Code, Finding, Severity

LATE_INTERVALS = 2  # a report is late after so many intervals; common practice, no source


def find(evidence: Evidence) -> list[Finding]:
    """Find REPORT_MISSING, REPORT_LATE and WRONG_DEVICE."""
    if evidence.reports:
        return [*_late(evidence), *_too_many_sensors(evidence)]
    if evidence.buffered:
        return [_only_old(evidence)]
    return [*_strangers(evidence), _missing(evidence)]


def _minutes(seconds: float) -> int:
    return round(seconds / 60)


def _missing(evidence: Evidence) -> Finding:
    waited = evidence.now - evidence.facts.since
    every = evidence.facts.report_interval_min
    if waited <= LATE_INTERVALS * evidence.interval:
        step = (
            f"It reports every {every} min. Wait until {LATE_INTERVALS * every} min have passed since it was"
            " hung, then check again."
        )
    else:
        step = (
            "See that its supply is on and its antenna is plugged in and outside the metal, and compare the"
            " serial on the label with the one that is assigned."
        )
    return Finding(
        Code.REPORT_MISSING,
        Severity.FAIL,
        f"Nothing came from {evidence.facts.serial} in the {_minutes(waited.total_seconds())} min since it"
        " was hung.",
        step,
        figures={"waited_min": _minutes(waited.total_seconds()), "report_interval_min": every},
    )


def _only_old(evidence: Evidence) -> Finding:
    newest = evidence.buffered[-1]
    delay = _minutes((newest.received_at - newest.measured_at).total_seconds())
    return Finding(
        Code.REPORT_LATE,
        Severity.FAIL,
        f"What came from {evidence.facts.serial} was measured before it was hung: its newest report took"
        f" {delay} min to arrive.",
        "It sends what it kept. Wait for a report of this installation; if none comes, see to the signal and"
        " the device's clock.",
        figures={"delay_min": delay},
    )


def _late(evidence: Evidence) -> list[Finding]:
    newest = evidence.reports[-1]
    every = evidence.facts.report_interval_min
    age, delay = evidence.now - newest.measured_at, newest.received_at - newest.measured_at
    late = LATE_INTERVALS * evidence.interval
    figures = {
        "age_min": _minutes(age.total_seconds()),
        "delay_min": _minutes(delay.total_seconds()),
        "report_interval_min": every,
    }
    if age > late:
        words = (
            f"The newest report was measured {figures['age_min']} min ago; the device reports every"
            f" {every} min."
        )
        step = "Wait for a fresh report. If none comes, see to the supply and the signal."
        return [Finding(Code.REPORT_LATE, Severity.FAIL, words, step, figures=dict(figures))]
    if delay > late:
        words = f"The newest report took {figures['delay_min']} min to arrive."
        step = "It sends late: see to the signal and the device's clock, or have it followed up."
        return [Finding(Code.REPORT_LATE, Severity.NOTE, words, step, figures=dict(figures))]
    return []


def _strangers(evidence: Evidence) -> list[Finding]:
    if not evidence.strangers:
        return []
    serials = " and ".join(evidence.strangers)
    return [
        Finding(
            Code.WRONG_DEVICE,
            Severity.FAIL,
            f"{evidence.facts.serial} is assigned and says nothing, while {serials}, which hangs nowhere in"
            " the register, has begun to report.",
            "Compare the serial on the label with the one that is assigned, and put it right.",
            figures={"serials": list(evidence.strangers)},
        )
    ]


def _too_many_sensors(evidence: Evidence) -> list[Finding]:
    reported = max(len(report.distances_mm) for report in evidence.window)
    expected = len(evidence.facts.sensor_order)
    if reported <= expected:
        return []
    return [
        Finding(
            Code.WRONG_DEVICE,
            Severity.FAIL,
            f"Reports under {evidence.facts.serial} hold {reported} distances; this model has {expected}"
            " sensors.",
            "Compare the serial on the label with the one that is assigned, and its model.",
            figures={"reported": reported, "sensor_count": expected},
        )
    ]
