"""Erasure of a contact: nothing of the text is left, every leaf stays, and the audit says what and when."""

import json
from datetime import timedelta
from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection

from registry.actions import locations
from registry.ledger.audit import Erasure, audit
from registry.models import Contact, ContactText, Entry, RequestAnswer
from registry.rules.canonical import time_text
from registry.rules.merkle import leaf_hash
from tests.api.client import Api, made, ok
from tests.console.pages import at, post, signed_in
from tests.factories.world import World
from tests.ledger.tampering import Life, edit, found, newest

QUILL = {"name": "Quill Ottery", "phone": "555-0187", "email": "quill@lantern.example", "note": "asks Sorrel"}


def contact_of(world: World, **text: str) -> Contact:
    return locations.register_contact(world.office, location_id=world.location.pk, text=text or dict(QUILL))


def tables_with(words: str) -> set[str]:
    """Return every table of the database, of Django's own too, in which some words or their bytes stand."""
    holding = set()
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f'SELECT * FROM "{table}"')
            values = (value for row in cursor.fetchall() for value in row)
            if any(words in _text(value) for value in values):
                holding.add(table)
    return holding


def _text(value: object) -> str:
    return bytes(value).hex() if isinstance(value, bytes | memoryview) else repr(value)


def leaves() -> dict[int, bytes]:
    return {entry.index: bytes(entry.leaf_hash) for entry in Entry.objects.all()}


# --- what is left ----------------------------------------------------------------------------------


def test_nothing_of_an_erased_contact_is_left_in_any_table_whichever_way_it_came(world: World) -> None:
    office, desk = Api(world).as_(world.office), signed_in(world.office)
    reply = made(office.post("contacts/", {"location": str(world.location.pk), **QUILL}), "contacts")
    ok(office.patch(f"contacts/{reply['id']}/", {"note": "asks Bracken"}, tag=reply.tag))
    correct = at("contact_correct", reply["id"])
    assert post(desk, correct, "record", phone="555-0188").status_code == 303
    desk.get(correct)
    texts = ContactText.objects.filter(contact=reply["id"])
    salts = [bytes(text.salt).hex() for text in texts if text.salt]
    words = [*QUILL.values(), "Bracken", "555-0188", *salts]
    assert len(salts) == 3
    assert "registry_requestanswer" in tables_with("Quill Ottery")
    assert all("registry_contacttext" in tables_with(word) for word in words)

    erase = at("contact_erase", reply["id"])
    assert post(desk, erase, "record", reason="as asked").status_code == 303

    assert {word: tables_with(word) for word in words} == {word: set() for word in words}
    assert RequestAnswer.objects.filter(contact_id=reply["id"]).count() == 1  # that of the erasure itself
    assert audit().clean


def test_an_erasure_leaves_every_leaf_of_the_ledger_as_it_was(world: World) -> None:
    contact = contact_of(world)
    locations.correct_contact(world.office, contact_id=contact.pk, text={"note": "asks Bracken"})
    before = leaves()

    locations.erase_contact(world.office, contact_id=contact.pk, reason="as asked")

    after = leaves()
    assert after.pop(newest().index)
    assert after == before
    assert {e.index: leaf_hash(e.body.encode()) for e in Entry.objects.all()} == leaves()


# --- what is said ----------------------------------------------------------------------------------


def test_the_audit_says_what_was_erased_where_when_and_by_whom_and_names_nobody(world: World) -> None:
    kept, contact = contact_of(world, name="Joss Marram"), contact_of(world)
    locations.correct_contact(world.office, contact_id=contact.pk, text={"note": "asks Bracken"})
    world.clock.at += timedelta(hours=5)
    locations.erase_contact(world.office, contact_id=contact.pk, reason="as asked")

    report = audit()

    entry = newest()
    assert report.clean
    assert report.erasures == [
        Erasure(
            contact=str(contact.pk),
            label=contact.label,
            location=world.location.label,
            texts=2,
            entry=entry.index,
            recorded_at=time_text(entry.recorded_at),
            staff=str(world.office.staff_id),
            face="api",
        )
    ]
    assert report.erasures[0].by == f"staff member {str(world.office.staff_id)[-6:]}"
    assert (report.texts, report.erased, report.erasures_counted) == (3, 2, 1)
    assert not any(str(kept.pk) in repr(erasure) for erasure in report.erasures)


def test_the_command_tells_erasures_to_people_and_to_machines(brief: Life) -> None:
    contact = Contact.objects.get(erased=True)
    entry = Entry.objects.get(verb="contact.erased")
    people, machines = StringIO(), StringIO()

    call_command("audit", stdout=people)
    call_command("audit", "--json", stdout=machines)

    staff = str(brief.world.office.staff_id)
    assert (
        f"Erased: 1 text of {contact.label} of {brief.world.location.label}, by entry {entry.index} at"
        f" {time_text(entry.recorded_at)}, by staff member {staff[-6:]}." in people.getvalue().splitlines()
    )
    assert json.loads(machines.getvalue())["erasures"] == [
        {
            "contact": str(contact.pk),
            "label": contact.label,
            "location": brief.world.location.label,
            "texts": 1,
            "entry": entry.index,
            "recorded_at": time_text(entry.recorded_at),
            "staff": staff,
            "face": "api",
        }
    ]
    assert "Fenner" not in people.getvalue() + machines.getvalue()


def test_erasures_beyond_the_limits_are_counted(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("registry.ledger._findings.ERASURES_LISTED_MAX", 2)
    monkeypatch.setattr("registry.management.commands.audit.ERASURES_TOLD_MAX", 1)
    contacts = [contact_of(world) for _ in range(3)]
    for contact in contacts:
        locations.erase_contact(world.office, contact_id=contact.pk)
    people, machines = StringIO(), StringIO()

    call_command("audit", stdout=people)
    call_command("audit", "--json", stdout=machines)

    answer = json.loads(machines.getvalue())
    assert (len(answer["erasures"]), answer["erasures_counted"]) == (2, 3)
    assert people.getvalue().count("Erased: ") == 1
    assert contacts[1].label in people.getvalue()  # the newest that is listed
    assert "... and 2 erasures more; --json lists them." in people.getvalue()


# --- who says that something was erased ------------------------------------------------------------


def test_a_contact_marked_erased_behind_the_ledgers_back_is_no_erasure(brief: Life) -> None:
    text = ContactText.objects.filter(contact=brief.contact).latest("id")

    def erase() -> Any:
        edit(brief.contact, erased=True)
        edit(text, salt=None, text=None)

    findings = found(erase)

    assert [(f.layer, f.table, f.field) for f in findings] == [
        ("rows", "contact", "erased"),
        ("commitments", "contacttext", ""),
    ]
    assert (
        findings[1].words == f"The text of contact {brief.contact.pk} is gone, although no entry erased it."
    )


def test_no_finding_about_a_personal_text_repeats_it(brief: Life) -> None:
    text = ContactText.objects.filter(contact=brief.contact).latest("id")

    [finding] = found(lambda: edit(text, text={"name": "Somebody Else"}))

    assert "Somebody" not in repr(finding)
    assert "Hollis" not in repr(finding)
