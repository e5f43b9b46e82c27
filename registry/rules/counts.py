"""Counts: which plan a sample follows, what each finding is, and what the whole says of the register."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID

from registry.rules import particulars, sampling
from registry.rules.errors import Code, RuleBroken
from registry.rules.sampling import Rounding, rate_text
from registry.rules.whereabouts import DevicePlace

LOT_SIZE_MAX = 20_000  # devices in one frozen list


class CountState(StrEnum):
    """Whether something may still be found."""

    OPEN = "open"
    CLOSED = "closed"


class Plan(StrEnum):
    """How the sample size comes about."""

    ZERO_ACCEPTANCE = "zero_acceptance"  # protects whoever relies on the register
    AQL = "aql"  # ISO 2859-1: protects whoever keeps it


class Strata(StrEnum):
    """By what the list is parted before drawing, so that each part is there."""

    NONE = "none"
    PLACE = "place"  # stores, depots, vans: errors cluster on vans (common practice, no source)
    DEPOT = "depot"  # the depot that answers


class Result(StrEnum):
    """What became of one line: of the sample, or of what was found beside it."""

    WAITING = "waiting"  # nobody has looked yet
    AGREES = "agrees"
    ABSENT = "absent"  # not where the register had it
    UNLISTED = "unlisted"  # it is here, and the register had it elsewhere
    UNKNOWN = "unknown"  # a serial that nobody booked in
    NOT_COUNTED = "not_counted"  # nobody could look there; the note says why


class Decision(StrEnum):
    """What the office decided on a difference."""

    ACCEPTED = "accepted"  # the register was put right
    DISMISSED = "dismissed"  # the register was right, and the reason says how that is known


class DifferenceKind(StrEnum):
    """What a difference is."""

    MISSING = "missing"  # drawn, and seen nowhere
    ELSEWHERE = "elsewhere"  # drawn, and seen at another place of the count
    UNLISTED = "unlisted"  # seen where the register did not have it
    UNKNOWN = "unknown"  # a serial that nobody booked in
    NOT_COUNTED = "not_counted"  # drawn, and nobody could look


# Where somebody can go and look. What is at its maker, lost or retired is in no list.
COUNTED_PLACES = (DevicePlace.CABINET, DevicePlace.DEPOT, DevicePlace.VAN)
# A line of the sample on which its device was not found at its place.
NOT_SEEN_THERE = frozenset({Result.ABSENT, Result.NOT_COUNTED})
_KINDS = {
    Result.ABSENT: DifferenceKind.MISSING,
    Result.NOT_COUNTED: DifferenceKind.NOT_COUNTED,
    Result.UNLISTED: DifferenceKind.UNLISTED,
    Result.UNKNOWN: DifferenceKind.UNKNOWN,
}
STRATUM_WORDS = {DevicePlace.CABINET: "stores", DevicePlace.DEPOT: "depots", DevicePlace.VAN: "vans"}


@dataclass(frozen=True, slots=True)
class Question:
    """What a sample is to tell: plan, confidence and rate in hundredths of a percent, how a rate is rounded.

    The rate is the tolerated one under zero acceptance, else the AQL. Under the AQL plan the confidence is
    that of the limits that are told afterwards.
    """

    plan: Plan
    confidence_hundredths: int
    tolerated_hundredths: int
    rounding: Rounding


@dataclass(frozen=True, slots=True)
class Sample:
    """How many are drawn, from each stratum and in all, and with how many wrong ones the lot passes."""

    size: int
    acceptance_number: int
    allocation: Mapping[str, int]


def read_question(plan: object, confidence: object, tolerated: object, rounding: object) -> Question:
    """Return a question from its words and percentages; raises RuleBroken VALUE_INVALID by field."""
    return Question(
        Plan(str(particulars.choice(Plan)(plan, "plan"))),
        _hundredths(confidence, "confidence", sampling.CONFIDENCE_MIN, sampling.CONFIDENCE_MAX),
        _hundredths(tolerated, "tolerated", sampling.TOLERATED_MIN, sampling.TOLERATED_MAX),
        Rounding(str(particulars.choice(Rounding)(rounding, "rounding"))),
    )


def _hundredths(given: object, field: str, least: int, most: int) -> int:
    low, high = (f"{bound / 100:g}" for bound in (least, most))
    text = given.strip().removesuffix("%").strip() if isinstance(given, str) else given
    return int(particulars.decimal(low, high, 2)(text, field) * 100)  # type: ignore[operator]


def read_places(given: object) -> tuple[DevicePlace, ...]:
    """Return the kinds of places that are counted, in order; raises RuleBroken VALUE_INVALID."""
    words = [given] if isinstance(given, str) else given
    if not isinstance(words, list | tuple) or not words or not all(word in COUNTED_PLACES for word in words):
        told = ", ".join(COUNTED_PLACES)
        raise particulars.invalid("places", f"Say which kinds of places are counted, of {told}.")
    return tuple(place for place in COUNTED_PLACES if place in words)


def read_strata(given: object) -> Strata:
    """Return how the list is parted; raises RuleBroken VALUE_INVALID."""
    return Strata(str(particulars.choice(Strata)(given, "strata")))


def plan_sample(question: Question, sizes: Mapping[str, int]) -> Sample:
    """Return the sample of a lot that is parted into strata of these sizes.

    Raises RuleBroken VALUE_INVALID for an empty lot, for one or an AQL that the table does not have, for an
    AQL sample that does not reach every stratum, and for a sample of more than sampling.SAMPLE_MAX; TOO_MANY
    for a lot beyond LOT_SIZE_MAX.
    """
    lot_size = sum(sizes.values())
    if lot_size == 0:
        raise particulars.invalid("places", "No device is in such a place. Count other places.")
    if lot_size > LOT_SIZE_MAX:
        raise RuleBroken(
            Code.TOO_MANY,
            f"The list has {lot_size} devices; at most {LOT_SIZE_MAX} are counted at once. Count by depot.",
            field="places",
        )
    accepted = 0
    if question.plan is Plan.AQL:
        size, accepted = sampling.aql_plan(lot_size, question.tolerated_hundredths)
        if size < len(sizes):  # its acceptance number belongs to its size
            raise particulars.invalid(
                "strata",
                f"The plan draws {size}, and there are {len(sizes)} strata. Part the list into fewer.",
            )
    else:
        wrong = sampling.wrong_in_lot(lot_size, question.tolerated_hundredths, question.rounding)
        size = sampling.zero_acceptance_sample(sizes, wrong, question.confidence_hundredths)
    if size > sampling.SAMPLE_MAX:
        raise particulars.invalid(
            "tolerated",
            f"This asks for {size} of {lot_size} devices; at most {sampling.SAMPLE_MAX} are drawn at once."
            " Tolerate a higher rate, or count part of the fleet.",
        )
    return Sample(size, accepted, sampling.allocate(sizes, size))


def plan_words(question: Question, lot_size: int, size: int, acceptance_number: int) -> str:
    """Return in one sentence what the plan means."""
    rate = rate_text(100 * question.tolerated_hundredths)
    if question.plan is Plan.AQL:
        return (
            f"By ISO 2859-1, general inspection level II, AQL {rate}: of {size} drawn from {lot_size} at most"
            f" {acceptance_number} may be wrong, so that a register with no more than {rate} wrong mostly"
            " passes."
        )
    wrong = sampling.wrong_in_lot(lot_size, question.tolerated_hundredths, question.rounding)
    left = rate_text(sampling.MILLION - 100 * question.confidence_hundredths)
    whole = lot_size * question.tolerated_hundredths >= 10_000  # hundredths of a percent: one device
    share = f"{rate}, rounded {question.rounding}" if whole else f"{rate} of them is less than one"
    some = f"{wrong} or more" if wrong > 1 else "at least one"
    things = f"{some} of the {lot_size} devices ({share})" if lot_size > 1 else "the one device"
    return f"If {things} were wrong, the chance to find none in {size} would be at most {left}."


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a closed count says: how many of the sample were wrong, and the limits of the rate.

    Limits in parts per million; `wrong_at_most` is the exact upper limit of the number in the lot. Among the
    wrong are those that were not counted; what was dismissed is not among them.
    """

    sample_size: int
    wrong: int
    not_counted: int
    dismissed: int
    passed: bool
    upper_ppm: int
    two_sided_ppm: tuple[int, int]
    wrong_at_most: int


