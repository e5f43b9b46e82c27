"""Kit in the console: what goes on a van, the parts, and the rules by which they are counted."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import kit as actions
from registry.console._choices import zone_of_person
from registry.console._forms import Choice, PlainForm, Reason, Text, WholeNumber, words_of
from registry.console._pages import Button, Visit, page
from registry.console._writing import Wish, write, writing
from registry.console.catalogue import ThingForm, YesOrNo
from registry.console.visits import day_asked
from registry.models import KitPart, KitRule, Staff
from registry.queries.visits import days_of_nobody, kit_of, visits_of_van, work_of
from registry.rules.cautions import DEFER
from registry.rules.errors import absent
from registry.rules.kit import CONDITION_WORDS, KitBasis, KitCondition
from registry.rules.visits import VisitKind

BASIS_WORDS = {
    KitBasis.CABINET: "cabinets",
    KitBasis.SENSOR: "sensors",
    KitBasis.LIST: "lists: once for all of it",
}


# --- a van's day -----------------------------------------------------------------------------------


@page
def van(visit: Visit) -> HttpResponse:
    """Show what goes on one van on one day, with the cautions of each cabinet before it."""
    visit.in_zone(zone_of_person(visit))
    day, wrong = day_asked(visit)
    day = day or visit.now.astimezone(visit.zone).date()
    installer = _installer(visit.request.GET.get("installer", ""))
    found = [] if wrong else visits_of_van(visit.scope, day, installer.pk if installer else None)
    return visit.show(
        "console/visits_van.html",
        {
            "title": f"Van of {installer.name if installer else 'nobody yet'}, {day}",
            "trail": [("Visits", reverse("admin:visits"))],
            "wrong": wrong,
            "day": day,
            "installer": installer,
            "stops": [(one, work_of(one)) for one in found],
            "kit": kit_of(found),
            "defer": DEFER,
        },
        status=422 if wrong else 200,
    )


def _installer(typed: str) -> Staff | None:
    if not typed:
        return None
    try:
        found = Staff.objects.filter(pk=UUID(typed)).first()
    except ValueError:
        found = None
    if found is None:
        raise absent("staff", "person")
    return found


# --- parts and rules -------------------------------------------------------------------------------


class PartForm(ThingForm):
    """What a part is made of."""

    code = Text("Code", help_text="short, without spaces")
    name = Text("Name")
    unit = Text("Counted by", initial="piece")


class CorrectPartForm(PartForm):
    """What is known of a part, whether it is still used, and why it is put right."""

    discontinued = YesOrNo("No longer used")
    reason = Reason()


class RuleForm(ThingForm):
    """By which rule a part is taken along."""

    name = Text("Why", help_text="in a few words")
    quantity = WholeNumber("So many", help_text="of the part")
    for_each = WholeNumber("for each", initial=1, help_text="rounded up once over the whole list")
    basis = Choice(
        "of", [(str(basis), words) for basis, words in BASIS_WORDS.items()], initial=str(KitBasis.CABINET)
    )
    condition = Choice(
        "For",
        [(str(kind), words) for kind, words in CONDITION_WORDS.items()],
        initial=str(KitCondition.ALWAYS),
    )
    visit_kind = Choice("On visits", words_of(VisitKind), optional=True, blank="of every kind")
    width_from_mm = WholeNumber("Interior from, in mm", optional=True)
    width_below_mm = WholeNumber("Interior below, in mm", optional=True)

    def particulars(self) -> dict[str, Any]:
        """Return the particulars; blank is a visit of every kind."""
        given = super().particulars()
        return {**given, "visit_kind": given["visit_kind"] or ""}


class WhyForm(PlainForm):
    """Why."""

    reason = Reason()


class NothingForm(PlainForm):
    """Nothing to fill in."""


def _trail() -> list[tuple[str, str]]:
    return [("Catalogue", reverse("admin:catalogue")), ("Kit", reverse("admin:kit"))]


def words_of_rule(rule: KitRule) -> str:
    """Return a rule as a sentence."""
    each = "" if rule.for_each == 1 else f"{rule.for_each} "
    basis = {
        KitBasis.CABINET: f"for each {each}cabinet{'s' if each else ''}",
        KitBasis.SENSOR: f"for each {each}sensor{'s' if each else ''}",
        KitBasis.LIST: "once for the whole list",
    }[KitBasis(rule.basis)]
    parts = [f"{rule.quantity} {basis}", CONDITION_WORDS[KitCondition(rule.condition)]]
    if rule.width_from_mm is not None:
        parts.append(f"from {rule.width_from_mm} mm")
    if rule.width_below_mm is not None:
        parts.append(f"below {rule.width_below_mm} mm")
    parts.append(f"on visits to {rule.visit_kind}" if rule.visit_kind else "on every visit")
    return ", ".join(parts)


@page
def parts(visit: Visit) -> HttpResponse:
    """Show the parts, each with the rules in force, and what the visits of nobody need, by depot and day."""
    rules: dict[UUID, list[Any]] = {}
    for rule in KitRule.objects.filter(withdrawn=False).order_by("registered", "id"):
        withdraw = reverse("admin:kit_rule_withdraw", args=[rule.pk])
        buttons = visit.buttons((actions.withdraw_kit_rule, "Withdraw", withdraw))
        rules.setdefault(rule.part_id, []).append((rule, words_of_rule(rule), buttons))
    found = list(KitPart.objects.order_by("discontinued", "code"))
    offers: list[tuple[Callable[..., Any], str, str]] = [
        (actions.register_kit_part, "Register a part", reverse("admin:kit_part_register"))
    ]
    if not found:
        offers.insert(0, (actions.adopt_kit, "Begin with the usual kit", reverse("admin:kit_adopt")))
    return visit.show(
        "console/kit.html",
        {
            "title": "Kit",
            "trail": _trail()[:1],
            "parts": [(part, rules.get(part.pk, []), _buttons(visit, part)) for part in found],
            "days": days_of_nobody(visit.scope),
            "buttons": visit.buttons(*offers),
        },
    )


def _buttons(visit: Visit, part: KitPart) -> list[Button]:
    correct = (actions.correct_kit_part, "Correct", reverse("admin:kit_part_correct", args=[part.pk]))
    if part.discontinued:
        return visit.buttons(correct)
    return visit.buttons(
        correct, (actions.set_kit_rule, "Set a rule", reverse("admin:kit_rule_set", args=[part.pk]))
    )


def _part(key: UUID) -> KitPart:
    found = KitPart.objects.filter(pk=key).first()
    if found is None:
        raise absent("part")
    return found


@writing(actions.adopt_kit)
def adopt(visit: Visit) -> HttpResponse:
    """Begin with the usual kit."""
    return write(
        visit,
        Wish(
            title="Begin with the usual kit",
            form=NothingForm,
            action=actions.adopt_kit,
            arguments=lambda _: {},
            back=reverse("admin:kit"),
            trail=_trail(),
            words="Registers the parts of common practice with their rules, to be changed afterwards.",
        ),
    )


@writing(actions.register_kit_part)
def register(visit: Visit) -> HttpResponse:
    """Register a part."""
    return write(
        visit,
        Wish(
            title="Register a kit part",
            form=PartForm,
            action=actions.register_kit_part,
            arguments=lambda form: {"particulars": form.particulars()},
            back=reverse("admin:kit"),
            trail=_trail(),
            words="A part is taken along only where a rule says so: set one afterwards.",
        ),
    )


@writing(actions.correct_kit_part)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Correct a part, or mark it as no longer used."""
    part = _part(key)
    names = ("code", "name", "unit", "discontinued")
    return write(
        visit,
        Wish(
            title=f"Correct kit part {part.label}",
            form=CorrectPartForm,
            action=actions.correct_kit_part,
            arguments=lambda form: {
                "part_id": key,
                "particulars": form.particulars(),
                "reason": form.cleaned_data["reason"],
            },
            back=reverse("admin:kit"),
            about=[key],
            initial={name: getattr(part, name) for name in names},
            trail=_trail(),
        ),
    )


