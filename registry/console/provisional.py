"""Devices that nobody booked in: recorded, then confirmed, merged or rejected by the office."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import provisional
from registry.actions._devices import NewDevice
from registry.console._choices import cabinet_named, depots_of, device_models, people, zone_of_person
from registry.console._forms import KeyChoice, PlainForm, Reason, Text, TimeField
from registry.console._pages import Visit
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.cabinets import suggest
from registry.console.devices import address_of, in_sight
from registry.queries.devices import resolve_serial


class RecordForm(PlainForm):
    """A device that was found: what it is, why it is believed to be ours, and where it is."""

    model = KeyChoice("Model")
    serial = Text("Serial", help_text="as its label says; it is judged like any other")
    evidence = Text(
        "Why you believe it is ours", lines=2, help_text="Kept for good. Write no personal data here."
    )
    valid_from = TimeField("Found")
    cabinet = Text("In the cabinet", optional=True, help_text="by its asset tag")
    depot = KeyChoice("or in depot", optional=True, help_text="or, in a van, this depot answers for it")
    staff = KeyChoice("or in the van of", optional=True, blank="nobody")
    groups = {"Where it is": ("cabinet", "depot", "staff")}

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["model"].offer(device_models())  # type: ignore[attr-defined]
        self.fields["depot"].offer(depots_of(visit))  # type: ignore[attr-defined]
        self.fields["staff"].offer(people())  # type: ignore[attr-defined]
        suggest(self, "cabinet", "cabinets_suggest")

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes; raises RuleBroken for a cabinet that is not there."""
        given = self.cleaned_data
        return {
            "device": NewDevice(given["model"], given["serial"]),
            "evidence": given["evidence"],
            "valid_from": given["valid_from"],
            "cabinet_id": cabinet_named(given["cabinet"], "cabinet") if given["cabinet"] else None,
            "depot_id": given["depot"],
            "staff_id": given["staff"],
        }


@writing(provisional.record_provisional_device)
def record(visit: Visit) -> HttpResponse:
    """Record a device that nobody booked in."""
    visit.in_zone(zone_of_person(visit))
    return write(
        visit,
        Wish(
            title="Record a device that nobody booked in",
            form=lambda *args, **options: RecordForm(*args, visit=visit, **options),
            action=provisional.record_provisional_device,
            arguments=RecordForm.arguments,
            back=reverse("admin:devices_waiting"),
            after=lambda device: address_of(device.pk),
            initial={"valid_from": type_time(visit.now, visit.zone)},
            fields={"device": "serial"},
            words="It hangs or lies there, but no delivery names it. It waits for the office's word.",
        ),
    )


class WordForm(PlainForm):
    """The office's word, and why."""

    reason = Reason()


class RejectForm(PlainForm):
    """Why a device is none of ours."""

    reason = Reason(optional=False)


class MergeForm(PlainForm):
    """The device that it was all along."""

    into = Text("Serial of the device that it was all along")
    reason = Reason()

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        suggest(self, "into", "devices_suggest")


@writing(provisional.confirm_provisional_device)
def confirm(visit: Visit, key: UUID) -> HttpResponse:
    """Vouch for a provisional device."""
    row = in_sight(visit, key).device
    return write(
        visit,
        Wish(
            title=f"Confirm {row.serial}",
            form=WordForm,
            action=provisional.confirm_provisional_device,
            arguments=lambda form: {"device_id": key, **form.given()},
            back=address_of(key),
            about=[key],
            words=f"From then on it is a device like any other. It was recorded because: {row.evidence}",
        ),
    )


@writing(provisional.merge_provisional_device)
def merge(visit: Visit, key: UUID) -> HttpResponse:
    """Give a provisional record's history to the device that it was all along."""
    row = in_sight(visit, key).device
    return write(
        visit,
        Wish(
            title=f"Merge {row.serial} into another device",
            form=MergeForm,
            action=provisional.merge_provisional_device,
            arguments=lambda form: {
                "device_id": key,
                "into_id": resolve_serial(form.cleaned_data["into"], visit.scope).pk,
                "reason": form.cleaned_data["reason"],
            },
            back=address_of(key),
            after=lambda device: address_of(device.pk),
            about=[key],
            fields={"serial": "into"},
            words="Its serial was read wrongly. What was recorded of it goes to the device that hung there.",
        ),
    )


@writing(provisional.reject_provisional_device)
def reject(visit: Visit, key: UUID) -> HttpResponse:
    """Take a provisional device out of every history."""
    row = in_sight(visit, key).device
    return write(
        visit,
        Wish(
            title=f"Reject {row.serial}",
            form=RejectForm,
            action=provisional.reject_provisional_device,
            arguments=lambda form: {"device_id": key, **form.given()},
            back=address_of(key),
            after=lambda _: reverse("admin:devices_waiting"),
            about=[key],
            words="It is none of ours, or never was. It leaves every history; the ledger keeps it.",
        ),
    )
