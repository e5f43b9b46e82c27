"""Assignments: a device goes into a cabinet, is swapped for another, or comes out."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import assignments
from registry.console import cabinets
from registry.console._cautions import caution_at
from registry.console._choices import depots_of, people, zone_of_stay
from registry.console._forms import (
    Choice,
    KeyChoice,
    PlainForm,
    Reason,
    Text,
    TimeField,
    WholeNumber,
    words_of,
)
from registry.console._pages import Visit
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.models import CabinetModel
from registry.queries.assignments import DeviceAt, assignment_at
from registry.queries.cabinets import CabinetAt, cabinets_at
from registry.queries.locations import location_at
from registry.rules.assignments import Installation
from registry.rules.cabinets import Setting
from registry.rules.particulars import invalid
from registry.rules.whereabouts import EndReason

HANGS = ("slot", "slot_reason", "sensor_order", "rail_below_ceiling_mm", "offset_from_front_mm")
# A refusal about the device stands beside its serial.
FIELDS = {"device": "serial", "device_id": "serial", "cabinet_id": "cabinet"}
SWAP_FIELDS = {**FIELDS, "valid_to": "valid_from"}  # one ends when the other begins


class HangsForm(PlainForm):
    """How a device hangs."""

    sensor_order = Text(
        "Ports, left to right", optional=True, help_text="such as 1 2 3; blank: in the order of their numbers"
    )
    rail_below_ceiling_mm = WholeNumber("Rail below the ceiling, in mm", optional=True)
    offset_from_front_mm = WholeNumber("Rail from the front, in mm", optional=True)
    slot = WholeNumber("Slot", optional=True, help_text="1, unless the cabinet gets a second device")
    slot_reason = Text("Why a second device", optional=True)
    groups = {
        "How it hangs": (
            "sensor_order",
            "rail_below_ceiling_mm",
            "offset_from_front_mm",
            "slot",
            "slot_reason",
        )
    }

    def installation(self) -> Installation:
        """Return how it hangs; raises RuleBroken VALUE_INVALID for ports that are no numbers."""
        given = self.cleaned_data
        return Installation(
            slot=1 if given["slot"] is None else given["slot"],
            slot_reason=given["slot_reason"],
            sensor_order=ports_in(given["sensor_order"]),
            rail_below_ceiling_mm=given["rail_below_ceiling_mm"],
            offset_from_front_mm=given["offset_from_front_mm"],
        )


def ports_in(typed: str) -> tuple[int, ...]:
    """Return the ports that somebody typed, left to right; raises RuleBroken VALUE_INVALID."""
    parts = typed.replace(",", " ").split()
    if not all(part.isascii() and part.isdigit() and len(part) <= 4 for part in parts):
        raise invalid("sensor_order", "Name the ports left to right, such as 1 2 3.")
    return tuple(int(part) for part in parts)


class AssignForm(HangsForm):
    """Which device goes into which cabinet, and when."""

    cabinet = KeyChoice("Cabinet")
    serial = Text("Serial of the device", help_text="type some of it, or scan the label")
    valid_from = TimeField("Hung up")
    reason = Reason(label="Note")
    field_order = ["cabinet", "serial", "valid_from", "reason"]

    def __init__(self, *args: Any, offered: list[tuple[UUID, str]] | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        if offered is None:
            del self.fields["cabinet"]
        else:
            self.fields["cabinet"].offer(offered)  # type: ignore[attr-defined]
        cabinets.suggest(self, "serial", "devices_suggest")

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes beside the cabinet."""
        given = {name: self.cleaned_data[name] for name in ("serial", "valid_from", "reason")}
        return {**given, "installation": self.installation()}


@writing(assignments.assign_device)
def assign(visit: Visit, key: UUID) -> HttpResponse:
    """Assign a device to a cabinet."""
    now = cabinets.in_sight(visit, key)
    taken = {place.slot for place in now.hanging}
    return write(
        visit,
        Wish(
            title=f"Assign a device to cabinet {now.cabinet.label}",
            form=AssignForm,
            action=assignments.assign_device,
            arguments=lambda form: {"cabinet_id": key, **form.arguments()},
            back=cabinets.address_of(key),
            about=[key],
            initial={
                "valid_from": type_time(visit.now, visit.zone),
                "slot": next(slot for slot in range(1, len(taken) + 2) if slot not in taken),
            },
            fields=FIELDS,
            words=_words(now),
            caution=caution_at(now.cabinet.model, now.cabinet.setting),
        ),
    )


def _words(now: CabinetAt) -> str:
    model = now.cabinet.model
    hung = " and ".join(place.device.serial for place in now.hanging)
    return f"{model.name} takes {model.sensor_count} sensors." + (
        f" {hung} hangs in it already: to put another in its place, swap it." if hung else ""
    )


@writing(assignments.assign_device)
def assign_at_location(visit: Visit, key: UUID) -> HttpResponse:
    """Assign a device to one of the cabinets of a location."""
    at = location_at(key, visit.present, visit.scope)
    visit.in_zone(at.location.time_zone)
    standing = cabinets_at(visit.present, location_id=key)
    offered = [
        (row.cabinet.pk, f"{row.cabinet.asset_tag}, {row.cabinet.model.name}, {_free_words(row)}")
        for row in standing
    ]
    empty = [row.cabinet.pk for row in standing if not row.hanging]
    return write(
        visit,
        Wish(
            title=f"Assign a device at {at.location.label}",
            form=lambda *args, **options: AssignForm(*args, offered=offered, **options),
            action=assignments.assign_device,
            arguments=lambda form: {"cabinet_id": form.cleaned_data["cabinet"], **form.arguments()},
            back=reverse("admin:location", args=[key]),
            about=[key, *(row.cabinet.pk for row in standing)],
            initial={
                "valid_from": type_time(visit.now, visit.zone),
                "slot": 1,
                "cabinet": empty[0] if len(empty) == 1 else None,
            },
            fields=FIELDS,
            # Which cabinet it will be is not chosen yet, so nothing is known of it.
            caution=caution_at(CabinetModel(), str(Setting.UNKNOWN)),
        ),
    )


