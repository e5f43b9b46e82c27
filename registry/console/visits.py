"""Visits in the console: planned, listed by day, shown with cautions and kit, released, cancelled."""

from datetime import date
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.urls import reverse

from registry.actions import surveys
from registry.actions import visits as actions
from registry.console._choices import Choices, installers, zone_of_person
from registry.console._forms import Choice, Day, KeyChoice, PlainForm, Reason, Text, words_of
from registry.console._pages import Button, Visit, page
from registry.console._writing import Wish, write, writing
from registry.console.locations import address_of as address_of_location
from registry.console.locations import trail as trail_of_locations
from registry.models import Location
from registry.models import Visit as Planned
from registry.queries.cabinets import cabinets_at
from registry.queries.locations import location_at
from registry.queries.timelines import visit_story
from registry.queries.visits import (
    against_begin,
    against_release,
    cabinets_of,
    kit_of,
    visit_now,
    visits_as_shown,
    visits_in_sight,
    work_of,
)
from registry.rules.cautions import DEFER
from registry.rules.visits import NEXT, OPEN, VisitKind, VisitState

VISITS_SHOWN = 100  # on one page


def address_of(key: UUID) -> str:
    """Return the address of a visit's page."""
    return reverse("admin:visit", args=[key])


def in_sight(visit: Visit, key: UUID) -> Planned:
    """Return a visit, and tell the page's times in the zone of its store; raises RuleBroken NOT_FOUND."""
    planned = visit_now(key, visit.scope, visit.staff.pk)
    visit.in_zone(planned.location.time_zone)
    return planned


def trail() -> list[tuple[str, str]]:
    """Return the way from the front page to a visit."""
    return [("Visits", reverse("admin:visits"))]


def name_of(planned: Planned) -> str:
    """Return how a page calls a visit: what for, and where."""
    return f"{planned.kind.capitalize()} at {planned.location.name}"


def day_asked(visit: Visit) -> tuple[date | None, str]:
    """Return the day that `day` asks for, None where it asks for none, and what is wrong with it."""
    typed = visit.request.GET.get("day", "").strip()
    try:
        return (date.fromisoformat(typed) if typed else None), ""
    except ValueError:
        return None, "Write a day as 2026-05-01."


@page
def index(visit: Visit) -> HttpResponse:
    """List visits by day: those that are still to be made, or all of them, the newest day first."""
    visit.in_zone(zone_of_person(visit))
    day, wrong = day_asked(visit)
    everything = visit.request.GET.get("show") == "all"
    rows = visits_as_shown(visits_in_sight(visit.scope, visit.staff.pk))
    if not everything:
        rows = rows.filter(state__in=[str(state) for state in OPEN])
    if day:
        rows = rows.filter(planned_on=day)
    order = "-planned_on" if everything else "planned_on"
    found = rows.order_by(order, "installer__name", "installer", "location__name", "id")
    return visit.show(
        "console/visits.html",
        {
            "title": "Visits",
            "shown": Paginator(found, VISITS_SHOWN).get_page(visit.request.GET.get("page")),
            "day": visit.request.GET.get("day", ""),
            "wrong": wrong,
            "everything": everything,
            "open_states": OPEN,
            "today": visit.now.astimezone(visit.zone).date(),
            "keep_query": f"show={'all' if everything else 'open'}{f'&day={day}' if day else ''}",
        },
        status=422 if wrong else 200,
    )


@page
def shown(visit: Visit, key: UUID) -> HttpResponse:
    """Show a visit: what stands against it, what may hurt there, what to take along, what happened."""
    planned = in_sight(visit, key)
    waits = planned.state == VisitState.PLANNED
    is_open = planned.state in OPEN
    return visit.show(
        "console/visit.html",
        {
            "title": name_of(planned),
            "trail": trail(),
            "planned": planned,
            "waits": waits,
            "is_open": is_open,
            "against": against_release(planned) if waits else _lost(visit, planned),
            "work": [(one, _survey_buttons(visit, planned, one.line.cabinet_id)) for one in work_of(planned)],
            "defer": DEFER,
            "kit": kit_of([planned]),
            "buttons": _buttons(visit, planned),
            "shown": reversed(visit_story(key, zone=visit.zone)),
        },
    )


