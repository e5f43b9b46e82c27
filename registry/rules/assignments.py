"""May this device hang in this cabinet, then? Pure: values in, nothing or a refusal out."""

from dataclasses import dataclass

from registry.rules.errors import Code, RuleBroken
from registry.rules.whereabouts import CabinetPlace, DevicePlace, DeviceStanding, check_device_move

SLOTS_MAX = 4  # devices in one cabinet; common practice is one, no source
RAIL_BELOW_CEILING_MM_MAX = 1_000
OFFSET_FROM_FRONT_MM_MAX = 2_000


@dataclass(frozen=True, slots=True)
class Installation:
    """How a device hangs: slot 1..n, sensors left to right by port, the rail's place in mm or unknown."""

    slot: int = 1
    slot_reason: str = ""
    sensor_order: tuple[int, ...] = ()
    rail_below_ceiling_mm: int | None = None
    offset_from_front_mm: int | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """What is known of the device, the cabinet and the store at the time of an assignment."""

    standing: DeviceStanding
    device_place: DevicePlace
    device_cabinet_label: str
    sensor_count: int
    cabinet_place: CabinetPlace
    cabinet_sensor_count: int
    slot_holder_label: str = ""  # the serial that hangs in the slot, if any
    van_is_anothers: bool = False


def check_assignment(candidate: Candidate, installation: Installation) -> None:
    """Raise RuleBroken where the device may not hang there.

    DEVICE_NOT_AVAILABLE, DEVICE_ELSEWHERE, CABINET_NOT_AVAILABLE, SENSOR_COUNT_MISMATCH, SLOT_TAKEN,
    and what `check_installation` raises.
    """
    check_device_move(candidate.standing, candidate.device_place, DevicePlace.CABINET)
    if candidate.device_place is DevicePlace.CABINET:
        raise RuleBroken(
            Code.DEVICE_ELSEWHERE,
            f"The device hangs in cabinet {candidate.device_cabinet_label}. End that assignment first,"
            " or compare the serial with the label.",
            field="device",
            details={"cabinet": candidate.device_cabinet_label},
        )
    if candidate.van_is_anothers:
        raise RuleBroken(
            Code.DEVICE_ELSEWHERE,
            "The device is in another person's van. Have it handed over to you first.",
            field="device",
        )
    check_fit(candidate, installation)


def check_fit(candidate: Candidate, installation: Installation) -> None:
    """Raise RuleBroken where cabinet, sensors or slot do not suit, wherever the device comes from."""
    if candidate.cabinet_place is not CabinetPlace.LOCATION:
        raise RuleBroken(
            Code.CABINET_NOT_AVAILABLE,
            f"The cabinet is {'in a depot' if candidate.cabinet_place is CabinetPlace.DEPOT else 'scrapped'};"
            " devices are assigned where a cabinet stands in a store. Put it up first.",
            field="cabinet",
        )
    if candidate.sensor_count != candidate.cabinet_sensor_count:
        raise RuleBroken(
            Code.SENSOR_COUNT_MISMATCH,
            f"The device has {candidate.sensor_count} sensors, the cabinet takes"
            f" {candidate.cabinet_sensor_count}. Use a device of the right size.",
            field="device",
        )
    if candidate.slot_holder_label:
        raise RuleBroken(
            Code.SLOT_TAKEN,
            f"Device {candidate.slot_holder_label} hangs in slot {installation.slot}. Swap it, or end its"
            " assignment first.",
            field="slot",
            details={"device": candidate.slot_holder_label},
        )
    check_installation(installation, candidate.sensor_count)


def check_installation(installation: Installation, sensor_count: int) -> None:
    """Raise RuleBroken for facts of an installation that cannot be.

    VALUE_INVALID: a slot, a sensor order or a measure out of range. SLOT_NEEDS_REASON.
    """
    if not 1 <= installation.slot <= SLOTS_MAX:
        raise _invalid("slot", f"A slot is 1 to {SLOTS_MAX}, not {installation.slot}. Use slot 1.")
    if installation.slot > 1 and not installation.slot_reason:
        raise RuleBroken(
            Code.SLOT_NEEDS_REASON,
            "A cabinet has one device. Say why this one gets another.",
            field="slot_reason",
        )
    if sorted(installation.sensor_order) != list(range(1, sensor_count + 1)):
        raise _invalid(
            "sensor_order",
            f"The sensor order names each port from 1 to {sensor_count} once, left to right. Check them.",
        )
    for name, most in (
        ("rail_below_ceiling_mm", RAIL_BELOW_CEILING_MM_MAX),
        ("offset_from_front_mm", OFFSET_FROM_FRONT_MM_MAX),
    ):
        measure = getattr(installation, name)
        if measure is not None and not 0 <= measure <= most:
            raise _invalid(name, f"{measure} mm cannot be. Measure again; up to {most} mm are taken.")


def _invalid(field: str, message: str) -> RuleBroken:
    return RuleBroken(Code.VALUE_INVALID, message, field=field)
