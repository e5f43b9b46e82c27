"""Answers that were given, kept so that a repeated request gets the same one."""

from typing import ClassVar

from django.db import models

from registry.models.base import Keyed, LedgerKind
from registry.rules.requests import KEY_LENGTH_MAX


class RequestAnswer(Keyed):
    """The answer to one person's request under one idempotency key, written with what the request did."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.OPERATIONAL

    staff_id = models.UUIDField()
    key = models.CharField(max_length=KEY_LENGTH_MAX)
    digest = models.BinaryField(max_length=32)  # SHA-256 of what was asked
    status = models.PositiveSmallIntegerField()
    headers = models.JSONField()  # name to text
    body = models.TextField()
    answered_at = models.DateTimeField(db_index=True)
    # Whose personal text the answer repeats; it goes when that is erased.
    contact_id = models.UUIDField(null=True, db_index=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["staff_id", "key"], name="request_answered_once")]

    def __str__(self) -> str:
        return f"answer to {self.key}"
