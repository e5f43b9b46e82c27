"""Locations: their page, with the installation timeline."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpResponse, QueryDict
from django.urls import reverse

from registry.actions import assignments, cabinets, locations, visits
from registry.console._histories import rows_of
from registry.console._pages import Asked, Button, Visit, page
from registry.console.acceptance import checks_of
from registry.models import Account, Cabinet, Contact, Device, LocationHolding, LocationState
from registry.queries.cabinets import cabinets_at
from registry.queries.contacts import contacts_held, contacts_in
from registry.queries.locations import LocationAt, location_at
from registry.queries.records import refer_as_known
from registry.queries.timelines import Event, location_timeline
from registry.queries.visits import visits_to_come
from registry.rules.errors import RuleBroken
from registry.rules.locations import LocationStanding

EVENTS_SHOWN_MAX = 100  # on one page of a timeline, the newest first


@dataclass(frozen=True, slots=True)
class Picked:
    """A thing by which a timeline can be narrowed, and whether it is."""

    key: str
    label: str
    chosen: bool


def address_of(key: UUID) -> str:
    """Return the address of a location's page."""
    return reverse("admin:location", args=[key])


def trail(*steps: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the way from the front page to something of a location."""
    return [("Locations", reverse("admin:registry_location_changelist")), *steps]


@page
def location(visit: Visit, key: UUID) -> HttpResponse:
    """Show a location: what it is, what stands and hangs there, and its installation timeline."""
    now = location_at(key, visit.present, visit.scope)
    visit.in_zone(now.location.time_zone)
    asked = visit.asked()
    context: dict[str, Any] = {"asked": asked, "title": now.location.label, "trail": trail()}
    try:
        at = now if asked.is_now else location_at(key, asked.moment, visit.scope)
    except RuleBroken:
        return visit.show("console/not_yet.html", context, status=asked.status)
    visit.in_zone(at.location.time_zone)
    return visit.show(
        "console/location.html",
        {
            **context,
            "title": at.location.label,
            "at": at,
            "checks": checks_of(visit, location=key) if asked.is_now else [],
            "contacts": contacts_held(_contacts(visit, key)),
            "buttons": _buttons(visit, now),
            "contact_buttons": visit.buttons(
                (locations.register_contact, "Add a contact", reverse("admin:contact_add", args=[key]))
            ),
            "may_correct_contact": visit.may(locations.correct_contact),
            "cabinets": cabinets_at(asked.moment, location_id=key),
            "visits_to_come": visits_to_come(visit.scope, location_id=key) if asked.is_now else [],
            **_histories(visit, asked, key),
            **timeline_of(
                visit, location_timeline(key, known_index=asked.moment.index, zone=visit.zone), asked
            ),
        },
        status=asked.status,
    )


def _contacts(visit: Visit, key: UUID) -> "QuerySet[Contact]":
    return contacts_in(visit.scope).filter(location=key, erased=False).order_by("registered", "id")


def _histories(visit: Visit, asked: Asked, key: UUID) -> dict[str, Any]:
    index = asked.moment.index
    states = LocationState.objects.believed_at(index).filter(location=key)
    held = list(LocationHolding.objects.believed_at(index).filter(location=key))
    refer_as_known(held, index, account=Account)
    return {
        "states": rows_of(visit, asked, states, lambda version: version.state),
        "holders": rows_of(
            visit,
            asked,
            held,
            lambda version: f"{version.account.label}, store {version.store_number}",
            link=lambda version: reverse("admin:account", args=[version.account_id]),
        ),
    }


def _buttons(visit: Visit, now: LocationAt) -> list[Button]:
    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[now.location.pk])

    correct = (locations.correct_location, "Correct", to("location_correct"))
    if now.state == LocationStanding.CLOSED:
        return visit.buttons(correct, (locations.set_location_state, "Open again", to("location_state")))
    return visit.buttons(
        (assignments.assign_device, "Assign a device", to("location_assign")),
        (visits.plan_visit, "Plan a visit", to("visit_plan")),
        (
            cabinets.register_cabinet,
            "Register a cabinet",
            f"{reverse('admin:cabinet_register')}?location={now.location.pk}",
        ),
        correct,
        (locations.set_location_state, "Change its state", to("location_state")),
        (locations.hand_location, "Hand over", to("location_hand")),
        (locations.close_location, "Close", to("location_close")),
    )


def timeline_of(visit: Visit, events: Sequence[Event], asked: Asked) -> dict[str, Any]:
    """Return what a page needs to show a timeline: narrowed as asked, the newest first, by the page."""
    given = visit.request.GET
    told = [event for event in events if event.occurred_at <= asked.moment.valid_at]
    cabinets = _picked(Cabinet, {key for event in told for key in event.cabinets}, given.get("cabinet", ""))
    devices = _picked(Device, {key for event in told for key in event.devices}, given.get("device", ""))
    wanted_cabinet = next((one.key for one in cabinets if one.chosen), "")
    wanted_device = next((one.key for one in devices if one.chosen), "")
    shown = [
        event
        for event in reversed(told)
        if (not wanted_cabinet or UUID(wanted_cabinet) in event.cabinets)
        and (not wanted_device or UUID(wanted_device) in event.devices)
    ]
    picked = {"cabinet": wanted_cabinet, "device": wanted_device}
    moment = {"as_of": asked.as_of, "known_at": asked.known_at}
    return {
        "shown": Paginator(shown, EVENTS_SHOWN_MAX).get_page(given.get("page")),
        "picked_cabinets": cabinets,
        "picked_devices": devices,
        "narrowed": any(picked.values()),
        "keep": [(name, value) for name, value in picked.items() if value],
        "keep_moment": [(name, value) for name, value in moment.items() if value],
        "keep_query": _query(picked),
        "moment_query": _query(moment),
        "leaf_query": _query({**moment, **picked}),
    }


def _picked(model: Any, keys: set[UUID], typed: str) -> list[Picked]:
    found = [(str(thing.pk), thing.label) for thing in model.objects.filter(pk__in=keys)]
    return [Picked(key, label, key == typed) for key, label in sorted(found, key=lambda one: one[1])]


def _query(values: dict[str, str]) -> str:
    query = QueryDict(mutable=True)
    query.update({name: value for name, value in values.items() if value})
    return query.urlencode()
