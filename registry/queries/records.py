"""Records as they were known: the row itself where it is unchanged, else its image in the ledger."""

from collections.abc import Iterable
from typing import Any, TypeVar
from uuid import UUID

from django.db.models import ForeignKey, Max

from registry.ledger.images import Image, column_of, imaged_fields, table_name, upgraded
from registry.models import Entry, Subject
from registry.models.base import Record
from registry.rules.canonical import parse_canonical

Thing = TypeVar("Thing", bound=Record)


def records_known_at(model: type[Thing], index: int, keys: Iterable[UUID] | None = None) -> dict[UUID, Thing]:
    """Return the records that the register knew right after entry `index`, as it knew them then.

    One query, and two more where one of them was revised since.
    """
    rows = model._default_manager.filter(registered__lte=index)
    if keys is not None:
        rows = rows.filter(pk__in=list(keys))
    return {row.pk: row for row in as_known(rows, index)}


def as_known(rows: Iterable[Thing], index: int) -> list[Thing]:
    """Return records that were read, in their order, as the register knew them right after entry `index`.

    No query where none was revised since, else two.
    """
    found: dict[UUID, Thing] = {row.pk: row for row in rows}
    revised = [key for key, row in found.items() if row.revised_id > index]
    if not revised:
        return list(found.values())
    newest = (
        Subject.objects.filter(thing_id__in=revised, wrote_record=True, entry__lte=index)
        .values("thing_id")
        .annotate(newest=Max("entry"))
        .values_list("thing_id", "newest")
    )
    entry_of = dict(newest)
    entries = Entry.objects.in_bulk(set(entry_of.values()))
    for key in revised:
        image = _image_in(entries[entry_of[key]], table_name(type(found[key])), key)
        found[key] = _rebuilt(found[key], image)
    return list(found.values())


def states_of(model: type[Thing], index: int, keys: Iterable[UUID]) -> dict[UUID, list[tuple[int, Thing]]]:
    """Return records in every state that the register knew up to entry `index`, each with its entry's index.

    Oldest first. One query, and two more where one of them was ever revised.
    """
    rows = model._default_manager.filter(registered__lte=index, pk__in=list(keys))
    found: dict[UUID, list[tuple[int, Thing]]] = {row.pk: [(row.registered_id, row)] for row in rows}
    revised = {key: states[0][1] for key, states in found.items() if states[0][1].revised_id != states[0][0]}
    if not revised:
        return found
    wrote = (
        Subject.objects.filter(thing_id__in=revised, wrote_record=True, entry__lte=index)
        .order_by("entry")
        .values_list("thing_id", "entry")
        .distinct()
    )
    written = [(key, number) for key, number in wrote]
    entries = Entry.objects.in_bulk({number for _, number in written})
    found |= {key: [] for key in revised}
    for key, number in written:
        image = _image_in(entries[number], table_name(model), key)
        found[key].append((number, _rebuilt(revised[key], image)))
    return found


def refer_as_known(rows: Iterable[Any], index: int, **models: type[Record]) -> None:
    """Let rows refer, by each of the named keys, to the things as known right after entry `index`.

    For each key as many queries as `records_known_at` needs, whatever the number of rows.
    """
    rows = list(rows)
    for name, model in models.items():
        keys = {key for row in rows if (key := getattr(row, f"{name}_id")) is not None}
        known = records_known_at(model, index, keys)
        for row in rows:
            setattr(row, name, known.get(getattr(row, f"{name}_id")))


def _image_in(entry: Entry, table: str, key: UUID) -> Image:
    """Return the last image of a row in an entry, in today's form."""
    body = parse_canonical(entry.body.encode())
    images = body["images"] if isinstance(body, dict) else []
    for image in reversed(images if isinstance(images, list) else []):
        if isinstance(image, dict) and image["key"] == str(key):
            after = image["after"]
            step = upgraded(entry.schema, str(image["table"]), after) if isinstance(after, dict) else None
            if step is not None and step[0] == table:
                return step[1]
    raise LookupError(f"entry {entry.index} holds no image of {table} {key}")


def _rebuilt(row: Thing, image: Image) -> Thing:
    """Return a record from its image, with what is not imaged taken from the present row."""
    values = {field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields}
    for field in imaged_fields(type(row)):
        target = field.target_field if isinstance(field, ForeignKey) else field
        values[field.attname] = target.to_python(image[column_of(field)])
    rebuilt: Thing = type(row)(**values)
    return rebuilt
