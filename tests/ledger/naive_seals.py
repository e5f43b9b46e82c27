"""The root of a seal by the definition of RFC 9162 section 2.1.1, and RFC 8785 by its reference library."""

from collections.abc import Iterable
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

import rfc8785

from registry.models import Reading


def naive_root(readings: Iterable[Reading]) -> str:
    """Return the root over readings, by their keys in order, as hexadecimal text."""
    leaves = [_leaf(reading) for reading in sorted(readings, key=lambda reading: str(reading.pk))]
    return _tree(leaves).hex()


def _tree(leaves: list[bytes]) -> bytes:
    if len(leaves) == 1:
        return leaves[0]
    split = 1
    while 2 * split < len(leaves):
        split *= 2
    return sha256(b"\x01" + _tree(leaves[:split]) + _tree(leaves[split:])).digest()


def _leaf(reading: Reading) -> bytes:
    values: dict[str, Any] = {
        "id": str(reading.pk),
        "serial": reading.serial,
        "measured_at": _text(reading.measured_at),
        "received_at": _text(reading.received_at),
        "distances_mm": reading.distances_mm,
        "temperatures_c": reading.temperatures_c,
        "supply_mv": reading.supply_mv,
        "signal_dbm": reading.signal_dbm,
        "firmware": reading.firmware,
        "reported_by_id": str(reading.reported_by_id),
    }
    return sha256(b"\x00" + rfc8785.dumps(values)).digest()


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
