"""The API against the published standards; each test names the document and section that it holds.

Vectors and sentences of the standards are quoted from memory where no copy is named beside them.
"""

import json
import os
import re
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from html.parser import HTMLParser
from http import HTTPStatus
from typing import Any
from urllib.parse import unquote
from uuid import UUID, uuid4

import psycopg
import pytest
from django.conf import settings
from django.contrib.staticfiles import finders
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import include, path
from playwright.sync_api import Browser, sync_playwright

from registry.actions import locations, tokens
from registry.api.problems import ApiCode
from registry.ledger.journal import LOCK_NUMBER
from registry.models import ApiToken, Contact
from registry.models.base import new_key
from registry.rules.errors import Code
from tests.actions.unchanged import nothing_changed
from tests.api.client import PROBLEM, ROOT, Api, Person, Reply, check_problem, made, ok, told
from tests.factories import visiting
from tests.factories.world import DAY, World
from tests.walk.served import Served, served

JSON = "application/json"
FOREIGN_TAG = '"00000000000000000000000000000000"'


@dataclass(frozen=True)
class Company:
    """A store with a cabinet in which a device hangs, and the office, who may change all of it."""

    world: World
    office: Person
    administrator: Person
    assignment: UUID
    cabinet: UUID
    device: UUID
    spare: UUID  # in the depot
    serial: str  # of the spare

    @property
    def things(self) -> dict[str, str]:
        """The address of one thing of the kinds that an office changes most."""
        return {
            "assignment": f"assignments/{self.assignment}/",
            "cabinet": f"cabinets/{self.cabinet}/",
            "device": f"devices/{self.device}/",
            "location": f"locations/{self.world.location.pk}/",
        }

    @property
    def everything(self) -> dict[str, str]:
        """The address of one thing of every kind that has one, for the administrator."""
        world = self.world
        return {
            **self.things,
            "account": f"accounts/{world.account.pk}/",
            "cabinet model": f"cabinet-models/{world.cove.pk}/",
            "contact": f"contacts/{Contact.objects.get().pk}/",
            "depot": f"depots/{world.tarnmouth.pk}/",
            "device model": f"device-models/{world.plumb_3.pk}/",
            "entry": "entries/7/",
            "me": "me/",
            "period": f"periods/devicewhereabouts/{self.assignment}/",
            "product": f"products/{world.eight_lb.pk}/",
            "person": f"staff/{world.installer.staff_id}/",
            "visit": f"visits/{visiting.planned(world, cabinets=[]).pk}/",
            "token": f"tokens/{ApiToken.objects.earliest('pk').pk}/",
        }


@pytest.fixture
def company(world: World, api: Api) -> Company:
    cabinet, device, spare = world.cabinet(split=True), world.device(), world.device()
    place = world.assigned(device, cabinet)
    locations.register_contact(world.office, location_id=world.location.pk, text={"name": "Tamsin Reeve"})
    return Company(
        world=world,
        office=api.as_(world.office),
        administrator=api.as_(world.administrator),
        assignment=place.period,
        cabinet=cabinet.pk,
        device=device.pk,
        spare=spare.pk,
        serial=spare.serial,
    )


# --- RFC 6901: JSON Pointer ---------------------------------------------------------------------------


def point(document: Any, fragment: str) -> Any:
    """Return what a JSON Pointer in a URI fragment names (RFC 6901, sections 4 and 6); or raise."""
    assert fragment.startswith("#"), fragment
    # RFC 3986, section 3.5: a fragment is of these characters, all others are percent-encoded.
    assert re.fullmatch(r"#([A-Za-z0-9._~!$&'()*+,;=:@/?-]|%[0-9A-Fa-f]{2})*", fragment), fragment
    pointer = unquote(fragment[1:], errors="strict")
    if pointer == "":
        return document
    assert pointer.startswith("/"), fragment
    for token in pointer[1:].split("/"):
        assert not re.search(r"~(?![01])", token), fragment
        name = token.replace("~1", "/").replace("~0", "~")
        if isinstance(document, list):
            assert re.fullmatch(r"0|[1-9][0-9]*", name), fragment
            document = document[int(name)]
        else:
            document = document[name]
    return document


def test_the_reader_of_pointers_knows_the_examples_of_its_standard() -> None:
    # RFC 6901, sections 5 and 6.
    document = {
        "foo": ["bar", "baz"],
        "": 0,
        "a/b": 1,
        "c%d": 2,
        "e^f": 3,
        "g|h": 4,
        "i\\j": 5,
        'k"l': 6,
        " ": 7,
        "m~n": 8,
    }
    examples = {
        "#": document,
        "#/foo": ["bar", "baz"],
        "#/foo/0": "bar",
        "#/": 0,
        "#/a~1b": 1,
        "#/c%25d": 2,
        "#/e%5Ef": 3,
        "#/g%7Ch": 4,
        "#/i%5Cj": 5,
        "#/k%22l": 6,
        "#/%20": 7,
        "#/m~0n": 8,
    }
    assert {fragment: point(document, fragment) for fragment in examples} == examples


# --- RFC 9457: problem details --------------------------------------------------------------------------


def new_assignment(company: Company, **more: Any) -> dict[str, Any]:
    at = company.world.start + 5 * DAY
    return {"serial": company.serial, "cabinet": company.cabinet, "valid_from": at, **more}


def new_location(company: Company, **more: Any) -> dict[str, Any]:
    return {
        "account": company.world.account.pk,
        "depot": company.world.tarnmouth.pk,
        "store_number": "0815",
        "name": "Pier 8",
        "locality": "Tarnmouth",
        "country": "US",
        "time_zone": "America/New_York",
        "valid_from": company.world.start,
        **more,
    }


def new_cabinet(company: Company, **more: Any) -> dict[str, Any]:
    return {"model": company.world.cove.pk, "asset_tag": company.world.code("SK"), **more}


def share(company: Company, percent: Any) -> dict[str, Any]:
    return {"product": company.world.eight_lb.pk, "share": percent}


BAD = "no such word"  # stands at exactly the place of the body that is at fault

