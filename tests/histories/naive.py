"""A register as naive as can be: one list of facts, each true for a while and believed for a while.

Written from the design alone, and slow on purpose: it shares no line with registry.rules.periods, so that
the two can be held against each other. Where the rules plan changes of neighbours, this paints a line.
"""

from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import combinations, pairwise
from typing import Any

FOREVER = datetime.max.replace(tzinfo=UTC)

Span = tuple[datetime, datetime]


@dataclass
class Fact:
    """What the register believed of one thing, from entry `believed_from` up to entry `believed_to`.

    `relation` is the stable identity: what is corrected or ended stays the same relation.
    """

    history: str
    thing: Any
    relation: int
    value: dict[str, Any]
    valid_from: datetime
    valid_to: datetime | None
    believed_from: int
    believed_to: int | None = None

    @property
    def end(self) -> datetime:
        """The end of valid time, far away for "still"."""
        return FOREVER if self.valid_to is None else self.valid_to

    def meets(self, begin: datetime, end: datetime = FOREVER) -> bool:
        """Say whether the fact was true at any instant of [begin, end)."""
        return self.valid_from < end and begin < self.end

    def told(self) -> tuple[Any, ...]:
        """Return everything but identity and belief, for comparison."""
        return (self.thing, frozenset(self.value.items()), self.valid_from, self.valid_to)


