"""How a device was mounted: recorded once for an assignment, corrected, and held against practice."""

import pytest

from registry.actions import assignments, cabinets, mountings, periods
from registry.models import DeviceWhereabouts, Mounting, MountingPractice
from registry.models.base import new_key
from registry.queries.moments import present
from registry.queries.mountings import mounting_found, practice
from registry.rules.mountings import PRACTICE_DEFAULTS, Bounds, PracticeValue
from registry.rules.roles import Scope
from tests.actions.unchanged import entry_of, refused
from tests.factories.evidence import facts, mounted
from tests.factories.world import DAY, HOUR, World


@pytest.fixture
def assignment(world: World) -> DeviceWhereabouts:
    return world.assigned(world.device(), world.cabinet())


def found(mounting: Mounting) -> list[str]:
    everything = mounting_found(mounting.pk, present(), Scope.of_all())
    return [finding.code for finding in everything.findings]


def test_a_mounting_names_its_device_cabinet_and_store_and_happened_when_the_cover_was_closed(
    world: World, assignment: DeviceWhereabouts
) -> None:
    key = new_key()
    entry, _ = entry_of(
        lambda: mountings.record_mounting(
            world.installer, assignment_id=assignment.period, facts=facts(world), id=key
        )
    )

    mounting = Mounting.objects.get(pk=key)
    assert (mounting.device, mounting.cabinet) == (assignment.device, assignment.cabinet)
    assert mounting.location == world.location
    assert entry.occurred_at == world.start + 2 * DAY + 2 * HOUR
    assert found(mounting) == []


def test_an_assignment_has_one_mounting(world: World, assignment: DeviceWhereabouts) -> None:
    mounted(world, assignment.period)
    with refused("code_taken", "assignment"):
        mounted(world, assignment.period)


def test_an_ended_assignment_can_be_told_of_afterwards_and_a_withdrawn_one_cannot(
    world: World, assignment: DeviceWhereabouts
) -> None:
    other = world.assigned(world.device(), world.cabinet())
    periods.withdraw_period(
        world.office, history="devicewhereabouts", period_id=other.period, reason="never hung"
    )
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=world.start + 9 * DAY,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )

    assert mounted(world, assignment.period).device == assignment.device
    for key in (other.period, new_key()):
        with refused("not_found", "assignment"):
            mounted(world, key)


def test_the_rules_are_asked_when_it_is_recorded_and_when_it_is_corrected(
    world: World, assignment: DeviceWhereabouts
) -> None:
    early = world.start + 2 * DAY
    for changes, code, field in (
        ({"cover_closed_at": early}, "serial_after_cover", "cover_closed_at"),
        ({"cable_exit": "drilled_back"}, "drilling_forbidden", "cable_exit"),
        ({"used_instead": ""}, "instead_missing", "used_instead"),
        ({"cover_closed_at": world.clock.at + DAY}, "time_in_future", "cover_closed_at"),
        ({"serial_taken_at": early.replace(tzinfo=None)}, "time_invalid", "serial_taken_at"),
        ({"tools_out": -1}, "value_invalid", "tools_out"),
    ):
        with refused(code, field):
            mounted(world, assignment.period, **changes)

    mounting = mounted(world, assignment.period)
    for changes, code, field in (
        ({"serial_taken_at": None}, "serial_after_cover", "cover_closed_at"),
        ({"cable_exit": "drilled_top"}, "drilling_forbidden", "cable_exit"),
    ):
        with refused(code, field):
            mountings.correct_mounting(world.office, mounting_id=mounting.pk, facts=changes)


def test_drilling_is_told_once_the_cabinet_is_known_to_allow_it(
    world: World, assignment: DeviceWhereabouts
) -> None:
    cabinets.correct_cabinet_model(
        world.office, cabinet_model_id=world.cove.pk, particulars={"refrigeration": "fan_coil"}
    )
    mounting = mounted(world, assignment.period, cable_exit="drilled_back", used_instead="")
    assert found(mounting) == ["hole_unsealed_inside", "hole_unsealed_outside"]

    mountings.correct_mounting(
        world.installer, mounting_id=mounting.pk, facts={"sealed_inside": True, "sealed_outside": True}
    )
    assert found(mounting) == []
    with refused("nothing_changes"):
        mountings.correct_mounting(world.office, mounting_id=mounting.pk, facts={"sealed_inside": True})


def test_practice_is_the_default_until_the_office_sets_its_own(
    world: World, assignment: DeviceWhereabouts
) -> None:
    mounting = mounted(world, assignment.period)
    assert practice() == PRACTICE_DEFAULTS
    with refused("nothing_changes", "least_mm"):
        mountings.set_mounting_practice(world.office, value="rail_behind_front", least_mm=102, most_mm=152)

    mountings.set_mounting_practice(world.office, value="rail_behind_front", least_mm=None, most_mm=100)

    assert practice()[PracticeValue.RAIL_BEHIND_FRONT] == Bounds(None, 100)
    assert found(mounting) == ["rail_behind_front_out_of_practice"]
    mountings.set_mounting_practice(world.office, value="rail_behind_front", least_mm=102, most_mm=152)
    assert MountingPractice.objects.count() == 1
    assert found(mounting) == []
    for value, least, most, field in (("colour", 1, 2, "value"), ("hole", 3, 2, "most_mm")):
        with refused("value_invalid", field):
            mountings.set_mounting_practice(world.office, value=value, least_mm=least, most_mm=most)
