"""Depots, places with cabinets, who holds them, and whom to ask there."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from registry.models.accounts import Account
from registry.models.base import (
    Keyed,
    LedgerKind,
    PeriodVersion,
    Record,
    code_field,
    ends_after_start,
    line_field,
    one_of,
    word_field,
)
from registry.rules.locations import LocationStanding


class Depot(Record):
    """A depot of the company: where cabinets and devices wait, and the scope of people's work."""

    code = code_field(unique=True)
    name = line_field()

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(code=""), name="depot_has_code")]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.code} {self.name}"


class Location(Record):
    """A place with cabinets. Its account, store number and state are dated, in tables of their own."""

    name = line_field()
    street = models.TextField(blank=True)  # up to three lines
    locality = line_field()
    region = line_field(blank=True)
    postal_code = line_field(blank=True)
    country = models.CharField(max_length=2)  # ISO 3166-1 alpha-2
    latitude = models.DecimalField(max_digits=8, decimal_places=6, null=True)  # degrees, WGS 84
    longitude = models.DecimalField(max_digits=9, decimal_places=6, null=True)
    time_zone = models.CharField(max_length=64)  # IANA name
    gln = models.CharField(max_length=13, unique=True, null=True)
    visiting_hours = models.TextField(blank=True)
    authority_on = models.DateField(null=True)  # when the customer allowed the installation
    authority_reference = line_field(blank=True)
    depot = models.ForeignKey(Depot, on_delete=models.PROTECT, related_name="locations")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(latitude=None, longitude=None)
                # A comparison with NULL is neither true nor false, and a check lets that pass.
                | Q(
                    latitude__isnull=False,
                    longitude__isnull=False,
                    latitude__gte=-90,
                    latitude__lte=90,
                    longitude__gte=-180,
                    longitude__lte=180,
                ),
                name="location_coordinates_on_earth",
            ),
        ]
        indexes = [models.Index(fields=["name", "id"], name="location_by_name")]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.name}, {self.locality}"


class LocationState(PeriodVersion):
    """The state of a location over a period."""

    history_of = "location"

    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="states")
    state = word_field()

    class Meta:
        constraints = [
            ends_after_start("location_state"),
            one_of("state", LocationStanding, "location_state_known"),
        ]


class LocationHolding(PeriodVersion):
    """Which account held a location, and under which store number of its own, over a period."""

    history_of = "location"

    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="holdings")
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="holdings")
    store_number = code_field()

    class Meta:
        constraints = [
            ends_after_start("location_holding"),
            models.CheckConstraint(condition=~Q(store_number=""), name="location_holding_has_number"),
        ]


class Contact(Record):
    """Somebody to ask at a location. The ledger holds a commitment; the text is in ContactText."""

    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="contacts")
    commitment = models.CharField(max_length=64)
    erased = models.BooleanField(default=False)

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"contact {str(self.pk)[-6:]}"


class ContactText(Keyed):
    """What a contact's commitment was made of, one row a version: wiped when the contact is erased."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.ERASABLE

    contact = models.ForeignKey(Contact, on_delete=models.PROTECT, related_name="texts")
    commitment = models.CharField(max_length=64, unique=True)
    salt = models.BinaryField(max_length=16, null=True)
    text = models.JSONField(null=True)  # name, phone, email, note

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(salt=None, text=None) | Q(salt__isnull=False, text__isnull=False),
                name="contact_text_erased_whole",
            )
        ]

    def __str__(self) -> str:
        return f"text of contact {self.contact_id}"
