"""Tokens over HTTP: issued by administrators, the secret shown once, revoked at once."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.models import RequestAnswer
from registry.rules.tokens import LIFE_DEFAULT, LIFE_MAX
from tests.actions.unchanged import dump, nothing_changed
from tests.api.client import Api, Person, changed, ok, one_entry, told
from tests.api.noun_operations import gone, token
from tests.api.operations import when
from tests.factories.world import World


@pytest.fixture
def administrator(api: Api, world: World) -> Person:
    return api.as_(world.administrator)


def red_phone(world: World, **more: Any) -> dict[str, Any]:
    return {"staff": str(world.installer.staff_id), "name": "Red phone", **more}


def test_a_token_is_issued_and_lets_its_person_in(administrator: Person, world: World) -> None:
    expires = world.clock.at + timedelta(days=7)

    with one_entry("token.issued") as written:
        reply = ok(administrator.post("tokens/", red_phone(world, expires_at=when(expires))), 201)

    assert reply.body == {
        "id": reply["id"],
        "staff": str(world.installer.staff_id),
        "staff_name": "Installer",
        "name": "Red phone",
        "expires_at": "2026-03-09T08:00:00Z",
        "revoked": False,
        "secret": reply["secret"],
        "words": reply["words"],
    }
    assert reply.headers["Location"] == f"/api/v1/tokens/{reply['id']}/"
    assert reply.headers["Cache-Control"] == "no-store"
    assert reply["words"].endswith("it is not shown again.")
    assert "Red phone" not in written[0].body
    assert ok(Person(reply["secret"]).get("me/"))["token"]["id"] == reply["id"]
    shown = ok(administrator.get(reply.headers["Location"])).body
    assert shown == {name: value for name, value in reply.body.items() if name not in ("secret", "words")}


def test_the_secret_of_a_token_is_kept_nowhere_and_a_repeat_says_that_it_was_shown(
    administrator: Person, world: World
) -> None:
    first = ok(administrator.post("tokens/", red_phone(world), key='"a wish"'), 201)

    with nothing_changed():
        again = ok(administrator.post("tokens/", red_phone(world), key='"a wish"'), 201)

    assert again["secret"] is None
    assert "was shown once" in again["words"]
    beside = set(first.body) - {"secret", "words"}
    assert {name: again[name] for name in beside} == {name: first[name] for name in beside}
    assert again.headers["Location"] == first.headers["Location"]
    assert first["secret"] not in repr(dump())
    assert RequestAnswer.objects.count() == 1
    for path in ("tokens/", f"tokens/{first['id']}/", "entries/"):
        assert first["secret"] not in administrator.get(path).text


@pytest.mark.parametrize(
    ("wrong", "code", "pointer"),
    [
        ({"staff": str(uuid4())}, "not_found", "#/staff"),
        ({"name": ""}, "text_invalid", "#/name"),
        ({"name": None}, "value_invalid", "#/name"),
        ({"expires_at": "2026-03-02T08:00:00Z"}, "time_invalid", "#/expires_at"),
        ({"expires_at": "2029-01-01T00:00:00Z"}, "time_invalid", "#/expires_at"),
        ({"expires_at": "soon"}, "time_invalid", "#/expires_at"),
        ({"secret": "mine"}, "value_invalid", "#/secret"),
    ],
)
def test_a_token_that_cannot_be_is_refused_where_it_stands(
    administrator: Person, world: World, wrong: dict[str, Any], code: str, pointer: str
) -> None:
    with nothing_changed():
        told(administrator.post("tokens/", red_phone(world, **wrong)), 422, code, pointer)


def test_who_has_left_gets_no_token(administrator: Person, world: World) -> None:
    left = gone(world)
    with nothing_changed():
        told(
            administrator.post("tokens/", red_phone(world, staff=str(left.pk))), 422, "not_active", "#/staff"
        )


def test_a_token_lives_ninety_days_unless_told_and_four_hundred_at_most(
    administrator: Person, world: World
) -> None:
    assert (LIFE_DEFAULT.days, LIFE_MAX.days) == (90, 400)
    assert ok(administrator.post("tokens/", red_phone(world)), 201)["expires_at"].startswith("2026-05-31")
    longest = when(world.clock.at + LIFE_MAX)
    reply = ok(administrator.post("tokens/", red_phone(world, expires_at=longest)), 201)
    phone = Person(reply["secret"])
    world.clock.at += LIFE_MAX - timedelta(seconds=1)
    ok(phone.get("me/"))
    world.clock.at += timedelta(seconds=1)
    told(phone.get("me/"), 401, "not_signed_in")


def test_a_revoked_token_lets_nobody_in_from_then_on(administrator: Person, world: World) -> None:
    issued = ok(administrator.post("tokens/", red_phone(world)), 201)
    phone, path = Person(issued["secret"]), f"tokens/{issued['id']}/"
    ok(phone.get("me/"))

    with one_entry("token.revoked") as written:
        reply = changed(
            administrator.post(f"{path}revoke/", {"reason": "lost"}, tag=administrator.seen(path))
        )

    assert (reply["revoked"], written[0].reason) == (True, "lost")
    told(phone.get("me/"), 401, "not_signed_in")
    with nothing_changed():
        told(administrator.post(f"{path}revoke/", {}, tag="*"), 409, "nothing_changes")


def test_tokens_are_found_by_filters_and_words(administrator: Person, world: World) -> None:
    token(world, "Red phone", days=20)
    blue = token(world, "Blue phone", days=10)
    ok(administrator.post(f"tokens/{blue.pk}/revoke/", {}, tag="*"))

    def names(**query: Any) -> list[str]:
        return [row["name"] for row in administrator.rows("tokens/", **query)]

    assert names() == ["Blue phone", "Red phone", "phone"]
    assert names(ordering="-expires_at") == ["phone", "Red phone", "Blue phone"]
    assert names(staff=world.installer.staff_id, revoked=False) == ["Red phone"]
    assert names(revoked=True) == names(search="installer blue") == ["Blue phone"]


def test_only_administrators_read_tokens(api: Api, world: World) -> None:
    key = token(world).pk
    for actor in (world.office, world.auditor, world.installer):
        asker = api.as_(actor)
        told(asker.get("tokens/"), 403, "role_forbids")
        told(asker.get(f"tokens/{key}/"), 403, "role_forbids")
        with nothing_changed():
            told(asker.post("tokens/", red_phone(world)), 403, "role_forbids")
            told(asker.post(f"tokens/{key}/revoke/", {}, tag="*"), 403, "role_forbids")
