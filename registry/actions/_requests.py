"""Who asks, and on what conditions: once only, only if nothing changed meanwhile, or as a rehearsal."""

import hmac
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

from registry.ledger.journal import Story, Written
from registry.models import Contact, RequestAnswer
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face
from registry.rules.requests import ANSWER_KEPT


@dataclass(frozen=True, slots=True)
class Actor:
    """Who wants something done, and through which face; `staff_id` None is the system itself."""

    staff_id: UUID | None
    face: Face


@dataclass(frozen=True, slots=True)
class Answer:
    """What a face answers: a status, headers by name, and a body.

    `kept_body` is what a repeated request gets where the body holds a secret that is never stored.
    """

    status: int
    body: str
    headers: Mapping[str, str] = field(default_factory=dict)
    kept_body: str | None = None


@dataclass(frozen=True, slots=True)
class Request(Actor):
    """An actor's request. What it does and what is answered are one transaction.

    `render` makes the answer of the action's result, inside the transaction. Under a `key` the answer is
    kept with it, so that the same request (`digest`, SHA-256) gets it again, and another one is refused.
    `precondition` is asked under the ledger lock and raises RuleBroken where the caller saw something else.
    `clock_offset_s` seconds were added to the times that the caller stated, because its clock was wrong.
    """

    render: Callable[[Any], Answer]
    key: str | None = None
    digest: bytes = b""
    precondition: Callable[[], None] | None = None
    clock_offset_s: int = 0
    answers: list[Answer] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Told:
    """What an action would do: its story, and the images of the rows that it would write."""

    story: Story
    written: list[Written]


@dataclass(frozen=True, slots=True)
class Rehearsal(Actor):
    """An actor who wants to see what would happen: everything is done, told here, and taken back."""

    told: list[Told] = field(default_factory=list)


class AnsweredBefore(Exception):
    """The request was carried out before; this was its answer."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.status)
        self.answer = answer


def carry_out(action: Callable[..., Any], request: Request, **arguments: Any) -> Answer:
    """Let an action carry out a request, or find that it did before; return the answer.

    Raises RuleBroken as the action does, KEY_REUSED where another request had the key, REGISTER_BUSY.
    """
    try:
        action(request, **arguments)
    except AnsweredBefore as before:
        return before.answer
    return request.answers[-1]


def rehearse(action: Callable[..., Any], actor: Actor, **arguments: Any) -> Told:
    """Return what an action would do, and leave nothing of it; raises RuleBroken as the action does."""
    rehearsal = Rehearsal(actor.staff_id, actor.face)
    action(rehearsal, **arguments)
    return rehearsal.told[-1]


def begin(request: Request, now: datetime) -> None:
    """Look under the lock whether a request may be carried out.

    Raises AnsweredBefore for a repeat, RuleBroken KEY_REUSED, and what the precondition raises.
    """
    kept = _kept_answer(request.staff_id, request.key, now)
    if kept is not None:
        if not hmac.compare_digest(bytes(kept.digest), request.digest):
            raise RuleBroken(
                Code.KEY_REUSED,
                "Another request came under this key. Make a fresh key for each wish.",
                field="Idempotency-Key",
            )
        raise AnsweredBefore(Answer(kept.status, kept.body, kept.headers))
    # After the repeat: the first time has changed what the precondition compares.
    if request.precondition is not None:
        request.precondition()


def answer_before(staff_id: UUID, key: str | None, digest: bytes, now: datetime) -> Answer | None:
    """Return the answer of a person's very request where it was carried out before, else None."""
    kept = _kept_answer(staff_id, key, now)
    if kept is None or not hmac.compare_digest(bytes(kept.digest), digest):
        return None
    return Answer(kept.status, kept.body, kept.headers)


def answer_under(staff_id: UUID, key: str, now: datetime) -> Answer:
    """Return the answer of a person's request under a key, which another one names as the one before it.

    Raises RuleBroken PREDECESSOR_MISSING where nothing was carried out under that key.
    """
    kept = _kept_answer(staff_id, key, now)
    if kept is None:
        raise RuleBroken(
            Code.PREDECESSOR_MISSING,
            "What should come before this was not recorded. Send that first, or look again and decide anew.",
            field="Predecessor-Key",
        )
    return Answer(kept.status, kept.body, kept.headers)


def _kept_answer(staff_id: UUID | None, key: str | None, now: datetime) -> RequestAnswer | None:
    if key is None or staff_id is None:
        return None
    kept = RequestAnswer.objects.filter(staff_id=staff_id, key=key, answered_at__gt=now - ANSWER_KEPT)
    return kept.first()


def finish(request: Request, result: object, now: datetime) -> None:
    """Make the answer of a request that was carried out, and keep it under its key."""
    answer = request.render(result)
    request.answers.append(answer)
    if request.key is None or request.staff_id is None:
        return
    RequestAnswer.objects.filter(answered_at__lte=now - ANSWER_KEPT).delete()
    RequestAnswer.objects.create(
        staff_id=request.staff_id,
        key=request.key,
        digest=request.digest,
        status=answer.status,
        headers=dict(answer.headers),
        body=answer.body if answer.kept_body is None else answer.kept_body,
        answered_at=now,
        contact_id=result.pk if isinstance(result, Contact) else None,
    )
