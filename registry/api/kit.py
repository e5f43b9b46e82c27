"""Kit: parts and rules, and what goes on a van."""

from collections.abc import Iterable, Mapping
from datetime import date
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions import kit as actions
from registry.api._catalogue import RecordShown, RecordsView
from registry.api._fields import In, Key, Text, Truth, WholeNumber
from registry.api._filters import TruthFilter
from registry.api._views import RegisterFilter, RegisterView, ThingView, changes
from registry.api.staff import WhyIn
from registry.models import KitPart, KitRule
from registry.queries.moments import Moment, present
from registry.queries.visits import KitEntry, kit_of, visit_now, visits_of_van
from registry.rules.kit import KitBasis, KitCondition
from registry.rules.particulars import invalid
from registry.rules.visits import VisitKind

_CONDITIONS = [str(word) for word in KitCondition]
_BASES = [str(word) for word in KitBasis]
_KINDS = [str(word) for word in VisitKind]


# --- what is read ----------------------------------------------------------------------------------


class KitPartParticularsIn(In):
    """What is known of a part; what is left out stays."""

    code = Text(required=False)
    name = Text(required=False)
    unit = Text(required=False, help_text="in which it is counted; piece unless told")
    discontinued = Truth(required=False)


class RegisterKitPartIn(KitPartParticularsIn):
    """A new part."""

    code = Text()
    name = Text()


class CorrectKitPartIn(KitPartParticularsIn):
    """What is known of a part; what is left out stays."""

    reason = Text(required=False)


class AdoptKitIn(In):
    """Nothing has to be told."""


class KitRuleIn(In):
    """A rule by which a part is taken along."""

    part = Key(source="part_id")
    name = Text(help_text="why, in a few words")
    visit_kind = serializers.ChoiceField(choices=_KINDS, required=False, help_text="every kind unless told")
    condition = serializers.ChoiceField(choices=_CONDITIONS, required=False)
    basis = serializers.ChoiceField(choices=_BASES, required=False, help_text="of what it is counted")
    quantity = WholeNumber()
    for_each = WholeNumber(required=False, help_text="so many of the basis, rounded up over the whole list")
    width_from_mm = WholeNumber(required=False, allow_null=True, help_text="of the interior")
    width_below_mm = WholeNumber(required=False, allow_null=True, help_text="of the interior")


# --- what is shown ---------------------------------------------------------------------------------


class KitPartOut(serializers.Serializer):  # type: ignore[type-arg]
    """A part."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    unit = serializers.CharField()
    discontinued = serializers.BooleanField()


class KitAdoptedOut(serializers.Serializer):  # type: ignore[type-arg]
    """The parts of the usual kit."""

    parts = serializers.ListField(child=serializers.UUIDField())


class KitRuleOut(serializers.Serializer):  # type: ignore[type-arg]
    """A rule."""

    id = serializers.UUIDField()
    part = serializers.UUIDField(source="part_id")
    name = serializers.CharField()
    visit_kind = serializers.CharField(help_text="blank: every kind")
    condition = serializers.ChoiceField(choices=_CONDITIONS)
    basis = serializers.ChoiceField(choices=_BASES)
    quantity = serializers.IntegerField()
    for_each = serializers.IntegerField()
    width_from_mm = serializers.IntegerField(allow_null=True)
    width_below_mm = serializers.IntegerField(allow_null=True)
    withdrawn = serializers.BooleanField()


class KitLineOut(serializers.Serializer):  # type: ignore[type-arg]
    """So many of a part."""

    part = serializers.UUIDField(source="part.pk")
    code = serializers.CharField(source="part.code")
    name = serializers.CharField(source="part.name")
    unit = serializers.CharField(source="part.unit")
    quantity = serializers.IntegerField(source="line.quantity")
    assumed = serializers.BooleanField(source="line.assumed", help_text="some of it may not be needed")
    assumed_for = serializers.ListField(
        child=serializers.CharField(),
        source="line.assumed_for",
        help_text="asset tags of cabinets of which something is unknown",
    )
    because = serializers.ListField(child=serializers.CharField(), source="line.because")


class KitOut(serializers.Serializer):  # type: ignore[type-arg]
    """What to take along for some visits together."""

    visits = serializers.ListField(child=serializers.UUIDField())
    lines = KitLineOut(many=True)


class KitPartFilter(RegisterFilter):
    """Filters of parts."""

    discontinued = TruthFilter(label="true: those only that are no longer used")


class KitRuleFilter(RegisterFilter):
    """Filters of rules."""

    part = UUIDFilter(field_name="part_id", label="of this part")
    withdrawn = TruthFilter(label="true: those only that were withdrawn")
    condition = ChoiceFilter(choices=[(word, word) for word in _CONDITIONS], label="for such cabinets")


def _kit(visits: Iterable[Any]) -> dict[str, Any]:
    rows = list(visits)
    lines: list[KitEntry] = kit_of(rows)
    return {"visits": [visit.pk for visit in rows], "lines": lines}


# --- addresses -------------------------------------------------------------------------------------


class VisitKitView(ThingView):
    """What to take along for one visit."""

    noun, place = "visit", "visits"
    out = KitOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return the list; raises RuleBroken NOT_FOUND."""
        return self.out(_kit([visit_now(key, self.scope, self.staff.pk)])).data


