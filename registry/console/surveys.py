"""Surveys in the console: what somebody saw of a cabinet before work."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import surveys as actions
from registry.console._choices import Choices
from registry.console._forms import Choice, KeyChoice, PlainForm, Text, TimeField, words_of
from registry.console._pages import Visit
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.cabinets import address_of, in_sight
from registry.console.catalogue import YesOrNo
from registry.queries.cabinets import CabinetAt
from registry.queries.visits import visits_in_sight
from registry.rules.surveys import FIELDS, Drilling, Liner, Socket, SurveyOutcome
from registry.rules.visits import OPEN

LOOKED = "nobody looked"
OUTCOMES = [
    (str(SurveyOutcome.SUITABLE), "suitable"),
    (str(SurveyOutcome.WITH_CONDITIONS), "suitable with conditions"),
    (str(SurveyOutcome.UNSUITABLE), "not suitable"),
]


class SurveyForm(PlainForm):
    """What somebody saw; what is left open, nobody looked at, and cautions take the stricter."""

    outcome = Choice("For a device, it is", OUTCOMES, blank="choose")
    surveyed_at = TimeField("Looked at")
    visit = KeyChoice("On the visit", optional=True, blank="on none")
    near_water = YesOrNo("Near a sink or a wet floor", optional=True, blank=LOOKED)
    needs_ladder = YesOrNo("Needs a ladder", optional=True, blank=LOOKED)
    drilling = Choice("The maker lets drill", words_of(Drilling), initial=str(Drilling.UNKNOWN))
    liner = Choice("Lined with", words_of(Liner), initial=str(Liner.UNKNOWN))
    socket = Choice("Outlet for a device", words_of(Socket), initial=str(Socket.UNKNOWN))
    note = Text(
        "Note",
        optional=True,
        lines=2,
        help_text="Conditions, or what speaks against it. Kept for good: no personal data.",
    )
    groups = {
        "The cabinet": ("drilling", "liner"),
        "Around it": ("near_water", "needs_ladder", "socket"),
    }

    def __init__(self, *args: Any, visits: Choices, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["visit"].offer(visits)  # type: ignore[attr-defined]

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes."""
        return {
            "surveyed_at": self.cleaned_data["surveyed_at"],
            "visit_id": self.cleaned_data["visit"],
            "particulars": {name: self.cleaned_data[name] for name in FIELDS},
        }


def _visits(visit: Visit, now: CabinetAt) -> Choices:
    """Return the visits to where a cabinet stands that are still to be made, by day."""
    if now.stay is None or now.stay.location_id is None:
        return []
    found = visits_in_sight(visit.scope, visit.staff.pk).filter(
        location=now.stay.location_id, state__in=[str(state) for state in OPEN]
    )
    return [(one.pk, one.label) for one in found.order_by("planned_on", "id")]


@writing(actions.record_survey)
def record(visit: Visit, key: UUID) -> HttpResponse:
    """Record a survey of a cabinet, on the visit that the address names."""
    now = in_sight(visit, key)
    visits = _visits(visit, now)
    asked = next((one for one, _ in visits if str(one) == visit.request.GET.get("visit")), None)

    def back(visit_id: UUID | None) -> str:
        return reverse("admin:visit", args=[visit_id]) if visit_id else address_of(key)

    return write(
        visit,
        Wish(
            title=f"Survey cabinet {now.cabinet.label}",
            form=lambda *args, **options: SurveyForm(*args, visits=visits, **options),
            action=actions.record_survey,
            arguments=lambda form: {"cabinet_id": key, **form.arguments()},
            back=back(asked),
            after=lambda survey: back(survey.visit_id),
            about=[key],
            initial={"surveyed_at": type_time(visit.now, visit.zone), "visit": asked},
            trail=[
                ("Cabinets", reverse("admin:registry_cabinet_changelist")),
                (now.cabinet.label, address_of(key)),
            ],
            words="What nobody looked at stays open: cautions then take the stricter, and the kit both.",
            caution="Look, and touch nothing that is wired or under pressure. Local codes and the maker's"
            " instructions come first.",
        ),
    )
