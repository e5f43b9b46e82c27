"""What devices reported, and the seals that bind it to the ledger by the hour."""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q

from registry.models.base import Keyed, LedgerKind, Record, code_field, entry_key
from registry.models.tokens import DeviceToken
from registry.rules.merkle import HASH_LENGTH


class Reading(Keyed):
    """One report of a device, as it came.

    The serial is text as reported, and no key to a device: which device, and which cabinet, is looked up
    by the measured time, so that a corrected assignment brings its reports with it.
    """

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.SEALED

    serial = code_field()  # canonical: upper case, no separators
    measured_at = models.DateTimeField()
    received_at = models.DateTimeField()
    distances_mm = models.JSONField()  # by port, port 1 first: whole mm, or null where nothing was heard
    temperatures_c = models.JSONField()  # decimals as text, by sensor of the device, or null
    supply_mv = models.PositiveIntegerField(null=True)
    signal_dbm = models.SmallIntegerField(null=True)
    firmware = code_field(blank=True)
    # Found by serial and time, never by who brought it.
    reported_by = models.ForeignKey(DeviceToken, on_delete=models.PROTECT, db_index=False, related_name="+")
    seal = entry_key("seal_index", null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["serial", "measured_at"], name="reading_once"),
            models.CheckConstraint(condition=~Q(serial=""), name="reading_has_serial"),
        ]
        indexes = [models.Index(fields=["seal", "received_at"], name="reading_by_seal")]

    def __str__(self) -> str:
        return f"{self.serial} at {self.measured_at:%Y-%m-%d %H:%M:%S}"


class ReadingSeal(Record):
    """The seal of one hour: the Merkle root over the canonical bytes of its reports, in the order of keys.

    Its reports are those whose seal is the entry that registered this. What came late is in a later one.
    """

    sealed_until = models.DateTimeField(unique=True)  # the full hour before which they were received
    row_count = models.PositiveIntegerField()
    root = models.CharField(max_length=2 * HASH_LENGTH)
    first_received_at = models.DateTimeField()
    last_received_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(row_count__gte=1), name="reading_seal_of_something"),
            models.CheckConstraint(
                condition=Q(
                    first_received_at__lte=F("last_received_at"), last_received_at__lt=F("sealed_until")
                ),
                name="reading_seal_times_in_order",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.sealed_until:%Y-%m-%d %H:%M} UTC"
