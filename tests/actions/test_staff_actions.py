"""People through their actions."""

import json
from typing import Any
from uuid import uuid4

import pytest
from django.contrib.auth.backends import ModelBackend
from django.contrib.auth.hashers import identify_hasher

from registry.actions import staff
from registry.actions._action import Actor
from registry.models import Entry, Staff, StaffDepot
from registry.rules.commitments import commitment
from tests.actions.unchanged import nothing_changed, refused, undone
from tests.factories.world import PASSWORD, World, person


def add(world: World, **changes: Any) -> Staff:
    given = {"username": "wren", "name": "Wren Saltmarsh", "password": PASSWORD, "role": "installer"}
    return staff.add_staff(world.administrator, **(given | changes))


def depots(somebody: Staff) -> set[str]:
    return {grant.depot.code for grant in StaffDepot.objects.current().filter(staff=somebody)}


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"username": "OFFICE"}, "code_taken", "username"),
        ({"username": "wren s"}, "text_invalid", "username"),
        ({"username": "\u0130" * 40}, "text_invalid", "username"),  # longer once in lower case
        ({"name": " "}, "text_invalid", "name"),
        ({"password": "short"}, "value_invalid", "password"),
        ({"password": "password1234"}, "value_invalid", "password"),
        ({"role": "captain"}, "value_invalid", "role"),
        ({"depots": [uuid4()]}, "not_found", "depots"),
        ({"depots": [uuid4()] * 201}, "value_invalid", "depots"),
    ],
)
def test_a_person_with_one_wrong_particular_is_not_let_in(
    world: World, changes: dict[str, Any], code: str, field: str
) -> None:
    with refused(code, field):
        add(world, **changes)
    somebody = add(world, username="Wren", depots=[world.tarnmouth.pk, world.fellgate.pk, world.tarnmouth.pk])
    assert (somebody.username, somebody.role, somebody.is_active) == ("wren", "installer", True)
    assert depots(somebody) == {"TM", "FG"}
    assert somebody.check_password(PASSWORD)


def test_a_persons_name_and_password_never_enter_the_ledger(world: World) -> None:
    somebody = add(world)
    staff.set_password(world.administrator, staff_id=somebody.pk, password="another-tide-8")
    somebody.refresh_from_db()
    assert somebody.check_password("another-tide-8")
    assert somebody.name_commitment == commitment(bytes(somebody.name_salt), "Wren Saltmarsh")
    bodies = " ".join(Entry.objects.values_list("body", flat=True))
    assert somebody.name_commitment in bodies
    for secret in ("Wren", "wren", somebody.password, bytes(somebody.name_salt).hex()):
        assert secret not in bodies
    labels = Entry.objects.latest("index").subjects.values_list("label", flat=True)
    assert list(labels) == [f"staff member {str(somebody.pk)[-6:]}"]


def test_a_password_that_is_easy_to_guess_is_not_set(world: World) -> None:
    somebody = add(world)
    for password in ("short", "password1234"):
        with refused("value_invalid", "password"):
            staff.set_password(world.administrator, staff_id=somebody.pk, password=password)
    with refused("not_found", "staff"):
        staff.set_password(world.administrator, staff_id=uuid4(), password="another-tide-8")
    staff.set_password(world.administrator, staff_id=somebody.pk, password="another-tide-8")


def test_an_entry_names_its_author_by_key_and_commitment(world: World) -> None:
    add(world)
    entry = Entry.objects.latest("index")
    author = Staff.objects.get(pk=world.administrator.staff_id)
    body = json.loads(entry.body)
    assert (entry.staff_id, body["staff"]) == (author.pk, str(author.pk))
    assert body["name_commitment"] == author.name_commitment


def test_a_role_changes_to_another_that_there_is(world: World) -> None:
    somebody = add(world)

    def change(role: str, key: Any = somebody.pk) -> Staff:
        return staff.change_role(world.administrator, staff_id=key, role=role)

    with refused("value_invalid", "role"):
        change("captain")
    with refused("nothing_changes"):
        change("installer")
    with refused("not_found", "staff"):
        change("office", uuid4())
    assert change("office").role == "office"


