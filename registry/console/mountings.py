"""How devices were mounted: recorded and corrected; and the company's practice, which the office edits."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import mountings as actions
from registry.console._choices import zone_of_stay
from registry.console._forms import Choice, PlainForm, Reason, Text, TimeField, WholeNumber, words_of
from registry.console._pages import Asked, Button, Visit, page
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.catalogue import YesOrNo
from registry.models import DeviceWhereabouts, Mounting
from registry.queries.cabinets import CabinetAt, cabinet_at
from registry.queries.mountings import (
    MountingFound,
    PracticeKept,
    mounting_found,
    mountings_found,
    practice_kept,
)
from registry.rules.cabinets import DoorKind, Refrigeration
from registry.rules.errors import absent
from registry.rules.mountings import FACTS, CableExit, MountedIn, Wrapped, drilling_forbidden

LOOKED = "not looked at"
CAUTION = (
    "Before anybody drills: the maker's drawing or marked zone, local codes and licensed practice go before"
    " what stands here. Cover or take out the ice first."
)


def _answer(label: str) -> YesOrNo:
    return YesOrNo(label, optional=True, blank=LOOKED)


class MountingForm(PlainForm):
    """How a device was mounted; what is left open was not looked at."""

    rail_parallel = _answer("Rail parallel to the doors")
    rail_centred = _answer("Rail centred left to right")
    near_evaporator = _answer("Near the evaporator")
    rail_behind_front_mm = WholeNumber("Behind the front edge, in mm", optional=True)
    headroom_cleared_mm = WholeNumber("Headroom cleared, in mm", optional=True)
    cable_exit = Choice("Cable leaves by", words_of(CableExit), optional=True, blank=LOOKED)
    exit_below_ceiling_mm = WholeNumber("Exit below the ceiling, in mm", optional=True)
    hole_mm = WholeNumber("Hole, in mm", optional=True)
    sealed_inside = _answer("Sealed inside")
    sealed_outside = _answer("Sealed outside")
    cable_clear = _answer("Cable free of hot and moving parts")
    outdoor_wrapped = Choice("Outdoor connections wrapped", words_of(Wrapped), optional=True, blank=LOOKED)
    used_instead = Text("Used instead of drilling", optional=True, help_text="such as magnets or a clamp")
    serial_taken_at = TimeField("Serial taken", optional=True)
    cover_closed_at = TimeField("Cover closed", optional=True)
    tools_out = WholeNumber("Tools counted in", optional=True)
    tools_back = WholeNumber("Tools counted out again", optional=True)
    blanket_back = _answer("Blanket out again")
    note = Text("Note", optional=True, lines=2)
    reason = Reason()
    groups = {
        "The rail": (
            "rail_parallel",
            "rail_centred",
            "near_evaporator",
            "rail_behind_front_mm",
            "headroom_cleared_mm",
        ),
        "The cable": (
            "cable_exit",
            "exit_below_ceiling_mm",
            "hole_mm",
            "sealed_inside",
            "sealed_outside",
            "cable_clear",
            "outdoor_wrapped",
            "used_instead",
        ),
        "The serial, before the cover": ("serial_taken_at", "cover_closed_at"),
        "Counted out again": ("tools_out", "tools_back", "blanket_back"),
    }

    def facts(self) -> dict[str, Any]:
        """Return what is told of the mounting."""
        return {name: self.cleaned_data[name] for name in FACTS}


def mountings_of(visit: Visit, now: CabinetAt, asked: Asked) -> list[tuple[Any, ...]]:
    """Return what hangs in a cabinet with how it was mounted and what may be done about it.

    As the register stands now: a page of another moment tells none of it.
    """
    if not asked.is_now:
        return []
    periods = [place.period for place in now.hanging]
    found = {
        one.mounting.assignment: one
        for one in mountings_found(Mounting.objects.filter(assignment__in=periods).order_by("pk"))
    }
    return [
        (place, found.get(place.period), _buttons(visit, place, found.get(place.period)))
        for place in now.hanging
    ]


def _buttons(visit: Visit, place: DeviceWhereabouts, found: MountingFound | None) -> list[Button]:
    if found is None:
        record = reverse("admin:mounting_record", args=[place.period])
        return visit.buttons((actions.record_mounting, "Tell how it was mounted", record))
    correct = reverse("admin:mounting_correct", args=[found.mounting.pk])
    return visit.buttons((actions.correct_mounting, "Correct", correct))


def _cabinet(visit: Visit, key: UUID) -> CabinetAt:
    at = cabinet_at(key, visit.present, visit.scope)
    visit.in_zone(zone_of_stay(at.stay))
    return at


def _trail(at: CabinetAt) -> list[tuple[str, str]]:
    return [
        ("Cabinets", reverse("admin:registry_cabinet_changelist")),
        (at.cabinet.label, reverse("admin:cabinet", args=[at.cabinet.pk])),
    ]


def _words(at: CabinetAt) -> str:
    model = at.cabinet.model
    kind = MountedIn(Refrigeration(model.refrigeration), DoorKind(model.door))
    forbidden = drilling_forbidden(kind)
    told = "Leave open what nobody looked at. The serial is taken before the cover is closed."
    return f"{told} {forbidden}: nobody drills, and it is said what was used instead." if forbidden else told


@writing(actions.record_mounting)
def record(visit: Visit, period: UUID) -> HttpResponse:
    """Record how the device of an assignment was mounted."""
    current = DeviceWhereabouts.objects.current().filter(period=period, cabinet__isnull=False)
    place = current.select_related("device").first()
    if place is None:
        raise absent("assignment")
    at = _cabinet(visit, place.cabinet_id)
    return write(
        visit,
        Wish(
            title=f"How {place.device.serial} was mounted in cabinet {at.cabinet.label}",
            form=MountingForm,
            action=actions.record_mounting,
            arguments=lambda form: {
                "assignment_id": period,
                "facts": form.facts(),
                "reason": form.cleaned_data["reason"],
            },
            back=reverse("admin:cabinet", args=[at.cabinet.pk]),
            about=[place.device_id],
            trail=_trail(at),
            words=_words(at),
            caution=CAUTION,
        ),
    )


@writing(actions.correct_mounting)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Correct what was recorded of a mounting."""
    row = mounting_found(key, visit.present, visit.scope).mounting
    at = _cabinet(visit, row.cabinet_id)
    typed = {name: getattr(row, name) for name in FACTS}
    times = {name: typed[name] for name in ("serial_taken_at", "cover_closed_at") if typed[name]}
    typed |= {name: type_time(moment, visit.zone) for name, moment in times.items()}

    def facts(form: MountingForm) -> dict[str, Any]:
        told = form.facts()
        # A form tells no seconds: a time that was not touched stays as it was.
        for name, moment in times.items():
            if told[name] and type_time(told[name], visit.zone) == typed[name]:
                told[name] = moment
        return told

    return write(
        visit,
        Wish(
            title=f"Correct how {row.device.serial} was mounted in cabinet {at.cabinet.label}",
            form=MountingForm,
            action=actions.correct_mounting,
            arguments=lambda form: {
                "mounting_id": key,
                "facts": facts(form),
                "reason": form.cleaned_data["reason"],
            },
            back=reverse("admin:cabinet", args=[at.cabinet.pk]),
            about=[key],
            initial=typed,
            trail=_trail(at),
            words=_words(at),
            caution=CAUTION,
        ),
    )


