"""What is seen at a place of a count, and putting the register right by it."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from registry.actions._action import Writing
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
    closing_facts,
    depot_of_device,
    find,
    history_in_sight,
    in_custody,
    to_end,
)
from registry.models import (
    Cabinet,
    CabinetWhereabouts,
    Count,
    CountItem,
    Depot,
    Device,
    DeviceWhereabouts,
    Staff,
)
from registry.queries.counts import Difference, count_now, counted_at
from registry.queries.devices import resolve_serial
from registry.queries.periods import place_words
from registry.rules import particulars
from registry.rules.assignments import Candidate, Installation, check_fit
from registry.rules.counts import DifferenceKind, Result, check_counted
from registry.rules.errors import Code, RuleBroken
from registry.rules.texts import clean_line
from registry.rules.whereabouts import (
    CabinetPlace,
    DevicePlace,
    DeviceStanding,
    EndReason,
    check_device_move,
)


def count_in_sight(writing: Writing, count_id: UUID) -> Count:
    """Return a count; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    return count_now(count_id, writing.scope)


def place_in_sight(
    writing: Writing, cabinet_id: UUID | None, depot_id: UUID | None, staff_id: UUID | None, at: datetime
) -> CountItem:
    """Return a line, never written, that holds nothing but the place.

    Raises RuleBroken VALUE_INVALID for none or several, NOT_FOUND.
    """
    if sum(key is not None for key in (cabinet_id, depot_id, staff_id)) != 1:
        raise particulars.invalid("cabinet", "Name one place: a cabinet, a depot, or a person's van.")
    if cabinet_id is not None:
        cabinet = find(Cabinet, cabinet_id, "cabinet")
        history_in_sight(writing, CabinetWhereabouts, cabinet, "cabinet")
        return CountItem(place=DevicePlace.CABINET, cabinet=cabinet, location=store_of(cabinet, at))
    if staff_id is not None:
        return CountItem(place=DevicePlace.VAN, staff=find(Staff, staff_id, "staff"))
    depot = find(Depot, depot_id or UUID(int=0), "depot")
    writing.require_depot(depot.pk, "depot")
    return CountItem(place=DevicePlace.DEPOT, depot=depot)


def lines_at(lines: Sequence[CountItem], place: CountItem) -> list[CountItem]:
    """Return the lines of a place."""
    return [line for line in lines if line.holder_id == place.holder_id]


UNSEEN = frozenset({Result.WAITING, Result.NOT_COUNTED})
# A line of the sample at which nobody has looked.
WAITING: Mapping[str, Any] = {
    "typed": "",
    "seen_at": None,
    "counted_by_id": None,
    "note": "",
    "place_done": False,
    "result": Result.WAITING,
}


def part_of(place: CountItem) -> str:
    """Return which part a place plays in its entry: a van is not the person whose van it is."""
    return "van" if place.place == DevicePlace.VAN else "at"


def check_undecided(lines: Sequence[CountItem]) -> None:
    """Raise RuleBroken NOTHING_CHANGES where a difference among a place's lines was decided on."""
    if any(line.decision for line in lines):
        raise RuleBroken(
            Code.NOTHING_CHANGES,
            "A difference of this place was decided on. Draw a new count.",
            field="count",
        )


def look_over(
    writing: Writing,
    lines: Sequence[CountItem],
    seen: Mapping[str, Any],
    *,
    place_done: bool,
    not_counted: bool,
) -> list[CountItem]:
    """Write what a look at a place says of its lines beside the one that was typed; return what was written.

    Whoever gets in after all counts afresh: what was not counted waits again, or is absent when all was seen.
    """
    written = []
    for line in lines:
        unseen = line.result in UNSEEN
        if not_counted and line.result == Result.WAITING:
            written.append(writing.revise(line, **seen, result=Result.NOT_COUNTED, place_done=True))
        elif place_done and unseen:
            written.append(writing.revise(line, **seen, result=Result.ABSENT, place_done=True))
        elif place_done and not line.place_done:
            written.append(writing.revise(line, place_done=True))
        elif line.result == Result.NOT_COUNTED and not not_counted:
            written.append(writing.revise(line, **WAITING))
    return written


def record_serial(
    writing: Writing,
    count: Count,
    lines: Sequence[CountItem],
    place: CountItem,
    typed: str,
    seen: Mapping[str, Any],
) -> CountItem:
    """Record that a serial was seen at a place: on its line of the sample, or as a find.

    Raises RuleBroken NOTHING_CHANGES, CODE_REPEATED, and as `resolve_serial` does for what is no serial, but
    without what might tell the expected one.
    """
    serial, device = _read(writing, typed)
    for line in lines:
        known = line.serial or (line.device.serial if line.device else "")
        if known == serial and (line.result == Result.AGREES or not line.sampled):
            raise _seen_before(line, place, serial)
    seen = {**seen, "typed": clean_line(typed, "serial")}
    for line in lines_at(lines, place):
        if line.sampled and line.device is not None and line.device.serial == serial:
            fresh = {"place_done": False} if line.result == Result.NOT_COUNTED else {}
            return writing.revise(line, **{**fresh, **seen}, result=Result.AGREES)
    newest = CountItem.objects.filter(count=count).order_by("-position").first()
    return writing.insert(
        CountItem(
            count=count,
            position=(newest.position if newest else 0) + 1,
            sampled=False,
            place=place.place,
            depot=place.depot,
            staff=place.staff,
            cabinet=place.cabinet,
            location=place.location,
            device=device,
            serial=serial,
            result=_result_of_find(count, place, device),
            **seen,
        )
    )