@writing(actions.set_kit_rule)
def set_rule(visit: Visit, key: UUID) -> HttpResponse:
    """Set a rule by which a part is taken along."""
    part = _part(key)
    return write(
        visit,
        Wish(
            title=f"Set a rule of {part.label}",
            form=RuleForm,
            action=actions.set_kit_rule,
            arguments=lambda form: {"part_id": key, "particulars": form.particulars()},
            back=reverse("admin:kit"),
            about=[key],
            trail=_trail(),
            words="A rule holds beside the others of its part. What it asks and nobody knows of a cabinet is"
            " taken along, and marked.",
        ),
    )


@writing(actions.withdraw_kit_rule)
def withdraw(visit: Visit, key: UUID) -> HttpResponse:
    """Withdraw a rule."""
    rule = KitRule.objects.filter(pk=key).select_related("part").first()
    if rule is None:
        raise absent("rule")
    return write(
        visit,
        Wish(
            title=f"Withdraw a rule of {rule.part.label}",
            form=WhyForm,
            action=actions.withdraw_kit_rule,
            arguments=lambda form: {"rule_id": key, **form.given()},
            back=reverse("admin:kit"),
            about=[key],
            trail=_trail(),
            words=f"It says: {words_of_rule(rule)}.",
        ),
    )
