"""What an installation is judged by: its reports, its facts, and the tape. Plain values."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import sqrt
from statistics import median

from registry.rules.canonical import Json, plain
from registry.rules.devices import Compensation, Principle
from registry.rules.echo import layered_error, scale_error
from registry.rules.errors import Code as Refusal
from registry.rules.errors import RuleBroken

# Values that are common practice, no source.
WINDOW = 5  # newest reports of which the median is taken: drop-outs are normal
TAPE_TOLERANCE_MM = 25
ECHO_U_MM = 4.0  # standard uncertainty of one comparison with a tape: echo, tape and rounding
COLDEST_AIR_C = -15.0  # at the floor of a cabinet of packaged ice
WARM_RAIL_C = 5.0  # at the rail after an open door, where no temperature is known
PLAUSIBLE_C = (-30.0, 35.0)
COVERAGE = 2.5  # standard uncertainties by which a reading must be beyond an explanation
TAPE_MM_MAX = 5_000


@dataclass(frozen=True, slots=True)
class Heard:
    """One report of a device; distances in mm by port (port 1 first), temperatures in degrees Celsius."""

    measured_at: datetime
    received_at: datetime
    distances_mm: tuple[int | None, ...]
    temperatures_c: tuple[str | None, ...] = ()
    supply_mv: int | None = None
    signal_dbm: int | None = None
    firmware: str = ""

    def plain(self) -> dict[str, Json]:
        """Return the report as plain values, as it is frozen with a check."""
        return {
            "measured_at": plain(self.measured_at),
            "received_at": plain(self.received_at),
            "distances_mm": plain(self.distances_mm),
            "temperatures_c": plain(self.temperatures_c),
            "supply_mv": self.supply_mv,
            "signal_dbm": self.signal_dbm,
            "firmware": self.firmware,
        }


@dataclass(frozen=True, slots=True)
class Facts:
    """What the register held of the installation; lengths in mm, None where unknown."""

    serial: str
    since: datetime  # when the device was hung
    sensor_order: tuple[int, ...]  # ports from left to right
    principle: Principle
    compensates: Compensation
    blind_zone_mm: int
    range_mm: int
    report_interval_min: int
    interior_height_mm: int | None = None
    rail_below_ceiling_mm: int | None = None

    def plain(self) -> dict[str, Json]:
        """Return the facts as plain values, as they are frozen with a check."""
        return {name: plain(getattr(self, name)) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known when an installation is judged at `now`; reports oldest first.

    `buffered` came since the device was hung but were measured before; `strangers` are serials that began
    to report since, hang nowhere, and are in the custody of the same depot. `tape_mm` is by sensor from the
    left; None: nobody was asked to measure yet.
    """

    facts: Facts
    now: datetime
    reports: tuple[Heard, ...]
    tape_mm: tuple[int | None, ...] | None = None
    buffered: tuple[Heard, ...] = ()
    strangers: tuple[str, ...] = ()

    @property
    def window(self) -> tuple[Heard, ...]:
        """The newest reports, over which medians are taken."""
        return self.reports[-WINDOW:]

    @property
    def interval(self) -> timedelta:
        """How often the model reports."""
        return timedelta(minutes=self.facts.report_interval_min)

    @property
    def sensors(self) -> range:
        """The sensors from the left, 1 first."""
        return range(1, len(self.facts.sensor_order) + 1)

    def port(self, sensor: int) -> int:
        """Return the port that the sensor is recorded at."""
        return self.facts.sensor_order[sensor - 1]

    def name(self, sensor: int) -> str:
        """Return what a sensor is called: by its place, and by its port where that is another number."""
        port = self.port(sensor)
        return f"Sensor {sensor}" + ("" if port == sensor else f" (port {port})")

    def distances(self, sensor: int) -> list[int]:
        """Return what the sensor said in the window, oldest first, without what it did not hear."""
        return self._said(sensor, self.window)

    def all_distances(self, sensor: int) -> list[int]:
        """Return what the sensor said in all reports, oldest first, without what it did not hear."""
        return self._said(sensor, self.reports)

    def _said(self, sensor: int, reports: Sequence[Heard]) -> list[int]:
        at = self.port(sensor) - 1
        found = [report.distances_mm[at] for report in reports if at < len(report.distances_mm)]
        return [distance for distance in found if distance is not None]

    def distance(self, sensor: int) -> float | None:
        """Return the median in mm of what the sensor said in the window, or None where it said nothing."""
        found = self.distances(sensor)
        return median(found) if found else None

    def tape(self, sensor: int) -> int | None:
        """Return what the tape said below the sensor, or None."""
        return self.tape_mm[sensor - 1] if self.tape_mm and sensor <= len(self.tape_mm) else None

    def temperatures(self) -> list[float]:
        """Return the median of each temperature that the window reports, those that came at all."""
        count = max((len(report.temperatures_c) for report in self.window), default=0)
        found = []
        for at in range(count):
            texts = [r.temperatures_c[at] for r in self.window if at < len(r.temperatures_c)]
            values = [float(text) for text in texts if text is not None]
            if values:
                found.append(median(values))
        return found

    @property
    def rail_c(self) -> float | None:
        """The air at the rail in degrees Celsius, by what is plausible; None where nothing is."""
        found = [value for value in self.temperatures() if plausible(value)]
        return median(found) if found else None

    @property
    def warm_scale(self) -> float:
        """How much too long, as a fraction, a sensor reads here that takes the air to be at 20 degrees."""
        if self.facts.principle is not Principle.ULTRASONIC or self.rail_c is None:
            return 0.0
        return scale_error(self.rail_c)

    @property
    def layers(self) -> float:
        """How much too long, as a fraction, air may make a reading that is colder below than at the rail."""
        if self.facts.principle is not Principle.ULTRASONIC:
            return 0.0
        rail = WARM_RAIL_C if self.rail_c is None else self.rail_c
        return max(0.0, layered_error(rail, COLDEST_AIR_C))


def plausible(air_c: float) -> bool:
    """Say whether air in a freezer that was just worked in can be so."""
    return PLAUSIBLE_C[0] <= air_c <= PLAUSIBLE_C[1]


def scale_uncertainty(tapes: Sequence[float]) -> float:
    """Return the standard uncertainty of a scale that was fitted through distances of these lengths."""
    return ECHO_U_MM / sqrt(sum(tape * tape for tape in tapes))


def check_tape(tape_mm: Sequence[int | None], sensor_count: int) -> None:
    """Raise RuleBroken VALUE_INVALID unless the tape's figures are one a sensor and can be."""
    if len(tape_mm) != sensor_count:
        raise RuleBroken(
            Refusal.VALUE_INVALID,
            f"The device has {sensor_count} sensors. Give one figure of the tape for each, from left to"
            " right, or none where you could not measure.",
            field="tape_mm",
        )
    for figure in tape_mm:
        if figure is not None and not 1 <= figure <= TAPE_MM_MAX:
            raise RuleBroken(
                Refusal.VALUE_INVALID,
                f"{figure} mm cannot be. Measure again, in millimetres; up to {TAPE_MM_MAX} mm are taken.",
                field="tape_mm",
            )
