"""Contacts over HTTP: seen by who sees the store, corrected, erased; their words are kept nowhere else."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import locations
from registry.models import ContactText, RequestAnswer
from tests.actions.unchanged import dump, nothing_changed
from tests.api.client import Api, Person, changed, made, ok, one_entry, told
from tests.api.noun_operations import contact
from tests.api.operations import office_of_fellgate
from tests.factories.world import World


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def tables_with(words: str) -> set[str]:
    """Return the tables of the register in which some words stand, however they are written."""
    return {table for table, rows in dump().items() if words in repr(rows)}


def test_a_contact_is_added_and_shown_with_its_store(office: Person, world: World) -> None:
    body = {
        "location": str(world.location.pk),
        "name": "Wren Hollis",
        "phone": "0100 0456",
        "email": "wren@lantern.example",
        "note": "back door, mornings",
    }

    with one_entry("contact.registered") as written:
        reply = made(office.post("contacts/", body), "contacts")

    assert reply.body == {
        "id": reply["id"],
        "location": str(world.location.pk),
        "location_name": "Harbour Road 0042, Tarnmouth",
        "erased": False,
        **{name: body[name] for name in ("name", "phone", "email", "note")},
    }
    assert "Wren" not in written[0].body


@pytest.mark.parametrize(
    ("wrong", "status", "code", "pointer"),
    [
        ({"location": str(uuid4())}, 422, "not_found", "#/location"),
        ({"name": ""}, 422, "text_invalid", "#/name"),
        ({"name": "Wren\u202eHollis"}, 422, "text_invalid", "#/name"),
        ({"name": None}, 422, "value_invalid", "#/name"),
        ({"phone": 1000456}, 422, "value_invalid", "#/phone"),
        ({"note": "x" * 201}, 422, "text_invalid", "#/note"),
        ({"fax": "0100"}, 422, "value_invalid", "#/fax"),
    ],
)
def test_a_contact_that_cannot_be_is_refused_where_it_stands(
    office: Person, world: World, wrong: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    body = {"location": str(world.location.pk), "name": "Wren Hollis", **wrong}
    with nothing_changed():
        told(office.post("contacts/", body), status, code, pointer)


def test_of_a_corrected_contact_what_is_left_out_stays(office: Person, world: World) -> None:
    path = f"contacts/{contact(world).pk}/"

    with one_entry("contact.corrected"):
        reply = changed(office.patch(path, {"email": "t@lantern.example"}, tag=office.seen(path)))
    assert (reply["name"], reply["phone"], reply["email"]) == (
        "Tamsin Reeve",
        "0100 0123",
        "t@lantern.example",
    )
    reply = changed(office.patch(path, {"phone": ""}, tag=reply.tag))
    assert (reply["name"], reply["phone"]) == ("Tamsin Reeve", "")
    with nothing_changed():
        told(office.patch(path, {"name": " "}, tag="*"), 422, "text_invalid", "#/name")
        told(office.patch(path, {"location": str(world.location.pk)}, tag="*"), 422, "value_invalid")


def test_an_erased_contact_shows_no_text_and_takes_none(office: Person, world: World) -> None:
    other = contact(world, "Joss Marram")
    path = f"contacts/{contact(world).pk}/"

    with one_entry("contact.erased") as written:
        reply = changed(office.post(f"{path}erase/", {"reason": "as asked"}, tag=office.seen(path)))

    assert (reply["erased"], written[0].reason) == (True, "as asked")
    assert [reply[name] for name in ("name", "phone", "email", "note")] == [""] * 4
    with nothing_changed():
        told(office.post(f"{path}erase/", {}, tag="*"), 409, "nothing_changes")
        told(office.patch(path, {"name": "Tamsin"}, tag="*"), 409, "nothing_changes")
    assert [row["name"] for row in office.rows("contacts/", erased=False)] == ["Joss Marram"]
    assert [row["id"] for row in office.rows("contacts/", erased=True)] == [reply["id"]]
    assert ok(office.get(f"contacts/{other.pk}/"))["name"] == "Joss Marram"


def test_the_words_of_a_contact_stand_nowhere_but_in_its_text_and_the_kept_answer(
    office: Person, world: World
) -> None:
    body = {"location": str(world.location.pk), "name": "Quill Ottery", "note": "asks for Sorrel"}
    reply = made(office.post("contacts/", body, key='"first"'), "contacts")
    path = f"contacts/{reply['id']}/"
    ok(office.patch(path, {"note": "asks for Bracken"}, tag=reply.tag))

    for words in ("Quill Ottery", "Sorrel", "Bracken"):
        found = tables_with(words)
        assert "registry_contacttext" in found
        assert found <= {"registry_contacttext", "registry_requestanswer"}
    assert [str(kept.contact_id) for kept in RequestAnswer.objects.all()] == [reply["id"]]

    ok(office.post(f"{path}erase/", {}, tag="*", key='"last"'))

    for words in ("Quill Ottery", "Sorrel", "Bracken"):
        assert tables_with(words) == set()
    assert [kept.key for kept in RequestAnswer.objects.all()] == ["last"]
    assert ContactText.objects.count() == 2


def test_a_contact_is_seen_by_all_who_see_the_store_and_by_nobody_else(api: Api, world: World) -> None:
    key = contact(world).pk
    store = world.store(depot=world.fellgate)
    theirs = contact(world, "Joss Marram", store)

    for actor in (world.office, world.auditor, world.administrator):
        rows = api.as_(actor).rows("contacts/")
        assert [row["name"] for row in rows] == ["Tamsin Reeve", "Joss Marram"]
    assert [row["name"] for row in api.as_(world.installer).rows("contacts/")] == ["Tamsin Reeve"]
    for actor in (world.stranger, office_of_fellgate(world)):
        other = api.as_(actor)
        assert [row["id"] for row in other.rows("contacts/")] == [str(theirs.pk)]
        assert other.rows("contacts/", location=world.location.pk) == []
        hidden, absent = other.get(f"contacts/{key}/"), other.get(f"contacts/{uuid4()}/")
        told(hidden, 404, "not_found")
        assert (hidden.text, hidden.headers) == (absent.text, absent.headers)

    locations.correct_location(
        world.office, location_id=store.pk, particulars={"depot_id": world.tarnmouth.pk}
    )
    assert len(api.as_(world.installer).rows("contacts/", location=store.pk)) == 1
    told(api.as_(world.stranger).get(f"contacts/{theirs.pk}/"), 404, "not_found")


def test_nobody_is_added_to_a_hidden_store(api: Api, world: World) -> None:
    other = api.as_(office_of_fellgate(world))

    with nothing_changed():
        hidden = other.post("contacts/", {"location": str(world.location.pk), "name": "Wren"})
        absent = other.post("contacts/", {"location": str(uuid4()), "name": "Wren"})

    told(hidden, 422, "not_found", "#/location")
    assert hidden.text == absent.text
