"""EPCIS documents: what happened to a device, at a location or in a period, for other companies' systems."""

from collections.abc import Callable
from typing import Any, ClassVar
from uuid import UUID

from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._fields import JsonOut, read_moment
from registry.api._views import RegisterView
from registry.queries.assignments import device_at
from registry.queries.entries import require_whole_ledger
from registry.queries.epcis import EVENTS_MAX, Span, device_document, location_document, period_document
from registry.queries.locations import location_at
from registry.queries.moments import present
from registry.rules.canonical import Json
from registry.rules.epcis import CONTEXT
from registry.rules.particulars import invalid
from registry.rules.roles import Act


class JsonLdOut(JsonOut):
    """The same bytes as JSON, called JSON-LD (EPCIS 2.0 knows both names)."""

    media_type = "application/ld+json"


DOCUMENT: dict[str, Any] = {
    "type": "object",
    "description": f"An EPCISDocument (EPCIS 2.0, ISO/IEC 19987) in JSON-LD, by the context {CONTEXT}."
    " Events stand in the order in which the register stated them; one that was wrong is repeated with its"
    " errorDeclaration. Own fields have the prefix `rimebook`: `rimebook:knownIndex` is the entry up to"
    " which the document knows, and creationDate when that was recorded.",
    "required": ["@context", "id", "type", "schemaVersion", "creationDate", "epcisHeader", "epcisBody"],
    "properties": {
        "@context": {"type": "array"},
        "id": {"type": "string"},
        "type": {"type": "string", "enum": ["EPCISDocument"]},
        "schemaVersion": {"type": "string", "enum": ["2.0"]},
        "creationDate": {"type": "string", "format": "date-time"},
        "rimebook:knownIndex": {"type": "integer"},
        "epcisHeader": {"type": "object"},
        "epcisBody": {
            "type": "object",
            "required": ["eventList"],
            "properties": {
                "eventList": {
                    "type": "array",
                    "minItems": 1,
                    "maxItems": EVENTS_MAX,
                    "items": {"type": "object"},
                }
            },
        },
    },
}


class EpcisShown(RegisterView):
    """How a document is answered: as JSON-LD, or as JSON where that is asked for."""

    renderer_classes = (JsonLdOut, JsonOut)
    tagged: ClassVar[bool] = True
    out: ClassVar[Any] = DOCUMENT
    parameters = {
        "from": "what occurred then or later: a time with its offset",
        "to": "what occurred before: a time with its offset",
        "known_at": "as the register knew then: a time with its offset, or the index of a ledger entry",
    }

    def document(self, told: Callable[[int, Span], dict[str, Json]]) -> Response:
        """Answer with a document of the span and the knowledge asked for.

        Raises RuleBroken TIME_INVALID, VALUE_INVALID, NO_EVENTS, TOO_MANY.
        """
        self.only(*self.parameters)
        asked = self.request.query_params
        starts, ends = (read_moment(asked[name], name) if name in asked else None for name in ("from", "to"))
        moment = self.moment()
        return self.one(told(moment.index, Span(starts, ends)), moment)


class DeviceEpcisView(EpcisShown):
    """The events of a device."""

    noun, place = "device", "devices"

    def get(self, request: Request, key: UUID) -> Response:
        """Tell the events of a device, and of its cabinets while it hung in them, as an EPCIS document."""
        device_at(key, present(), self.scope)
        return self.document(lambda index, span: device_document(key, index, span))


class LocationEpcisView(EpcisShown):
    """The events of a location."""

    noun, place = "location", "locations"

    def get(self, request: Request, key: UUID) -> Response:
        """Tell what happened at a location to cabinets and devices, as an EPCIS document."""
        location_at(key, present(), self.scope)
        return self.document(lambda index, span: location_document(key, index, span))


class EpcisView(EpcisShown):
    """The events of a period, of all depots."""

    reads = Act.READ_LEDGER
    parameters = {
        **EpcisShown.parameters,
        "from": "required: what occurred then or later, a time with its offset",
        "to": "required: what occurred before, a time with its offset",
    }

    def initial(self, request: Request, *args: Any, **keys: Any) -> None:
        """Sign in, and refuse who may not read the ledger or sees only some depots."""
        super().initial(request, *args, **keys)
        if request.method in ("GET", "HEAD"):
            require_whole_ledger(self.scope)

    def get(self, request: Request) -> Response:
        """Tell everything that happened in a period, as an EPCIS document."""
        for name in ("from", "to"):
            if name not in request.query_params:
                raise invalid(name, f"The {name} is missing. Say from when to when, such as a week.")
        return self.document(period_document)
