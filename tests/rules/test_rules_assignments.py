"""Assignments: each refusal beside the case that is accepted."""

from dataclasses import replace
from typing import Any

import pytest
from rule_checks import refused

from registry.rules.assignments import (
    Candidate,
    Installation,
    check_assignment,
    check_fit,
    check_installation,
)
from registry.rules.errors import Code
from registry.rules.whereabouts import CabinetPlace, DevicePlace, DeviceStanding

# A confirmed device with three sensors in a depot, and a cabinet for three that stands in a store.
CANDIDATE = Candidate(
    standing=DeviceStanding.CONFIRMED,
    device_place=DevicePlace.DEPOT,
    device_cabinet_label="",
    sensor_count=3,
    cabinet_place=CabinetPlace.LOCATION,
    cabinet_sensor_count=3,
)
INSTALLATION = Installation(sensor_order=(2, 1, 3))


@pytest.mark.parametrize(
    "known",
    [
        {},
        {"standing": DeviceStanding.PROVISIONAL},
        {"device_place": DevicePlace.VAN},
        {"sensor_count": 3, "cabinet_sensor_count": 3},
    ],
    ids=str,
)
def test_a_device_in_hand_may_hang_in_a_cabinet_of_its_size(known: dict[str, Any]) -> None:
    check_assignment(replace(CANDIDATE, **known), INSTALLATION)
    check_fit(replace(CANDIDATE, **known), INSTALLATION)


@pytest.mark.parametrize(
    ("known", "code", "details"),
    [
        ({"standing": DeviceStanding.MERGED}, Code.DEVICE_NOT_AVAILABLE, {"standing": "merged"}),
        ({"standing": DeviceStanding.REJECTED}, Code.DEVICE_NOT_AVAILABLE, {"standing": "rejected"}),
        ({"device_place": DevicePlace.MAKER}, Code.DEVICE_NOT_AVAILABLE, {"place": "maker"}),
        ({"device_place": DevicePlace.LOST}, Code.DEVICE_NOT_AVAILABLE, {"place": "lost"}),
        ({"device_place": DevicePlace.RETIRED}, Code.DEVICE_NOT_AVAILABLE, {"place": "retired"}),
        (
            {"device_place": DevicePlace.CABINET, "device_cabinet_label": "SK-7"},
            Code.DEVICE_ELSEWHERE,
            {"cabinet": "SK-7"},
        ),
        ({"device_place": DevicePlace.VAN, "van_is_anothers": True}, Code.DEVICE_ELSEWHERE, {}),
    ],
    ids=str,
)
def test_a_device_that_is_not_in_hand_is_refused(
    known: dict[str, Any], code: Code, details: dict[str, object]
) -> None:
    candidate = replace(CANDIDATE, **known)
    check_assignment(CANDIDATE, INSTALLATION)
    with refused(code, "device") as caught:
        check_assignment(candidate, INSTALLATION)
    assert caught.value.details == details
    if "device_cabinet_label" in known:
        assert "SK-7" in caught.value.message
    # The fit alone does not ask where the device comes from.
    check_fit(candidate, INSTALLATION)


@pytest.mark.parametrize("check", [check_assignment, check_fit])
@pytest.mark.parametrize(
    ("known", "code", "field", "told"),
    [
        ({"cabinet_place": CabinetPlace.DEPOT}, Code.CABINET_NOT_AVAILABLE, "cabinet", "in a depot"),
        ({"cabinet_place": CabinetPlace.SCRAPPED}, Code.CABINET_NOT_AVAILABLE, "cabinet", "scrapped"),
        ({"sensor_count": 2}, Code.SENSOR_COUNT_MISMATCH, "device", "2 sensors"),
        ({"cabinet_sensor_count": 4}, Code.SENSOR_COUNT_MISMATCH, "device", "takes 4"),
        ({"slot_holder_label": "RB-9"}, Code.SLOT_TAKEN, "slot", "RB-9"),
    ],
    ids=str,
)
def test_a_cabinet_that_does_not_suit_is_refused(
    check: Any, known: dict[str, Any], code: Code, field: str, told: str
) -> None:
    check(CANDIDATE, INSTALLATION)
    with refused(code, field) as caught:
        check(replace(CANDIDATE, **known), INSTALLATION)
    assert told in caught.value.message
    assert caught.value.details == ({"device": "RB-9"} if "slot_holder_label" in known else {})


@pytest.mark.parametrize(
    "stated",
    [
        {"slot": 1},
        {"slot": 4, "slot_reason": "two compartments"},
        {"sensor_order": (1, 2, 3)},
        {"rail_below_ceiling_mm": 0, "offset_from_front_mm": 0},
        {"rail_below_ceiling_mm": 1_000, "offset_from_front_mm": 2_000},
        {"rail_below_ceiling_mm": None, "offset_from_front_mm": None},
    ],
    ids=str,
)
def test_an_installation_within_its_bounds_is_taken(stated: dict[str, Any]) -> None:
    check_installation(replace(INSTALLATION, **stated), 3)
    check_assignment(CANDIDATE, replace(INSTALLATION, **stated))


# Four slots, rails at most a metre down and two metres back: common practice, no source.
@pytest.mark.parametrize(
    ("stated", "code", "field"),
    [
        ({"slot": 0}, Code.VALUE_INVALID, "slot"),
        ({"slot": -1, "slot_reason": "why not"}, Code.VALUE_INVALID, "slot"),
        ({"slot": 5, "slot_reason": "why not"}, Code.VALUE_INVALID, "slot"),
        ({"slot": 2}, Code.SLOT_NEEDS_REASON, "slot_reason"),
        ({"sensor_order": ()}, Code.VALUE_INVALID, "sensor_order"),
        ({"sensor_order": (1, 2)}, Code.VALUE_INVALID, "sensor_order"),
        ({"sensor_order": (1, 2, 2)}, Code.VALUE_INVALID, "sensor_order"),
        ({"sensor_order": (0, 1, 2)}, Code.VALUE_INVALID, "sensor_order"),
        ({"sensor_order": (1, 2, 3, 4)}, Code.VALUE_INVALID, "sensor_order"),
        ({"sensor_order": (1, 2, 3, 3)}, Code.VALUE_INVALID, "sensor_order"),
        ({"rail_below_ceiling_mm": -1}, Code.VALUE_INVALID, "rail_below_ceiling_mm"),
        ({"rail_below_ceiling_mm": 1_001}, Code.VALUE_INVALID, "rail_below_ceiling_mm"),
        ({"offset_from_front_mm": -1}, Code.VALUE_INVALID, "offset_from_front_mm"),
        ({"offset_from_front_mm": 2_001}, Code.VALUE_INVALID, "offset_from_front_mm"),
    ],
    ids=str,
)
def test_an_installation_that_cannot_be_is_refused(stated: dict[str, Any], code: Code, field: str) -> None:
    check_installation(INSTALLATION, 3)
    with refused(code, field):
        check_installation(replace(INSTALLATION, **stated), 3)
    with refused(code, field):
        check_assignment(CANDIDATE, replace(INSTALLATION, **stated))
    with refused(code, field):
        check_fit(CANDIDATE, replace(INSTALLATION, **stated))


def test_a_device_of_one_sensor_has_an_order_too() -> None:
    check_installation(Installation(sensor_order=(1,)), 1)
    with refused(Code.VALUE_INVALID, "sensor_order"):
        check_installation(Installation(sensor_order=(2,)), 1)
