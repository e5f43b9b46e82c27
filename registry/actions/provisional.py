"""Devices that nobody booked in: recorded in the field, then confirmed, merged or rejected by the office."""

from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._devices import NewDevice, custody_with, installed, slot_holder, write_device
from registry.actions._steps import (
    find,
    fresh_key,
    history_in_sight,
    require_open,
    running,
    start,
    to_end,
)
from registry.models import Cabinet, CabinetWhereabouts, Device, DeviceModel, DeviceWhereabouts
from registry.models.base import Record, new_key
from registry.rules import particulars as particular_rules
from registry.rules.assignments import Installation
from registry.rules.devices import check_evidence, check_provisional
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.roles import Act
from registry.rules.texts import clean_note
from registry.rules.whereabouts import (
    IN_HAND,
    CabinetPlace,
    DevicePlace,
    DeviceStanding,
    check_standing,
)


@action(Act.RECORD_PROVISIONAL)
def record_provisional_device(
    writing: Writing,
    *,
    device: NewDevice,
    valid_from: datetime,
    evidence: str = "",
    photo_sha256: str = "",
    cabinet_id: UUID | None = None,
    installation: Installation | None = None,
    depot_id: UUID | None = None,
    staff_id: UUID | None = None,
    assignment_id: UUID | None = None,
) -> Device:
    """Record a device found in the field: in a cabinet, in a depot, or in a person's van.

    Its serial is judged like any other; it waits for the office's word. `assignment_id` is the caller's own
    fresh key for its assignment. Raises RuleBroken EVIDENCE_MISSING, SERIAL_INVALID,
    CODE_TAKEN, SLOT_TAKEN, SENSOR_COUNT_MISMATCH, CABINET_NOT_AVAILABLE, LOCATION_CLOSED, BEFORE_KNOWN,
    NOT_FOUND.
    """
    words = clean_note(evidence, "evidence")
    check_evidence(words, photo_sha256)
    model = find(DeviceModel, device.model_id, "model")
    written = write_device(
        writing,
        model,
        device,
        standing=DeviceStanding.PROVISIONAL,
        evidence=words,
        photo_sha256=_digest(photo_sha256),
    )
    about: dict[str, Record | None] = {"device": written}
    if cabinet_id is not None:
        if depot_id is not None or staff_id is not None:
            raise particular_rules.invalid(
                "cabinet", "A device is in one place. Name the cabinet, or the depot and van that have it."
            )
        cabinet = find(Cabinet, cabinet_id, "cabinet")
        stay = running(history_in_sight(writing, CabinetWhereabouts, cabinet, "cabinet"), valid_from)
        place = installed(written, cabinet, installation or Installation())
        place.period = fresh_key(DeviceWhereabouts, assignment_id)
        _require_free(stay, place, valid_from)
        about |= {"to": cabinet, "cabinet": cabinet, "location": stay.location}
    else:
        if depot_id is None:
            raise particular_rules.invalid("depot", "Say which depot answers for the device.")
        place = custody_with(writing, written, depot_id, staff_id, depot_id)
        about["to"] = place.staff or place.depot
    start(writing, place, valid_from)
    writing.tell(Verb.PROVISIONAL_RECORDED, valid_from, about, reason=words)
    return written


@action(Act.JUDGE_PROVISIONAL)
def confirm_provisional_device(writing: Writing, *, device_id: UUID, reason: str = "") -> Device:
    """Vouch for a provisional device; raises RuleBroken NOT_PROVISIONAL, NOT_FOUND."""
    device, _ = _provisional(writing, device_id)
    writing.revise(device, standing=DeviceStanding.CONFIRMED)
    writing.tell(Verb.PROVISIONAL_CONFIRMED, writing.now, {"device": device}, reason=reason)
    return device


