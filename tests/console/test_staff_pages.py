"""People and tokens in the console: an administrator's work, and secrets that leave no trace."""

import hashlib
import re
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.db import connection
from django.test import Client

from registry.actions import staff, tokens
from registry.models import ApiToken, RequestAnswer, Staff, StaffDepot
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of, typed
from tests.factories.world import PASSWORD, World, person

UNKEPT = ("step", "seen_index")
NEW = {"name": "Una Sleet", "username": "una", "password": PASSWORD, "role": "installer", "depots": []}


@pytest.fixture
def administrator(world: World) -> Client:
    return signed_in(world.administrator)


# --- people ------------------------------------------------------------------------------------------


def test_the_list_tells_roles_and_depots_and_who_has_left(world: World, administrator: Client) -> None:
    staff.deactivate_staff(world.administrator, staff_id=world.stranger.staff_id)

    words = text_of(administrator.get(at("staff")))

    assert "Installer installer installer TM Tarnmouth" in words
    assert "Stranger has left" in words
    assert words.index("Installer") < words.index("Stranger")


@pytest.mark.parametrize("role", ["office", "auditor"])
def test_others_read_who_works_here_and_see_no_token_and_no_button(world: World, role: str) -> None:
    tokens.issue_token(world.administrator, staff_id=world.installer.staff_id, name="the red phone")
    reader = signed_in(getattr(world, role))

    page = reader.get(at("person", world.installer.staff_id))

    assert (page.status_code, page.context["buttons"], page.context["tokens"]) == (200, [], [])
    assert "the red phone" not in text_of(page)
    assert "Add a person" not in text_of(reader.get(at("staff")))


def test_a_person_is_added_with_depots_by_name(world: World, administrator: Client) -> None:
    form = administrator.get(at("staff_add"))
    values = {**typed(form, **NEW), "step": "record"}

    with nothing_changed():
        weak = administrator.post(at("staff_add"), {**values, "password": "frost"})
        both = administrator.post(at("staff_add"), {**values, "sees": "all", "depots": [world.tarnmouth.pk]})
        taken = administrator.post(at("staff_add"), {**values, "username": "office"})
    assert list(problems(weak)) == ["id_password"]
    assert list(problems(both)) == ["id_depots"]
    assert list(problems(taken)) == ["id_username"]

    done = administrator.post(at("staff_add"), {**values, "depots": [world.tarnmouth.pk]})
    una = Staff.objects.get(username="una")
    assert done.headers["Location"] == at("person", una.pk)
    assert una.check_password(PASSWORD)
    assert list(StaffDepot.objects.current().filter(staff=una).values_list("depot", flat=True)) == [
        world.tarnmouth.pk
    ]


def test_a_password_is_kept_nowhere_not_even_as_a_digest_to_try_through(
    world: World, administrator: Client
) -> None:
    address = at("staff_password", world.installer.staff_id)
    values = {**typed(administrator.get(address), password="hail-on-the-roof-12"), "step": "record"}

    done = administrator.post(address, values)

    assert done.status_code == 303
    assert Staff.objects.get(pk=world.installer.staff_id).check_password("hail-on-the-roof-12")
    assert "hail-on-the-roof-12" not in everything_kept()
    # What is kept of the form is keyed: from the form alone, a guessed password in it, nobody computes it.
    same = repr((address, sorted((name, value) for name, value in values.items() if name not in UNKEPT)))
    assert bytes(RequestAnswer.objects.get().digest) not in (
        hashlib.new(method, same.encode()).digest() for method in ("sha256", "blake2s", "sha3_256")
    )


def test_depots_are_changed_to_exactly_those_ticked(world: World, administrator: Client) -> None:
    address = at("staff_depots", world.installer.staff_id)
    form = administrator.get(address)
    assert form.context["form"]["depots"].value() == [str(world.tarnmouth.pk)]
    values = {**typed(form, depots=[str(world.fellgate.pk)]), "step": "check"}

    shown = lines(administrator.post(address, values))
    done = administrator.post(address, {**values, "step": "record"})

    assert shown == [
        ("depots of Installer", "TM Tarnmouth", "taken away"),
        ("depots of Installer", "nothing", "FG Fellgate"),
    ]
    assert done.status_code == 303


def test_a_change_of_role_names_the_person_and_the_last_administrator_stays(
    world: World, administrator: Client
) -> None:
    shown = lines(post(administrator, at("staff_role", world.installer.staff_id), "check", role="office"))
    assert shown == [("role of staff Installer", "installer", "office")]

    for name, values in (("staff_role", {"role": "office"}), ("staff_deactivate", {})):
        with nothing_changed():
            page = post(administrator, at(name, world.administrator.staff_id), "record", **values)
        assert "Nobody else could hand out roles." in " ".join(problems(page).values())