def _lost(visit: Visit, planned: Planned) -> str:
    """Return what a released visit has lost since its release; blank for any other one."""
    if planned.state != VisitState.RELEASED:
        return ""
    return against_begin(planned, max(planned.planned_on, visit.now.astimezone(visit.zone).date()))


def _buttons(visit: Visit, planned: Planned) -> list[Button]:
    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[planned.pk])

    nexts = NEXT[VisitState(planned.state)]
    offers: list[Any] = []
    if VisitState.RELEASED in nexts:
        offers.append((actions.release_visit, "Release", to("visit_release")))
    if planned.state == VisitState.RELEASED and against_begin(planned, planned.planned_on):
        offers.append((actions.release_visit, "Release again", to("visit_release")))
    if VisitState.BEGUN in nexts:
        offers.append((actions.begin_visit, "Begin", to("visit_begin")))
    if VisitState.DONE in nexts:
        offers.append((actions.finish_visit, "Finish", to("visit_finish")))
    if planned.state in (VisitState.PLANNED, VisitState.RELEASED):
        offers.append((actions.correct_visit, "Change", to("visit_correct")))
    if VisitState.CANCELLED in nexts:
        offers.append((actions.cancel_visit, "Cancel", to("visit_cancel")))
    return visit.buttons(*offers)


def _survey_buttons(visit: Visit, planned: Planned, cabinet_id: UUID) -> list[Button]:
    if planned.state not in OPEN:
        return []
    address = reverse("admin:cabinet_survey", args=[cabinet_id])
    return visit.buttons((surveys.record_survey, "Survey it", f"{address}?visit={planned.pk}"))


# --- planning --------------------------------------------------------------------------------------


class Cabinets(forms.TypedMultipleChoiceField):
    """Cabinets of a location, each ticked or not, in the order of work."""

    def __init__(self) -> None:
        super().__init__(
            label="Cabinets", required=False, coerce=UUID, widget=forms.CheckboxSelectMultiple,
            error_messages={"invalid_choice": "Choose those of the list."},
        )  # fmt: skip


