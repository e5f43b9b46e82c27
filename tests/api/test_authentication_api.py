"""Who is let in: tokens in every state, sessions of the console with their proof, roles of now."""

import json
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client

from registry.actions import staff, tokens
from registry.models import ApiToken, Entry
from tests.actions.unchanged import nothing_changed
from tests.api.client import ROOT, Api, Reply, check_problem, made, ok, one_entry, told
from tests.api.operations import office_of_fellgate, when
from tests.factories.world import DAY, HOUR, PASSWORD, World

UNKNOWN = "rime_" + "A" * 43  # of the right shape, and nobody's


@pytest.fixture
def secret(world: World) -> str:
    return issued(world)[1]


def issued(world: World, **given: Any) -> tuple[ApiToken, str]:
    asked = {"staff_id": world.installer.staff_id, "name": "phone", **given}
    return tokens.issue_token(world.administrator, **asked)


def asked_with(header: str | None, path: str = "devices/") -> Reply:
    """Ask with this Authorization header, or without any."""
    headers = {} if header is None else {"Authorization": header}
    answer = Client().get(f"{ROOT}{path}", headers=headers)
    reply = Reply(answer.status_code, dict(answer.headers), answer.content.decode())
    if reply.status >= 400:
        check_problem(reply)
    return reply


def not_let_in(reply: Reply, challenge: str = 'Bearer error="invalid_token"') -> Reply:
    told(reply, 401, "not_signed_in")
    # RFC 9110, section 11.6.1: a 401 names the scheme; RFC 6750, section 3.1: and that a token was no good.
    assert reply.headers["WWW-Authenticate"] == challenge
    assert reply.headers["Cache-Control"] == "no-store"
    return reply


def new_device(world: World) -> dict[str, Any]:
    return {
        "devices": [{"model": str(world.plumb_3.pk), "serial": world.serial()}],
        "depot": str(world.tarnmouth.pk),
        "valid_from": when(world.start + 5 * DAY),
    }


# --- tokens ----------------------------------------------------------------------------------------------


def test_a_token_lets_its_person_in_and_nothing_is_written(world: World, secret: str) -> None:
    here, there = world.device(), world.device(depot=world.fellgate)

    with nothing_changed():
        for scheme in ("Bearer", "bearer", "BEARER"):  # RFC 9110, section 11.1: case does not matter
            reply = ok(asked_with(f"{scheme} {secret}"))

    assert [row["id"] for row in reply["results"]] == [str(here.pk)]
    assert str(there.pk) not in reply.text


def test_who_sends_no_token_is_told_how_to_sign_in(world: World, secret: str) -> None:
    with nothing_changed():
        for header in (None, "", "Basic aW5zdGFsbGVyOnJpbWU=", f"Token {secret}", f"Bearer{secret}", secret):
            not_let_in(asked_with(header), "Bearer")


@pytest.mark.parametrize(
    "write",
    [
        pytest.param("Bearer", id="no word"),
        pytest.param("Bearer {secret} {secret}", id="two words"),
        pytest.param("Bearer {secret}x", id="one character more"),
        pytest.param("Bearer {shorter}", id="one character less"),
        pytest.param("Bearer {upper}", id="another case"),
        pytest.param(f"Bearer {UNKNOWN}", id="unknown"),
        pytest.param("Bearer {digest}", id="what is kept of it"),
        pytest.param("Bearer r\u00efme\u00ff", id="Latin-1"),
        pytest.param("Bearer " + "x" * 10_000, id="endless"),
        pytest.param("Bearer \u00a0", id="a space of Latin-1"),
    ],
)
def test_a_token_that_is_not_known_lets_nobody_in(world: World, secret: str, write: str) -> None:
    digest = bytes(ApiToken.objects.get().digest).hex()
    header = write.format(secret=secret, shorter=secret[:-1], upper=secret.upper(), digest=digest)

    with nothing_changed():
        first = not_let_in(asked_with(header))
        second = not_let_in(asked_with(f"Bearer {UNKNOWN}"))

    assert (first.text, first.headers) == (second.text, second.headers)


