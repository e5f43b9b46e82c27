"""A device that is played: every fault is found by the right finding, over many cabinets, and no other."""

import random
from collections.abc import Callable
from dataclasses import replace

import pytest
from judging import drawn_scene, judged, watched
from rule_checks import refused

from registry.rules.acceptance import Result, judge
from registry.rules.devices import Compensation, Principle
from registry.rules.echo import layered_error
from registry.rules.errors import Code
from registry.rules.simulation import LOST_SHARE, Fault, Scene, play, rail_at

SEEDS = range(300)
FINDINGS = {
    Fault.NONE: [],
    Fault.MISSING_SENSOR: ["sensor_missing"],
    Fault.SWAPPED: ["order_swapped"],
    Fault.STUCK: ["sensor_stuck"],
    Fault.UNCOMPENSATED: ["uncompensated"],
    Fault.SILENT: ["report_missing"],
    Fault.LATE: ["report_late"],
}
UNMARKED = (Compensation.YES, Compensation.UNKNOWN)


@pytest.mark.parametrize("fault", Fault)
def test_every_fault_is_found_by_its_finding_and_by_no_other(fault: Fault) -> None:
    """Eight reports in each: a stuck sensor whose figure happens to be right shows by then, and not before.

    Whether a device compensates shows in the cold alone, so that one is played in a cold cabinet.
    """
    cold = {"coldest": -10.0, "warmest": -5.0} if fault is Fault.UNCOMPENSATED else {}
    found = {
        seed: judged(watched(drawn_scene(seed, fault, **cold), 8, random.Random(seed).choice(UNMARKED)))
        for seed in SEEDS
    }

    assert {seed: codes for seed, codes in found.items() if codes != FINDINGS[fault]} == {}


@pytest.mark.parametrize("reports", [3, 5])
def test_a_healthy_device_in_a_warm_just_opened_cabinet_passes(reports: int) -> None:
    results = {}
    for seed in SEEDS:
        scene = drawn_scene(seed, Fault.NONE, coldest=8.0, warmest=15.0)
        results[seed] = judge(watched(scene, reports, random.Random(seed).choice(UNMARKED))).result

    assert {seed for seed, result in results.items() if result is not Result.PASS} == set()


def test_a_device_of_a_marked_model_passes_cold_or_warm_and_light_does_too() -> None:
    for seed in SEEDS:
        scene = drawn_scene(seed, Fault.UNCOMPENSATED)
        assert judged(watched(scene, 8, Compensation.NO)) == [], seed
        light = replace(drawn_scene(seed, Fault.NONE), principle=Principle.OPTICAL)
        assert judged(watched(light, 8, Compensation.UNKNOWN)) == [], seed


def test_in_a_warm_cabinet_an_uncompensated_device_is_found_or_passes_and_is_never_called_another_thing() -> (
    None
):
    for seed in SEEDS:
        scene = drawn_scene(seed, Fault.UNCOMPENSATED, coldest=0.0)
        assert judged(watched(scene, 3, Compensation.UNKNOWN)) in ([], ["uncompensated"]), seed


def test_a_swap_that_was_plugged_right_again_passes() -> None:
    for seed in SEEDS:
        mended = replace(drawn_scene(seed, Fault.SWAPPED), fault=Fault.NONE)
        assert judged(watched(mended, 8, Compensation.UNKNOWN)) == [], seed


def test_the_same_scene_always_reports_the_same_and_another_seed_does_not() -> None:
    scene = drawn_scene(1, Fault.NONE)

    assert play(scene, 3) == play(scene, 3)
    assert play(scene, 3) != play(scene, 4)
    assert play(scene, 3) != play(replace(scene, seed=2), 3)


def mean(measure: Callable[[int], float | None]) -> float:
    values = [value for number in range(400) if (value := measure(number)) is not None]
    return sum(values) / len(values)


def test_a_compensating_device_under_a_warm_rail_reads_as_long_as_layered_air_makes_it() -> None:
    """Held to the integral through the air (ISO 9613-1): +5 over -10 degrees lengthens 800 mm by 11.1 mm."""
    scene = Scene(below_mm=(800,), rail_c=5.0, floor_c=-10.0)

    said = mean(lambda seed: play(replace(scene, seed=seed), 0).distances_mm[0])  # type: ignore[union-attr]
    assert said == pytest.approx(800 * (1 + layered_error(5.0, -10.0)), abs=1.0)
    assert said == pytest.approx(811.1, abs=1.0)


def test_echoes_are_lost_as_often_as_it_is_said_and_the_rail_cools() -> None:
    scene = Scene(below_mm=(800,))

    lost = mean(lambda seed: float(play(replace(scene, seed=seed), 0).distances_mm[0] is None))  # type: ignore[union-attr]
    assert lost == pytest.approx(LOST_SHARE, abs=0.02)
    assert rail_at(scene, 0) == 8.0 > rail_at(scene, 12) > rail_at(scene, 60) > -10.0


def test_a_scene_that_cannot_be_is_refused() -> None:
    with refused(Code.VALUE_INVALID, "ports"):
        Scene(below_mm=(800, 700), ports=(1, 1))
    with refused(Code.VALUE_INVALID, "sensor"):
        Scene(below_mm=(800, 700), sensor=3)
    with refused(Code.VALUE_INVALID, "fault"):
        Scene(below_mm=(800,), fault=Fault.SWAPPED)