def test_depots_change_to_exactly_those_named(world: World) -> None:
    somebody = add(world, depots=[world.tarnmouth.pk])
    tm, fg = world.tarnmouth.pk, world.fellgate.pk

    def change(*keys: Any, staff_id: Any = somebody.pk, everywhere: bool = False) -> Staff:
        return staff.change_depots(world.administrator, staff_id=staff_id, depots=keys, everywhere=everywhere)

    with refused("nothing_changes", "depots"):
        change(tm)
    with refused("not_found", "depots"):
        change(tm, uuid4())
    with refused("value_invalid", "depots"):
        change(*[tm] * 201)
    with refused("not_found", "staff"):
        change(fg, staff_id=uuid4())
    with undone():
        assert change(tm, everywhere=True).everywhere
        assert depots(somebody) == {"TM"}
        with refused("nothing_changes", "depots"):
            change(tm, everywhere=True)
        assert not change(tm).everywhere
    change(fg)
    assert depots(somebody) == {"FG"}
    change(tm, fg)
    assert depots(somebody) == {"TM", "FG"}
    change()
    assert depots(somebody) == set()


def test_a_depot_given_or_taken_counts_from_the_next_entry_on(world: World) -> None:
    office = person(world, "office", world.tarnmouth)

    def close() -> object:
        from registry.actions import locations

        return locations.correct_location(
            office, location_id=world.location.pk, particulars={"region": f"R{Entry.objects.count()}"}
        )

    close()
    staff.change_depots(world.administrator, staff_id=office.staff_id, depots=[world.fellgate.pk])
    with refused("not_found", "location"):
        close()
    staff.change_depots(world.administrator, staff_id=office.staff_id, depots=[], everywhere=True)
    close()


def test_somebody_remains_who_can_hand_out_roles(world: World) -> None:
    first = world.administrator

    def demote(who: Actor, by: Actor = first) -> Staff:
        return staff.change_role(by, staff_id=who.staff_id, role="office")

    def deactivate(who: Actor, by: Actor = first) -> Staff:
        return staff.deactivate_staff(by, staff_id=who.staff_id)

    with refused("last_administrator", "staff"):
        demote(first)
    with refused("last_administrator", "staff"):
        deactivate(first)
    with refused("nothing_changes"):
        staff.change_role(first, staff_id=first.staff_id, role="administrator")
    second = person(world, "administrator")
    with undone():
        demote(first)
    with undone():
        deactivate(first, second)
        with refused("last_administrator", "staff"):
            demote(second, second)
    deactivate(second)
    with refused("last_administrator", "staff"):  # one who has left does not count
        demote(first)
    demote(second)


def test_a_person_leaves_and_comes_back(world: World) -> None:
    somebody = add(world)

    def leave(key: Any = somebody.pk) -> Staff:
        return staff.deactivate_staff(world.administrator, staff_id=key)

    def come_back(key: Any = somebody.pk) -> Staff:
        return staff.reactivate_staff(world.administrator, staff_id=key)

    with refused("nothing_changes"):
        come_back()
    with refused("not_found", "staff"):
        leave(uuid4())
    with refused("not_found", "staff"):
        come_back(uuid4())
    assert not leave().is_active
    with refused("nothing_changes"):
        leave()
    assert come_back().is_active


def test_a_sign_in_writes_nothing_even_where_passwords_are_digested_otherwise_by_now(
    world: World, settings: Any
) -> None:
    somebody = add(world)
    assert identify_hasher(somebody.password).algorithm == "md5"
    settings.PASSWORD_HASHERS = [
        "django.contrib.auth.hashers.ScryptPasswordHasher",
        "django.contrib.auth.hashers.MD5PasswordHasher",
    ]
    # A write here would be one outside any action, which this suite and the database's guards refuse.
    with nothing_changed():
        assert somebody.check_password(PASSWORD)
        assert not somebody.check_password(PASSWORD + "x")
        assert ModelBackend().authenticate(None, username="wren", password=PASSWORD) == somebody
        assert ModelBackend().authenticate(None, username="wren", password="wrong") is None
    staff.set_password(world.administrator, staff_id=somebody.pk, password="another-tide-8")
    somebody.refresh_from_db()
    assert identify_hasher(somebody.password).algorithm == "scrypt"
    assert somebody.check_password("another-tide-8")
