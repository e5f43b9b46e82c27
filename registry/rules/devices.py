"""Devices and their models: what they are made of."""

from enum import StrEnum

from registry.rules import particulars
from registry.rules.cabinets import SENSORS_MAX
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import CheckMethod
from registry.rules.particulars import Cleaners, whole_number
from registry.rules.whereabouts import DeviceStanding

DISTANCE_MM_MAX = 20_000
REPORT_INTERVAL_MIN_MAX = 7 * 24 * 60  # minutes: a device that reports less than weekly is no use here
RECEIVED_MAX = 500  # devices in one entry: its body stays below about half a megabyte


class Principle(StrEnum):
    """How a sensor measures distance."""

    ULTRASONIC = "ultrasonic"
    OPTICAL = "optical"


class Compensation(StrEnum):
    """Whether a device corrects its distances for the temperature of the air."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


MODEL_FIELDS: Cleaners = {
    "name": particulars.line,
    "sensor_count": whole_number(1, SENSORS_MAX),
    "principle": particulars.choice(Principle),
    "blind_zone_mm": whole_number(0, DISTANCE_MM_MAX, " mm"),
    "range_mm": whole_number(1, DISTANCE_MM_MAX, " mm"),
    "compensates": particulars.choice(Compensation),
    "report_interval_min": whole_number(1, REPORT_INTERVAL_MIN_MAX, " minutes"),
    "serial_prefix": particulars.optional_code,
    "serial_alphabet": particulars.code,
    "serial_payload_length": whole_number(1, 30),
    "serial_check_method": particulars.choice(CheckMethod),
    "serial_check_covers_prefix": particulars.yes_or_no,
}
MODEL_REQUIRED = frozenset(MODEL_FIELDS) - {
    "compensates",
    "serial_prefix",
    "serial_check_covers_prefix",
}
# The scheme by which serials were judged does not change under them.
MODEL_CORRECTABLE: Cleaners = {
    name: cleaner for name, cleaner in MODEL_FIELDS.items() if not name.startswith("serial_")
}


def check_range(blind_zone_mm: int, range_mm: int) -> None:
    """Raise RuleBroken VALUE_INVALID where a sensor could measure nothing."""
    if range_mm <= blind_zone_mm:
        raise particulars.invalid(
            "range_mm", "The range must reach beyond the blind zone. Correct one of the two."
        )


def check_provisional(standing: DeviceStanding) -> None:
    """Raise RuleBroken NOT_PROVISIONAL for a device that waits for nobody's word."""
    if standing is not DeviceStanding.PROVISIONAL:
        raise RuleBroken(
            Code.NOT_PROVISIONAL,
            f"This device is {standing}; only a provisional one is confirmed, merged or rejected.",
            field="device",
        )


def check_evidence(evidence: str, photo_sha256: str) -> None:
    """Raise RuleBroken EVIDENCE_MISSING where nothing speaks for a device that nobody booked in."""
    if not evidence and not photo_sha256:
        raise RuleBroken(
            Code.EVIDENCE_MISSING,
            "Nobody booked this device in. Say why you believe it is ours, or add a photo of its label.",
            field="evidence",
        )
