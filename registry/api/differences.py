"""What changed between two states of knowledge: for a location, an account, or everything of your depots."""

from datetime import datetime
from http import HTTPStatus
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._fields import JsonOut, MomentField, SheetOut, read_moment, show_moment
from registry.api._pages import PAGE_SIZE, PAGE_SIZE_MAX, next_link
from registry.api._reading import read_known
from registry.api._views import INDEX_HEADER, RegisterView
from registry.queries._reach import Reach, reach_of_account, reach_of_fleet, reach_of_location
from registry.queries.difference_lines import DifferenceLine, difference_lines, difference_sheet
from registry.queries.differences import ROWS_MAX, Between, differences, settle_between
from registry.queries.periods import histories
from registry.rules.differences import Turn, Window
from registry.rules.events import Kind, Verb
from registry.rules.particulars import invalid

# Of no store and no device, so never in a comparison.
_NO_FLEET = (Kind.STAFF, Kind.TOKEN, Kind.DEVICE_TOKEN, Kind.READING_SEAL)
KINDS = [str(kind) for kind in Kind if kind not in _NO_FLEET]

# --- what is shown ---------------------------------------------------------------------------------


class SpanOut(serializers.Serializer):  # type: ignore[type-arg]
    """A stretch of valid time in which the two beliefs differ; an instant ends where it begins."""

    valid_from = MomentField(source="begin")
    valid_to = MomentField(source="end", allow_null=True)


class DoneOut(serializers.Serializer):  # type: ignore[type-arg]
    """An entry that made a difference."""

    index = serializers.IntegerField(help_text="of the ledger entry")
    recorded_at = MomentField()
    who = serializers.CharField()
    verb = serializers.ChoiceField(choices=[str(verb) for verb in Verb])
    reason = serializers.CharField()
    simulated = serializers.BooleanField()


class DifferenceOut(serializers.Serializer):  # type: ignore[type-arg]
    """One belief that is another now."""

    change = serializers.ChoiceField(
        source="difference.turn",
        choices=[str(turn) for turn in Turn],
        allow_null=True,
        help_text="what became of a dated belief; null: particulars, which have no dates",
    )
    kind = serializers.ChoiceField(source="difference.kind", choices=KINDS)
    thing = serializers.UUIDField(source="difference.thing")
    history = serializers.SerializerMethodField(help_text="the dated table; null: particulars")
    period = serializers.UUIDField(source="difference.period", allow_null=True)
    what = serializers.CharField()
    was = serializers.CharField(help_text="what was believed right after `from_known`")
    now = serializers.CharField(help_text="what was believed right after `to_known`")
    since = MomentField(
        source="difference.since",
        allow_null=True,
        help_text="the earliest instant at which the two beliefs differ",
    )
    reaches_back = serializers.BooleanField(
        source="difference.reaches_back",
        allow_null=True,
        help_text="`since` lies before `reaches_back_before`; null: particulars, which say not when",
    )
    differs = SpanOut(source="difference.spans", many=True)
    columns = serializers.ListField(
        source="difference.columns", child=serializers.CharField(), help_text="those that differ"
    )
    location = serializers.SerializerMethodField(help_text="where the cabinet stood then, if it is told")
    location_name = serializers.SerializerMethodField()
    entries = DoneOut(many=True, help_text="that did it")

    def get_history(self, line: DifferenceLine) -> str | None:
        """The dated table."""
        return line.difference.table if line.difference.table in histories() else None

    def get_location(self, line: DifferenceLine) -> str | None:
        """The store's key."""
        return str(line.location.pk) if line.location else None

    def get_location_name(self, line: DifferenceLine) -> str:
        """The store's name."""
        return line.location.label if line.location else ""


class DifferencesOut(serializers.Serializer):  # type: ignore[type-arg]
    """What reaches back first, then particulars that were corrected, then the rest."""

    from_index = serializers.IntegerField(help_text="the ledger entry after which the first belief was held")
    known_index = serializers.IntegerField(help_text="the one after which the last was")
    at_head = serializers.BooleanField(help_text="nothing newer was known when it was answered")
    reaches_back_before = MomentField()
    reaching_back = serializers.IntegerField(help_text="differences that reach back")
    undated = serializers.IntegerField(help_text="particulars that were corrected")
    others = serializers.IntegerField(help_text="all other differences")
    taken_back = serializers.IntegerField(
        help_text="entries in between whose changes were all taken back again"
    )
    next = serializers.CharField(allow_null=True)
    results = DifferenceOut(many=True)


