"""Visits to a place: what kind, in which state, and when the office may let somebody go."""

from collections.abc import Sequence
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
OPEN = (VisitState.PLANNED, VisitState.RELEASED, VisitState.BEGUN)
# Looking takes no authority to install; everything else changes something of the customer's.
WITHOUT_SURVEY = (VisitKind.SURVEY, VisitKind.INSPECT, VisitKind.REMOVE)

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


def check_release(
    kind: VisitKind, *, authority: bool, unsuitable: Sequence[str], override_reason: str
) -> None:
    """Raise RuleBroken VISIT_NOT_READY where a visit may not go ahead yet and nobody says why it does.

    `unsuitable` names the cabinets whose newest survey says no, or that were not surveyed. Authority to
    install is asked for but for surveys, and a suitable survey where something is put up or swapped.
    Common practice, no source.
    """
    wanting = []
    if kind is not VisitKind.SURVEY and not authority:
        wanting.append("the customer has not allowed an installation at this location")
    if kind not in WITHOUT_SURVEY and unsuitable:
        wanting.append(f"no survey says that {' and '.join(unsuitable)} may be worked on")
    if wanting and not override_reason:
        words = " and ".join(wanting)
        raise RuleBroken(
            Code.VISIT_NOT_READY,
            f"{words[0].upper()}{words[1:]}. Record what is missing, or release it with a reason.",
            field="override_reason",
            details={"cabinets": list(unsuitable), "authority": authority},
        )


def check_acknowledged(waiting: Sequence[str]) -> None:
    """Raise RuleBroken CAUTIONS_UNREAD where cautions of a cabinet were not acknowledged as they now read."""
    if waiting:
        raise RuleBroken(
            Code.CAUTIONS_UNREAD,
            f"The cautions of {' and '.join(waiting)} were not acknowledged. Read them first.",
            field="visit",
            details={"cabinets": list(waiting)},
        )


def check_day(planned_on: date, today: date) -> None:
    """Raise RuleBroken VALUE_INVALID for a day that is over at the store."""
    if planned_on < today:
        raise particulars.invalid("planned_on", f"{planned_on} is over at the store. Choose today or later.")


def check_cabinets(kind: VisitKind, count: int) -> None:
    """Raise RuleBroken VALUE_INVALID for a visit to more cabinets than one visit can hold, or to none.

    A survey may be of a location whose cabinets nobody knows yet.
    """
    if not (0 if kind is VisitKind.SURVEY else 1) <= count <= CABINETS_MAX:
        raise particulars.invalid("cabinets", f"Name 1 to {CABINETS_MAX} cabinets of this location.")
