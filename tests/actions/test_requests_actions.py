"""Requests that come twice, that ask what changed meanwhile, and whose answer is part of what they do."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import connection

from registry.actions import accounts, locations, register, staff, tokens
from registry.actions._action import SYSTEM, is_open
from registry.actions._requests import Actor, Answer, Request, answer_before, carry_out
from registry.ledger.audit import audit
from registry.models import Contact, Entry, RequestAnswer
from registry.models.base import new_key
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face
from tests.actions.unchanged import dump, entry_of, nothing_changed, refused
from tests.factories.world import DAY, PASSWORD, World, person

TICK = timedelta(microseconds=1)
KEPT = timedelta(days=30)
CHANGED = RuleBroken(Code.CHANGED_MEANWHILE, "Look again.")

Render = Callable[[Any], Answer]


def shown(thing: Any) -> Answer:
    """Answer with what was made, and words beyond ASCII."""
    return Answer(
        201, json.dumps({"id": str(thing.pk), "said": "fähre \N{SNOWFLAKE}"}), {"Location": "/there"}
    )


def never(thing: Any) -> Answer:
    raise AssertionError("what was done before is not done again")


def asked(
    actor: Actor, body: str = "a body", *, key: str | None = "wish 1", render: Render = shown, **more: Any
) -> Request:
    """Return an actor's request for a body under a key."""
    digest = hashlib.sha256(body.encode()).digest()
    return Request(actor.staff_id, actor.face, render=render, key=key, digest=digest, **more)


def new_contact(world: World, request: Request, name: str = "Tamsin Reed") -> Answer:
    """Carry out what can be done again and again."""
    return carry_out(locations.register_contact, request, location_id=world.location.pk, text={"name": name})


def kept() -> set[str]:
    return set(RequestAnswer.objects.values_list("key", flat=True))


# --- once only -----------------------------------------------------------------------------------------


def test_a_repeat_gets_the_same_answer_and_does_nothing(world: World) -> None:
    particulars = {"code": "PP", "name": "Pier & Pantry"}

    def register_account(render: Render) -> Answer:
        return carry_out(
            accounts.register_account,
            asked(world.office, render=render),
            particulars=particulars,
            valid_from=world.start,
        )

    answers: list[Answer] = []
    entry, wrote = entry_of(lambda: answers.append(register_account(shown)))
    assert (entry.verb, entry.staff_id, entry.face) == (
        "account.registered",
        world.office.staff_id,
        world.office.face,
    )
    assert wrote == ["+account", "+accountstate"]
    for _ in range(2):
        with nothing_changed():
            assert register_account(never) == answers[0]
    assert answers[0].status == 201
    assert answers[0].headers == {"Location": "/there"}
    assert json.loads(answers[0].body)["said"] == "fähre \N{SNOWFLAKE}"
    assert audit().findings == []


def test_another_request_under_the_same_key_is_refused(world: World) -> None:
    first = new_contact(world, asked(world.office))
    for digest in (hashlib.sha256(b"another body").digest(), b"", bytes(32)):
        with refused("key_reused", "Idempotency-Key"):
            new_contact(world, replace(asked(world.office, render=never), digest=digest))
    with nothing_changed():
        assert new_contact(world, asked(world.office, render=never)) == first


def test_the_same_key_of_another_person_is_another_key(world: World) -> None:
    other = person(world, "office", everywhere=True)
    mine = new_contact(world, asked(world.office))
    theirs = new_contact(world, asked(other, "another body"))
    assert theirs != mine
    assert Contact.objects.count() == 2
    with nothing_changed():
        assert new_contact(world, asked(world.office, render=never)) == mine
        assert new_contact(world, asked(other, "another body", render=never)) == theirs


def test_the_face_is_no_part_of_the_key(world: World) -> None:
    first = new_contact(world, asked(world.office))
    with nothing_changed():
        assert new_contact(world, asked(Actor(world.office.staff_id, Face.FIELD), render=never)) == first


def test_keys_differ_in_every_character(world: World) -> None:
    answers = {new_contact(world, asked(world.office, key=key)).body for key in ("wish", "Wish", " wish")}
    assert len(answers) == len(kept()) == 3


def test_a_request_without_a_key_is_kept_nowhere(world: World) -> None:
    first = new_contact(world, asked(world.office, key=None))
    second = new_contact(world, asked(world.office, key=None))
    assert first != second
    assert Contact.objects.count() == 2
    assert not RequestAnswer.objects.exists()


