"""Products: bag sizes."""

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import CharFilter, ChoiceFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import products as actions
from registry.api._catalogue import RecordShown, RecordsView
from registry.api._fields import In, Number, Text, Truth, WholeNumber
from registry.api._filters import TruthFilter
from registry.api._views import RegisterFilter, ThingView, changes
from registry.models import Product
from registry.rules.identifiers.gs1 import GTIN_STORED_LENGTH
from registry.rules.products import MassUnit

_UNITS = [str(unit) for unit in MassUnit]
_MASS = "declared net mass of a bag, in its unit; at most three decimals"
_DENSITY = "of bags in the cabinet, kilograms per cubic metre"

# --- what is read ----------------------------------------------------------------------------------


class ProductParticularsIn(In):
    """What is known of a bag size; what is left out stays."""

    code = Text(required=False, help_text="text, so leading zeros stay")
    name = Text(required=False)
    net_mass = Number(required=False, help_text=_MASS)
    net_mass_unit = serializers.ChoiceField(choices=_UNITS, required=False)
    gtin = Text(required=False, allow_null=True, help_text="8, 12, 13 or 14 digits, with the check digit")
    stack_density_kg_m3 = WholeNumber(required=False, allow_null=True, help_text=_DENSITY)
    discontinued = Truth(required=False)


class RegisterProductIn(ProductParticularsIn):
    """A new bag size."""

    code = Text(help_text="text, so leading zeros stay")
    name = Text()
    net_mass = Number(help_text=_MASS)
    net_mass_unit = serializers.ChoiceField(choices=_UNITS)


class CorrectProductIn(ProductParticularsIn):
    """What is known of a bag size; what is left out stays."""

    reason = Text(required=False)


# --- what is shown ---------------------------------------------------------------------------------


class ProductOut(serializers.Serializer):  # type: ignore[type-arg]
    """A bag size."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    net_mass = Number(help_text=_MASS)
    net_mass_unit = serializers.ChoiceField(choices=_UNITS)
    gtin = serializers.CharField(allow_null=True, help_text="14 digits")
    stack_density_kg_m3 = serializers.IntegerField(allow_null=True, help_text=_DENSITY)
    discontinued = serializers.BooleanField()


class ProductFilter(RegisterFilter):
    """Filters of bag sizes."""

    gtin = CharFilter(method="of_gtin", label="with exactly this GTIN, of 8, 12, 13 or 14 digits")
    net_mass_unit = ChoiceFilter(choices=[(word, word) for word in _UNITS], label="declared in this unit")
    discontinued = TruthFilter(label="true: those only that are no longer sold")

    def of_gtin(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        """Keep the one with a GTIN, however many zeros stand before it."""
        return rows.filter(gtin=value.strip().zfill(GTIN_STORED_LENGTH))


# --- addresses -------------------------------------------------------------------------------------


class ProductShown(RecordShown):
    """How one bag size is shown."""

    noun, place = "product", "products"
    model, out = Product, ProductOut


class ProductsView(ProductShown, RecordsView):
    """Bag sizes."""

    filters = ProductFilter
    searches = ("code", "name", "gtin")
    orderings = ("code", "name")

    @changes(actions.register_product, RegisterProductIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register a bag size."""
        return self.change(
            made=lambda product: product.pk,
            particulars=given,
        )


class ProductView(ProductShown, ThingView):
    """One bag size."""

    @changes(actions.correct_product, CorrectProductIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct a bag size, or mark it as no longer sold."""
        reason = given.pop("reason", "")
        return self.change(key=key, product_id=key, particulars=given, reason=reason)
