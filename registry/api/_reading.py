"""What reading shares: who asks, which moment, how one thing and how a page of things is answered."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from http import HTTPStatus
from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import RequestDataTooBig
from django.db.models import Q, QuerySet
from django.http.request import UnreadablePostError
from django.utils.cache import patch_vary_headers
from django_filters.rest_framework import FilterSet
from rest_framework import serializers
from rest_framework.authentication import SessionAuthentication
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from registry.api._conditions import entity_tag, is_known, require_match
from registry.api._fields import ByHeader, In, JpegOut, JsonIn, JsonOut, SheetOut, read_moment, show_moment
from registry.api._pages import PAGE_PARAMETERS, next_link, read_page, search_in
from registry.api.authentication import TokenAuthentication
from registry.api.problems import ApiCode, Problem
from registry.models import Staff
from registry.queries.moments import Moment, present, settle
from registry.queries.staff import scope_of
from registry.rules.particulars import invalid
from registry.rules.roles import Act, Scope, require_act

ROOT = "/api/v1/"
INDEX_HEADER = "Register-Index"  # the ledger entry up to which an answer knows
MOMENT_PARAMETERS = ("as_of", "known_at")
INDEX_DIGITS_MAX = 15  # beyond any ledger, and within 2^53


class RegisterFilter(FilterSet):
    """Filters of a list; `moment` and `scope` are those of the question."""

    moment: Moment
    scope: Scope


class ReadingView(APIView):
    """An address of the API that reads: signed in, JSON in and out."""

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
    # Whether it can be had as a sheet (text/csv), too.
    sheets: ClassVar[bool] = False

    # The body that is being read, so that a refusal can point into it.
    given_class: type[In] | None = None

    # --- who asks, and when --------------------------------------------------------------------------

    def initial(self, request: Request, *args: Any, **keys: Any) -> None:
        """Sign in, and refuse whom the rules let read nothing here."""
        reading = request.method in ("GET", "HEAD")
        try:
            _ = reading or request._request.body  # before a parser takes it: the digest needs it, too
        except (RequestDataTooBig, UnreadablePostError):
            raise Problem(
                ApiCode.TOO_LARGE, "The body is too large or broke off. Send less in one request."
            ) from None
        super().initial(request, *args, **keys)
        if reading and self.permission_classes:
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
        return settle(valid_at, read_known(asked.get("known_at"), "known_at"))

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

    def handle_exception(self, exc: Exception) -> Response:
        """Tell a problem in JSON, also where a sheet or a photo was asked for."""
        if {SheetOut, JpegOut} & set(self.renderer_classes):
            self.request.accepted_renderer, self.request.accepted_media_type = JsonOut(), JsonOut.media_type
        return super().handle_exception(exc)

    def finalize_response(self, request: Any, response: Any, *args: Any, **keys: Any) -> Any:
        """Tell caches that answers differ by person."""
        response = super().finalize_response(request, response, *args, **keys)
        patch_vary_headers(response, ("Authorization", "Cookie", "Accept"))
        if self.permission_classes:  # nothing of the register is for a cache that several people share
            response.headers.setdefault("Cache-Control", "private, no-cache")
        return response


def read_known(typed: str | None, field: str) -> datetime | int | None:
    """Return the time or the index of an entry that a parameter holds, None if it is not there.

    Raises RuleBroken TIME_INVALID, VALUE_INVALID.
    """
    if typed is None:
        return None
    if typed.isascii() and typed.isdigit():
        if len(typed) > INDEX_DIGITS_MAX:
            raise invalid(field, "The ledger has no entry of that number. Ask for a smaller one.")
        return int(typed)
    return read_moment(typed, field)
