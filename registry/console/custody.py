"""Devices in custody: received, handed over, repaired, lost, retired."""

from collections.abc import Callable, Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import devices
from registry.actions._devices import NewDevice
from registry.console._choices import depots_of, device_models, people, zone_of_person
from registry.console._forms import KeyChoice, PlainForm, Reason, Text, TimeField
from registry.console._pages import Visit
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.devices import address_of, in_sight
from registry.queries.assignments import DeviceAt
from registry.rules.devices import RECEIVED_MAX
from registry.rules.errors import RuleBroken

SERIAL_LINES = 10  # of the field in which a scanner writes


class ReceiveForm(PlainForm):
    """Which devices came into which depot, and when."""

    model = KeyChoice("Model of all of them")
    depot = KeyChoice("Depot")
    valid_from = TimeField("Came in")
    reason = Text("Delivery note", optional=True, help_text="Kept for good. Write no personal data here.")
    serials = Text(
        "Serials, one a line",
        lines=SERIAL_LINES,
        help_text=f"Scan one label after the other: Enter goes to the next line. Up to {RECEIVED_MAX}.",
    )

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["model"].offer(device_models())  # type: ignore[attr-defined]
        self.fields["depot"].offer(depots_of(visit))  # type: ignore[attr-defined]
        self.fields["serials"].widget.attrs |= {
            "autocapitalize": "characters",
            "spellcheck": "false",
            "class": "serials",
        }

    def typed(self) -> list[tuple[int, str]]:
        """Return the serials as typed, each with the number of its line from 1."""
        lines = self.cleaned_data["serials"].splitlines()
        return [(number, line) for number, line in enumerate(lines, start=1) if line.strip()]

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes."""
        model = self.cleaned_data["model"]
        return {
            "devices": [NewDevice(model, line) for _, line in self.typed()],
            "depot_id": self.cleaned_data["depot"],
            "valid_from": self.cleaned_data["valid_from"],
            "reason": self.cleaned_data["reason"],
        }

    def refuse(self, broken: RuleBroken, fields: Mapping[str, str]) -> None:
        """Put a refusal of one serial beside the list, with the number of its line."""
        position = broken.details.get("position")
        if isinstance(position, int):
            number, line = self.typed()[position]
            words = f"Line {number}, {line.strip()}: {broken.message}"
            broken = RuleBroken(broken.code, words, field="serials")
        super().refuse(broken, fields)


@writing(devices.receive_devices)
def receive(visit: Visit) -> HttpResponse:
    """Book devices into a depot: a list, all or none."""
    visit.in_zone(zone_of_person(visit))
    own = depots_of(visit)
    return write(
        visit,
        Wish(
            title="Receive devices",
            form=lambda *args, **options: ReceiveForm(*args, visit=visit, **options),
            action=devices.receive_devices,
            arguments=ReceiveForm.arguments,
            back=reverse("admin:registry_device_changelist"),
            initial={
                "valid_from": type_time(visit.now, visit.zone),
                "depot": own[0][0] if len(own) == 1 else None,
            },
            fields={"devices": "serials"},
            words="All of the list is booked in, or none of it.",
        ),
    )


# --- where a device goes ---------------------------------------------------------------------------


class WhenForm(PlainForm):
    """When, and why."""

    valid_from = TimeField("When")
    reason = Reason()


class HandOverForm(WhenForm):
    """Who gets a device."""

    depot = KeyChoice("To depot", help_text="or, in a van, this depot answers for it")
    staff = KeyChoice("or into the van of", optional=True, blank="nobody")
    field_order = ["depot", "staff", "valid_from"]

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["depot"].offer(depots_of(visit))  # type: ignore[attr-defined]
        self.fields["staff"].offer(people())  # type: ignore[attr-defined]

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes."""
        given = self.given()
        return {"depot_id": given.pop("depot"), "staff_id": given.pop("staff"), **given}


class RepairForm(WhenForm):
    """Under which number a device goes to its maker."""

    reference = Text("Maker's return number", optional=True)
    field_order = ["valid_from", "reference"]


class ReturnForm(WhenForm):
    """Into which depot a device comes back."""

    depot = KeyChoice("Into depot")
    field_order = ["depot", "valid_from"]

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["depot"].offer(depots_of(visit))  # type: ignore[attr-defined]

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes."""
        given = self.given()
        return {"depot_id": given.pop("depot"), **given}


@writing(devices.hand_over_device)
def hand_over(visit: Visit, key: UUID) -> HttpResponse:
    """Hand a device over to a depot or into a person's van."""
    now = in_sight(visit, key)
    return _write(
        visit,
        now,
        "Hand over",
        devices.hand_over_device,
        lambda *args, **options: HandOverForm(*args, visit=visit, **options),
        HandOverForm.arguments,
        depot=now.place.depot_id,
    )


@writing(devices.send_device_to_repair)
def repair(visit: Visit, key: UUID) -> HttpResponse:
    """Send a device to its maker."""
    return _write(
        visit,
        in_sight(visit, key),
        "Send to repair:",
        devices.send_device_to_repair,
        RepairForm,
        PlainForm.given,
    )


@writing(devices.return_device_from_repair)
def back(visit: Visit, key: UUID) -> HttpResponse:
    """Take a device back from its maker."""
    now = in_sight(visit, key)
    return _write(
        visit,
        now,
        "Back from repair:",
        devices.return_device_from_repair,
        lambda *args, **options: ReturnForm(*args, visit=visit, **options),
        ReturnForm.arguments,
        depot=now.place.depot_id,
    )


@writing(devices.mark_device_lost)
def lost(visit: Visit, key: UUID) -> HttpResponse:
    """Record that nobody knows where a device is."""
    words = "Nobody knows where it is. If it hangs in a cabinet by the register, that assignment ends too."
    return _write(
        visit, in_sight(visit, key), "Mark lost:", devices.mark_device_lost, WhenForm, PlainForm.given, words
    )


@writing(devices.retire_device)
def retire(visit: Visit, key: UUID) -> HttpResponse:
    """Retire a device for good."""
    words = "For good: its serial never comes back."
    return _write(
        visit, in_sight(visit, key), "Retire", devices.retire_device, WhenForm, PlainForm.given, words
    )


def _write(
    visit: Visit,
    now: DeviceAt,
    verb: str,
    action: Callable[..., Any],
    form: Callable[..., PlainForm],
    arguments: Callable[[Any], Mapping[str, Any]],
    words: str = "",
    **initial: Any,
) -> HttpResponse:
    """Write where a device goes; every such page has the same shape."""
    return write(
        visit,
        Wish(
            title=f"{verb} {now.device.serial}",
            form=form,
            action=action,
            arguments=lambda typed: {"device_id": now.device.pk, **arguments(typed)},
            back=address_of(now.device.pk),
            about=[now.device.pk],
            initial={"valid_from": type_time(visit.now, visit.zone), **initial},
            words=f"It is now: {now.words}. {words}".strip(),
        ),
    )