class ChangeForm(PlainForm):
    """On which day, by whom, and for which cabinets."""

    planned_on = Day("Day", help_text="at the store, such as 2026-05-01")
    installer = KeyChoice("Installer", optional=True, blank="nobody yet")
    cabinets = Cabinets()
    note = Text(
        "Note",
        optional=True,
        lines=2,
        help_text="Kept in the ledger for good. Write no personal data here.",
    )

    def __init__(self, *args: Any, people: Choices, cabinets: Choices, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["installer"].offer(people)  # type: ignore[attr-defined]
        self.fields["cabinets"].choices = [(str(key), words) for key, words in cabinets]  # type: ignore[attr-defined]

    def plan(self) -> dict[str, Any]:
        """Return the plan as the actions take it."""
        given = {name: self.cleaned_data[name] for name in ("planned_on", "note", "cabinets")}
        return {**given, "installer_id": self.cleaned_data["installer"]}


class PlanForm(ChangeForm):
    """What a visit is planned with."""

    kind = Choice("What for", words_of(VisitKind))
    reason = Reason(label="Why it is recorded late")
    field_order = ("kind",)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        why = "Only for work of a day that is over. Kept in the ledger for good: no personal data."
        self.fields["reason"].help_text = why


class CorrectForm(ChangeForm):
    """What of a plan can be changed, and why."""

    reason = Reason()


def _cabinets_of(visit: Visit, location: Location, first: list[UUID]) -> Choices:
    """Return the cabinets that stand at a location, those of the visit first, in the order of work."""
    here = {
        row.cabinet.pk: f"{row.cabinet.label}, {row.cabinet.model.name}"
        for row in cabinets_at(visit.present, location_id=location.pk)
    }
    keys = [key for key in first if key in here] + [key for key in here if key not in first]
    return [(key, here[key]) for key in keys]


@writing(actions.plan_visit)
def plan(visit: Visit, key: UUID) -> HttpResponse:
    """Plan a visit to a location."""
    location = location_at(key, visit.present, visit.scope).location
    visit.in_zone(location.time_zone)
    people, cabinets = installers(location.depot_id), _cabinets_of(visit, location, [])
    return write(
        visit,
        Wish(
            title=f"Plan a visit to {location.label}",
            form=lambda *args, **options: PlanForm(*args, people=people, cabinets=cabinets, **options),
            action=actions.plan_visit,
            arguments=lambda form: {
                "location_id": key,
                "kind": form.cleaned_data["kind"],
                "reason": form.cleaned_data["reason"],
                **form.plan(),
            },
            back=address_of_location(key),
            after=lambda written: address_of(written.pk),
            initial={
                "kind": str(VisitKind.INSTALL),
                "planned_on": str(visit.now.astimezone(ZoneInfo(location.time_zone)).date()),
                "cabinets": [str(one) for one, _ in cabinets],
            },
            fields={"installer_id": "installer"},
            trail=trail_of_locations((location.label, address_of_location(key))),
            words="A survey may be planned without cabinets. Nobody goes before the visit is released.",
        ),
    )


@writing(actions.correct_visit)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Change the plan of a visit on which nobody has begun."""
    planned = in_sight(visit, key)
    chosen = [line.cabinet_id for line in cabinets_of(planned)]
    people = installers(planned.location.depot_id)
    cabinets = _cabinets_of(visit, planned.location, chosen)
    return write(
        visit,
        Wish(
            title=f"Change: {name_of(planned)}",
            form=lambda *args, **options: CorrectForm(*args, people=people, cabinets=cabinets, **options),
            action=actions.correct_visit,
            arguments=lambda form: {
                "visit_id": key,
                "particulars": form.plan(),
                "reason": form.cleaned_data["reason"],
            },
            back=address_of(key),
            about=[key],
            initial={
                "planned_on": str(planned.planned_on),
                "installer": planned.installer_id,
                "cabinets": [str(one) for one in chosen],
                "note": planned.note,
            },
            fields={"installer_id": "installer"},
            trail=[*trail(), (name_of(planned), address_of(key))],
            words="A visit to other cabinets than were released has to be released again.",
        ),
    )


# --- letting it go ahead, and calling it off -------------------------------------------------------


class ReleaseForm(PlainForm):
    """Why a visit goes ahead although something is missing."""

    override_reason = Text(
        "Reason to release it all the same",
        optional=True,
        lines=2,
        help_text="Only where something is missing. Kept in the ledger for good: no personal data.",
    )


class CancelForm(PlainForm):
    """Why a visit is called off."""

    reason = Reason(optional=False)


@writing(actions.release_visit)
def release(visit: Visit, key: UUID) -> HttpResponse:
    """Let a visit go ahead, with a reason where something stands against it."""
    planned = in_sight(visit, key)
    against = against_release(planned)
    return write(
        visit,
        Wish(
            title=f"Release: {name_of(planned)}",
            form=ReleaseForm,
            action=actions.release_visit,
            arguments=lambda form: {"visit_id": key, **form.given()},
            back=address_of(key),
            about=[key],
            trail=[*trail(), (name_of(planned), address_of(key))],
            words=against or "Nothing stands against it.",
        ),
    )


@writing(actions.cancel_visit)
def cancel(visit: Visit, key: UUID) -> HttpResponse:
    """Cancel a visit, with a reason."""
    planned = in_sight(visit, key)
    return write(
        visit,
        Wish(
            title=f"Cancel: {name_of(planned)}",
            form=CancelForm,
            action=actions.cancel_visit,
            arguments=lambda form: {"visit_id": key, **form.given()},
            back=address_of(key),
            about=[key],
            trail=[*trail(), (name_of(planned), address_of(key))],
            words="For good: plan another visit to go there after all.",
        ),
    )
