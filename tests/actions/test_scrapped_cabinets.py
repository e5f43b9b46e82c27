"""No device hangs in a cabinet that was scrapped, whichever of the two histories is corrected."""

import pytest

from registry.actions import cabinets, periods
from registry.models import CabinetWhereabouts, DeviceWhereabouts
from registry.models.base import PeriodVersion
from registry.rules.errors import Code, RuleBroken
from tests.factories.world import DAY, World


def scrapped_at_noon(world: World) -> tuple[PeriodVersion, PeriodVersion]:
    """Scrap a cabinet with a device in it; return the scrapping, and where the device went."""
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    stay = cabinets.scrap_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=world.start + 6 * DAY)
    [custody] = DeviceWhereabouts.objects.current().filter(device=device, valid_to=None)
    return stay, custody


def a_day_earlier(world: World, history: str, period: PeriodVersion) -> PeriodVersion:
    return periods.correct_period(
        world.office,
        history=history,
        period_id=period.period,
        valid_from=world.start + 5 * DAY,
        reason="The truck came the day before.",
    )


def test_a_scrapping_is_not_moved_before_the_device_came_out(world: World) -> None:
    stay, custody = scrapped_at_noon(world)

    with pytest.raises(RuleBroken) as refused:
        a_day_earlier(world, "cabinetwhereabouts", stay)
    assert refused.value.code is Code.CABINET_NOT_AVAILABLE

    a_day_earlier(world, "devicewhereabouts", custody)
    a_day_earlier(world, "cabinetwhereabouts", stay)
    assert CabinetWhereabouts.objects.current().get(period=stay.period).valid_from == world.start + 5 * DAY


def test_a_device_is_not_left_hanging_after_the_scrapping(world: World) -> None:
    _, custody = scrapped_at_noon(world)

    with pytest.raises(RuleBroken) as refused:
        periods.correct_period(
            world.office,
            history="devicewhereabouts",
            period_id=custody.period,
            valid_from=world.start + 7 * DAY,
            reason="It came out later.",
        )
    assert refused.value.code is Code.CABINET_NOT_AVAILABLE