def test_a_token_ends_by_the_clock(world: World) -> None:
    expires = world.clock.at + 30 * DAY
    _, secret = issued(world, expires_at=expires)
    _, usual = issued(world)

    world.clock.at = expires - HOUR / 3600
    ok(asked_with(f"Bearer {secret}"))
    world.clock.at = expires
    with nothing_changed():
        not_let_in(asked_with(f"Bearer {secret}"))
    ok(asked_with(f"Bearer {usual}"))
    world.clock.at = expires + 61 * DAY
    not_let_in(asked_with(f"Bearer {usual}"))


def test_a_revoked_token_lets_nobody_in_and_the_others_still_do(world: World) -> None:
    lost, secret = issued(world)
    _, other = issued(world, name="tablet")
    ok(asked_with(f"Bearer {secret}"))

    tokens.revoke_token(world.administrator, token_id=lost.pk)

    with nothing_changed():
        not_let_in(asked_with(f"Bearer {secret}"))
    ok(asked_with(f"Bearer {other}"))


def test_who_left_is_not_let_in_until_they_come_back(world: World, secret: str) -> None:
    staff.deactivate_staff(world.administrator, staff_id=world.installer.staff_id)
    with nothing_changed():
        not_let_in(asked_with(f"Bearer {secret}"))

    staff.reactivate_staff(world.administrator, staff_id=world.installer.staff_id)
    ok(asked_with(f"Bearer {secret}"))


def test_every_way_not_to_be_let_in_sounds_alike(world: World) -> None:
    revoked, first = issued(world)
    tokens.revoke_token(world.administrator, token_id=revoked.pk)
    _, second = issued(world, expires_at=world.clock.at + HOUR)
    _, third = issued(world, staff_id=world.stranger.staff_id)
    staff.deactivate_staff(world.administrator, staff_id=world.stranger.staff_id)
    world.clock.at += 2 * HOUR

    replies = [not_let_in(asked_with(f"Bearer {token}")) for token in (first, second, third, UNKNOWN)]

    assert len({reply.text for reply in replies}) == 1


@pytest.mark.parametrize("path", ["assignments/", "devices/", "locations/", "cabinets/"])
def test_nothing_is_read_or_written_without_a_token(world: World, path: str) -> None:
    with nothing_changed():
        for method in ("GET", "HEAD", "POST", "PATCH", "PUT", "DELETE"):
            for address in (path, f"{path}{uuid4()}/"):
                answer = Client().generic(method, f"{ROOT}{address}", "{", content_type="application/json")
                assert answer.status_code == 401, (method, address)


# --- roles of now ----------------------------------------------------------------------------------------


def test_a_role_that_changed_between_two_requests_counts_in_the_second(api: Api, world: World) -> None:
    installer = api.as_(world.installer)
    told(installer.post("devices/", new_device(world)), 403, "role_forbids")

    staff.change_role(world.administrator, staff_id=world.installer.staff_id, role="office")
    with one_entry("devices.received"):
        ok(installer.post("devices/", new_device(world)), 201)

    staff.change_role(world.administrator, staff_id=world.installer.staff_id, role="auditor")
    with nothing_changed():
        told(installer.post("devices/", new_device(world)), 403, "role_forbids")
    ok(installer.get("devices/"))


def test_depots_that_changed_between_two_requests_count_in_the_second(api: Api, world: World) -> None:
    installer, device = api.as_(world.installer), world.device()
    path = f"devices/{device.pk}/"
    ok(installer.get(path))

    for depots, everywhere, seen in (
        ([world.fellgate.pk], False, False),
        ([], False, False),
        ([], True, True),
        ([world.fellgate.pk, world.tarnmouth.pk], False, True),
    ):
        staff.change_depots(
            world.administrator, staff_id=world.installer.staff_id, depots=depots, everywhere=everywhere
        )
        assert installer.get(path).status == (200 if seen else 404)
        assert [row["id"] for row in installer.rows("devices/")] == ([str(device.pk)] if seen else [])


# --- sessions of the console -----------------------------------------------------------------------------


