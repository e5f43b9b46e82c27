"""What happened to devices and cabinets, read from where they were: one happening at each boundary.

A history says where a thing was from when to when; EPCIS tells what was done at the time between. So the
start and the end of each period become the steps of a business process (CBV 2.0), as they were believed.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID

from registry.rules.periods import believed_at
from registry.rules.whereabouts import CabinetPlace, DevicePlace


class Step(StrEnum):
    """What was done, in the order in which steps of one instant are told.

    All but one are words of CBV 2.0; that nobody knows where a thing is, is no step of a business.
    """

    COMMISSIONING = "commissioning"
    REMOVING = "removing"
    SHIPPING = "shipping"
    TRANSPORTING = "transporting"
    LOSING = "losing"
    RECEIVING = "receiving"
    INSTALLING = "installing"
    DECOMMISSIONING = "decommissioning"


@dataclass(frozen=True, slots=True)
class Belief:
    """A version of where a device or a cabinet was, and between which entries it was believed.

    `at` is the cabinet, store or depot where it was, or the person whose van had it.
    """

    identity: UUID
    subject: UUID
    place: DevicePlace | CabinetPlace
    at: UUID | None
    valid_from: datetime
    valid_to: datetime | None
    known_by: bool
    recorded: int
    superseded: int | None


Stays = Mapping[UUID, Sequence[Belief]]  # where cabinets stood, by cabinet
# Of which thing, at which period's boundary, which step: what stays the same when it is put right.
Key = tuple[UUID, UUID, Step]


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that was done to a device or a cabinet, as believed.

    `known_by`: at that time or earlier. `parent` is the cabinet into or out of which a device came;
    `read_at` the store or depot where it was done, `stays_at` where the thing is afterwards.
    """

    key: Key
    occurred_at: datetime
    known_by: bool
    parent: UUID | None = None
    read_at: UUID | None = None
    stays_at: UUID | None = None

    @property
    def subject(self) -> UUID:
        """The device or cabinet to which it was done."""
        return self.key[0]

    @property
    def step(self) -> Step:
        """What was done."""
        return self.key[2]

    @property
    def things(self) -> tuple[UUID, ...]:
        """Everything that it names."""
        named = (self.subject, self.parent, self.read_at, self.stays_at)
        return tuple(dict.fromkeys(thing for thing in named if thing is not None))


@dataclass(frozen=True, slots=True)
class Run:
    """Periods of one history that follow each other at one place: nothing happened between them."""

    first: Belief
    last: Belief

    @property
    def place(self) -> DevicePlace | CabinetPlace:
        """The kind of place."""
        return self.first.place


def believed(beliefs: Iterable[Belief], index: int) -> list[Belief]:
    """Return what was believed right after ledger entry `index`, earliest first."""
    found = [belief for belief in beliefs if believed_at(index, belief.recorded, belief.superseded)]
    return sorted(found, key=lambda belief: belief.valid_from)


def runs_of(beliefs: Iterable[Belief]) -> list[Run]:
    """Return a history's periods, earliest first, with those that follow each other at one place joined."""
    runs: list[Run] = []
    for belief in beliefs:
        last = runs[-1].last if runs else None
        same = last is not None and (last.place, last.at) == (belief.place, belief.at)
        if last is not None and same and last.valid_to == belief.valid_from:
            runs[-1] = Run(runs[-1].first, belief)
        else:
            runs.append(Run(belief, belief))
    return runs


# --- devices ---------------------------------------------------------------------------------------


def device_happenings(places: Sequence[Belief], stays: Stays) -> Iterator[Happening]:
    """Yield what happened to one device, by where it and its cabinets were believed to be.

    Both are given as believed at one index, earliest first.
    """
    runs = runs_of(places)
    for number, run in enumerate(runs):
        before = runs[number - 1].last if number else None
        yield from _arrival_of_device(run.first, before, stays)
        if run.place is DevicePlace.CABINET and run.last.valid_to is not None:
            after = runs[number + 1].first if number + 1 < len(runs) else None
            yield _removal(run.last, run.last.valid_to, after, stays)


def _arrival_of_device(start: Belief, before: Belief | None, stays: Stays) -> Iterator[Happening]:
    here = _where(start, start.valid_from, stays)
    if before is None:
        yield _commissioning(start, here)
    left = None if before is None else _where(before, start.valid_from, stays, just_before=True)
    if start.place is DevicePlace.CABINET:
        yield _begun(start, Step.INSTALLING, here, here, parent=start.at)
    elif start.place is DevicePlace.DEPOT:
        if before is not None:
            yield _begun(start, Step.RECEIVING, here, here)
    elif start.place is DevicePlace.VAN:
        yield _begun(start, Step.TRANSPORTING, left)
    elif start.place is DevicePlace.MAKER:
        yield _begun(start, Step.SHIPPING, left)
    elif start.place is DevicePlace.LOST:
        yield _begun(start, Step.LOSING)
    else:
        yield _begun(start, Step.DECOMMISSIONING, left)


def _removal(end: Belief, at: datetime, after: Belief | None, stays: Stays) -> Happening:
    store = _where(end, at, stays, just_before=True)
    return Happening(
        (end.subject, end.identity, Step.REMOVING),
        at,
        # It came out when the next place began, and is known as exactly as that.
        known_by=after is not None and after.valid_from == at and after.known_by,
        parent=end.at,
        read_at=store,
        stays_at=store,
    )


def _where(belief: Belief, at: datetime, stays: Stays, *, just_before: bool = False) -> UUID | None:
    """Return the store or depot of a device then, or of what was there until then; None where it has none."""
    if belief.place is DevicePlace.DEPOT:
        return belief.at
    if belief.place is not DevicePlace.CABINET or belief.at is None:
        return None
    for stay in stays.get(belief.at, ()):
        # The earliest that reaches there: the one that ends then where what was until then is asked for.
        over = stay.valid_to is not None and (stay.valid_to < at if just_before else stay.valid_to <= at)
        if stay.valid_from <= at and not over and stay.place is not CabinetPlace.SCRAPPED:
            return stay.at
    return None


# --- cabinets --------------------------------------------------------------------------------------


def cabinet_happenings(stays: Sequence[Belief]) -> Iterator[Happening]:
    """Yield what happened to one cabinet, by where it was believed to stand, earliest first.

    A device that hangs in it goes along, and stays associated: nothing is told of it.
    """
    before: Run | None = None
    for run in runs_of(stays):
        start = run.first
        here = None if start.place is CabinetPlace.SCRAPPED else start.at
        if before is None:
            yield _commissioning(start, here)
        left = before.last.at if before is not None else None
        if start.place is CabinetPlace.SCRAPPED:
            yield _begun(start, Step.DECOMMISSIONING, left)
        elif before is not None:
            yield _begun(start, Step.SHIPPING, left)
            yield _begun(start, Step.RECEIVING, here, here)
        before = run


# --- both ------------------------------------------------------------------------------------------


def _commissioning(start: Belief, here: UUID | None) -> Happening:
    """Return how a thing came into the register: once for the thing, whichever period is its first."""
    key = (start.subject, start.subject, Step.COMMISSIONING)
    return Happening(key, start.valid_from, start.known_by, read_at=here, stays_at=here)


def _begun(
    start: Belief,
    step: Step,
    read_at: UUID | None = None,
    stays_at: UUID | None = None,
    *,
    parent: UUID | None = None,
) -> Happening:
    key = (start.subject, start.identity, step)
    return Happening(key, start.valid_from, start.known_by, parent, read_at, stays_at)
