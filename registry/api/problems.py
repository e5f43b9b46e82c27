"""What goes wrong, told in one shape: RFC 9457 problem documents with the register's stable codes."""

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import quote

from django.core.exceptions import PermissionDenied
from django.http import Http404
from rest_framework import exceptions
from rest_framework.response import Response

from registry.rules.errors import Code, RuleBroken

MEDIA_TYPE = "application/problem+json"
# What a refusal may name beside parameters and fields.
HEADERS = ("Idempotency-Key", "If-Match", "If-None-Match", "Predecessor-Key", "Client-Clock", "Rimebook-Face")
RETRY_AFTER_S = 2  # seconds after which a busy register is asked again


class ApiCode(StrEnum):
    """Codes of what only happens on the way in, beside the register's own (rules.errors.Code)."""

    MALFORMED = "malformed"  # the body is no JSON
    NOT_SIGNED_IN = "not_signed_in"
    NOT_ALLOWED = "not_allowed"  # a signed-in browser without its CSRF token
    METHOD_UNKNOWN = "method_unknown"
    NOT_ACCEPTABLE = "not_acceptable"
    MEDIA_TYPE_UNKNOWN = "media_type_unknown"
    KEY_MISSING = "key_missing"  # no Idempotency-Key
    CONDITION_MISSING = "condition_missing"  # no If-Match
    TOO_LARGE = "too_large"  # a body of more than Django's limit, or one that broke off
    FIELDS_INVALID = "fields_invalid"  # several fields, each with its own words


_CONFLICTS = (
    Code.CODE_TAKEN, Code.OVERLAPPING_HISTORY, Code.NOTHING_CHANGES, Code.PERIOD_SUPERSEDED,
    Code.NEIGHBOUR_SWALLOWED, Code.DEVICE_ELSEWHERE, Code.DEVICE_NOT_AVAILABLE, Code.DEVICE_NOT_ASSIGNED,
    Code.CABINET_NOT_AVAILABLE, Code.SLOT_TAKEN, Code.LOCATION_CLOSED, Code.LOCATION_OCCUPIED,
    Code.ACCOUNT_CLOSED, Code.ACCOUNT_OCCUPIED, Code.NOT_PROVISIONAL, Code.LAST_ADMINISTRATOR,
    Code.COUNT_CLOSED, Code.COUNT_OPEN, Code.COUNT_INCOMPLETE,
    Code.ALREADY_FOUNDED, Code.NOT_FOUNDED, Code.SIMULATION_REFUSED, Code.REGISTER_BUSY,
    Code.TREE_DAMAGED, Code.PREDECESSOR_MISSING,
)  # fmt: skip
# What is not named here is a value that cannot be processed.
STATUS: Final[dict[str, HTTPStatus]] = {
    **dict.fromkeys(_CONFLICTS, HTTPStatus.CONFLICT),
    Code.ROLE_FORBIDS: HTTPStatus.FORBIDDEN,
    Code.APPROVER_COUNTED: HTTPStatus.FORBIDDEN,
    Code.CHANGED_MEANWHILE: HTTPStatus.PRECONDITION_FAILED,
    Code.KEY_INVALID: HTTPStatus.BAD_REQUEST,
    ApiCode.MALFORMED: HTTPStatus.BAD_REQUEST,
    ApiCode.KEY_MISSING: HTTPStatus.BAD_REQUEST,
    ApiCode.NOT_SIGNED_IN: HTTPStatus.UNAUTHORIZED,
    ApiCode.NOT_ALLOWED: HTTPStatus.FORBIDDEN,
    ApiCode.METHOD_UNKNOWN: HTTPStatus.METHOD_NOT_ALLOWED,
    ApiCode.NOT_ACCEPTABLE: HTTPStatus.NOT_ACCEPTABLE,
    ApiCode.MEDIA_TYPE_UNKNOWN: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    ApiCode.TOO_LARGE: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    ApiCode.CONDITION_MISSING: HTTPStatus.PRECONDITION_REQUIRED,
}


