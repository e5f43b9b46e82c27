"""Checks of an installation before the installer leaves, frozen with the reports that they judged."""

from django.db import models
from django.db.models import F, Q

from registry.models.base import Record, one_of, word_field
from registry.models.cabinets import Cabinet
from registry.models.devices import Device
from registry.models.locations import Location
from registry.models.staff import Staff
from registry.rules.acceptance import RESULT_WORDS, Result

DIGEST_LENGTH = 64  # hexadecimal digits of SHA-256


class AcceptanceCheck(Record):
    """One check of one assignment, as it was made.

    Reports, findings and what they were judged by are canonical JSON text, so that what was judged can be
    hashed and read again as it was, whatever becomes of models and periods. Only its sign-off comes later,
    once; a check after rework is another row.
    """

    assignment = models.UUIDField(db_index=True)  # the stable identity of the assignment's period
    device = models.ForeignKey(Device, on_delete=models.PROTECT, related_name="acceptance_checks")
    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, related_name="acceptance_checks")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="acceptance_checks")
    visit_id = models.UUIDField(null=True)  # the visit during which it was made, where one was planned
    checked_at = models.DateTimeField()
    checked_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    tape_mm = models.JSONField()  # by sensor from the left: whole mm, or null where nobody measured
    readings = models.TextField()  # the reports that were judged, oldest first
    readings_sha256 = models.CharField(max_length=DIGEST_LENGTH)  # of the UTF-8 bytes of `readings`
    judged_by = models.TextField()  # what they were judged by: installation and models as they then were
    findings = models.TextField()
    result = word_field()
    note = models.TextField(blank=True)
    signed_off_at = models.DateTimeField(null=True)
    signed_off_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    sign_off_note = models.TextField(blank=True)

    class Meta:
        constraints = [
            one_of("result", Result, "acceptance_result_known"),
            models.CheckConstraint(
                condition=Q(signed_off_at=None, signed_off_by=None, sign_off_note="")
                | Q(signed_off_at__isnull=False, signed_off_by__isnull=False),
                name="acceptance_signed_by_somebody",
            ),
            models.CheckConstraint(
                condition=Q(signed_off_at=None) | ~Q(result=str(Result.FAIL)),
                name="acceptance_fail_not_signed",
            ),
            models.CheckConstraint(
                condition=Q(signed_off_at=None) | Q(signed_off_at__gte=F("checked_at")),
                name="acceptance_signed_after_check",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.checked_at:%Y-%m-%d %H:%M} UTC, {RESULT_WORDS[Result(self.result)]}"
