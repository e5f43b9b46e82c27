"""Entries of the ledger: everything that was done, told in order, for those who see all depots."""

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.api._fields import MomentField, show_moment
from registry.api._filters import TruthFilter
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView
from registry.models import Entry, Subject
from registry.queries.entries import (
    EntryTold,
    clock_offset_s,
    entries_in,
    entries_told,
    entry_told,
    require_whole_ledger,
    stated_at,
)
from registry.queries.moments import Moment
from registry.rules.events import Face, Kind, Verb
from registry.rules.roles import Act

_FACES = [str(face) for face in Face]
_KINDS = [str(kind) for kind in Kind]

# --- what is shown ---------------------------------------------------------------------------------


class SubjectOut(serializers.Serializer):  # type: ignore[type-arg]
    """A thing that an entry is about, as people called it then."""

    part = serializers.CharField(help_text="the part that it plays")
    kind = serializers.ChoiceField(choices=_KINDS)
    id = serializers.UUIDField(source="thing_id")
    label = serializers.CharField()


class EntryOut(serializers.Serializer):  # type: ignore[type-arg]
    """An entry of the ledger."""

    index = serializers.IntegerField(source="entry.index", help_text="from 1, without gaps")
    id = serializers.UUIDField(source="entry.id")
    occurred_at = MomentField(source="entry.occurred_at")
    recorded_at = MomentField(source="entry.recorded_at")
    words = serializers.CharField(source="event.words")
    verb = serializers.CharField(source="entry.verb")
    who = serializers.CharField(source="event.who")
    staff = serializers.UUIDField(source="entry.staff_id", allow_null=True, help_text="null: the system")
    face = serializers.ChoiceField(
        source="entry.face", choices=_FACES, help_text="through which door it came"
    )
    reason = serializers.CharField(source="entry.reason")
    replaced = serializers.ListField(
        source="event.replaced",
        child=serializers.CharField(),
        help_text="what a correction took back, and what stands instead",
    )
    simulated = serializers.BooleanField(source="entry.simulated", help_text="made under a simulated clock")
    schema = serializers.IntegerField(source="entry.schema", help_text="number of the form of its images")
    subjects = SubjectOut(many=True)


class EntryWithBodyOut(EntryOut):
    """An entry of the ledger, with the text that its leaf of the Merkle tree binds."""

    clock_offset_s = serializers.IntegerField(
        help_text="seconds added to all stated times, because the clock that stated them was wrong; 0: none"
    )
    stated_at = MomentField(help_text="when it happened by the clock of who stated it")
    body = serializers.CharField(
        allow_null=True, help_text="canonical JSON (RFC 8785), only with `body=true`"
    )
    leaf_hash = serializers.CharField(
        allow_null=True, help_text="RFC 9162 leaf hash of the body in hexadecimal digits, with `body=true`"
    )


class EntryFilter(RegisterFilter):
    """Filters of entries."""

    verb = ChoiceFilter(choices=[(str(verb), str(verb)) for verb in Verb], label="that tell this")
    face = ChoiceFilter(choices=[(word, word) for word in _FACES], label="that came through this door")
    staff = UUIDFilter(field_name="staff_id", label="by this person")
    about = UUIDFilter(method="that_tell_of", label="about the thing with this key")
    simulated = TruthFilter(label="true: those only made under a simulated clock")

    def that_tell_of(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those about a thing."""
        return rows.filter(index__in=Subject.objects.filter(thing_id=value).values("entry"))


# --- addresses -------------------------------------------------------------------------------------


class EntryShown(RegisterView):
    """How one entry is shown."""

    noun, place = "entry", "entries"
    out = EntryOut
    reads = Act.READ_LEDGER

    def initial(self, request: Request, *args: Any, **keys: Any) -> None:
        """Sign in, and refuse who may not read the ledger or sees only some depots."""
        super().initial(request, *args, **keys)
        if request.method in ("GET", "HEAD"):
            require_whole_ledger(self.scope)


class EntriesView(EntryShown, ListView):
    """Entries, the newest first."""

    filters = EntryFilter
    orderings = ("-index",)
    tie = "index"

    def rows(self, moment: Moment) -> "QuerySet[Entry]":
        """Return all entries."""
        return entries_in(moment).defer("body", "leaf_hash")

    def known(self, rows: list[Any], moment: Moment) -> Iterable[EntryTold]:
        """Return them in words."""
        return entries_told(rows)


class EntryView(EntryShown, ThingView):
    """One entry."""

    out = EntryWithBodyOut
    parameters = {"body": "`true`: with the canonical text and its leaf hash"}

    def shown(self, key: int, moment: Moment) -> Mapping[str, Any]:
        """Return an entry; raises RuleBroken NOT_FOUND."""
        told = entry_told(key, moment)
        whole = self.chosen("body", ("true",)) != ""
        return {
            **EntryOut(told).data,
            "clock_offset_s": clock_offset_s(told.entry),
            "stated_at": show_moment(stated_at(told.entry)),
            "body": told.entry.body if whole else None,
            "leaf_hash": bytes(told.entry.leaf_hash).hex() if whole else None,
        }