def status_of(code: str) -> HTTPStatus:
    """Return the status with which a code is answered, for a thing in the address 404 apart."""
    return STATUS.get(code, HTTPStatus.UNPROCESSABLE_ENTITY)


class Problem(Exception):
    """Something wrong with the request itself, before the register was asked."""

    def __init__(self, code: ApiCode, detail: str) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail


def answer_problem(error: Exception, context: Mapping[str, Any]) -> Response | None:
    """Return the problem document of an exception; None, and so a 500, for what is a defect of ours."""
    view = context.get("view")
    if isinstance(error, RuleBroken):
        return _of_refusal(error, view)
    if isinstance(error, Problem):
        return problem(error.code, status_of(error.code), error.detail)
    if isinstance(error, exceptions.ValidationError):
        return _of_fields(error, reading=_is_reading(view))
    return _of_framework(error)


def problem(
    code: str, status: HTTPStatus, detail: str, *, headers: Mapping[str, str] | None = None, **more: Any
) -> Response:
    """Return a problem document (RFC 9457, section 3) with the code, and what else a client may use."""
    document = {
        "type": f"/api/v1/problems/{code}/",
        "title": title_of(code),
        "status": int(status),
        "detail": detail,
        "code": code,
        **more,
    }
    return Response(
        document,
        status=status,
        content_type=MEDIA_TYPE,
        headers={"Cache-Control": "no-store", **(headers or {})},
    )


def title_of(code: str) -> str:
    """Return the title of a kind of problem, which never varies."""
    return code.replace("_", " ").capitalize()


def _of_refusal(broken: RuleBroken, view: Any) -> Response:
    status = status_of(broken.code)
    noun = getattr(view, "noun", None)
    reading = _is_reading(view)
    if broken.code is Code.NOT_FOUND and (reading or broken.field == noun):
        status = HTTPStatus.NOT_FOUND
    details = dict(broken.details)
    path = details.pop("path", [])
    error: dict[str, Any] = {"detail": broken.message, "code": str(broken.code)}
    if broken.field and (reading or broken.field in (*HEADERS, *view.request.query_params)):
        error |= {} if broken.field == noun else {"parameter": broken.field}
    elif broken.field:
        pointer = pointer_to(broken.field, path if isinstance(path, Sequence) else [], view)
        error |= {"pointer": pointer} if pointer else {}
    headers = {"Retry-After": str(RETRY_AFTER_S)} if broken.code is Code.REGISTER_BUSY else {}
    more: dict[str, Any] = {"errors": [error]}
    if "suggestions" in details:
        more["suggestions"] = details.pop("suggestions")
    if details:
        more["details"] = details
    return problem(str(broken.code), status, broken.message, headers=headers, **more)


def _is_reading(view: Any) -> bool:
    """Say whether a request only reads, so that what is wrong with it is a parameter."""
    return getattr(getattr(view, "request", None), "method", "GET") in ("GET", "HEAD")


def pointer_to(field: str, path: Sequence[str | int], view: Any) -> str:
    """Return where in the body a field stands, as a JSON Pointer fragment (RFC 6901); blank if nowhere."""
    given = getattr(view, "given_class", None)
    if given is None:
        return ""
    if field not in view.request.data and given.instead.get(field) in view.request.data:
        field = given.instead[field]
    inner: Any = given()
    for step in path:
        inner = inner.child if isinstance(step, int) else inner.fields.get(step)
        if inner is None:
            return ""
    found = _find(inner, field)
    return _fragment([*path, *found]) if found else ""


def _fragment(path: Sequence[str | int]) -> str:
    """Return a JSON Pointer as a fragment (RFC 6901, sections 3 and 6): names may hold anything."""
    parts = [str(part).replace("~", "~0").replace("/", "~1") for part in path]
    # What a fragment may hold as it is: RFC 3986, section 3.5.
    return "#" + "".join(f"/{quote(part, safe='!$&()*+,;=:@?~', errors='replace')}" for part in parts)


