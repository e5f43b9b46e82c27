"""Writing records from particulars that somebody gave: cleaned, and their codes not taken."""

from collections.abc import Mapping
from typing import TypeVar
from uuid import UUID

from registry.actions._action import Writing
from registry.actions._steps import find, refuse_taken
from registry.models.base import Record
from registry.rules.particulars import Cleaners, clean_particulars

Thing = TypeVar("Thing", bound=Record)


def cleaned(
    model: type[Record],
    given: Mapping[str, object],
    cleaners: Cleaners,
    *,
    required: frozenset[str] = frozenset(),
    besides: UUID | None = None,
) -> dict[str, object]:
    """Return particulars that may be stored.

    Raises RuleBroken CODE_TAKEN where another record has one of their codes, and what the cleaners raise.
    """
    values = clean_particulars(given, cleaners, required=required)
    for field in model._meta.local_concrete_fields:
        if field.unique and field.name in values:
            refuse_taken(model, field.name, values[field.name], besides=besides)
    return values


def correct_record(
    writing: Writing, model: type[Thing], key: UUID, given: Mapping[str, object], cleaners: Cleaners
) -> Thing:
    """Correct a record in place; raises RuleBroken NOT_FOUND, NOTHING_CHANGES and what `cleaned` does."""
    record = find(model, key, model._meta.model_name or "")
    return writing.revise(record, **cleaned(model, given, cleaners, besides=key))
