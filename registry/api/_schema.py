"""The schema of the API, read off the views themselves: bodies, parameters, answers and every refusal."""

from collections.abc import Iterable
from http import HTTPStatus
from typing import Any

from django_filters import BooleanFilter, ChoiceFilter, Filter, NumberFilter, UUIDFilter
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import force_instance
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse
from rest_framework import serializers

from registry.api._fields import In
from registry.api._pages import PAGE_SIZE, PAGE_SIZE_MAX
from registry.api._views import INDEX_HEADER, Change, RegisterView
from registry.api.problems import MEDIA_TYPE, ApiCode, status_of
from registry.rules import sheets
from registry.rules.errors import Code

QUERY, HEADER = OpenApiParameter.QUERY, OpenApiParameter.HEADER

# What only administrators of an empty register meet, or only commands.
NEVER_HERE = frozenset({Code.ALREADY_FOUNDED, Code.NOT_FOUNDED})

MEANINGS = {
    "cursor": "where the page begins: taken from `next`, and from nowhere else",
    "page_size": f"rows of a page, 1 to {PAGE_SIZE_MAX}; {PAGE_SIZE} unless told",
    "as_of": "what was true then: a time with its offset; now unless told",
    "known_at": "what the register knew then: a time with its offset, or the index of a ledger entry",
    "search": "words that must all occur",
}


class ErrorOut(serializers.Serializer):  # type: ignore[type-arg]
    """One thing wrong: where, and what to do."""

    detail = serializers.CharField()
    code = serializers.CharField()
    pointer = serializers.CharField(required=False, help_text="JSON Pointer into the body, as a fragment")
    parameter = serializers.CharField(required=False, help_text="the query parameter or header at fault")


