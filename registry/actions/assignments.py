"""The main job: a device goes into a cabinet, comes out, or is swapped for another."""

from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._devices import (
    custody_with,
    installed,
    slot_holder,
    standing_cabinet,
    store_of,
    with_default_order,
)
from registry.actions._steps import (
    carry_on,
    depot_of_device,
    find,
    fresh_key,
    history,
    history_in_sight,
    to_end,
)
from registry.models import Cabinet, CabinetWhereabouts, Device, DeviceWhereabouts
from registry.queries.devices import resolve_serial
from registry.rules import particulars as particular_rules
from registry.rules.assignments import Candidate, Installation, check_assignment
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.events import Verb
from registry.rules.roles import Act, Role
from registry.rules.texts import clean_note
from registry.rules.whereabouts import CabinetPlace, DevicePlace, DeviceStanding, EndReason


@action(Act.ASSIGN_DEVICE)
def assign_device(
    writing: Writing,
    *,
    cabinet_id: UUID,
    valid_from: datetime,
    device_id: UUID | None = None,
    serial: str | None = None,
    installation: Installation | None = None,
    assignment_id: UUID | None = None,
    reason: str = "",
) -> DeviceWhereabouts:
    """Assign a device, named by its key or by its serial as typed or scanned, to a cabinet from a time on.

    `assignment_id` is the caller's own fresh key for the assignment.

    Raises RuleBroken SERIAL_INVALID (with suggestions), DEVICE_ELSEWHERE, DEVICE_NOT_AVAILABLE,
    CABINET_NOT_AVAILABLE, SENSOR_COUNT_MISMATCH, SLOT_TAKEN, SLOT_NEEDS_REASON, LOCATION_CLOSED,
    TIME_IN_FUTURE, BEFORE_KNOWN, OVERLAPPING_HISTORY, CODE_TAKEN, NOT_FOUND.
    """
    cabinet, stay = standing_cabinet(writing, cabinet_id, valid_from)
    device = _device(writing, device_id, serial, cabinet)
    key = fresh_key(DeviceWhereabouts, assignment_id)
    assignment = _assign(writing, device, cabinet, stay, valid_from, installation or Installation(), key)
    writing.tell(
        Verb.DEVICE_ASSIGNED,
        valid_from,
        {"device": device, "cabinet": cabinet, "location": stay.location},
        reason=reason,
    )
    return assignment


@action(Act.ASSIGN_DEVICE)
def end_assignment(
    writing: Writing,
    *,
    assignment_id: UUID,
    valid_to: datetime,
    end_reason: str,
    end_note: str = "",
    depot_id: UUID | None = None,
    staff_id: UUID | None = None,
) -> DeviceWhereabouts:
    """End an assignment (its stable identity) at a time; the device goes to a depot or a person's van.

    Returns where the device went. Raises RuleBroken PERIOD_SUPERSEDED, DEVICE_NOT_ASSIGNED, VALUE_INVALID,
    TIME_IN_FUTURE, BEFORE_KNOWN, OVERLAPPING_HISTORY, NOT_FOUND.
    """
    present = _running_assignment(writing, assignment_id, valid_to)
    device, cabinet = present.device, present.cabinet
    following = custody_with(writing, device, depot_id, staff_id, depot_of_device(present, valid_to))
    carry_on(writing, present, following, valid_to, field="valid_to", **_ending(end_reason, end_note))
    writing.tell(
        Verb.DEVICE_REMOVED,
        valid_to,
        {
            "device": device,
            "cabinet": cabinet,
            "location": store_of(cabinet, valid_to),
            "to": following.staff or following.depot,
        },
        reason=end_note,
    )
    return following


@action(Act.ASSIGN_DEVICE)
def swap_device(
    writing: Writing,
    *,
    assignment_id: UUID,
    valid_from: datetime,
    device_id: UUID | None = None,
    serial: str | None = None,
    installation: Installation | None = None,
    end_reason: str = EndReason.SWAP,
    end_note: str = "",
    depot_id: UUID | None = None,
    staff_id: UUID | None = None,
    new_assignment_id: UUID | None = None,
) -> DeviceWhereabouts:
    """Take a device out of a cabinet and hang another in its place, at one time and in one entry.

    The device that comes out goes to a depot or a person's van. Where nobody says otherwise, the new one
    hangs as the old one did; `new_assignment_id` is the caller's own fresh key for the new assignment, which
    is returned. Raises as `end_assignment` and `assign_device` do.
    """
    present = _running_assignment(writing, assignment_id, valid_from)
    removed, cabinet = present.device, present.cabinet
    if cabinet is None:
        raise RuntimeError("an assignment without a cabinet")
    cabinet, stay = standing_cabinet(writing, cabinet.pk, valid_from)
    device = _device(writing, device_id, serial, cabinet)
    if device == removed:
        raise RuleBroken(
            Code.NOTHING_CHANGES, "This device hangs there already. Name the new one.", field="device"
        )
    following = custody_with(writing, removed, depot_id, staff_id, depot_of_device(present, valid_from))
    carry_on(writing, present, following, valid_from, **_ending(end_reason, end_note))
    key = fresh_key(DeviceWhereabouts, new_assignment_id)
    hangs = installation or _as_before(present)
    assignment = _assign(writing, device, cabinet, stay, valid_from, hangs, key)
    writing.tell(
        Verb.DEVICE_SWAPPED,
        valid_from,
        {
            "removed": removed,
            "device": device,
            "cabinet": cabinet,
            "location": stay.location,
            "to": following.staff or following.depot,
        },
        reason=end_note,
    )
    return assignment