def _free_words(row: CabinetAt) -> str:
    return f"holds {' and '.join(place.device.serial for place in row.hanging)}" if row.hanging else "empty"


# --- coming out ------------------------------------------------------------------------------------


class WhereToForm(PlainForm):
    """Why a device comes out, and where it goes."""

    end_reason = Choice("Why it comes out", words_of(EndReason))
    end_note = Text(
        "In words", optional=True, lines=2, help_text="Kept for good. Write no personal data here."
    )
    depot = KeyChoice("It goes to depot", help_text="or, in a van, this depot answers for it")
    staff = KeyChoice("or into the van of", optional=True, blank="nobody")

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["depot"].offer(depots_of(visit))  # type: ignore[attr-defined]
        self.fields["staff"].offer(people())  # type: ignore[attr-defined]

    def where_to(self) -> dict[str, Any]:
        """Return why it comes out and where it goes, as the actions take it."""
        given = self.cleaned_data
        return {
            "end_reason": given["end_reason"],
            "end_note": given["end_note"],
            "depot_id": given["depot"],
            "staff_id": given["staff"],
        }


class EndForm(WhereToForm):
    """When a device comes out, why, and where it goes."""

    valid_to = TimeField("Taken out")
    field_order = ["valid_to", "end_reason", "end_note", "depot", "staff"]


class SwapForm(WhereToForm, HangsForm):
    """Which device takes the other's place, when, why, and where the other goes."""

    serial = Text("Serial of the new device", help_text="type some of it, or scan the label")
    valid_from = TimeField("Swapped")
    field_order = ["serial", "valid_from"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        del self.fields["slot"], self.fields["slot_reason"]  # it takes the other's
        self.groups = {
            "The one that comes out": ("end_reason", "end_note", "depot", "staff"),
            "How the new one hangs": ("sensor_order", "rail_below_ceiling_mm", "offset_from_front_mm"),
        }
        cabinets.suggest(self, "serial", "devices_suggest")


@writing(assignments.end_assignment)
def end(visit: Visit, period: UUID) -> HttpResponse:
    """Take a device out of its cabinet."""
    at, tag, wish = _running(visit, period)
    return write(
        visit,
        Wish(
            title=f"Take {at.device.serial} out of {tag}",
            form=lambda *args, **options: EndForm(*args, visit=visit, **options),
            action=assignments.end_assignment,
            arguments=lambda form: {
                "assignment_id": period,
                "valid_to": form.cleaned_data["valid_to"],
                **form.where_to(),
            },
            initial={"valid_to": type_time(visit.now, visit.zone), "depot": _answering(at)},
            words="To put another device in its place at once, swap it instead.",
            **wish,
        ),
    )


@writing(assignments.swap_device)
def swap(visit: Visit, period: UUID) -> HttpResponse:
    """Swap a device for another, at one time."""
    at, tag, wish = _running(visit, period)

    def arguments(form: SwapForm) -> dict[str, Any]:
        given = form.cleaned_data
        return {
            "assignment_id": period,
            "serial": given["serial"],
            "valid_from": given["valid_from"],
            "installation": Installation(
                slot=at.place.slot or 1,
                slot_reason=at.place.slot_reason,
                sensor_order=ports_in(given["sensor_order"]),
                rail_below_ceiling_mm=given["rail_below_ceiling_mm"],
                offset_from_front_mm=given["offset_from_front_mm"],
            ),
            **form.where_to(),
        }

    return write(
        visit,
        Wish(
            title=f"Swap {at.device.serial} in {tag}",
            form=lambda *args, **options: SwapForm(*args, visit=visit, **options),
            action=assignments.swap_device,
            arguments=arguments,
            initial={
                "valid_from": type_time(visit.now, visit.zone),
                "depot": _answering(at),
                "end_reason": str(EndReason.FAULT),
                "sensor_order": at.place.sensor_order,
                "rail_below_ceiling_mm": at.place.rail_below_ceiling_mm,
                "offset_from_front_mm": at.place.offset_from_front_mm,
            },
            words="Both happen at one time: the one comes out, the other hangs in its place.",
            **{**wish, "fields": SWAP_FIELDS},
        ),
    )


def _running(visit: Visit, period: UUID) -> tuple[DeviceAt, str, dict[str, Any]]:
    """Return an assignment, its cabinet's tag, and what its wishes share; raises RuleBroken NOT_FOUND."""
    at = assignment_at(period, visit.present, visit.scope)
    visit.in_zone(zone_of_stay(at.stay))
    cabinet = at.place.cabinet
    if cabinet is None:
        raise RuntimeError("an assignment without a cabinet")
    return (
        at,
        cabinet.label,
        {
            "back": cabinets.address_of(cabinet.pk),
            "about": [at.device.pk, cabinet.pk],
            "fields": FIELDS,
            "caution": caution_at(cabinet.model, cabinet.setting),
        },
    )


def _answering(at: DeviceAt) -> UUID | None:
    return at.stay.answering_depot_id() if at.stay else None
