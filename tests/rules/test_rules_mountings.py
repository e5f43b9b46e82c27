"""How a device is mounted. All of it is common practice, no source."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from registry.rules.cabinets import DoorKind, Refrigeration
from registry.rules.errors import RuleBroken
from registry.rules.mountings import (
    FACTS,
    FIELDS,
    PRACTICE_DEFAULTS,
    Bounds,
    Mounted,
    MountedIn,
    PracticeValue,
    Severity,
    check_mounted,
    clean_bounds,
    find,
)
from registry.rules.particulars import clean_particulars

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
FAN = MountedIn(Refrigeration.FAN_COIL, DoorKind.SOLID)
COLD_WALL = MountedIn(Refrigeration.COLD_WALL, DoorKind.SOLID)
UNREAD = MountedIn(Refrigeration.UNKNOWN, DoorKind.UNKNOWN)
GOOD = Mounted(
    rail_parallel=True,
    rail_centred=True,
    rail_behind_front_mm=127,
    near_evaporator=True,
    headroom_cleared_mm=356,
    cable_exit="drilled_back",
    exit_below_ceiling_mm=25,
    hole_mm=29,
    sealed_inside=True,
    sealed_outside=True,
    cable_clear=True,
    outdoor_wrapped="not_applicable",
    tools_out=14,
    tools_back=14,
    blanket_back=True,
    serial_taken_at=NOON,
    cover_closed_at=NOON + MINUTE,
)


def found(**changes: Any) -> list[tuple[str, str]]:
    return [(f.code, str(f.severity)) for f in find(replace(GOOD, **changes), PRACTICE_DEFAULTS)]


def refusal(mounted: Mounted, kind: MountedIn = FAN) -> tuple[str, str | None]:
    with pytest.raises(RuleBroken) as caught:
        check_mounted(mounted, kind)
    assert caught.value.message.endswith(".")
    return str(caught.value.code), caught.value.field


def test_a_mounting_by_practice_is_accepted_and_nothing_is_found() -> None:
    check_mounted(GOOD, FAN)
    assert found() == []


def test_of_what_nobody_looked_at_nothing_is_found() -> None:
    check_mounted(Mounted(), UNREAD)
    assert find(Mounted(), PRACTICE_DEFAULTS) == []


def test_the_serial_is_taken_before_the_cover_is_closed() -> None:
    check_mounted(replace(GOOD, cover_closed_at=NOON), FAN)
    check_mounted(replace(GOOD, cover_closed_at=None), FAN)
    late = ("serial_after_cover", "cover_closed_at")
    assert refusal(replace(GOOD, cover_closed_at=NOON - MINUTE)) == late
    assert refusal(replace(GOOD, serial_taken_at=None)) == late


@pytest.mark.parametrize("kind", [COLD_WALL, UNREAD])
@pytest.mark.parametrize("way", ["drilled_back", "drilled_side", "drilled_top"])
def test_nobody_drills_where_tubes_may_lie_in_the_wall(kind: MountedIn, way: str) -> None:
    drilled = replace(GOOD, cable_exit=way, used_instead="a small drill")
    check_mounted(drilled, FAN)
    assert refusal(drilled, kind) == ("drilling_forbidden", "cable_exit")


@pytest.mark.parametrize("kind", [COLD_WALL, UNREAD])
def test_where_nobody_drills_it_is_said_what_was_used_instead(kind: MountedIn) -> None:
    by_seal = replace(GOOD, cable_exit="door_seal", hole_mm=None)
    check_mounted(by_seal, FAN)
    assert refusal(by_seal, kind) == ("instead_missing", "used_instead")
    check_mounted(replace(by_seal, used_instead="magnets"), kind)


def test_a_cable_that_goes_through_no_hole_has_no_measures_of_one() -> None:
    assert refusal(replace(GOOD, cable_exit="door_seal")) == ("value_invalid", "hole_mm")
    assert refusal(replace(GOOD, cable_exit="none", hole_mm=None)) == (
        "value_invalid",
        "exit_below_ceiling_mm",
    )
    check_mounted(replace(GOOD, cable_exit="existing_hole"), FAN)


@pytest.mark.parametrize(
    ("name", "kept", "left"),
    [
        ("rail_behind_front", (102, 127, 152), (101, 153)),
        ("headroom_cleared", (305, 406, 900), (304,)),
        ("exit_below_ceiling", (13, 25, 38), (12, 39)),
        ("hole", (26, 29, 32), (25, 33)),
    ],
)
def test_a_measure_out_of_practice_is_noted(name: str, kept: tuple[int, ...], left: tuple[int, ...]) -> None:
    for measure in kept:
        assert found(**{f"{name}_mm": measure}) == []
    for measure in left:
        assert found(**{f"{name}_mm": measure}) == [(f"{name}_out_of_practice", "note")]


def test_what_practice_is_is_the_companys_own() -> None:
    own = {**PRACTICE_DEFAULTS, PracticeValue.HOLE: Bounds(None, 20)}
    [finding] = find(GOOD, own)
    assert finding.code == "hole_out_of_practice"
    assert finding.words == "The hole is 29 mm wide; practice is at most 20 mm."
    assert finding.next_step == "See that its sealant fills it, or say why not."


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"rail_parallel": False}, ("not_rail_parallel", "note")),
        ({"rail_centred": False}, ("not_rail_centred", "note")),
        ({"near_evaporator": False}, ("not_near_evaporator", "note")),
        ({"cable_clear": False}, ("not_cable_clear", "fail")),
        ({"blanket_back": False}, ("not_blanket_back", "fail")),
        ({"outdoor_wrapped": "no"}, ("not_outdoor_wrapped", "fail")),
        ({"cable_exit": "drilled_side"}, ("exit_not_back", "note")),
        ({"cable_exit": "drilled_top"}, ("exit_not_back", "note")),
        ({"sealed_inside": False}, ("hole_unsealed_inside", "fail")),
        ({"sealed_outside": None}, ("hole_unsealed_outside", "fail")),
        ({"tools_back": None}, ("tools_not_counted", "fail")),
        ({"tools_out": None}, ("tools_not_counted", "fail")),
        ({"tools_back": 13}, ("tools_missing", "fail")),
        ({"tools_back": 15}, ("tools_missing", "fail")),
    ],
)
def test_each_fault_is_found_by_its_own_finding(changes: dict[str, Any], expected: tuple[str, str]) -> None:
    assert found(**changes) == [expected]
    [finding] = find(replace(GOOD, **changes), PRACTICE_DEFAULTS)
    assert finding.words.endswith(".")
    assert finding.next_step.endswith(".")
    assert finding.severity in Severity


def test_a_cable_by_the_door_seal_needs_no_sealant() -> None:
    by_seal = {"cable_exit": "door_seal", "hole_mm": None, "sealed_inside": None, "sealed_outside": None}
    assert found(**by_seal) == []
    assert found(cable_exit="existing_hole", sealed_inside=None) == [("hole_unsealed_inside", "fail")]


def test_every_fact_has_its_cleaner() -> None:
    assert set(FIELDS) == set(FACTS)
    assert clean_particulars({"cable_exit": "", "hole_mm": None}, FIELDS) == {
        "cable_exit": "",
        "hole_mm": None,
    }
    wrong: list[dict[str, object]] = [
        {"hole_mm": 0},
        {"hole_mm": 201},
        {"rail_behind_front_mm": -1},
        {"headroom_cleared_mm": 5_001},
        {"tools_out": 501},
        {"tools_back": True},
        {"cable_exit": "chimney"},
        {"outdoor_wrapped": "maybe"},
        {"rail_parallel": 1},
        {"serial_taken_at": "noon"},
        {"colour": "blue"},
    ]
    for given in wrong:
        with pytest.raises(RuleBroken, match="value_invalid"):
            clean_particulars(given, FIELDS)


def test_bounds_of_practice_are_the_right_way_round() -> None:
    assert clean_bounds(20, 20) == Bounds(20, 20)
    assert clean_bounds(None, 20).words == "at most 20 mm"
    assert clean_bounds(20, None).words == "at least 20 mm"
    assert clean_bounds(20, 30).words == "20 to 30 mm"
    for least, most, field in ((21, 20, "most_mm"), (None, None, "least_mm"), (-1, 20, "least_mm")):
        with pytest.raises(RuleBroken) as caught:
            clean_bounds(least, most)
        assert (caught.value.code, caught.value.field) == ("value_invalid", field)
