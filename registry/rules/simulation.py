"""A device in a cabinet, played: what it would report, with a chosen fault.

For tests, demos and people without hardware. The cabinet was just worked in: air at the rail starts warm and
falls towards the set point, air at the floor stays cold. An echo takes the time that sound takes through that
air; the device makes a distance of it by the air at its rail (where it compensates) or by air of 20 degrees.
Noise and lost echoes are drawn from a seed, so that the same scene always reports the same. The figures are
common practice, no source.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from math import exp
from random import Random

from registry.rules.canonical import Json
from registry.rules.devices import Principle
from registry.rules.echo import ASSUMED_C, echo_time_us, speed_of_sound
from registry.rules.errors import Code, RuleBroken

COOLING_MIN = 12.0  # minutes in which the rail loses all but 37 % of what it is too warm
NOISE_MM = 2.0  # standard deviation of one echo
LOST_SHARE = 0.02  # of the echoes
SENSOR_OFFSET_K = 0.4  # standard deviation between temperature sensors
SUPPLY_MV, SUPPLY_NOISE_MV = 3_600, 15
SIGNAL_DBM, SIGNAL_NOISE_DBM = -86, 3
LATE_INTERVALS = 3  # intervals by which a late report is old when it is sent


class Fault(StrEnum):
    """What is wrong with the device that is played."""

    NONE = "none"
    MISSING_SENSOR = "missing_sensor"  # one sensor hears nothing
    SWAPPED = "swapped"  # one sensor and its neighbour are plugged in the other way round
    STUCK = "stuck"  # one sensor says the same each time, whatever lies below
    UNCOMPENSATED = "uncompensated"  # it takes the air to be at 20 degrees
    SILENT = "silent"  # it sends nothing
    LATE = "late"  # it sends what it measured long before


@dataclass(frozen=True, slots=True)
class Scene:
    """A cabinet and what hangs in it: the true distance in mm below each sensor, from the left.

    `rail_c` is the air at the rail when the door was closed, `floor_c` what it falls towards and what lies at
    the floor. `ports` are the ports from left to right.
    """

    below_mm: tuple[int, ...]
    ports: tuple[int, ...] = ()
    rail_c: float = 8.0
    floor_c: float = -10.0
    principle: Principle = Principle.ULTRASONIC
    blind_zone_mm: int = 150
    range_mm: int = 2_000
    interval_min: int = 15
    fault: Fault = Fault.NONE
    sensor: int = 1  # from the left: which one has the fault
    seed: int = 0
    firmware: str = "1.0"
    port_of: tuple[int, ...] = field(init=False)  # where each sensor from the left is really plugged in

    def __post_init__(self) -> None:
        count = len(self.below_mm)
        ports = list(self.ports or range(1, count + 1))
        if sorted(ports) != list(range(1, count + 1)):
            raise _invalid("ports", f"Name each port from 1 to {count} once, from left to right.")
        if not 1 <= self.sensor <= count:
            raise _invalid("sensor", f"There are sensors 1 to {count}. Choose one of them.")
        if self.fault is Fault.SWAPPED:
            if count < 2:
                raise _invalid("fault", "One sensor cannot be swapped. Choose another fault.")
            at, beside = self.sensor - 1, self.sensor if self.sensor < count else self.sensor - 2
            ports[at], ports[beside] = ports[beside], ports[at]
        object.__setattr__(self, "port_of", tuple(ports))


@dataclass(frozen=True, slots=True)
class Played:
    """One report as it would be sent, but for its times: it was measured `age_min` minutes before."""

    distances_mm: tuple[int | None, ...]
    temperatures_c: tuple[str, ...]
    supply_mv: int
    signal_dbm: int
    firmware: str
    age_min: int = 0

    def row(self, serial: str, measured_at: str) -> dict[str, Json]:
        """Return the report as a row of a batch."""
        return {
            "serial": serial,
            "measured_at": measured_at,
            "distances_mm": list(self.distances_mm),
            "temperatures_c": list(self.temperatures_c),
            "supply_mv": self.supply_mv,
            "signal_dbm": self.signal_dbm,
            "firmware": self.firmware,
        }


def rail_at(scene: Scene, minutes: float) -> float:
    """Return the air at the rail in degrees Celsius so many minutes after the door was closed."""
    return scene.floor_c + (scene.rail_c - scene.floor_c) * exp(-minutes / COOLING_MIN)


def play(scene: Scene, number: int) -> Played | None:
    """Return report `number` (0 first, one an interval) of a scene, or None where the device is silent."""
    if scene.fault is Fault.SILENT:
        return None
    random = _drawn(scene, str(number))
    rail = rail_at(scene, number * scene.interval_min)
    offsets = _drawn(scene, "offsets")
    temperatures = [rail + offsets.gauss(0, SENSOR_OFFSET_K) + random.gauss(0, 0.1) for _ in scene.below_mm]
    measured_c = sum(temperatures) / len(temperatures)
    distances: list[int | None] = [None] * len(scene.below_mm)
    for sensor, (below, port) in enumerate(zip(scene.below_mm, scene.port_of, strict=True), start=1):
        heard = _measure(scene, below, rail, measured_c, random)
        if sensor == scene.sensor:
            heard = _faulty(scene, heard)
        distances[port - 1] = heard
    return Played(
        tuple(distances),
        tuple(f"{temperature:.1f}" for temperature in temperatures),
        round(random.gauss(SUPPLY_MV, SUPPLY_NOISE_MV)),
        round(random.gauss(SIGNAL_DBM, SIGNAL_NOISE_DBM)),
        scene.firmware,
        LATE_INTERVALS * scene.interval_min if scene.fault is Fault.LATE else 0,
    )


def _measure(scene: Scene, below: int, rail_c: float, measured_c: float, random: Random) -> int | None:
    lost, noise = random.random() < LOST_SHARE, random.gauss(0, NOISE_MM)
    if lost:
        return None
    if scene.principle is Principle.OPTICAL:
        heard = float(below)
    else:
        # What is nearer than the blind zone is heard at its second bounce.
        way = below if below >= scene.blind_zone_mm else 2 * below
        assumed = ASSUMED_C if scene.fault is Fault.UNCOMPENSATED else measured_c
        heard = echo_time_us(way, rail_c, scene.floor_c) * speed_of_sound(assumed) / 2_000
    distance = round(heard + noise)
    return distance if distance <= scene.range_mm else None


def _faulty(scene: Scene, heard: int | None) -> int | None:
    if scene.fault is Fault.MISSING_SENSOR:
        return None
    if scene.fault is Fault.STUCK:
        return _drawn(scene, "stuck").randint(scene.blind_zone_mm, scene.range_mm)
    return heard


def _drawn(scene: Scene, what: str) -> Random:
    return Random(f"{scene.seed} {what}")  # noqa: S311 - noise that anybody can draw again, no secret


def _invalid(name: str, words: str) -> RuleBroken:
    return RuleBroken(Code.VALUE_INVALID, words, field=name)
