"""Counts: a sample drawn, the blind sheet, what was found, and closing. What is expected is told by none."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions import counts as actions
from registry.api._fields import In, JsonOut, Key, MomentField, Number, Percent, SheetOut, Text, Truth
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.api.staff import WhyIn
from registry.models import Count, CountItem
from registry.queries.counts import count_now, counts_in, lines_of, sheet_of, sheet_to_fill, words_of_plan
from registry.queries.moments import Moment
from registry.rules.counts import COUNTED_PLACES, CountState, Plan, Result, Strata
from registry.rules.roles import Act
from registry.rules.sampling import Rounding

_PLACES = [str(place) for place in COUNTED_PLACES]


# --- what is read ----------------------------------------------------------------------------------


class DrawIn(WhyIn):
    """What is counted, and how many."""

    name = Text()
    depot = Key(required=False, source="depot_id", help_text="all depots unless told")
    places = serializers.ListField(
        child=serializers.ChoiceField(choices=_PLACES), required=False, max_length=len(_PLACES)
    )
    strata = serializers.ChoiceField(choices=[str(word) for word in Strata], required=False)
    plan = serializers.ChoiceField(choices=[str(word) for word in Plan], required=False)
    confidence = Number(required=False, help_text="in percent, 95 unless told")
    tolerated = Number(required=False, help_text="the tolerated rate or the AQL in percent, 5 unless told")
    rounding = serializers.ChoiceField(
        choices=[str(word) for word in Rounding],
        required=False,
        help_text="of a number of devices that is not whole; down, the cautious one, unless told",
    )


class PlaceIn(In):
    """One place: a cabinet, a depot, or a person's van."""

    cabinet = Key(required=False, source="cabinet_id")
    depot = Key(required=False, source="depot_id")
    staff = Key(required=False, source="staff_id", help_text="whose van it is")


class CountFindingIn(PlaceIn):
    """What was seen at a place."""

    serial = Text(required=False, help_text="as typed, or the text of a scanned code")
    place_done = Truth(required=False, help_text="nothing else is there")
    not_counted = Truth(required=False, help_text="nobody could look there; the note says why")
    seen_at = MomentField(required=False, help_text="now unless told")
    note = Text(required=False, help_text="enters the ledger for good, so nothing personal")


class RecountIn(PlaceIn):
    """A place is counted again."""

    reason = Text(help_text="enters the ledger for good, so nothing personal")


# --- what is shown ---------------------------------------------------------------------------------


