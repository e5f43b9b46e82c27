"""The chain of a device's whereabouts with what is found in it: as JSON, and as a table to keep."""

from collections.abc import Iterator
from datetime import datetime
from uuid import UUID

from django.http import HttpResponse
from django.utils.http import content_disposition_header
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._fields import MomentField, SheetOut, show_moment
from registry.api._reading import MOMENT_PARAMETERS
from registry.api._views import INDEX_HEADER, RegisterView
from registry.queries.assignments import device_at
from registry.queries.moments import Moment, present
from registry.queries.traces import Chain, ChainStay, Stood, device_chain
from registry.rules.sheets import MEDIA_TYPE, sheet
from registry.rules.traces import FindingCode, FindingKind
from registry.rules.whereabouts import DevicePlace

# --- what is shown ---------------------------------------------------------------------------------


class FindingOut(serializers.Serializer):  # type: ignore[type-arg]
    """A gap, a contradiction or an open end in the chain."""

    code = serializers.ChoiceField(
        choices=[str(code) for code in FindingCode], help_text="stable: words may change, codes never"
    )
    kind = serializers.ChoiceField(choices=[str(kind) for kind in FindingKind])
    words = serializers.CharField()
    to_do = serializers.CharField(help_text="what to do next")
    since = MomentField()
    until = MomentField(allow_null=True, help_text="null: it lasts; equal to `since`: one instant")
    periods = serializers.ListField(child=serializers.UUIDField(), help_text="those that it is about")


class StoodOut(serializers.Serializer):  # type: ignore[type-arg]
    """Where the cabinet stood during a part of the stretch."""

    location = serializers.UUIDField(source="stay.location_id", allow_null=True, help_text="null: no store")
    words = serializers.CharField()
    depot = serializers.UUIDField(source="answering.pk", help_text="the depot that answered")
    depot_name = serializers.CharField(source="answering.label")
    valid_from = MomentField(source="period.valid_from")
    valid_to = MomentField(source="period.valid_to", allow_null=True)
    recorded_index = serializers.IntegerField(
        source="stay.recorded_id", help_text="the ledger entry since which it is believed so"
    )


class ToldOut(serializers.Serializer):  # type: ignore[type-arg]
    """An entry that made a stretch what it is."""

    index = serializers.IntegerField()
    recorded_at = MomentField()
    occurred_at = MomentField()
    verb = serializers.CharField()
    words = serializers.CharField()
    who = serializers.CharField()
    reason = serializers.CharField()


class BeliefOut(serializers.Serializer):  # type: ignore[type-arg]
    """What was believed until an entry put it right."""

    id = serializers.UUIDField(source="identity", help_text="of the period")
    words = serializers.CharField()
    valid_from = MomentField(source="period.valid_from")
    valid_to = MomentField(source="period.valid_to", allow_null=True)
    starts_known_by = serializers.BooleanField()
    recorded_index = serializers.IntegerField(source="recorded")
    superseded_index = serializers.IntegerField(source="superseded")


class StretchOut(serializers.Serializer):  # type: ignore[type-arg]
    """One stretch of the chain: the device with one holder."""

    id = serializers.UUIDField(source="link.place.period", help_text="of the period")
    place = serializers.ChoiceField(source="link.place.place", choices=[str(place) for place in DevicePlace])
    words = serializers.CharField(source="link.words")
    depot = serializers.UUIDField(
        source="link.place.depot_id", allow_null=True, help_text="the depot that answers; null in a cabinet"
    )
    staff = serializers.UUIDField(source="link.place.staff_id", allow_null=True, help_text="whose van")
    cabinet = serializers.UUIDField(source="link.place.cabinet_id", allow_null=True)
    slot = serializers.IntegerField(source="link.place.slot", allow_null=True)
    stood = StoodOut(source="link.stood", many=True)
    valid_from = MomentField(source="link.period.valid_from")
    valid_to = MomentField(
        source="link.period.valid_to", allow_null=True, help_text="null: it ran at the moment asked for"
    )
    starts_known_by = serializers.BooleanField(source="link.place.starts_known_by")
    end_reason = serializers.CharField(source="link.end_reason", help_text="of an assignment that ended")
    end_note = serializers.CharField(source="link.end_note")
    reference = serializers.CharField(source="link.place.reference", help_text="the maker's return number")
    record = serializers.CharField(
        source="link.merged_from", help_text="the serial of the merged record under which it was told first"
    )
    entries = ToldOut(many=True)
    corrections = serializers.ListField(
        source="link.corrections",
        child=serializers.IntegerField(),
        help_text="those of the entries that put it right",
    )
    replaced = BeliefOut(source="link.replaced", many=True)


