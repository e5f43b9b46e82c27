"""Staff over HTTP: let in, given a role and depots, sent away; passwords go in and never come out."""

import hashlib
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.utils.crypto import salted_hmac

from registry.models import RequestAnswer, Staff
from tests.actions.unchanged import dump, nothing_changed
from tests.api.client import ROOT, Api, Person, Reply, changed, made, ok, one_entry, tables_read, told
from tests.api.noun_operations import PASSWORD
from tests.factories.world import World, person


@pytest.fixture
def administrator(api: Api, world: World) -> Person:
    return api.as_(world.administrator)


def wren(world: World, **more: Any) -> dict[str, Any]:
    return {
        "username": "Wren",
        "name": "Wren Hollis",
        "password": PASSWORD,
        "role": "installer",
        "depots": [str(world.tarnmouth.pk)],
        **more,
    }


def change(asker: Person, key: Any, what: str, **body: Any) -> Reply:
    """Change a person as they stand."""
    return asker.post(f"staff/{key}/{what}/", body, tag=asker.seen(f"staff/{key}/"))


# --- let in ----------------------------------------------------------------------------------------------


def test_a_person_is_let_in_with_a_role_and_depots(administrator: Person, world: World) -> None:
    with one_entry("staff.added") as written:
        reply = made(administrator.post("staff/", wren(world)), "staff")

    assert reply.body == {
        "id": reply["id"],
        "username": "wren",
        "name": "Wren Hollis",
        "role": "installer",
        "active": True,
        "everywhere": False,
        "depots": [{"id": str(world.tarnmouth.pk), "code": "TM", "name": "Tarnmouth"}],
    }
    assert "Wren" not in written[0].body
    assert Staff.objects.get(pk=reply["id"]).check_password(PASSWORD)