class KitView(RegisterView):
    """What to take along on one day, in one van."""

    out = KitOut
    parameters = {
        "day": "at the stores, such as 2026-05-01",
        "installer": "whose van it is; your own unless told",
    }

    def get(self, request: Request) -> Response:
        """Show the list of a van's day."""
        self.only(*self.parameters)
        try:
            day = date.fromisoformat(request.query_params.get("day", ""))
            installer = UUID(request.query_params.get("installer", str(self.staff.pk)))
        except ValueError:
            raise invalid("day", "Say which day, such as 2026-05-01, and whose van by its key.") from None
        return self.one(self.out(_kit(visits_of_van(self.scope, day, installer))).data, present())


class KitPartShown(RecordShown):
    """How one part is shown."""

    noun, place = "kit_part", "kit-parts"
    model, out = KitPart, KitPartOut


class KitPartsView(KitPartShown, RecordsView):
    """Parts."""

    filters = KitPartFilter
    searches = ("code", "name")
    orderings = ("code", "name")

    @changes(actions.register_kit_part, RegisterKitPartIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register a part."""
        return self.change(made=lambda part: part.pk, particulars=given)


class KitAdoptView(RegisterView):
    """The usual kit."""

    out = KitAdoptedOut

    @changes(actions.adopt_kit, AdoptKitIn, conditional=False, out=KitAdoptedOut)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register the usual parts with their rules, as common practice has them."""
        return self.change(answer=lambda parts: (self.out({"parts": [part.pk for part in parts]}).data, None))


class KitPartView(KitPartShown, ThingView):
    """One part."""

    @changes(actions.correct_kit_part, CorrectKitPartIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct a part, or mark it as no longer used."""
        reason = given.pop("reason", "")
        return self.change(key=key, part_id=key, particulars=given, reason=reason)


class KitRuleShown(RecordShown):
    """How one rule is shown."""

    noun, place = "kit_rule", "kit-rules"
    model, out = KitRule, KitRuleOut


class KitRulesView(KitRuleShown, RecordsView):
    """Rules."""

    filters = KitRuleFilter
    searches = ("name",)
    orderings = ("name",)

    @changes(actions.set_kit_rule, KitRuleIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Set a rule."""
        part = given.pop("part_id")
        return self.change(made=lambda rule: rule.pk, part_id=part, particulars=given)


class KitRuleView(KitRuleShown, ThingView):
    """One rule."""


class KitRuleWithdrawView(KitRuleShown):
    """A rule, withdrawn."""

    @changes(actions.withdraw_kit_rule, WhyIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Withdraw a rule."""
        return self.change(key=key, rule_id=key, **given)
