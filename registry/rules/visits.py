"""Visits to a place: what kind, in which state, and when the office may let somebody go."""

from collections.abc import Mapping, Sequence
from datetime import date
from enum import StrEnum

from registry.rules import particulars
from registry.rules.errors import Code, RuleBroken

CABINETS_MAX = 50  # of one visit


class VisitKind(StrEnum):
    """What somebody goes there for."""

    SURVEY = "survey"
    INSTALL = "install"
    SWAP = "swap"
    REMOVE = "remove"
    INSPECT = "inspect"


class VisitState(StrEnum):
    """How far a visit is."""

    PLANNED = "planned"
    RELEASED = "released"
    BEGUN = "begun"
    DONE = "done"
    CANCELLED = "cancelled"


NEXT: dict[VisitState, tuple[VisitState, ...]] = {
    VisitState.PLANNED: (VisitState.RELEASED, VisitState.CANCELLED),
    VisitState.RELEASED: (VisitState.BEGUN, VisitState.CANCELLED),
    VisitState.BEGUN: (VisitState.DONE, VisitState.CANCELLED),
    VisitState.DONE: (),
    VisitState.CANCELLED: (),
}
# A release can be taken back besides, by another plan: what the database lets a visit become.
BECOMES = {
    state: (*nexts, VisitState.PLANNED) if state is VisitState.RELEASED else nexts
    for state, nexts in NEXT.items()
}
OPEN = (VisitState.PLANNED, VisitState.RELEASED, VisitState.BEGUN)
# What is put up in a store needs the customer's authority to install there and a survey that allows it.
# Looking puts nothing up; and taking one's own device out must never wait for a customer's word, because
# they may have withdrawn it just so that the device goes. Common practice, no source.
PUTS_UP = (VisitKind.INSTALL, VisitKind.SWAP)
LATE_DAYS_MAX = 92  # work of a quarter ago is recorded late; before that, by its own facts alone

_ADVICE = {
    VisitState.PLANNED: "Release it first.",
    VisitState.RELEASED: "Begin it first.",
    VisitState.BEGUN: "Finish or cancel it.",
    VisitState.DONE: "Plan another visit.",
    VisitState.CANCELLED: "Plan another visit.",
}


def check_step(state: VisitState, wanted: VisitState) -> None:
    """Raise RuleBroken VISIT_STATE where a visit in this state cannot go into the wanted one."""
    if wanted not in NEXT[state]:
        raise RuleBroken(
            Code.VISIT_STATE,
            f"The visit is {state}, so it cannot become {wanted}. {_ADVICE[state]}",
            field="visit",
            details={"state": str(state), "next": [str(word) for word in NEXT[state]]},
        )


def check_plannable(state: VisitState) -> None:
    """Raise RuleBroken VISIT_STATE where a visit is over, or somebody is at work on it."""
    if state not in (VisitState.PLANNED, VisitState.RELEASED):
        raise RuleBroken(
            Code.VISIT_STATE,
            f"The visit is {state}, so its plan stays as it is. {_ADVICE[state]}",
            field="visit",
            details={"state": str(state)},
        )


def _wanting(kind: VisitKind, authority: bool, unsuitable: Sequence[str]) -> list[str]:
    wanting = []
    if kind in PUTS_UP and not authority:
        wanting.append("the customer has not allowed an installation at this location")
    if kind in PUTS_UP and unsuitable:
        wanting.append(f"no survey says that {' and '.join(unsuitable)} may be worked on")
    return wanting


def check_release(
    kind: VisitKind, *, authority: bool, unsuitable: Sequence[str], override_reason: str
) -> None:
    """Raise RuleBroken VISIT_NOT_READY where a visit may not go ahead yet and nobody says why it does.

    `unsuitable` names the cabinets whose newest survey says no, or that were not surveyed. Authority to
    install and a suitable survey are asked for where something is put up or swapped (PUTS_UP).
    """
    wanting = _wanting(kind, authority, unsuitable)
    if wanting and not override_reason:
        words = " and ".join(wanting)
        raise RuleBroken(
            Code.VISIT_NOT_READY,
            f"{words[0].upper()}{words[1:]}. Record what is missing, or release it with a reason.",
            field="override_reason",
            details={"cabinets": list(unsuitable), "authority": authority},
        )