def outcome(
    lot_size: int,
    sample_size: int,
    wrong: int,
    not_counted: int,
    dismissed: int,
    acceptance_number: int,
    confidence_hundredths: int,
) -> Outcome:
    """Return what a closed count says. What is undecided is wrong, and what was not counted is, too.

    An item of the sample that nobody could look at is a deviation, not a gap that is left out: else a
    register would be believed the better the fewer doors open (ISA 530, paragraph 11, from memory).
    """
    return Outcome(
        sample_size,
        wrong,
        not_counted,
        dismissed,
        wrong <= acceptance_number,
        sampling.upper_limit_ppm(wrong, sample_size, confidence_hundredths),
        sampling.two_sided_limits_ppm(wrong, sample_size, confidence_hundredths),
        sampling.most_wrong(wrong, sample_size, lot_size, confidence_hundredths),
    )


def difference_kind(result: Result, *, seen_elsewhere: bool) -> DifferenceKind | None:
    """Return what a line's result is as a difference, None where register and place agree."""
    if seen_elsewhere and result in NOT_SEEN_THERE:
        return DifferenceKind.ELSEWHERE
    return _KINDS.get(result)


def check_not_counted(note: str, serial: str, *, looked: bool) -> None:
    """Raise RuleBroken unless a place may be told as not counted, as a whole and with a note why.

    VALUE_INVALID for a serial that was seen all the same, REASON_MISSING, NOTHING_CHANGES where somebody
    looked: whether a half-counted place has more to it would tell what is expected there.
    """
    if serial.strip():
        raise particulars.invalid("serial", "Something was seen here, so it was counted. Record it.")
    if not note.strip():
        raise RuleBroken(
            Code.REASON_MISSING, "Say in the note why nobody could look, and what was tried.", field="note"
        )
    if looked:
        raise RuleBroken(
            Code.NOTHING_CHANGES,
            "Something was recorded here, so this place was counted. Go on counting it, or have it counted"
            " again first.",
            field="not_counted",
        )


