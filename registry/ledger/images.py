"""Images: a ledgered row in the restricted form of the ledger, by column.

An image is taken after normalisation, so that `5` and `5.00` are one and the same row gives the same
image whether it was just built or read back. A migration that alters a ledgered table raises SCHEMA and
adds a pure step from the former form, so that old entries replay for ever.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import Field, Model

from registry.models.base import LedgerKind
from registry.rules.canonical import Json, plain

SCHEMA = 1  # of the images that are written now

Image = dict[str, Json]

IMAGED_KINDS = (LedgerKind.RECORD, LedgerKind.VERSION, LedgerKind.PART)

# From the images of schema n to those of n + 1: (table, image) to (table, image), or None to drop it.
STEPS: dict[int, Callable[[str, Image], tuple[str, Image] | None]] = {}


def ledgered_models() -> list[type[Model]]:
    """Return the models whose rows are imaged, by name."""
    found = [
        model
        for model in apps.get_app_config("registry").get_models()
        if getattr(model, "ledger_kind", None) in IMAGED_KINDS
    ]
    return sorted(found, key=table_name)


def table_name(model: type[Model]) -> str:
    """Return the name under which the ledger speaks of a model's table."""
    return model._meta.model_name or ""


def imaged_fields(model: type[Model]) -> list["Field[Any, Any]"]:
    """Return the fields that an image holds, in the order of the model."""
    not_imaged: dict[str, str] = getattr(model, "not_imaged", {})
    return [field for field in model._meta.local_concrete_fields if field.name not in not_imaged]


def column_of(field: "Field[Any, Any]") -> str:
    """Return the name of a field's column; raises TypeError for a field without one."""
    if field.column is None:
        raise TypeError(f"{field.name} has no column")
    return field.column


def normalise(row: Model) -> None:
    """Bring every value of a row into the form in which the database gives it back.

    Raises what a field raises for a value that is not of its type.
    """
    for field in row._meta.local_concrete_fields:
        setattr(row, field.attname, _normal(field, getattr(row, field.attname)))


def image_of(row: Model) -> Image:
    """Return the image of a row: column to plain value."""
    return {
        column_of(field): plain(_normal(field, getattr(row, field.attname)))
        for field in imaged_fields(type(row))
    }


def _normal(field: "Field[Any, Any]", value: Any) -> Any:
    if value is None:
        return None
    target = field.target_field if isinstance(field, models.ForeignKey) else field
    value = target.to_python(value)
    if isinstance(target, models.DecimalField):
        return value.quantize(Decimal(1).scaleb(-target.decimal_places))
    if isinstance(value, datetime):
        return value.astimezone(UTC)
    return value


def upgraded(schema: int, table: str, image: Image) -> tuple[str, Image] | None:
    """Return an image of an older schema in today's form, or None where its table is gone."""
    step: tuple[str, Image] | None = (table, image)
    for number in range(schema, SCHEMA):
        if step is None:
            return None
        step = STEPS[number](*step)
    return step


def rows_in_key_order(model: type[Model], chunk: int = 2_000) -> Iterator[Model]:
    """Yield every row of a model by key, reading `chunk` rows at a time."""
    yield from model._default_manager.order_by("pk").iterator(chunk_size=chunk)
