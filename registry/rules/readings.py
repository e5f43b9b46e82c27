"""What a device reports: how a row of a batch is read, and the bytes by which it is sealed.

A value out of what could be sent is refused; whether one that could is plausible is for the acceptance
check to say, which needs it as it came.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Final

from registry.rules.cabinets import SENSORS_MAX
from registry.rules.canonical import canonical_bytes, plain
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import normalise
from registry.rules.particulars import invalid
from registry.rules.periods import require_offset, require_past
from registry.rules.texts import CODE_LENGTH_MAX, clean_code

BATCH_MAX = 500  # rows in one batch
# Older than this is a clock that was never set. Buffers of devices reach back some weeks: common practice,
# no source.
LATE_MAX = timedelta(days=400)
UNSEALED_MAX = timedelta(days=1)  # how long a reading may wait for its seal before an audit says so
HOUR = timedelta(hours=1)
SEAL_ROWS_MAX = 10_000  # about a second under the ledger lock, which others wait for

DISTANCE_MM_MAX = 65_535  # the largest unsigned number of two bytes, in which sensors send millimetres
TEMPERATURE_C_LEAST, TEMPERATURE_C_MOST = Decimal(-100), Decimal(150)
TEMPERATURE_PLACES_MAX = 4  # sensors of twelve bits step by 0.0625 degrees
SUPPLY_MV_MAX = 1_000_000
SIGNAL_DBM_LEAST, SIGNAL_DBM_MOST = -200, 50

FIELDS: Final = (
    "serial", "measured_at", "distances_mm", "temperatures_c", "supply_mv", "signal_dbm", "firmware",
)  # fmt: skip
REQUIRED: Final = ("serial", "measured_at", "distances_mm")

_PLAIN_SERIAL = re.compile(rf"[0-9A-Z*]{{1,{CODE_LENGTH_MAX}}}")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?([Zz]|[+-]\d\d:\d\d)?", re.ASCII)
_DECIMAL = re.compile(r"-?\d{1,4}(\.\d{1,30})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Report:
    """One row as it is kept: the serial canonical, the time in UTC, distances by port, port 1 first."""

    serial: str
    measured_at: datetime
    distances_mm: tuple[int | None, ...]
    temperatures_c: tuple[str | None, ...]
    supply_mv: int | None = None
    signal_dbm: int | None = None
    firmware: str = ""


def check_size(rows: int) -> None:
    """Raise RuleBroken TOO_MANY for a batch of more than BATCH_MAX rows."""
    if rows > BATCH_MAX:
        raise RuleBroken(
            Code.TOO_MANY, f"{rows} rows are more than {BATCH_MAX}. Send the rest apart.", field="readings"
        )


def read_report(row: object, now: datetime) -> Report:
    """Return one row of a batch as it is kept.

    Raises RuleBroken with the field: TEXT_INVALID, VALUE_INVALID, TIME_INVALID for a time without its
    offset or more than LATE_MAX ago, TIME_IN_FUTURE.
    """
    if not isinstance(row, Mapping):
        raise RuleBroken(Code.VALUE_INVALID, "A row must be one object. Put its fields in braces.")
    for name in row:
        if name not in FIELDS:
            raise RuleBroken(
                Code.VALUE_INVALID,
                f"A row holds a field that is not known here. Use only {', '.join(FIELDS)}.",
            )
    for name in REQUIRED:
        if row.get(name) is None:
            raise invalid(name, f"The {name} is missing. Fill it in.")
    return Report(
        _serial(row["serial"]),
        _moment(row["measured_at"], now),
        tuple(_distance(value) for value in _listed(row["distances_mm"], "distances_mm")),
        tuple(_temperature(value) for value in _listed(row.get("temperatures_c"), "temperatures_c")),
        _whole(row.get("supply_mv"), "supply_mv", 0, SUPPLY_MV_MAX, "mV"),
        _whole(row.get("signal_dbm"), "signal_dbm", SIGNAL_DBM_LEAST, SIGNAL_DBM_MOST, "dBm"),
        _firmware(row.get("firmware")),
    )


def require_own(serial: str, own: str | None) -> None:
    """Raise RuleBroken OTHER_DEVICE where a device's own token reports for another; a gateway has no own."""
    if own is not None and serial != own:
        raise RuleBroken(
            Code.OTHER_DEVICE,
            "This token reports for its own device alone. Send this row with that device's or a gateway's.",
            field="serial",
        )


def require_same(report: Report, held: Report) -> None:
    """Raise RuleBroken READING_DIFFERS unless a report says what is held of its device and time."""
    if report != held:
        raise RuleBroken(
            Code.READING_DIFFERS,
            "Another report of this device and time says something else, and stays. Find out which of the"
            " two is right; a new measurement has its own time.",
            field="measured_at",
        )


