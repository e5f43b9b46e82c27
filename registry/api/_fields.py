"""How values are read and written: strict about types, and leaving every rule to the rules."""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from types import SimpleNamespace
from typing import Any, ClassVar
from uuid import UUID

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.exceptions import ParseError
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.parsers import JSONParser
from rest_framework.renderers import BaseRenderer, JSONRenderer

from registry.rules import sheets
from registry.rules.errors import Code, RuleBroken
from registry.rules.periods import require_offset
from registry.rules.splits import percent_text, read_percent

_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?([Zz]|[+-]\d\d:\d\d)?")


WORDS = {
    "required": "This is missing. Fill it in.",
    "null": "This cannot be null. Leave it out, or fill it in.",
    "invalid_choice": "{input} is not known here. Use one of the words in the documentation.",
    "not_a_list": "This must be a list. Put it in square brackets.",
    "empty": "This list is empty. Name at least one.",
    "max_length": "This is too long; at most {max_length} are taken. Send the rest apart.",
}


class JsonIn(JSONParser):
    """JSON as it is read. What nests deeper than can be read is taken for none (RFC 8259, section 9)."""

    def parse(self, *args: Any, **options: Any) -> Any:
        """Return the values; raises ParseError."""
        try:
            return super().parse(*args, **options)
        except RecursionError:
            raise ParseError from None


class JsonOut(JSONRenderer):
    """JSON as it is shown: always the same bytes, because a strong entity tag is of them."""

    def get_indent(self, accepted_media_type: str, renderer_context: Any) -> None:
        """Indent for nobody."""


class SheetOut(BaseRenderer):
    """A sheet that is answered where the Accept header asks for one; the view writes it."""

    media_type = sheets.MEDIA_TYPE
    format = "csv"

    def render(self, data: Any, accepted_media_type: str | None = None, context: Any = None) -> bytes:
        """Return a sheet that was written already."""
        return str(data).encode()


class ByHeader(DefaultContentNegotiation):
    """Which form is answered is asked for by the Accept header alone: `format` is no parameter."""

    settings = SimpleNamespace(URL_FORMAT_OVERRIDE=None)


class In(serializers.Serializer):  # type: ignore[type-arg]
    """A body that is read: a field that it does not have is refused, because a misspelt one would be lost."""

    # What may be sent instead of a field, and so is pointed to where that one was not sent.
    instead: ClassVar[Mapping[str, str]] = {}

    def get_fields(self) -> dict[str, Any]:
        """Return the fields, which say what to do where the framework only says what is wrong."""
        fields = super().get_fields()
        for field in fields.values():
            field.error_messages |= {
                name: words for name, words in WORDS.items() if name in field.error_messages
            }
        return fields

    def to_internal_value(self, data: Any) -> Any:
        """Return the values, or raise ValidationError by field."""
        if isinstance(data, dict):
            unknown = sorted(str(name) for name in data if name not in self.fields)
            if unknown:
                raise serializers.ValidationError(
                    dict.fromkeys(unknown, "There is no such field here. Leave it out, or correct its name.")
                )
        return super().to_internal_value(data)


