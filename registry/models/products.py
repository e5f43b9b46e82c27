"""Bag sizes, and how they share a cabinet."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from registry.models.base import (
    Keyed,
    LedgerKind,
    PeriodVersion,
    Record,
    code_field,
    ends_after_start,
    line_field,
    one_of,
    word_field,
)
from registry.models.cabinets import Cabinet
from registry.rules.products import MassUnit
from registry.rules.splits import WHOLE


class Product(Record):
    """A bag size. The declared net mass is kept as declared; the other unit is derived."""

    code = code_field(unique=True)
    name = line_field()
    net_mass = models.DecimalField(max_digits=7, decimal_places=3)  # in net_mass_unit
    net_mass_unit = word_field()
    gtin = models.CharField(max_length=14, unique=True, null=True)
    stack_density_kg_m3 = models.PositiveIntegerField(null=True)  # of bags in the cabinet
    discontinued = models.BooleanField(default=False)

    class Meta:
        constraints = [
            one_of("net_mass_unit", MassUnit, "product_mass_unit_known"),
            models.CheckConstraint(condition=Q(net_mass__gt=0), name="product_has_mass"),
            models.CheckConstraint(condition=~Q(code=""), name="product_has_code"),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return self.name


class Split(PeriodVersion):
    """How products shared a cabinet's width, over a period; its shares are rows of their own."""

    history_of = "cabinet"

    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, related_name="splits")

    class Meta:
        constraints = [ends_after_start("split")]


class SplitShare(Keyed):
    """One share, counted from the left. Shares are written before their split, which then closes them."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.PART

    split = models.ForeignKey(Split, on_delete=models.PROTECT, related_name="shares")
    position = models.PositiveSmallIntegerField()  # from 1, left to right
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="+")
    hundredths = models.PositiveIntegerField()  # of a percent

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["split", "position"], name="split_share_position_once"),
            models.UniqueConstraint(fields=["split", "product"], name="split_share_product_once"),
            models.CheckConstraint(
                condition=Q(position__gte=1, hundredths__gte=1, hundredths__lte=WHOLE),
                name="split_share_in_range",
            ),
        ]

    def __str__(self) -> str:
        return f"share {self.position} of {self.split_id}"
