"""The main job, through the actions."""

from registry.actions import assignments
from registry.models import DeviceWhereabouts, Entry
from tests.factories.world import DAY, World


def test_a_device_is_assigned_to_a_cabinet(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()

    assignment = assignments.assign_device(
        world.installer, serial=device.serial, cabinet_id=cabinet.pk, valid_from=world.start + 3 * DAY
    )

    [before, now] = DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from")
    assert (before.place, before.valid_to) == ("depot", world.start + 3 * DAY)
    assert (now.place, now.cabinet, now.period) == ("cabinet", cabinet, assignment.period)
    assert Entry.objects.latest("index").verb == "device.assigned"