class ChainOut(serializers.Serializer):  # type: ignore[type-arg]
    """Where a device was, from the first that is known on, the oldest first; and what is found in that."""

    device = serializers.UUIDField(source="chain.device.pk")
    serial = serializers.CharField(source="chain.device.serial")
    as_of = MomentField(source="moment.valid_at")
    known_index = serializers.IntegerField(
        source="moment.index", help_text="the ledger entry up to which this knows"
    )
    at_head = serializers.BooleanField(
        source="moment.at_head", help_text="nothing newer was known when it was answered"
    )
    findings = FindingOut(source="chain.findings", many=True)
    stretches = StretchOut(many=True)
    withdrawn = BeliefOut(source="chain.withdrawn", many=True, help_text="periods taken back for good")


COLUMNS = (
    "serial", "stretch", "place", "holder", "store", "answering_depot", "from", "to", "from_known_by",
    "end_reason", "end_note", "return_number", "entries", "corrections", "record", "findings", "as_of",
    "known_index",
)  # fmt: skip


def _table(chain: Chain, moment: Moment) -> Iterator[list[object]]:
    """Yield a line a stretch, and for a cabinet that went elsewhere a line a place."""
    for number, link in enumerate(chain.stays, start=1):
        for stood in link.stood or (None,):
            period = stood.period if stood else link.period
            ends = period.valid_to == link.period.valid_to
            yield [
                chain.device.serial,
                number,
                link.place.place,
                link.words,
                stood.words if stood else "",
                _depot(link, stood),
                period.valid_from,
                period.valid_to,
                link.place.starts_known_by and period.valid_from == link.period.valid_from,
                link.end_reason if ends else "",
                link.end_note if ends else "",
                link.place.reference,
                " ".join(map(str, link.entries)),
                " ".join(map(str, link.corrections)),
                link.merged_from,
                " ".join(finding.code for finding in chain.found_in(link)),
                moment.valid_at,
                moment.index,
            ]


def _depot(link: ChainStay, stood: Stood | None) -> str:
    depot = stood.answering if stood else link.place.depot
    return depot.label if depot else ""


# --- addresses -------------------------------------------------------------------------------------


class ChainShown(RegisterView):
    """How a chain is asked for: who may see the device now is told all of its history."""

    noun, place = "device", "devices"
    dated = True

    def asked(self, key: UUID) -> tuple[Chain, Moment]:
        """Return the chain and its moment; raises RuleBroken NOT_FOUND for a hidden or absent device."""
        self.only(*MOMENT_PARAMETERS)
        moment = self.moment()
        device_at(key, present(), self.scope)
        return device_chain(key, moment), moment

    def headers_of(self, moment: Moment) -> dict[str, str]:
        """Return the headers of an answer."""
        return {INDEX_HEADER: str(moment.index), "Cache-Control": "private, no-cache"}


class DeviceChainView(ChainShown):
    """The chain of whereabouts of a device."""

    out = ChainOut

    def get(self, request: Request, key: UUID) -> Response:
        """Tell where a device was, who says so, and which gaps and contradictions are found."""
        chain, moment = self.asked(key)
        stretches = [{"link": link, "entries": chain.told_by(link)} for link in chain.stays]
        shown = {"chain": chain, "moment": moment, "stretches": stretches}
        return Response(self.out(shown).data, headers=self.headers_of(moment))


class DeviceChainTableView(ChainShown):
    """The chain of whereabouts of a device, as a table."""

    renderer_classes = (SheetOut,)
    out = OpenApiTypes.STR  # type: ignore[assignment]

    def get(self, request: Request, key: UUID) -> HttpResponse:
        """Tell where a device was as CSV (RFC 4180), a line a stretch, times in UTC.

        A cell that a spreadsheet would take for a formula begins with an apostrophe.
        """
        chain, moment = self.asked(key)
        rows = ([_cell(value) for value in row] for row in _table(chain, moment))
        name = content_disposition_header(True, f"chain-{chain.device.serial}.csv")
        return HttpResponse(
            sheet(COLUMNS, rows),
            content_type=f"{MEDIA_TYPE}; charset=utf-8; header=present",  # RFC 4180, section 3
            headers={"Content-Disposition": name or "attachment", **self.headers_of(moment)},
        )


def _cell(value: object) -> object:
    return show_moment(value) if isinstance(value, datetime) else value
