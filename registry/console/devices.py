"""Devices: their page with the trace, and correcting what their label says."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.urls import reverse

from registry.actions import assignments, devices, provisional
from registry.console._choices import zone_of_person, zone_of_stay
from registry.console._forms import PlainForm, Reason, Text
from registry.console._histories import end_words, rows_of
from registry.console._pages import Asked, Button, Visit, page
from registry.console._writing import Wish, write, writing
from registry.console.acceptance import checks_of
from registry.console.locations import timeline_of
from registry.console.photos import photos_of
from registry.console.readings import last_reports
from registry.models import Cabinet, Depot, DeviceWhereabouts
from registry.queries.assignments import DeviceAt, device_at, devices_as_known, devices_in
from registry.queries.records import refer_as_known
from registry.queries.timelines import device_trace
from registry.queries.traces import holder_words
from registry.rules.errors import RuleBroken
from registry.rules.roles import Scope
from registry.rules.whereabouts import DevicePlace, DeviceStanding

LABEL_FACTS = ("firmware", "imei", "iccid", "iccid_override")
WAITING_SHOWN = 50  # provisional devices on one page


def address_of(key: UUID) -> str:
    """Return the address of a device's page."""
    return reverse("admin:device", args=[key])


def trail(*steps: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the way from the front page to something of a device."""
    return [("Devices", reverse("admin:registry_device_changelist")), *steps]


def in_sight(visit: Visit, key: UUID) -> DeviceAt:
    """Return a device as it is now, and tell the page's times in its zone; raises RuleBroken."""
    now = device_at(key, visit.present, visit.scope)
    visit.in_zone(zone_of_stay(now.stay, now.place.depot_id))
    return now


@page
def device(visit: Visit, key: UUID) -> HttpResponse:
    """Show a device: what its label says, where it is and was, and its trace."""
    now = in_sight(visit, key)
    asked = visit.asked()
    context: dict[str, Any] = {"asked": asked, "title": f"Device {now.device.label}", "trail": trail()}
    try:
        # Who may see it now is told all of its trace, wherever it was.
        at = now if asked.is_now else device_at(key, asked.moment, Scope.of_all())
    except RuleBroken:
        return visit.show("console/not_yet.html", context, status=asked.status)
    trace = device_trace(key, known_index=asked.moment.index, zone=visit.zone)
    return visit.show(
        "console/device.html",
        {
            **context,
            "at": at,
            "place_words": holder_words(at.place),
            "provisional": at.device.standing == DeviceStanding.PROVISIONAL,
            "judgements": _judgements(visit, now),
            "buttons": _buttons(visit, now),
            "whereabouts": _places(visit, asked, key),
            "photos": photos_of(visit, asked, device=key),
            "checks": checks_of(visit, device=key) if asked.is_now else [],
            "reports": last_reports(visit, now.device) if asked.is_now else [],
            **timeline_of(visit, trace, asked),
        },
        status=asked.status,
    )


def _places(visit: Visit, asked: Asked, key: UUID) -> list[Any]:
    index = asked.moment.index
    places = list(DeviceWhereabouts.objects.believed_at(index).filter(device=key).select_related("staff"))
    refer_as_known(places, index, cabinet=Cabinet, depot=Depot)
    return rows_of(
        visit,
        asked,
        places,
        holder_words,
        link=lambda place: reverse("admin:cabinet", args=[place.cabinet_id]) if place.cabinet_id else "",
        note=lambda place: place.reference or end_words(place),
    )


def _buttons(visit: Visit, now: DeviceAt) -> list[Button]:
    place = DevicePlace(now.place.place)

    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[now.device.pk])

    correct = (devices.correct_device, "Correct its label facts", to("device_correct"))
    hand = (devices.hand_over_device, "Hand over", to("device_hand_over"))
    repair = (devices.send_device_to_repair, "Send to repair", to("device_repair"))
    back = (devices.return_device_from_repair, "Back from repair", to("device_return"))
    found = (devices.hand_over_device, "It was found", to("device_hand_over"))
    lost = (devices.mark_device_lost, "Mark lost", to("device_lost"))
    retire = (devices.retire_device, "Retire", to("device_retire"))
    if place is DevicePlace.CABINET:
        period = [now.place.period]
        return visit.buttons(
            (assignments.swap_device, "Swap", reverse("admin:assignment_swap", args=period)),
            (assignments.end_assignment, "Take out", reverse("admin:assignment_end", args=period)),
            correct,
            lost,
        )
    offered: dict[DevicePlace, list[tuple[Callable[..., Any], str, str]]] = {
        DevicePlace.DEPOT: [hand, repair, correct, lost, retire],
        DevicePlace.VAN: [hand, repair, correct, lost, retire],
        DevicePlace.MAKER: [back, correct, lost, retire],
        DevicePlace.LOST: [found, correct, retire],
        DevicePlace.RETIRED: [correct],
    }
    return visit.buttons(*offered[place])


def _judgements(visit: Visit, now: DeviceAt) -> list[Button]:
    """Return what the office may say of a provisional device."""
    if now.device.standing != DeviceStanding.PROVISIONAL:
        return []

    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[now.device.pk])

    return visit.buttons(
        (provisional.confirm_provisional_device, "It is ours: confirm", to("device_confirm")),
        (provisional.merge_provisional_device, "It is another: merge", to("device_merge")),
        (provisional.reject_provisional_device, "Not ours: reject", to("device_reject")),
    )


@page
def waiting(visit: Visit) -> HttpResponse:
    """List the provisional devices that wait for the office's word."""
    visit.in_zone(zone_of_person(visit))
    rows = devices_in(visit.present, visit.scope).filter(standing=DeviceStanding.PROVISIONAL)
    shown = Paginator(rows.order_by("registered", "id"), WAITING_SHOWN).get_page(
        visit.request.GET.get("page")
    )
    found = devices_as_known(shown.object_list, visit.present)
    return visit.show(
        "console/devices_waiting.html",
        {
            "title": "Devices that nobody booked in",
            "trail": trail(),
            "shown": shown,
            "devices": [(at, _judgements(visit, at)) for at in found],
            "buttons": visit.buttons(
                (provisional.record_provisional_device, "Record one", reverse("admin:device_record"))
            ),
            "keep_query": "",
        },
    )


# --- what the label says ---------------------------------------------------------------------------


class LabelForm(PlainForm):
    """What a device's label says beside its serial."""

    firmware = Text("Firmware", optional=True)
    imei = Text("IMEI", optional=True, help_text="15 digits; the last one is checked")
    iccid = Text("ICCID", optional=True, help_text="of the card in it")
    iccid_override = Text("Why a doubtful ICCID is kept", optional=True)
    reason = Reason()


@writing(devices.correct_device)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Correct what a device's label says beside its serial."""
    row = in_sight(visit, key).device
    return write(
        visit,
        Wish(
            title=f"Correct the label facts of {row.serial}",
            form=LabelForm,
            action=devices.correct_device,
            arguments=lambda form: {"device_id": key, **form.given()},
            back=address_of(key),
            about=[key],
            initial={name: getattr(row, name) for name in LABEL_FACTS},
            words="The serial itself is never corrected: a wrong one is another device.",
        ),
    )
