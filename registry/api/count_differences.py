"""What a closed count says, and what the office decides on each of its differences."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import counts as actions
from registry.api._fields import In, MomentField, Percent, Text
from registry.api._views import RegisterView, ThingView, changes
from registry.queries.counts import count_now, difference_now, variance_of
from registry.queries.moments import Moment
from registry.rules.counts import DifferenceKind
from registry.rules.roles import Act


class DecideIn(In):
    """Why it is decided so."""

    reason = Text(help_text="enters the ledger for good, so nothing personal")


class CountDifferenceOut(serializers.Serializer):  # type: ignore[type-arg]
    """Where register and place differ."""

    id = serializers.UUIDField(source="item.pk")
    count = serializers.UUIDField(source="item.count_id")
    kind = serializers.ChoiceField(choices=[str(kind) for kind in DifferenceKind])
    sampled = serializers.BooleanField(source="item.sampled", help_text="false: seen without being drawn")
    serial = serializers.CharField()
    device = serializers.UUIDField(source="item.device_id", allow_null=True)
    expected = serializers.CharField(
        source="expected_words", help_text="where the register had it when drawn"
    )
    found = serializers.CharField(source="found_words", help_text="where it was seen")
    now = serializers.CharField(help_text="where the register has it now; blank where it has it not")
    note = serializers.CharField(source="item.note")
    counted_by = serializers.UUIDField(source="item.counted_by_id")
    seen_at = MomentField(source="item.seen_at")
    decision = serializers.CharField(source="item.decision", help_text="accepted, dismissed; blank for none")
    decided_by = serializers.UUIDField(source="item.decided_by_id", allow_null=True)
    decided_index = serializers.IntegerField(allow_null=True, help_text="the ledger entry of the decision")
    decision_reason = serializers.CharField(help_text="as that entry gives it; blank for none")


class AsCountedOut(serializers.Serializer):  # type: ignore[type-arg]
    """What was found, whatever was decided since."""

    passed = serializers.BooleanField(help_text="no more wrong than the plan takes")
    wrong = serializers.IntegerField(help_text="of the sample, with those that were not counted")
    not_counted = serializers.IntegerField(help_text="of the wrong ones, those at which nobody could look")
    upper_ppm = serializers.IntegerField(help_text="as below")
    two_sided_ppm = serializers.ListField(child=serializers.IntegerField(), help_text="as below")
    wrong_at_most = serializers.IntegerField(help_text="as below")


class VarianceOut(serializers.Serializer):  # type: ignore[type-arg]
    """How the findings differ from the register, and what that says of all of it."""

    count = serializers.UUIDField()
    as_counted = AsCountedOut(help_text="before any decision; what follows is after the decisions")
    passed = serializers.BooleanField(help_text="no more wrong than the plan takes")
    sample_size = serializers.IntegerField()
    wrong = serializers.IntegerField(help_text="of the sample, without what was dismissed")
    not_counted = serializers.IntegerField(help_text="of the wrong ones, those at which nobody could look")
    explained = serializers.IntegerField(help_text="differences of the sample that were dismissed")
    acceptance_number = serializers.IntegerField()
    confidence = Percent()
    upper_ppm = serializers.IntegerField(
        help_text="one-sided upper limit of the error rate (Clopper and Pearson), in parts per million"
    )
    two_sided_ppm = serializers.ListField(
        child=serializers.IntegerField(), help_text="lower and upper limit, in parts per million"
    )
    wrong_at_most = serializers.IntegerField(
        help_text="of the list that was drawn from, with that confidence"
    )
    lot_size = serializers.IntegerField()
    finds = serializers.IntegerField(help_text="seen beside the sample")
    finds_agreeing = serializers.IntegerField(help_text="of them, where the register had them")
    differences = CountDifferenceOut(many=True)


class CountVarianceView(ThingView):
    """How the findings of a closed count differ from the register, and what that says."""

    noun, place = "count", "counts"
    out = VarianceOut
    reads = Act.COUNT
    refuses = (HTTPStatus.CONFLICT,)  # while people still count

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return the variance; raises RuleBroken NOT_FOUND, COUNT_OPEN."""
        count = count_now(key, self.scope)
        variance = variance_of(count, self.scope)
        told = variance.decided
        return self.out(
            {
                "count": count.pk,
                "as_counted": variance.counted,
                "passed": told.passed,
                "sample_size": told.sample_size,
                "wrong": told.wrong,
                "not_counted": told.not_counted,
                "explained": told.dismissed,
                "acceptance_number": count.acceptance_number,
                "confidence": count.confidence_hundredths,
                "upper_ppm": told.upper_ppm,
                "two_sided_ppm": told.two_sided_ppm,
                "wrong_at_most": told.wrong_at_most,
                "lot_size": count.lot_size,
                "finds": variance.finds,
                "finds_agreeing": variance.finds_agreeing,
                "differences": variance.differences,
            }
        ).data


class DifferenceShown(RegisterView):
    """How one difference is shown."""

    noun, place = "difference", "count-differences"
    out = CountDifferenceOut
    reads = Act.COUNT

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a difference of a closed count; raises RuleBroken NOT_FOUND."""
        return self.out(difference_now(key, self.scope)).data


class DifferenceView(DifferenceShown, ThingView):
    """One difference of a closed count."""


class DifferenceAcceptView(DifferenceShown):
    """A difference by which the register is put right."""

    @changes(actions.accept_difference, DecideIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Put the register right by a difference."""
        return self.change(key=key, item_id=key, **given)


class DifferenceDismissView(DifferenceShown):
    """A difference that is dismissed."""

    @changes(actions.dismiss_difference, DecideIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Record why a difference is none."""
        return self.change(key=key, item_id=key, **given)
