"""What the chain of a device's whereabouts leaves open, and where it contradicts itself.

Pure: stays in, findings out. A finding is only looked for where it can arise. The database refuses two
places at once of one record, two cabinets' devices in one slot, an end before its start, an ended assignment
without its reason, and one serial of two records that both stand for a device. The actions leave no gap,
assign nothing to a scrapped or unknown cabinet, and let nothing come back after it was retired; the
database does not know these, so they are looked for in what an older register may have handed down.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from uuid import UUID

from registry.rules.periods import Period
from registry.rules.traces.findings import Finding, FindingCode, FindingKind
from registry.rules.traces.reported import Reported
from registry.rules.whereabouts import (
    DEVICE_NEXT,
    IN_HAND,
    WORDS,
    CabinetPlace,
    DevicePlace,
    EndReason,
)


@dataclass(frozen=True, slots=True)
class DeviceStay:
    """One period of a device as believed: where it was, and what to call that."""

    identity: UUID
    period: Period
    place: DevicePlace
    label: str
    cabinet: UUID | None = None
    starts_known_by: bool = False
    end_reason: str = ""
    reference: str = ""  # the maker's return number


@dataclass(frozen=True, slots=True)
class CabinetStay:
    """One period of a cabinet as believed: `spot` is the key of the store or depot.

    `brought` says that the entry which took the cabinet there tells that the device went along.
    """

    identity: UUID
    cabinet: UUID
    cabinet_label: str
    period: Period
    place: CabinetPlace
    spot: UUID
    label: str
    brought: bool = False


@dataclass(frozen=True, slots=True)
class FormerStay:
    """What a record of the same serial was believed to be, until entry `judged_index` judged it away."""

    stay: DeviceStay
    judged_index: int


@dataclass(frozen=True, slots=True)
class History:
    """All that findings are read from: a device's stays, earliest first, and what they rest on."""

    stays: Sequence[DeviceStay]
    cabinets: Sequence[CabinetStay] = ()
    former: Sequence[FormerStay] = ()
    reported: Sequence[Reported] = ()


def as_of(period: Period, moment: datetime) -> Period | None:
    """Return a period as it was by a moment: None before it began, still running before it ended."""
    if period.valid_from > moment:
        return None
    ended = period.valid_to is not None and period.valid_to <= moment
    return period if ended else Period(period.valid_from)


def shared(one: Period, other: Period) -> Period | None:
    """Return the time that two periods share, None where they share none."""
    if not one.overlaps(other):
        return None
    ends = [end for end in (one.valid_to, other.valid_to) if end is not None]
    return Period(max(one.valid_from, other.valid_from), min(ends, default=None))


def find(history: History) -> list[Finding]:
    """Return what a chain leaves open or contradicts, the gravest kind first, then by time."""
    found = [finding for rule in _RULES for finding in rule(history)]
    grave = list(FindingKind)
    return sorted(found, key=lambda one: (grave.index(one.kind), one.since, one.code))


# --- two things that cannot both be true -------------------------------------------------------------


def _two_records(history: History) -> Iterator[Finding]:
    for former in history.former:
        other = former.stay
        for stay in history.stays:
            both = shared(stay.period, other.period)
            if both is None or (stay.place, stay.label) == (other.place, other.label):
                continue
            yield Finding(
                FindingCode.TWO_RECORDS,
                both.valid_from,
                both.valid_to,
                f"A record of the same serial was believed to be {_at(other)} until entry"
                f" {former.judged_index} judged it; this one was {_at(stay)}.",
                (stay.identity, other.identity),
            )


def _told_elsewhere(history: History) -> Iterator[Finding]:
    for moved in history.cabinets:
        at = moved.period.valid_from
        held = next((stay for stay in history.stays if stay.period.contains(at)), None)
        if not moved.brought or (held is not None and held.cabinet == moved.cabinet):
            continue
        yield Finding(
            FindingCode.TOLD_ELSEWHERE,
            at,
            at,
            f"It is told to have gone to {moved.label} with cabinet {moved.cabinet_label}, but by its own"
            f" history it was {_at(held) if held else 'nowhere that is known'} then.",
            (moved.identity, *((held.identity,) if held else ())),
        )


