"""How the events of a timeline or a trace are shown."""

from collections.abc import Sequence

from rest_framework import serializers
from rest_framework.response import Response

from registry.api._fields import MomentField
from registry.api._views import INDEX_HEADER
from registry.queries.moments import Moment
from registry.queries.timelines import Event
from registry.rules.events import Face


class EventOut(serializers.Serializer):  # type: ignore[type-arg]
    """Something that happened, as the ledger tells it."""

    index = serializers.IntegerField(help_text="of the ledger entry")
    occurred_at = MomentField()
    recorded_at = MomentField()
    words = serializers.CharField()
    verb = serializers.CharField()
    who = serializers.CharField()
    face = serializers.ChoiceField(choices=[str(face) for face in Face])
    reason = serializers.CharField()
    replaced = serializers.ListField(
        child=serializers.CharField(), help_text="what a correction took back, and what stands instead"
    )
    simulated = serializers.BooleanField()
    cabinets = serializers.ListField(child=serializers.UUIDField())
    devices = serializers.ListField(child=serializers.UUIDField())


class StoryOut(serializers.Serializer):  # type: ignore[type-arg]
    """Events in order, the oldest first."""

    as_of = MomentField()
    known_index = serializers.IntegerField(help_text="the ledger entry up to which this knows")
    at_head = serializers.BooleanField(help_text="nothing newer was known when it was answered")
    results = EventOut(many=True)


def story(events: Sequence[Event], moment: Moment) -> Response:
    """Answer with the events that had occurred by the moment, the oldest first."""
    shown = {
        "as_of": moment.valid_at,
        "known_index": moment.index,
        "at_head": moment.at_head,
        "results": [event for event in events if event.occurred_at <= moment.valid_at],
    }
    headers = {INDEX_HEADER: str(moment.index), "Cache-Control": "private, no-cache"}
    return Response(StoryOut(shown).data, headers=headers)
