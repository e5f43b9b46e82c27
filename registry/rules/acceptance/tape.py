"""Sensors against the tape: the scale of them all, their order, and each by itself."""

from registry.rules.acceptance.comparing import Comparison, Pair, agrees, compare, plugged_otherwise
from registry.rules.acceptance.evidence import COVERAGE, TAPE_TOLERANCE_MM, Evidence
from registry.rules.acceptance.findings import Code, Finding, Severity
from registry.rules.acceptance.sensors import stuck_sensors
from registry.rules.devices import Compensation
from registry.rules.echo import ASSUMED_C


def find(evidence: Evidence) -> list[Finding]:
    """Find UNCOMPENSATED, COMPENSATES_ALREADY, ORDER_SWAPPED, TAPE_DISAGREES and TAPE_MISSING."""
    if evidence.tape_mm is None or not evidence.reports:
        return []
    compared = compare(evidence, leave_out=stuck_sensors(evidence))
    found = _missing(evidence)
    if not compared.pairs:
        return found
    scale_finding = _scale(evidence, compared)
    divisor = 1 + (evidence.warm_scale if _is_warm_scaled(evidence, scale_finding) else 0.0)
    off = [pair for pair in compared.pairs if not agrees(evidence, pair[1] / divisor, pair[2])]
    found += [scale_finding] if scale_finding else []
    if plugged_otherwise(evidence, off, divisor):
        return [*found, _order(evidence, off, divisor)]
    return [*found, *(_disagrees(evidence, pair, divisor) for pair in off)]


# --- the scale -----------------------------------------------------------------------------------------


def _scale(evidence: Evidence, compared: Comparison) -> Finding | None:
    """Find whether the device takes the air to be warm, against what its model is marked as."""
    warm, slack = evidence.warm_scale, COVERAGE * compared.uncertainty
    if warm <= evidence.layers + slack:
        return None  # too warm in here to tell, or light, which knows no scale of this kind
    layered = compared.scale <= evidence.layers + slack
    as_warm = compared.scale >= warm - slack
    # A scale far beyond what the air can do is something else, and is found sensor by sensor.
    beyond = compared.scale > warm + evidence.layers + slack
    marked = evidence.facts.compensates
    if as_warm and not layered and not beyond and marked is not Compensation.NO:
        return _uncompensated(evidence, compared)
    if layered and not as_warm and marked is Compensation.NO:
        return _compensates(evidence, compared)
    return None


def _figures(evidence: Evidence, compared: Comparison) -> dict[str, str]:
    return {
        "air_c": f"{evidence.rail_c:.1f}",
        "scale_percent": f"{100 * compared.scale:.2f}",
        "uncertainty_percent": f"{100 * compared.uncertainty:.2f}",
        "uncompensated_percent": f"{100 * evidence.warm_scale:.2f}",
    }


def _uncompensated(evidence: Evidence, compared: Comparison) -> Finding:
    figures = _figures(evidence, compared)
    air, percent = round(float(figures["air_c"])), round(100 * compared.scale)
    one = compared.pairs[0][0] if len(compared.pairs) == 1 else None
    reading = f"{evidence.name(one)} reads" if one else "The sensors read"
    claimed = evidence.facts.compensates is Compensation.YES
    return Finding(
        Code.UNCOMPENSATED,
        Severity.NOTE,
        f"{reading} {percent} % long at {air} degC: this device"
        + (" does not compensate for temperature, although its model is marked as one that does."
           if claimed else " model does not compensate for temperature."),
        "Have the office look at this device's firmware, or re-tape."
        if claimed
        else "Mark the model, or re-tape.",
        one,
        {**figures, "assumed_c": f"{ASSUMED_C:.0f}"},
    )  # fmt: skip


def _compensates(evidence: Evidence, compared: Comparison) -> Finding:
    return Finding(
        Code.COMPENSATES_ALREADY,
        Severity.NOTE,
        f"At {evidence.rail_c:.0f} degC the sensors agree with the tape as they are: this device compensates"
        " for temperature, although its model is marked as one that does not.",
        "Mark the model, so that nothing is compensated twice.",
        None,
        {**_figures(evidence, compared)},
    )


def _is_warm_scaled(evidence: Evidence, found: Finding | None) -> bool:
    """Say whether distances are compensated here before they are held against the tape."""
    if found is not None:
        return found.code is Code.UNCOMPENSATED
    return evidence.facts.compensates is Compensation.NO


# --- one by one ----------------------------------------------------------------------------------------


def _order(evidence: Evidence, off: list[Pair], divisor: float) -> Finding:
    order = list(evidence.facts.sensor_order)
    by_tape = sorted(off, key=lambda pair: pair[2])
    for (place, _, _), (plugged, _, _) in zip(by_tape, sorted(off, key=lambda pair: pair[1]), strict=True):
        order[place - 1] = evidence.port(plugged)
    names = " and ".join(str(pair[0]) for pair in off)
    recorded, seen = (" ".join(map(str, ports)) for ports in (evidence.facts.sensor_order, order))
    return Finding(
        Code.ORDER_SWAPPED,
        Severity.FAIL,
        f"Sensors {names} read each other's distances: the ports are recorded as {recorded} from left to"
        f" right, and measure like {seen}.",
        f"Plug them in again as recorded, or correct the order to {seen}. If the tape's figures were"
        " written from right to left, give them again.",
        None,
        {
            "recorded": recorded,
            "measured": seen,
            "sensors": [pair[0] for pair in off],
            "distances_mm": [round(pair[1] / divisor) for pair in off],
            "tape_mm": [pair[2] for pair in off],
        },
    )


def _disagrees(evidence: Evidence, pair: Pair, divisor: float) -> Finding:
    sensor, raw, tape = pair
    distance = round(raw / divisor)
    return Finding(
        Code.TAPE_DISAGREES,
        Severity.FAIL,
        f"{evidence.name(sensor)} says {distance} mm and the tape {tape} mm.",
        "Measure again from the sensor's face straight down to what lies below. If they stay, look for a"
        " rail, a bag or a cable in its beam, or replace the sensor.",
        sensor,
        {"distance_mm": distance, "tape_mm": tape, "tolerance_mm": TAPE_TOLERANCE_MM},
    )


def _missing(evidence: Evidence) -> list[Finding]:
    without = [s for s in evidence.sensors if evidence.tape(s) is None and evidence.distance(s) is not None]
    if not without:
        return []
    names = ", ".join(map(str, without))
    return [
        Finding(
            Code.TAPE_MISSING,
            Severity.NOTE,
            f"Nothing was measured with the tape below sensor {names}.",
            "Measure from the sensor's face straight down to what lies below, and check again.",
            None,
            {"sensors": list(without)},
        )
    ]
