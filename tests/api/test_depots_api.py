"""Depots over HTTP: only a person's own are seen."""

from uuid import uuid4

import pytest

from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, changed, made, ok, one_entry, told
from tests.api.operations import office_of_fellgate
from tests.factories.world import World, person


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def test_a_depot_is_registered_and_corrected(office: Person, world: World) -> None:
    with one_entry("depot.registered"):
        reply = made(office.post("depots/", {"code": "007", "name": "Skerrydale"}), "depots")
    assert reply.body == {"id": reply["id"], "code": "007", "name": "Skerrydale"}

    with one_entry("depot.corrected") as written:
        reply = changed(
            office.patch(
                f"depots/{reply['id']}/", {"name": "Skerry Dale", "reason": "as signed"}, tag=reply.tag
            )
        )
    assert (reply["code"], reply["name"], written[0].reason) == ("007", "Skerry Dale", "as signed")


def test_a_depot_that_cannot_be_is_refused_where_it_stands(office: Person, world: World) -> None:
    path = f"depots/{world.fellgate.pk}/"
    with nothing_changed():
        told(office.post("depots/", {"code": "TM", "name": "Another"}), 409, "code_taken", "#/code")
        told(office.post("depots/", {"code": "X"}), 422, "value_invalid", "#/name")
        told(office.post("depots/", {"code": "X Y", "name": "Z"}), 422, "text_invalid", "#/code")
        told(office.patch(path, {"code": "TM"}, tag="*"), 409, "code_taken", "#/code")
        told(office.patch(path, {"code": "FG"}, tag="*"), 409, "nothing_changes")
        told(office.patch(path, {"name": ""}, tag="*"), 422, "text_invalid", "#/name")


def test_a_person_sees_the_depots_that_are_given_to_them(api: Api, world: World) -> None:
    for actor, codes in (
        (world.office, ["FG", "TM"]),
        (world.auditor, ["FG", "TM"]),
        (world.installer, ["TM"]),
        (world.stranger, ["FG"]),
        (person(world, "auditor"), []),
    ):
        assert [row["code"] for row in api.as_(actor).rows("depots/")] == codes

    other = api.as_(world.stranger)
    hidden, absent = other.get(f"depots/{world.tarnmouth.pk}/"), other.get(f"depots/{uuid4()}/")
    told(hidden, 404, "not_found")
    assert (hidden.text, hidden.headers) == (absent.text, absent.headers)


def test_somebody_of_one_depot_registers_another_and_is_told_of_it_once(api: Api, world: World) -> None:
    other = api.as_(office_of_fellgate(world))

    with one_entry("depot.registered"):
        reply = made(other.post("depots/", {"code": "SD", "name": "Skerrydale"}), "depots")

    assert reply["code"] == "SD"
    told(other.get(f"depots/{reply['id']}/"), 404, "not_found")
    assert ok(api.as_(world.office).get(f"depots/{reply['id']}/")).tag == reply.tag


def test_depots_are_found_by_words(office: Person) -> None:
    assert [row["code"] for row in office.rows("depots/", search="gate")] == ["FG"]
    assert [row["code"] for row in office.rows("depots/", search="tm")] == ["TM"]
    assert office.rows("depots/", search="tm gate") == []
