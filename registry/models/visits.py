"""Visits: who goes where on which day, for which cabinets, and who read which cautions."""

from django.db import models
from django.db.models import Q

from registry.models.base import Record, one_of, word_field
from registry.models.cabinets import Cabinet
from registry.models.locations import Location
from registry.models.staff import Staff
from registry.rules.visits import VisitKind, VisitState


class Visit(Record):
    """A visit to one location. What happened when is told by its entries."""

    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="visits")
    kind = word_field()
    planned_on = models.DateField(db_index=True)  # the day at the store
    installer = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="visits")
    state = word_field(default=str(VisitState.PLANNED))
    note = models.TextField(blank=True)
    override_reason = models.TextField(blank=True)  # why it was released although something is missing
    outcome = models.TextField(blank=True)  # what came of it, in words

    class Meta:
        constraints = [
            one_of("kind", VisitKind, "visit_kind_known"),
            one_of("state", VisitState, "visit_state_known"),
            models.CheckConstraint(
                condition=Q(outcome="") | Q(state__in=[str(VisitState.DONE), str(VisitState.CANCELLED)]),
                name="visit_outcome_when_over",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.kind} of {self.planned_on}"


class VisitCabinet(Record):
    """A cabinet of a visit, and who acknowledged which cautions before work on it."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="cabinets")
    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()  # from 1, in the order of work
    withdrawn = models.BooleanField(default=False)  # taken off the visit again
    caution_codes = models.TextField(blank=True)  # as acknowledged, "code code"
    cautions_sha256 = models.CharField(max_length=64, blank=True)  # of their codes and words
    acknowledged_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    acknowledged_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["visit", "cabinet"], name="visit_cabinet_once"),
            models.CheckConstraint(condition=Q(position__gte=1), name="visit_cabinet_has_position"),
            models.CheckConstraint(
                condition=Q(acknowledged_by=None, acknowledged_at=None, caution_codes="", cautions_sha256="")
                | (
                    Q(acknowledged_by__isnull=False, acknowledged_at__isnull=False)
                    & ~Q(caution_codes="")
                    & ~Q(cautions_sha256="")
                ),
                name="visit_cabinet_acknowledged_whole",
            ),
        ]

    def __str__(self) -> str:
        return f"cabinet {self.position} of {self.visit_id}"

    @property
    def label(self) -> str:
        return f"cabinet {self.position}"
