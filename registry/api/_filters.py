"""Filters that refuse what they cannot read: passed over, they would answer with more than was asked."""

from typing import Any

from django.core.exceptions import ValidationError
from django.forms import Field, IntegerField
from django_filters import BooleanFilter, NumberFilter


class _TruthField(Field):
    """True or false, as JSON writes them."""

    def to_python(self, value: Any) -> bool | None:
        """Return the value, None where it is not there; raises ValidationError."""
        if value in self.empty_values:
            return None
        if value not in ("true", "false"):
            raise ValidationError("This must be true or false.")
        return bool(value == "true")


class TruthFilter(BooleanFilter):
    """A filter by yes or no."""

    field_class = _TruthField


class CountFilter(NumberFilter):
    """A filter by a whole number."""

    field_class = IntegerField
