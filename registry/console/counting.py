"""Counting: drawing a sample, recording what is seen at one place at a time, closing, and deciding."""

from collections.abc import Callable, Mapping
from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.urls import reverse

from registry.actions import counts
from registry.console._choices import depots_of, zone_of_person
from registry.console._forms import Choice, KeyChoice, Number, PlainForm, Reason, Text
from registry.console._pages import Visit
from registry.console._writing import Wish, write, writing
from registry.console.counts import address_of, in_sight, trail, trail_of
from registry.models import CountItem
from registry.queries.counts import (
    Difference,
    SheetPlace,
    differences_of,
    frozen_lot,
    lines_of,
    sheet_of,
)
from registry.queries.moments import head_index, settle
from registry.rules import counts as rules
from registry.rules.counts import CountState, Plan, Strata
from registry.rules.errors import Code, absent
from registry.rules.sampling import Rounding, smallest_sample_of_many
from registry.rules.whereabouts import DevicePlace

PLACES = [("cabinet", "cabinets in stores"), ("depot", "depots"), ("van", "vans")]
STRATA = [
    (Strata.PLACE, "stores, depots and vans"),
    (Strata.DEPOT, "the depots that answer"),
    (Strata.NONE, "not parted"),
]
PLANS = [
    (Plan.ZERO_ACCEPTANCE, "zero acceptance: how wrong may the register be?"),
    (Plan.AQL, "AQL by ISO 2859-1, level II: 1, 1.5, 2.5 or 4 %"),
]
ROUNDINGS = [(Rounding.DOWN, "down: the cautious one"), (Rounding.UP, "up")]
MORE, ALL, NOTHING, NOT_COUNTED = "more", "all", "nothing", "not_counted"


class DrawForm(PlainForm):
    """What is counted, and how many."""

    name = Text("Name of the count", help_text="such as Spring, Tarnmouth; kept for good")
    depot = KeyChoice("Depot", optional=True, blank="all depots")
    places = forms.MultipleChoiceField(
        label="Kinds of places",
        choices=PLACES,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "This is missing. Tick at least one."},
    )
    strata = Choice("Parted into", STRATA)
    plan = Choice("Plan", PLANS)
    confidence = Number("Confidence, in %")
    tolerated = Number("Tolerated rate or AQL, in %")
    rounding = Choice("A number that is not whole is rounded", ROUNDINGS)
    reason = Reason()
    groups = {"How many": ("plan", "confidence", "tolerated", "rounding")}

    def __init__(self, *args: Any, visit: Visit, **options: Any) -> None:
        super().__init__(*args, **options)
        depot: KeyChoice = self.fields["depot"]  # type: ignore[assignment]
        if not visit.scope.everywhere:
            depot._blank, depot.required = [("", "choose")], True
        depot.offer(depots_of(visit))

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes."""
        given = self.given()
        return {"depot_id": given.pop("depot"), **given}


@writing(counts.draw_count)
def draw(visit: Visit) -> HttpResponse:
    """Draw a sample; "Check" shows how many, and what that means, before anything is drawn."""
    visit.in_zone(zone_of_person(visit))
    own = depots_of(visit)
    return write(
        visit,
        Wish(
            title="Draw a sample",
            form=lambda *args, **options: DrawForm(*args, visit=visit, **options),
            action=counts.draw_count,
            arguments=DrawForm.arguments,
            back=reverse("admin:counts"),
            after=lambda count: address_of(count.pk),
            trail=trail(),
            initial={
                "places": [str(place) for place in rules.COUNTED_PLACES],
                "strata": Strata.PLACE,
                "plan": Plan.ZERO_ACCEPTANCE,
                "confidence": "95",
                "tolerated": "5",
                "rounding": Rounding.DOWN,
                "depot": own[0][0] if len(own) == 1 and not visit.scope.everywhere else None,
            },
            fields={"depot_id": "depot"},
            words="An error is a device that is missing, in another place than the register says, or another"
            " than the register says. What is in repair, lost or retired is not in the list.",
            look=lambda arguments: _planned(visit, arguments),
            look_template="console/count_plan.html",
        ),
    )


def _planned(visit: Visit, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return how many would be drawn from the register as it stands; raises RuleBroken as the action does."""
    if given["depot_id"] is None and not visit.scope.everywhere:
        raise absent("depot")
    question = rules.read_question(*(given[name] for name in ("plan", "confidence", "tolerated", "rounding")))
    kinds, strata = rules.read_places(given["places"]), rules.read_strata(given["strata"])
    lot = frozen_lot(settle(visit.now, head_index()), given["depot_id"], kinds, strata)
    sample = rules.plan_sample(question, lot.sizes)
    lot_size = sum(lot.sizes.values())
    many = smallest_sample_of_many(question.tolerated_hundredths, question.confidence_hundredths)
    return {
        "name": given["name"],
        "sample": sample,
        "lot_size": lot_size,
        "plan": rules.plan_words(question, lot_size, sample.size, sample.acceptance_number),
        "many": many if question.plan is Plan.ZERO_ACCEPTANCE else None,
        "strata": [(name, size, sample.allocation[name]) for name, size in lot.sizes.items()],
    }