def _moved_unsaid(history: History) -> Iterator[Finding]:
    for hung, stays in _assignments(history):
        for before, after in pairwise(stays):
            moved_at = after.period.valid_from
            both = shared(hung.period, after.period)
            if (
                both is None
                or moved_at <= hung.period.valid_from
                or after.spot == before.spot
                or after.place is CabinetPlace.SCRAPPED
                or after.brought
            ):
                continue
            yield Finding(
                FindingCode.MOVED_UNSAID,
                both.valid_from,
                both.valid_to,
                f"Cabinet {after.cabinet_label} went from {before.label} to {after.label} while it hung"
                " there, and no entry tells that it went along.",
                (hung.identity, after.identity),
            )


def _hung_in_no_store(history: History) -> Iterator[Finding]:
    for hung, stays in _assignments(history):
        for stay in stays:
            both = shared(hung.period, stay.period)
            if stay.place is CabinetPlace.DEPOT and stay.period.contains(hung.period.valid_from) and both:
                yield Finding(
                    FindingCode.HUNG_IN_NO_STORE,
                    both.valid_from,
                    both.valid_to,
                    f"It is said to have been hung into cabinet {stay.cabinet_label} while that stood in no"
                    f" store, but in {stay.label}.",
                    (hung.identity, stay.identity),
                )


def _cabinet_unknown(history: History) -> Iterator[Finding]:
    for hung, stays in _assignments(history):
        for part in _without(hung.period, [stay.period for stay in stays]):
            yield Finding(
                FindingCode.CABINET_UNKNOWN,
                part.valid_from,
                part.valid_to,
                f"It is said to have hung in {hung.label} while the register knows no place of that.",
                (hung.identity,),
            )


def _cabinet_scrapped(history: History) -> Iterator[Finding]:
    for hung, stays in _assignments(history):
        for stay in stays:
            both = shared(hung.period, stay.period)
            if stay.place is CabinetPlace.SCRAPPED and both:
                yield Finding(
                    FindingCode.CABINET_SCRAPPED,
                    both.valid_from,
                    both.valid_to,
                    f"It is said to have hung in cabinet {stay.cabinet_label} after that was scrapped.",
                    (hung.identity, stay.identity),
                )


def _step_missing(history: History) -> Iterator[Finding]:
    for before, after in pairwise(history.stays):
        if (
            before.place is DevicePlace.RETIRED
            or not before.period.meets(after.period)
            or after.place in DEVICE_NEXT[before.place]
        ):
            continue
        at = after.period.valid_from
        yield Finding(
            FindingCode.STEP_MISSING,
            at,
            at,
            f"It was {WORDS[before.place]}, and from then on {_at(after)}; nothing tells how it came back.",
            (before.identity, after.identity),
        )


def _back_after_retired(history: History) -> Iterator[Finding]:
    for before, after in pairwise(history.stays):
        if before.place is DevicePlace.RETIRED:
            yield Finding(
                FindingCode.BACK_AFTER_RETIRED,
                after.period.valid_from,
                after.period.valid_to,
                f"It had been retired, and was {_at(after)} all the same.",
                (before.identity, after.identity),
            )


# --- what is not known -------------------------------------------------------------------------------


def _whereabouts_unknown(history: History) -> Iterator[Finding]:
    for before, after in pairwise(history.stays):
        if before.period.valid_to is not None and before.period.valid_to < after.period.valid_from:
            yield Finding(
                FindingCode.WHEREABOUTS_UNKNOWN,
                before.period.valid_to,
                after.period.valid_from,
                f"Nothing tells where it was after it had been {_at(before)} and before it was {_at(after)}.",
                (before.identity, after.identity),
            )
    for last in history.stays[-1:]:
        if last.period.valid_to is not None:
            yield Finding(
                FindingCode.WHEREABOUTS_UNKNOWN,
                last.period.valid_to,
                None,
                f"Nothing tells where it is since it was {_at(last)}.",
                (last.identity,),
            )


def _lost(history: History) -> Iterator[Finding]:
    for stay in history.stays:
        if stay.place is DevicePlace.LOST:
            yield Finding(
                FindingCode.LOST,
                stay.period.valid_from,
                stay.period.valid_to,
                "It was marked lost: nobody knew where it was.",
                (stay.identity,),
            )


