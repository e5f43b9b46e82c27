"""Cabinets: their page, and registering, correcting, moving, scrapping and splitting them."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import assignments, cabinets, periods, products, surveys
from registry.actions._stores import NewCabinet
from registry.console._cautions import caution_moving, caution_scrapping
from registry.console._choices import (
    cabinet_models,
    depots_of,
    name_of_store,
    store_named,
    zone_of_person,
    zone_of_stay,
)
from registry.console._forms import Choice, KeyChoice, PlainForm, Reason, Text, TimeField, words_of
from registry.console._histories import end_words, rows_of, stay_link, stay_words, stays_known
from registry.console._pages import Asked, Button, Visit, page
from registry.console._splits import SplitForm, front_of
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.acceptance import checks_of
from registry.console.locations import timeline_of
from registry.console.mountings import mountings_of
from registry.console.photos import photos_of
from registry.models import Device, DeviceWhereabouts, Location, Split
from registry.queries.cabinets import CabinetAt, cabinet_at
from registry.queries.changes import told_shares
from registry.queries.records import refer_as_known
from registry.queries.timelines import cabinet_story
from registry.queries.visits import visits_to_come
from registry.rules.cabinets import DevicesGo, Setting
from registry.rules.errors import RuleBroken, absent
from registry.rules.roles import Scope
from registry.rules.whereabouts import CabinetPlace

PARTICULARS = ("asset_tag", "maker_serial", "setting", "position", "condition")


def address_of(key: UUID) -> str:
    """Return the address of a cabinet's page."""
    return reverse("admin:cabinet", args=[key])


def trail(*steps: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the way from the front page to something of a cabinet."""
    return [("Cabinets", reverse("admin:registry_cabinet_changelist")), *steps]


def in_sight(visit: Visit, key: UUID) -> CabinetAt:
    """Return a cabinet as it stands now, and tell the page's times in its zone; raises RuleBroken."""
    now = cabinet_at(key, visit.present, visit.scope)
    visit.in_zone(zone_of_stay(now.stay))
    return now


@page
def cabinet(visit: Visit, key: UUID) -> HttpResponse:
    """Show a cabinet: what it is, where it stands, how it is split, what hangs in it, what happened."""
    now = in_sight(visit, key)
    asked = visit.asked()
    context: dict[str, Any] = {"asked": asked, "title": f"Cabinet {now.cabinet.label}", "trail": trail()}
    try:
        # Who may see it now is told all of its history, wherever it stood.
        at = now if asked.is_now else cabinet_at(key, asked.moment, Scope.of_all())
    except RuleBroken:
        return visit.show("console/not_yet.html", context, status=asked.status)
    story = cabinet_story(key, known_index=asked.moment.index, zone=visit.zone)
    return visit.show(
        "console/cabinet.html",
        {
            **context,
            "title": f"Cabinet {at.cabinet.label}",
            "at": at,
            "front": front_of(at),
            "hanging": [(place, _hanging_buttons(visit, place, asked)) for place in at.hanging],
            "buttons": _buttons(visit, now),
            "mountings": mountings_of(visit, now, asked),
            "photos": photos_of(visit, asked, cabinet=key),
            "visits_to_come": visits_to_come(visit.scope, cabinet_id=key) if asked.is_now else [],
            "checks": checks_of(visit, cabinet=key) if asked.is_now else [],
            **_histories(visit, asked, key),
            **timeline_of(visit, story, asked),
        },
        status=asked.status,
    )


def _histories(visit: Visit, asked: Asked, key: UUID) -> dict[str, Any]:
    index = asked.moment.index
    splits = list(Split.objects.believed_at(index).filter(cabinet=key))
    shares = told_shares([split.pk for split in splits], index)
    hung = list(DeviceWhereabouts.objects.believed_at(index).filter(cabinet=key))
    refer_as_known(hung, index, device=Device)
    return {
        "stays": rows_of(visit, asked, stays_known(asked, cabinet=key), stay_words, link=stay_link),
        "splits": rows_of(visit, asked, splits, lambda split: shares.get(str(split.pk), "")),
        "devices": rows_of(
            visit,
            asked,
            hung,
            lambda place: place.device.serial + (f" in slot {place.slot}" if place.slot != 1 else ""),
            link=lambda place: reverse("admin:device", args=[place.device_id]),
            note=end_words,
        ),
    }


def _buttons(visit: Visit, now: CabinetAt) -> list[Button]:
    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[now.cabinet.pk])

    place = now.stay.place
    offers: list[tuple[Callable[..., Any], str, str]] = [
        (cabinets.correct_cabinet, "Correct", to("cabinet_correct"))
    ]
    if place != CabinetPlace.SCRAPPED:
        offers = [
            (products.set_split, "Set the split", to("cabinet_split")),
            (cabinets.move_cabinet, "Move", to("cabinet_move")),
            *offers,
            (cabinets.scrap_cabinet, "Scrap", to("cabinet_scrap")),
        ]
    if place == CabinetPlace.LOCATION:
        # A second device is a rare wish, so it stands last.
        words = "Assign a second device" if now.hanging else "Assign a device"
        assign = (assignments.assign_device, words, to("cabinet_assign"))
        offers = [*offers, assign] if now.hanging else [assign, *offers]
        offers.append((surveys.record_survey, "Survey", to("cabinet_survey")))
    return visit.buttons(*offers)