# --- one place at a time -----------------------------------------------------------------------------


class FindingForm(PlainForm):
    """What is seen at one place: made for a phone and a scanner that types."""

    serial = Text("Serial on the label", optional=True)
    note = Text("Note", optional=True, help_text="Kept for good. Write no personal data here.")
    place_done = forms.ChoiceField(
        choices=[(word, word) for word in (MORE, ALL, NOTHING, NOT_COUNTED)], required=False
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["serial"].widget.attrs |= {
            "autofocus": True,
            "autocomplete": "off",
            "autocapitalize": "characters",
            "spellcheck": "false",
            "enterkeyhint": "send",
            "class": "scan",
        }

    def clean(self) -> dict[str, Any]:
        """Hold the button that was pressed against what was typed: a stray Enter records nothing."""
        pressed, typed = self.cleaned_data.get("place_done"), bool(self.cleaned_data.get("serial"))
        if pressed == NOT_COUNTED and not (self.cleaned_data.get("note") or "").strip():
            self.add_error("note", "Say why nobody could look, such as: nobody let me in.")
        if pressed in (NOTHING, NOT_COUNTED) and typed:
            self.add_error(
                "serial", "It was typed, too. Record it, or press the button again with an empty field."
            )
        elif pressed not in (NOTHING, NOT_COUNTED) and not typed:
            self.add_error(
                "serial", "Type or scan the serial, or press the button that says nothing is here."
            )
        return self.cleaned_data

    def shown_again(self) -> None:
        """Empty the serial for the next scan, which else would be typed behind it; the refusal quotes it."""
        self.refused_serial = self.data.get("serial", "")
        self.data = {**{name: self.data.get(name, "") for name in self.data}, "serial": ""}

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes."""
        given = self.given()
        pressed = given.pop("place_done")
        return {**given, "place_done": pressed in (ALL, NOTHING), "not_counted": pressed == NOT_COUNTED}


@writing(counts.record_finding)
def place(visit: Visit, key: UUID, holder: UUID) -> HttpResponse:
    """Record what is seen at one place, then go on to the next."""
    count = in_sight(visit, key)
    places = sheet_of(lines_of(count))
    here = _here(places, holder)
    following = next((other for other in places if not other.done and other.key != holder), None)
    return write(
        visit,
        Wish(
            title=here.words,
            form=FindingForm,
            action=counts.record_finding,
            arguments=lambda form: {"count_id": key, **here.argument, **form.arguments()},
            back=address_of(key),
            after=lambda line: _onward(key, here, line, following),
            trail=trail_of(count),
            template="console/count_place.html",
            look=lambda _: {"place": here},
            look_template="console/count_place_check.html",
            words=f"Place {here.position} of {len(places)}. {here.address}".strip(),
            notices=[Code.NOTHING_CHANGES],
            beside={
                "here": here,
                "is_open": count.state == CountState.OPEN,
                "is_cabinet": here.place is DevicePlace.CABINET,
                "following": address_of_place(key, following.key) if following else "",
                "recount": reverse("admin:count_recount", args=[key, holder]),
            },
        ),
    )


def address_of_place(key: UUID, holder: UUID) -> str:
    """Return the address at which one place of a count is counted."""
    return reverse("admin:count_place", args=[key, holder])


def _here(places: list[SheetPlace], holder: UUID) -> SheetPlace:
    here = next((place for place in places if place.key == holder), None)
    if here is None:
        raise absent("place")
    return here


def _onward(key: UUID, here: SheetPlace, line: CountItem, following: SheetPlace | None) -> str:
    """Return where to go: on where this place is done, back to the count after the last one."""
    if not line.place_done:
        return address_of_place(key, here.key)
    return address_of_place(key, following.key) if following else address_of(key)


class WhyForm(PlainForm):
    """Why."""

    reason = Reason(optional=False)


@writing(counts.recount_place)
def recount(visit: Visit, key: UUID, holder: UUID) -> HttpResponse:
    """Have a place counted again."""
    count = in_sight(visit, key)
    here = _here(sheet_of(lines_of(count)), holder)
    return write(
        visit,
        Wish(
            title=f"Count again: {here.words}",
            form=WhyForm,
            action=counts.recount_place,
            arguments=lambda form: {"count_id": key, **here.argument, **form.given()},
            back=address_of(key),
            after=lambda _: address_of_place(key, holder),
            about=[key],
            trail=trail_of(count),
            words="What was recorded there counts no more, and stays in the ledger. The count is open again.",
            look=lambda arguments: {"place": here, "reason": arguments["reason"]},
            look_template="console/count_place_check.html",
        ),
    )


# --- closing and deciding ----------------------------------------------------------------------------


class CloseForm(PlainForm):
    """Why, or what else is to be said."""

    reason = Reason(label="Remark")


@writing(counts.close_count)
def close(visit: Visit, key: UUID) -> HttpResponse:
    """Close a count, so that its differences are told."""
    count = in_sight(visit, key)
    return write(
        visit,
        Wish(
            title=f"Close {count.name}",
            form=CloseForm,
            action=counts.close_count,
            arguments=lambda form: {"count_id": key, **form.given()},
            back=address_of(key),
            about=[key],
            trail=trail_of(count),
            words="Nothing is recorded after that. The page then tells what differs from the register.",
        ),
    )


@writing(counts.accept_difference)
def accept(visit: Visit, key: UUID, item: UUID) -> HttpResponse:
    """Put the register right by a difference."""
    return _decide(
        visit,
        key,
        item,
        "Accept",
        counts.accept_difference,
        lambda each: (
            f"The register had it {'in ' if each.item.sampled else ''}{each.expected_words}; it was seen"
            + (" nowhere, so it is lost." if each.found is None else f" in {each.found_words}.")
        ),
    )


@writing(counts.dismiss_difference)
def dismiss(visit: Visit, key: UUID, item: UUID) -> HttpResponse:
    """Record why a difference is none."""
    return _decide(
        visit,
        key,
        item,
        "Dismiss",
        counts.dismiss_difference,
        lambda _: (
            "Dismissed, it counts as no error after the decisions; as counted it stays one. The register"
            " stays as it is. Say what shows that it was right."
        ),
    )


def _decide(
    visit: Visit,
    key: UUID,
    item: UUID,
    verb: str,
    action: Callable[..., Any],
    words: Callable[[Difference], str],
) -> HttpResponse:
    """Decide on a difference; both pages have the same shape."""
    count = in_sight(visit, key)
    told = differences_of(lines_of(count), visit.scope) if count.state == CountState.CLOSED else []
    found = next((each for each in told if each.item.pk == item), None)
    if found is None:
        raise absent("difference")
    return write(
        visit,
        Wish(
            title=f"{verb}: {found.serial}",
            form=WhyForm,
            action=action,
            arguments=lambda form: {"item_id": item, **form.given()},
            back=address_of(key),
            about=[found.item.device_id] if found.item.device_id else [],
            trail=trail_of(count),
            words=words(found),
        ),
    )
