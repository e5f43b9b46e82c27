"""Devices that are played against the register of a test."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any
from uuid import UUID

from registry.actions import acceptance, assignments, devices
from registry.actions._action import Actor
from registry.actions.readings import take_readings
from registry.actions.tokens import issue_device_token
from registry.models import AcceptanceCheck, Cabinet, DeviceModel, DeviceToken, DeviceWhereabouts
from registry.rules.assignments import Installation
from registry.rules.simulation import Fault, Scene, play
from tests.factories.world import World

MINUTE = timedelta(minutes=1)
BELOW = (420, 900, 760)  # in mm: a board under the left-most sensor, so that swapped cables show
COLD = {"rail_c": -9.0, "floor_c": -11.0}


def hung(world: World, cabinet: Cabinet | None = None, **installation: Any) -> DeviceWhereabouts:
    """Hang a fresh device in a cabinet two hours ago and return its assignment."""
    device = world.device()
    return assignments.assign_device(
        world.office,
        device_id=device.pk,
        cabinet_id=(cabinet or world.cabinet()).pk,
        valid_from=world.clock.at - 120 * MINUTE,
        installation=Installation(**installation),
    )


def gateway(world: World) -> DeviceToken:
    """Return a gateway's token."""
    token, _ = issue_device_token(world.administrator, name=world.code("Gateway"))
    return token


def report(
    world: World, serial: str, fault: Fault = Fault.NONE, reports: int = 8, **scene: Any
) -> list[tuple[int | None, ...]]:
    """Let a device report every ten minutes until now; return what it said, by port."""
    played = Scene(**{"below_mm": BELOW, "interval_min": 10, "seed": 5, **COLD, **scene}, fault=fault)
    rows, said = [], []
    for number in range(reports):
        one = play(played, number)
        if one is not None:
            at = world.clock.at - ((reports - 1 - number) * 10 + 1 + one.age_min) * MINUTE
            rows.append(one.row(serial, at.isoformat()))
            said.append(one.distances_mm)
    if rows:
        taken = take_readings(gateway(world), rows, seal=False)
        assert [one.code for one in taken if one.code] == []
    return said


def checked(
    world: World,
    assignment: DeviceWhereabouts,
    actor: Actor | None = None,
    tape_mm: Sequence[int | None] = BELOW,
    **more: Any,
) -> AcceptanceCheck:
    """Check an assignment with the tape's figures."""
    return acceptance.check_installation(
        actor or world.installer, assignment_id=assignment.period, tape_mm=tape_mm, **more
    )


def passed(world: World, **more: Any) -> AcceptanceCheck:
    """Hang a device, let it report, and check it: it passes."""
    assignment = hung(world)
    report(world, assignment.device.serial)
    return checked(world, assignment, **more)


def check_that_passed(world: World, assignment_id: UUID) -> UUID:
    """Return the key of a check of an assignment that can be signed off; where there is none, the key."""
    hanging = DeviceWhereabouts.objects.current().filter(period=assignment_id).first()
    if hanging is None:
        return assignment_id
    found = AcceptanceCheck.objects.filter(assignment=assignment_id, result="pass").first()
    if found is None:
        report(world, hanging.device.serial)
        found = checked(world, hanging, world.administrator)
    return found.pk


def mark_compensation(world: World, model: DeviceModel, compensates: str) -> None:
    """Say of a device model whether it compensates."""
    devices.correct_device_model(
        world.office, device_model_id=model.pk, particulars={"compensates": compensates}
    )
