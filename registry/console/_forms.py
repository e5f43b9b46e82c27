"""Plain forms: they read what was typed into plain values; what may be, the rules decide.

Whatever was typed stays in the form when something is refused.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, tzinfo
from enum import StrEnum
from typing import Any
from uuid import UUID

from django import forms
from django.forms.utils import ErrorDict

from registry.console._times import SHAPE, read_time, retold
from registry.rules.errors import RuleBroken

MISSING = "This is missing. Fill it in."
SUGGESTIONS_SHOWN_MAX = 6

Choices = Iterable[tuple[Any, str]]


class PlainForm(forms.Form):
    """A form whose values go into an action.

    `zone` is the one in which its times are typed. `suggestions` are what a refusal offered, by field.
    """

    use_required_attribute = False  # our own words beside the field, not the browser's bubble
    # The fields that are shown together, under a heading; everything else stands first.
    groups: Mapping[str, tuple[str, ...]] = {}

    def __init__(self, *args: Any, zone: tzinfo, **options: Any) -> None:
        options["label_suffix"] = ""
        super().__init__(*args, **options)
        self.zone = zone
        self.suggestions: dict[str, list[str]] = {}
        for field in self.fields.values():
            if isinstance(field, TimeField):
                field.zone = zone
                if not field.help_text:
                    field.help_text = f"Local time of {zone}, as {SHAPE}"

    def given(self) -> dict[str, Any]:
        """Return the values as an action takes them; raises RuleBroken for what a rule reads itself."""
        return dict(self.cleaned_data)

    def refuse(self, broken: RuleBroken, fields: Mapping[str, str]) -> None:
        """Put a refusal beside its field, or on top where it has none here; its times in the form's zone."""
        name = fields.get(broken.field or "", broken.field or "")
        self.add_error(name if name in self.fields else None, retold(broken.message, self.zone))
        offered = broken.details.get("suggestions")
        if isinstance(offered, list) and name in self.fields:
            self.suggestions[name] = [str(serial) for serial in offered][:SUGGESTIONS_SHOWN_MAX]

    def unjudge(self) -> None:
        """Show what was typed without saying what is wrong with it: nobody asked yet."""
        self._errors = ErrorDict()
        self.cleaned_data = {}

    def shown_again(self) -> None:
        """Make ready to be shown after a refusal. Whatever was typed stays, unless a form says otherwise."""

    def sections(self) -> Iterator[tuple[str, list[Any]]]:
        """Yield the visible fields by heading, the first without one."""
        grouped = {name for names in self.groups.values() for name in names}
        yield "", [bound for bound in self.visible_fields() if bound.name not in grouped]
        for heading, names in self.groups.items():
            yield heading, [self[name] for name in names if name in self.fields]

    def offered_sections(self) -> Iterator[tuple[str, list[tuple[Any, list[str]]]]]:
        """Yield the sections, each field with what a refusal suggested for it."""
        for heading, fields in self.sections():
            yield heading, [(bound, self.suggestions.get(bound.name, [])) for bound in fields]

    def problems(self) -> list[tuple[str, str]]:
        """Return what is wrong: (address of the field on the page, words); blank for the whole form."""
        found: list[tuple[str, str]] = [("", str(words)) for words in self.non_field_errors()]
        for name, errors in self.errors.items():
            if name in self.fields:
                bound = self[name]
                found += [
                    (bound.id_for_label or bound.auto_id, f"{bound.label}: {words}") for words in errors
                ]
        return found


class Text(forms.CharField):
    """Text as it was typed; its rule cleans it."""

    def __init__(self, label: str, *, optional: bool = False, lines: int = 1, **options: Any) -> None:
        widget = forms.Textarea({"rows": lines}) if lines > 1 else forms.TextInput()
        super().__init__(
            label=label,
            required=not optional,
            strip=False,
            widget=options.pop("widget", widget),
            error_messages={"required": MISSING},
            **options,
        )

    def clean(self, value: Any) -> str:
        """Return the text; only spaces are as good as none."""
        text: str = super().clean(value.strip("\r\n") if isinstance(value, str) else value)
        if self.required and not text.strip():
            raise forms.ValidationError(MISSING)
        return text if text.strip() else ""


class Choice(forms.TypedChoiceField):
    """One of a few; blank, read as None, where it is optional."""

    def __init__(
        self, label: str, choices: Choices, *, optional: bool = False, blank: str = "", **options: Any
    ):
        self._blank = [("", blank or "not said")] if optional or blank else []
        super().__init__(
            label=label,
            choices=[*self._blank, *choices],
            required=not optional,
            empty_value=None,
            error_messages={
                "required": "This is missing. Choose one.",
                "invalid_choice": "Choose one of the list.",
            },
            **options,
        )


class KeyChoice(Choice):
    """A thing of the register, by its key; (key, label) are the choices."""

    def __init__(self, label: str, choices: Choices = (), **options: Any) -> None:
        options.setdefault("blank", "choose" if not options.get("optional") else "none")
        super().__init__(label, [(str(key), words) for key, words in choices], coerce=UUID, **options)

    def offer(self, choices: Choices) -> None:
        """Replace the choices, keeping the blank one."""
        self.choices = [*self._blank, *((str(key), words) for key, words in choices)]


def words_of(options: Iterable[StrEnum]) -> list[tuple[str, str]]:
    """Return the choices of an enumeration, in words."""
    return [(str(option), str(option).replace("_", " ")) for option in options]


class TimeField(Text):
    """A local time, in the zone of its form or with its own zone behind it."""

    zone: tzinfo

    def __init__(self, label: str, **options: Any) -> None:
        super().__init__(label, widget=forms.TextInput({"autocomplete": "off", "class": "time"}), **options)

    def clean(self, value: Any) -> Any:
        """Return the instant, None where it is optional and blank."""
        text = super().clean(value)
        if not text:
            return None
        try:
            return read_time(text, self.zone, "time")
        except RuleBroken as broken:
            raise forms.ValidationError(broken.message) from None


class Day(Text):
    """A date without a time."""

    def clean(self, value: Any) -> Any:
        """Return the date, None where it is optional and blank."""
        text = super().clean(value).strip()
        if not text:
            return None
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise forms.ValidationError("This is no date. Write it as 2026-03-02.") from None


class Number(Text):
    """A number as it was typed, None where it is optional and blank; its rule reads it."""

    def clean(self, value: Any) -> Any:
        """Return the text of the number."""
        return super().clean(value).strip() or None


class WholeNumber(Number):
    """A whole number; its rule knows the bounds."""

    def clean(self, value: Any) -> Any:
        """Return the number, None where it is optional and blank."""
        text = super().clean(value)
        if text is None:
            return None
        if not (text.isascii() and text.removeprefix("-").isdigit() and len(text) <= 9):
            raise forms.ValidationError("This must be a whole number.")
        return int(text)


class Reason(Text):
    """Why, for the ledger."""

    def __init__(self, *, optional: bool = True, label: str = "Reason") -> None:
        super().__init__(
            label,
            optional=optional,
            lines=2,
            help_text="Kept in the ledger for good. Write no personal data here.",
        )