def test_the_system_has_no_keys(db: None) -> None:
    answer = carry_out(
        register.found_register, asked(SYSTEM), username="admin", name="Ada Frost", password=PASSWORD
    )
    assert answer.status == 201
    assert Entry.objects.count() == 1
    assert not RequestAnswer.objects.exists()


def test_a_refused_request_keeps_nothing_and_its_key_can_be_used_again(world: World) -> None:
    with refused("not_found", "location"):
        carry_out(
            locations.register_contact,
            asked(world.office),
            location_id=new_key(),
            text={"name": "Tamsin Reed"},
        )
    assert not RequestAnswer.objects.exists()
    answer = new_contact(world, asked(world.office, "the same with its location mended"))
    with nothing_changed():
        assert new_contact(world, asked(world.office, "the same with its location mended")) == answer


def test_who_may_not_any_more_is_not_told_the_answer_again(world: World) -> None:
    clerk, leaver = (person(world, "office", everywhere=True) for _ in range(2))
    for actor in (clerk, leaver):
        new_contact(world, asked(actor))
    staff.change_role(world.administrator, staff_id=clerk.staff_id, role="auditor")
    staff.deactivate_staff(world.administrator, staff_id=leaver.staff_id)
    with refused("role_forbids"):
        new_contact(world, asked(clerk, render=never))
    with refused("not_active"):
        new_contact(world, asked(leaver, render=never))


def test_whether_a_request_was_carried_out_is_asked_by_person_key_and_digest(world: World) -> None:
    request = asked(world.office)
    assert request.staff_id is not None
    assert request.key is not None
    mine, theirs = request.staff_id, world.installer.staff_id
    assert theirs is not None

    def done(staff_id: UUID = mine, key: str | None = "wish 1", digest: bytes = request.digest) -> bool:
        return answer_before(staff_id, key, digest, world.clock.at) is not None

    assert not done()
    new_contact(world, request)
    with nothing_changed():
        assert done()
        assert not any((done(theirs), done(key="wish 2"), done(key=None), done(digest=bytes(32))))
    world.clock.at = RequestAnswer.objects.get().answered_at + KEPT
    assert not done()


# --- how long ------------------------------------------------------------------------------------------


def test_an_answer_is_repeated_for_thirty_days_and_then_the_key_is_fresh(world: World) -> None:
    first = new_contact(world, asked(world.office))
    [answer] = RequestAnswer.objects.all()
    assert answer.answered_at == Entry.objects.latest("index").recorded_at

    world.clock.at = answer.answered_at + KEPT - TICK
    with nothing_changed():
        assert new_contact(world, asked(world.office, render=never)) == first
    world.clock.at = answer.answered_at + KEPT
    second = new_contact(world, asked(world.office, "another body now"))
    assert second != first
    [fresh] = RequestAnswer.objects.all()
    assert (fresh.key, fresh.answered_at) == ("wish 1", answer.answered_at + KEPT)
    with nothing_changed():
        assert new_contact(world, asked(world.office, "another body now", render=never)) == second


def test_answers_of_everybody_go_when_they_are_old_and_a_new_one_is_kept(world: World) -> None:
    other = person(world, "office", everywhere=True)
    begun = world.clock.at
    new_contact(world, asked(other, key="old"))
    world.clock.at = begun + 10 * DAY
    new_contact(world, asked(world.office, key="younger"))

    world.clock.at = begun + 31 * DAY
    new_contact(world, asked(world.office, key=None))
    assert kept() == {"old", "younger"}
    with refused("not_found", "location"):
        carry_out(locations.register_contact, asked(other, key="no"), location_id=new_key(), text={})
    assert kept() == {"old", "younger"}
    new_contact(world, asked(world.office, key="new"))
    assert kept() == {"younger", "new"}


# --- what is kept --------------------------------------------------------------------------------------


def test_a_secret_is_answered_once_and_kept_nowhere(world: World) -> None:
    secrets: list[str] = []

    def once(issued: Any) -> Answer:
        secrets.append(issued[1])
        return Answer(201, f'{{"secret": "{issued[1]}"}}', kept_body='{"secret": null}')

    def issue(render: Render) -> Answer:
        return carry_out(
            tokens.issue_token,
            asked(world.administrator, render=render),
            staff_id=world.installer.staff_id,
            name="Red phone",
        )

    first = issue(once)
    assert secrets[0] in first.body
    with nothing_changed():
        again = issue(never)
    assert (again.status, again.body) == (201, '{"secret": null}')
    assert secrets[0] not in repr(dump())


