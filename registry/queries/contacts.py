"""Contacts of locations: whom to ask there, in the words that are held now."""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet

from registry.models import Contact, ContactText
from registry.rules.errors import absent
from registry.rules.locations import CONTACT_FIELDS
from registry.rules.roles import Scope


@dataclass(frozen=True, slots=True)
class ContactHeld:
    """A contact with its newest text: name, phone, email and note, each blank once it was erased."""

    contact: Contact
    text: dict[str, str]


def contacts_in(scope: Scope) -> "QuerySet[Contact]":
    """Return the contacts of the locations of the scope's depots, in no order, with their locations."""
    found = Contact.objects.select_related("location")
    return found if scope.everywhere else found.filter(location__depot__in=scope.depots)


def contacts_held(rows: Iterable[Contact]) -> list[ContactHeld]:
    """Return contacts that were read, in their order, with what is held of them: one query."""
    contacts = list(rows)
    commitments = [contact.commitment for contact in contacts]
    texts = dict(ContactText.objects.filter(commitment__in=commitments).values_list("commitment", "text"))
    return [
        ContactHeld(contact, {**dict.fromkeys(CONTACT_FIELDS, ""), **(texts.get(contact.commitment) or {})})
        for contact in contacts
    ]


def contact_held(contact_id: UUID, scope: Scope) -> ContactHeld:
    """Return one contact as it is held now; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    for held in contacts_held(contacts_in(scope).filter(pk=contact_id)):
        return held
    raise absent("contact")