Offence = tuple[str, Callable[[Company], dict[str, Any]]]
OFFENCES: dict[str, Offence] = {
    "a key": ("assignments/", lambda c: new_assignment(c, cabinet=BAD)),
    "a time": ("assignments/", lambda c: new_assignment(c, valid_from=BAD)),
    "a serial": ("assignments/", lambda c: new_assignment(c, serial=BAD)),
    "a number in an object": ("assignments/", lambda c: new_assignment(c, installation={"slot": BAD})),
    "an object": ("assignments/", lambda c: new_assignment(c, installation=BAD)),
    "an element of a list": (
        "assignments/",
        lambda c: new_assignment(c, installation={"sensor_order": [1, BAD, 2]}),
    ),
    "a name that no field has": ("assignments/", lambda c: new_assignment(c, serail=BAD)),
    "a name of many signs": ("assignments/", lambda c: new_assignment(c, **{'a/b~c%d e^é"': BAD})),
    "a blank name": ("assignments/", lambda c: new_assignment(c, **{"": BAD})),
    "a name like a number": (
        "assignments/",
        lambda c: new_assignment(c, installation={"slot": 1, "0": BAD}),
    ),
    "a number": ("locations/", lambda c: new_location(c, latitude=BAD)),
    "a day": ("locations/", lambda c: new_location(c, authority_on=BAD)),
    "a word": ("locations/", lambda c: new_location(c, state=BAD)),
    "a time zone": ("locations/", lambda c: new_location(c, time_zone=BAD)),
    "a list": ("locations/", lambda c: new_location(c, cabinets=BAD)),
    "a member of a list": ("locations/", lambda c: new_location(c, cabinets=[new_cabinet(c), BAD])),
    "a word in a list": (
        "locations/",
        lambda c: new_location(c, cabinets=[new_cabinet(c), new_cabinet(c, setting=BAD)]),
    ),
    "a share in lists": (
        "locations/",
        lambda c: new_location(
            c, cabinets=[new_cabinet(c), new_cabinet(c, shares=[share(c, 60), share(c, BAD)])]
        ),
    ),
    "a key in lists": (
        "locations/",
        lambda c: new_location(
            c,
            cabinets=[new_cabinet(c, shares=[share(c, 60), {"product": BAD, "share": 40}])],
        ),
    ),
    "a serial in lists": (
        "locations/take-over/",
        lambda c: {
            **{name: value for name, value in new_location(c).items() if name != "valid_from"},
            "known_by": c.world.start + DAY,
            "cabinets": [
                new_cabinet(c),
                new_cabinet(c, device={"model": c.world.plumb_3.pk, "serial": BAD}),
            ],
        },
    ),
    "the serial of one of many": (
        "devices/",
        lambda c: {
            "depot": c.world.tarnmouth.pk,
            "valid_from": c.world.start,
            "devices": [
                {"model": c.world.plumb_3.pk, "serial": c.world.serial()},
                {"model": c.world.plumb_3.pk, "serial": BAD},
            ],
        },
    ),
    "an IMEI": (
        "devices/",
        lambda c: {
            "depot": c.world.tarnmouth.pk,
            "valid_from": c.world.start,
            "devices": [{"model": c.world.plumb_3.pk, "serial": c.world.serial(), "imei": BAD}],
        },
    ),
}


