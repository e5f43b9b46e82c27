"""Kit: the parts that an installer takes along, and the rules by which they are counted."""

from django.db import models
from django.db.models import F, Q

from registry.models.base import Record, code_field, line_field, one_of, word_field
from registry.rules.kit import KitBasis, KitCondition
from registry.rules.visits import VisitKind


class KitPart(Record):
    """A part that goes on a van."""

    code = code_field(unique=True)
    name = line_field()
    unit = line_field(default="piece")
    discontinued = models.BooleanField(default=False)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(code=""), name="kit_part_has_code")]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.code} {self.name}"


class KitRule(Record):
    """So many of a part for each so many cabinets or sensors of a kind and width."""

    part = models.ForeignKey(KitPart, on_delete=models.PROTECT, related_name="rules")
    name = line_field()
    visit_kind = word_field(blank=True)  # blank: visits of every kind
    condition = word_field(default=str(KitCondition.ALWAYS))
    basis = word_field(default=str(KitBasis.CABINET))
    quantity = models.PositiveIntegerField()
    for_each = models.PositiveIntegerField(default=1)  # so many of the basis, rounded up
    width_from_mm = models.PositiveIntegerField(null=True)  # of the interior
    width_below_mm = models.PositiveIntegerField(null=True)
    withdrawn = models.BooleanField(default=False)

    class Meta:
        constraints = [
            one_of("condition", KitCondition, "kit_rule_condition_known"),
            one_of("basis", KitBasis, "kit_rule_basis_known"),
            models.CheckConstraint(
                condition=Q(visit_kind="") | Q(visit_kind__in=[str(kind) for kind in VisitKind]),
                name="kit_rule_visit_kind_known",
            ),
            models.CheckConstraint(condition=~Q(name=""), name="kit_rule_has_name"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, for_each__gte=1), name="kit_rule_counts_something"
            ),
            models.CheckConstraint(
                condition=Q(width_from_mm=None)
                | Q(width_below_mm=None)
                | Q(width_from_mm__lt=F("width_below_mm")),
                name="kit_rule_width_in_order",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return self.name
