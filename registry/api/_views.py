"""What every address of the API shares: what reading needs, and how a change travels.

A view reads a body into plain values and makes one call; what may be done, and to what, is for the rules.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import wraps
from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse
from django.utils.crypto import salted_hmac
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions import _requests
from registry.actions._action import ACTIONS
from registry.actions._requests import Answer, answer_before, answer_under, carry_out
from registry.api._conditions import entity_tag, require_follows, require_match, require_unknown
from registry.api._fields import In, JsonOut, read_moment
from registry.api._reading import INDEX_HEADER, MOMENT_PARAMETERS, ROOT, ReadingView, RegisterFilter
from registry.api.problems import ApiCode, Problem
from registry.ledger import clock
from registry.queries.moments import Moment, head_index, present
from registry.rules.errors import RuleBroken
from registry.rules.events import Face
from registry.rules.particulars import invalid
from registry.rules.requests import clock_offset_s, read_key
from registry.rules.roles import require_act

__all__ = ["INDEX_HEADER", "ListView", "RegisterFilter", "RegisterView", "ThingView", "changes"]


class RegisterView(ReadingView):
    """An address of the API, which may let an action change something."""

    # What the method that was called changes, as `changes` marks it.
    changing: "Change"
    # Seconds to add to what the caller's clock states.
    clock_offset_s: int = 0

    # --- changes -------------------------------------------------------------------------------------

    def shown(self, key: Any, moment: Moment) -> Mapping[str, Any]:
        """Return what is shown of the thing with this key; raises RuleBroken NOT_FOUND."""
        raise NotImplementedError

    def given(self, body: type[In]) -> dict[str, Any]:
        """Return the values of the body; raises ValidationError by field, RuleBroken TIME_INVALID."""
        self.given_class = body
        if not isinstance(self.request.data, dict):
            raise serializers.ValidationError("The body must be one object. Put its fields in braces.")
        serializer = body(data=self.request.data, context={"clock_offset_s": self.clock_offset_s})
        serializer.is_valid(raise_exception=True)
        return dict(serializer.validated_data)

    def change(
        self,
        *,
        key: Any = None,
        made: Callable[[Any], Any] | None = None,
        answer: Callable[[Any], tuple[Mapping[str, Any], Mapping[str, Any] | None]] | None = None,
        **arguments: Any,
    ) -> HttpResponse:
        """Carry out the action of the method once, and answer with the thing as it then stands.

        `key` names the thing in the address, whose present state must be the one that If-Match names; or
        `made` finds the key of the thing that was made in the action's result. `answer` replaces what is
        shown: a body, and the body that is kept where that one holds a secret.
        """

        status = self.changing.status

        def render(result: Any) -> Answer:
            if answer is not None:
                data, kept = answer(result)
                headers = {INDEX_HEADER: str(head_index())}
                if made is not None:
                    headers["Location"] = f"{ROOT}{self.place}/{made(result)}/"
                return Answer(status, _text(data), headers, None if kept is None else _text(kept))
            moment = present()
            found = key if made is None else made(result)
            body = _text(self.shown(found, moment))
            headers = {"ETag": entity_tag(body.encode()), INDEX_HEADER: str(moment.index)}
            if status == HTTPStatus.CREATED:
                headers["Location"] = f"{ROOT}{self.place}/{found}/"
            return Answer(status, body, headers)

        asked = _requests.Request(
            self.staff.pk,
            self._face(),
            render=render,
            key=self._once_key(),
            digest=self._digest(),
            precondition=lambda: self._require_conditions(key),
            clock_offset_s=self.clock_offset_s,
        )
        given = carry_out(self.changing.action, asked, **arguments)
        return HttpResponse(
            given.body,
            status=given.status,
            content_type="application/json",
            headers={**given.headers, "Cache-Control": "no-store"},
        )

    def require_seen(self, key: Any) -> None:
        """Raise RuleBroken NOT_FOUND for a thing that is hidden or absent, whatever is wanted of it.

        Not for the repeat of a request that took the thing away: that one gets its answer.
        """
        try:
            self.shown(key, present())
        except RuleBroken:
            if not self._was_carried_out():
                raise

    def _was_carried_out(self) -> bool:
        try:
            key = self._once_key()
        except RuleBroken:  # no proper key, so no repeat
            return False
        return answer_before(self.staff.pk, key, self._digest(), clock.now()) is not None

    def begin_change(self, *, once: bool, conditional: bool) -> None:
        """Raise Problem for a change that lacks its conditions, RuleBroken KEY_INVALID, VALUE_INVALID."""
        self.only()
        if once and "Idempotency-Key" not in self.request.headers:
            raise Problem(
                ApiCode.KEY_MISSING,
                "Name this request with an Idempotency-Key, a fresh one for each wish, so that a repeat"
                " after a lost answer does nothing twice.",
            )
        if once:
            self._once_key()
        follows = "Predecessor-Key" in self.request.headers
        if follows:
            self._predecessor_key()
        if conditional and not follows and "If-Match" not in self.request.headers:
            raise Problem(
                ApiCode.CONDITION_MISSING,
                "Read the thing first, and send the ETag of what you saw as If-Match, so that nobody's"
                " change is lost.",
            )
        self.clock_offset_s = self._clock_offset_s()
        self._face()

    def _once_key(self) -> str | None:
        header = self.request.headers.get("Idempotency-Key")
        return None if header is None or self.request.method != "POST" else read_key(header)

    def _predecessor_key(self) -> str:
        return read_key(self.request.headers["Predecessor-Key"], "Predecessor-Key")

    def _clock_offset_s(self) -> int:
        header = self.request.headers.get("Client-Clock")
        return 0 if header is None else clock_offset_s(clock.now(), read_moment(header, "Client-Clock"))

    def _face(self) -> Face:
        named = self.request.headers.get("Rimebook-Face")
        if named not in (None, Face.FIELD):
            raise invalid(
                "Rimebook-Face", "Only the page at /field/ names itself here. Leave this header out."
            )
        return Face.API if named is None else Face.FIELD

    def _digest(self) -> bytes:
        """Return what makes a request the same as another: its method, address and body.

        Keyed, because it is kept, and a body may hold a password: a plain digest could be tried through.
        """
        request = self.request._request
        same = b"\n".join([str(request.method).encode(), request.get_full_path().encode(), request.body])
        return salted_hmac("registry.api.request", same, algorithm="sha256").digest()

    def _require_conditions(self, key: Any) -> None:
        """Raise RuleBroken CHANGED_MEANWHILE unless the conditions hold of the thing as it stands.

        `key` is None where something new is made: then only what should come before can be asked for.
        """
        headers = self.request.headers
        tag = None if key is None else entity_tag(_text(self.shown(key, present())).encode())
        if "Predecessor-Key" in headers:
            before = answer_under(self.staff.pk, self._predecessor_key(), clock.now())
            if tag is not None and "If-Match" not in headers:
                require_follows(before, str(key), tag)
        if tag is not None:
            require_match(headers, tag)
            require_unknown(headers, tag)


class ListView(RegisterView):
    """A list, by the page."""

    def rows(self, moment: Moment) -> "QuerySet[Any]":
        """Return all rows that this person may see."""
        raise NotImplementedError

    def known(self, rows: list[Any], moment: Moment) -> Iterable[Any]:
        """Return the rows of one page as `out` shows them."""
        return rows

    def get(self, request: Request) -> Response:
        """List them, filtered, searched and ordered as asked."""
        moment = self.moment() if self.dated else present()
        return self.page(self.rows(moment), lambda rows: self.known(rows, moment), moment)


class ThingView(RegisterView):
    """One thing, by its key."""

    tagged = True

    def get(self, request: Request, key: Any) -> Response:
        """Show one."""
        self.only(*self.parameters, *(MOMENT_PARAMETERS if self.dated else ()))
        moment = self.moment() if self.dated else present()
        return self.one(self.shown(key, moment), moment)


def changes(
    action: Callable[..., Any],
    body: type[In],
    *,
    status: HTTPStatus = HTTPStatus.OK,
    conditional: bool = True,
    out: type[serializers.Serializer[Any]] | None = None,
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Make a method one that lets an action change something; it gets the values of the body.

    In this order: the role, then whether the thing in the address may be seen, then the conditions, then
    the body. A POST names itself by an Idempotency-Key; what changes a thing that is there is `conditional`
    on If-Match. The schema reads the mark; `out` is what is answered where that is not the thing.
    """

    change = Change(action, body, status, conditional, out)

    def decorate(method: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(method)
        def run(view: RegisterView, request: Request, **keys: Any) -> Any:
            act = ACTIONS[action.__name__]
            if act is not None:
                require_act(view.scope.role, act)
            if keys:
                view.require_seen(next(iter(keys.values())))
            view.changing = change
            view.begin_change(once=request.method == "POST", conditional=conditional)
            return method(view, request, **keys, given=view.given(body))

        run.change = change  # type: ignore[attr-defined]
        return run

    return decorate


@dataclass(frozen=True, slots=True)
class Change:
    """What a method changes: the action, the body that it reads, and how it answers."""

    action: Callable[..., Any]
    body: type[In]
    status: HTTPStatus
    conditional: bool
    out: type[serializers.Serializer[Any]] | None


def _text(data: Mapping[str, Any]) -> str:
    return JsonOut().render(data).decode()
