"""A device swapped out and back again: its time away is one boundary for both devices, at both ends."""

import pytest

from registry.actions import assignments, periods
from registry.models import Device, DeviceWhereabouts
from tests.factories.world import DAY, HOUR, World


def bounds(world: World, device: Device) -> list[tuple[str, float, float | None]]:
    """Return where a device was, in hours since the start."""
    places = DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from")
    return [
        (
            place.place,
            (place.valid_from - world.start) / HOUR,
            place.valid_to and (place.valid_to - world.start) / HOUR,
        )
        for place in places
    ]


@pytest.mark.parametrize("later", [1, -1])
@pytest.mark.parametrize("until", [1, -1])
def test_correcting_the_time_between_two_swaps_moves_the_other_device_at_both_ends(
    world: World, later: int, until: int
) -> None:
    first, second, cabinet = world.device(), world.device(), world.cabinet()
    hang = world.assigned(first, cabinet, world.start + 2 * DAY)
    for device, day in ((second, 4), (first, 6)):
        hang = assignments.swap_device(
            world.office,
            assignment_id=hang.period,
            device_id=device.pk,
            valid_from=world.start + day * DAY,
            depot_id=world.tarnmouth.pk,
        )
    away = DeviceWhereabouts.objects.current().get(device=first, valid_from=world.start + 4 * DAY)

    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=away.period,
        reason="the days were told apart wrongly",
        valid_from=away.valid_from + later * HOUR,
        valid_to=away.valid_to + until * HOUR,
    )

    out, back = 96 + later, 144 + until
    assert bounds(world, first) == [
        ("depot", 24, 48),
        ("cabinet", 48, out),
        ("depot", out, back),
        ("cabinet", back, None),
    ]
    assert bounds(world, second) == [("depot", 24, out), ("cabinet", out, back), ("depot", back, None)]