def _reported_unassigned(history: History) -> Iterator[Finding]:
    stays = {stay.identity: stay for stay in history.stays}
    for reported in history.reported:
        times = "once" if reported.count == 1 else f"{reported.count} times"
        if reported.identity is None:
            while_ = "before anything is known of it"
        else:
            while_ = f"while it was {_at(stays[reported.identity])}"
        yield Finding(
            FindingCode.REPORTED_UNASSIGNED,
            reported.first,
            reported.last,
            f"It reported {times} {while_}, so nobody knows of which cabinet.",
            (reported.identity,) if reported.identity else (),
        )


def _start_known_by(history: History) -> Iterator[Finding]:
    for stay in history.stays:
        if stay.starts_known_by:
            yield Finding(
                FindingCode.START_KNOWN_BY,
                stay.period.valid_from,
                stay.period.valid_from,
                f"It was {_at(stay)} no later than then; since when it was is not known.",
                (stay.identity,),
            )


def _never_received(history: History) -> Iterator[Finding]:
    for first in history.stays[:1]:
        if first.place not in IN_HAND:
            yield Finding(
                FindingCode.NEVER_RECEIVED,
                first.period.valid_from,
                first.period.valid_from,
                f"The first that is known of it is that it was {_at(first)}; nothing tells when it was"
                " received.",
                (first.identity,),
            )


# --- what is still to be done ------------------------------------------------------------------------


def _fault_unsettled(history: History) -> Iterator[Finding]:
    for position, hung in enumerate(history.stays):
        if hung.end_reason != EndReason.FAULT or hung.period.valid_to is None:
            continue
        settled, again = False, None
        for after in history.stays[position + 1 :]:
            if after.place is DevicePlace.CABINET:
                again = after
                break
            settled = settled or after.place in (DevicePlace.MAKER, DevicePlace.RETIRED)
        # What is lost goes to no maker before it is found.
        if settled or (again is None and history.stays[-1].place is DevicePlace.LOST):
            continue
        told = f"and was {_at(again)} again" if again else "and has not been sent there since"
        yield Finding(
            FindingCode.FAULT_UNSETTLED,
            hung.period.valid_to,
            again.period.valid_from if again else None,
            f"It came out of {hung.label} because of a fault, did not go to its maker, {told}.",
            (hung.identity, *((again.identity,) if again else ())),
        )


def _no_return_number(history: History) -> Iterator[Finding]:
    for stay in history.stays:
        if stay.place is DevicePlace.MAKER and not stay.reference:
            yield Finding(
                FindingCode.NO_RETURN_NUMBER,
                stay.period.valid_from,
                stay.period.valid_to,
                "It went to its maker without a return number.",
                (stay.identity,),
            )


_RULES: tuple[Callable[[History], Iterable[Finding]], ...] = (
    _two_records,
    _told_elsewhere,
    _moved_unsaid,
    _hung_in_no_store,
    _cabinet_unknown,
    _cabinet_scrapped,
    _step_missing,
    _back_after_retired,
    _whereabouts_unknown,
    _lost,
    _reported_unassigned,
    _start_known_by,
    _never_received,
    _fault_unsettled,
    _no_return_number,
)


def _assignments(history: History) -> Iterator[tuple[DeviceStay, list[CabinetStay]]]:
    """Yield each stay in a cabinet with all stays of that cabinet, earliest first."""
    by_cabinet: dict[UUID, list[CabinetStay]] = {}
    for stay in sorted(history.cabinets, key=lambda stay: stay.period.valid_from):
        by_cabinet.setdefault(stay.cabinet, []).append(stay)
    for hung in history.stays:
        if hung.cabinet is not None:
            yield hung, by_cabinet.get(hung.cabinet, [])


def _without(period: Period, taken: Sequence[Period]) -> Iterator[Period]:
    """Yield the parts of a period that none of the others covers; those are in order, earliest first."""
    at: datetime | None = period.valid_from
    for other in taken:
        both = shared(period, other)
        if both is None or at is None:
            continue
        if both.valid_from > at:
            yield Period(at, both.valid_from)
        at = both.valid_to
    if at is not None and at != period.valid_to:
        yield Period(at, period.valid_to)


def _at(stay: DeviceStay) -> str:
    """Return where a device was, as it stands in a sentence."""
    return (
        stay.label
        if stay.place in (DevicePlace.MAKER, DevicePlace.LOST, DevicePlace.RETIRED)
        else (f"in {stay.label}")
    )
