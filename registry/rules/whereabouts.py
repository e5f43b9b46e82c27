"""Where a device or a cabinet may be, and from where it may go on."""

from enum import StrEnum

from registry.rules.errors import Code, RuleBroken


class DevicePlace(StrEnum):
    """Where a device is; custody and assignment are one axis, because a device is in one place."""

    DEPOT = "depot"
    VAN = "van"
    CABINET = "cabinet"
    MAKER = "maker"
    LOST = "lost"
    RETIRED = "retired"


class CabinetPlace(StrEnum):
    """Where a cabinet is."""

    LOCATION = "location"
    DEPOT = "depot"
    SCRAPPED = "scrapped"


class DeviceStanding(StrEnum):
    """Whether the office vouches for a device."""

    CONFIRMED = "confirmed"
    PROVISIONAL = "provisional"  # found in the field, scheme checked, not yet confirmed
    MERGED = "merged"  # it was another device all along
    REJECTED = "rejected"  # it was none of ours, or never was


# A record of these stands for a device of ours; its serial is taken.
LIVE = (DeviceStanding.CONFIRMED, DeviceStanding.PROVISIONAL)


class EndReason(StrEnum):
    """Why an assignment ended."""

    FAULT = "fault"
    SWAP = "swap"
    MOVED = "moved"
    CLOSED = "closed"
    OTHER = "other"  # told in words


IN_HAND = frozenset({DevicePlace.DEPOT, DevicePlace.VAN})  # from here a device can be assigned

# What a device's next place may be. Retired is final: the serial never returns.
DEVICE_NEXT: dict[DevicePlace, frozenset[DevicePlace]] = {
    DevicePlace.DEPOT: frozenset(DevicePlace),
    DevicePlace.VAN: frozenset(DevicePlace),
    DevicePlace.CABINET: frozenset(DevicePlace),
    DevicePlace.MAKER: frozenset(DevicePlace) - {DevicePlace.CABINET, DevicePlace.MAKER},
    DevicePlace.LOST: frozenset({DevicePlace.DEPOT, DevicePlace.VAN, DevicePlace.RETIRED}),
    DevicePlace.RETIRED: frozenset(),
}
WORDS = {
    DevicePlace.DEPOT: "in a depot",
    DevicePlace.VAN: "in a van",
    DevicePlace.CABINET: "in a cabinet",
    DevicePlace.MAKER: "in repair at its maker",
    DevicePlace.LOST: "lost",
    DevicePlace.RETIRED: "retired",
}


def check_standing(standing: DeviceStanding) -> None:
    """Raise RuleBroken DEVICE_NOT_AVAILABLE for a device that was merged or rejected."""
    if standing in (DeviceStanding.MERGED, DeviceStanding.REJECTED):
        raise RuleBroken(
            Code.DEVICE_NOT_AVAILABLE,
            f"This record was {standing}; it stands for no device. Look up the serial on the label.",
            field="device",
            details={"standing": str(standing)},
        )


def check_device_move(standing: DeviceStanding, present: DevicePlace, next_place: DevicePlace) -> None:
    """Raise RuleBroken DEVICE_NOT_AVAILABLE where a device cannot go from one place to the next."""
    check_standing(standing)
    if next_place not in DEVICE_NEXT[present]:
        way_out = {
            DevicePlace.LOST: "Record first that it was found.",
            DevicePlace.MAKER: "Record first that it came back.",
            DevicePlace.RETIRED: "A retired serial does not return; use another device.",
        }[present]
        raise RuleBroken(
            Code.DEVICE_NOT_AVAILABLE,
            f"The device is {WORDS[present]}. {way_out}",
            field="device",
            details={"place": str(present)},
        )


def check_cabinet_move(present: CabinetPlace) -> None:
    """Raise RuleBroken CABINET_NOT_AVAILABLE for a cabinet that was scrapped."""
    if present is CabinetPlace.SCRAPPED:
        raise RuleBroken(
            Code.CABINET_NOT_AVAILABLE,
            "The cabinet was scrapped. Register the one that stands there under its own tag.",
            field="cabinet",
        )
