"""Asking the API as somebody: JSON, a token, conditions; and every problem answer must be a proper one."""

import json
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from registry.actions import tokens
from registry.actions._action import Actor
from registry.models import Entry
from tests.factories.world import World

ROOT = "/api/v1/"
FRESH = "a fresh key"
PROBLEM = "application/problem+json"  # RFC 9457, section 6.1
PAGES_MAX = 500


@dataclass(frozen=True)
class Reply:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    text: str

    @property
    def body(self) -> Any:
        """The JSON of it."""
        return json.loads(self.text)

    @property
    def tag(self) -> str:
        """The entity tag of what was shown."""
        return self.headers["ETag"]

    def __getitem__(self, name: str) -> Any:
        return self.body[name]


@dataclass
class Person:
    """Somebody with a token. Paths are relative to the root of the API, or begin with a slash."""

    secret: str
    client: Client = field(default_factory=Client)

    def get(self, path: str, tag: str | None = None, **query: object) -> Reply:
        """Read; `tag` is sent as If-None-Match."""
        headers = {} if tag is None else {"If-None-Match": tag}
        return self.send("GET", path, query=query, headers=headers)

    def post(
        self, path: str, body: object = None, *, key: str | None = FRESH, tag: str | None = None
    ) -> Reply:
        """Have something done: under a fresh key unless told, None for no key at all."""
        headers = {} if tag is None else {"If-Match": tag}
        if key is not None:
            headers["Idempotency-Key"] = f'"{uuid4()}"' if key is FRESH else key
        return self.send("POST", path, body={} if body is None else body, headers=headers)

    def patch(self, path: str, body: object, *, tag: str | None = None) -> Reply:
        """Correct something."""
        return self.send("PATCH", path, body=body, headers={} if tag is None else {"If-Match": tag})

    def send(
        self,
        method: str,
        path: str,
        *,
        body: object = None,
        query: Mapping[str, object] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Reply:
        """Send a request, and hold that a problem is told as RFC 9457 has it."""
        answer = self.client.generic(
            method,
            path if path.startswith("/") else ROOT + path,
            "" if body is None else json.dumps(body, default=str),
            content_type="" if body is None else "application/json",
            query_params={name: _plain(value) for name, value in (query or {}).items()},
            headers={"Authorization": f"Bearer {self.secret}", **(headers or {})},
        )
        # A picture is no text; whoever asks for one compares what it says as far as it can be read.
        text = answer.content.decode(errors="replace")
        reply = Reply(answer.status_code, dict(answer.headers), text)
        if reply.status >= 400:
            check_problem(reply)
        return reply

    # --- what most tests ask ---

    def seen(self, path: str) -> str:
        """Return the entity tag of a thing as it stands."""
        return ok(self.get(path)).tag

    def rows(self, path: str, **query: object) -> list[Any]:
        """Return the rows of all pages, from the first to the last."""
        return [row for page in self.pages(path, **query) for row in page["results"]]

    def pages(self, path: str, **query: object) -> Iterator[Any]:
        """Ask for page after page, as `next` leads."""
        page = ok(self.get(path, **query))
        yield page.body
        for _ in range(PAGES_MAX):
            if page["next"] is None:
                return
            assert page.headers["Link"] == f'<{page["next"]}>; rel="next"'  # RFC 8288, section 3
            page = ok(self.get(page["next"]))
            yield page.body
        raise AssertionError("the pages have no end")


class Api:
    """The API, as asked by the people of the company."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._people: dict[Actor, Person] = {}

    def as_(self, actor: Actor) -> Person:
        """Return somebody who asks with a token, which the administrator issues at the first call."""
        if actor not in self._people:
            assert actor.staff_id is not None
            _, secret = tokens.issue_token(self.world.administrator, staff_id=actor.staff_id, name="phone")
            self._people[actor] = Person(secret)
        return self._people[actor]


def ok(reply: Reply, status: int = 200) -> Reply:
    """Hold that an answer has this status, and return it."""
    assert reply.status == status, (reply.status, reply.text)
    return reply


def told(reply: Reply, status: int, code: str, pointer: str | None = None) -> Reply:
    """Hold that a problem has this status and code and, where told, points there in the body."""
    assert (reply.status, reply["code"]) == (status, code), reply.text
    if pointer is not None:
        assert [error.get("pointer") for error in reply["errors"]] == [pointer], reply.text
    return reply


def check_problem(reply: Reply) -> None:
    """Hold that an answer is a problem document (RFC 9457, section 3.1)."""
    assert reply.headers["Content-Type"] == PROBLEM
    document = reply.body
    assert document["status"] == reply.status
    for member in ("type", "title", "detail", "code"):
        assert isinstance(document[member], str), (member, document)
        assert document[member], (member, document)
    assert document["type"] == f"{ROOT}problems/{document['code']}/"
    assert document["detail"].endswith("."), document["detail"]
    for error in document.get("errors", []):
        assert isinstance(error["detail"], str)
        assert isinstance(error["code"], str)
        # RFC 6901, section 6: a JSON Pointer as a fragment of a URI.
        assert re.fullmatch(r"#(/([^/~]|~0|~1)*)*", error.get("pointer", "#"))


@contextmanager
def one_entry(verb: str | None = None) -> Iterator[list[Entry]]:
    """Hold that exactly one entry is appended meanwhile, with this verb where told; it is yielded."""
    found: list[Entry] = []
    head = _head()
    yield found
    found += Entry.objects.filter(index__gt=head)
    assert len(found) == 1, f"{len(found)} entries"
    assert verb is None or found[0].verb == verb


def made(reply: Reply, place: str) -> Reply:
    """Hold that something was made: 201 with its address, tag and the index of its entry."""
    ok(reply, 201)
    assert reply.headers["Location"] == f"{ROOT}{place}/{reply['id']}/"  # RFC 9110, section 15.3.2
    return changed(reply)


def changed(reply: Reply) -> Reply:
    """Hold that a change was answered with the thing as it stands, its tag and the index of its entry."""
    assert reply.status in (200, 201), reply.text
    assert reply.headers["Content-Type"] == "application/json"
    assert re.fullmatch(r'"[0-9a-f]{32}"', reply.tag)  # a strong tag: RFC 9110, section 8.8.3
    assert reply.headers["Register-Index"] == str(_head())
    assert reply.headers["Cache-Control"] == "no-store"
    return reply


def tables_read(call: Callable[[], Reply]) -> list[str]:
    """Return the table that each query of a call reads first, in order: a name for every query."""
    with CaptureQueriesContext(connection) as queries:
        ok(call())
    named = r'(?:FROM|JOIN) "registry_(\w+)"'
    return [re.findall(named, query["sql"])[0] for query in queries.captured_queries]


def _plain(value: object) -> str:
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)


def _head() -> int:
    return Entry.objects.order_by("-index").values_list("index", flat=True).first() or 0
