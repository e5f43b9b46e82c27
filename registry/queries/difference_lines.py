"""Differences in words: of what, what was believed, what is believed, and the entries that did it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any
from uuid import UUID

from registry.ledger.images import Image, image_of
from registry.models import CabinetWhereabouts, Contact, Entry, Location, Split, Staff
from registry.queries.changes import (
    NOTHING,
    Words,
    Written,
    column_words,
    fact_words,
    period_words,
    record_lines,
    referred_labels,
    told_shares,
    whose_words,
)
from registry.queries.differences import Between, Difference
from registry.queries.records import records_known_at
from registry.rules.differences import Turn


@dataclass(frozen=True, slots=True)
class Done:
    """An entry that made a difference: who did it, when, and why."""

    index: int
    recorded_at: datetime
    who: str
    verb: str
    reason: str
    simulated: bool


@dataclass(frozen=True, slots=True)
class DifferenceLine:
    """A difference in words. `location` is the store at which it lies, where that is not said already."""

    difference: Difference
    what: str
    was: str
    now: str
    location: Location | None
    entries: tuple[Done, ...]


def difference_lines(
    found: Sequence[Difference], between: Between, zone: tzinfo = UTC
) -> list[DifferenceLine]:
    """Return differences in words, in their order, with times told in `zone`.

    Things are called as known at the last index. As many queries for many as for few.
    """
    words = _words(found, between, zone)
    stores = _stores(found, between)
    done = _done({index for one in found for index in one.indexes})
    return [
        DifferenceLine(
            one,
            *(_record_words(one, words) if one.turn is None else _period_words(one, words)),
            location=stores.get(id(one)),
            entries=tuple(done[index] for index in one.indexes),
        )
        for one in found
    ]


def _words(found: Iterable[Difference], between: Between, zone: tzinfo) -> Words:
    images: list[Written] = []
    splits: set[UUID] = set()
    for one in found:
        rows = [row for row in (one.before, one.after) if row is not None]
        images += [(one.table, None, image_of(row)) for row in rows]
        splits |= {row.pk for row in rows if isinstance(row, Split)}
    labels = {str(one.thing): one.after.label for one in found if one.turn is None}
    shares = told_shares(splits, between.last) if splits else {}
    return Words(labels | referred_labels(images, between.last, labels), shares, zone)


# --- periods ---------------------------------------------------------------------------------------


def _period_words(one: Difference, words: Words) -> tuple[str, str, str]:
    """Return of what, what was believed of a period, and what is."""
    before = image_of(one.before) if one.before else None
    after = image_of(one.after) if one.after else None
    image = after or before or {}
    whose = whose_words(one.table, image, words)
    if before and after and one.turn in (Turn.MOVED, Turn.ENDED):
        names = [name for name in ("valid_from", "valid_to") if before[name] != after[name]]
        if before["starts_known_by"] != after["starts_known_by"] and "valid_from" not in names:
            names = ["valid_from", *names]
        return (
            f"{whose}: {fact_words(one.table, image, words)}",
            _bounds(before, names, words),
            _bounds(after, names, words),
        )
    return (
        whose,
        period_words(one.table, before, words) if before else NOTHING,
        period_words(one.table, after, words) if after else NOTHING,
    )


def _bounds(image: Image, names: Sequence[str], words: Words) -> str:
    told = []
    for name in names:
        if name == "valid_from":
            told.append("known by" if image["starts_known_by"] else "from")
        elif image[name] is None:
            told.append("still")
            continue
        else:
            told.append("until")
        told.append(words.value(name, image[name]))
    said = [words.value(name, image[name]) for name in ("end_reason", "end_note") if image.get(name)]
    return " ".join(told) + (f" ({': '.join(said)})" if said and "valid_to" in names else "")


def _stores(found: Sequence[Difference], between: Between) -> dict[int, Location]:
    """Return at which store each difference in a cabinet lies: where it stood when the two first differ.

    By the last belief, or by the first where by the last it stood in no store then. Three queries, and two
    more where a store's particulars were revised since.
    """
    cabinets: dict[int, UUID] = {
        id(one): row.cabinet_id
        for one in found
        if one.table in ("devicewhereabouts", "split")
        for row in (one.before, one.after)
        if row is not None and row.cabinet_id is not None
    }
    if not cabinets:
        return {}
    stays: dict[UUID, list[CabinetWhereabouts]] = {}
    of_cabinets = CabinetWhereabouts.objects.filter(
        cabinet__in=set(cabinets.values()), location__isnull=False
    )
    for index in (between.last, between.first):
        for stay in of_cabinets.believed_at(index).order_by("id"):
            stays.setdefault(stay.cabinet_id, []).append(stay)
    at: dict[int, UUID] = {}
    for one in found:
        for stay in stays.get(cabinets.get(id(one), one.thing), ()):
            if stay.location_id and one.since and stay.as_period().contains(one.since):
                at.setdefault(id(one), stay.location_id)
    known = records_known_at(Location, between.last, set(at.values()))
    return {key: known[location] for key, location in at.items() if location in known}


# --- particulars -----------------------------------------------------------------------------------


def _record_words(one: Difference, words: Words) -> tuple[str, str, str]:
    """Return of what, what was known of a thing, and what is."""
    after = image_of(one.after)
    if isinstance(one.after, Contact):
        return _contact_words(one, words)
    noun = str(one.after._meta.verbose_name)
    if one.before is None:
        [line] = record_lines(one.table, None, after, words)
        return line.what, line.was, line.will
    before = image_of(one.before)

    def told(image: Image) -> str:
        return ", ".join(f"{column_words(name)} {words.value(name, image[name])}" for name in one.columns)

    return f"{noun} {one.after.label}", told(before), told(after)


def _contact_words(one: Difference, words: Words) -> tuple[str, str, str]:
    """Return what became of a contact, without a word of what is held of it."""
    contact: Any = one.after
    what = f"{contact.label} of {words.value('location_id', str(contact.location_id))}"
    was = "not in the register" if one.before is None else "erased" if one.before.erased else "held"
    now = "erased" if contact.erased else "held" if one.before is None else "corrected"
    return what, was, now


# --- entries ---------------------------------------------------------------------------------------


def _done(indexes: Iterable[int]) -> dict[int, Done]:
    """Return entries by index with the people who made them: two queries."""
    entries = list(Entry.objects.filter(index__in=set(indexes)).defer("body", "leaf_hash"))
    people = Staff.objects.filter(pk__in={entry.staff_id for entry in entries if entry.staff_id})
    names = dict(people.exclude(name="").values_list("pk", "name"))
    return {
        entry.index: Done(
            entry.index,
            entry.recorded_at,
            names.get(entry.staff_id, "a former staff member") if entry.staff_id else "the system",
            entry.verb,
            entry.reason,
            entry.simulated,
        )
        for entry in entries
    }
