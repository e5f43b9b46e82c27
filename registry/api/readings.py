"""Readings: what devices report in batches, what was reported, and what came from nowhere.

A batch is posted by a device or a gateway with a token that may do nothing else; people read.
"""

import json
from collections import Counter
from collections.abc import Iterable
from http import HTTPStatus
from typing import Any, ClassVar

import orjson
from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions.readings import Outcome, take_readings
from registry.api._fields import In, JsonIn, MomentField, read_moment
from registry.api._reading import INDEX_HEADER
from registry.api._views import ListView, RegisterView
from registry.api.authentication import DeviceTokenAuthentication
from registry.models import Reading
from registry.queries.moments import Moment, present
from registry.queries.quarantine import LOOK_BACK, SHOWN_MAX, Why, quarantine
from registry.queries.readings import placed, readings_in
from registry.rules.errors import Code
from registry.rules.identifiers import normalise
from registry.rules.particulars import invalid
from registry.rules.readings import BATCH_MAX

DIGITS_MAX = 300  # of a number: what has more is infinite to us, and its row is refused


class BatchParser(BaseParser):
    """JSON as devices send it (RFC 8259): what one row gets wrong must not lose the others.

    So a lone surrogate, a number beyond all bounds or NaN is read, and its row refused.
    """

    media_type = JsonIn.media_type

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        """Return the values; raises ParseError."""
        body = stream.read()
        try:
            return orjson.loads(body)
        except orjson.JSONDecodeError:
            pass
        try:
            return json.loads(body.decode("utf-8"), parse_int=_whole)
        except (ValueError, RecursionError):
            raise ParseError from None


def _whole(digits: str) -> int | float:
    return int(digits) if len(digits) <= DIGITS_MAX else float("inf")


# --- what is read ----------------------------------------------------------------------------------


class ReadingIn(In):
    """One report of a device."""

    serial = serializers.CharField(help_text="as the label shows it; spaces and dashes do not matter")
    measured_at = MomentField(help_text="by the device's clock")
    distances_mm = serializers.ListField(
        child=serializers.IntegerField(allow_null=True),
        help_text="by port, port 1 first: whole millimetres, or null where nothing was heard",
    )
    temperatures_c = serializers.ListField(
        child=serializers.DecimalField(
            max_digits=7, decimal_places=4, allow_null=True, coerce_to_string=False
        ),
        required=False,
        allow_null=True,
        help_text="by sensor of the device, in degrees Celsius, as a number or as text",
    )
    supply_mv = serializers.IntegerField(required=False, allow_null=True)
    signal_dbm = serializers.IntegerField(required=False, allow_null=True)
    firmware = serializers.CharField(required=False, allow_null=True)


class BatchIn(In):
    """Reports of devices, new and old ones in any order."""

    readings = ReadingIn(many=True, help_text=f"at most {BATCH_MAX}")


# --- what is shown ---------------------------------------------------------------------------------


class RowOut(serializers.Serializer):  # type: ignore[type-arg]
    """What became of one row."""

    row = serializers.IntegerField(help_text="its place in the batch, from 0")
    outcome = serializers.ChoiceField(choices=[str(outcome) for outcome in Outcome])
    code = serializers.ChoiceField(
        choices=[str(code) for code in Code], allow_null=True, help_text="why it was refused"
    )
    detail = serializers.CharField(allow_null=True, help_text="what is wrong with it, and what to do")


class BatchOut(serializers.Serializer):  # type: ignore[type-arg]
    """What became of a batch. Refused rows are not sent again as they are; the others stay."""

    accepted = serializers.IntegerField()
    duplicates = serializers.IntegerField(help_text="the register held just that already")
    refused = serializers.IntegerField()
    rows = RowOut(many=True)


class ReadingOut(serializers.Serializer):  # type: ignore[type-arg]
    """A report, with the assignment of its serial at the measured time as believed now."""

    id = serializers.UUIDField(source="reading.pk")
    serial = serializers.CharField(source="reading.serial")
    measured_at = MomentField(source="reading.measured_at")
    received_at = MomentField(source="reading.received_at")
    distances_mm = serializers.ListField(
        source="reading.distances_mm", child=serializers.IntegerField(allow_null=True)
    )
    temperatures_c = serializers.ListField(
        source="reading.temperatures_c", child=serializers.CharField(allow_null=True)
    )
    supply_mv = serializers.IntegerField(source="reading.supply_mv", allow_null=True)
    signal_dbm = serializers.IntegerField(source="reading.signal_dbm", allow_null=True)
    firmware = serializers.CharField(source="reading.firmware")
    seal = serializers.IntegerField(
        source="reading.seal_id", allow_null=True, help_text="the ledger entry that sealed it; null: not yet"
    )
    assignment = serializers.UUIDField(source="stay.period", allow_null=True, default=None)
    device = serializers.UUIDField(source="stay.device_id", allow_null=True, default=None)
    cabinet = serializers.UUIDField(source="stay.cabinet_id", allow_null=True, default=None)


