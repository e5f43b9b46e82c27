"""Cabinets and their models: what they are made of."""

from enum import StrEnum

from registry.rules import particulars
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import giai, grai
from registry.rules.particulars import Cleaners, optional, whole_number

INTERIOR_MM_MAX = 5_000
SENSORS_MAX = 16  # common practice is two to six, no source
VOLUME_L_MAX = 10_000
CHARGE_G_MAX = 10_000


class DoorKind(StrEnum):
    """What a customer opens."""

    SOLID = "solid"
    GLASS = "glass"
    SLANTED = "slanted"
    UNKNOWN = "unknown"


class Refrigeration(StrEnum):
    """How a cabinet is cooled; in a cold wall the tubes lie in the walls."""

    FAN_COIL = "fan_coil"  # with auto-defrost
    COLD_WALL = "cold_wall"
    UNKNOWN = "unknown"


class Supply(StrEnum):
    """How a cabinet takes its power."""

    PLUG = "plug"
    HARD_WIRED = "hard_wired"
    UNKNOWN = "unknown"


class Setting(StrEnum):
    """Whether a cabinet stands under a roof."""

    INDOOR = "indoor"
    OUTDOOR = "outdoor"
    UNKNOWN = "unknown"


class DevicesGo(StrEnum):
    """What becomes of the devices when their cabinet moves; the caller says which."""

    FOLLOW = "follow"
    COME_OUT = "come_out"


def asset_tag(value: object, field: str) -> str:
    """Clean an asset tag: a code of the company, or "(8004)..." a GIAI, or "(8003)..." a GRAI.

    Raises RuleBroken TEXT_INVALID, VALUE_INVALID, CHECK_INVALID.
    """
    tag = particulars.code(value, field)
    if tag.startswith("(8004)"):
        return "(8004)" + giai(tag.removeprefix("(8004)"), field)
    if tag.startswith("(8003)"):
        return "(8003)" + grai(tag.removeprefix("(8003)"), field)
    return particulars.code(tag.upper(), field)  # a letter may become two


MODEL_FIELDS: Cleaners = {
    "name": particulars.line,
    "door": particulars.choice(DoorKind),
    "refrigeration": particulars.choice(Refrigeration),
    "interior_width_mm": optional(whole_number(100, INTERIOR_MM_MAX, " mm")),
    "interior_depth_mm": optional(whole_number(100, INTERIOR_MM_MAX, " mm")),
    "interior_height_mm": optional(whole_number(100, INTERIOR_MM_MAX, " mm")),
    "usable_volume_l": optional(whole_number(10, VOLUME_L_MAX, " litres")),
    "sensor_count": whole_number(1, SENSORS_MAX),
    "supply": particulars.choice(Supply),
    "refrigerant": particulars.optional_code,
    "refrigerant_charge_g": optional(whole_number(1, CHARGE_G_MAX, " g")),
}
MODEL_REQUIRED = frozenset({"name", "sensor_count"})

FIELDS: Cleaners = {
    "asset_tag": asset_tag,
    "maker_serial": particulars.optional_code,
    "setting": particulars.choice(Setting),
    "position": particulars.optional_line,
    "condition": particulars.note,
}
REQUIRED = frozenset({"asset_tag"})


def check_devices_go(device_labels: list[str], devices: DevicesGo | None) -> None:
    """Raise RuleBroken VALUE_INVALID where a cabinet with devices moves and nobody says what they do."""
    if device_labels and devices is None:
        raise RuleBroken(
            Code.VALUE_INVALID,
            f"{' and '.join(device_labels)} hangs in this cabinet. Say whether it follows or comes out.",
            field="devices",
            details={"devices": list(device_labels), "choices": [str(choice) for choice in DevicesGo]},
        )
