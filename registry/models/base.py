"""What every table of the register shares: keys, kinds, and the two shapes of ledgered rows.

A *record* holds what is believed of a thing now: one row, changed in place, each change imaged in the
ledger and stamped with the entry that made it. A *version* is never changed: it is superseded, once.
"""

import secrets
import time
from datetime import datetime
from enum import StrEnum
from typing import Any, ClassVar, Self
from uuid import UUID

from django.db import models
from django.db.models import F, Q

from registry.rules.keys import RANDOM_BITS, uuid7
from registry.rules.periods import Period, Stretch
from registry.rules.texts import CODE_LENGTH_MAX, LINE_LENGTH_MAX

NS_PER_MS = 1_000_000


class LedgerKind(StrEnum):
    """How the ledger stands behind a table; every model declares one."""

    LEDGER = "ledger"  # the ledger itself
    RECORD = "record"  # imaged and replayed, changed in place under an entry's index
    VERSION = "version"  # imaged and replayed, superseded once
    PART = "part"  # imaged and replayed, belongs to a version and never changes
    ERASABLE = "erasable"  # personal text to which a ledgered row commits; may be wiped
    SEALED = "sealed"  # readings, committed to by the hour
    OPERATIONAL = "operational"  # sessions, requests in progress
    DERIVED = "derived"  # can be computed again from the rest


def new_key() -> UUID:
    """Return a fresh UUIDv7."""
    return uuid7(time.time_ns() // NS_PER_MS, secrets.randbits(RANDOM_BITS))


class KeyField(models.UUIDField):  # type: ignore[type-arg]
    """A UUIDv7 made by the application. Migrations see a plain UUIDField, so they import nothing of ours."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"default": new_key, "editable": False, **options})

    def deconstruct(self) -> tuple[str, str, Any, dict[str, Any]]:
        """Return what a migration needs, without the default."""
        name, _path, args, options = super().deconstruct()
        options.pop("default")
        return name, "django.db.models.UUIDField", args, options


class Keyed(models.Model):
    """A row whose key a phone without signal can name before the register knows of it."""

    id = KeyField(primary_key=True)

    class Meta:
        abstract = True


def entry_key(column: str, **options: Any) -> "models.ForeignKey[Any, Any]":
    """Return a foreign key to the ledger entry whose index the column holds.

    The entry is appended after the row, in the same transaction: the key is checked at its end.
    """
    return models.ForeignKey(
        "registry.Entry",
        on_delete=models.PROTECT,
        db_column=column,
        db_index=False,
        related_name="+",
        editable=False,
        **options,
    )


class Record(Keyed):
    """What is believed of one thing now; `revised` names the entry that last wrote the row."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.RECORD
    # Columns that no entry images, each with its reason.
    not_imaged: ClassVar[dict[str, str]] = {}

    registered = entry_key("registered_index")
    revised = entry_key("revised_index")

    class Meta:
        abstract = True

    @property
    def label(self) -> str:
        """What the ledger calls the thing: its code or name, never personal data."""
        raise NotImplementedError


class VersionQuerySet(models.QuerySet[Any]):
    """Versions by what was believed."""

    def current(self) -> Self:
        """Return what the register believes now."""
        return self.filter(superseded=None)

    def believed_at(self, index: int) -> Self:
        """Return what the register believed right after ledger entry `index`."""
        return self.filter(Q(superseded=None) | Q(superseded__gt=index), recorded__lte=index)


class Version(Keyed):
    """A belief: made by one entry, superseded by at most one later entry, never changed otherwise."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.VERSION

    recorded = entry_key("recorded_index")
    superseded = entry_key("superseded_index", null=True)

    objects: ClassVar[VersionQuerySet] = VersionQuerySet.as_manager()  # type: ignore[assignment]

    class Meta:
        abstract = True


class PeriodQuerySet(VersionQuerySet):
    """Periods by what was true."""

    def valid_at(self, moment: datetime) -> Self:
        """Return the periods that contain the moment."""
        return self.filter(Q(valid_to=None) | Q(valid_to__gt=moment), valid_from__lte=moment)

    def overlapping(self, valid_from: datetime, valid_to: datetime | None) -> Self:
        """Return the periods that share an instant with [valid_from, valid_to)."""
        found = self.filter(Q(valid_to=None) | Q(valid_to__gt=valid_from))
        return found if valid_to is None else found.filter(valid_from__lt=valid_to)


class PeriodVersion(Version):
    """A version of a dated relation. All versions of one relation share `period`, its stable identity."""

    # The columns that a history runs along: one thing has one current period at a time.
    history_of: ClassVar[str]

    period = KeyField(db_index=True)
    valid_from = models.DateTimeField()
    valid_to = models.DateTimeField(null=True)
    # The start is "no later than": shown so, and never used for billing.
    starts_known_by = models.BooleanField(default=False)

    objects: ClassVar[PeriodQuerySet] = PeriodQuerySet.as_manager()  # type: ignore[assignment]

    class Meta:
        abstract = True

    def as_period(self) -> Period:
        """Return the bounds as a plain value."""
        return Period(self.valid_from, self.valid_to)

    def as_stretch(self, label: str = "") -> Stretch:
        """Return the identity and bounds as a plain value, under the name by which people know it."""
        return Stretch(self.period, self.as_period(), label)


def ends_after_start(name: str) -> models.CheckConstraint:
    """Return the check that a period ends after it starts."""
    return models.CheckConstraint(
        condition=Q(valid_to=None) | Q(valid_to__gt=F("valid_from")), name=f"{name}_ends_after_start"
    )


def one_of(field: str, choices: type[StrEnum], name: str) -> models.CheckConstraint:
    """Return the check that a column holds one of the words of an enumeration."""
    return models.CheckConstraint(condition=Q(**{f"{field}__in": [str(c) for c in choices]}), name=name)


def line_field(**options: Any) -> "models.CharField[str, str]":
    """Return a column for one line of text; blank text, never null, where it may be absent."""
    return models.CharField(max_length=LINE_LENGTH_MAX, **options)


def code_field(**options: Any) -> "models.CharField[str, str]":
    """Return a column for a code that people use."""
    return models.CharField(max_length=CODE_LENGTH_MAX, **options)


def word_field(**options: Any) -> "models.CharField[str, str]":
    """Return a column for one word of an enumeration."""
    return models.CharField(max_length=20, **options)