def test_a_pointer_leads_to_the_member_at_fault(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9457, section 3: `errors` with `detail` and `pointer`, a JSON Pointer in a fragment, status 422.
    for name in OFFENCES:
        with subtests.test(name=name):
            address, body_of = OFFENCES[name]
            body = json.loads(json.dumps(body_of(company), default=str))
            with nothing_changed():
                reply = company.office.post(address, body)
            assert reply.status == 422, reply.text
            assert [point(body, error["pointer"]) for error in reply["errors"]] == [BAD]


@pytest.mark.parametrize(
    ("path_to", "body_of"),
    [
        ((), lambda c: {}),
        (("installation",), lambda c: {}),
        (("cabinets", 1), lambda c: {}),
    ],
)
def test_a_pointer_to_what_is_missing_leads_to_where_it_belongs(
    company: Company, path_to: tuple[str | int, ...], body_of: Any
) -> None:
    body: dict[str, Any]
    if path_to == ():
        address, body, missing = "assignments/", {"serial": company.serial}, {"cabinet", "valid_from"}
    elif path_to == ("installation",):
        address, body = "assignments/", new_assignment(company, installation={"slot": 2})
        missing = {"slot_reason"}
    else:
        address, body = "locations/", new_location(company, cabinets=[new_cabinet(company), {}])
        missing = {"model", "asset_tag"}
    reply = company.office.post(address, body)
    assert reply.status == 422, reply.text
    parent = "#" + "".join(f"/{step}" for step in path_to)
    point(body, parent)
    assert {error["pointer"] for error in reply["errors"]} == {f"{parent}/{name}" for name in missing}


def test_several_faults_are_told_together_each_with_its_place(company: Company) -> None:
    # RFC 9457, section 3: several problems of one type may be told in one document.
    body = json.loads(
        json.dumps(
            new_assignment(company, cabinet="one", reason=2, installation={"slot": "three", "four": 4}),
            default=str,
        )
    )
    reply = told(company.office.post("assignments/", body), 422, "fields_invalid")
    assert {error["pointer"] for error in reply["errors"]} >= {"#/cabinet", "#/reason"}
    for error in reply["errors"]:
        point(body, error["pointer"])


def test_a_body_of_another_kind_is_told_as_a_whole(company: Company, subtests: pytest.Subtests) -> None:
    for body in ["[]", '"text"', "3", "true", "null", "[[]]", "{}"]:
        with subtests.test(body=body):
            with nothing_changed():
                reply = raw(company, "POST", "assignments/", body)
            check_problem(reply)
            assert reply.status == 422
            for error in reply["errors"]:
                assert error.get("pointer", "#") == "#" or body == "{}"


MALFORMED = {
    "nothing that ends": b'{"serial": "PB3',
    "two values": b"{} {}",
    "a comment": b"{} // so",
    "no number": b'{"serial": NaN}',
    "no end of numbers": b'{"serial": Infinity}',
    "not UTF-8": b'{"serial": "\xff"}',
    "a mark of byte order": b"\xef\xbb\xbf{}",
    "too deep": b"[" * 200_000,
    "too deep, and closed": b"[" * 100_000 + b"]" * 100_000,
    "too long a number": b'{"serial": ' + b"9" * 100_000 + b"}",
}


def test_what_is_no_json_is_a_bad_request(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 8259, sections 2, 6, 8.1 and 9 (a parser may limit depth, range and precision); RFC 9110, 15.5.1.
    for name in MALFORMED:
        with subtests.test(name=name):
            with nothing_changed():
                reply = raw(company, "POST", "assignments/", MALFORMED[name])
            told(reply, 400, "malformed")


def test_a_charset_is_no_reason_to_fail(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 8259, section 11: application/json knows no charset parameter; JSON is UTF-8 (section 8.1).
    for charset in ["utf-8", "UTF-8", "latin-1", "utf-16", "hex", "rot13", "undefined", "no-such"]:
        with subtests.test(charset=charset):
            reply = raw(
                company, "POST", "assignments/", b"{}", content_type=f"application/json; charset={charset}"
            )
            check_problem(reply)
            assert reply.status in (400, 415, 422)
            if charset.lower() == "utf-8":
                assert reply.status == 422


def test_what_no_database_can_hold_is_refused_in_words(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 8259, section 8.2: a lone surrogate may be written in JSON, and what is done then is open.
    for text in ["\ud800", "\x00", "a\ud83d"]:
        for field in ["serial", "reason", "cabinet", "valid_from"]:
            with subtests.test(text=text, field=field):
                body = json.dumps(new_assignment(company, **{field: text}), default=str)
                with nothing_changed():
                    reply = raw(company, "POST", "assignments/", body)
                check_problem(reply)
                assert reply.status == 422
                assert reply["errors"][0]["pointer"] == f"#/{field}"


def raw(
    company: Company,
    method: str,
    address: str,
    body: bytes | str = b"",
    *,
    content_type: str = JSON,
    **headers: str,
) -> Reply:
    """Send bytes as they are; underscores in names of headers stand for hyphens."""
    sent = {
        "Authorization": f"Bearer {company.office.secret}",
        "Idempotency-Key": f'"{uuid4()}"',
        **{name.replace("_", "-"): value for name, value in headers.items()},
    }
    answer = Client(raise_request_exception=False).generic(
        method, f"{ROOT}{address}", body, content_type=content_type, headers=sent
    )
    return Reply(answer.status_code, dict(answer.headers), answer.content.decode())


@pytest.mark.parametrize("code", [*map(str, Code), *map(str, ApiCode)])
def test_the_type_of_every_problem_resolves(client: Client, code: str) -> None:
    # RFC 9457, section 3.1.1: a type that can be dereferenced should lead to documentation.
    answer = client.get(f"{ROOT}problems/{code}/")
    assert answer.status_code == 200
    told_of = answer.json()
    assert told_of["code"] == code
    assert told_of["title"]
    assert 400 <= told_of["status"] < 500


def test_every_code_has_a_title_of_its_own(client: Client) -> None:
    # RFC 9457, section 3.1.3: the title is of the type.
    codes = [*map(str, Code), *map(str, ApiCode)]
    assert len(set(codes)) == len(codes)
    titles = {client.get(f"{ROOT}problems/{code}/").json()["title"] for code in codes}
    assert len(titles) == len(codes)


def test_a_title_stays_the_same_whatever_happened(company: Company) -> None:
    # RFC 9457, section 3.1.3: it does not change from occurrence to occurrence; 3.1.2: status is the status.
    office, world = company.office, company.world
    replies = [
        office.get(f"assignments/{new_key()}/"),
        office.get(f"cabinets/{new_key()}/"),
        office.post("assignments/", new_assignment(company, cabinet=new_key())),
        office.get("assignments/", as_of="yesterday"),
        office.post("assignments/", new_assignment(company, valid_from="2026-01-01")),
        office.post("assignments/", new_assignment(company, reason=1)),
        office.get("devices/", order="serial"),
        office.post("assignments/", {}, key=None),
        office.post(f"devices/{company.spare}/lost/", {}, key=None),
        Person("no token").get("assignments/"),
        Person("").get("cabinets/"),
        office.post(f"devices/{company.spare}/lost/", {"valid_from": world.start}),
        office.patch(f"cabinets/{company.cabinet}/", {}),
        office.post(f"devices/{company.spare}/lost/", {"valid_from": world.start}, tag=FOREIGN_TAG),
        office.patch(f"cabinets/{company.cabinet}/", {"condition": "dented"}, tag=FOREIGN_TAG),
    ]
    details: dict[str, set[str]] = {}
    for reply in replies:
        kind = office.client.get(reply["type"]).json()
        assert (kind["code"], kind["title"]) == (reply["code"], reply["title"])
        if reply["code"] != "not_found":  # 404 where the address names it, 422 where the body does
            assert kind["status"] == reply.status
        details.setdefault(reply["type"], set()).add(reply["detail"])
    # RFC 9457, section 3.1.4: the detail is of the occurrence.
    assert len(details[f"{ROOT}problems/not_found/"]) > 1


def test_every_member_has_the_type_of_the_standard(company: Company) -> None:
    # RFC 9457, section 3.1: a member of another JSON type would be ignored by whoever reads it.
    near = company.serial[:5] + ("1" if company.serial[5] != "1" else "2") + company.serial[6:]
    for reply in (
        company.office.get(f"assignments/{new_key()}/"),
        company.office.post("assignments/", new_assignment(company, serial=near)),
        company.office.post("assignments/", new_assignment(company, cabinet=1, reason=2)),
    ):
        document = reply.body
        for member in ("type", "title", "detail"):
            assert isinstance(document[member], str)
        assert isinstance(document["status"], int)
        assert not isinstance(document["status"], bool)
        assert isinstance(document.get("instance", ""), str)
        assert set(document) <= {
            *("type", "title", "status", "detail", "instance"),
            *("code", "errors", "suggestions", "details"),
        }
        # RFC 9457, section 3.2: names of extensions begin with a letter, and are of letters, digits and _.
        assert all(re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{2,}", name) for name in document)


def test_a_header_or_parameter_at_fault_is_named(company: Company) -> None:
    office, lost = company.office, f"devices/{company.spare}/lost/"
    body = {"valid_from": company.world.start + 3 * DAY}
    for reply, name in (
        (office.get("devices/", model="none"), "model"),
        (office.get("devices/", modle="none"), "modle"),
        (office.get("devices/", as_of="none"), "as_of"),
        (office.get("devices/", page_size="none"), "page_size"),
        (office.post(lost, body, key="unquoted", tag="*"), "Idempotency-Key"),
        (office.post(lost, body, tag=FOREIGN_TAG), "If-Match"),
        (office.post(f"{lost}?valid_from=now", body, tag="*"), "valid_from"),
    ):
        assert [error.get("parameter") for error in reply["errors"]] == [name], reply.text
        assert "pointer" not in reply["errors"][0]


# --- RFC 9457: a defect of ours -------------------------------------------------------------------------


def breaks(request: HttpRequest) -> HttpResponse:
    raise RuntimeError("a defect, on purpose")


urlpatterns = [
    path("api/v1/broken/", breaks),
    path("console/broken/", breaks),
    path("", include("config.urls")),
]
handler500 = "registry.api.documents.server_error"


@pytest.mark.urls(__name__)
def test_a_defect_is_told_as_a_problem_and_tells_nothing_of_the_program(
    caplog: pytest.LogCaptureFixture,
) -> None:
    answer = Client(raise_request_exception=False).get(f"{ROOT}broken/")
    assert answer.status_code == 500
    assert answer.headers["Content-Type"] == PROBLEM
    document = answer.json()
    # RFC 9457, section 4.2.1: with about:blank the title should be the phrase of the status.
    assert document["type"] == "about:blank"
    assert document["title"] == HTTPStatus.INTERNAL_SERVER_ERROR.phrase
    assert document["status"] == 500
    assert document["detail"].endswith(".")
    assert "on purpose" not in answer.content.decode()
    assert "on purpose" in caplog.text, "the defect is told to whoever runs it"


@pytest.mark.urls(__name__)
def test_a_defect_of_the_console_is_a_page() -> None:
    answer = Client(raise_request_exception=False).get("/console/broken/")
    assert answer.status_code == 500
    assert answer.headers["Content-Type"].startswith("text/html")
    assert "on purpose" not in answer.content.decode()


# --- RFC 9110: entity tags and conditions ----------------------------------------------------------------


def test_everything_has_a_strong_entity_tag(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, section 8.8.3: entity-tag = [ weak ] opaque-tag; opaque-tag = DQUOTE *etagc DQUOTE.
    for thing, address in company.everything.items():
        with subtests.test(thing=thing):
            first = ok(company.administrator.get(address))
            assert re.fullmatch(r'"[\x21\x23-\x7e\x80-\xff]+"', first.tag)
            again = ok(company.administrator.get(address))
            assert (again.tag, again.text) == (first.tag, first.text)
            assert company.administrator.get(address, tag=first.tag).status == 304


def test_things_that_look_different_have_different_tags(company: Company) -> None:
    tags = [company.administrator.seen(address) for address in company.everything.values()]
    assert len(set(tags)) == len(tags)


def test_the_same_tag_means_the_same_bytes(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, section 8.8.1: a strong validator changes whenever the representation data does.
    for accept in ["application/json; indent=4", "application/json;q=0.5", "*/*", "application/*"]:
        with subtests.test(accept=accept):
            address = company.things["cabinet"]
            plain = ok(company.office.get(address))
            asked = ok(company.office.send("GET", address, headers={"Accept": accept}))
            assert (asked.tag == plain.tag) == (asked.text == plain.text)
            assert asked.headers["Content-Type"] == JSON


def test_the_answer_to_a_change_is_what_is_read_next(company: Company) -> None:
    # RFC 9110, section 9.3.4 and 8.8.3: a tag that comes with a change is that of the new representation.
    address = company.things["cabinet"]
    seen = company.office.seen(address)
    changed = ok(company.office.patch(address, {"condition": "dented"}, tag=seen))
    read = ok(company.office.get(address))
    assert (changed.tag, changed.text) == (read.tag, read.text)
    assert changed.tag != seen


def condition_of(reply: Reply) -> str:
    found: str = reply["condition"]
    return found


ACCEPTED_TAGS = ["{tag}", "*", '"other", {tag}', '{tag} , "other"', 'W/"other",{tag}', "  {tag}  "]
REFUSED_TAGS = ['"other"', "W/{tag}", '"other", W/{tag}', "{bare}", '""', '"*"', "W/*", "", ","]


@pytest.mark.parametrize("form", ACCEPTED_TAGS)
def test_a_change_is_made_where_if_match_holds(company: Company, form: str) -> None:
    # RFC 9110, section 13.1.1: true for "*" where there is one, or where one of the list compares strongly.
    address = company.things["cabinet"]
    tag = form.format(tag=company.office.seen(address))
    assert ok(company.office.patch(address, {"condition": "dented"}, tag=tag))["condition"] == "dented"


def test_a_change_is_not_made_where_if_match_does_not_hold(
    company: Company, subtests: pytest.Subtests
) -> None:
    # RFC 9110, section 13.1.1 with 8.8.3.2: weak tags never compare strongly; false is answered 412.
    for form in REFUSED_TAGS:
        with subtests.test(form=form):
            address = company.things["cabinet"]
            seen = company.office.seen(address)
            with nothing_changed():
                reply = company.office.patch(
                    address, {"condition": "dented"}, tag=form.format(tag=seen, bare=seen.strip('"'))
                )
            told(reply, 412, "changed_meanwhile")
            assert company.office.seen(address) == seen


def test_a_read_is_answered_where_if_match_holds(company: Company, subtests: pytest.Subtests) -> None:
    for form in ACCEPTED_TAGS:
        with subtests.test(form=form):
            address = company.things["cabinet"]
            tag = form.format(tag=company.office.seen(address))
            ok(company.office.send("GET", address, headers={"If-Match": tag}))


def test_a_read_is_refused_where_if_match_does_not_hold(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, section 13.1.1 holds for every method.
    for form in ['"other"', "W/{tag}", '"other", W/{tag}']:
        with subtests.test(form=form):
            address = company.things["cabinet"]
            tag = form.format(tag=company.office.seen(address))
            told(company.office.send("GET", address, headers={"If-Match": tag}), 412, "changed_meanwhile")


def test_what_is_known_already_is_not_sent_again(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, section 13.1.2: If-None-Match compares weakly; 15.4.5: 304 has no content, and the fields
    # Cache-Control, ETag and Vary that a 200 would have had.
    for form in [*ACCEPTED_TAGS, "W/{tag}", '"other", W/{tag}']:
        for method in ["GET", "HEAD"]:
            with subtests.test(form=form, method=method):
                address = company.things["cabinet"]
                full = ok(company.office.get(address))
                reply = company.office.send(
                    method, address, headers={"If-None-Match": form.format(tag=full.tag)}
                )
                assert reply.status == 304
                assert reply.text == ""
                assert "Content-Type" not in reply.headers or not reply.headers["Content-Type"]
                for name in ("ETag", "Cache-Control", "Vary"):
                    assert reply.headers[name] == full.headers[name]


def test_what_is_not_known_is_sent(company: Company, subtests: pytest.Subtests) -> None:
    for form in ['"other"', "{bare}", '"*"', ""]:
        with subtests.test(form=form):
            address = company.things["cabinet"]
            seen = company.office.seen(address)
            ok(company.office.get(address, tag=form.format(bare=seen.strip('"'))))


def test_after_a_change_the_old_tag_is_sent_the_new_thing(company: Company) -> None:
    address = company.things["cabinet"]
    seen = company.office.seen(address)
    changed = ok(company.office.patch(address, {"condition": "dented"}, tag=seen))
    assert ok(company.office.get(address, tag=seen))["condition"] == "dented"
    assert company.office.get(address, tag=changed.tag).status == 304


def test_if_match_is_asked_before_if_none_match(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, section 13.2.2, steps 1 and 3.
    for if_match, if_none_match, status in [
        (FOREIGN_TAG, "{tag}", 412),
        (FOREIGN_TAG, FOREIGN_TAG, 412),
        ("{tag}", "{tag}", 304),
        ("{tag}", FOREIGN_TAG, 200),
        ("*", "*", 304),
    ]:
        with subtests.test(if_match=if_match, if_none_match=if_none_match, status=status):
            address = company.things["device"]
            seen = company.office.seen(address)
            headers = {"If-Match": if_match.format(tag=seen), "If-None-Match": if_none_match.format(tag=seen)}
            assert company.office.send("GET", address, headers=headers).status == status


def test_a_change_is_not_made_where_if_none_match_does_not_hold(
    company: Company, subtests: pytest.Subtests
) -> None:
    # RFC 9110, section 13.1.2: the method is not performed; 412 for every method but GET and HEAD.
    for form in ["{tag}", "W/{tag}", "*"]:
        with subtests.test(form=form):
            address = company.things["cabinet"]
            seen = company.office.seen(address)
            headers = {"If-Match": seen, "If-None-Match": form.format(tag=seen)}
            with nothing_changed():
                reply = company.office.send("PATCH", address, body={"condition": "dented"}, headers=headers)
            told(reply, 412, "changed_meanwhile")


def test_conditions_on_a_date_are_passed_over(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, sections 13.1.3 and 13.1.4: ignored where there is no modification date, as here.
    for name in ["If-Unmodified-Since", "If-Modified-Since"]:
        with subtests.test(name=name):
            address = company.things["cabinet"]
            for at in ("Sat, 29 Oct 1994 19:43:31 GMT", "Fri, 29 Oct 2100 19:43:31 GMT", "never"):
                reply = ok(company.office.send("GET", address, headers={name: at}))
                assert "Last-Modified" not in reply.headers


def test_an_unknown_thing_is_404_whatever_the_condition(company: Company) -> None:
    # RFC 9110, section 13.2.1: conditions are asked where the answer without them would be 2xx or 412.
    for condition in ("*", FOREIGN_TAG):
        told(
            company.office.patch(f"cabinets/{new_key()}/", {"condition": "x"}, tag=condition),
            404,
            "not_found",
        )


# --- RFC 9110: methods and content -----------------------------------------------------------------------


LISTS = (
    *("acceptance", "accounts", "assignments", "cabinets", "cabinet-models", "contacts", "depots", "devices"),
    *("device-models", "device-tokens", "entries", "locations", "products", "staff", "tokens"),
    *("kit-parts", "kit-rules", "surveys", "visits"),
)


def lists_and_things(company: Company) -> list[str]:
    return [
        *company.everything.values(),
        *(f"{place}/" for place in LISTS),
        f"locations/{company.world.location.pk}/timeline/",
        f"devices/{company.device}/trace/",
        f"devices/{company.device}/chain/",
        f"devices/{company.device}/chain.csv",
        f"devices/{company.device}/epcis/",
        f"locations/{company.world.location.pk}/epcis/",
        "epcis/?from=2026-01-01T00:00:00Z&to=2026-03-01T00:00:00Z",
        f"devices/suggest/?q={company.serial[:5]}",
        "differences/?from_known=1",
        "fleet/",
        f"day-pack/?day=2026-03-02&location={company.world.location.pk}",
        f"assignments/{company.assignment}/first-readings/",
        f"assignments/{company.assignment}/billing-start/",
        "quarantine/",
        f"readings/?device={company.device}",
        f"accounts/{company.world.account.pk}/fleet/",
        f"identify/?code={company.serial}",
        f"periods/?history=devicewhereabouts&of={company.device}",
        f"periods/devicewhereabouts/{company.assignment}/plan/?withdraw=true",
    ]


def test_head_tells_what_get_tells_without_the_body(company: Company) -> None:
    # RFC 9110, section 9.3.2: the same header fields; no content.
    for address in lists_and_things(company):
        got = ok(company.administrator.get(address))
        head = company.administrator.send("HEAD", address)
        assert (head.status, head.text) == (got.status, "")
        assert head.headers == got.headers, address


METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND")
ALLOWED = {
    "cabinets/": {"GET", "HEAD", "POST"},
    "{cabinet}": {"GET", "HEAD", "PATCH"},
    "{cabinet}move/": {"POST"},
    "{location}timeline/": {"GET", "HEAD"},
    "locations/take-over/": {"POST"},
    "identify/": {"GET", "HEAD"},
    "problems/malformed/": {"GET", "HEAD"},
}


def test_a_method_that_is_unknown_is_answered_with_those_that_are_known(
    company: Company, subtests: pytest.Subtests
) -> None:
    # RFC 9110, section 15.5.6: 405 has Allow; 10.2.1: Allow lists the methods.
    for form in ALLOWED:
        with subtests.test(form=form):
            address = form.format(**company.things)
            for method in METHODS:
                if method in ALLOWED[form]:
                    continue
                with nothing_changed():
                    reply = raw(company, method, address)
                assert reply.status == 405
                if method == "HEAD":
                    assert reply.text == ""
                else:
                    check_problem(reply)
                assert set(reply.headers["Allow"].split(", ")) == ALLOWED[form]


def test_what_is_not_json_is_not_to_be_had(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, section 15.5.7.
    for accept in ["text/html", "application/xml", "image/*", "text/html, application/xml;q=0.9"]:
        with subtests.test(accept=accept):
            for address in lists_and_things(company):
                told(
                    company.administrator.send("GET", address, headers={"Accept": accept}),
                    406,
                    "not_acceptable",
                )
            with nothing_changed():
                reply = company.office.send(
                    "PATCH",
                    company.things["cabinet"],
                    body={"condition": "dented"},
                    headers={"Accept": accept, "If-Match": "*"},
                )
            told(reply, 406, "not_acceptable")


def test_a_body_that_is_not_json_is_not_read(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 9110, section 15.5.16; RFC 5789, section 2.2 for PATCH.
    for kind in [
        "text/plain",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "nonsense",
        "",
    ]:
        with subtests.test(kind=kind):
            body = json.dumps({"condition": "dented"})
            with nothing_changed():
                reply = raw(
                    company, "PATCH", company.things["cabinet"], body, content_type=kind, If_Match="*"
                )
            told(reply, 415, "media_type_unknown")


def test_a_body_that_is_too_large_is_not_read(company: Company) -> None:
    # RFC 9110, section 15.5.14.
    large = settings.DATA_UPLOAD_MAX_MEMORY_SIZE + 1
    with nothing_changed():
        reply = raw(company, "POST", "assignments/", b" " * large)
    told(reply, 413, "too_large")
    # Section 9.3.1: a body of a GET has no meaning, so it is not looked at.
    ok(raw(company, "GET", "assignments/", b" " * large))


def test_every_answer_says_by_what_it_varies(company: Company) -> None:
    # RFC 9110, section 12.5.5: what a cache must compare before it answers for us.
    replies = [company.administrator.get(address) for address in lists_and_things(company)]
    replies += [
        company.office.get("devices/", modle="none"),
        company.office.get(f"devices/{new_key()}/"),
        Person("none").get("devices/"),
        company.office.post("assignments/", new_assignment(company, serial="none")),
        company.office.patch(company.things["cabinet"], {"condition": "dented"}, tag="*"),
    ]
    for reply in replies:
        named = {name.strip().lower() for name in reply.headers["Vary"].split(",")}
        assert {"authorization", "cookie", "accept"} <= named
        # RFC 9111, section 5.2.2: nothing of the register is kept by a cache that others share.
        assert re.search(r"no-store|private", reply.headers["Cache-Control"]), reply.headers


def test_what_was_made_is_told_with_its_address(company: Company) -> None:
    # RFC 9110, section 15.3.2: 201, with Location.
    cabinet = company.world.cabinet()
    reply = made(
        company.office.post("assignments/", new_assignment(company, cabinet=cabinet.pk)), "assignments"
    )
    assert ok(company.office.get(reply.headers["Location"])).text == reply.text


# --- RFC 6585 --------------------------------------------------------------------------------------------


def test_a_change_without_its_condition_is_told_how_to_come_again(company: Company) -> None:
    # RFC 6585, section 3: 428 should explain how to resubmit, and must not be stored by a cache.
    address = company.things["cabinet"]
    body = {"condition": "dented"}
    with nothing_changed():
        reply = told(company.office.patch(address, body), 428, "condition_missing")
    assert "If-Match" in reply["detail"]
    assert "ETag" in reply["detail"]
    assert "no-store" in reply.headers["Cache-Control"]
    # Doing as it says is accepted.
    ok(company.office.patch(address, body, tag=company.office.seen(address)))


CHANGES_OF_A_THING = (
    "{assignment}end/", "{assignment}swap/", "{assignment}correct/", "{assignment}withdraw/",
    "{cabinet}move/", "{cabinet}split/", "{cabinet}scrap/",
    "{device}hand-over/", "{device}repair/", "{device}return/", "{device}lost/", "{device}retire/",
    "{device}confirm/", "{device}merge/", "{device}reject/",
    "{location}state/", "{location}close/", "{location}hand/",
)  # fmt: skip


def test_every_change_of_a_thing_asks_for_its_condition(company: Company, subtests: pytest.Subtests) -> None:
    for form in CHANGES_OF_A_THING:
        with subtests.test(form=form):
            address = form.format(**company.things)
            with nothing_changed():
                told(company.office.post(address), 428, "condition_missing")
                told(company.office.post(address, key=None, tag="*"), 400, "key_missing")


def test_too_many_tries_to_sign_in_are_answered_429(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    # RFC 6585, section 4: 429 may say when to come again, and must not be stored by a cache.
    monkeypatch.setattr(settings, "AXES_ENABLED", True)
    browser = Client()
    tries = [
        browser.post("/console/login/", {"username": "office", "password": f"wrong {number}"})
        for number in range(settings.AXES_FAILURE_LIMIT)
    ]
    assert {answer.status_code for answer in tries[:-1]} == {200}
    assert tries[-1].status_code == 429
    right = browser.post("/console/login/", {"username": "office", "password": "rime-on-the-pier-7"})
    assert right.status_code == 429
    # RFC 9110, section 9.3.3: what answers a POST is stored only where it says for how long it is fresh.
    for answer in (tries[-1], right):
        assert "Expires" not in answer.headers
        assert not re.search("public|max-age", answer.headers.get("Cache-Control", ""))


# --- RFC 8288: links ---------------------------------------------------------------------------------------


def test_the_link_to_the_next_page_leads_to_the_rows_that_follow(company: Company) -> None:
    # RFC 8288, section 3: <URI-Reference>; rel="next"; relative to the address that was asked (3.1).
    for _ in range(3):
        company.world.device()
    everything = [row["id"] for row in company.office.get("devices/").body["results"]]
    found, address, pages = [], "devices/?page_size=2", 0
    while address:
        reply = ok(company.office.get(address))
        found += [row["id"] for row in reply["results"]]
        pages += 1
        link = reply.headers.get("Link")
        match = re.fullmatch(r'<([^<>\s]+)>; rel="next"', link or "")
        assert (link is None) == (match is None)
        assert reply["next"] == (match[1] if match else None)
        address = match[1] if match else ""
    assert pages == 3
    assert found == everything


def test_the_next_page_asks_the_same_question_at_the_same_moment(company: Company) -> None:
    for _ in range(3):
        company.world.device()
    first = ok(company.office.get("devices/", page_size=2, search="PB3", ordering="-serial"))
    company.world.device()  # what is known after the first page is on none of the following
    rest = [row["id"] for page in company.office.pages(first["next"]) for row in page["results"]]
    assert len([*first["results"], *rest]) == 5
    assert ok(company.office.get(first["next"]))["known_index"] == first["known_index"]


# --- draft-ietf-httpapi-idempotency-key-header-07 -------------------------------------------------------


def test_a_repeat_gets_the_stored_answer(company: Company) -> None:
    # Section 2.6: after completion the same key and payload get the stored answer.
    cabinet = company.world.cabinet()
    body, key = new_assignment(company, cabinet=cabinet.pk), f'"{uuid4()}"'
    first = made(company.office.post("assignments/", body, key=key), "assignments")
    for _ in range(2):
        with nothing_changed():
            again = company.office.post("assignments/", body, key=key)
        assert (again.status, again.text) == (first.status, first.text)
        for name in ("ETag", "Location", "Register-Index", "Content-Type"):
            assert again.headers[name] == first.headers[name]


def test_a_repeat_gets_it_although_the_condition_holds_no_more(company: Company) -> None:
    address, key = f"devices/{company.spare}/lost/", f'"{uuid4()}"'
    tag = company.office.seen(f"devices/{company.spare}/")
    body = {"valid_from": company.world.start + 3 * DAY}
    first = ok(company.office.post(address, body, key=key, tag=tag))
    with nothing_changed():
        assert ok(company.office.post(address, body, key=key, tag=tag)).text == first.text


@pytest.mark.parametrize("another", ["body", "address"])
def test_a_key_names_one_request_only(company: Company, another: str) -> None:
    # Section 2.7: the key with another payload is answered 422.
    key = f'"{uuid4()}"'
    body = {"valid_from": company.world.start + 3 * DAY}
    ok(company.office.post(f"devices/{company.spare}/lost/", body, key=key, tag="*"))
    address = f"devices/{company.spare}/{'retire' if another == 'address' else 'lost'}/"
    with nothing_changed():
        reply = company.office.post(
            address, body | ({"reason": "x"} if another == "body" else {}), key=key, tag="*"
        )
    told(reply, 422, "key_reused")
    assert reply["errors"][0]["parameter"] == "Idempotency-Key"


def test_a_key_is_of_one_person(company: Company, api: Api) -> None:
    # Section 5: keys are kept apart by who sends them.
    key = f'"{uuid4()}"'
    body = {"valid_from": company.world.start + 3 * DAY}
    ok(company.office.post(f"devices/{company.spare}/lost/", body, key=key, tag="*"))
    other = company.world.device()
    ok(api.as_(company.world.installer).post(f"devices/{other.pk}/lost/", body, key=key, tag="*"))


def test_a_missing_key_is_a_bad_request(company: Company) -> None:
    # Section 2.7: 400 where the key is required and missing.
    with nothing_changed():
        reply = company.office.post("assignments/", new_assignment(company), key=None)
    told(reply, 400, "key_missing")
    assert "Idempotency-Key" in reply["detail"]


BAD_KEYS = [
    "8e03978e-40d5-43e8-bc93-6894a57f9324",  # a Token of Structured Fields, at best
    '""',
    '"a',
    'a"',
    '"a"b"',
    '"\\x"',  # only a quote and a backslash are escaped: RFC 9651, section 3.3.3
    '"a", "b"',
    '"a";b',
    "'a'",
    '"é"',
    f'"{"k" * 256}"',
    "",
    ":YQ==:",
    "?1",
]


def test_a_key_is_a_string_of_structured_fields(company: Company, subtests: pytest.Subtests) -> None:
    # Section 2.1: Item Structured Header whose value is a String (RFC 9651, section 3.3.3).
    for key in BAD_KEYS:
        with subtests.test(key=key):
            with nothing_changed():
                reply = company.office.post("assignments/", new_assignment(company), key=key)
            assert (reply.status, reply["code"]) == (400, "key_invalid"), reply.text


@pytest.mark.parametrize(
    "key", ['"a"', '"8e03978e-40d5-43e8-bc93-6894a57f9324"', '"a \\" \\\\ b"', f'"{"k" * 255}"']
)
def test_every_proper_string_is_a_key(company: Company, key: str) -> None:
    cabinet = company.world.cabinet()
    body = new_assignment(company, cabinet=cabinet.pk)
    first = made(company.office.post("assignments/", body, key=key), "assignments")
    assert company.office.post("assignments/", body, key=key).text == first.text


def test_a_refusal_is_not_stored(company: Company) -> None:
    # Section 2.6 lets the server store errors or not; ours are answered afresh, so that a mended register
    # can be asked again.
    cabinet, key = company.world.cabinet(), f'"{uuid4()}"'
    refused = new_assignment(company, cabinet=cabinet.pk, serial="nothing")
    told(company.office.post("assignments/", refused, key=key), 422, "serial_invalid")
    made(
        company.office.post("assignments/", new_assignment(company, cabinet=cabinet.pk), key=key),
        "assignments",
    )


# --- RFC 3339 -------------------------------------------------------------------------------------------

# Section 5.6; our times are in UTC.
TIME = re.compile(r"\d{4}-(0[1-9]|1[0-2])-([0-2]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?Z")
TIMES = {"as_of", "valid_from", "valid_to", "occurred_at", "recorded_at", "there_since", "answered_at"}


def leaves(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for inner, deeper in value.items():
            yield from leaves(deeper, inner)
    elif isinstance(value, list):
        for deeper in value:
            yield from leaves(deeper, name)
    else:
        yield name, value


def test_every_time_is_told_in_utc(company: Company) -> None:
    told_times = [
        (name, value)
        for address in lists_and_things(company)
        if not address.endswith(".csv") and "epcis/" not in address  # told as their own standards have it
        for name, value in leaves(company.administrator.get(address).body)
        if value is not None
        and (name in TIMES or name.endswith("_at") or re.match(r"\d{4}-\d\d-\d\dT", str(value)))
    ]
    assert {"as_of", "valid_from", "occurred_at", "there_since"} <= {name for name, _ in told_times}
    for name, value in told_times:
        assert TIME.fullmatch(value), (name, value)
        datetime.fromisoformat(value)


def test_a_time_is_read_as_its_standard_writes_it(company: Company, subtests: pytest.Subtests) -> None:
    for written, meant in [
        # RFC 3339, section 5.8
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000Z"),
        # Section 5.6: T and Z may be small, and a space may stand for T
        ("2026-03-01t08:00:00z", "2026-03-01T08:00:00Z"),
        ("2026-03-01 08:00:00Z", "2026-03-01T08:00:00Z"),
        # Section 4.3: an unknown local offset, the time in UTC known
        ("2026-03-01T08:00:00-00:00", "2026-03-01T08:00:00Z"),
    ]:
        with subtests.test(written=written, meant=meant):
            assert ok(company.office.get("devices/", as_of=written))["as_of"] == meant


def test_what_is_no_time_is_refused(company: Company, subtests: pytest.Subtests) -> None:
    for written in [
        "2026-03-01T08:00:00",  # without an offset it is no time: section 4.4
        "2026-03-01",
        "2026-13-01T08:00:00Z",
        "2026-02-29T08:00:00Z",  # section 5.7
        "2026-03-01T24:00:00Z",
        "2026-03-01T08:60:00Z",
        "2026-03-01T08:00:00+24:00",
        "2026-03-01T08:00:00+0100",
        "20260301T080000Z",
        "2026-W09-7T08:00:00Z",
        "1990-12-31T23:59:60Z",  # a leap second of section 5.8: we have no such moment, and say so
        "0000-01-01T00:00:00Z",
        "0001-01-01T00:00:00+23:59",
        "9999-12-31T23:59:59-23:59",
        "\u0662026-03-01T08:00:00Z",
        "-2026-03-01T08:00:00Z",
        "",
    ]:
        for parameter in ["as_of", "known_at"]:
            with subtests.test(written=written, parameter=parameter):
                told(company.office.get("devices/", **{parameter: written}), 422, "time_invalid")


def test_the_ends_of_all_time_can_be_asked_for(company: Company, subtests: pytest.Subtests) -> None:
    for written in ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999Z"]:
        with subtests.test(written=written):
            for parameter in ("as_of", "known_at"):
                ok(company.office.get("devices/", **{parameter: written}))
            for address in company.things.values():
                reply = company.office.get(address, as_of=written)
                assert reply.status in (200, 404)
            with nothing_changed():
                reply = company.office.post("assignments/", new_assignment(company, valid_from=written))
            assert reply.status in (409, 422)


# --- RFC 6750: bearer tokens ----------------------------------------------------------------------------


def challenged(answer: Any) -> str:
    """Hold that nobody was let in, and return how to sign in."""
    assert answer.status_code == 401
    reply = Reply(answer.status_code, dict(answer.headers), answer.content.decode())
    check_problem(reply)
    assert reply["code"] == "not_signed_in"
    # RFC 9110, section 15.5.2: 401 has at least one challenge.
    challenge = reply.headers["WWW-Authenticate"]
    assert challenge.startswith("Bearer")
    return challenge


def asking(headers: Mapping[str, str], query: Mapping[str, str] | None = None, method: str = "GET") -> Any:
    return Client().generic(method, f"{ROOT}devices/", headers=headers, query_params=query or {})


def test_who_sends_nothing_is_told_how_to_sign_in(company: Company) -> None:
    # RFC 6750, section 3.1: no error code where no token came.
    assert challenged(asking({})) == "Bearer"
    assert challenged(asking({"Authorization": "Basic YWRtaW46YWRtaW4="})) == "Bearer"


def test_a_token_is_sent_in_the_header(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 6750, section 2.1; RFC 9110, section 11.1: the scheme's letters may be of any case.
    for form in ["Bearer {secret}", "bearer {secret}", "BEARER {secret}"]:
        with subtests.test(form=form):
            answer = asking({"Authorization": form.format(secret=company.office.secret)})
            assert answer.status_code == 200


def test_a_token_that_is_not_known_is_told_so(company: Company, subtests: pytest.Subtests) -> None:
    # RFC 6750, section 3.1: invalid_token.
    for form in [
        "Bearer {secret}x",
        "Bearer x{secret}",
        "Bearer {secret} {secret}",
        "Bearer",
        "Bearer \u00e9",
        "Bearer \x00",
    ]:
        with subtests.test(form=form):
            for method in ("GET", "POST"):
                with nothing_changed():
                    answer = asking(
                        {"Authorization": form.format(secret=company.office.secret)}, method=method
                    )
                assert 'error="invalid_token"' in challenged(answer)


def test_a_token_that_expired_or_was_revoked_lets_nobody_in(company: Company) -> None:
    world = company.world
    token, secret = tokens.issue_token(
        world.administrator,
        staff_id=world.office.staff_id,
        name="old phone",
        expires_at=world.clock.at + timedelta(hours=1),
    )
    headers = {"Authorization": f"Bearer {secret}"}
    assert asking(headers).status_code == 200
    began = world.clock.at
    world.clock.at = began + timedelta(hours=1)
    challenged(asking(headers))
    world.clock.at = began
    assert asking(headers).status_code == 200
    tokens.revoke_token(world.administrator, token_id=token.pk)
    challenged(asking(headers))
    assert not ApiToken.objects.filter(digest__contains=secret).exists()


def test_a_token_is_never_taken_from_an_address(company: Company) -> None:
    # RFC 6750, section 2.3 knows it and section 5.3 advises against it: addresses end up in logs.
    challenged(asking({}, {"access_token": company.office.secret}))


def test_tokens_are_as_the_standard_spells_them(company: Company) -> None:
    # RFC 6750, section 2.1: b64token.
    assert re.fullmatch(r"[A-Za-z0-9._~+/-]+=*", company.office.secret)


# --- a register that is busy: real connections, one of which holds the ledger lock -----------------------


@pytest.fixture(scope="module")
def register(request: pytest.FixtureRequest) -> Iterator[Served]:
    """A register that has just begun, served; a writer waits for a second."""
    with served(request.config.getoption("--database"), LOCK_WAIT_S="1") as found:
        yield found


@contextmanager
def lock_of(register: Served) -> Iterator[None]:
    """Write at length, as somebody else would."""
    url = register.environment["RIMEBOOK_DATABASE_URL"]
    if url.startswith("sqlite"):
        other: Any = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
    else:
        other = psycopg.connect(url)
        other.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK_NUMBER])
    try:
        yield
    finally:
        other.rollback()
        other.close()


def test_a_busy_register_says_when_to_come_again_and_a_repeat_overlaps_with_nothing(
    register: Served,
) -> None:
    # RFC 9110, sections 15.5.10 and 10.2.3; the draft, section 2.7: 409 while the first is under way.
    phone = register.phone("hester")
    body, key = {"code": "SD", "name": "Skerrydale"}, f'"{uuid4()}"'
    with lock_of(register):
        busy = phone.post(f"{ROOT}depots/", body, key=key)
    reply = Reply(busy.status, busy.headers, busy.text)
    check_problem(reply)
    told(reply, 409, "register_busy")
    # delay-seconds, or an HTTP-date that we do not send
    assert re.fullmatch(r"[1-9]\d*", reply.headers["Retry-After"])
    assert "no-store" in reply.headers["Cache-Control"]

    def ask() -> tuple[int, str]:
        answer = phone.post(f"{ROOT}depots/", body, key=key)
        return answer.status, answer.text

    with ThreadPoolExecutor(4) as threads:
        with lock_of(register):  # so that all four wait for one another
            asked = [threads.submit(ask) for _ in range(4)]
            time.sleep(0.3)
        answers = {one.result() for one in asked}
    assert len(answers) == 1
    assert {status for status, _ in answers} == {201}
    assert [depot["code"] for depot in phone.get(f"{ROOT}depots/").body["results"]] == ["SD"]


# --- the documentation: Content Security Policy Level 3 ---------------------------------------------------


class Addresses(HTMLParser):
    """Collects what a page loads or leads to, and what is written into it to be run."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.inline: list[str] = []
        self.tag = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tag = tag
        for name, value in attrs:
            if name in ("src", "href", "action", "srcset", "data", "poster") or name.startswith("data-"):
                self.found.append(value or "")
            if name.startswith("on") or name == "style":
                self.inline.append(f"{tag} {name}")

    def handle_data(self, data: str) -> None:
        if self.tag in ("script", "style") and data.strip():
            self.inline.append(data.strip()[:40])


def policy_of(headers: Mapping[str, str]) -> dict[str, list[str]]:
    directives = (words.split() for words in headers["Content-Security-Policy"].split(";") if words.strip())
    return {name: sources for name, *sources in directives}


def test_the_documentation_runs_and_loads_only_what_is_ours(client: Client) -> None:
    page = client.get(f"{ROOT}docs/")
    assert page.status_code == 200
    policy = policy_of(page.headers)
    assert policy["default-src"] == ["'none'"]
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == ["'self'"]
    assert policy["base-uri"] == policy["frame-ancestors"] == ["'none'"]
    for name, sources in policy.items():
        assert set(sources) <= {"'self'", "'none'", "data:"}, name
        assert "data:" not in sources or name == "img-src"
    read = Addresses()
    read.feed(page.content.decode())
    assert read.inline == []
    assert len(read.found) >= 4
    for address in read.found:
        assert re.match(r"/(?!/)", address), address
        if address.startswith(settings.STATIC_URL):
            assert finders.find(address.removeprefix(settings.STATIC_URL)), address
        else:
            assert client.get(address).status_code == 200, address


@contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's browser, ended at once: no two can be driven from one thread."""
    path = shutil.which("chromium")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is missing, and CI skips nothing")
        pytest.skip("NO CHROMIUM ON THIS MACHINE: install Debian's package chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


def test_the_documentation_is_drawn_under_its_policy(register: Served) -> None:
    with chromium() as browser:
        page = browser.new_page()
        wrong: list[str] = []
        asked: list[str] = []
        page.on("console", lambda words: wrong.append(words.text) if words.type == "error" else None)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", lambda one: asked.append(one.url))
        page.add_init_script(
            "window.violations = []; document.addEventListener('securitypolicyviolation',"
            " event => window.violations.push(event.violatedDirective + ' ' + event.blockedURI));"
        )
        page.goto(f"{register.url}{ROOT}docs/")
        page.get_by_role("heading", name="Rimebook").wait_for()
        assert page.locator(".opblock-tag").count() >= len(LISTS)
        page.locator(".opblock-tag", has_text="assignments").click()
        page.locator(".opblock-summary", has_text="Assign a device to a cabinet").click()
        page.get_by_text("Idempotency-Key").first.wait_for()
        page.get_by_text("slot_needs_reason").first.wait_for()  # every refusal is told
        assert page.locator(".errors-wrapper").count() == 0
        assert page.evaluate("window.violations") == []
        assert wrong == []
        assert {address.split("/")[2] for address in asked if not address.startswith("data:")} == {
            f"127.0.0.1:{register.port}"
        }
