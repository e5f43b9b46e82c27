"""Working on a visit, told in the console: begun and finished for an installer who says so by telephone.

Cautions are acknowledged by whoever reads them, in their own name: there is no page here to do it for them.
"""

from typing import Any
from uuid import UUID

from django.http import HttpResponse

from registry.actions import visits as actions
from registry.console._forms import PlainForm, Text, TimeField
from registry.console._pages import Visit
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.visits import address_of, in_sight, name_of, trail
from registry.queries.visits import against_begin, cabinets_left_out
from registry.rules.cautions import DEFER

FOR_GOOD = "Kept in the ledger for good: no personal data."


class BeginForm(PlainForm):
    """When somebody began."""

    begun_at = TimeField("Begun")


class FinishForm(PlainForm):
    """What came of a visit, when it ended, and why a survey left cabinets out."""

    outcome = Text("What came of it", optional=True, lines=3, help_text=FOR_GOOD)
    finished_at = TimeField("Finished")

    def __init__(self, *args: Any, left_out: list[tuple[UUID, str]], **options: Any) -> None:
        super().__init__(*args, **options)
        self.left_out = {f"left_out_{key}": key for key, _ in left_out}
        for key, label in left_out:
            self.fields[f"left_out_{key}"] = Text(
                f"Why {label} was not surveyed",
                optional=True,
                lines=2,
                help_text=f"Leave it blank if it was, and record the survey first. {FOR_GOOD}",
            )

    def given(self) -> dict[str, Any]:
        """Return the values as the action takes them."""
        told = {name: self.cleaned_data[name] for name in self.left_out}
        return {
            "outcome": self.cleaned_data["outcome"],
            "finished_at": self.cleaned_data["finished_at"],
            "left_out": [
                {"cabinet_id": key, "reason": told[name]} for name, key in self.left_out.items() if told[name]
            ],
        }


@writing(actions.begin_visit)
def begin(visit: Visit, key: UUID) -> HttpResponse:
    """Begin a visit, for an installer who has read the cautions themselves."""
    planned = in_sight(visit, key)
    against = against_begin(planned, visit.now.astimezone(visit.zone).date())
    return write(
        visit,
        Wish(
            title=f"Begin: {name_of(planned)}",
            form=BeginForm,
            action=actions.begin_visit,
            arguments=lambda form: {"visit_id": key, **form.given()},
            back=address_of(key),
            about=[key],
            initial={"begun_at": type_time(visit.now, visit.zone)},
            trail=[*trail(), (name_of(planned), address_of(key))],
            words=against
            or "Whoever works there has to have read the cautions by their own name, on the field page.",
            caution=DEFER,
        ),
    )


@writing(actions.finish_visit)
def finish(visit: Visit, key: UUID) -> HttpResponse:
    """Finish a visit, with what came of it and why a survey left cabinets out."""
    planned = in_sight(visit, key)
    left_out = cabinets_left_out(planned)
    return write(
        visit,
        Wish(
            title=f"Finish: {name_of(planned)}",
            form=lambda *args, **options: FinishForm(*args, left_out=left_out, **options),
            action=actions.finish_visit,
            arguments=lambda form: {"visit_id": key, **form.given()},
            back=address_of(key),
            about=[key],
            initial={"finished_at": type_time(visit.now, visit.zone)},
            trail=[*trail(), (name_of(planned), address_of(key))],
        ),
    )