def test_a_blank_body_is_kept_in_place_of_a_secret_one(world: World) -> None:
    render = lambda thing: Answer(201, "the secret", kept_body="")  # noqa: E731
    new_contact(world, asked(world.office, render=render))
    assert new_contact(world, asked(world.office, render=never)).body == ""


def test_answers_about_a_contact_go_when_it_is_erased_and_others_stay(world: World) -> None:
    def with_words(contact: Contact) -> Answer:
        return Answer(200, json.dumps(contact.texts.latest("id").text))

    other = json.loads(new_contact(world, asked(world.office, key="other"), "Ash Fenner").body)
    made = new_contact(world, asked(world.office, key="made"), "Wren Hollis")
    contact = Contact.objects.get(pk=json.loads(made.body)["id"])
    carry_out(
        locations.correct_contact,
        asked(world.office, key="corrected", render=with_words),
        contact_id=contact.pk,
        text={"name": "Wren Hollis-Pike"},
    )
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern"})
    assert kept() == {"other", "made", "corrected"}
    assert "Wren Hollis-Pike" in RequestAnswer.objects.get(key="corrected").body

    gone = asked(world.office, key="erased", render=lambda erased: Answer(200, "gone"))
    carry_out(locations.erase_contact, gone, contact_id=contact.pk)

    assert kept() == {"other", "erased"}
    assert "Wren" not in repr(dump())
    with nothing_changed():
        again = new_contact(world, asked(world.office, key="other", render=never), "Ash Fenner")
    assert json.loads(again.body) == other
    assert audit().findings == []


# --- conditions ----------------------------------------------------------------------------------------


def refuse() -> None:
    raise CHANGED


@pytest.mark.parametrize("key", [None, "wish 1"])
def test_a_precondition_that_refuses_leaves_nothing(world: World, key: str | None) -> None:
    with refused("changed_meanwhile"):
        new_contact(world, asked(world.office, key=key, render=never, precondition=refuse))
    new_contact(world, asked(world.office, key=key))


@pytest.mark.parametrize("key", [None, "wish 1"])
def test_a_precondition_is_asked_under_the_lock_before_anything_is_done(
    world: World, key: str | None
) -> None:
    before, seen = dump(), []

    def look() -> None:
        seen.append((is_open(), connection.in_atomic_block, dump() == before))

    new_contact(world, asked(world.office, key=key, precondition=look))
    assert seen == [(True, True, True)]


def test_who_may_not_do_it_is_not_told_whether_it_changed(world: World) -> None:
    with refused("role_forbids"):
        new_contact(world, asked(world.installer, render=never, precondition=refuse))


def test_a_repeat_is_answered_before_its_precondition_is_asked(world: World) -> None:
    first = new_contact(world, asked(world.office, precondition=lambda: None))
    with nothing_changed():
        assert new_contact(world, asked(world.office, render=never, precondition=refuse)) == first


# --- one transaction -----------------------------------------------------------------------------------


def test_the_answer_is_made_within_the_transaction_of_what_it_tells(world: World) -> None:
    head = Entry.objects.latest("index").index
    seen = []

    def look(contact: Contact) -> Answer:
        seen.append((is_open(), Entry.objects.latest("index").index, contact.pk is not None, kept()))
        return Answer(201, "{}")

    new_contact(world, asked(world.office, render=look))
    assert seen == [(True, head + 1, True, set())]
    assert not is_open()


@pytest.mark.parametrize("key", [None, "wish 1"])
def test_an_answer_that_cannot_be_made_leaves_nothing(world: World, key: str | None) -> None:
    def fail(thing: Any) -> Answer:
        raise ZeroDivisionError("the face is broken")

    with nothing_changed(), pytest.raises(ZeroDivisionError):
        new_contact(world, asked(world.office, key=key, render=fail))
    new_contact(world, asked(world.office, key=key))


def test_an_answer_that_cannot_be_kept_leaves_nothing(world: World) -> None:
    unkept = lambda thing: Answer(201, "{}", {"Retry-After": object()})  # type: ignore[dict-item]  # noqa: E731
    with nothing_changed(), pytest.raises(TypeError):
        new_contact(world, asked(world.office, render=unkept))


def test_the_ledger_knows_nothing_of_keys_and_answers(world: World) -> None:
    entry, wrote = entry_of(lambda: new_contact(world, asked(world.office, key="a telling key")))
    assert wrote == ["+contact"]
    assert "telling" not in entry.body
    assert "requestanswer" not in entry.body
