"""Devices in custody: received, handed over, repaired, lost, retired; and their models."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._devices import (
    NewDevice,
    custody_with,
    label_facts,
    refuse_sensor_mismatch,
    store_of,
    write_device,
)
from registry.actions._records import cleaned
from registry.actions._steps import (
    carry_on,
    closing_facts,
    depot_of_device,
    find,
    history,
    history_in_sight,
    in_custody,
    repeated,
    start,
    to_end,
    within,
)
from registry.actions._stores import too_many
from registry.models import Depot, Device, DeviceModel, DeviceWhereabouts
from registry.models.base import Record
from registry.rules import devices as rules
from registry.rules import particulars as particular_rules
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.identifiers import accept
from registry.rules.roles import Act
from registry.rules.texts import clean_code, clean_note
from registry.rules.whereabouts import DevicePlace, DeviceStanding, EndReason, check_device_move


@action(Act.KEEP_CATALOGUE)
def register_device_model(writing: Writing, *, particulars: Mapping[str, object]) -> DeviceModel:
    """Register a device model with its serial scheme (rules.devices.MODEL_FIELDS).

    Raises RuleBroken CODE_TAKEN, VALUE_INVALID for a scheme that cannot be, and what cleaning does.
    """
    model = DeviceModel(
        **cleaned(DeviceModel, particulars, rules.MODEL_FIELDS, required=rules.MODEL_REQUIRED)
    )
    try:
        model.serial_scheme()
    except RuleBroken as broken:
        broken.field = f"serial_{broken.field}"  # as the particulars call it
        raise
    rules.check_range(model.blind_zone_mm, model.range_mm)
    writing.insert(model)
    writing.tell(Verb.DEVICE_MODEL_REGISTERED, writing.now, {"device_model": model})
    return model


@action(Act.KEEP_CATALOGUE)
def correct_device_model(
    writing: Writing, *, device_model_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> DeviceModel:
    """Correct a device model; the scheme by which serials were judged stays.

    Raises RuleBroken SENSOR_COUNT_MISMATCH, and as `_records.correct_record` does.
    """
    model = find(DeviceModel, device_model_id, "device_model")
    changes = cleaned(DeviceModel, particulars, rules.MODEL_CORRECTABLE, besides=model.pk)
    sensor: dict[str, Any] = {"blind_zone_mm": model.blind_zone_mm, "range_mm": model.range_mm, **changes}
    # Before it is written, because the database would refuse it too.
    rules.check_range(sensor["blind_zone_mm"], sensor["range_mm"])
    writing.revise(model, **changes)
    refuse_sensor_mismatch(device__model=model)
    writing.tell(Verb.DEVICE_MODEL_CORRECTED, writing.now, {"device_model": model}, reason=reason)
    return model


@action(Act.RECEIVE_DEVICES)
def receive_devices(
    writing: Writing, *, devices: Sequence[NewDevice], depot_id: UUID, valid_from: datetime, reason: str = ""
) -> list[Device]:
    """Book devices into a depot, one or a list of up to rules.devices.RECEIVED_MAX; all or none.

    Raises RuleBroken SERIAL_INVALID, CODE_TAKEN, CODE_REPEATED, TOO_MANY, NOT_FOUND, TIME_IN_FUTURE,
    NOT_FOUND; `details["position"]` is the place in the list, from 0.
    """
    depot = find(Depot, depot_id, "depot")
    writing.require_depot(depot.pk, "depot")
    if not devices:
        raise particular_rules.invalid("devices", "The list is empty. Name at least one device.")
    if len(devices) > rules.RECEIVED_MAX:
        raise too_many("devices", rules.RECEIVED_MAX)
    models: dict[UUID, DeviceModel] = {}
    serials: set[str] = set()
    written = []
    for position, new in enumerate(devices):
        try:
            with within("devices", position):
                if new.model_id not in models:
                    models[new.model_id] = find(DeviceModel, new.model_id, "model")
                serial = accept(models[new.model_id].serial_scheme(), new.serial)
                if serial in serials:
                    raise repeated(serial, "serial")
                serials.add(serial)
                device = write_device(writing, models[new.model_id], new)
        except RuleBroken as broken:
            broken.details["position"] = position
            raise
        start(writing, in_custody(device, DevicePlace.DEPOT, depot=depot.pk), valid_from)
        written.append(device)
    writing.tell(Verb.DEVICES_RECEIVED, valid_from, {"device": written, "depot": depot}, reason=reason)
    return written


@action(Act.RECEIVE_DEVICES)
def correct_device(
    writing: Writing,
    *,
    device_id: UUID,
    firmware: str | None = None,
    imei: str | None = None,
    iccid: str | None = None,
    iccid_override: str = "",
    reason: str = "",
) -> Device:
    """Correct what a device's label says beside its serial; None leaves a fact as it is.

    Raises RuleBroken NOTHING_CHANGES, CHECK_INVALID, VALUE_INVALID, NOT_FOUND.
    """
    device = find(Device, device_id, "device")
    present = history(DeviceWhereabouts, device)
    if present:
        writing.require_depot(depot_of_device(present[-1], writing.now), "device")
    facts = label_facts(
        NewDevice(
            model_id=device.model_id,
            serial=device.serial,
            firmware=device.firmware if firmware is None else firmware,
            imei=device.imei if imei is None else imei,
            iccid=device.iccid if iccid is None else iccid,
            iccid_override=iccid_override if iccid is not None else device.iccid_override,
        )
    )
    writing.revise(device, **facts)
    writing.tell(Verb.DEVICE_CORRECTED, writing.now, {"device": device}, reason=reason)
    return device


@action(Act.HAND_OVER_DEVICE)
def hand_over_device(
    writing: Writing,
    *,
    device_id: UUID,
    valid_from: datetime,
    depot_id: UUID | None = None,
    staff_id: UUID | None = None,
    reason: str = "",
) -> DeviceWhereabouts:
    """Give a device in custody to a depot, or into a person's van; a lost one is found so.

    A person's van needs `staff_id`; the depot that answers for the device stays unless `depot_id` names
    another. Raises RuleBroken DEVICE_ELSEWHERE for one in a cabinet, DEVICE_NOT_AVAILABLE,
    NOTHING_CHANGES, BEFORE_KNOWN, OVERLAPPING_HISTORY, NOT_ACTIVE, NOT_FOUND.
    """
    device, present = _present(writing, device_id, valid_from)
    _refuse_in_cabinet(present)
    if present.place == DevicePlace.MAKER:
        raise RuleBroken(
            Code.DEVICE_NOT_AVAILABLE,
            "The device is in repair at its maker. Record first that it came back.",
            field="device",
        )
    following = custody_with(writing, device, depot_id, staff_id, depot_of_device(present, valid_from))
    if (present.place, present.depot_id, present.staff_id) == (
        following.place,
        following.depot_id,
        following.staff_id,
    ):
        raise RuleBroken(Code.NOTHING_CHANGES, "The device is there already.", field="device")
    return _go(writing, device, present, following, valid_from, Verb.DEVICE_HANDED_OVER, reason)


@action(Act.HAND_OVER_DEVICE)
def send_device_to_repair(
    writing: Writing, *, device_id: UUID, valid_from: datetime, reference: str = "", reason: str = ""
) -> DeviceWhereabouts:
    """Send a device in custody to its maker, under the maker's return number if there is one.

    Raises RuleBroken DEVICE_ELSEWHERE, DEVICE_NOT_AVAILABLE, BEFORE_KNOWN, OVERLAPPING_HISTORY, NOT_FOUND.
    """
    device, present = _present(writing, device_id, valid_from)
    _refuse_in_cabinet(present)
    number = clean_code(reference, "reference") if reference else ""
    depot = depot_of_device(present, valid_from)
    following = in_custody(device, DevicePlace.MAKER, depot=depot, reference=number)
    return _go(writing, device, present, following, valid_from, Verb.DEVICE_SENT_TO_REPAIR, reason)


@action(Act.HAND_OVER_DEVICE)
def return_device_from_repair(
    writing: Writing, *, device_id: UUID, valid_from: datetime, depot_id: UUID, reason: str = ""
) -> DeviceWhereabouts:
    """Take a device back from its maker into a depot.

    Raises RuleBroken DEVICE_NOT_AVAILABLE for one that is not in repair, and as `hand_over_device` does.
    """
    device, present = _present(writing, device_id, valid_from)
    if present.place != DevicePlace.MAKER:
        raise RuleBroken(
            Code.DEVICE_NOT_AVAILABLE,
            "The device is not in repair. Hand it over instead.",
            field="device",
            details={"place": present.place},
        )
    following = custody_with(writing, device, depot_id, None, depot_id)
    return _go(writing, device, present, following, valid_from, Verb.DEVICE_RETURNED, reason)


@action(Act.HAND_OVER_DEVICE)
def mark_device_lost(
    writing: Writing, *, device_id: UUID, valid_from: datetime, reason: str = ""
) -> DeviceWhereabouts:
    """Record that nobody knows where a device is; an assignment ends with it.

    Raises RuleBroken DEVICE_NOT_AVAILABLE, BEFORE_KNOWN, OVERLAPPING_HISTORY, NOT_FOUND.
    """
    device, present = _present(writing, device_id, valid_from)
    following = in_custody(device, DevicePlace.LOST, depot=depot_of_device(present, valid_from))
    return _go(writing, device, present, following, valid_from, Verb.DEVICE_LOST, reason)


@action(Act.RETIRE_DEVICE)
def retire_device(
    writing: Writing, *, device_id: UUID, valid_from: datetime, reason: str = ""
) -> DeviceWhereabouts:
    """Retire a device for good: its serial never returns.

    Raises RuleBroken DEVICE_ELSEWHERE for one in a cabinet, DEVICE_NOT_AVAILABLE, BEFORE_KNOWN,
    OVERLAPPING_HISTORY, NOT_FOUND.
    """
    device, present = _present(writing, device_id, valid_from)
    _refuse_in_cabinet(present)
    following = in_custody(device, DevicePlace.RETIRED, depot=depot_of_device(present, valid_from))
    return _go(writing, device, present, following, valid_from, Verb.DEVICE_RETIRED, reason)


def _present(writing: Writing, device_id: UUID, at: datetime) -> tuple[Device, DeviceWhereabouts]:
    device = find(Device, device_id, "device")
    places = history_in_sight(writing, DeviceWhereabouts, device, "device")
    if not places:  # merged or rejected: it has no history of its own any more
        check_device_move(DeviceStanding(device.standing), DevicePlace.DEPOT, DevicePlace.DEPOT)
    present = to_end(places, at)
    writing.require_depot(depot_of_device(present, at), "device")
    return device, present


def _refuse_in_cabinet(present: DeviceWhereabouts) -> None:
    if present.cabinet is not None:
        raise RuleBroken(
            Code.DEVICE_ELSEWHERE,
            f"The device hangs in cabinet {present.cabinet.asset_tag}. End that assignment first.",
            field="device",
            details={"cabinet": present.cabinet.asset_tag},
        )


def _go(
    writing: Writing,
    device: Device,
    present: DeviceWhereabouts,
    following: DeviceWhereabouts,
    at: datetime,
    verb: Verb,
    reason: str,
) -> DeviceWhereabouts:
    """Check the move, end what was, start what is, and tell it."""
    place = DevicePlace(following.place)
    check_device_move(DeviceStanding(device.standing), DevicePlace(present.place), place)
    note = clean_note(reason, "reason") or f"marked {place}"
    written = carry_on(writing, present, following, at, **closing_facts(present, EndReason.OTHER, note))
    writing.tell(
        verb,
        at,
        {
            "device": device,
            "from": _holder(present),
            "to": _holder(following),
            "location": store_of(present.cabinet, at),
        },
        reason=reason,
    )
    return written


def _holder(place: DeviceWhereabouts) -> Record | None:
    return place.cabinet or place.staff or place.depot