def _hanging_buttons(visit: Visit, place: DeviceWhereabouts, asked: Asked) -> list[Button]:
    if not asked.is_now or place.valid_to is not None:
        return []
    return visit.buttons(
        (assignments.swap_device, "Swap", reverse("admin:assignment_swap", args=[place.period])),
        (assignments.end_assignment, "Take out", reverse("admin:assignment_end", args=[place.period])),
        (
            periods.correct_period,
            "Put right",
            reverse("admin:period_correct", args=["devicewhereabouts", place.period]),
        ),
    )


# --- registering and correcting --------------------------------------------------------------------


class CabinetForm(PlainForm):
    """What is known of a cabinet."""

    asset_tag = Text("Asset tag", help_text="as on the plate; a GS1 number as (8004)... or (8003)...")
    maker_serial = Text("Maker's serial", optional=True)
    setting = Choice("Stands", words_of(Setting))
    position = Text("Where in the store", optional=True, help_text="such as: left of the entrance")
    condition = Text("Condition", optional=True, lines=2)

    def particulars(self) -> dict[str, Any]:
        """Return the particulars."""
        return {name: self.cleaned_data[name] for name in PARTICULARS}


class CorrectCabinetForm(CabinetForm):
    """A cabinet's particulars, and why they are put right."""

    reason = Reason()


class RegisterCabinetForm(SplitForm, CabinetForm):
    """A new cabinet, where it stands, and how it is split."""

    model = KeyChoice("Model")
    store = Text("Store", optional=True, help_text="by account and number, such as LF 0042")
    depot = KeyChoice("or depot", optional=True)
    valid_from = TimeField("Stands there since")
    field_order = ["model", "asset_tag", "maker_serial", "setting", "position", "condition"]
    groups = {"Where it stands": ("store", "depot", "valid_from")}

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["model"].offer(cabinet_models())  # type: ignore[attr-defined]
        self.fields["depot"].offer(depots_of(visit))  # type: ignore[attr-defined]
        suggest(self, "store", "locations_suggest")

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes; raises RuleBroken for a store or a share that cannot be."""
        return {
            "cabinet": NewCabinet(self.cleaned_data["model"], self.particulars(), self.shares()),
            "valid_from": self.cleaned_data["valid_from"],
            **place_of(self),
        }


def suggest(form: PlainForm, field: str, name: str) -> None:
    """Let a field be filled by type-ahead from an address of ours; without a script it stays plain."""
    form.fields[field].widget.attrs |= {
        "data-suggest": reverse(f"admin:{name}"),
        "autocomplete": "off",
        "spellcheck": "false",
    }


def place_of(form: PlainForm) -> dict[str, UUID | None]:
    """Return the one place that `store` or `depot` name; raises RuleBroken for a store that is not there."""
    typed = form.cleaned_data["store"]
    return {
        "location_id": store_named(typed, "store") if typed else None,
        "depot_id": form.cleaned_data["depot"],
    }


@writing(cabinets.register_cabinet)
def register(visit: Visit) -> HttpResponse:
    """Register a cabinet, at the location or in the depot that the address names."""
    given = visit.request.GET
    location = _location(visit, given.get("location", ""))
    visit.in_zone(location.time_zone if location else zone_of_person(visit))
    store = name_of_store(location.pk) if location else ""
    back = (
        reverse("admin:location", args=[location.pk])
        if location
        else reverse("admin:registry_cabinet_changelist")
    )
    return write(
        visit,
        Wish(
            title=f"Register a cabinet at {location.label}" if location else "Register a cabinet",
            form=lambda *args, **options: RegisterCabinetForm(*args, visit=visit, **options),
            action=cabinets.register_cabinet,
            arguments=RegisterCabinetForm.arguments,
            back=back,
            after=lambda written: address_of(written.pk),
            initial={
                "store": store,
                "setting": str(Setting.UNKNOWN),
                "valid_from": type_time(visit.now, visit.zone),
            },
            fields={"location": "store", "model_id": "model", "model": "model", "shares": "percent_1"},
            words="One freezer, under the tag on its plate. The split can wait until it is known.",
            template="console/splitting.html",
        ),
    )


def _location(visit: Visit, typed: str) -> Location | None:
    if not typed:
        return None
    try:
        found = Location.objects.filter(pk=UUID(typed)).first()
    except ValueError:
        found = None
    if found is None or not visit.scope.covers(found.depot_id):
        raise absent("location")
    return found


@writing(cabinets.correct_cabinet)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Correct a cabinet's particulars."""
    row = in_sight(visit, key).cabinet
    return write(
        visit,
        Wish(
            title=f"Correct cabinet {row.label}",
            form=CorrectCabinetForm,
            action=cabinets.correct_cabinet,
            arguments=lambda form: {
                "cabinet_id": key,
                "particulars": form.particulars(),
                "reason": form.cleaned_data["reason"],
            },
            back=address_of(key),
            about=[key],
            initial={name: getattr(row, name) for name in PARTICULARS},
            words="Put right what was wrong from the beginning. To put it elsewhere, move it.",
        ),
    )


