"""Values that rules take: nobody changes one after it was checked."""

from dataclasses import FrozenInstanceError, fields
from datetime import UTC, datetime
from uuid import UUID

import pytest

from registry.rules.assignments import Candidate, Installation
from registry.rules.periods import Change, Period, Stretch
from registry.rules.roles import Role, Scope
from registry.rules.splits import Share
from registry.rules.whereabouts import CabinetPlace, DevicePlace, DeviceStanding

PERIOD = Period(datetime(2026, 5, 1, tzinfo=UTC))
VALUES = [
    PERIOD,
    Stretch(UUID(int=1), PERIOD),
    Change(UUID(int=1), PERIOD, None),
    Share(UUID(int=1), 10_000),
    Scope(Role.OFFICE),
    Installation(),
    Candidate(DeviceStanding.CONFIRMED, DevicePlace.VAN, "", 3, CabinetPlace.LOCATION, 3),
]


@pytest.mark.parametrize("value", VALUES, ids=lambda value: type(value).__name__)
def test_a_value_stays_as_it_was_checked(value: object) -> None:
    for field in fields(value):
        with pytest.raises(FrozenInstanceError):
            setattr(value, field.name, getattr(value, field.name))
    assert len({value, value}) == 1
