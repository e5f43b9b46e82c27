"""Sensors beside the tape: which can be compared, whether they agree, and whether cables are mixed up."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import TypeAlias

from registry.rules.acceptance.evidence import TAPE_TOLERANCE_MM, Evidence, scale_uncertainty

Pair: TypeAlias = tuple[int, float, int]  # a sensor, its distance and the tape's, in mm


@dataclass(frozen=True, slots=True)
class Comparison:
    """Sensors that both speak and were measured: sensor, its distance and the tape's, in mm."""

    pairs: tuple[Pair, ...]

    @property
    def scale(self) -> float:
        """How much too long the sensors read together, as a fraction.

        Fitted through distances and tapes that are each in order of size: it is the same whichever way the
        cables are plugged.
        """
        said, tapes = sorted(pair[1] for pair in self.pairs), sorted(pair[2] for pair in self.pairs)
        return sum(s * t for s, t in zip(said, tapes, strict=True)) / sum(t * t for t in tapes) - 1

    @property
    def uncertainty(self) -> float:
        """The standard uncertainty of the scale."""
        return scale_uncertainty([pair[2] for pair in self.pairs])


def compare(evidence: Evidence, leave_out: Collection[int] = ()) -> Comparison:
    """Return the sensors that can be compared; one that cannot measure so near cannot."""
    pairs = []
    for sensor in evidence.sensors:
        distance, tape = evidence.distance(sensor), evidence.tape(sensor)
        if distance is None or tape is None or sensor in leave_out:
            continue
        if min(distance, tape) >= evidence.facts.blind_zone_mm:
            pairs.append((sensor, distance, tape))
    return Comparison(tuple(pairs))


def agrees(evidence: Evidence, distance: float, tape: int) -> bool:
    """Say whether they are within the tolerance, and what colder air below may add."""
    return -TAPE_TOLERANCE_MM <= distance - tape <= TAPE_TOLERANCE_MM + evidence.layers * tape


def plugged_otherwise(evidence: Evidence, off: list[Pair], divisor: float) -> bool:
    """Say whether those that are off fit each other's tapes: in order of size they do if in any order."""
    said, tapes = sorted(pair[1] for pair in off), sorted(pair[2] for pair in off)
    fits = (agrees(evidence, s / divisor, t) for s, t in zip(said, tapes, strict=True))
    return len(off) > 1 and all(fits)


def off_however_compensated(evidence: Evidence) -> list[int]:
    """Return the sensors off the tape whether the device compensates or not, and not by mixed-up cables."""
    pairs = compare(evidence).pairs
    divisors = (1.0, 1 + evidence.warm_scale)
    off_in_each = []
    for divisor in divisors:
        off = [pair for pair in pairs if not agrees(evidence, pair[1] / divisor, pair[2])]
        if plugged_otherwise(evidence, off, divisor):
            return []
        off_in_each.append({pair[0] for pair in off})
    return sorted(off_in_each[0] & off_in_each[1])
