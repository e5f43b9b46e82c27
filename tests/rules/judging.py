"""Installations to judge: plain ones, and such as the simulation plays them."""

import random
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from registry.rules.acceptance import Evidence, Facts, Heard, Judgement, judge
from registry.rules.devices import Compensation, Principle
from registry.rules.simulation import Fault, Scene, play

HUNG = datetime(2026, 3, 2, 9, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
FACTS = Facts(
    serial="PB3000017",
    since=HUNG,
    sensor_order=(1, 2, 3),
    principle=Principle.ULTRASONIC,
    compensates=Compensation.YES,
    blind_zone_mm=150,
    range_mm=2_000,
    report_interval_min=15,
    interior_height_mm=1_250,
    rail_below_ceiling_mm=30,
)


def heard(number: int, distances: Sequence[int | None], **changes: Any) -> Heard:
    """Return report `number` of a device that was hung at HUNG, ten minutes after the one before."""
    measured = HUNG + (2 + 10 * number) * MINUTE
    temperatures = changes.pop("temperatures_c", ("-10.0",))
    report = Heard(measured, measured + 2 * timedelta(seconds=1), tuple(distances), temperatures, 3_600, -80)
    return replace(report, **changes)


def evidence(
    distances: Iterable[Sequence[int | None]],
    tape: Sequence[int | None] | None = None,
    *,
    air: str | None = "-10.0",
    now: datetime | None = None,
    **facts: Any,
) -> Evidence:
    """Return what is known after reports of these distances, each as plain as can be."""
    temperatures = () if air is None else (air,)
    reports = tuple(heard(n, row, temperatures_c=temperatures) for n, row in enumerate(distances))
    newest = reports[-1].measured_at if reports else HUNG
    return Evidence(
        replace(FACTS, **facts), now or newest + MINUTE, reports, None if tape is None else tuple(tape)
    )


def codes(judgement: Judgement) -> list[str]:
    return sorted({str(finding.code) for finding in judgement.findings})


def judged(known: Evidence) -> list[str]:
    """Return the codes of what is found, each once."""
    return codes(judge(known))


def drawn_scene(seed: int, fault: Fault, *, coldest: float = -8.0, warmest: float = 15.0) -> Scene:
    """Return a cabinet drawn from a seed; whichever cables are swapped lie over distances that differ."""
    draw = random.Random(seed)
    count = draw.randint(2, 6)
    sensor = draw.randint(1, count)
    below = [draw.randint(200, 1_150) for _ in range(count)]
    beside = sensor if sensor < count else sensor - 2
    while fault is Fault.SWAPPED and abs(below[sensor - 1] - below[beside]) < 100:
        below[beside] = draw.randint(200, 1_150)
    return Scene(
        below_mm=tuple(below),
        ports=tuple(draw.sample(range(1, count + 1), count)),
        rail_c=draw.uniform(coldest, warmest),
        floor_c=draw.uniform(-15.0, -7.0),
        interval_min=draw.choice([5, 15, 30]),
        fault=fault,
        sensor=sensor,
        seed=seed,
    )


def watched(scene: Scene, reports: int, compensates: Compensation) -> Evidence:
    """Return what is known when a scene was played and the tape was right within 3 mm."""
    draw = random.Random(scene.seed)
    came: list[Heard] = []
    for number in range(reports):
        played = play(scene, number)
        if played is not None:
            sent = HUNG + (2 + number * scene.interval_min) * MINUTE
            measured = sent - played.age_min * MINUTE
            came.append(
                Heard(
                    measured, sent + timedelta(seconds=3), played.distances_mm, played.temperatures_c,
                    played.supply_mv, played.signal_dbm, played.firmware,
                )
            )  # fmt: skip
    facts = replace(
        FACTS,
        sensor_order=scene.ports,
        principle=scene.principle,
        compensates=compensates,
        report_interval_min=scene.interval_min,
    )
    return Evidence(
        facts,
        HUNG + (3 + (reports - 1) * scene.interval_min) * MINUTE,
        tuple(report for report in came if report.measured_at >= HUNG),
        tuple(below + draw.randint(-3, 3) for below in scene.below_mm),
        tuple(report for report in came if report.measured_at < HUNG),
    )