@action(Act.JUDGE_PROVISIONAL)
def merge_provisional_device(writing: Writing, *, device_id: UUID, into_id: UUID, reason: str = "") -> Device:
    """Give a provisional record's history to the device that it was all along; return that device.

    Raises RuleBroken NOT_PROVISIONAL, VALUE_INVALID for another model or itself, DEVICE_ELSEWHERE where
    the other device hung in a cabinet by then, DEVICE_NOT_AVAILABLE, OVERLAPPING_HISTORY, BEFORE_KNOWN,
    NOT_FOUND.
    """
    device, places = _provisional(writing, device_id)
    target = find(Device, into_id, "into")
    its_places = history_in_sight(writing, DeviceWhereabouts, target, "into")
    if target == device or target.model_id != device.model_id:
        raise particular_rules.invalid("into", "Choose another device of the same model.")
    check_standing(DeviceStanding(target.standing))
    first = places[0].valid_from
    present = to_end(its_places, first)
    if DevicePlace(present.place) not in IN_HAND:
        code = Code.DEVICE_ELSEWHERE if present.cabinet else Code.DEVICE_NOT_AVAILABLE
        raise RuleBroken(
            code,
            f"Device {target.serial} was elsewhere then ({present.place}). Correct its history first.",
            field="into",
        )
    for place in places:
        writing.supersede(place)
    writing.replace(present, valid_to=first)
    for place in places:
        values = {field.attname: getattr(place, field.attname) for field in place._meta.concrete_fields}
        values.update(id=new_key(), period=new_key(), device_id=target.pk, superseded_id=None)
        writing.insert(DeviceWhereabouts(**values))
    writing.revise(device, standing=DeviceStanding.MERGED, merged_into=target)
    writing.tell(
        Verb.PROVISIONAL_MERGED,
        writing.now,
        {"removed": device, "device": target, "cabinet": _cabinets(places)},
        reason=reason,
    )
    return target


@action(Act.JUDGE_PROVISIONAL)
def reject_provisional_device(writing: Writing, *, device_id: UUID, reason: str) -> Device:
    """Take a provisional device out of every history: it was none of ours, or never was.

    Raises RuleBroken REASON_MISSING, NOT_PROVISIONAL, NOT_FOUND.
    """
    if not clean_note(reason, "reason"):
        raise RuleBroken(Code.REASON_MISSING, "Say why the device is rejected.", field="reason")
    device, places = _provisional(writing, device_id)
    for place in places:
        writing.supersede(place)
    writing.revise(device, standing=DeviceStanding.REJECTED)
    writing.tell(
        Verb.PROVISIONAL_REJECTED,
        writing.now,
        {"device": device, "cabinet": _cabinets(places)},
        reason=reason,
    )
    return device


def _provisional(writing: Writing, device_id: UUID) -> tuple[Device, list[DeviceWhereabouts]]:
    device = find(Device, device_id, "device")
    places = history_in_sight(writing, DeviceWhereabouts, device, "device")
    check_provisional(DeviceStanding(device.standing))
    return device, places


def _cabinets(places: list[DeviceWhereabouts]) -> list[Cabinet]:
    return list({place.cabinet.pk: place.cabinet for place in places if place.cabinet}.values())


def _require_free(stay: CabinetWhereabouts, place: DeviceWhereabouts, at: datetime) -> None:
    if stay.place != CabinetPlace.LOCATION or stay.location is None:
        raise RuleBroken(
            Code.CABINET_NOT_AVAILABLE,
            "The cabinet stands in no store then. Put it up first.",
            field="cabinet",
        )
    require_open(stay.location, at)
    holder = slot_holder(place.cabinet, place.slot, at)
    if holder:
        raise RuleBroken(
            Code.SLOT_TAKEN,
            f"Device {holder.device.serial} hangs in slot {place.slot}. End its assignment first.",
            field="slot",
            details={"device": holder.device.serial},
        )


def _digest(text: str) -> str:
    if text and (len(text) != 64 or not set(text) <= set("0123456789abcdef")):
        raise particular_rules.invalid("photo_sha256", "A photo's digest has 64 hexadecimal digits.")
    return text