def _device(writing: Writing, device_id: UUID | None, serial: str | None, cabinet: Cabinet) -> Device:
    if (device_id is None) == (serial is None):
        raise particular_rules.invalid("device", "Name the device by its serial, or choose it from the list.")
    if serial is not None:
        return resolve_serial(serial, writing.scope, sensor_count=cabinet.model.sensor_count)
    device = find(Device, device_id or UUID(int=0), "device")
    history_in_sight(writing, DeviceWhereabouts, device, "device")
    return device


def _assign(
    writing: Writing,
    device: Device,
    cabinet: Cabinet,
    stay: CabinetWhereabouts,
    at: datetime,
    installation: Installation,
    key: UUID,
) -> DeviceWhereabouts:
    """Check and write an assignment that begins at `at`."""
    places = history(DeviceWhereabouts, device)
    installation = with_default_order(installation, device.model.sensor_count)
    present = to_end(places, at) if places else None
    holder = slot_holder(cabinet, installation.slot, at)
    check_assignment(
        Candidate(
            standing=DeviceStanding(device.standing),
            device_place=DevicePlace(present.place) if present else DevicePlace.DEPOT,
            device_cabinet_label=present.cabinet.asset_tag if present and present.cabinet else "",
            sensor_count=device.model.sensor_count,
            cabinet_place=CabinetPlace(stay.place),
            cabinet_sensor_count=cabinet.model.sensor_count,
            slot_holder_label=holder.device.serial if holder else "",
            van_is_anothers=bool(present) and _van_is_anothers(writing, present),
        ),
        installation,
    )
    if present is None:
        raise RuntimeError("a device without whereabouts passed the rules")
    assignment = installed(device, cabinet, installation)
    assignment.period = key
    return carry_on(writing, present, assignment, at)


def _van_is_anothers(writing: Writing, present: DeviceWhereabouts | None) -> bool:
    """An installer takes nothing out of another's van; the office may book what happened."""
    return (
        present is not None
        and writing.scope.role is Role.INSTALLER
        and present.place == DevicePlace.VAN
        and present.staff_id != writing.actor.staff_id
    )


def _running_assignment(writing: Writing, assignment_id: UUID, at: datetime) -> DeviceWhereabouts:
    known = DeviceWhereabouts.objects.filter(period=assignment_id, cabinet__isnull=False)
    found = known.order_by("recorded_id").select_related("device").last()
    if found is None:
        raise absent("assignment")
    places = history_in_sight(writing, DeviceWhereabouts, found.device, "assignment")
    if found.superseded_id is not None:
        raise RuleBroken(
            Code.PERIOD_SUPERSEDED,
            "This assignment is no longer in the register. Look again and retry.",
            field="assignment",
        )
    if found.valid_to is not None:
        raise RuleBroken(
            Code.DEVICE_NOT_ASSIGNED,
            "This assignment has ended already. Correct its period if the time is wrong.",
            field="assignment",
        )
    present = to_end(places, at, "valid_to")
    writing.require_depot(depot_of_device(present, at), "assignment")
    return present


def _ending(end_reason: str, end_note: str) -> dict[str, str]:
    reason = EndReason(str(particular_rules.choice(EndReason)(end_reason, "end_reason")))
    note = clean_note(end_note, "end_note")
    if reason is EndReason.OTHER and not note:
        raise RuleBroken(Code.REASON_MISSING, "Say in words why the assignment ends.", field="end_note")
    return {"end_reason": reason, "end_note": note}


def _as_before(present: DeviceWhereabouts) -> Installation:
    return Installation(
        slot=present.slot or 1,
        slot_reason=present.slot_reason,
        rail_below_ceiling_mm=present.rail_below_ceiling_mm,
        offset_from_front_mm=present.offset_from_front_mm,
    )
