"""Reports of a device while it hung in no cabinet."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID


@dataclass(frozen=True, slots=True)
class Reported:
    """How often a device reported during a stay outside any cabinet, and when it first and last measured.

    `identity` is that of the stay, None before anything is known of the device.
    """

    identity: UUID | None
    count: int
    first: datetime
    last: datetime
