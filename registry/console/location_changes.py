"""What may be done to a store: corrected, opened or laid to sleep, closed, handed to another account."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse

from registry.actions import locations
from registry.console._forms import Choice, KeyChoice, PlainForm, Reason, Text, TimeField
from registry.console._pages import Visit
from registry.console._stores import BEGINNINGS, LocationFields, StoreForm, depots_of
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.locations import address_of, trail
from registry.models import Account
from registry.queries.locations import LocationAt, location_at
from registry.rules.locations import FIELDS, LocationStanding


class CorrectForm(LocationFields):
    """A location's particulars, and why they are put right."""

    reason = Reason()

    groups: Mapping[str, tuple[str, ...]] = {
        "The store": (
            "name", "street", "postal_code", "locality", "region", "country", "depot", "time_zone",
        ),
        "More about it": StoreForm.groups["More about it"],
        "Why": ("reason",),
    }  # fmt: skip


class StateForm(PlainForm):
    """Which state, from when, and why."""

    state = Choice("State", BEGINNINGS)
    valid_from = TimeField("Since when")
    reason = Reason()


class CloseForm(PlainForm):
    """From when a location is closed, and where what stands there goes."""

    valid_from = TimeField("Closed since")
    cabinets_to = KeyChoice("Its cabinets go to", optional=True, blank="none stand there")
    devices_to = KeyChoice("Devices come out to", optional=True, blank="the cabinets' depot")
    reason = Reason()

    def __init__(self, *args: Any, depots: list[tuple[UUID, str]], **options: Any) -> None:
        super().__init__(*args, **options)
        for name in ("cabinets_to", "devices_to"):
            self.fields[name].offer(depots)  # type: ignore[attr-defined]


class HandForm(PlainForm):
    """Who holds a location from when on, under which number, and why."""

    account = KeyChoice("To the account")
    store_number = Text("Store number", help_text="by which that account counts it")
    valid_from = TimeField("Since when")
    reason = Reason()

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        accounts = Account.objects.order_by("code")
        self.fields["account"].offer((one.pk, one.label) for one in accounts)  # type: ignore[attr-defined]


def _store(visit: Visit, key: UUID) -> LocationAt:
    at = location_at(key, visit.present, visit.scope)
    visit.in_zone(at.location.time_zone)
    return at


@writing(locations.correct_location)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Correct a location's particulars."""
    row = _store(visit, key).location
    initial = {name: getattr(row, name) for name in FIELDS}
    initial |= {
        "depot": row.depot_id,
        "authority_on": row.authority_on.isoformat() if row.authority_on else "",
    }
    return write(
        visit,
        Wish(
            title=f"Correct {row.label}",
            form=lambda *given, **options: CorrectForm(*given, depots=depots_of(visit), **options),
            action=locations.correct_location,
            arguments=lambda form: {
                "location_id": key,
                "particulars": {**form.particulars(), "depot_id": form.cleaned_data["depot"]},
                "reason": form.cleaned_data["reason"],
            },
            back=address_of(key),
            trail=trail((row.label, address_of(key))),
            about=[key],
            initial=initial,
            words="Put right what was wrong. What it said before stays in the ledger. Another depot shows the"
            " store to the people of that depot, and hides it from those of this one.",
        ),
    )


@writing(locations.set_location_state)
def set_state(visit: Visit, key: UUID) -> HttpResponse:
    """Open a location, or lay it to sleep for the season."""
    at = _store(visit, key)
    likely = LocationStanding.ASLEEP if at.state == LocationStanding.OPEN else LocationStanding.OPEN
    return write(
        visit,
        Wish(
            title=f"State of {at.location.label}",
            form=StateForm,
            action=locations.set_location_state,
            arguments=lambda form: {"location_id": key, **form.given()},
            back=address_of(key),
            trail=trail((at.location.label, address_of(key))),
            about=[key],
            initial={"state": likely, "valid_from": type_time(visit.now, visit.zone)},
            fields={"location": "state"},
            words=f"It is {at.state} now. Asleep is a store out of season, whose freezers stay.",
        ),
    )


@writing(locations.close_location)
def close(visit: Visit, key: UUID) -> HttpResponse:
    """Close a location; what stands and hangs there goes to a depot."""
    at = _store(visit, key)
    return write(
        visit,
        Wish(
            title=f"Close {at.location.label}",
            form=lambda *given, **options: CloseForm(*given, depots=depots_of(visit), **options),
            action=locations.close_location,
            arguments=lambda form: {"location_id": key, **form.given()},
            back=address_of(key),
            trail=trail((at.location.label, address_of(key))),
            about=[key],
            initial={"valid_from": type_time(visit.now, visit.zone)},
            words="Cabinets that stand there go to a depot, and the devices in them come out.",
            caution="This books what has happened. Freezers are disconnected and moved by people who may"
            " do so; local codes and the maker's instructions come first.",
        ),
    )


@writing(locations.hand_location)
def hand(visit: Visit, key: UUID) -> HttpResponse:
    """Hand a location to another account."""
    at = _store(visit, key)
    held = f"{at.account.label} holds it now, as store {at.store_number}." if at.account else ""
    return write(
        visit,
        Wish(
            title=f"Hand over {at.location.label}",
            form=HandForm,
            action=locations.hand_location,
            arguments=lambda form: {
                "location_id": key,
                **{name: value for name, value in form.given().items() if name != "account"},
                "account_id": form.cleaned_data["account"],
            },
            back=address_of(key),
            trail=trail((at.location.label, address_of(key))),
            about=[key],
            initial={"valid_from": type_time(visit.now, visit.zone)},
            words=f"{held} Its cabinets and devices stay where they are.",
        ),
    )