# --- practice --------------------------------------------------------------------------------------

CALLED = {
    "rail_behind_front": "Rail behind the front edge",
    "headroom_cleared": "Headroom cleared before work",
    "exit_below_ceiling": "Cable exit below the ceiling",
    "hole": "Hole for the cable",
}


class PracticeForm(PlainForm):
    """From which to which measure practice is kept."""

    least_mm = WholeNumber("Least, in mm", optional=True, help_text="blank: no bound on this side")
    most_mm = WholeNumber("Most, in mm", optional=True, help_text="blank: no bound on this side")
    reason = Reason()


@page
def practice(visit: Visit) -> HttpResponse:
    """Show the company's practice of mounting."""
    rows = [
        (
            CALLED[kept.value],
            kept,
            visit.buttons(
                (
                    actions.set_mounting_practice,
                    "Change",
                    reverse("admin:mounting_practice_set", args=[kept.value]),
                )
            ),
        )
        for kept in practice_kept()
    ]
    return visit.show(
        "console/mounting_practice.html",
        {
            "title": "Practice of mounting",
            "trail": [("Catalogue", reverse("admin:catalogue"))],
            "rows": rows,
        },
    )


def _kept(name: str) -> PracticeKept:
    for kept in practice_kept():
        if kept.value == name:
            return kept
    raise absent("practice")


@writing(actions.set_mounting_practice)
def set_practice(visit: Visit, name: str) -> HttpResponse:
    """Set the practice of one measure."""
    kept = _kept(name)
    return write(
        visit,
        Wish(
            title=f"Practice: {CALLED[kept.value].lower()}",
            form=PracticeForm,
            action=actions.set_mounting_practice,
            arguments=lambda form: {"value": name, **form.given()},
            back=reverse("admin:mounting_practice"),
            about=[kept.row.pk] if kept.row else [],
            initial={"least_mm": kept.bounds.least_mm, "most_mm": kept.bounds.most_mm},
            trail=[
                ("Catalogue", reverse("admin:catalogue")),
                ("Practice of mounting", reverse("admin:mounting_practice")),
            ],
            words=f"By common practice {kept.default.words}. A mounting beyond it is noted, and not refused.",
        ),
    )
