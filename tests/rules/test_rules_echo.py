"""Sound in cold air, held to ISO 9613-1 and to integrals through layered air."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_checks import load_vectors
from scipy.integrate import quad

from registry.rules.echo import (
    compensated_mm,
    echo_time_us,
    layered_error,
    mean_speed,
    reported_mm,
    scale_error,
    speed_of_sound,
    spot_mm,
)

VECTORS = load_vectors("echo")
airs = st.floats(-30, 40)


def test_sound_is_as_fast_as_the_standard_says() -> None:
    for case in VECTORS["speeds_m_s"]:
        assert speed_of_sound(case["air_c"]) == pytest.approx(case["speed"], abs=0.011), case
        # The textbook's other form, 331.3 sqrt(1 + t / 273.15), is within 0.02 m/s of it.
        assert speed_of_sound(case["air_c"]) == pytest.approx(
            331.3 * sqrt(1 + case["air_c"] / 273.15), abs=0.02
        )


def test_there_is_no_air_below_absolute_zero() -> None:
    assert speed_of_sound(-273.15) == 0
    with pytest.raises(ValueError, match="absolute zero"):
        speed_of_sound(-273.16)


def test_a_sensor_that_takes_the_air_to_be_at_20_degrees_reads_too_long_in_the_cold() -> None:
    for case in VECTORS["uncompensated"]:
        assert 100 * scale_error(case["air_c"]) == pytest.approx(case["error_percent"], abs=0.0051), case
        for true, reads in case["reads"].items():
            assert reported_mm(int(true), case["air_c"]) == pytest.approx(reads, abs=0.051), (case, true)
            assert compensated_mm(reads, case["air_c"]) == pytest.approx(int(true), abs=0.051)


def test_a_rail_that_is_warmer_than_the_air_below_makes_a_compensated_distance_too_long() -> None:
    for case in VECTORS["layers"]:
        error = layered_error(case["top_c"], case["bottom_c"]) * case["distance_mm"]
        assert error == pytest.approx(case["error_mm"], abs=0.051), case


@given(top=airs, bottom=airs, distance=st.floats(100, 2_000))
def test_the_mean_of_both_speeds_is_what_the_integral_through_the_air_gives(
    top: float, bottom: float, distance: float
) -> None:
    slowness = quad(lambda x: 1 / speed_of_sound(top + (bottom - top) * x / distance), 0, distance)[0]

    assert distance / mean_speed(top, bottom) == pytest.approx(slowness, rel=1e-9)


def test_an_echo_takes_its_time_and_a_beam_lights_its_spot() -> None:
    for case in VECTORS["echo_times_us"]:
        assert echo_time_us(case["distance_mm"], case["air_c"]) == pytest.approx(case["time"], abs=0.6), case
    for case in VECTORS["spots_mm"]:
        assert spot_mm(case["distance_mm"], case["angle_deg"]) == pytest.approx(case["spot"], abs=0.51), case


@given(true=st.floats(1, 2_000), air=airs)
def test_compensating_once_gives_back_what_is_there(true: float, air: float) -> None:
    assert compensated_mm(reported_mm(true, air), air) == pytest.approx(true)