@pytest.fixture
def browser(world: World) -> Client:
    """A browser in which the office has signed in, which checks what forms prove."""
    client = Client(enforce_csrf_checks=True)
    assert client.login(username="office", password=PASSWORD)
    return client


def posted(browser: Client, world: World, **headers: str) -> Any:
    return browser.post(
        f"{ROOT}devices/",
        json.dumps(new_device(world)),
        content_type="application/json",
        headers={"Idempotency-Key": f'"{uuid4()}"', **headers},
    )


def proof_of(browser: Client) -> str:
    """Return what the browser's pages hold to prove that a request comes from them."""
    browser.get("/console/")
    browser.get("/console/login/")
    return browser.cookies["csrftoken"].value


def test_a_signed_in_browser_reads(browser: Client, world: World) -> None:
    device = world.device()

    with nothing_changed():
        answer = browser.get(f"{ROOT}devices/{device.pk}/")

    assert (answer.status_code, answer.json()["id"]) == (200, str(device.pk))


def test_a_signed_in_browser_writes_with_its_proof_alone(browser: Client, world: World) -> None:
    proof = proof_of(browser)

    with nothing_changed():
        for headers in (
            {},
            {"X-CSRFToken": "x" * 32},
            {"X-CSRFToken": proof, "Origin": "https://evil.example"},
        ):
            answer = posted(browser, world, **headers)
            check_problem(Reply(answer.status_code, dict(answer.headers), answer.content.decode()))
            assert (answer.status_code, answer.json()["code"]) == (403, "not_allowed")

    with one_entry("devices.received") as entries:
        assert posted(browser, world, **{"X-CSRFToken": proof}).status_code == 201
    assert entries[0].staff_id == world.office.staff_id


def test_a_token_needs_no_proof_and_counts_before_a_session(
    browser: Client, world: World, secret: str
) -> None:
    with nothing_changed():  # the browser is the office's, the token an installer's
        answer = posted(browser, world, Authorization=f"Bearer {secret}")
        assert (answer.status_code, answer.json()["code"]) == (403, "role_forbids")
        answer = posted(browser, world, Authorization=f"Bearer {UNKNOWN}")
        assert answer.status_code == 401

    _, own = issued(world, staff_id=world.office.staff_id)
    with one_entry("devices.received"):
        assert posted(browser, world, Authorization=f"Bearer {own}").status_code == 201


def test_a_session_ends_with_signing_out_and_with_leaving(browser: Client, world: World) -> None:
    other = Client()
    assert other.login(username="stranger", password=PASSWORD)
    assert other.get(f"{ROOT}devices/").status_code == 200
    staff.deactivate_staff(world.administrator, staff_id=world.stranger.staff_id)
    assert other.get(f"{ROOT}devices/").status_code == 401

    assert browser.get(f"{ROOT}devices/").status_code == 200
    browser.logout()
    assert browser.get(f"{ROOT}devices/").status_code == 401


def test_an_entry_names_who_held_the_token(api: Api, world: World) -> None:
    other = office_of_fellgate(world)
    body = {**new_device(world), "depot": str(world.fellgate.pk)}

    reply = ok(api.as_(other).post("devices/", body), 201)

    entry = Entry.objects.get(index=reply.headers["Register-Index"])
    assert (entry.staff_id, entry.face) == (other.staff_id, "api")


def test_a_key_of_one_person_is_another_request_of_another(api: Api, world: World) -> None:
    cabinet, one, two = world.cabinet(), world.device(), world.device()
    body = {"cabinet": cabinet.pk, "serial": one.serial, "valid_from": when(world.start + 5 * DAY)}
    first, second = api.as_(world.installer), api.as_(world.office)
    made(first.post("assignments/", body, key='"a wish"'), "assignments")

    with nothing_changed():
        told(second.post("assignments/", body, key='"a wish"'), 409, "overlapping_history")
    body |= {"cabinet": world.cabinet().pk, "serial": two.serial}
    with one_entry("device.assigned"):
        made(second.post("assignments/", body, key='"a wish"'), "assignments")
