"""Checkpoints of the ledger, the tree that they sum up, and how each left the machine."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from registry.models.base import Keyed, LedgerKind
from registry.rules.checkpoints import PUBLIC_KEY_LENGTH, SIGNATURE_LENGTH, Signed
from registry.rules.merkle import HASH_LENGTH


class Checkpoint(models.Model):
    """What the ledger was at one size, signed. `record` is what the signature binds; size, root and time
    repeat its parts so that they can be searched, and the audit compares them."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.LEDGER

    size = models.BigIntegerField(primary_key=True)  # entries 1 to size
    root = models.BinaryField(max_length=HASH_LENGTH)
    at = models.DateTimeField()
    record = models.TextField()
    signature = models.CharField(max_length=2 * SIGNATURE_LENGTH)
    public_key = models.CharField(max_length=2 * PUBLIC_KEY_LENGTH)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(size__gte=1), name="checkpoint_size_from_1")]

    def __str__(self) -> str:
        return f"checkpoint of {self.size}"

    def as_signed(self) -> Signed:
        """Return record and signature as a plain value."""
        return Signed(self.record, self.signature, self.public_key)


class TreeNode(models.Model):
    """The hash of one whole subtree above the leaves. Its number counts subtrees in their order from left
    to right: (2 x position + 1) x 2^level - 1."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.DERIVED

    number = models.BigIntegerField(primary_key=True)
    digest = models.BinaryField(max_length=HASH_LENGTH)

    def __str__(self) -> str:
        return f"subtree {self.number}"


class CheckpointDeparture(Keyed):
    """A try to bring a checkpoint to a place outside; `problem` says why it did not leave, or is blank."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.OPERATIONAL

    checkpoint = models.ForeignKey(Checkpoint, on_delete=models.PROTECT, related_name="departures")
    to = models.TextField()  # the folder or address
    tried_at = models.DateTimeField()
    problem = models.TextField(blank=True)

    class Meta:
        indexes = [models.Index(fields=["to", "checkpoint"], name="departure_by_place")]

    def __str__(self) -> str:
        return f"{self.checkpoint_id} to {self.to}"
