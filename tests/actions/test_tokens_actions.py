"""Tokens of the API: issued and revoked by entries that hold neither secret, nor digest, nor name."""

import hashlib
import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from django.conf import settings
from django.db import connection

from registry.actions import staff, tokens
from registry.actions._action import Actor
from registry.ledger.audit import audit
from registry.models import ApiToken, Entry, Staff
from registry.models.base import new_key
from registry.rules.events import Face, Verb, sentence
from tests.actions.unchanged import entry_of, refused
from tests.factories.world import DAY, World, person

TICK = timedelta(microseconds=1)
NAME = "Ada's red phone"


def issue(world: World, actor: Actor | None = None, **changes: Any) -> tuple[ApiToken, str]:
    given: dict[str, Any] = {"staff_id": world.installer.staff_id, "name": NAME, **changes}
    return tokens.issue_token(actor or world.administrator, **given)


def every_row_of_every_table() -> str:
    """Return whatever the database holds, in the register's tables and beside them, as one text."""
    held = []
    with connection.cursor() as cursor:
        for table in sorted(connection.introspection.table_names(cursor)):
            cursor.execute(f'SELECT * FROM "{table}"')
            for row in cursor.fetchall():
                held += [bytes(each) if isinstance(each, memoryview) else each for each in row]
    return "\n".join(each.hex() if isinstance(each, bytes) else str(each) for each in held)


def bodies() -> str:
    return "\n".join(Entry.objects.values_list("body", flat=True))


# --- issued --------------------------------------------------------------------------------------------


def test_of_a_token_only_a_digest_is_kept(world: World) -> None:
    token, secret = issue(world)
    token.refresh_from_db()
    digest = hashlib.sha256(secret.encode()).digest()
    assert bytes(token.digest) == digest
    assert (token.staff_id, token.name, token.revoked) == (world.installer.staff_id, NAME, False)
    held = every_row_of_every_table()
    assert digest.hex() in held, "the search finds what is there"
    for hidden in (secret, secret.removeprefix("rime_"), secret.encode().hex()):
        assert hidden not in held


def test_the_ledger_holds_the_issue_and_the_expiry_but_nothing_to_sign_in_by(world: World) -> None:
    made: list[tuple[ApiToken, str]] = []
    entry, wrote = entry_of(lambda: made.append(issue(world, reason="For the rollout")))
    token, secret = made[0]
    assert wrote == ["+apitoken"]
    assert entry.reason == "For the rollout"
    [image] = json.loads(entry.body)["images"]
    assert set(image["after"]) == {
        "id",
        "staff_id",
        "expires_at",
        "revoked",
        "registered_index",
        "revised_index",
    }
    for hidden in (secret, bytes(token.digest).hex(), NAME, "red phone"):
        assert hidden not in bodies()
    assert [(s.part, s.kind, s.thing_id) for s in entry.subjects.order_by("position")] == [
        ("token", "token", token.pk),
        ("staff", "staff", world.installer.staff_id),
    ]
    assert NAME not in " ".join(entry.subjects.values_list("label", flat=True))
    assert audit().findings == []


def test_two_tokens_have_nothing_in_common(world: World) -> None:
    (one, first), (other, second) = issue(world), issue(world)
    assert first != second
    assert bytes(one.digest) != bytes(other.digest)
    assert one.pk != other.pk


def test_a_token_lives_ninety_days_unless_told(world: World) -> None:
    token, _ = issue(world)
    now = Entry.objects.latest("index").recorded_at
    assert token.expires_at == now + 90 * DAY


def test_a_token_expires_after_now_and_within_400_days(world: World) -> None:
    def now() -> datetime:
        """Return when the next entry will be recorded."""
        return max(Entry.objects.latest("index").recorded_at + TICK, world.clock.at)

    for life in (TICK, DAY, 400 * DAY):
        wanted = now() + life
        assert issue(world, expires_at=wanted)[0].expires_at == wanted
    for life in (-DAY, -TICK, timedelta(0), 400 * DAY + TICK):
        with refused("time_invalid", "expires_at"):
            issue(world, expires_at=now() + life)
    with refused("time_invalid", "expires_at"):
        issue(world, expires_at=(now() + DAY).replace(tzinfo=None))


