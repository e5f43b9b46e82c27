"""What holds of every change alike: once only, only of what its author saw, and nothing of what is hidden."""

from typing import Any
from uuid import uuid4

import pytest
from django.urls import URLPattern

from registry.actions import devices as devices_actions
from registry.api import assignments, cabinets, devices, locations, provisional
from registry.api.urls import urlpatterns
from registry.models import RequestAnswer
from tests.actions.unchanged import nothing_changed, undone
from tests.api.client import Api, Person, changed, ok, one_entry, told
from tests.api.operations import (
    OPERATIONS,
    Operation,
    found_in_the_field,
    office_of_fellgate,
    store_body,
    when,
)
from tests.factories.world import DAY, World

MODULES = {module.__name__ for module in (assignments, cabinets, devices, locations, provisional)}
OF_A_THING = [
    "end", "swap", "correct", "withdraw", "correct-device", "hand-over", "repair", "return", "lost", "retire",
    "confirm", "merge", "reject", "correct-location", "state", "close", "hand", "correct-cabinet", "move",
    "split", "scrap",
]  # fmt: skip
PATCHES = ("correct-device", "correct-location", "correct-cabinet")
POSTS = [name for name in OPERATIONS if name not in PATCHES]


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def tag_of(operation: Operation, asker: Person) -> str | None:
    return asker.seen(operation.thing) if operation.thing else None


def test_every_change_of_these_nouns_stands_in_the_table(world: World) -> None:
    stated = set()
    for make in OPERATIONS.values():
        operation = make(world)
        key = operation.thing.split("/")[1] if operation.thing else None
        stated.add((operation.method, operation.path.replace(key, "<uuid:key>") if key else operation.path))
        assert (operation.thing != "") == (key is not None)
    served = {
        (method.upper(), str(pattern.pattern))
        for pattern in urlpatterns
        if isinstance(pattern, URLPattern)
        and (view := getattr(pattern.callback, "cls", None)) is not None
        and view.__module__ in MODULES
        for method in ("post", "patch", "put", "delete")
        if hasattr(view, method)
    }

    assert stated == served
    assert sorted(OF_A_THING) == sorted(name for name, make in OPERATIONS.items() if make(world).thing)


@pytest.mark.parametrize("name", OPERATIONS)
def test_a_change_is_one_entry_and_is_answered_with_its_index(
    office: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)
    tag = tag_of(operation, office)

    with one_entry(operation.verb):
        reply = operation.send(office, tag)

    assert reply.status in (200, 201), reply.text
    assert reply.headers["Content-Type"] == "application/json"
    assert reply.headers["Cache-Control"] == "no-store"
    assert {word.strip() for word in reply.headers["Vary"].split(",")} >= {"Authorization", "Cookie"}


