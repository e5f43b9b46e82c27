"""Contacts: whom to ask at a location. Their words are personal, stay out of the ledger and can be erased."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import locations as actions
from registry.api._fields import In, Key, Text
from registry.api._filters import TruthFilter
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import Contact
from registry.queries.contacts import ContactHeld, contact_held, contacts_held, contacts_in
from registry.queries.moments import Moment

# --- what is read ----------------------------------------------------------------------------------


class CorrectContactIn(In):
    """Whom to ask; what is left out stays."""

    name = Text(required=False)
    phone = Text(required=False)
    email = Text(required=False)
    note = Text(required=False)


class RegisterContactIn(CorrectContactIn):
    """Somebody to ask at a location."""

    name = Text()
    location = Key(source="location_id")

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Return the action's arguments."""
        given = super().to_internal_value(data)
        return {"location_id": given.pop("location_id"), "text": given}


class EraseIn(In):
    """A contact is erased."""

    reason = Text(required=False, help_text="enters the ledger for good, so nothing personal")


# --- what is shown ---------------------------------------------------------------------------------


class ContactOut(serializers.Serializer):  # type: ignore[type-arg]
    """Somebody to ask at a location."""

    id = serializers.UUIDField(source="contact.pk")
    location = serializers.UUIDField(source="contact.location_id")
    location_name = serializers.CharField(source="contact.location.label")
    erased = serializers.BooleanField(source="contact.erased", help_text="true: nothing is held of it")
    name = serializers.CharField(source="text.name")
    phone = serializers.CharField(source="text.phone")
    email = serializers.CharField(source="text.email")
    note = serializers.CharField(source="text.note")


class ContactFilter(RegisterFilter):
    """Filters of contacts."""

    location = UUIDFilter(field_name="location_id", label="of this location")
    erased = TruthFilter(label="false: those only of whom something is held")


# --- addresses -------------------------------------------------------------------------------------


class ContactShown(RegisterView):
    """How one contact is shown."""

    noun, place = "contact", "contacts"
    out = ContactOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a contact as it is held now; raises RuleBroken NOT_FOUND."""
        return self.out(contact_held(key, self.scope)).data


class ContactsView(ContactShown, ListView):
    """Contacts of the locations of this person's depots."""

    filters = ContactFilter

    def rows(self, moment: Moment) -> "QuerySet[Contact]":
        """Return the contacts of this person's depots."""
        return contacts_in(self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[ContactHeld]:
        """Return them with what is held of them."""
        return contacts_held(rows)

    @changes(actions.register_contact, RegisterContactIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Add somebody to ask at a location."""
        return self.change(made=lambda contact: contact.pk, **given)


class ContactView(ContactShown, ThingView):
    """One contact."""

    @changes(actions.correct_contact, CorrectContactIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct whom to ask."""
        return self.change(key=key, contact_id=key, text=given)


class ContactEraseView(ContactShown):
    """The erasing of a contact."""

    @changes(actions.erase_contact, EraseIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Erase every text of a contact, and kept answers that repeat it."""
        return self.change(key=key, contact_id=key, **given)
