"""What the register stated of what happened, entry by entry: once as a fact, and again where it was wrong.

The ledger's entries are gone through in order. What is believed after one and was not before is stated by
it; what is no longer believed is declared wrong by it, with what stands in its stead if anything does.
So what is stated up to an entry never changes afterwards: more is only added.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from uuid import UUID, uuid5

from registry.rules.epcis.happenings import (
    Belief,
    Happening,
    Key,
    Stays,
    Step,
    believed,
    cabinet_happenings,
    device_happenings,
)
from registry.rules.epcis.links import is_gs1_key, local_offset, record_uri

# UUIDv5 (RFC 9562, section 5.5) of the DNS name epcis.rimebook.example, which nobody can own (RFC 2606).
NAMESPACE = UUID("f99936fe-698f-5019-9a6e-b747686b454c")
_ORDER = {step: number for number, step in enumerate(Step)}


def event_id(entry: UUID, key: Key) -> UUID:
    """Return the id of the event that an entry (its key) stated: the same in every document."""
    _, identity, step = key
    return uuid5(NAMESPACE, f"{entry}/{identity}/{step}")


@dataclass(frozen=True, slots=True)
class Called:
    """What a thing was called by its URI, and by which zone's clocks (None: UTC), from an entry on."""

    since: int
    uri: str
    zone: str | None = None


class Names:
    """What things were called as the register knew it; what is not listed goes by its own key, in UTC."""

    def __init__(self, called: Mapping[UUID, Sequence[Called]]) -> None:
        """Take what each thing was called, oldest first."""
        self._called = called

    def at(self, thing: UUID, index: int) -> Called:
        """Return what a thing was called right after entry `index`; at the first if it was not there yet."""
        states = self._called.get(thing, ())
        known = [called for called in states if called.since <= index] or states[:1]
        return known[-1] if known else Called(0, record_uri(thing))

    def changes(self, thing: UUID) -> Iterable[int]:
        """Return the entries after which a thing was called otherwise than before."""
        return [called.since for called in self._called.get(thing, ())[1:]]


@dataclass(frozen=True, slots=True)
class Unit:
    """One device or cabinet, with every version that its happenings are read from.

    `stays` are those of the cabinets in which a device ever hung; None for a cabinet itself.
    """

    subject: UUID
    beliefs: Sequence[Belief]
    stays: Stays | None = None

    def happenings(self, index: int) -> dict[Key, Happening]:
        """Return what was believed right after entry `index` to have happened."""
        own = believed(self.beliefs, index)
        if self.stays is None:
            found = cabinet_happenings(own)
        else:
            stays = {cabinet: believed(stays, index) for cabinet, stays in self.stays.items()}
            found = device_happenings(own, stays)
        return {happening.key: happening for happening in found}

    def indexes(self, names: Names, until: int) -> set[int]:
        """Return the entries up to `until` that may have changed what happened."""
        versions = [*self.beliefs, *(stay for stays in (self.stays or {}).values() for stay in stays)]
        found = {version.recorded for version in versions}
        found |= {version.superseded for version in versions if version.superseded is not None}
        things = {self.subject, *(version.at for version in versions if version.at is not None)}
        found |= {index for thing in things for index in names.changes(thing)}
        return {index for index in found if index <= until}


@dataclass(frozen=True, slots=True)
class Declaration:
    """By which entry a statement was declared wrong, and which event stands in its stead, if any does."""

    index: int
    corrective: UUID | None


@dataclass(frozen=True, slots=True)
class Statement:
    """What an entry stated to have happened: with what things were called then, and the local offset."""

    index: int
    event_id: UUID
    happening: Happening
    uris: Mapping[UUID, str]
    offset: timedelta
    declared: Declaration | None = None

    @property
    def order(self) -> tuple[datetime, int, list[str]]:
        """The order of what one entry states: by time, then as steps follow each other."""
        happening = self.happening
        return happening.occurred_at, _ORDER[happening.step], [str(part) for part in happening.key]


@dataclass(slots=True)
class _Telling:
    names: Names
    entries: Mapping[int, UUID]
    told: list[Statement] = field(default_factory=list)
    # Where in `told` stands what still counts, by subject and key.
    standing: dict[UUID, dict[Key, int]] = field(default_factory=dict)

    def go_on(self, index: int, units: Iterable[Unit]) -> None:
        """State what entry `index` changed of what is believed of these units."""
        gone: list[int] = []
        fresh: list[Statement] = []
        corrected: dict[Key, int] = {}
        for unit in units:
            now = unit.happenings(index)
            stood = self.standing.setdefault(unit.subject, {})
            gone += [stood.pop(key) for key in list(stood) if key not in now]
            for key, happening in now.items():
                statement = self._statement(index, happening)
                if key not in stood:
                    fresh.append(statement)
                elif not _still_holds(self.told[stood[key]], statement):
                    corrected[key] = stood[key]
                    fresh.append(statement)
        # A record that turned out to be another device: what happened, happened to that one.
        alike = {_look(new.happening): new for new in fresh if new.happening.key not in corrected}
        for position in gone:
            instead = alike.pop(_look(self.told[position].happening), None)
            self._declare(position, index, instead.event_id if instead else None)
        for statement in sorted(fresh, key=lambda new: new.order):
            key = statement.happening.key
            if key in corrected:
                self._declare(corrected[key], index, statement.event_id)
            self.standing[key[0]][key] = len(self.told)
            self.told.append(statement)

    def _statement(self, index: int, happening: Happening) -> Statement:
        zone = self.names.at(happening.read_at, index).zone if happening.read_at else None
        return Statement(
            index,
            event_id(self.entries[index], happening.key),
            happening,
            {thing: self.names.at(thing, index).uri for thing in happening.things},
            local_offset(happening.occurred_at, zone),
        )

    def _declare(self, position: int, index: int, corrective: UUID | None) -> None:
        self.told[position] = replace(self.told[position], declared=Declaration(index, corrective))


def state(units: Iterable[Unit], names: Names, entries: Mapping[int, UUID], until: int) -> list[Statement]:
    """Return everything that the entries up to `until` stated of these units, in the order of stating.

    `entries` are the keys of all entries that `Unit.indexes` names.
    """
    touched: dict[int, list[Unit]] = {}
    for unit in units:
        for index in unit.indexes(names, until):
            touched.setdefault(index, []).append(unit)
    telling = _Telling(names, entries)
    for index in sorted(touched):
        telling.go_on(index, touched[index])
    return telling.told


def chosen(statements: Iterable[Statement], wanted: Callable[[Statement], bool]) -> list[Statement]:
    """Return the statements that are wanted, and those that stand in the stead of one of them."""
    found: list[Statement] = []
    correctives: set[UUID] = set()
    for statement in statements:
        if wanted(statement) or statement.event_id in correctives:
            found.append(statement)
            if statement.declared is not None and statement.declared.corrective is not None:
                correctives.add(statement.declared.corrective)
    return found


def _still_holds(stated: Statement, now: Statement) -> bool:
    """Say whether what was stated is still true.

    A name that the register gave itself stays true when a GS1 key is learnt; a GS1 key that was another's
    does not.
    """
    return (
        stated.happening == now.happening
        and stated.offset == now.offset
        and all(not is_gs1_key(uri) or uri == now.uris[thing] for thing, uri in stated.uris.items())
    )


def _look(happening: Happening) -> tuple[object, ...]:
    return happening.step, happening.occurred_at, happening.parent, happening.read_at