def _read(writing: Writing, typed: str) -> tuple[str, Device | None]:
    """Return a serial as its scheme writes it, with its device where this person sees one."""
    try:
        device = resolve_serial(typed, writing.scope)
    except RuleBroken as broken:
        serial = broken.details.get("serial")
        if broken.code is Code.NOT_FOUND and isinstance(serial, str):
            return serial, None
        broken.details.pop("suggestions", None)  # the nearest may be the expected one
        raise
    return device.serial, device


def _seen_before(line: CountItem, place: CountItem, serial: str) -> RuleBroken:
    if line.holder_id == place.holder_id:
        return RuleBroken(Code.NOTHING_CHANGES, f"{serial} was recorded here already.", field="serial")
    return RuleBroken(
        Code.CODE_REPEATED,
        f"{serial} was recorded at another place of this count: {line.place_words}. Compare it with the"
        " label; if the other place was wrong, have that one counted again.",
        field="serial",
    )


def _result_of_find(count: Count, place: CountItem, device: Device | None) -> Result:
    """Say whether the register, as it was frozen, had a device where it was seen."""
    if device is None:
        return Result.UNKNOWN
    believed = DeviceWhereabouts.objects.believed_at(count.frozen_index).valid_at(count.frozen_at)
    was = believed.filter(device=device).first()
    there = was is not None and (was.cabinet_id or was.staff_id or was.depot_id) == place.holder_id
    return Result.AGREES if there and was is not None and was.place == place.place else Result.UNLISTED


# --- putting right -----------------------------------------------------------------------------------


def put_right(
    writing: Writing, difference: Difference, lines: Sequence[CountItem], note: str
) -> tuple[DeviceWhereabouts, DeviceWhereabouts]:
    """Let the register say what the count found, from the time on at which the place was counted.

    Seen nowhere: lost. Seen elsewhere: there. Returns where the register had the device and where it has it
    now. Raises RuleBroken NOTHING_CHANGES where the register said so by then, DEVICE_NOT_AVAILABLE for a
    serial that nobody booked in, COUNT_INCOMPLETE where nobody looked, and as the rules of moving and of
    assigning do.
    """
    item, device = difference.item, difference.item.device
    check_counted(difference.kind)
    if device is None:
        raise RuleBroken(
            Code.DEVICE_NOT_AVAILABLE,
            f"Nobody booked {difference.serial} in. Record it as provisional where it was seen, then dismiss"
            " this difference and say so.",
            field="difference",
        )
    target = difference.found
    looked = [line for line in (item, target) if line is not None and line.result != Result.NOT_COUNTED]
    at = min(counted_at(lines, line.holder_id) for line in looked)
    places = history_in_sight(writing, DeviceWhereabouts, device, "device")
    if not places:  # merged or rejected meanwhile
        check_device_move(DeviceStanding(device.standing), DevicePlace.DEPOT, DevicePlace.DEPOT)
    present = to_end(places, at)
    writing.require_depot(depot_of_device(present, at), "device")
    if item.sampled and _holder(present) != item.holder_id:
        raise _said_so_by_then(present)
    following = _following(writing, difference, device, present, target, at)
    if (present.place, _holder(present)) == (following.place, _holder(following)):
        raise _said_so_by_then(present)
    check_device_move(
        DeviceStanding(device.standing), DevicePlace(present.place), DevicePlace(following.place)
    )
    closing = closing_facts(present, EndReason.OTHER, note)
    return present, carry_on(writing, present, following, at, **closing)


def _following(
    writing: Writing,
    difference: Difference,
    device: Device,
    present: DeviceWhereabouts,
    target: CountItem | None,
    at: datetime,
) -> DeviceWhereabouts:
    """Return where a device goes by a difference, not yet written."""
    answering = depot_of_device(present, at)
    if difference.kind is DifferenceKind.MISSING or target is None:
        return in_custody(device, DevicePlace.LOST, depot=answering)
    if target.cabinet_id is None:
        return custody_with(writing, device, target.depot_id, target.staff_id, answering)
    cabinet, stay = standing_cabinet(writing, target.cabinet_id, at)
    installation = with_default_order(Installation(), device.model.sensor_count)
    holder = slot_holder(cabinet, installation.slot, at)
    check_fit(
        Candidate(
            standing=DeviceStanding(device.standing),
            device_place=DevicePlace(present.place),
            device_cabinet_label=present.cabinet.asset_tag if present.cabinet else "",
            sensor_count=device.model.sensor_count,
            cabinet_place=CabinetPlace(stay.place),
            cabinet_sensor_count=cabinet.model.sensor_count,
            slot_holder_label=holder.device.serial if holder and holder.device_id != device.pk else "",
        ),
        installation,
    )
    return installed(device, cabinet, installation)


def _holder(place: DeviceWhereabouts) -> UUID | None:
    return place.cabinet_id or place.staff_id or place.depot_id


def _said_so_by_then(present: DeviceWhereabouts) -> RuleBroken:
    return RuleBroken(
        Code.NOTHING_CHANGES,
        f"By the time of the count the register had it in {place_words(present)}. If that is right, dismiss"
        " the difference and say so; else hand the device over.",
        field="difference",
    )
