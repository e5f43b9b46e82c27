"""Differences in words: of what, what was believed, what is believed, and the entries that did it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any
from uuid import UUID

from registry.ledger.images import Image, image_of
from registry.models import CabinetWhereabouts, Contact, Entry, Location, Split, Staff
from registry.queries.changes import (
    BOUNDS,
    FACTS,
    NOTHING,
    Words,
    Written,
    column_words,
    fact_words,
    period_words,
    record_lines,
    referred_labels,
    show_time,
    told_shares,
    whose_words,
)
from registry.queries.differences import ENDINGS, Between, Difference
from registry.queries.records import records_known_at
from registry.rules.differences import Turn
from registry.rules.sheets import sheet


@dataclass(frozen=True, slots=True)
class Done:
    """An entry that made a difference: who did it, when, and why."""

    index: int
    recorded_at: datetime
    who: str
    verb: str
    reason: str
    simulated: bool

    def words(self, zone: tzinfo) -> str:
        """Tell the entry in a line."""
        reason = f": {self.reason}" if self.reason else ""
        return f"entry {self.index} by {self.who}, {show_time(self.recorded_at, zone)}{reason}"


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
    if before and after and _is_known_alike(one):
        told = [_what_differs(each, one.columns, words) for each in (before, after)]
        return (f"{whose}: {fact_words(one.table, image, words)}", told[0], told[1])
    return (
        whose,
        period_words(one.table, before, words) if before else NOTHING,
        period_words(one.table, after, words) if after else NOTHING,
    )


def _is_known_alike(one: Difference) -> bool:
    """Say whether a reader knows a period by the same facts before and after: what else differs is told."""
    if one.table == "split" and one.turn is Turn.CHANGED:
        return False
    return not {*one.columns} & {*FACTS}


def _what_differs(image: Image, columns: Sequence[str], words: Words) -> str:
    """Return those facts and bounds that differ; what is said of an end with the end where that moved."""
    told = [name for name in columns if name not in BOUNDS]
    parts = []
    if "valid_from" in columns or "starts_known_by" in columns:
        since = "known by" if image["starts_known_by"] else "from"
        parts.append(f"{since} {words.value('valid_from', image['valid_from'])}")
    if "valid_to" in columns:
        told = [name for name in told if name not in ENDINGS]
        end = image["valid_to"]
        said = [words.value(name, image[name]) for name in ("end_reason", "end_note") if image.get(name)]
        why = f" ({': '.join(said)})" if said else ""
        parts.append(f"until {words.value('valid_to', end)}{why}" if end else "runs on")
    facts = [_columns(image, told, words)] if told else []
    return ", ".join([*facts, " ".join(parts)] if parts else facts)


def _columns(image: Image, names: Iterable[str], words: Words) -> str:
    return ", ".join(f"{column_words(name)} {words.value(name, image[name])}" for name in names)


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
        cabinet = cabinets.get(id(one))
        for stay in stays.get(cabinet, ()) if cabinet else ():
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
    return (
        f"{noun} {one.after.label}",
        _columns(before, one.columns, words),
        _columns(after, one.columns, words),
    )


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


# --- as a sheet ------------------------------------------------------------------------------------

SHEET_HEADER = (
    "reaches back", "differs since", "what", "location", "believed first", "believed last", "entries",
)  # fmt: skip


def difference_sheet(lines: Iterable[DifferenceLine], zone: tzinfo = UTC) -> str:
    """Return differences as comma-separated values, a row each, with times told in `zone`."""
    return sheet(
        SHEET_HEADER,
        (
            (
                "no date" if line.difference.reaches_back is None else line.difference.reaches_back,
                show_time(line.difference.since, zone) if line.difference.since else None,
                line.what,
                line.location.label if line.location else None,
                line.was,
                line.now,
                "; ".join(entry.words(zone) for entry in line.entries),
            )
            for line in lines
        ),
    )