# --- address ---------------------------------------------------------------------------------------


class DifferencesView(RegisterView):
    """What changed between two states of knowledge."""

    out = DifferencesOut
    renderer_classes = (JsonOut, SheetOut)
    sheets = True
    refuses = (HTTPStatus.NOT_FOUND,)
    parameters = {
        "from_known": "the first state of knowledge: a time with its offset, or an entry's index; needed",
        "to_known": "the last one; the newest entry unless told",
        "reaches_back_before": "what was true before then reaches back; `from_known`'s time unless told",
        "location": "the key of a location: what belongs to it only",
        "account": "the key of an account: what belongs to its locations only",
        "valid_from": "only what differs at some time from then on, such as the month of a bill",
        "valid_to": "only what differs at some time before then",
        "page_size": f"rows of a page, 1 to {PAGE_SIZE_MAX}; {PAGE_SIZE} unless told; a sheet has all rows",
        "cursor": "where the page begins: taken from `next`, and from nowhere else",
    }

    def get(self, request: Request) -> Any:
        """Compare what was believed right after two entries: the net differences, and who made them."""
        self.only(*self.parameters)
        asked = request.query_params
        first = read_known(asked.get("from_known"), "from_known")
        if first is None:
            raise invalid("from_known", "Say from which state of knowledge on: a time, or an entry's index.")
        before = self._time("reaches_back_before")
        between = settle_between(first, read_known(asked.get("to_known"), "to_known"), before)
        window = Window(self._time("valid_from"), self._time("valid_to"))
        found = differences(between, self._reach(between), window)
        headers = {INDEX_HEADER: str(between.last), "Cache-Control": "private, no-cache"}
        if request.accepted_renderer.format == SheetOut.format:
            lines = difference_lines(found.found, between)
            headers["Content-Disposition"] = 'attachment; filename="differences.csv"'
            return Response(difference_sheet(lines), headers=headers)
        begin, size = self._number("cursor", 0, ROWS_MAX), self._number("page_size", PAGE_SIZE, PAGE_SIZE_MAX)
        if size == 0:
            raise invalid("page_size", f"A page has 1 to {PAGE_SIZE_MAX} rows. Ask for so many.")
        following = str(begin + size) if begin + size < len(found.found) else None
        pinned = {
            "from_known": str(between.first),
            "to_known": str(between.last),
            "reaches_back_before": show_moment(between.reaches_back_before),
        }
        data = {
            "from_index": between.first,
            "known_index": between.last,
            "at_head": between.at_head,
            "reaches_back_before": between.reaches_back_before,
            "reaching_back": found.counted(True),
            "undated": found.counted(None),
            "others": found.counted(False),
            "taken_back": found.taken_back,
            "next": next_link(request.path, asked.dict(), pinned, following),
            "results": difference_lines(found.found[begin : begin + size], between),
        }
        return Response(self.out(data).data, headers=headers)

    def _reach(self, between: Between) -> Reach:
        location, account = self.key_in("location"), self.key_in("account")
        if location is not None and account is not None:
            raise invalid("account", "Ask for one location or for one account, not for both.")
        if location is not None:
            return reach_of_location(location, self.scope)
        if account is not None:
            return reach_of_account(account, self.scope, between.first, between.last)
        return reach_of_fleet(self.scope)

    def _time(self, name: str) -> datetime | None:
        typed = self.request.query_params.get(name)
        return None if typed is None else read_moment(typed, name)

    def _number(self, name: str, unless_told: int, most: int) -> int:
        typed = self.request.query_params.get(name)
        if typed is None:
            return unless_told
        if not (typed.isascii() and typed.isdigit() and len(typed) < 9 and int(typed) <= most):
            raise invalid(
                name, f"This is a number from 0 to {most}. Take it from an answer, or leave it out."
            )
        return int(typed)
