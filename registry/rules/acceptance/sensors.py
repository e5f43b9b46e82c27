"""Whether every sensor is there, measures what it can, and moves."""

from registry.rules.acceptance.comparing import off_however_compensated
from registry.rules.acceptance.evidence import TAPE_TOLERANCE_MM, Evidence
from registry.rules.acceptance.findings import Code, Finding, Severity

# Common practice, no source: with so many of the sensors at work a cabinet is still worth its device.
MEASURED_SHARE_LEAST = 0.75
STUCK_REPORTS = 4  # equal figures from which on a sensor counts as stuck, where the tape says otherwise
STUCK_ALONE = 8  # and where only the other sensors speak against it
MOVING_VALUES = 3  # different figures by which another sensor shows that figures do move


def find(evidence: Evidence) -> list[Finding]:
    """Find SENSOR_MISSING, SENSOR_OUT_OF_RANGE and SENSOR_STUCK."""
    if not evidence.reports:
        return []
    stuck = stuck_sensors(evidence)
    found = [*_missing(evidence), *(_stuck(evidence, sensor) for sensor in stuck)]
    return [*found, *_out_of_range(evidence, leave_out=stuck)]


def stuck_sensors(evidence: Evidence) -> list[int]:
    """Return the sensors that said the same each time, and that something else speaks against."""
    said = {sensor: evidence.all_distances(sensor) for sensor in evidence.sensors}
    moving = {sensor for sensor in said if len(set(said[sensor])) >= MOVING_VALUES}
    off_tape = off_however_compensated(evidence)
    found = []
    for sensor, distances in said.items():
        if len(set(distances)) != 1 or len(distances) < STUCK_REPORTS:
            continue
        others = {other for other in said if other != sensor and said[other]}
        alone = bool(others) and others <= moving and len(distances) >= STUCK_ALONE
        if sensor in off_tape or alone:
            found.append(sensor)
    return found


def _missing(evidence: Evidence) -> list[Finding]:
    silent = [sensor for sensor in evidence.sensors if evidence.distance(sensor) is None]
    count = len(evidence.facts.sensor_order)
    enough = count - len(silent) >= MEASURED_SHARE_LEAST * count
    return [
        Finding(
            Code.SENSOR_MISSING,
            Severity.NOTE if enough else Severity.FAIL,
            f"{evidence.name(sensor)} heard nothing in {len(evidence.window)} reports.",
            "See that its plug is in and its face is clean and points down; try another cable or sensor."
            + (" If it stays so, sign off with the note: its part of the cabinet is not measured." * enough),
            sensor,
            {"reports": len(evidence.window), "silent": len(silent), "sensor_count": count},
        )
        for sensor in silent
    ]


def _stuck(evidence: Evidence, sensor: int) -> Finding:
    distances, tape = evidence.all_distances(sensor), evidence.tape(sensor)
    beside = f" The tape says {tape} mm." if tape is not None else ""
    # Figures that agree with the tape may just be very quiet: that is for somebody to look at, no more.
    off = sensor in off_however_compensated(evidence)
    return Finding(
        Code.SENSOR_STUCK,
        Severity.FAIL if off else Severity.NOTE,
        f"{evidence.name(sensor)} said {distances[0]} mm each time in {len(distances)} reports.{beside}",
        "Look for frost, film or a bracket in front of its face, hold your hand under it and check again; if"
        " it stays, replace the sensor.",
        sensor,
        {"distance_mm": distances[0], "reports": len(distances), "tape_mm": tape},
    )


def _out_of_range(evidence: Evidence, leave_out: list[int]) -> list[Finding]:
    found = []
    for sensor in evidence.sensors:
        distance = evidence.distance(sensor)
        if distance is not None and sensor not in leave_out:
            found.extend(_range_finding(evidence, sensor, distance))
    return found


def _range_finding(evidence: Evidence, sensor: int, distance: float) -> list[Finding]:
    facts, tape = evidence.facts, evidence.tape(sensor)
    shown, name = round(distance), evidence.name(sensor)
    figures = {"distance_mm": shown, "blind_zone_mm": facts.blind_zone_mm, "range_mm": facts.range_mm}
    if distance < facts.blind_zone_mm or (tape is not None and tape < facts.blind_zone_mm):
        said = f"{name} says {shown} mm" if distance < facts.blind_zone_mm else f"The tape says {tape} mm"
        return [
            Finding(
                Code.SENSOR_OUT_OF_RANGE,
                Severity.FAIL,
                f"{said}; nearer than {facts.blind_zone_mm} mm this model cannot measure.",
                "Take away what is near its face: frost, film, a bag or the rail itself. Then check again.",
                sensor,
                {**figures, "tape_mm": tape},
            )
        ]
    floor = _floor_mm(evidence)
    farthest = min(facts.range_mm, floor) if floor is not None else facts.range_mm
    # A device that does not compensate says more than there is: judged by the least that it can mean.
    if distance / (1 + max(evidence.warm_scale, evidence.layers)) <= farthest + TAPE_TOLERANCE_MM:
        return []
    what = f"the floor is {floor} mm below the rail" if farthest == floor else f"it measures to {farthest} mm"
    return [
        Finding(
            Code.SENSOR_OUT_OF_RANGE,
            Severity.FAIL,
            f"{name} says {shown} mm, but {what}.",
            "See that it points straight down and at nothing bright or soft; measure the cabinet's inside"
            " again if the sensor is right.",
            sensor,
            {**figures, "floor_mm": floor},
        )
    ]


def _floor_mm(evidence: Evidence) -> int | None:
    height = evidence.facts.interior_height_mm
    return None if height is None else height - (evidence.facts.rail_below_ceiling_mm or 0)