@dataclass
class Naive:
    """The facts, and the few ways in which the design lets them change."""

    facts: list[Fact] = field(default_factory=list)
    relations: int = 0

    def copy(self) -> "Naive":
        """Return a register of its own with the same facts."""
        return deepcopy(self)

    # --- asking ---

    def current(self, history: str, thing: Any = None) -> list[Fact]:
        """Return what is believed now, earliest first; of every thing where none is named."""
        found = [
            fact
            for fact in self.facts
            if fact.history == history and fact.believed_to is None and thing in (None, fact.thing)
        ]
        return sorted(found, key=lambda fact: fact.valid_from)

    def last(self, history: str, thing: Any) -> Fact:
        """Return the latest period believed now."""
        return self.current(history, thing)[-1]

    def at(self, history: str, thing: Any, moment: datetime) -> Fact | None:
        """Return what is believed now to have been true then."""
        found = [f for f in self.current(history, thing) if f.valid_from <= moment < f.end]
        return found[0] if found else None

    def answer(self, history: str, moment: datetime, index: int) -> frozenset[tuple[Any, ...]]:
        """Return what was believed right after entry `index` to have been true at a moment."""
        return frozenset(
            fact.told()
            for fact in self.facts
            if fact.history == history
            and fact.valid_from <= moment < fact.end
            and fact.believed_from <= index
            and (fact.believed_to is None or index < fact.believed_to)
        )

    # --- changing ---

    def begin(self, history: str, thing: Any, value: Mapping[str, Any], at: datetime, index: int) -> None:
        """Begin a relation at a time; it runs until further notice."""
        self.relations += 1
        self._believe(history, thing, self.relations, value, at, None, index)

    def turn(
        self,
        history: str,
        thing: Any,
        value: Mapping[str, Any],
        at: datetime,
        index: int,
        **closing: Any,
    ) -> None:
        """End what runs at a time, with what is then said of it, and begin something else there."""
        last = self.last(history, thing)
        assert last.valid_to is None, f"{thing} was changed at {at} although its history had ended"
        assert last.valid_from < at, f"{thing} was changed at {at}, which leaves nothing of {last}"
        self._again(last, index, valid_to=at, **closing)
        self.begin(history, thing, value, at, index)

    def disbelieve(self, fact: Fact, index: int) -> None:
        """Stop believing a fact from an entry on."""
        assert fact.believed_to is None
        fact.believed_to = index

    def correct(
        self,
        fact: Fact,
        valid_from: datetime,
        valid_to: datetime | None,
        index: int,
        *,
        follow_slot: bool = True,
        **changes: Any,
    ) -> None:
        """Give a period other bounds or facts. What it covers is taken from its neighbours, and what lies
        between an old bound and the new one falls to the neighbour on that side; no neighbour may vanish,
        and no last one end. In a swap the other device's boundary is the same one, so it moves too."""
        spans: dict[int, Span] = {}
        self._draw(spans, fact, valid_from, FOREVER if valid_to is None else valid_to)
        if follow_slot:
            for own in self.current(fact.history, fact.thing):
                self._draw_swapped(spans, own)
        self._write(spans, index, fact, changes)

    def withdraw(self, fact: Fact, index: int) -> None:
        """Take out a period that never was; what came before it runs on over the gap."""
        line = self.current(fact.history, fact.thing)
        place = line.index(fact)
        assert len(line) > 1, "a history was withdrawn whole"
        spans = {id(line[place - 1]): (line[place - 1].valid_from, fact.end)} if place else {}
        self.disbelieve(fact, index)
        self._write(spans, index)

    def _draw(self, spans: dict[int, Span], fact: Fact, begin: datetime, end: datetime) -> None:
        """Draw a line of periods anew, with these bounds for one of them; `spans` holds what is drawn."""
        assert begin < end, "a period was corrected to nothing"
        line = self.current(fact.history, fact.thing)
        place = line.index(fact)
        old = {id(other): _span(spans, other) for other in line}
        old_begin, old_end = old[id(fact)]

        def owner(moment: datetime) -> Fact | None:
            if begin <= moment < end:
                return fact
            if old_begin <= moment < begin:
                return line[place - 1] if place else None
            if end <= moment < old_end:
                return line[place + 1] if place + 1 < len(line) else None
            return next((o for o in line if old[id(o)][0] <= moment < old[id(o)][1]), None)

        edges = sorted({begin, end, *(edge for span in old.values() for edge in span)})
        owners = [(stretch, owner(stretch[0])) for stretch in pairwise(edges)]
        assert owners[-1][1] is not None, "the last period of a history was ended"
        for other in line:
            own = [stretch for stretch, whose in owners if whose is other]
            assert own, f"nothing was left of {other}"
            spans[id(other)] = (own[0][0], own[-1][1])
            held = [stretch for stretch in pairwise(edges) if own[0][0] <= stretch[0] < own[-1][1]]
            assert held == own, f"{other} was torn in two"

    def _draw_swapped(self, spans: dict[int, Span], own: Fact) -> None:
        """Move the bounds of whatever other device touched this one in its slot where it moved."""
        begin, end = _span(spans, own)
        if own.value.get("cabinet_id") is None or own.value.get("slot") is None:
            return
        for other in self.current(own.history):
            if other.thing == own.thing or not _same_slot(own, other):
                continue
            if other.end == own.valid_from != begin:
                self._draw(spans, other, _span(spans, other)[0], begin)
            if other.valid_from == own.end != end and end != FOREVER:
                self._draw(spans, other, end, _span(spans, other)[1])

    def _write(
        self,
        spans: Mapping[int, Span],
        index: int,
        subject: Fact | None = None,
        changes: Mapping[str, Any] | None = None,
    ) -> None:
        """Write every fact anew whose span, or what is said of it, is another now."""
        for fact in [fact for fact in self.facts if id(fact) in spans]:
            begin, end = spans[id(fact)]
            said = dict(changes or {}) if fact is subject else {}
            if begin != fact.valid_from and fact is not subject:
                said["starts_known_by"] = False
            if (begin, end) != (fact.valid_from, fact.end) or said:
                self._again(fact, index, valid_from=begin, valid_to=None if end == FOREVER else end, **said)

    def _again(self, fact: Fact, index: int, **changes: Any) -> None:
        """Supersede a fact and believe it again, changed, as the same relation."""
        self.disbelieve(fact, index)
        bounds = {name: changes.pop(name, getattr(fact, name)) for name in ("valid_from", "valid_to")}
        value = {**fact.value, **changes}
        if bounds["valid_to"] is None and "end_reason" in value:
            value |= {"end_reason": "", "end_note": ""}  # it runs, so nothing ended it
        self._believe(
            fact.history, fact.thing, fact.relation, value, bounds["valid_from"], bounds["valid_to"], index
        )

    def _believe(
        self,
        history: str,
        thing: Any,
        relation: int,
        value: Mapping[str, Any],
        valid_from: datetime,
        valid_to: datetime | None,
        index: int,
    ) -> None:
        ends = None if valid_to is None else valid_to.astimezone(UTC)
        begins = valid_from.astimezone(UTC)
        self.facts.append(Fact(history, thing, relation, dict(value), begins, ends, index))

    # --- what must never be believed at once ---

    def contradictions(self) -> Iterator[str]:
        """Yield each pair of facts believed now that cannot both be true."""
        uses: dict[Any, list[Fact]] = {}
        for fact in self.facts:
            if fact.believed_to is None:
                uses.setdefault((fact.history, fact.thing), []).append(fact)
                for number in (("cabinet_id", "slot"), ("account_id", "store_number")):
                    key = tuple(fact.value.get(name) for name in number)
                    if None not in key:
                        uses.setdefault((number, key), []).append(fact)
        for use, facts in uses.items():
            for one, other in combinations(facts, 2):
                if one.meets(other.valid_from, other.end):
                    yield f"two uses of {use}: {one} and {other}"
        for stay in self.current("cabinetwhereabouts"):
            store = stay.value["location_id"]
            if store is not None:
                yield from self._in_closed_store(stay, store)
        for hang in self.current("devicewhereabouts"):
            cabinet = hang.value["cabinet_id"]
            if (
                cabinet is not None
                and hang.valid_from < self.current("cabinetwhereabouts", cabinet)[0].valid_from
            ):
                yield f"{hang} began before its cabinet was known"

    def _in_closed_store(self, stay: Fact, store: Any) -> Iterator[str]:
        states = self.current("locationstate", store)
        if stay.valid_from < states[0].valid_from:
            yield f"{stay} began before its store was known"
        for state in states:
            if state.value["state"] == "closed" and state.meets(stay.valid_from, stay.end):
                yield f"{stay} lay in a closed store, {state}"


def _span(spans: Mapping[int, Span], fact: Fact) -> Span:
    return spans.get(id(fact), (fact.valid_from, fact.end))


def _same_slot(one: Fact, other: Fact) -> bool:
    return all(one.value[name] == other.value[name] for name in ("cabinet_id", "slot"))
