"""What changed between two states of knowledge: the net difference of two beliefs, period by period.

The rows themselves say what was believed right after either entry; no image is folded. A change that was
made and taken back in between is no difference, and is counted.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from registry.ledger import clock
from registry.ledger.images import Image, image_of, table_name
from registry.models import (
    Account,
    AccountState,
    Cabinet,
    CabinetModel,
    CabinetWhereabouts,
    Contact,
    Depot,
    Device,
    DeviceModel,
    DeviceWhereabouts,
    Entry,
    Location,
    LocationHolding,
    LocationState,
    Product,
    Split,
    SplitShare,
    Subject,
)
from registry.models.base import PeriodVersion, Record
from registry.queries._reach import Reach
from registry.queries.changes import BOUNDS, SILENT
from registry.queries.moments import settle
from registry.queries.records import as_known
from registry.rules.differences import Belief, Span, Turn, Window, touched, turn_of
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Kind
from registry.rules.periods import require_offset

ROWS_MAX = 5_000  # that one comparison reads: seconds of work, and beyond it nobody reads the answer

# The dated tables that are compared. Whose depots are whose says who may look, nothing of the fleet.
HISTORIES: tuple[type[PeriodVersion], ...] = (
    AccountState,
    LocationState,
    LocationHolding,
    CabinetWhereabouts,
    Split,
    DeviceWhereabouts,
)
RECORDS: dict[Kind, type[Record]] = {
    Kind.ACCOUNT: Account,
    Kind.LOCATION: Location,
    Kind.CONTACT: Contact,
    Kind.DEPOT: Depot,
    Kind.CABINET_MODEL: CabinetModel,
    Kind.CABINET: Cabinet,
    Kind.PRODUCT: Product,
    Kind.DEVICE_MODEL: DeviceModel,
    Kind.DEVICE: Device,
}
# What is said of the end of an assignment, and of nothing before it.
ENDINGS = frozenset({"end_reason", "end_note"})
# Of a record, what no entry changes or every entry does.
STAMPS = frozenset({"id", "registered_index", "revised_index"})


@dataclass(frozen=True, slots=True)
class Between:
    """Two states of knowledge, settled: right after entry `first`, and right after entry `last`.

    What was true before `reaches_back_before` had been told already when the first was drawn on, for a
    bill, say: a difference that touches earlier times reaches back.
    """

    first: int
    last: int
    reaches_back_before: datetime
    at_head: bool


@dataclass(frozen=True, slots=True)
class Difference:
    """One belief that is another now. `before` and `after` are rows: versions of a period, or records.

    `turn` None means particulars, which have no dates: `spans` are empty then, and `reaches_back` is None
    where they were corrected. `columns` are those that differ, `indexes` the entries that did it.
    """

    table: str
    kind: Kind
    thing: UUID
    period: UUID | None
    turn: Turn | None
    before: Any
    after: Any
    spans: tuple[Span, ...]
    reaches_back: bool | None
    columns: tuple[str, ...]
    indexes: tuple[int, ...]

    @property
    def since(self) -> datetime | None:
        """The earliest instant at which the two beliefs differ; None where nothing is dated."""
        return self.spans[0].begin if self.spans else None


@dataclass(frozen=True, slots=True)
class Differences:
    """All differences: those that reach back first, then undated corrections, then the rest.

    `taken_back` is the number of entries whose changes were all taken back in between.
    """

    between: Between
    found: tuple[Difference, ...]
    taken_back: int

    def counted(self, reaches_back: bool | None) -> int:
        """Return how many reach back (True), say nothing of it (None) or do not (False)."""
        return sum(one.reaches_back is reaches_back for one in self.found)


# --- which two -------------------------------------------------------------------------------------


def settle_between(
    from_known: datetime | int,
    to_known: datetime | int | None = None,
    reaches_back_before: datetime | None = None,
) -> Between:
    """Settle two states of knowledge, each a time or the index of an entry; the last is the head unless told.

    What reaches back is what was true before the time of the first: the time itself where one was asked
    for, else when that entry was recorded. Raises RuleBroken TIME_INVALID, VALUE_INVALID.
    """
    require_offset(reaches_back_before, "reaches_back_before")
    now = clock.now()
    settled = []
    for field, known in (("from_known", from_known), ("to_known", to_known)):
        try:
            settled.append(settle(now, known))
        except RuleBroken as broken:
            broken.field = field
            raise
    first, last = settled
    if first.index > last.index:
        raise RuleBroken(
            Code.VALUE_INVALID,
            f"Entry {first.index} was made after entry {last.index}. Exchange the two.",
            field="to_known",
        )
    before = reaches_back_before or (from_known if isinstance(from_known, datetime) else None)
    return Between(first.index, last.index, before or _recorded(first.index) or now, last.at_head)


def _recorded(index: int) -> datetime | None:
    """Return when an entry was recorded; of no entry yet, when the first one was."""
    rows = Entry.objects.filter(index=max(index, 1))
    found: datetime | None = rows.values_list("recorded_at", flat=True).first()
    return found


# --- what differs ----------------------------------------------------------------------------------


def differences(between: Between, reach: Reach, window: Window | None = None) -> Differences:
    """Return what the register believes otherwise at the last index than at the first, within reach.

    With a window only what touches it, and all corrected particulars, which say nothing of when; new things
    by what is dated of them. As many queries for many differences as for few. Raises RuleBroken TOO_MANY.
    """
    asked = _Question(between, reach, window or Window())
    for model in HISTORIES:
        asked.compare_history(model)
    asked.compare_records()
    did = {index for one in asked.found for index in one.indexes}
    shown = [one for one in asked.found if asked.shows(one)]
    return Differences(between, tuple(sorted(shown, key=_order)), len(asked.netted - did))


def _order(one: Difference) -> tuple[Any, ...]:
    part = (True, None, False).index(one.reaches_back)
    since = one.since.timestamp() if one.since else 0.0
    return (part, one.turn is None, since, one.table, str(one.thing), str(one.period))


class _Question:
    """One comparison while it is made: what was found, and the entries of what came to nothing."""

    def __init__(self, between: Between, reach: Reach, window: Window) -> None:
        self.first, self.last = between.first, between.last
        self.between, self.reach, self.window = between, reach, window
        self.found: list[Difference] = []
        self.netted: set[int] = set()
        self.rows_left = ROWS_MAX

    def shows(self, one: Difference) -> bool:
        """Say whether a difference is to be told of the time that was asked about."""
        return one.reaches_back is None or not self.window.is_bounded or self.window.meets(one.spans)

    # --- periods ---

    def compare_history(self, model: type[PeriodVersion]) -> None:
        """Compare what was believed of the periods of one dated table."""
        rows, within = self._changed(model)
        beliefs = _beliefs(rows)
        by_period: dict[UUID, list[PeriodVersion]] = {}
        for row in rows:
            by_period.setdefault(row.period, []).append(row)
        kept: list[tuple[Any, Any, list[Any]]] = []
        lost: dict[tuple[UUID, Belief], list[tuple[Any, Any, list[Any]]]] = {}
        for versions in by_period.values():
            before, after = self._believed(versions, self.first), self._believed(versions, self.last)
            if not any(row is not None and within(row) for row in (before, after)):
                self._net([row for row in versions if within(row)])
            elif after is None:
                lost.setdefault((_thing(before), beliefs[before.pk]), []).append((before, after, versions))
            else:
                kept.append((before, after, versions))
        for before, after, versions in kept:
            again = lost.get((_thing(after), beliefs[after.pk])) if before is None else None
            if again:  # withdrawn and recorded again: another period, but the same is believed
                self._net(again.pop()[2] + versions)
            else:
                self._tell(model, before, after, versions, beliefs)
        for before, after, versions in (one for several in lost.values() for one in several):
            self._tell(model, before, after, versions, beliefs)

    def _changed(self, model: type[PeriodVersion]) -> tuple[list[Any], Callable[[Any], bool]]:
        """Return the versions that began or ceased to be believed in between, and which are within reach.

        All such versions of a period are returned where one of them is.
        """
        changed = Q(recorded__gt=self.first, recorded__lte=self.last)
        changed |= Q(superseded__gt=self.first, superseded__lte=self.last)
        rows = model.objects.filter(changed)
        reach = self.reach.periods(model, self.first, self.last)
        near: dict[UUID, UUID] | None = None
        if reach:
            near = dict(rows.filter(reach).values_list("pk", "period")[: self.rows_left + 1])
            rows = rows.filter(period__in=set(near.values()))
        return self._limited(rows.order_by("recorded", "id")), lambda row: near is None or row.pk in near

    def _limited(self, rows: "QuerySet[Any]") -> list[Any]:
        found = list(rows[: self.rows_left + 1])
        self.rows_left -= len(found)
        if self.rows_left < 0:
            raise RuleBroken(
                Code.TOO_MANY,
                f"More than {ROWS_MAX:,} rows changed between these two. Ask for one location or account,"
                " or for two that lie nearer to each other.",
                field="from_known",
                details={"rows_max": ROWS_MAX},
            )
        return found

    def _believed(self, versions: list[Any], index: int) -> Any:
        """Return the version that was believed right after an entry, if any."""
        for row in versions:
            if row.recorded_id <= index and (row.superseded_id is None or row.superseded_id > index):
                return row
        return None

    def _indexes(self, versions: list[Any]) -> set[int]:
        touching = {row.recorded_id for row in versions} | {row.superseded_id for row in versions}
        return {index for index in touching if index is not None and self.first < index <= self.last}

    def _net(self, versions: list[Any]) -> None:
        """Count the entries of what came to nothing."""
        if self.window.meets(Span(row.valid_from, row.valid_to) for row in versions):
            self.netted |= self._indexes(versions)

    def _tell(
        self,
        model: type[PeriodVersion],
        before: Any,
        after: Any,
        versions: list[Any],
        beliefs: Mapping[UUID, Belief],
    ) -> None:
        was = beliefs[before.pk] if before else None
        now = beliefs[after.pk] if after else None
        spans = touched(was, now)
        if not spans:
            self._net(versions)
            return
        row = after or before
        self.found.append(
            Difference(
                table=table_name(model),
                kind=Kind(model.history_of),
                thing=_thing(row),
                period=row.period,
                turn=turn_of(was, now),
                before=before,
                after=after,
                spans=tuple(spans),
                reaches_back=spans[0].begin < self.between.reaches_back_before,
                columns=_columns(before, after, SILENT) if before and after else (),
                indexes=tuple(sorted(self._indexes(versions))),
            )
        )

    # --- particulars ---

    def compare_records(self) -> None:
        """Compare the particulars of things."""
        wrote = Subject.objects.filter(
            self.reach.records(self.first, self.last),
            wrote_record=True,
            entry__gt=self.first,
            entry__lte=self.last,
            kind__in=[str(kind) for kind in RECORDS],
        ).values_list("kind", "thing_id", "entry")
        indexes: dict[Kind, dict[UUID, set[int]]] = {kind: {} for kind in RECORDS}
        for kind, thing, index in self._limited(wrote.order_by("entry", "position")):
            indexes[Kind(kind)].setdefault(thing, set()).add(index)
        for kind, model in RECORDS.items():
            rows = list(model._default_manager.filter(pk__in=list(indexes[kind])))
            after = {row.pk: row for row in as_known(rows, self.last)}
            known = [row for row in rows if row.registered_id <= self.first]
            before = {row.pk: row for row in as_known(known, self.first)}
            for thing, entries in indexes[kind].items():
                self._tell_record(kind, before.get(thing), after[thing], entries)

    def _tell_record(self, kind: Kind, before: Any, after: Any, indexes: set[int]) -> None:
        columns = _columns(before, after, STAMPS) if before else ()
        if before and not columns:
            self.netted |= indexes
            return
        self.found.append(
            Difference(
                table=table_name(type(after)),
                kind=kind,
                thing=after.pk,
                period=None,
                turn=None,
                before=before,
                after=after,
                spans=(),
                reaches_back=None if before else False,
                columns=columns,
                indexes=tuple(sorted(indexes)),
            )
        )


def _beliefs(rows: list[Any]) -> dict[UUID, Belief]:
    """Return what each version says, by its key; the shares of splits in one query."""
    splits = [row.pk for row in rows if isinstance(row, Split)]
    shares: dict[UUID, list[tuple[str, int]]] = {}
    if splits:
        for share in SplitShare.objects.filter(split__in=splits).order_by("position"):
            shares.setdefault(share.split_id, []).append((str(share.product_id), share.hundredths))
    return {row.pk: _belief(row, tuple(shares.get(row.pk, ()))) for row in rows}


def _belief(row: PeriodVersion, shares: tuple[tuple[str, int], ...]) -> Belief:
    image = {name: value for name, value in image_of(row).items() if name not in SILENT | {*BOUNDS}}
    return Belief(
        row.as_period(),
        frozenset({"shares": shares, **{k: v for k, v in image.items() if k not in ENDINGS}}.items()),
        row.starts_known_by,
        frozenset((name, value) for name, value in image.items() if name in ENDINGS),
    )


def _columns(before: Any, after: Any, besides: frozenset[str]) -> tuple[str, ...]:
    was: Image = image_of(before)
    now: Image = image_of(after)
    return tuple(name for name, value in now.items() if name not in besides and was[name] != value)


def _thing(row: Any) -> UUID:
    key: UUID = getattr(row, f"{row.history_of}_id")
    return key
