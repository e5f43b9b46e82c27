"""What every page of the console shares: who looks, as of when and as known when, and what is refused.

A page is a function of a Visit and the keys in its address. It reads, and returns `visit.show(...)`.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from functools import cached_property, wraps
from http import HTTPStatus
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed
from django.shortcuts import render
from django.utils import timezone

from registry.actions._action import ACTIONS
from registry.actions._requests import Actor
from registry.console._times import read_time
from registry.ledger import clock
from registry.models import Staff
from registry.queries.changes import show_time
from registry.queries.moments import Moment, present, settle
from registry.queries.staff import scope_of
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face
from registry.rules.roles import ALLOWED, Act, Scope, require_act

INDEX_DIGITS_MAX = 15  # beyond any ledger, and within 2^53


@dataclass(frozen=True, slots=True)
class Asked:
    """The moment of a page, and what was typed to ask for it.

    `errors` are told beside the fields; the page then shows the present.
    """

    moment: Moment
    words: str
    as_of: str = ""
    known_at: str = ""
    errors: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_now(self) -> bool:
        """Say whether the page shows the present."""
        return not (self.as_of or self.known_at) or bool(self.errors)

    @property
    def status(self) -> HTTPStatus:
        """The status of a page that was asked so."""
        return HTTPStatus.UNPROCESSABLE_ENTITY if self.errors else HTTPStatus.OK


@dataclass(frozen=True, slots=True)
class Button:
    """Something that this person may do here."""

    words: str
    address: str


class Visit:
    """One person at one page."""

    def __init__(self, request: HttpRequest) -> None:
        self.request = request
        self.staff: Staff = request.user  # type: ignore[assignment]
        # The zone in which the page tells its times: a page of a store sets the store's.
        self.zone: tzinfo = UTC

    @cached_property
    def scope(self) -> Scope:
        """The person's role and depots, read once a page."""
        return scope_of(self.staff)

    @cached_property
    def present(self) -> Moment:
        """The present, settled once a page."""
        return present()

    @cached_property
    def now(self) -> datetime:
        """The time that a form begins with, to the minute, which has passed."""
        return clock.now().replace(second=0, microsecond=0)

    @property
    def actor(self) -> Actor:
        """The person as who acts."""
        return Actor(self.staff.pk, Face.CONSOLE)

    def allows(self, act: Act | None) -> bool:
        """Say whether the person's role may do that."""
        return act is not None and act in ALLOWED[self.scope.role]

    def may(self, action: Callable[..., Any]) -> bool:
        """Say whether the person's role may call an action."""
        return self.allows(ACTIONS[action.__name__])

    def sees_ledger(self) -> bool:
        """Say whether every entry is theirs to read, whatever depot it is about."""
        return self.allows(Act.READ_LEDGER) and self.scope.everywhere

    def buttons(self, *offers: tuple[Callable[..., Any], str, str]) -> list[Button]:
        """Return buttons for the actions among (action, words, address) that the person may call."""
        return [Button(words, address) for action, words, address in offers if self.may(action)]

    def in_zone(self, name: str) -> None:
        """Tell the page's times in a zone, by its IANA name."""
        self.zone = ZoneInfo(name)

    def asked(self) -> Asked:
        """Return the moment that `as_of` and `known_at` ask for, in the page's zone; the present untold."""
        given = self.request.GET
        as_of, known_at = given.get("as_of", "").strip(), given.get("known_at", "").strip()
        now = self.present
        as_now = f"as things stand now, right after entry {now.index}"
        if not (as_of or known_at):
            return Asked(now, as_now)
        try:
            valid_at = read_time(as_of, self.zone, "as_of") if as_of else now.valid_at
            moment = settle(valid_at, self.read_known(known_at, "known_at"))
        except RuleBroken as broken:
            return Asked(now, as_now, as_of, known_at, {broken.field or "as_of": broken.message})
        told = f"as of {show_time(valid_at, self.zone)}" if as_of else "as of now"
        head = ", the newest" if moment.at_head else ""
        return Asked(moment, f"{told}, as known right after entry {moment.index}{head}", as_of, known_at)

    def read_known(self, typed: str, field: str) -> datetime | int | None:
        """Return the time or the number of an entry that somebody typed, None for nothing.

        Raises RuleBroken TIME_INVALID, VALUE_INVALID.
        """
        if not typed:
            return None
        if typed.isascii() and typed.isdigit():
            if len(typed) > INDEX_DIGITS_MAX:
                raise RuleBroken(Code.VALUE_INVALID, "The ledger has no entry of that number.", field=field)
            return int(typed)
        return read_time(typed, self.zone, field)

    def show(
        self, template: str, context: Mapping[str, Any] | None = None, *, status: int = HTTPStatus.OK
    ) -> HttpResponse:
        """Return a page, its times told in the page's zone."""
        from registry.console.site import console

        with timezone.override(self.zone):
            return render(
                self.request,
                template,
                {
                    **console.each_context(self.request),
                    "visit": self,
                    "zone_name": str(self.zone),
                    **(context or {}),
                },
                status=status,
            )


def visit_of(request: HttpRequest) -> Visit:
    """Return the visit of a request, one and the same each time."""
    if not hasattr(request, "visit"):
        request.visit = Visit(request)  # type: ignore[attr-defined]
    visit: Visit = request.visit  # type: ignore[attr-defined]
    return visit


def page(
    view: Callable[..., HttpResponse] | None = None, *, reads: Act = Act.READ_REGISTER, writes: bool = False
) -> Any:
    """Make a function a page for those who may read there; a refusal becomes the page that says so."""

    methods = ["GET", "HEAD", "POST"] if writes else ["GET", "HEAD"]

    def decorate(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
        @wraps(view)
        def run(request: HttpRequest, **keys: Any) -> HttpResponse:
            visit = visit_of(request)
            if request.method not in methods:
                return HttpResponseNotAllowed(methods)
            try:
                require_act(visit.scope.role, reads)
                return view(visit, **keys)
            except RuleBroken as broken:
                return refused(visit, broken)

        run.reads = reads  # type: ignore[attr-defined]
        return run

    return decorate(view) if view is not None else decorate


def refused(visit: Visit, broken: RuleBroken) -> HttpResponse:
    """Return the page of a refusal that concerns the whole page; raise what is a defect of ours.

    What is hidden and what is not there look the same.
    """
    if broken.code is Code.NOT_FOUND:
        return visit.show(
            "console/absent.html", {"title": "Not in the register"}, status=HTTPStatus.NOT_FOUND
        )
    if broken.code is Code.ROLE_FORBIDS:
        return visit.show(
            "console/forbidden.html",
            {"title": "Not yours to do", "message": broken.message},
            status=HTTPStatus.FORBIDDEN,
        )
    raise broken
