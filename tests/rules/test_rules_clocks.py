"""The clock of who asks: how far it is out, and when two clocks are one."""

from datetime import UTC, datetime, timedelta

import pytest

from registry.rules.errors import RuleBroken
from registry.rules.requests import CLOCK_NOISE, clock_offset_s

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


@pytest.mark.parametrize(
    ("ahead", "added"),
    [
        (timedelta(minutes=20), -1200),  # a clock that is fast states what has not come yet
        (timedelta(minutes=-20), 1200),
        (timedelta(days=365), -31_536_000),
        (CLOCK_NOISE, -10),
        (CLOCK_NOISE - timedelta(microseconds=1), 0),
        (-CLOCK_NOISE + timedelta(microseconds=1), 0),
        (timedelta(0), 0),
        (timedelta(seconds=61, milliseconds=400), -61),
    ],
)
def test_stated_times_are_moved_by_how_far_the_clock_is_out(ahead: timedelta, added: int) -> None:
    assert clock_offset_s(NOW, NOW + ahead) == added


def test_a_clock_without_a_date_is_put_right_and_one_of_another_century_refused() -> None:
    assert clock_offset_s(NOW, datetime(1970, 1, 1, tzinfo=UTC)) > 0
    with pytest.raises(RuleBroken, match="Set the phone's date"):
        clock_offset_s(NOW, datetime(1900, 1, 1, tzinfo=UTC))