@pytest.mark.parametrize("name", OPERATIONS)
def test_the_tag_of_an_answer_is_that_of_the_next_reading(office: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    tag = tag_of(operation, office)
    reply = operation.send(office, tag)

    address = reply.headers.get("Location") or operation.shows
    assert ("Location" in reply.headers) == (reply.status == 201 and name != "receive")
    if not address:
        assert "ETag" not in reply.headers
        return
    changed(reply)
    read = ok(office.get(address))
    assert (read.tag, read.text) == (reply.tag, reply.text)
    assert read.headers["Register-Index"] == reply.headers["Register-Index"]
    if operation.thing:
        assert reply.tag != tag


# --- once only -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", POSTS)
def test_a_repeated_request_gets_the_same_answer_and_does_nothing(
    office: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)
    tag = tag_of(operation, office)
    first = operation.send(office, tag, key='"a wish"')
    assert first.status in (200, 201), first.text

    with nothing_changed():
        again = operation.send(office, tag, key='"a wish"')

    assert (again.status, again.text) == (first.status, first.text)
    assert again.headers == first.headers
    assert RequestAnswer.objects.count() == 1


@pytest.mark.parametrize("name", POSTS)
def test_a_key_that_another_request_had_is_refused(office: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    other = OPERATIONS["lost"](world)
    ok(other.send(office, "*", key='"a wish"'))

    with nothing_changed():
        reply = operation.send(office, "*", key='"a wish"')

    told(reply, 422, "key_reused")
    assert reply["errors"][0]["parameter"] == "Idempotency-Key"


@pytest.mark.parametrize("name", POSTS)
def test_a_request_without_a_proper_key_is_refused(office: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)

    with nothing_changed():
        told(operation.send(office, "*", key=None), 400, "key_missing")
        for key in (
            "",
            '""',
            "8e03978e-40d5-43e8-bc93-6894a57f9324",
            '"' + "k" * 256 + '"',
            '"a" "b"',
            "'a'",
        ):
            refused = told(operation.send(office, "*", key=key), 400, "key_invalid")
            assert refused["errors"][0]["parameter"] == "Idempotency-Key"


@pytest.mark.parametrize("name", ["assign", "end", "split", "register"])
def test_a_key_is_as_long_as_255_characters_and_its_owners_own(
    api: Api, office: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)
    longest = '"' + "k" * 255 + '"'
    other = api.as_(world.administrator)
    ok(OPERATIONS["lost"](world).send(other, "*", key=longest))

    with one_entry(operation.verb):
        assert operation.send(office, "*", key=longest).status in (200, 201)


# --- only of what its author saw --------------------------------------------------------------------------


@pytest.mark.parametrize("name", OF_A_THING)
def test_a_change_needs_the_tag_of_what_was_seen(office: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)

    with nothing_changed():
        refused = told(operation.send(office, None), 428, "condition_missing")
        # RFC 6585, section 3: it must not be stored by a cache, and says how to send it again.
        assert refused.headers["Cache-Control"] == "no-store"
        assert "If-Match" in refused["detail"]


@pytest.mark.parametrize("name", OF_A_THING)
def test_a_change_of_what_is_not_as_it_was_seen_is_not_done(office: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    tag = office.seen(operation.thing)
    # RFC 9110, section 13.1.1: strong comparison, so a weak tag never matches.
    another, weak, weak_in_a_list = '"0123456789abcdef0123456789abcdef"', f"W/{tag}", f'"0123", W/{tag}'
    without_quotes, blank, quoted_asterisk = tag.strip('"'), "", '"*"'

    with nothing_changed():
        for wanted in (another, weak, weak_in_a_list, without_quotes, blank, quoted_asterisk):
            reply = told(operation.send(office, wanted), 412, "changed_meanwhile")
            assert reply["errors"][0]["parameter"] == "If-Match"


@pytest.mark.parametrize("name", OF_A_THING)
def test_a_tag_matches_alone_in_a_list_or_as_an_asterisk(office: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    tag = office.seen(operation.thing)

    for wanted in (tag, f'"0123", {tag}', f'W/"0123",{tag} , "4567"', "*"):
        with undone(), one_entry(operation.verb):
            assert operation.send(office, wanted).status in (200, 201), wanted


@pytest.mark.parametrize("name", [name for name in OF_A_THING if name not in ("withdraw", "merge", "reject")])
def test_a_tag_matches_no_more_once_the_thing_was_changed(office: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    tag = office.seen(operation.thing)
    assert operation.send(office, tag).status in (200, 201)

    with nothing_changed():
        told(operation.send(office, tag), 412, "changed_meanwhile")


# --- nothing of what is hidden --------------------------------------------------------------------------


@pytest.mark.parametrize("name", OF_A_THING)
def test_a_change_of_a_hidden_thing_is_answered_as_that_of_an_absent_one(
    api: Api, office: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)
    tag = office.seen(operation.thing)
    other = api.as_(office_of_fellgate(world))
    absent = operation.path.replace(operation.thing.split("/")[1], str(uuid4()))
    body = operation.body
    wrong: list[tuple[Any, str | None, dict[str, Any]]] = [
        *((spoilt, tag, {}) for spoilt in (body, {}, {"no_such_field": 1}, [])),
        *((body, wanted, {}) for wanted in ("*", '"0123"', None)),
    ]
    if operation.method != "PATCH":
        wrong += [(body, tag, {"key": None}), (body, tag, {"key": "unquoted"})]
    wrong.append(([], None, dict(wrong[-1][2])))  # all of it at once

    with nothing_changed():
        for given, wanted, more in wrong:
            hidden = operation.send(other, wanted, given, **more)
            nowhere = operation.send(other, wanted, given, absent, **more)
            told(hidden, 404, "not_found")
            assert (hidden.status, hidden.text) == (nowhere.status, nowhere.text)
            assert hidden.headers == nowhere.headers


@pytest.mark.parametrize("noun", ["assignments", "devices", "locations", "cabinets"])
@pytest.mark.parametrize("asked", [{}, {"as_of": "2026-02-20T00:00:00Z"}, {"known_at": "20"}, {"x": "y"}])
def test_the_reading_of_a_hidden_thing_is_answered_as_that_of_an_absent_one(
    api: Api, world: World, noun: str, asked: dict[str, str]
) -> None:
    device, cabinet = world.device(), world.cabinet()
    key = {
        "assignments": world.assigned(device, cabinet).period,
        "devices": device.pk,
        "locations": world.location.pk,
        "cabinets": cabinet.pk,
    }[noun]
    stories = {"devices": ["", "trace/"], "locations": ["", "timeline/"]}.get(noun, [""])

    for actor in (world.stranger, office_of_fellgate(world)):
        other = api.as_(actor)
        for story in stories:
            hidden = other.get(f"{noun}/{key}/{story}", **asked)
            absent = other.get(f"{noun}/{uuid4()}/{story}", **asked)
            assert hidden.status == (422 if "x" in asked else 404)
            assert (hidden.status, hidden.text) == (absent.status, absent.text)
            assert hidden.headers == absent.headers


def test_a_hidden_thing_named_in_a_body_is_answered_as_an_absent_one(api: Api, world: World) -> None:
    """Everything that a body may name by its key, hidden in Tarnmouth and asked for by Fellgate."""
    other = api.as_(office_of_fellgate(world))
    theirs = world.device(depot=world.fellgate)
    store = world.store(depot=world.fellgate)
    cabinet, empty = world.cabinet(store), world.cabinet(world.fellgate)
    hung = world.assigned(world.device(depot=world.fellgate), cabinet)
    stray = found_in_the_field(world, depot_id=world.fellgate.pk)
    device, hidden_cabinet = world.device(), world.cabinet()
    retired = world.device()
    devices_actions.retire_device(world.office, device_id=retired.pk, valid_from=world.start + 3 * DAY)
    at = {"valid_from": when(world.start + 5 * DAY)}
    come_out = {"devices": "come_out", "devices_to": None}
    out = {"valid_to": at["valid_from"], "end_reason": "fault"}
    named: dict[str, list[tuple[str, dict[str, Any]]]] = {
        str(device.pk): [
            ("assignments/", {"cabinet": cabinet.pk, "device": None, **at}),
            (f"assignments/{hung.period}/swap/", {"device": None, "depot": world.fellgate.pk, **at}),
            (f"devices/{stray.pk}/merge/", {"into": None}),
        ],
        str(retired.pk): [
            ("assignments/", {"cabinet": cabinet.pk, "device": None, **at}),
            (f"devices/{stray.pk}/merge/", {"into": None}),
        ],
        str(hidden_cabinet.pk): [
            ("assignments/", {"cabinet": None, "device": theirs.pk, **at}),
            ("devices/provisional/", {"cabinet": None, **_label(world), **at}),
            (f"assignments/{hung.period}/correct/", {"reason": "so", "facts": {"cabinet": None}}),
        ],
        str(world.tarnmouth.pk): [
            (f"assignments/{hung.period}/end/", {"depot": None, **out}),
            (f"assignments/{hung.period}/swap/", {"device": theirs.pk, "depot": None, **at}),
            (f"devices/{theirs.pk}/hand-over/", {"depot": None, **at}),
            ("devices/", {"devices": [_label(world, evidence=False)], "depot": None, **at}),
            ("devices/provisional/", {"depot": None, **_label(world), **at}),
            (f"cabinets/{empty.pk}/move/", {"depot": None, **at}),
            (f"cabinets/{cabinet.pk}/move/", {"depot": world.fellgate.pk, **come_out, **at}),
            (f"cabinets/{cabinet.pk}/scrap/", {"devices_to": None, **at}),
            ("cabinets/", {"model": world.cove.pk, "asset_tag": "SK-7001", "depot": None, **at}),
            ("locations/", {**store_body(world), "depot": None}),
            (f"locations/{store.pk}/close/", {"cabinets_to": None, **at}),
            (f"locations/{store.pk}/close/", {"cabinets_to": world.fellgate.pk, "devices_to": None, **at}),
        ],
        str(world.location.pk): [
            (f"cabinets/{empty.pk}/move/", {"location": None, **at}),
            ("cabinets/", {"model": world.cove.pk, "asset_tag": "SK-7001", "location": None, **at}),
        ],
    }  # fmt: skip

    for key, requests in named.items():
        for path, body in requests:
            [name] = [name for name, value in _flat(body) if value is None]
            with nothing_changed():
                hidden = other.post(path, _filled(body, key), tag="*")
                absent = other.post(path, _filled(body, str(uuid4())), tag="*")
            told(hidden, 422, "not_found", f"#/{name}")
            assert (hidden.status, hidden.text) == (absent.status, absent.text), path

    body = {"depot": world.tarnmouth.pk}
    hidden = other.patch(f"locations/{store.pk}/", body, tag="*")
    absent = other.patch(f"locations/{store.pk}/", {"depot": uuid4()}, tag="*")
    told(hidden, 422, "not_found", "#/depot")
    assert hidden.text == absent.text


def _label(world: World, *, evidence: bool = True) -> dict[str, Any]:
    label = {"model": world.plumb_3.pk, "serial": world.serial()}
    return label | {"evidence": "no papers"} if evidence else label


def _flat(body: dict[str, Any]) -> list[tuple[str, Any]]:
    return [
        (f"{name}/{inner}" if inner else name, value)
        for name, given in body.items()
        for inner, value in (given.items() if isinstance(given, dict) else [("", given)])
    ]


def _filled(body: dict[str, Any], key: str) -> dict[str, Any]:
    return {
        name: key if value is None else _filled(value, key) if isinstance(value, dict) else value
        for name, value in body.items()
    }
