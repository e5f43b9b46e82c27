"""What every address of the API shares: who asks, which moment, how a page is made, how a change travels.

A view reads a body into plain values and makes one call; what may be done, and to what, is for the rules.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import wraps
from http import HTTPStatus
from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import RequestDataTooBig
from django.db.models import Q, QuerySet
from django.http import HttpResponse
from django.http.request import UnreadablePostError
from django.utils.cache import patch_vary_headers
from django.utils.crypto import salted_hmac
from django_filters.rest_framework import FilterSet
from rest_framework import serializers
from rest_framework.authentication import SessionAuthentication
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from registry.actions import _requests
from registry.actions._action import ACTIONS
from registry.actions._requests import Answer, carry_out, was_carried_out
from registry.api._conditions import entity_tag, is_known, require_match, require_unknown
from registry.api._fields import ByHeader, In, JsonIn, JsonOut, read_moment, show_moment
from registry.api._pages import PAGE_PARAMETERS, next_link, read_page, search_in
from registry.api.authentication import TokenAuthentication
from registry.api.problems import ApiCode, Problem
from registry.ledger import clock
from registry.models import Staff
from registry.queries.moments import Moment, head_index, present, settle
from registry.queries.staff import scope_of
from registry.rules.errors import RuleBroken
from registry.rules.events import Face
from registry.rules.particulars import invalid
from registry.rules.requests import read_key
from registry.rules.roles import Act, Scope, require_act

ROOT = "/api/v1/"
INDEX_HEADER = "Register-Index"  # the ledger entry up to which an answer knows
MOMENT_PARAMETERS = ("as_of", "known_at")
INDEX_DIGITS_MAX = 15  # beyond any ledger, and within 2^53


class RegisterFilter(FilterSet):
    """Filters of a list; `moment` and `scope` are those of the question."""

    moment: Moment
    scope: Scope


class RegisterView(APIView):
    """An address of the API: signed in, JSON in and out."""

    authentication_classes = (TokenAuthentication, SessionAuthentication)
    permission_classes = (IsAuthenticated,)
    parser_classes = (JsonIn,)
    renderer_classes = (JsonOut,)
    content_negotiation_class = ByHeader
    metadata_class = None
    http_method_names = ("get", "head", "post", "patch")

    # What a person must be allowed to do in order to read here.
    reads: ClassVar[Act] = Act.READ_REGISTER
    # The thing in the address; a refusal that names it is answered 404.
    noun: ClassVar[str] = ""
    # Where such things stand in the address: their plural.
    place: ClassVar[str] = ""
    # How the thing, or each of the list, is shown.
    out: ClassVar[type[serializers.Serializer[Any]]]
    # Of a list: the filters, the fields that are searched, the orderings (the first unless asked), the
    # field that tells equals apart, and whether it can be asked as of a time and as known at one.
    filters: ClassVar[type[RegisterFilter] | None] = None
    searches: ClassVar[Sequence[str]] = ()
    orderings: ClassVar[Sequence[str]] = ("id",)
    tie: ClassVar[str] = "id"
    dated: ClassVar[bool] = False
    # Further query parameters, with what each means; and statuses of refusals that only this reading knows.
    parameters: ClassVar[Mapping[str, str]] = {}
    refuses: ClassVar[Sequence[HTTPStatus]] = ()

    # The body that is being read, so that a refusal can point into it.
    given_class: type[In] | None = None

    # --- who asks, and when --------------------------------------------------------------------------

    def initial(self, request: Request, *args: Any, **keys: Any) -> None:
        """Sign in, and refuse whom the rules let read nothing here."""
        try:
            _ = request._request.body  # before a parser takes it, because the digest needs it too
        except (RequestDataTooBig, UnreadablePostError):
            raise Problem(
                ApiCode.TOO_LARGE, "The body is too large or broke off. Send less in one request."
            ) from None
        super().initial(request, *args, **keys)
        if request.method in ("GET", "HEAD") and self.permission_classes:
            require_act(self.scope.role, self.reads)

    @property
    def staff(self) -> Staff:
        """The person who asks."""
        person: Staff = self.request.user
        return person

    @property
    def scope(self) -> Scope:
        """The person's role and depots, read once a request."""
        if not hasattr(self, "_scope"):
            self._scope = scope_of(self.staff)
        return self._scope

    def moment(self) -> Moment:
        """Return the moment that `as_of` and `known_at` ask for; as things stand now unless told.

        Raises RuleBroken TIME_INVALID, VALUE_INVALID.
        """
        asked = self.request.query_params
        now = present()
        if "as_of" not in asked and "known_at" not in asked:
            return now
        valid_at = read_moment(asked["as_of"], "as_of") if "as_of" in asked else now.valid_at
        return settle(valid_at, _known_at(asked.get("known_at")))

    def only(self, *names: str) -> None:
        """Raise RuleBroken VALUE_INVALID for a query parameter that is not one of these.

        A misspelt filter that was passed over would answer with more than was asked for.
        """
        for name in self.request.query_params:
            if name not in names:
                known = f"Use one of {', '.join(sorted(names))}" if names else "There is none here"
                raise invalid(name, f"There is no parameter {name!r}. {known}.")

    def chosen(self, name: str, words: Sequence[str]) -> str:
        """Return one of the words that a parameter may be, blank if it is not there.

        Raises RuleBroken VALUE_INVALID for another.
        """
        word: str = self.request.query_params.get(name, "")
        if word and word not in words:
            raise invalid(name, f"{name} is one of {', '.join(words)}. Use one of them, or leave it out.")
        return word

    def key_in(self, name: str) -> UUID | None:
        """Return the key in a query parameter, None if it is not there; raises RuleBroken VALUE_INVALID."""
        typed = self.request.query_params.get(name)
        try:
            return None if typed is None else UUID(typed)
        except ValueError:
            raise invalid(name, f"The {name} is no key. Take one from an answer.") from None

    # --- answers -------------------------------------------------------------------------------------

    def one(self, data: Mapping[str, Any], moment: Moment) -> Response:
        """Answer with one thing, its entity tag and the index that it was read at (RFC 9110, section 13)."""
        body = JsonOut().render(data)
        tag = entity_tag(body)
        require_match(self.request.headers, tag)
        headers = {"ETag": tag, INDEX_HEADER: str(moment.index), "Cache-Control": "private, no-cache"}
        if is_known(self.request.headers, tag):
            return Response(status=HTTPStatus.NOT_MODIFIED, headers=headers)
        return Response(data, headers=headers)

    def page(
        self, rows: "QuerySet[Any]", show: Callable[[list[Any]], Iterable[Any]], moment: Moment
    ) -> Response:
        """Answer with one page of rows, filtered, searched and ordered as asked.

        `show` turns the rows of the page into what `out` writes. The next page's address asks the same
        question at the same moment. Raises RuleBroken VALUE_INVALID and ValidationError.
        """
        asked = self.request.query_params.dict()
        self.only(*self.list_parameters())
        if self.filters is not None:
            filtered = self.filters(asked, queryset=rows, request=self.request)
            filtered.moment, filtered.scope = moment, self.scope
            if not filtered.is_valid():
                raise serializers.ValidationError(filtered.errors)
            rows = filtered.qs
        if "\0" in asked.get("search", ""):
            raise invalid("search", "The search holds what is no text. Type it again.")
        rows = search_in(
            rows, self.searches, asked.get("search", ""), lambda word: self.also_found(word, moment)
        )
        page = read_page(rows, self.orderings, asked, self.tie)
        pinned = {"as_of": show_moment(moment.valid_at), "known_at": str(moment.index)} if self.dated else {}
        following = next_link(self.request.path, asked, pinned, page.cursor)
        data = {
            "as_of": show_moment(moment.valid_at),
            "known_index": moment.index,
            "at_head": moment.at_head,
            "next": following,
            "results": self.out(list(show(page.rows)), many=True).data,
        }
        headers = {INDEX_HEADER: str(moment.index), "Cache-Control": "private, no-cache"}
        if following:
            headers["Link"] = f'<{following}>; rel="next"'  # RFC 8288
        return Response(data, headers=headers)

    def also_found(self, word: str, moment: Moment) -> Q:
        """Return by what else than its own fields a row is found by a word of a search."""
        return Q()

    @classmethod
    def list_parameters(cls) -> list[str]:
        """Return the names of the query parameters of the list."""
        names = [*PAGE_PARAMETERS, *cls.parameters, *(cls.filters.base_filters if cls.filters else ())]
        return [*names, *(("search",) if cls.searches else ()), *(MOMENT_PARAMETERS if cls.dated else ())]

    def finalize_response(self, request: Any, response: Any, *args: Any, **keys: Any) -> Any:
        """Tell caches that answers differ by person."""
        response = super().finalize_response(request, response, *args, **keys)
        patch_vary_headers(response, ("Authorization", "Cookie", "Accept"))
        if self.permission_classes:  # nothing of the register is for a cache that several people share
            response.headers.setdefault("Cache-Control", "private, no-cache")
        return response

    # --- changes -------------------------------------------------------------------------------------

    def shown(self, key: Any, moment: Moment) -> Mapping[str, Any]:
        """Return what is shown of the thing with this key; raises RuleBroken NOT_FOUND."""
        raise NotImplementedError

    def given(self, body: type[In]) -> dict[str, Any]:
        """Return the values of the body; raises ValidationError by field, RuleBroken TIME_INVALID."""
        self.given_class = body
        if not isinstance(self.request.data, dict):
            raise serializers.ValidationError("The body must be one object. Put its fields in braces.")
        serializer = body(data=self.request.data)
        serializer.is_valid(raise_exception=True)
        return dict(serializer.validated_data)

    def change(
        self,
        action: Callable[..., Any],
        *,
        status: HTTPStatus = HTTPStatus.OK,
        key: Any = None,
        made: Callable[[Any], Any] | None = None,
        answer: Callable[[Any], tuple[Mapping[str, Any], Mapping[str, Any] | None]] | None = None,
        **arguments: Any,
    ) -> HttpResponse:
        """Carry out an action once, and answer with the thing as it then stands.

        `key` names the thing in the address, whose present state must be the one that If-Match names; or
        `made` finds the key of the thing that was made in the action's result. `answer` replaces what is
        shown: a body, and the body that is kept where that one holds a secret.
        """

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

        precondition = None if key is None else lambda: self._require_unchanged(key)
        asked = _requests.Request(
            self.staff.pk,
            Face.API,
            render=render,
            key=self._once_key(),
            digest=self._digest(),
            precondition=precondition,
        )
        given = carry_out(action, asked, **arguments)
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
        return was_carried_out(self.staff.pk, key, self._digest(), clock.now())

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
        if conditional and "If-Match" not in self.request.headers:
            raise Problem(
                ApiCode.CONDITION_MISSING,
                "Read the thing first, and send the ETag of what you saw as If-Match, so that nobody's"
                " change is lost.",
            )

    def _once_key(self) -> str | None:
        header = self.request.headers.get("Idempotency-Key")
        return None if header is None or self.request.method != "POST" else read_key(header)

    def _digest(self) -> bytes:
        """Return what makes a request the same as another: its method, address and body.

        Keyed, because it is kept, and a body may hold a password: a plain digest could be tried through.
        """
        request = self.request._request
        same = b"\n".join([str(request.method).encode(), request.get_full_path().encode(), request.body])
        return salted_hmac("registry.api.request", same, algorithm="sha256").digest()

    def _require_unchanged(self, key: Any) -> None:
        """Raise RuleBroken CHANGED_MEANWHILE unless the conditions hold of the thing as it stands."""
        now = entity_tag(_text(self.shown(key, present())).encode())
        require_match(self.request.headers, now)
        require_unknown(self.request.headers, now)


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

    def decorate(method: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(method)
        def run(view: RegisterView, request: Request, **keys: Any) -> Any:
            act = ACTIONS[action.__name__]
            if act is not None:
                require_act(view.scope.role, act)
            if keys:
                view.require_seen(next(iter(keys.values())))
            view.begin_change(once=request.method == "POST", conditional=conditional)
            return method(view, request, **keys, given=view.given(body))

        run.change = Change(action, body, status, conditional, out)  # type: ignore[attr-defined]
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


def _known_at(typed: str | None) -> Any:
    if typed is None:
        return None
    if typed.isascii() and typed.isdigit():
        if len(typed) > INDEX_DIGITS_MAX:
            raise invalid("known_at", "The ledger has no entry of that number. Ask for a smaller one.")
        return int(typed)
    return read_moment(typed, "known_at")