@pytest.mark.parametrize(
    ("wrong", "status", "code", "pointer"),
    [
        ({"username": "installer"}, 409, "code_taken", "#/username"),
        ({"username": "wren hollis"}, 422, "text_invalid", "#/username"),
        ({"name": ""}, 422, "text_invalid", "#/name"),
        ({"password": "brine"}, 422, "value_invalid", "#/password"),
        ({"password": "password1234"}, 422, "value_invalid", "#/password"),
        ({"password": None}, 422, "value_invalid", "#/password"),
        ({"role": "captain"}, 422, "value_invalid", "#/role"),
        ({"depots": [str(uuid4())]}, 422, "not_found", "#/depots"),
        ({"depots": ["TM"]}, 422, "value_invalid", "#/depots/0"),
        ({"depots": "TM"}, 422, "value_invalid", "#/depots"),
        ({"everywhere": "yes"}, 422, "value_invalid", "#/everywhere"),
    ],
)
def test_a_person_who_cannot_be_is_refused_where_it_stands(
    administrator: Person, world: World, wrong: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    with nothing_changed():
        reply = told(administrator.post("staff/", wren(world, **wrong)), status, code, pointer)
    assert str(wrong.get("password") or PASSWORD) not in reply.text


def test_a_password_is_kept_as_its_digest_alone_and_shown_to_nobody(
    administrator: Person, world: World
) -> None:
    body = wren(world)
    reply = made(administrator.post("staff/", body, key='"first"'), "staff")
    other = PASSWORD + "-again"
    with one_entry("staff.password_set"):
        reset = changed(
            administrator.post(
                f"staff/{reply['id']}/password/", {"password": other}, tag=reply.tag, key='"second"'
            )
        )

    for answer in (reply, reset, administrator.get("staff/"), administrator.get(f"staff/{reply['id']}/")):
        assert PASSWORD not in answer.text
        assert "password" not in answer.text
    everything = repr(dump())
    assert PASSWORD not in everything
    them = Staff.objects.get(pk=reply["id"])
    assert them.check_password(other)
    assert not them.check_password(PASSWORD)
    with nothing_changed():
        told(
            administrator.post(f"staff/{them.pk}/password/", {"password": "x"}, tag="*"),
            422,
            "value_invalid",
            "#/password",
        )


def test_what_is_kept_of_a_request_with_a_password_gives_nobody_a_way_to_try_for_it(
    administrator: Person, world: World
) -> None:
    key = world.installer.staff_id
    ok(administrator.post(f"staff/{key}/password/", {"password": PASSWORD}, tag="*", key='"a wish"'))

    # What somebody could compute who reads the table and guesses the password.
    guess = f'POST\n{ROOT}staff/{key}/password/\n{{"password": "{PASSWORD}"}}'.encode()
    [kept] = RequestAnswer.objects.all()
    assert len(bytes(kept.digest)) == 32
    assert bytes(kept.digest) != hashlib.sha256(guess).digest()
    # It is this very text, under the server's own key.
    assert bytes(kept.digest) == salted_hmac("registry.api.request", guess, algorithm="sha256").digest()
    told(
        administrator.post(f"staff/{key}/password/", {"password": PASSWORD + "x"}, tag="*", key='"a wish"'),
        422,
        "key_reused",
    )


# --- changed ---------------------------------------------------------------------------------------------


def test_a_person_gets_another_role(administrator: Person, world: World) -> None:
    key = world.installer.staff_id

    with one_entry("staff.role_changed") as written:
        assert (
            changed(change(administrator, key, "role", role="office", reason="moved up"))["role"] == "office"
        )

    assert written[0].reason == "moved up"
    with nothing_changed():
        told(change(administrator, key, "role", role="office"), 409, "nothing_changes")
        told(change(administrator, key, "role", role="captain"), 422, "value_invalid", "#/role")
        told(change(administrator, key, "role"), 422, "value_invalid", "#/role")


def test_a_person_gets_exactly_the_depots_that_are_named_or_all(
    api: Api, administrator: Person, world: World
) -> None:
    key, installer = world.installer.staff_id, api.as_(world.installer)
    assert [row["code"] for row in installer.rows("depots/")] == ["TM"]

    with one_entry("staff.depots_changed"):
        reply = changed(change(administrator, key, "depots", depots=[str(world.fellgate.pk)]))
    assert [depot["code"] for depot in reply["depots"]] == ["FG"]
    assert [row["code"] for row in installer.rows("depots/")] == ["FG"]

    both = [str(world.tarnmouth.pk), str(world.fellgate.pk)]
    reply = changed(change(administrator, key, "depots", depots=both))
    assert [depot["code"] for depot in reply["depots"]] == ["FG", "TM"]
    reply = changed(change(administrator, key, "depots", depots=[], everywhere=True))
    assert (reply["depots"], reply["everywhere"]) == ([], True)
    with nothing_changed():
        told(
            change(administrator, key, "depots", depots=[], everywhere=True),
            409,
            "nothing_changes",
            "#/depots",
        )
        told(change(administrator, key, "depots", everywhere=True), 422, "value_invalid", "#/depots")
        told(change(administrator, key, "depots", depots=[str(uuid4())]), 422, "not_found", "#/depots")


def test_who_has_left_gets_in_nowhere_until_they_come_back(
    api: Api, administrator: Person, world: World
) -> None:
    key, installer = world.installer.staff_id, api.as_(world.installer)
    ok(installer.get("me/"))

    with one_entry("staff.deactivated"):
        assert changed(change(administrator, key, "deactivate", reason="left"))["active"] is False
    told(installer.get("me/"), 401, "not_signed_in")
    with nothing_changed():
        told(change(administrator, key, "deactivate"), 409, "nothing_changes")
    assert [row["id"] for row in administrator.rows("staff/", active=False)] == [str(key)]

    with one_entry("staff.reactivated"):
        assert changed(change(administrator, key, "reactivate"))["active"] is True
    ok(installer.get("me/"))


def test_the_last_administrator_stays_one(administrator: Person, world: World) -> None:
    key = world.administrator.staff_id
    with nothing_changed():
        told(change(administrator, key, "deactivate"), 409, "last_administrator")
        told(change(administrator, key, "role", role="office"), 409, "last_administrator")
    person(world, "administrator")
    assert changed(change(administrator, key, "role", role="office"))["role"] == "office"


# --- read ------------------------------------------------------------------------------------------------


def test_people_are_found_by_filters_and_words(api: Api, world: World) -> None:
    auditor = api.as_(world.auditor)

    def names(**query: Any) -> list[str]:
        return [row["username"] for row in auditor.rows("staff/", **query)]

    assert names(ordering="username") == ["admin", "auditor", "installer", "office", "stranger"]
    assert names(role="installer") == ["installer", "stranger"]
    assert names(depot=world.fellgate.pk) == ["stranger"]
    assert names(search="frost") == ["admin"]
    assert names(search="STRANGER") == ["stranger"]
    assert len(names(active=True)) == 5


def test_installers_do_not_read_the_staff(api: Api, world: World) -> None:
    installer = api.as_(world.installer)
    told(installer.get("staff/"), 403, "role_forbids")
    told(installer.get(f"staff/{world.installer.staff_id}/"), 403, "role_forbids")
    told(installer.get(f"staff/{uuid4()}/"), 403, "role_forbids")


# --- who asks --------------------------------------------------------------------------------------------


def test_everybody_may_ask_who_they_are_and_by_which_token(api: Api, world: World) -> None:
    for actor, role, codes in (
        (world.installer, "installer", ["TM"]),
        (world.stranger, "installer", ["FG"]),
        (world.office, "office", []),
        (world.auditor, "auditor", []),
        (world.administrator, "administrator", []),
    ):
        me = ok(api.as_(actor).get("me/"))
        assert (me["id"], me["role"], [d["code"] for d in me["depots"]]) == (str(actor.staff_id), role, codes)
        assert me["everywhere"] == (role != "installer")
        assert (me["token"]["name"], set(me["token"])) == ("phone", {"id", "name", "expires_at"})
        listed = api.as_(world.administrator).get(f"tokens/{me['token']['id']}/")
        assert listed["expires_at"] == me["token"]["expires_at"]
        assert api.as_(actor).secret not in me.text


def test_somebody_at_a_browser_has_no_token(world: World) -> None:
    client = Client()
    client.force_login(
        Staff.objects.get(pk=world.office.staff_id), backend="django.contrib.auth.backends.ModelBackend"
    )

    answer = client.get(f"{ROOT}me/")

    assert answer.status_code == 200
    assert (answer.json()["username"], answer.json()["token"]) == ("office", None)


def test_who_is_not_signed_in_is_nobody() -> None:
    answer = Client().get(f"{ROOT}me/")

    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")


def test_who_asks_is_read_in_five_queries_and_tagged(api: Api, world: World) -> None:
    installer = api.as_(world.installer)

    # whose token it is, the scope's depots, the head, the person, their depots
    assert tables_read(lambda: installer.get("me/")) == [
        "apitoken",
        "staffdepot",
        "entry",
        "staff",
        "staffdepot",
    ]
    assert installer.get("me/", tag=installer.seen("me/")).status == 304
