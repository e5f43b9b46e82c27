"""The append-only history: entries and what they are about."""

from typing import ClassVar

from django.db import models

from registry.models.base import LedgerKind, word_field
from registry.rules.merkle import HASH_LENGTH


class Entry(models.Model):
    """One thing done. `body` is the canonical text that `leaf_hash` binds; the other columns repeat
    parts of it so that they can be searched, and the audit compares them."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.LEDGER

    index = models.BigIntegerField(primary_key=True)  # from 1, without gaps
    id = models.UUIDField(unique=True)
    recorded_at = models.DateTimeField(unique=True)
    occurred_at = models.DateTimeField()
    staff_id = models.UUIDField(null=True)  # None: the system itself
    face = word_field()
    verb = models.CharField(max_length=40)
    reason = models.TextField(blank=True)
    schema = models.PositiveSmallIntegerField()
    simulated = models.BooleanField()
    body = models.TextField()
    leaf_hash = models.BinaryField(max_length=HASH_LENGTH)

    class Meta:
        verbose_name_plural = "entries"
        constraints = [models.CheckConstraint(condition=models.Q(index__gte=1), name="entry_index_from_1")]

    def __str__(self) -> str:
        return f"entry {self.index}"


class Subject(models.Model):
    """A thing that an entry is about, the part it plays there, and how people called it then."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.LEDGER

    entry = models.ForeignKey(
        Entry, on_delete=models.PROTECT, db_column="entry_index", related_name="subjects", db_index=False
    )
    position = models.PositiveSmallIntegerField()  # within the entry, from 0
    part = word_field()
    kind = word_field()
    thing_id = models.UUIDField()
    label = models.TextField()
    # The entry wrote the thing's own record, so it holds an image of it.
    wrote_record = models.BooleanField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["entry", "position"], name="subject_once_per_position"),
        ]
        indexes = [models.Index(fields=["kind", "thing_id", "-entry"], name="subject_by_thing")]

    def __str__(self) -> str:
        return f"{self.kind} {self.label} in {self.entry_id}"