def test_who_has_left_can_only_be_let_in_again(world: World, administrator: Client) -> None:
    address = at("person", world.stranger.staff_id)
    post(administrator, at("staff_deactivate", world.stranger.staff_id), "record", reason="moved away")

    page = administrator.get(address)
    assert [button.words for button in page.context["buttons"]] == ["Let in again"]
    assert page.context["token_buttons"] == []
    with nothing_changed():
        refused = post(administrator, at("token_issue", world.stranger.staff_id), "record", name="a phone")
    assert "This person has left." in " ".join(problems(refused).values())

    assert post(administrator, at("staff_reactivate", world.stranger.staff_id), "record").status_code == 303
    assert Staff.objects.get(pk=world.stranger.staff_id).is_active


# --- tokens ------------------------------------------------------------------------------------------


def everything_kept() -> str:
    """Return whatever the database holds, in every table, as one text; sessions as they read."""
    held = [str(Session.objects.get(pk=one.pk).get_decoded()) for one in Session.objects.all()]
    with connection.cursor() as cursor:
        for table in sorted(connection.introspection.table_names(cursor)):
            cursor.execute(f'SELECT * FROM "{table}"')
            held += [
                bytes(each).hex() if isinstance(each, bytes | memoryview) else str(each)
                for row in cursor.fetchall()
                for each in row
            ]
    return "\n".join(held)


def secret_in(page: Any) -> str:
    match = re.search(r'<input[^>]*id="secret"[^>]*>', page.content.decode())
    assert match, "no secret is shown"
    value = re.search(r'value="([^"]*)"', match[0])
    assert value
    assert "readonly" in match[0]
    assert "autofocus" in match[0]
    assert "data-select-itself" in match[0]
    return value[1]


def test_a_secret_is_shown_once_and_kept_nowhere(world: World, administrator: Client) -> None:
    address = at("token_issue", world.installer.staff_id)
    form = administrator.get(address)
    values = {**typed(form, name="the red phone"), "step": "record"}

    first = administrator.post(address, values)

    secret = secret_in(first)
    assert first.status_code == 200
    assert "no-store" in first.headers["Cache-Control"]
    token = ApiToken.objects.get()
    assert (token.name, token.staff_id) == ("the red phone", world.installer.staff_id)
    opened = Client().get("/api/v1/me/", headers={"Authorization": f"Bearer {secret}"})
    assert opened.status_code == 200
    kept = everything_kept()
    assert "the red phone" in kept, "the search finds what is there"
    assert secret not in kept
    assert secret.removeprefix("rime_") not in kept

    again = administrator.post(address, values)
    onward = administrator.get(again.headers["Location"])

    assert (again.status_code, again.headers["Location"]) == (303, at("person", world.installer.staff_id))
    assert secret not in again.content.decode() + onward.content.decode() + str(again.headers)
    assert ApiToken.objects.count() == 1


def test_the_check_of_a_token_names_phone_person_and_end_but_no_key_yet(
    world: World, administrator: Client
) -> None:
    with nothing_changed():
        page = post(administrator, at("token_issue", world.installer.staff_id), "check", name="the red phone")

    assert lines(page) == [
        ("token", "not in the register", "staff Installer, expires at 2026-05-31 04:00 EDT"),
        ("name of the token", "nothing", "the red phone"),
    ]


@pytest.mark.parametrize("days", ["0", "401", "-3", "999999999", "ninety"])
def test_a_token_lives_neither_for_ever_nor_not_at_all(
    world: World, administrator: Client, days: str
) -> None:
    with nothing_changed():
        page = post(
            administrator, at("token_issue", world.installer.staff_id), "record", name="a phone", days=days
        )

    assert list(problems(page)) == ["id_days"]


def test_a_token_is_revoked_from_the_page_of_its_person(world: World, administrator: Client) -> None:
    token, secret = tokens.issue_token(
        world.administrator, staff_id=world.installer.staff_id, name="the red phone"
    )
    address = at("token_revoke", token.pk)
    assert address in administrator.get(at("person", world.installer.staff_id)).content.decode()

    assert post(administrator, address, "record", reason="it fell into the harbour").status_code == 303

    refused = Client().get("/api/v1/me/", headers={"Authorization": f"Bearer {secret}"})
    page = administrator.get(at("person", world.installer.staff_id))
    assert refused.status_code == 401
    assert "revoked" in text_of(page)
    assert address not in page.content.decode()


# --- queries -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_people_and_tokens_take_as_many_queries_for_many_as_for_few(
    world: World, administrator: Client, django_assert_num_queries: Any, rows: int
) -> None:
    for row in range(rows):
        person(world, "installer", world.tarnmouth, world.fellgate)
        tokens.issue_token(world.administrator, staff_id=world.installer.staff_id, name=f"phone {row}")

    # the session; the person; how many; a page of them; their depots
    with django_assert_num_queries(5):
        assert len(administrator.get(at("staff")).context["people"]) == rows + 5
    # the session; the person; the zone; the person shown, and depots; the tokens
    with django_assert_num_queries(6):
        page = administrator.get(at("person", world.installer.staff_id))
    assert len(page.context["tokens"]) == rows
