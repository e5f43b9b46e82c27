"""Writing devices and how they hang."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import F

from registry.actions._action import Writing
from registry.actions._steps import find, fresh_key, history_in_sight, in_custody, require_open, running
from registry.models import (
    Cabinet,
    CabinetWhereabouts,
    Depot,
    Device,
    DeviceModel,
    DeviceWhereabouts,
    Location,
    Staff,
)
from registry.models.base import Record
from registry.rules import particulars as particular_rules
from registry.rules.assignments import Installation, check_installation
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import accept, iccid, imei
from registry.rules.texts import clean_code, clean_line, clean_note
from registry.rules.whereabouts import LIVE, DevicePlace, DeviceStanding


@dataclass(frozen=True, slots=True)
class NewDevice:
    """A device to register: its model, the serial as typed or scanned, and what else its label says."""

    model_id: UUID
    serial: str
    firmware: str = ""
    imei: str = ""
    iccid: str = ""
    iccid_override: str = ""  # why a doubtful ICCID is kept all the same
    key: UUID | None = None  # the caller's own, fresh


def write_device(
    writing: Writing,
    model: DeviceModel,
    new: NewDevice,
    *,
    standing: DeviceStanding = DeviceStanding.CONFIRMED,
    evidence: str = "",
    photo_sha256: str = "",
) -> Device:
    """Write a device whose serial its model accepts.

    Raises RuleBroken SERIAL_INVALID, CODE_TAKEN, TEXT_INVALID, CHECK_INVALID.
    """
    serial = accept(model.serial_scheme(), new.serial)
    refuse_serial_taken(serial)
    return writing.insert(
        Device(
            id=fresh_key(Device, new.key),
            model=model,
            serial=serial,
            serial_typed=clean_line(new.serial, "serial"),
            standing=standing,
            evidence=evidence,
            photo_sha256=photo_sha256,
            **label_facts(new),
        )
    )


def label_facts(new: NewDevice) -> dict[str, str]:
    """Return what else a device's label says, checked: firmware, IMEI, ICCID with its override."""
    override = clean_note(new.iccid_override, "iccid_override")
    card = iccid(new.iccid, "iccid", override=bool(override)) if new.iccid else None
    return {
        "firmware": clean_code(new.firmware, "firmware") if new.firmware else "",
        "imei": imei(new.imei).text if new.imei else "",
        "iccid": card.text if card else "",
        "iccid_override": override if card and card.doubts else "",
    }


def refuse_serial_taken(serial: str) -> None:
    """Raise RuleBroken CODE_TAKEN where a device with this serial is in the register."""
    if Device.objects.filter(serial=serial, standing__in=LIVE).exists():
        raise RuleBroken(
            Code.CODE_TAKEN,
            f"Device {serial} is in the register already. Look it up, or compare the serial with the label.",
            field="serial",
        )


def refuse_sensor_mismatch(**about: Record) -> None:
    """Raise RuleBroken SENSOR_COUNT_MISMATCH where a corrected model no longer suits what it hangs with."""
    assigned = DeviceWhereabouts.objects.current().filter(place=DevicePlace.CABINET, **about)
    other = assigned.exclude(device__model__sensor_count=F("cabinet__model__sensor_count"))
    met = other.select_related("device", "cabinet").first()
    if met is not None and met.cabinet is not None:
        raise RuleBroken(
            Code.SENSOR_COUNT_MISMATCH,
            f"Device {met.device.serial} hangs in cabinet {met.cabinet.asset_tag}, and their sensors would no"
            " longer match. Register another model instead.",
            field="sensor_count",
        )


def with_default_order(installation: Installation, sensor_count: int) -> Installation:
    """Return the installation with its sensors in port order where nobody said otherwise."""
    return Installation(
        slot=installation.slot,
        slot_reason=clean_note(installation.slot_reason, "slot_reason"),
        sensor_order=tuple(installation.sensor_order) or tuple(range(1, sensor_count + 1)),
        rail_below_ceiling_mm=installation.rail_below_ceiling_mm,
        offset_from_front_mm=installation.offset_from_front_mm,
    )


def installed(device: Device, cabinet: Cabinet, installation: Installation) -> DeviceWhereabouts:
    """Return an assignment, not yet written; raises RuleBroken for facts that cannot be."""
    sensor_count = device.model.sensor_count
    if sensor_count != cabinet.model.sensor_count:
        raise RuleBroken(
            Code.SENSOR_COUNT_MISMATCH,
            f"Device {device.serial} has {sensor_count} sensors, cabinet {cabinet.asset_tag} takes"
            f" {cabinet.model.sensor_count}. Use a device of the right size.",
            field="device",
        )
    facts = with_default_order(installation, sensor_count)
    check_installation(facts, sensor_count)
    return DeviceWhereabouts(
        device=device,
        place=DevicePlace.CABINET,
        cabinet=cabinet,
        slot=facts.slot,
        slot_reason=facts.slot_reason,
        sensor_order=" ".join(str(port) for port in facts.sensor_order),
        rail_below_ceiling_mm=facts.rail_below_ceiling_mm,
        offset_from_front_mm=facts.offset_from_front_mm,
    )


def custody_with(
    writing: Writing, device: Device, depot_id: UUID | None, staff_id: UUID | None, answering: UUID
) -> DeviceWhereabouts:
    """Return custody in a depot or in a person's van, not yet written; checks person, depot and scope."""
    depot = find(Depot, depot_id or answering, "depot")
    writing.require_depot(depot.pk, "depot")
    if staff_id is None:
        if depot_id is None:
            raise particular_rules.invalid("depot", "Say who gets the device: a depot, or a person's van.")
        return in_custody(device, DevicePlace.DEPOT, depot=depot.pk)
    staff = find(Staff, staff_id, "staff")
    if not staff.is_active:
        raise RuleBroken(
            Code.NOT_ACTIVE, "This person has left. Choose somebody who is active.", field="staff"
        )
    return in_custody(device, DevicePlace.VAN, depot=depot.pk, staff=staff)


def standing_cabinet(writing: Writing, cabinet_id: UUID, at: datetime) -> tuple[Cabinet, CabinetWhereabouts]:
    """Return a cabinet and its stay at `at`, which still runs; where that is a store, it is open."""
    cabinet = find(Cabinet, cabinet_id, "cabinet")
    stay = running(history_in_sight(writing, CabinetWhereabouts, cabinet, "cabinet"), at)
    if stay.location is not None:
        require_open(stay.location, at)
    return cabinet, stay


def slot_holder(cabinet: Cabinet | None, slot: int | None, at: datetime) -> DeviceWhereabouts | None:
    """Return the assignment that has a slot of a cabinet at `at` or later, with its device."""
    assigned = DeviceWhereabouts.objects.current().overlapping(at, None).filter(cabinet=cabinet, slot=slot)
    held: DeviceWhereabouts | None = assigned.select_related("device").first()
    return held


def store_of(cabinet: Cabinet | None, at: datetime) -> Location | None:
    """Return the store in which a cabinet stood at `at`, as the register believes now."""
    if cabinet is None:
        return None
    stay = (
        CabinetWhereabouts.objects.current()
        .valid_at(at)
        .filter(cabinet=cabinet)
        .select_related("location")
        .first()
    )
    return stay.location if stay else None