def test_a_token_is_somebodys_who_is_here_and_has_a_name(world: World) -> None:
    gone = person(world, "installer", world.tarnmouth)
    staff.deactivate_staff(world.administrator, staff_id=gone.staff_id)
    for changes, code, field in (
        ({"staff_id": gone.staff_id}, "not_active", "staff"),
        ({"staff_id": new_key()}, "not_found", "staff"),
        ({"name": ""}, "text_invalid", "name"),
        ({"name": "  "}, "text_invalid", "name"),
        ({"name": "x" * 201}, "text_invalid", "name"),
        ({"name": "two\nlines"}, "text_invalid", "name"),
        ({"reason": "x" * 5_000}, "text_invalid", "reason"),
    ):
        with refused(code, field):
            issue(world, **changes)
    token, _ = issue(world, name="x" * 200)
    assert token.name == "x" * 200
    assert issue(world, name="  Red  ")[0].name == "Red"


@pytest.mark.parametrize("role", ["office", "installer", "auditor"])
def test_nobody_but_an_administrator_issues_or_revokes_even_their_own(world: World, role: str) -> None:
    someone = person(world, role, everywhere=True)
    token, _ = issue(world, staff_id=someone.staff_id)
    with refused("role_forbids"):
        issue(world, someone, staff_id=someone.staff_id)
    with refused("role_forbids"):
        tokens.revoke_token(someone, token_id=token.pk)
    issue(world, person(world, "administrator"), staff_id=someone.staff_id)


def test_an_administrator_who_left_issues_nothing(world: World) -> None:
    leaver = person(world, "administrator", everywhere=True)
    token, _ = issue(world, leaver)
    staff.deactivate_staff(world.administrator, staff_id=leaver.staff_id)
    with refused("not_active"):
        issue(world, leaver)
    with refused("not_active"):
        tokens.revoke_token(leaver, token_id=token.pk)


# --- revoked -------------------------------------------------------------------------------------------


def test_a_token_is_revoked_once_and_for_good(world: World) -> None:
    token, _ = issue(world)
    other, _ = issue(world)
    entry, wrote = entry_of(
        lambda: tokens.revoke_token(world.administrator, token_id=token.pk, reason="fell off the pier")
    )
    assert wrote == ["~apitoken"]
    assert (entry.verb, entry.reason) == ("token.revoked", "fell off the pier")
    token.refresh_from_db()
    other.refresh_from_db()
    assert (token.revoked, other.revoked) == (True, False)
    with refused("nothing_changes"):
        tokens.revoke_token(world.administrator, token_id=token.pk)
    with refused("not_found", "token"):
        tokens.revoke_token(world.administrator, token_id=new_key())
    assert audit().findings == []


def test_a_token_of_somebody_who_left_or_that_expired_can_be_revoked(world: World) -> None:
    left, _ = issue(world)
    expired, _ = issue(world, staff_id=world.stranger.staff_id)
    staff.deactivate_staff(world.administrator, staff_id=world.installer.staff_id)
    world.clock.at += 91 * DAY
    for token in (left, expired):
        assert tokens.revoke_token(world.administrator, token_id=token.pk).revoked
    assert audit().findings == []


def test_entries_of_tokens_are_read_as_sentences_without_names(world: World) -> None:
    token, _ = issue(world)
    tokens.revoke_token(world.administrator, token_id=token.pk)
    read = []
    for entry in Entry.objects.order_by("-index")[:2]:
        parts: dict[str, list[str]] = {}
        for subject in entry.subjects.order_by("position"):
            parts.setdefault(subject.part, []).append(subject.label)
        read.append(sentence(Verb(entry.verb), parts))
    tail, who = str(token.pk)[-6:], str(world.installer.staff_id)[-6:]
    assert read == [
        f"token {tail} of staff member {who} was revoked",
        f"staff member {who} got token {tail} for the API",
    ]
    assert str(token) == f"token {tail}"


def test_through_whichever_face_it_was_issued_is_told(world: World) -> None:
    administrator = UUID(str(world.administrator.staff_id))
    for face in Face:
        entry, _ = entry_of(lambda face=face: issue(world, Actor(administrator, face)))
        assert entry.face == face


def test_no_file_of_the_demo_or_of_a_frozen_ledger_holds_a_secret_or_a_digest() -> None:
    files = [path for path in (Path(settings.BASE_DIR) / "fixtures").rglob("*.json*") if path.is_file()]
    texts = [path.read_text(encoding="utf-8") for path in files]
    assert any('"issue_token"' in text for text in texts), "the demo issues tokens"
    assert [path.name for path, text in zip(files, texts, strict=True) if "rime_" in text] == []


def test_a_person_keeps_their_tokens_whatever_their_role(world: World) -> None:
    issue(world)
    staff.change_role(world.administrator, staff_id=world.installer.staff_id, role="office")
    them = Staff.objects.get(pk=world.installer.staff_id)
    assert [token.revoked for token in them.tokens.all()] == [False]
