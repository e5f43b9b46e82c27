"""What holds alike of every change of accounts, contacts, the catalogue, people, tokens and periods."""

import re
from uuid import uuid4

import pytest
from django.urls import URLPattern

from registry.api import (
    acceptance,
    accounts,
    cabinet_models,
    contacts,
    depots,
    device_models,
    device_tokens,
    entries,
    periods,
    products,
    staff,
    tokens,
)
from registry.api.urls import urlpatterns
from registry.models import RequestAnswer
from tests.actions.unchanged import nothing_changed, undone
from tests.api.client import Api, Person, changed, ok, one_entry, told
from tests.api.noun_operations import OPERATIONS
from tests.api.operations import Operation, office_of_fellgate
from tests.factories.world import World

MODULES = {
    module.__name__
    for module in (
        acceptance,
        accounts,
        cabinet_models,
        contacts,
        depots,
        device_models,
        device_tokens,
        entries,
        periods,
        products,
        staff,
        tokens,
    )
}
NEW = (
    "register-account",
    "register-contact",
    "register-depot",
    "register-cabinet-model",
    "register-device-model",
    "register-product",
    "add-staff",
    "issue-token",
    "issue-device-token",
    "check-installation",
)
OF_A_THING = [name for name in OPERATIONS if name not in NEW]
OF_A_DEPOT = ["correct-contact", "erase-contact", "correct-depot", "correct-period", "withdraw-period"]
PATCHES = [name for name in OF_A_THING if name.startswith("correct-") and name != "correct-period"]
POSTS = [name for name in OPERATIONS if name not in PATCHES]
UUID_IN = re.compile("[0-9a-f-]{36}")
SECRET = ("issue-token", "issue-device-token")  # what is made is answered with a secret, once
SAME_TAG = ("set-password",)  # nothing of a password is shown


@pytest.fixture
def administrator(api: Api, world: World) -> Person:
    return api.as_(world.administrator)


def tag_of(operation: Operation, asker: Person) -> str | None:
    return asker.seen(operation.thing) if operation.thing else None


def key_in(operation: Operation) -> str:
    return operation.thing.strip("/").rsplit("/", 1)[1]


def test_every_change_of_these_nouns_stands_in_the_table(world: World) -> None:
    stated = set()
    for name, make in OPERATIONS.items():
        with undone():
            operation = make(world)
        path = UUID_IN.sub("<uuid:key>", operation.path)
        path = path.replace(key_in(operation), "<uuid:key>") if operation.thing else path
        stated.add((operation.method, path.replace("locationstate", "<str:history>")))
        assert (operation.thing == "") == (name in NEW)
        assert (operation.method == "PATCH") == (name in PATCHES)
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


@pytest.mark.parametrize("name", OPERATIONS)
def test_a_change_is_one_entry_and_its_answer_is_what_is_read_next(
    administrator: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)
    tag = tag_of(operation, administrator)

    with one_entry(operation.verb) as written:
        reply = operation.send(administrator, tag)

    assert reply.status == (201 if name in NEW else 200), reply.text
    assert reply.headers["Register-Index"] == str(written[0].index)
    assert reply.headers["Cache-Control"] == "no-store"
    assert ("Location" in reply.headers) == (name in NEW)
    assert (written[0].face, written[0].staff_id) == ("api", world.administrator.staff_id)
    if name in SECRET:
        assert set(ok(administrator.get(reply.headers["Location"])).body) == set(reply.body) - {
            "secret",
            "words",
        }
        return
    address = reply.headers.get("Location") or operation.shows
    if not address:
        assert "ETag" not in reply.headers
        return
    changed(reply)
    read = ok(administrator.get(address))
    assert (read.tag, read.text) == (reply.tag, reply.text)
    assert (reply.tag == tag) == (name in SAME_TAG)


@pytest.mark.parametrize("name", POSTS)
def test_a_repeated_request_does_nothing_and_without_a_key_it_is_refused(
    administrator: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)
    tag = tag_of(operation, administrator)
    with nothing_changed():
        told(operation.send(administrator, tag, key=None), 400, "key_missing")
        told(operation.send(administrator, tag, key="unquoted"), 400, "key_invalid")
    first = operation.send(administrator, tag, key='"a wish"')
    assert first.status in (200, 201), first.text

    with nothing_changed():
        again = operation.send(administrator, tag, key='"a wish"')
        other = administrator.post("depots/", {"code": "ZZ", "name": "Zest"}, key='"a wish"')
        told(other, 422, "key_reused")

    assert (again.status, again.headers) == (first.status, first.headers)
    if name not in SECRET:
        assert again.text == first.text
    assert RequestAnswer.objects.count() == 1


@pytest.mark.parametrize("name", OF_A_THING)
def test_a_change_is_made_only_of_what_was_seen(administrator: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    tag = administrator.seen(operation.thing)

    with nothing_changed():
        told(operation.send(administrator, None), 428, "condition_missing")  # RFC 6585, section 3
        # RFC 9110, section 13.1.1: strong comparison, so a weak tag never matches.
        for wanted in ('"0123456789abcdef0123456789abcdef"', f"W/{tag}", tag.strip('"')):
            told(operation.send(administrator, wanted), 412, "changed_meanwhile")
    for wanted in (tag, f'"0123", {tag}', "*"):
        with undone(), one_entry(operation.verb):
            ok(operation.send(administrator, wanted))


@pytest.mark.parametrize("name", OF_A_THING)
def test_a_change_of_an_absent_thing_is_not_found(administrator: Person, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    absent = operation.path.replace(key_in(operation), str(uuid4()))

    with nothing_changed():
        told(operation.send(administrator, "*", path=absent), 404, "not_found")
        told(operation.send(administrator, "*", {}, path=absent), 404, "not_found")


@pytest.mark.parametrize("name", OF_A_DEPOT)
def test_a_change_of_a_hidden_thing_is_answered_as_that_of_an_absent_one(
    api: Api, administrator: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)
    tag = administrator.seen(operation.thing)
    other = api.as_(office_of_fellgate(world))
    absent = operation.path.replace(key_in(operation), str(uuid4()))

    for body in (operation.body, {}, {"no_such_field": 1}):
        for wanted in (tag, "*", '"0123"', None):
            with nothing_changed():
                hidden = operation.send(other, wanted, body)
                nowhere = operation.send(other, wanted, body, absent)
            told(hidden, 404, "not_found")
            assert (hidden.status, hidden.text, hidden.headers) == (
                nowhere.status,
                nowhere.text,
                nowhere.headers,
            )
    hidden = told(other.get(operation.thing), 404, "not_found")
    nowhere = other.get(operation.thing.replace(key_in(operation), str(uuid4())))
    assert (hidden.text, hidden.headers) == (nowhere.text, nowhere.headers)


@pytest.mark.parametrize("name", OPERATIONS)
def test_an_auditor_changes_nothing_and_is_told_who_can(api: Api, world: World, name: str) -> None:
    operation = OPERATIONS[name](world)
    auditor = api.as_(world.auditor)

    with nothing_changed():
        reply = told(operation.send(auditor, "*"), 403, "role_forbids")

    assert "administrator" in reply["detail"]


@pytest.mark.parametrize("name", OPERATIONS)
def test_a_field_that_there_is_not_is_refused_where_it_stands(
    administrator: Person, world: World, name: str
) -> None:
    operation = OPERATIONS[name](world)

    with nothing_changed():
        reply = operation.send(administrator, "*", {**operation.body, "colour": "blue"})

    told(reply, 422, "value_invalid", "#/colour")