class Text(serializers.CharField):
    """Text, which may be blank; its rule decides. A number is no text: it would have lost its zeros."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"allow_blank": True, "trim_whitespace": False, **options})
        self.validators = [require_storable]

    def to_internal_value(self, data: Any) -> str:
        """Return the text as it came."""
        if not isinstance(data, str):
            raise serializers.ValidationError("This must be text. Put it in quotes.")
        return data


class WholeNumber(serializers.IntegerField):
    """A whole number; its rule knows the bounds."""

    def to_internal_value(self, data: Any) -> int:
        """Return the number as it came."""
        if isinstance(data, bool) or not isinstance(data, int):
            raise serializers.ValidationError("This must be a whole number, without quotes.")
        return data


@extend_schema_field({"oneOf": [{"type": "string"}, {"type": "number"}]})
class Number(serializers.Field):  # type: ignore[type-arg]
    """A decimal number, as text or as a JSON number."""

    def to_internal_value(self, data: Any) -> Any:
        """Return text or an exact decimal for the rule to judge."""
        if isinstance(data, float):
            return Decimal(repr(data))
        if isinstance(data, bool) or not isinstance(data, int | str):
            raise serializers.ValidationError("This must be a number, such as 43.5 or its text.")
        return data

    def to_representation(self, value: Any) -> str:
        """Return the exact number as text."""
        return format(value.normalize(), "f")


class Truth(serializers.BooleanField):
    """True or false, and nothing that looks like it."""

    def to_internal_value(self, data: Any) -> bool:
        """Return the value as it came."""
        if not isinstance(data, bool):
            raise serializers.ValidationError("This must be true or false.")
        return data


@extend_schema_field(OpenApiTypes.DATETIME)
class MomentField(serializers.Field):  # type: ignore[type-arg]
    """A time with its offset from UTC (RFC 3339, section 5.6); told in UTC."""

    def to_internal_value(self, data: Any) -> datetime:
        """Return the time, as our clock tells it; raises ValidationError with the code of the rule."""
        name = self.field_name or "time"
        with told_by_field():
            return put_right(read_moment(data, name), self.context.get("clock_offset_s", 0), name)

    def to_representation(self, value: datetime) -> str:
        """Return the time in UTC."""
        return show_moment(value)


class Day(serializers.DateField):
    """A date without a time."""

    def to_internal_value(self, data: Any) -> date:
        """Return the date."""
        try:
            if not isinstance(data, str) or len(data) != 10:
                raise ValueError
            return date.fromisoformat(data)
        except ValueError:
            raise serializers.ValidationError("This must be a date such as 2026-05-01.") from None


class Key(serializers.UUIDField):
    """The key of a thing, as a UUID's text."""

    def to_internal_value(self, data: Any) -> Any:
        """Return the key."""
        try:
            return UUID(data)
        except (ValueError, AttributeError, TypeError):
            raise serializers.ValidationError("This is no key. Take one from an answer.") from None


@extend_schema_field({"oneOf": [{"type": "string"}, {"type": "number"}], "description": "percentage"})
class Percent(serializers.Field):  # type: ignore[type-arg]
    """A share in percent, kept in hundredths."""

    def to_internal_value(self, data: Any) -> int:
        """Return hundredths of a percent; raises ValidationError with the code of the rule."""
        with told_by_field():
            return read_percent(Decimal(repr(data)) if isinstance(data, float) else data, "share")

    def to_representation(self, value: int) -> str:
        """Return the percentage as text."""
        return percent_text(value)


def require_storable(text: str) -> None:
    """Raise ValidationError for text that no database keeps: with a NUL, or half of a surrogate pair."""
    if "\0" in text or any("\ud800" <= character <= "\udfff" for character in text):
        raise serializers.ValidationError(
            "This holds characters that are no text. Type it again.", code=str(Code.TEXT_INVALID)
        )


@contextmanager
def told_by_field() -> Iterator[None]:
    """Tell a refusal as one of the field that is being read, wherever in the body that stands."""
    try:
        yield
    except RuleBroken as broken:
        raise serializers.ValidationError(broken.message, code=str(broken.code)) from broken


def read_moment(data: object, field: str) -> datetime:
    """Return a time with its offset; raises RuleBroken TIME_INVALID."""
    try:
        if not isinstance(data, str) or not _MOMENT.fullmatch(data):
            raise ValueError
        moment = datetime.fromisoformat(data.upper())
    except ValueError:
        raise RuleBroken(
            Code.TIME_INVALID,
            "This is no time. Write one with its offset, such as 2026-05-01T09:30:00-04:00.",
            field=field,
        ) from None
    require_offset(moment, field)
    return moment


def put_right(moment: datetime, clock_offset_s: int, field: str) -> datetime:
    """Return a stated time as our clock tells it; raises RuleBroken TIME_INVALID beyond the calendar."""
    try:
        return moment + timedelta(seconds=clock_offset_s)
    except OverflowError:
        raise RuleBroken(
            Code.TIME_INVALID, f"{moment} lies beyond the calendar. State when it was.", field=field
        ) from None


def show_moment(moment: datetime) -> str:
    """Return a time in UTC as RFC 3339 writes it."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
