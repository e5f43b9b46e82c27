"""The company's practice of mounting: from which to which measure it is kept."""

from collections.abc import Mapping
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions.mountings import set_mounting_practice
from registry.api._fields import In, Text, WholeNumber
from registry.api._views import RegisterView, ThingView, changes
from registry.queries.moments import Moment, present
from registry.queries.mountings import practice_kept
from registry.rules.errors import absent
from registry.rules.mountings import PracticeValue

_SIDE = "null: no bound on this side"


class SetMountingPracticeIn(In):
    """From which to which measure practice is kept, both included."""

    least_mm = WholeNumber(allow_null=True, help_text=_SIDE)
    most_mm = WholeNumber(allow_null=True, help_text=_SIDE)
    reason = Text(required=False)


class MountingPracticeOut(serializers.Serializer):  # type: ignore[type-arg]
    """The practice of one measure."""

    value = serializers.ChoiceField(choices=[str(value) for value in PracticeValue])
    least_mm = serializers.IntegerField(source="bounds.least_mm", allow_null=True, help_text=_SIDE)
    most_mm = serializers.IntegerField(source="bounds.most_mm", allow_null=True, help_text=_SIDE)
    default_least_mm = serializers.IntegerField(source="default.least_mm", allow_null=True)
    default_most_mm = serializers.IntegerField(source="default.most_mm", allow_null=True)


class MountingPracticesOut(serializers.Serializer):  # type: ignore[type-arg]
    """The practice of every measure, in the order of the work."""

    results = MountingPracticeOut(many=True)


class MountingPracticesView(RegisterView):
    """The company's practice of mounting."""

    out = MountingPracticesOut
    tagged = True

    def get(self, request: Request) -> Response:
        """Show the practice of every measure."""
        self.only()
        return self.one(self.out({"results": practice_kept()}).data, present())


class MountingPracticeView(ThingView):
    """The practice of one measure."""

    noun, place = "practice", "mounting-practice"
    out = MountingPracticeOut

    def shown(self, key: str, moment: Moment) -> Mapping[str, Any]:
        """Return the practice of a measure by its name; raises RuleBroken NOT_FOUND."""
        for kept in practice_kept():
            if kept.value == key:
                return self.out(kept).data
        raise absent(self.noun)

    @changes(set_mounting_practice, SetMountingPracticeIn)
    def patch(self, request: Request, key: str, given: dict[str, Any]) -> HttpResponse:
        """Set the practice of a measure."""
        return self.change(key=key, value=key, **given)