class CountOut(serializers.Serializer):  # type: ignore[type-arg]
    """A count: how its sample was drawn, and how far people got."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    depot = serializers.UUIDField(source="depot_id", allow_null=True, help_text="null: all depots")
    places = serializers.SerializerMethodField()
    strata = serializers.CharField()
    plan = serializers.CharField()
    plan_words = serializers.SerializerMethodField()
    confidence = Percent(source="confidence_hundredths")
    tolerated = Percent(source="tolerated_hundredths")
    rounding = serializers.CharField()
    seed = serializers.CharField(help_text="drawn are those whose SHA-256 of seed:serial is least")
    lot_size = serializers.IntegerField()
    lot_sha256 = serializers.CharField(help_text="of the list that was drawn from")
    sample_size = serializers.IntegerField()
    acceptance_number = serializers.IntegerField(help_text="so many may be wrong")
    frozen_at = MomentField(help_text="the list is the register at this time")
    frozen_index = serializers.IntegerField(help_text="as known right after this ledger entry")
    state = serializers.CharField()
    variance = serializers.SerializerMethodField(
        help_text="the address of what a closed count says; null while people count"
    )
    lines_done = serializers.IntegerField(help_text="of the sample, at whose place everything was seen")

    def get_variance(self, count: Count) -> str | None:
        """Where what a closed count says is told."""
        return f"/api/v1/counts/{count.pk}/variance/" if count.state == CountState.CLOSED else None

    def get_places(self, count: Count) -> list[str]:
        """The kinds of places that are counted."""
        return count.places.split()

    def get_plan_words(self, count: Count) -> str:
        """What the plan means, in one sentence."""
        return words_of_plan(count)


class PlaceOut(serializers.Serializer):  # type: ignore[type-arg]
    """A place to go to. Not what the register expects there."""

    position = serializers.IntegerField()
    place = serializers.CharField(help_text="cabinet, depot or van")
    key = serializers.UUIDField(help_text="of the cabinet, the depot, or the person whose van it is")
    words = serializers.CharField()
    address = serializers.CharField()
    recorded = serializers.ListField(child=serializers.CharField(), source="typed")
    done = serializers.BooleanField()
    not_counted = serializers.BooleanField(help_text="nobody could look at some of it")


class CountSheetOut(serializers.Serializer):  # type: ignore[type-arg]
    """The blind sheet of a count."""

    count = serializers.UUIDField()
    state = serializers.CharField()
    places = PlaceOut(many=True)


class CountFindingOut(serializers.Serializer):  # type: ignore[type-arg]
    """What was recorded; whether it agrees with the register is told when the count is closed."""

    count = serializers.UUIDField(source="count_id")
    place = serializers.CharField(help_text="cabinet, depot or van")
    key = serializers.UUIDField(source="holder_id")
    serial = serializers.CharField(source="typed", help_text="as typed; blank where nothing was seen")
    place_done = serializers.BooleanField()
    not_counted = serializers.SerializerMethodField()
    seen_at = MomentField()

    def get_not_counted(self, line: CountItem) -> bool:
        """Whether nobody could look there."""
        return line.result == Result.NOT_COUNTED


class CountFilter(RegisterFilter):
    """Filters of counts."""

    state = ChoiceFilter(choices=[(str(state), str(state)) for state in CountState], label="in this state")
    depot = UUIDFilter(field_name="depot_id", label="of this depot alone")


# --- addresses -------------------------------------------------------------------------------------


class CountShown(RegisterView):
    """How one count is shown."""

    noun, place = "count", "counts"
    out = CountOut
    reads = Act.COUNT

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a count; raises RuleBroken NOT_FOUND."""
        return self.out(count_now(key, self.scope)).data


class CountsView(CountShown, ListView):
    """Counts, open and closed."""

    filters = CountFilter
    searches = ("name",)
    orderings = ("-frozen_at", "name")

    def rows(self, moment: Moment) -> "QuerySet[Count]":
        """Return the counts that this person may see."""
        return counts_in(self.scope)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[Count]:
        """Return them as they stand."""
        return rows

    @changes(actions.draw_count, DrawIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Draw a sample of the register as it stands."""
        return self.change(made=lambda count: count.pk, **given)


class CountView(CountShown, ThingView):
    """One count."""


class CountSheetView(CountShown, ThingView):
    """The blind sheet of a count: where to go, and what was recorded there so far."""

    out = CountSheetOut
    renderer_classes = (JsonOut, SheetOut)
    sheets = True

    def get(self, request: Request, key: UUID) -> Response:
        """Show the sheet, or give it as a table to be filled in."""
        if request.accepted_renderer.format != SheetOut.format:
            return super().get(request, key)
        self.only()
        count = count_now(key, self.scope)
        headers = {"Content-Disposition": f'attachment; filename="count-{count.registered_id}.csv"'}
        return Response(sheet_to_fill(count), headers=headers)

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return the sheet; raises RuleBroken NOT_FOUND."""
        count = count_now(key, self.scope)
        places = sheet_of(lines_of(count))
        return self.out({"count": count.pk, "state": count.state, "places": places}).data


class CountFindingsView(CountShown):
    """What was found."""

    @changes(
        actions.record_finding,
        CountFindingIn,
        status=HTTPStatus.CREATED,
        conditional=False,
        out=CountFindingOut,
    )
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Record a serial that was seen at a place, or that nothing else is there."""
        return self.change(answer=self._told, count_id=key, **given)

    def _told(self, line: CountItem) -> tuple[Mapping[str, Any], None]:
        return CountFindingOut(line).data, None


class CountRecountView(CountShown):
    """A place of a count, once more."""

    @changes(actions.recount_place, RecountIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Have a place counted again; the count is open again."""
        return self.change(key=key, count_id=key, **given)


class CountCloseView(CountShown):
    """The closing of a count."""

    @changes(actions.close_count, WhyIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Close a count, so that its differences are told."""
        return self.change(key=key, count_id=key, **given)
