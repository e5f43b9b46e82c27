"""Devices that somebody may mean, as they type; and the trace of one."""

from typing import Any
from uuid import UUID

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._stories import StoryOut, story
from registry.api._views import RegisterView
from registry.api.devices import DeviceShown
from registry.queries.assignments import device_at
from registry.queries.devices import suggest
from registry.queries.moments import present
from registry.queries.timelines import device_trace
from registry.rules.identifiers import SuggestionKind
from registry.rules.particulars import invalid
from registry.rules.whereabouts import DevicePlace

TYPED_LENGTH_MAX = 500  # characters, as of a scan


class AssignableOut(serializers.Serializer):  # type: ignore[type-arg]
    """A device that you could assign."""

    id = serializers.UUIDField(source="device.pk")
    serial = serializers.CharField(source="device.serial")
    model_name = serializers.CharField(source="device.model.name")
    sensor_count = serializers.IntegerField(source="device.model.sensor_count")
    place = serializers.ChoiceField(
        source="place.place", choices=[str(DevicePlace.DEPOT), str(DevicePlace.VAN)]
    )
    place_name = serializers.CharField(source="place_words")
    slip = serializers.ChoiceField(
        choices=[str(kind) for kind in SuggestionKind], help_text="how it differs from what was typed"
    )


class SuggestedOut(serializers.Serializer):  # type: ignore[type-arg]
    """Devices that begin with what was typed, and those one slip away from it."""

    exact = AssignableOut(many=True)
    near = AssignableOut(many=True)


class SuggestView(RegisterView):
    """Devices that you could assign, as you type a serial."""

    out = SuggestedOut
    parameters = {"q": "what is typed so far, or the text of a scanned code"}

    def get(self, request: Request) -> Response:
        """Suggest devices that you could assign."""
        self.only(*self.parameters)
        typed: Any = request.query_params.get("q", "")
        if not typed or len(typed) > TYPED_LENGTH_MAX:
            raise invalid("q", "Type some of the serial, or scan the label.")
        return Response(self.out(suggest(typed, self.scope)).data)


class DeviceTraceView(DeviceShown):
    """Everything that happened to a device."""

    out = StoryOut

    def get(self, request: Request, key: UUID) -> Response:
        """Trace a device: every event up to the moment asked for."""
        self.only("as_of", "known_at")
        moment = self.moment()
        device_at(key, present(), self.scope)
        return story(device_trace(key, known_index=moment.index), moment)
