"""Whom to ask at a store: added, corrected, erased. The ledger never holds their words."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse

from registry.actions import locations
from registry.console._forms import PlainForm, Reason, Text
from registry.console._pages import Visit
from registry.console._writing import Wish, write, writing
from registry.console.locations import address_of, trail
from registry.models import Location
from registry.queries.changes import NOTHING, ChangeLine
from registry.queries.contacts import ContactHeld, contact_held
from registry.queries.locations import location_at
from registry.rules.locations import CONTACT_FIELDS

WORDS = (
    "Kept apart from the ledger, which holds only a commitment, so that it can be erased when somebody asks."
)


class ContactForm(PlainForm):
    """Somebody to ask."""

    name = Text("Name")
    phone = Text("Phone", optional=True)
    email = Text("Email", optional=True)
    note = Text("Note", optional=True, help_text="when to reach them, for what")


class EraseForm(PlainForm):
    """Why a contact is erased."""

    reason = Reason()


def _store(visit: Visit, key: UUID) -> Location:
    row = location_at(key, visit.present, visit.scope).location
    visit.in_zone(row.time_zone)
    return row


def _said(was: dict[str, Any], will: dict[str, Any]) -> list[ChangeLine]:
    return [
        ChangeLine(name, str(was.get(name) or NOTHING), str(will.get(name) or NOTHING))
        for name in CONTACT_FIELDS
        if (was.get(name) or "") != (will.get(name) or "")
    ]


@writing(locations.register_contact)
def add(visit: Visit, key: UUID) -> HttpResponse:
    """Add a contact to a location."""
    store = _store(visit, key)
    return write(
        visit,
        Wish(
            title=f"Add a contact of {store.label}",
            form=ContactForm,
            action=locations.register_contact,
            arguments=lambda form: {"location_id": key, "text": form.given()},
            back=address_of(key),
            trail=trail((store.label, address_of(key))),
            words=WORDS,
            also=lambda form: _said({}, form.given()),
        ),
    )


@writing(locations.correct_contact)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Correct a contact."""
    held = _held(visit, key)
    return write(
        visit,
        Wish(
            title=f"Correct a contact of {held.contact.location.label}",
            form=ContactForm,
            action=locations.correct_contact,
            arguments=lambda form: {"contact_id": key, "text": form.given()},
            back=address_of(held.contact.location_id),
            trail=trail((held.contact.location.label, address_of(held.contact.location_id))),
            about=[key],
            initial=held.text,
            words=WORDS,
            also=lambda form: _said(held.text, form.given()),
        ),
    )


@writing(locations.erase_contact)
def erase(visit: Visit, key: UUID) -> HttpResponse:
    """Erase a contact."""
    held = _held(visit, key)
    return write(
        visit,
        Wish(
            title=f"Erase {held.text['name'] or 'a contact'} of {held.contact.location.label}",
            form=EraseForm,
            action=locations.erase_contact,
            arguments=lambda form: {"contact_id": key, "reason": form.cleaned_data["reason"]},
            back=address_of(held.contact.location_id),
            trail=trail((held.contact.location.label, address_of(held.contact.location_id))),
            about=[key],
            words="Every version of what is held of this person is wiped for good. That somebody was erased,"
            " and when, stays in the ledger.",
            also=lambda _form: _said(held.text, {}),
        ),
    )


def _held(visit: Visit, key: UUID) -> ContactHeld:
    held = contact_held(key, visit.scope)
    visit.in_zone(held.contact.location.time_zone)
    return held
