"""Sound in cold air: how far an echo says that a thing is, and how wrong it is at the wrong temperature.

Speeds in m/s, temperatures in degrees Celsius, distances in mm, times in microseconds. Dry air: humidity
below freezing is worth less than 0.15 %, and formulas that know it stop at 0 degrees.
"""

from math import radians, sqrt, tan
from typing import Final

ZERO_C_K: Final = 273.15
# ISO 9613-1:1993 annex A.5: c = 343.2 sqrt(T / 293.15 K).
SPEED_AT_20_C: Final = 343.2
ASSUMED_C: Final = 20.0  # what a sensor takes for granted that does not compensate


def speed_of_sound(air_c: float) -> float:
    """Return the speed of sound in dry air in m/s (ISO 9613-1, A.5); raises ValueError below -273.15."""
    if air_c < -ZERO_C_K:
        raise ValueError(f"{air_c} degrees Celsius is below absolute zero")
    return SPEED_AT_20_C * sqrt((air_c + ZERO_C_K) / (ASSUMED_C + ZERO_C_K))


def mean_speed(top_c: float, bottom_c: float) -> float:
    """Return the speed of sound in m/s along a way on which the temperature changes evenly.

    The time over a way of length d is the integral of dx / c. With c as the root of a temperature that is
    linear in x, it is d / ((c(top) + c(bottom)) / 2) exactly, so this mean is no approximation.
    """
    return (speed_of_sound(top_c) + speed_of_sound(bottom_c)) / 2


def scale_error(air_c: float, assumed_c: float = ASSUMED_C) -> float:
    """Return how much too long a sensor reads, as a fraction, that assumes another temperature."""
    return speed_of_sound(assumed_c) / speed_of_sound(air_c) - 1


def reported_mm(true_mm: float, air_c: float, assumed_c: float = ASSUMED_C) -> float:
    """Return what a sensor reports in mm that assumes another temperature than the air has."""
    return true_mm * (1 + scale_error(air_c, assumed_c))


def compensated_mm(reported: float, air_c: float, assumed_c: float = ASSUMED_C) -> float:
    """Return the true distance in mm of what such a sensor reported. Never apply it twice."""
    return reported / (1 + scale_error(air_c, assumed_c))


def layered_error(top_c: float, bottom_c: float) -> float:
    """Return how much too long a distance is, as a fraction, that was compensated by the top's air alone."""
    return speed_of_sound(top_c) / mean_speed(top_c, bottom_c) - 1


def echo_time_us(distance_mm: float, top_c: float, bottom_c: float | None = None) -> float:
    """Return the time in microseconds that an echo takes there and back."""
    speed = mean_speed(top_c, top_c if bottom_c is None else bottom_c)
    return 2 * distance_mm / speed * 1_000


def spot_mm(distance_mm: float, full_angle_deg: float) -> float:
    """Return the diameter in mm of what a beam of this full angle lights at a distance."""
    return 2 * distance_mm * tan(radians(full_angle_deg) / 2)