def _find(serializer: Any, field: str) -> list[str]:
    """Return the names that lead to a field, or to what becomes it, within objects but not into lists."""
    fields = getattr(serializer, "fields", {})
    if field in fields:
        return [field]
    for name, inner in fields.items():
        if inner.source == field:
            return [name]
        if deeper := _find(inner, field):
            return [name, *deeper]
    return []


def _of_fields(error: exceptions.ValidationError, *, reading: bool) -> Response:
    errors = [
        {
            "detail": words,
            "code": code if code in set(Code) else str(Code.VALUE_INVALID),
            **(
                {("parameter" if reading else "pointer"): path[0] if reading else _fragment(path)}
                if path
                else {}
            ),
        }
        for path, words, code in _leaves(error.detail, ())
    ]
    one = len(errors) == 1
    detail = (
        str(errors[0]["detail"]) if one else f"{len(errors)} fields cannot be read. Correct each of them."
    )
    code = str(errors[0]["code"]) if one else str(ApiCode.FIELDS_INVALID)
    return problem(code, HTTPStatus.UNPROCESSABLE_ENTITY, detail, errors=errors)


def _leaves(detail: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str, str]]:
    if isinstance(detail, dict):
        for name, inner in detail.items():
            yield from _leaves(inner, path if name == "non_field_errors" else (*path, str(name)))
    elif isinstance(detail, list) and any(isinstance(inner, dict) for inner in detail):
        for position, inner in enumerate(detail):
            yield from _leaves(inner, (*path, str(position)))
    elif isinstance(detail, list):
        for inner in detail:
            yield from _leaves(inner, path)
    else:
        yield path, str(detail), str(getattr(detail, "code", ""))


def _challenge(error: Exception) -> str:
    """Return how to sign in, and that the token was no good where one came (RFC 6750, section 3)."""
    failed = isinstance(error, exceptions.AuthenticationFailed)
    return 'Bearer error="invalid_token"' if failed else "Bearer"


def _of_framework(error: Exception) -> Response | None:
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed):
        return problem(
            ApiCode.NOT_SIGNED_IN,
            HTTPStatus.UNAUTHORIZED,
            "This needs a token that is valid. Send it as Authorization: Bearer, or have a new one issued.",
            headers={"WWW-Authenticate": _challenge(error)},
        )
    if isinstance(error, exceptions.ParseError):
        return problem(
            ApiCode.MALFORMED, HTTPStatus.BAD_REQUEST, "The body is no JSON. Check it and send it again."
        )
    if isinstance(error, exceptions.MethodNotAllowed):
        return problem(
            ApiCode.METHOD_UNKNOWN,
            HTTPStatus.METHOD_NOT_ALLOWED,
            "This address knows no such method. See the documentation at /api/v1/docs/.",
        )
    if isinstance(error, exceptions.NotAcceptable):
        forms = " or ".join(form.media_type for form in error.available_renderers or ())
        return problem(
            ApiCode.NOT_ACCEPTABLE, HTTPStatus.NOT_ACCEPTABLE, f"Answers are {forms}. Accept that."
        )
    if isinstance(error, exceptions.UnsupportedMediaType):
        return problem(
            ApiCode.MEDIA_TYPE_UNKNOWN,
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
            "Bodies are application/json. Send that, and say so in Content-Type.",
        )
    if isinstance(error, exceptions.PermissionDenied | PermissionDenied):
        return problem(
            ApiCode.NOT_ALLOWED,
            HTTPStatus.FORBIDDEN,
            "The browser's session did not prove itself. Load the page again, or use a token.",
        )
    if isinstance(error, exceptions.NotFound | Http404):
        return problem(Code.NOT_FOUND, HTTPStatus.NOT_FOUND, "There is no such address. Look it up again.")
    return None