def check_counted(kind: DifferenceKind) -> None:
    """Raise RuleBroken COUNT_INCOMPLETE where nobody looked, so that nothing shows where a device is."""
    if kind is DifferenceKind.NOT_COUNTED:
        raise RuleBroken(
            Code.COUNT_INCOMPLETE,
            "Nobody could look there, so nothing shows that the register is wrong. Have the place counted"
            " again, or dismiss the difference and say what else shows where the device is.",
            field="difference",
        )


def check_open(state: CountState) -> None:
    """Raise RuleBroken COUNT_CLOSED where nothing is recorded any more."""
    if state is not CountState.OPEN:
        raise RuleBroken(
            Code.COUNT_CLOSED,
            "This count is closed. Have the place counted again, or draw a new count.",
            field="count",
        )


def check_closed(state: CountState) -> None:
    """Raise RuleBroken COUNT_OPEN where people still count, and so must not see what is expected."""
    if state is not CountState.CLOSED:
        raise RuleBroken(
            Code.COUNT_OPEN,
            "This count is open, so its differences are not told yet. Close it first.",
            field="count",
        )


def check_complete(waiting: list[str]) -> None:
    """Raise RuleBroken COUNT_INCOMPLETE where somebody has yet to look; `waiting` are the places."""
    if waiting:
        named = ", ".join(waiting[:5]) + (f" and {len(waiting) - 5} more" if len(waiting) > 5 else "")
        raise RuleBroken(
            Code.COUNT_INCOMPLETE,
            f"Not counted yet: {named}. Count them; where nobody can get in, record that they could not be"
            " counted, with a note why.",
            field="count",
            details={"waiting": list(waiting)},
        )


def check_approver(decider: UUID | None, counters: set[UUID | None]) -> None:
    """Raise RuleBroken APPROVER_COUNTED where somebody would decide on what they counted themselves."""
    if decider in counters:
        raise RuleBroken(
            Code.APPROVER_COUNTED,
            "You counted this yourself. Ask somebody else of the office to decide on it.",
        )