class LikelyOut(serializers.Serializer):  # type: ignore[type-arg]
    """A cabinet in which the device may hang."""

    cabinet = serializers.UUIDField()
    words = serializers.CharField()
    serial = serializers.CharField(help_text="the device's own, or one that is a slip away from it")


class StrayOut(serializers.Serializer):  # type: ignore[type-arg]
    """A serial that reported while it was assigned to no cabinet."""

    serial = serializers.CharField(source="run.serial")
    why = serializers.ChoiceField(choices=[str(why) for why in Why])
    device = serializers.UUIDField(source="device.pk", allow_null=True, default=None)
    place = serializers.CharField(help_text="where the device is believed to be now; blank: unknown")
    reports = serializers.IntegerField(source="run.count")
    first_measured_at = MomentField(source="run.first")
    last_measured_at = MomentField(source="run.last")
    likely = LikelyOut(many=True)


class QuarantineOut(serializers.Serializer):  # type: ignore[type-arg]
    """Serials that reported from nowhere, the newest report first."""

    since = MomentField()
    total = serializers.IntegerField(help_text=f"of these, {SHOWN_MAX} are shown")
    results = StrayOut(many=True)


# --- addresses -------------------------------------------------------------------------------------


class ReadingsView(ListView):
    """Readings of one serial, device or cabinet; and the intake of new ones."""

    out = ReadingOut
    orderings = ("-measured_at", "measured_at")
    refuses = (HTTPStatus.NOT_FOUND,)
    parameters: ClassVar = {
        "serial": "of this serial, whether a device has it or not",
        "device": "of the device with this key",
        "cabinet": "from the cabinet with this key: of what was assigned to it at the measured time",
        "measured_from": "measured then or later",
        "measured_to": "measured before then",
    }
    # A POST is no change by an action, so the schema is told apart what it reads and answers.
    takes, answers = BatchIn, BatchOut

    def get_authenticators(self) -> list[Any]:
        """Let devices and gateways post, and people read: neither token opens the other's door."""
        if getattr(self.request, "method", None) == "POST":
            return [DeviceTokenAuthentication()]
        return super().get_authenticators()

    def get_parsers(self) -> list[Any]:
        """Read batches in our own way."""
        return [BatchParser()]

    def rows(self, moment: Moment) -> "QuerySet[Reading]":
        """Return the readings asked for; raises RuleBroken VALUE_INVALID, NOT_FOUND."""
        asked = self.request.query_params
        named = [name for name in ("serial", "device", "cabinet") if name in asked]
        if len(named) != 1:
            raise invalid("serial", "Ask for the readings of one serial, one device or one cabinet.")
        serial = normalise(asked["serial"]) if "serial" in asked else None
        found = readings_in(
            moment,
            self.scope,
            serial=serial,
            device_id=self.key_in("device"),
            cabinet_id=self.key_in("cabinet"),
        )
        if "measured_from" in asked:
            found = found.filter(measured_at__gte=read_moment(asked["measured_from"], "measured_from"))
        if "measured_to" in asked:
            found = found.filter(measured_at__lt=read_moment(asked["measured_to"], "measured_to"))
        return found

    def known(self, rows: list[Any], moment: Moment) -> Iterable[Any]:
        """Return readings with where their serial was assigned."""
        return placed(rows)

    def post(self, request: Request) -> Response:
        """Take a batch of readings in.

        Answered row by row: one that is refused says why, and the others stay. The same batch may be sent
        again without harm, and in any order.
        """
        body = request.data
        if not isinstance(body, dict):
            raise serializers.ValidationError("The body must be one object. Put its fields in braces.")
        self.given_class = BatchIn
        if set(body) != {"readings"} or not isinstance(body["readings"], list):
            raise invalid("readings", 'The body holds "readings", a list, and nothing else. Send it so.')
        taken = take_readings(request.auth, body["readings"])
        counted = Counter(one.outcome for one in taken)
        return Response(
            {
                "accepted": counted[Outcome.ACCEPTED],
                "duplicates": counted[Outcome.DUPLICATE],
                "refused": counted[Outcome.REFUSED],
                "rows": [
                    {
                        "row": number,
                        "outcome": one.outcome,
                        "code": one.code or None,
                        "detail": one.words or None,
                    }
                    for number, one in enumerate(taken)
                ],
            },
            headers={"Cache-Control": "no-store"},
        )


class QuarantineView(RegisterView):
    """Serials that reported while they were assigned to no cabinet."""

    out = QuarantineOut
    parameters: ClassVar = {"since": f"measured since then; {LOOK_BACK.days} days ago unless told"}

    def get(self, request: Request) -> Response:
        """List them with where they may hang, the newest report first."""
        self.only(*self.parameters)
        moment = present()
        asked = request.query_params.get("since")
        since = moment.valid_at - LOOK_BACK if asked is None else read_moment(asked, "since")
        found = quarantine(moment, self.scope, since)
        data = {"since": since, "total": found.total, "results": found.strays}
        headers = {INDEX_HEADER: str(moment.index), "Cache-Control": "private, no-cache"}
        return Response(self.out(data).data, headers=headers)