def full_hour(moment: datetime) -> datetime:
    """Return the beginning of a moment's hour, in UTC."""
    return moment.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def hour_due(
    first: datetime, last: datetime | None, sealed: datetime | None, now: datetime
) -> datetime | None:
    """Return the full hour up to which is sealed next, or None where none is due.

    `first` is when the earliest reading without a seal was received, `last` when the one that SEAL_ROWS_MAX
    allows last, None where fewer wait, and `sealed` until when there are seals. All that is over is sealed
    at once; where more waits, whole hours of it, at least one. What came to an end after its hour was sealed
    goes with a later one.
    """
    over = full_hour(now)
    until = over if last is None else max(full_hour(first) + HOUR, full_hour(last))
    until = until if sealed is None else max(until, sealed + HOUR)
    return until if until <= over else None


def sealed_bytes(values: Mapping[str, object]) -> bytes:
    """Return the canonical bytes of a stored reading, by column, without its seal: a leaf of the seal's tree.

    Raises ValueError for what has no canonical form.
    """
    return canonical_bytes({name: plain(value) for name, value in values.items()})


# --- values --------------------------------------------------------------------------------------------


def _serial(value: object) -> str:
    if type(value) is str and _PLAIN_SERIAL.fullmatch(value):
        return value
    if type(value) is not str:
        raise RuleBroken(Code.TEXT_INVALID, "The serial must be text. Put it in quotes.", field="serial")
    serial = normalise(value)
    if len(serial) > CODE_LENGTH_MAX:
        raise RuleBroken(
            Code.TEXT_INVALID,
            f"The serial has more than {CODE_LENGTH_MAX} characters. Send it as the label shows it.",
            field="serial",
        )
    return serial


def _moment(value: object, now: datetime) -> datetime:
    if type(value) is not str or not _MOMENT.fullmatch(value):
        raise RuleBroken(
            Code.TIME_INVALID,
            "The time is none. Send it as 2026-05-01T09:30:00-04:00 or 2026-05-01T13:30:00Z.",
            field="measured_at",
        )
    try:
        moment = datetime.fromisoformat(value.upper())
    except ValueError:
        raise RuleBroken(
            Code.TIME_INVALID, "There is no such time. Set the device's clock.", field="measured_at"
        ) from None
    require_offset(moment, "measured_at")
    moment = moment.astimezone(UTC)
    require_past(moment, now, "measured_at")
    if moment < now - LATE_MAX:
        raise RuleBroken(
            Code.TIME_INVALID,
            f"This was measured more than {LATE_MAX.days} days ago, so the clock was not set. Set it.",
            field="measured_at",
        )
    return moment


def _listed(value: object, field: str) -> list[object]:
    if value is None:
        return []
    if not isinstance(value, list | tuple) or len(value) > SENSORS_MAX:
        raise invalid(field, f"The {field} must be a list of at most {SENSORS_MAX} values. Send one.")
    return list(value)


def _distance(value: object) -> int | None:
    return _whole(value, "distances_mm", 0, DISTANCE_MM_MAX, "mm")


def _whole(value: object, field: str, least: int, most: int, unit: str) -> int | None:
    if value is None:
        return None
    # A whole number that came as 412.0 is one, too: not every device writes integers.
    if type(value) is float and value.is_integer():
        value = int(value)
    if type(value) is not int or not least <= value <= most:
        raise invalid(
            field,
            f"The {field} must be whole {unit} from {least} to {most}, or null where there is none."
            " Send it so.",
        )
    return value


def _temperature(value: object) -> str | None:
    if value is None:
        return None
    # repr gives the shortest text of a binary fraction: -18.3, not what it comes to exactly.
    text = value if type(value) is str else repr(value) if type(value) in (int, float) else ""
    found = _temperature_text(text) if len(text) <= CODE_LENGTH_MAX else None
    if found is None:
        raise invalid(
            "temperatures_c",
            f"Temperatures must be degrees Celsius from {TEMPERATURE_C_LEAST} to {TEMPERATURE_C_MOST} with"
            f" at most {TEMPERATURE_PLACES_MAX} places, or null where there is none. Send them so.",
        )
    return found


@lru_cache(maxsize=4_096)
def _temperature_text(text: str) -> str | None:
    """Return a temperature in its one form, -18.5 for -18.50 and 0 for -0.0; None where it is none."""
    try:
        number = Decimal(text) if _DECIMAL.fullmatch(text) else Decimal("NaN")
    except InvalidOperation:
        return None
    if number.is_nan() or not TEMPERATURE_C_LEAST <= number <= TEMPERATURE_C_MOST:
        return None
    plain_text = format(number.normalize(), "f")
    _, _, places = plain_text.partition(".")
    if len(places) > TEMPERATURE_PLACES_MAX:
        return None
    return "0" if plain_text == "-0" else plain_text


def _firmware(value: object) -> str:
    if value is None or value == "":
        return ""
    if type(value) is not str:
        raise RuleBroken(Code.TEXT_INVALID, "The firmware must be text. Put it in quotes.", field="firmware")
    return _firmware_text(value)


@lru_cache(maxsize=256)
def _firmware_text(text: str) -> str:
    return clean_code(text, "firmware")