def check_ready(kind: VisitKind, *, authority: bool, unsuitable: Sequence[str]) -> None:
    """Raise RuleBroken VISIT_NOT_READY where a released visit may not begin: what its release asked is lost.

    `authority` and `unsuitable` are of now, less what the reason of its release covers.
    """
    wanting = _wanting(kind, authority, unsuitable)
    if wanting:
        words = " and ".join(wanting)
        raise RuleBroken(
            Code.VISIT_NOT_READY,
            f"Since it was released, {words}. Do not begin: ask the office to record what is missing, or to"
            " release it again with a reason.",
            field="visit",
            details={"cabinets": list(unsuitable), "authority": authority},
        )


def check_there(gone: Sequence[str]) -> None:
    """Raise RuleBroken CABINET_NOT_AVAILABLE where cabinets of a visit do not stand where it goes.

    No reason of a release covers that: nothing can be done to a cabinet that is not there.
    """
    if gone:
        raise RuleBroken(
            Code.CABINET_NOT_AVAILABLE,
            f"{' and '.join(gone)} no longer stand where this visit goes. Ask the office to record where"
            " they stand, or to take them off the visit.",
            field="visit",
            details={"cabinets": list(gone)},
        )


def check_acknowledged(waiting: Sequence[str]) -> None:
    """Raise RuleBroken CAUTIONS_UNREAD where whoever works there has not acknowledged a cabinet's cautions.

    `waiting` names the cabinets of which they have not, or not as the cautions now read.
    """
    if waiting:
        raise RuleBroken(
            Code.CAUTIONS_UNREAD,
            f"The cautions of {' and '.join(waiting)} were not acknowledged by whoever works there, as they"
            " now read. Each installer reads them and acknowledges by their own name.",
            field="visit",
            details={"cabinets": list(waiting)},
        )


def check_told_of(state: VisitState, goes_there: bool, cabinet: str) -> None:
    """Raise RuleBroken where what was done to a cabinet is told of a visit during which it cannot have been.

    CABINET_NOT_AVAILABLE where it did not stand where the visit goes, VISIT_STATE for a cancelled visit.
    """
    if not goes_there:
        raise RuleBroken(
            Code.CABINET_NOT_AVAILABLE,
            f"Cabinet {cabinet} does not stand where this visit goes. Leave the visit out.",
            field="visit",
        )
    if state is VisitState.CANCELLED:
        raise RuleBroken(
            Code.VISIT_STATE,
            "The visit was cancelled. Name the visit on which this was done, or leave it out.",
            field="visit",
            details={"state": str(state)},
        )


def check_left_out(unsurveyed: Sequence[str], reasons: Mapping[str, str]) -> None:
    """Raise RuleBroken REASON_MISSING where a survey ends without a cabinet, and nobody says why.

    VALUE_INVALID for a reason of a cabinet that nobody left out. Both name cabinets by their labels.
    """
    silent = [label for label in unsurveyed if not reasons.get(label)]
    if silent:
        raise RuleBroken(
            Code.REASON_MISSING,
            f"{' and '.join(silent)} {'was' if len(silent) == 1 else 'were'} not surveyed on this visit."
            " Record the survey with this visit, or say for each cabinet why it was left out.",
            field="left_out",
            details={"cabinets": silent},
        )
    idle = [label for label in reasons if label not in unsurveyed]
    if idle:
        raise particulars.invalid(
            "left_out", f"{' and '.join(idle)} was not left out of a survey. Leave the reason away."
        )


def check_day(planned_on: date, today: date, reason: str = "") -> None:
    """Raise RuleBroken for a day that is over at the store, unless a reason says why it is told late.

    REASON_MISSING without one; VALUE_INVALID for a day more than LATE_DAYS_MAX ago.
    """
    if planned_on >= today:
        return
    if (today - planned_on).days > LATE_DAYS_MAX:
        raise particulars.invalid(
            "planned_on",
            f"{planned_on} is over for more than {LATE_DAYS_MAX} days. Check the year; older work is told"
            " by what was done: assignments, surveys, mountings.",
        )
    if not reason:
        raise RuleBroken(
            Code.REASON_MISSING,
            f"{planned_on} is over at the store. Choose today or later; or, for work that was done then, say"
            " why it is recorded late.",
            field="reason",
            details={"planned_on": str(planned_on)},
        )


def check_cabinets(kind: VisitKind, count: int) -> None:
    """Raise RuleBroken VALUE_INVALID for a visit to more cabinets than one visit can hold, or to none.

    A survey may be of a location whose cabinets nobody knows yet.
    """
    if not (0 if kind is VisitKind.SURVEY else 1) <= count <= CABINETS_MAX:
        raise particulars.invalid("cabinets", f"Name 1 to {CABINETS_MAX} cabinets of this location.")
