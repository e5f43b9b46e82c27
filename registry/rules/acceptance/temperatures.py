"""Whether temperatures can be. The set point is never asked for: the door was open."""

from datetime import timedelta

from registry.rules.acceptance.evidence import PLAUSIBLE_C, Evidence, Heard, plausible
from registry.rules.acceptance.findings import Code, Finding, Severity
from registry.rules.devices import Compensation, Principle

# Common practice, no source.
SPREAD_K_MAX = 8.0  # between two sensors of one cabinet
WARM_C = -2.0  # above this a cabinet is expected to get colder
TREND_OVER = timedelta(minutes=30)  # in which it shows whether it does
TREND_K_LEAST = 0.5


def find(evidence: Evidence) -> list[Finding]:
    """Find TEMPERATURE_MISSING, TEMPERATURE_IMPLAUSIBLE, TEMPERATURES_DISAGREE and NOT_COOLING."""
    if not evidence.reports:
        return []
    values = evidence.temperatures()
    if not values:
        return _missing(evidence)
    fit = [value for value in values if plausible(value)]
    found = [_implausible(value, bool(fit)) for value in values if not plausible(value)]
    return [*found, *_disagree(fit), *_not_cooling(evidence)]


def _missing(evidence: Evidence) -> list[Finding]:
    facts = evidence.facts
    if facts.principle is not Principle.ULTRASONIC or facts.compensates is Compensation.YES:
        return []
    return [
        Finding(
            Code.TEMPERATURE_MISSING,
            Severity.NOTE,
            "The device reported no temperature, so its distances cannot be compensated.",
            "See that its temperature sensor is plugged in, or have the office look at the model.",
        )
    ]


def _implausible(value: float, others: bool) -> Finding:
    least, most = PLAUSIBLE_C
    return Finding(
        Code.TEMPERATURE_IMPLAUSIBLE,
        Severity.NOTE if others else Severity.FAIL,
        f"A temperature of {value:.1f} degC came; air in a freezer just worked in is {least:.0f} to"
        f" {most:.0f} degC.",
        "See to the plug and the cable of the temperature sensor; if it stays so, replace it.",
        figures={"temperature_c": f"{value:.1f}"},
    )


def _disagree(values: list[float]) -> list[Finding]:
    if len(values) < 2 or max(values) - min(values) <= SPREAD_K_MAX:
        return []
    return [
        Finding(
            Code.TEMPERATURES_DISAGREE,
            Severity.NOTE,
            f"Temperatures in one cabinet go from {min(values):.1f} to {max(values):.1f} degC.",
            "See that no sensor touches the wall, the evaporator or a warm part, and that all hang inside.",
            figures={"least_c": f"{min(values):.1f}", "most_c": f"{max(values):.1f}"},
        )
    ]


def _mean(report: Heard) -> float | None:
    values = [float(text) for text in report.temperatures_c if text is not None]
    fit = [value for value in values if plausible(value)]
    return sum(fit) / len(fit) if fit else None


def _not_cooling(evidence: Evidence) -> list[Finding]:
    newest = evidence.reports[-1]
    earlier = [r for r in evidence.reports if newest.measured_at - r.measured_at >= TREND_OVER]
    now_c = _mean(newest)
    then_c = _mean(earlier[-1]) if earlier else None
    if now_c is None or then_c is None or now_c <= WARM_C or now_c <= then_c - TREND_K_LEAST:
        return []
    minutes = round((newest.measured_at - earlier[-1].measured_at).total_seconds() / 60)
    return [
        Finding(
            Code.NOT_COOLING,
            Severity.NOTE,
            f"The cabinet went from {then_c:.1f} to {now_c:.1f} degC in {minutes} min: no colder.",
            "See that the door closes and the freezer runs. If it defrosts or was just filled, say so in the"
            " note.",
            figures={"then_c": f"{then_c:.1f}", "now_c": f"{now_c:.1f}", "minutes": minutes},
        )
    ]