class ProblemOut(serializers.Serializer):  # type: ignore[type-arg]
    """A problem document (RFC 9457)."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField(help_text="what is wrong, and what to do")
    code = serializers.CharField(help_text="stable: words may change, codes never")
    errors = ErrorOut(many=True, required=False)
    suggestions = serializers.ListField(
        child=serializers.CharField(), required=False, help_text="the nearest serials that could be assigned"
    )
    details = serializers.DictField(required=False)


def codes_with(status: HTTPStatus) -> list[str]:
    """Return the codes that are answered with a status."""
    codes = [str(code) for code in (*Code, *ApiCode) if code not in NEVER_HERE and status_of(code) is status]
    if status is HTTPStatus.NOT_FOUND:
        return [str(Code.NOT_FOUND)]
    return sorted(codes)


def problem_class(status: HTTPStatus) -> type[serializers.Serializer[Any]]:
    """Return the serializer of the problems with a status: one class a status, naming its codes."""
    if status not in _PROBLEMS:
        fields = {"code": serializers.ChoiceField(choices=codes_with(status))}
        _PROBLEMS[status] = type(f"Problem{status.value}", (ProblemOut,), fields)
    return _PROBLEMS[status]


# What a change that was queued without signal tells beside its body.
QUEUED = {
    "Predecessor-Key": (
        OpenApiTypes.STR,
        "the Idempotency-Key of your change before: of the same thing, it stands for If-Match",
    ),
    "Client-Clock": (
        OpenApiTypes.DATETIME,
        "what your clock says now: stated times are put right by the difference, and both are kept",
    ),
    "Rimebook-Face": (OpenApiTypes.STR, "`field`, from the page at /field/ alone"),
}

_PROBLEMS: dict[HTTPStatus, type[serializers.Serializer[Any]]] = {}
_PAGES: dict[type[serializers.Serializer[Any]], type[serializers.Serializer[Any]]] = {}


def page_class(out: type[serializers.Serializer[Any]]) -> type[serializers.Serializer[Any]]:
    """Return the serializer of a page of such things."""
    if out not in _PAGES:
        _PAGES[out] = type(
            f"PageOf{out.__name__.removesuffix('Out')}",
            (serializers.Serializer,),
            {
                "as_of": serializers.DateTimeField(),
                "known_index": serializers.IntegerField(help_text="the ledger entry up to which this knows"),
                "at_head": serializers.BooleanField(help_text="nothing newer was known when it was answered"),
                "next": serializers.CharField(allow_null=True),
                "results": out(many=True),
            },
        )
    return _PAGES[out]


class RegisterSchema(AutoSchema):
    """Describes one operation."""

    view: RegisterView

    @property
    def change(self) -> Change | None:
        """What the method changes, if anything."""
        return getattr(getattr(self.view, self.method.lower()), "change", None)

    @property
    def is_list(self) -> bool:
        """Say whether the method answers with a page."""
        return self.method == "GET" and hasattr(self.view, "rows")

    def get_tags(self) -> list[str]:
        """Group by the first word of the address."""
        return [self.path.removeprefix("/api/v1/").split("/")[0]]

    def get_operation_id(self) -> str:
        """Name an operation by its view and method."""
        return f"{self.method.lower()}_{type(self.view).__name__.removesuffix('View')}"

    def get_summary(self) -> str:
        """Return the first line of the method's docstring, or of the view's."""
        return self._words().split("\n")[0].rstrip(".")

    def get_description(self) -> str:
        """Return the docstring; for a change also what the action says of itself."""
        words = self._words()
        if self.change is not None:
            words += f"\n\n{_unindented(self.change.action.__doc__ or '')}"
        return words

    def _words(self) -> str:
        method = getattr(self.view, self.method.lower())
        return _unindented(method.__doc__ or type(self.view).__doc__ or "")

    def get_request_serializer(self) -> Any:
        """Return the body that is read."""
        return self.change.body if self.change else getattr(self.view, "takes", None)

    def _map_basic_serializer(self, serializer: Any, direction: str) -> Any:
        """Say of a body that it knows no other fields than those that it names."""
        schema = super()._map_basic_serializer(serializer, direction)  # type: ignore[no-untyped-call]
        if direction == "request" and isinstance(force_instance(serializer), In):  # type: ignore[no-untyped-call]
            schema["additionalProperties"] = False
        return schema

    def get_override_parameters(self) -> list[OpenApiParameter]:
        """Return query parameters, request headers, and headers of answers."""
        found = list(self._answer_headers())
        if self.method == "GET":
            filters = self.view.filters.base_filters if self.is_list and self.view.filters else {}
            names = self.view.list_parameters() if self.is_list else [*self.view.parameters]
            if self.view.dated and not self.is_list:
                names += ["as_of", "known_at"]
            found += [self._parameter(name, filters.get(name)) for name in names]
            if self.is_tagged:
                words = "the ETag of what you have: 304 where that is what there is"
                found.append(OpenApiParameter("If-None-Match", OpenApiTypes.STR, HEADER, description=words))
            return found
        if self.method == "POST" and self.change is not None:
            found.append(
                OpenApiParameter(
                    "Idempotency-Key",
                    OpenApiTypes.STR,
                    HEADER,
                    required=True,
                    description="a fresh key in double quotes for each wish; answers are kept for 30 days",
                )
            )
        if self.change is not None and self.change.conditional:
            found.append(
                OpenApiParameter(
                    "If-Match",
                    OpenApiTypes.STR,
                    HEADER,
                    required=True,
                    description="the ETag of what you saw; or Predecessor-Key in its stead",
                )
            )
        if self.change is not None:
            found += [
                OpenApiParameter(name, kind, HEADER, description=words)
                for name, (kind, words) in QUEUED.items()
            ]
        return found

    def _answer_headers(self) -> Iterable[OpenApiParameter]:
        """Return the headers that an answer always has, and those that it may have."""

        def header(name: str, words: str, *statuses: int, always: bool = True) -> OpenApiParameter:
            return OpenApiParameter(
                name, OpenApiTypes.STR, HEADER, response=[*statuses], required=always, description=words
            )

        change = self.change
        shown = self.is_tagged if change is None else change.out is None
        fine = 200 if change is None else change.status.value
        if shown:
            tagged = (fine, HTTPStatus.NOT_MODIFIED.value) if self.is_tagged else (fine,)
            yield header("ETag", "of what is shown: a strong entity tag", *tagged)
        if change is not None or self.is_list or self.is_tagged:
            yield header(INDEX_HEADER, "the ledger entry up to which the answer knows", fine)
        if shown and fine == HTTPStatus.CREATED:
            yield header("Location", "the address of what was made", fine)
        if self.is_list:
            yield header("Link", 'the next page, with rel="next" (RFC 8288)', 200, always=False)
        if self.view.permission_classes:
            yield header("WWW-Authenticate", "how to sign in (RFC 6750)", 401)
        if change is not None:
            words = "seconds after which a busy register is asked again"
            yield header("Retry-After", words, 409, always=False)

    def _parameter(self, name: str, asked: Filter | None) -> OpenApiParameter:
        if name == "ordering":
            plain = [order.removeprefix("-") for order in self.view.orderings]
            return OpenApiParameter(
                name, OpenApiTypes.STR, QUERY, enum=[*plain, *(f"-{order}" for order in plain)]
            )
        if asked is None:
            kind = {"page_size": OpenApiTypes.INT, "as_of": OpenApiTypes.DATETIME}.get(name, OpenApiTypes.STR)
            words = self.view.parameters.get(name, MEANINGS.get(name, ""))
            return OpenApiParameter(name, kind, QUERY, description=words)
        kinds = {
            BooleanFilter: OpenApiTypes.BOOL,
            UUIDFilter: OpenApiTypes.UUID,
            NumberFilter: OpenApiTypes.INT,
        }
        kind = next((kinds[k] for k in kinds if isinstance(asked, k)), OpenApiTypes.STR)
        words = str(asked.label or "")
        if isinstance(asked, ChoiceFilter):
            return OpenApiParameter(
                name, kind, QUERY, enum=[value for value, _ in asked.extra["choices"]], description=words
            )
        return OpenApiParameter(name, kind, QUERY, description=words)

    def get_response_serializers(self) -> Any:
        """Return every answer: what was asked for, and every kind of problem with its codes."""
        answers: dict[Any, Any] = {}
        if self.change is not None:
            answers[self.change.status.value] = self.change.out or self.view.out
        elif self.method == "POST":  # what is taken without an action
            answers[200] = getattr(self.view, "answers", self.view.out)
        elif self.is_list:
            answers[200] = page_class(self.view.out)
        else:
            answers[200] = self.view.out
        if self.view.sheets and self.change is None:
            answers[200, "application/json"] = answers.pop(200)
            answers[200, sheets.MEDIA_TYPE] = OpenApiTypes.STR
        if self.is_tagged:
            answers[304] = OpenApiResponse(description="not modified since If-None-Match")
        for status in self._problem_statuses():
            answers[status.value, MEDIA_TYPE] = OpenApiResponse(
                problem_class(status), description=", ".join(codes_with(status))
            )
        return answers

    @property
    def is_tagged(self) -> bool:
        """Say whether the answer carries an entity tag that a reader may compare."""
        return self.method == "GET" and getattr(self.view, "tagged", False)

    def _problem_statuses(self) -> Iterable[HTTPStatus]:
        yield HTTPStatus.NOT_ACCEPTABLE
        if self.view.permission_classes:
            yield HTTPStatus.UNAUTHORIZED
            yield HTTPStatus.FORBIDDEN
        if "{" in self.path:
            yield HTTPStatus.NOT_FOUND
        if self.method == "GET":
            yield HTTPStatus.UNPROCESSABLE_ENTITY
            yield from self.view.refuses
            if self.is_tagged:
                yield HTTPStatus.PRECONDITION_FAILED
            return
        yield HTTPStatus.BAD_REQUEST
        yield HTTPStatus.CONFLICT
        yield HTTPStatus.REQUEST_ENTITY_TOO_LARGE
        yield HTTPStatus.UNSUPPORTED_MEDIA_TYPE
        yield HTTPStatus.UNPROCESSABLE_ENTITY
        if self.change is not None and self.change.conditional:
            yield HTTPStatus.PRECONDITION_FAILED
            yield HTTPStatus.PRECONDITION_REQUIRED


def _unindented(words: str) -> str:
    return "\n".join(line.strip() for line in words.strip().splitlines())
