"""Whereabouts: the full table of moves, written out a second time."""

from itertools import product

import pytest
from rule_checks import refused

from registry.rules.errors import Code
from registry.rules.whereabouts import (
    IN_HAND,
    CabinetPlace,
    DevicePlace,
    DeviceStanding,
    EndReason,
    check_cabinet_move,
    check_device_move,
    check_standing,
)

# From the row to the column; common practice of a fleet, no source.
MOVES = """
          depot  van  cabinet  maker  lost  retired
depot     yes    yes  yes      yes    yes   yes
van       yes    yes  yes      yes    yes   yes
cabinet   yes    yes  yes      yes    yes   yes
maker     yes    yes  no       no     yes   yes
lost      yes    yes  no       no     no    yes
retired   no     no   no       no     no    no
"""
HEADER, *ROWS = (line.split() for line in MOVES.strip().splitlines())
TABLE = {
    (DevicePlace(row[0]), DevicePlace(name)): answer == "yes"
    for row in ROWS
    for name, answer in zip(HEADER, row[1:], strict=True)
}
SOUND = [DeviceStanding.CONFIRMED, DeviceStanding.PROVISIONAL]


def test_the_table_names_every_move() -> None:
    assert set(TABLE) == set(product(DevicePlace, DevicePlace))


@pytest.mark.parametrize("standing", SOUND)
@pytest.mark.parametrize(("present", "next_place"), TABLE, ids=str)
def test_a_device_moves_as_the_table_says(
    standing: DeviceStanding, present: DevicePlace, next_place: DevicePlace
) -> None:
    if TABLE[present, next_place]:
        check_device_move(standing, present, next_place)
    else:
        with refused(Code.DEVICE_NOT_AVAILABLE, "device") as caught:
            check_device_move(standing, present, next_place)
        assert caught.value.details == {"place": present.value}


@pytest.mark.parametrize("standing", [DeviceStanding.MERGED, DeviceStanding.REJECTED])
def test_a_merged_or_rejected_device_stands_for_none(standing: DeviceStanding) -> None:
    for sound in SOUND:
        check_standing(sound)
    with refused(Code.DEVICE_NOT_AVAILABLE, "device") as caught:
        check_standing(standing)
    assert caught.value.details == {"standing": standing.value}
    with refused(Code.DEVICE_NOT_AVAILABLE, "device") as caught:
        check_device_move(standing, DevicePlace.DEPOT, DevicePlace.VAN)
    assert caught.value.details == {"standing": standing.value}


def test_a_scrapped_cabinet_goes_nowhere() -> None:
    check_cabinet_move(CabinetPlace.DEPOT)
    check_cabinet_move(CabinetPlace.LOCATION)
    with refused(Code.CABINET_NOT_AVAILABLE, "cabinet"):
        check_cabinet_move(CabinetPlace.SCRAPPED)


def test_a_device_is_in_hand_in_a_depot_or_a_van() -> None:
    assert {DevicePlace.DEPOT, DevicePlace.VAN} == IN_HAND


def test_words_that_rows_hold_are_not_renamed() -> None:
    assert [place.value for place in DevicePlace] == HEADER
    assert [place.value for place in CabinetPlace] == ["location", "depot", "scrapped"]
    assert {standing.value for standing in DeviceStanding} == {
        "confirmed",
        "provisional",
        "merged",
        "rejected",
    }
    assert {reason.value for reason in EndReason} == {"fault", "swap", "moved", "closed", "other"}