# --- moving and scrapping ------------------------------------------------------------------


class DevicesForm(PlainForm):
    """When a cabinet goes, and to which depot a device that comes out goes."""

    valid_from = TimeField("When")
    devices_to = KeyChoice("Depot of a device that comes out", optional=True, blank="the one that answers")
    reason = Reason()

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["devices_to"].offer(depots_of(visit))  # type: ignore[attr-defined]


class MoveForm(DevicesForm):
    """Where a cabinet goes, and what becomes of the device in it."""

    store = Text("To the store", optional=True, help_text="by account and number, such as LF 0042")
    depot = KeyChoice("or to the depot", optional=True)
    devices = Choice(
        "The device in it",
        [(str(DevicesGo.FOLLOW), "follows the cabinet"), (str(DevicesGo.COME_OUT), "comes out")],
        optional=True,
    )
    field_order = ["store", "depot", "valid_from", "devices", "devices_to"]

    def __init__(self, *args: Any, hanging: bool, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["depot"].offer(depots_of(options["visit"]))  # type: ignore[attr-defined]
        suggest(self, "store", "locations_suggest")
        if not hanging:
            del self.fields["devices"], self.fields["devices_to"]

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes; raises RuleBroken for a store that is not there."""
        said: dict[str, Any] = {
            name: self.cleaned_data[name] for name in ("devices", "devices_to") if name in self.fields
        }
        return {
            **{name: self.cleaned_data[name] for name in ("valid_from", "reason")},
            **said,
            **place_of(self),
        }


@writing(cabinets.move_cabinet)
def move(visit: Visit, key: UUID) -> HttpResponse:
    """Move a cabinet to a store or a depot, and say what becomes of the device in it."""
    now = in_sight(visit, key)
    hung = " and ".join(place.device.serial for place in now.hanging)
    return write(
        visit,
        Wish(
            title=f"Move cabinet {now.cabinet.label}",
            form=lambda *args, **options: MoveForm(*args, visit=visit, hanging=bool(now.hanging), **options),
            action=cabinets.move_cabinet,
            arguments=lambda form: {"cabinet_id": key, **form.arguments()},
            back=address_of(key),
            about=about(now),
            initial={"valid_from": type_time(visit.now, visit.zone)},
            fields={"location": "store"},
            words=f"It stands at {stay_words(now.stay)}."
            + (f" {hung} hangs in it: say whether it follows or comes out." if hung else ""),
            caution=caution_moving(now.cabinet.model),
        ),
    )


@writing(cabinets.scrap_cabinet)
def scrap(visit: Visit, key: UUID) -> HttpResponse:
    """Scrap a cabinet; a device in it comes out."""
    now = in_sight(visit, key)
    hung = " and ".join(place.device.serial for place in now.hanging)
    return write(
        visit,
        Wish(
            title=f"Scrap cabinet {now.cabinet.label}",
            form=lambda *args, **options: DevicesForm(*args, visit=visit, **options),
            action=cabinets.scrap_cabinet,
            arguments=lambda form: {"cabinet_id": key, **form.given()},
            back=address_of(key),
            about=about(now),
            initial={"valid_from": type_time(visit.now, visit.zone)},
            words=f"For good: its tag does not come back.{f' {hung} comes out.' if hung else ''}",
            caution=caution_scrapping(now.cabinet.model),
        ),
    )


def about(now: CabinetAt) -> list[UUID]:
    """Return the things of a cabinet that must not have changed since a form was shown."""
    return [now.cabinet.pk, *(place.device_id for place in now.hanging)]
