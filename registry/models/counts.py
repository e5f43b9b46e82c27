"""Counts: a sample drawn from the register as it was known, and what was found where somebody looked."""

from uuid import UUID

from django.db import models
from django.db.models import Q

from registry.models.base import Record, code_field, line_field, one_of, word_field
from registry.models.cabinets import Cabinet
from registry.models.devices import Device
from registry.models.locations import Depot, Location
from registry.models.staff import Staff
from registry.rules.counts import COUNTED_PLACES, CountState, Decision, Plan, Result, Strata
from registry.rules.sampling import Rounding

_CABINET, _DEPOT, _VAN = (str(place) for place in COUNTED_PLACES)


class Count(Record):
    """A count of devices.

    The list that was drawn from is not kept: it is the register at `frozen_at` as known right after entry
    `frozen_index`, and `lot_sha256` says that it is the same when it is made again.
    """

    name = line_field()
    depot = models.ForeignKey(Depot, on_delete=models.PROTECT, null=True, related_name="+")  # None: all
    places = code_field()  # the kinds of places, "cabinet depot van"
    strata = word_field()
    plan = word_field()
    confidence_hundredths = models.PositiveIntegerField()  # of a percent
    tolerated_hundredths = models.PositiveIntegerField()  # of a percent: the tolerated rate, or the AQL
    rounding = word_field()
    seed = models.CharField(max_length=64)
    lot_size = models.PositiveIntegerField()
    lot_sha256 = models.CharField(max_length=64)
    sample_size = models.PositiveIntegerField()
    acceptance_number = models.PositiveSmallIntegerField()  # with so many wrong ones the lot still passes
    frozen_at = models.DateTimeField()
    frozen_index = models.PositiveBigIntegerField()
    state = word_field(default=str(CountState.OPEN))

    class Meta:
        constraints = [
            one_of("strata", Strata, "count_strata_known"),
            one_of("plan", Plan, "count_plan_known"),
            one_of("rounding", Rounding, "count_rounding_known"),
            one_of("state", CountState, "count_state_known"),
            models.CheckConstraint(condition=~Q(name=""), name="count_has_name"),
            models.CheckConstraint(
                condition=Q(sample_size__gte=1, sample_size__lte=models.F("lot_size")),
                name="count_sample_within_lot",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return self.name


class CountItem(Record):
    """One line of a count: a device of the sample at the place where the register had it, or a find.

    A find is a device, or a serial that nobody booked in, that was seen at a place without being drawn there.
    """

    count = models.ForeignKey(Count, on_delete=models.PROTECT, related_name="items")
    position = models.PositiveIntegerField()  # from 1, the sample in the order of the sheet, then the finds
    sampled = models.BooleanField()
    stratum = code_field(blank=True)
    place = word_field()
    depot = models.ForeignKey(Depot, on_delete=models.PROTECT, null=True, related_name="+")
    staff = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")  # whose van
    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, null=True, related_name="+")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, null=True, related_name="+")
    device = models.ForeignKey(Device, on_delete=models.PROTECT, null=True, related_name="+")
    serial = code_field(blank=True)  # of a find, as its scheme writes it
    typed = line_field(blank=True)  # what was typed or scanned
    result = word_field(default=str(Result.WAITING))
    seen_at = models.DateTimeField(null=True)
    counted_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    note = models.TextField(blank=True)
    place_done = models.BooleanField(default=False)  # somebody said that nothing else is there
    withdrawn = models.BooleanField(default=False)  # a find of a place that is counted again
    decision = word_field(blank=True)
    decided_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["count", "position"], name="count_item_position_once"),
            one_of("result", Result, "count_item_result_known"),
            models.CheckConstraint(
                condition=Q(place=_CABINET, cabinet__isnull=False, depot=None, staff=None)
                | Q(place=_VAN, cabinet=None, location=None, staff__isnull=False)
                | Q(place=_DEPOT, cabinet=None, location=None, staff=None, depot__isnull=False),
                name="count_item_one_place",
            ),
            models.CheckConstraint(
                condition=Q(sampled=False) | Q(sampled=True, device__isnull=False, withdrawn=False),
                name="count_item_sampled_device",
            ),
            models.CheckConstraint(
                condition=Q(result=str(Result.WAITING), seen_at=None, counted_by=None)
                | (~Q(result=str(Result.WAITING)) & Q(seen_at__isnull=False, counted_by__isnull=False)),
                name="count_item_seen_by_somebody",
            ),
            models.CheckConstraint(
                condition=Q(place_done=False) | ~Q(result=str(Result.WAITING)), name="count_item_done_is_seen"
            ),
            models.CheckConstraint(
                condition=Q(decision="", decided_by=None)
                | Q(decision__in=[str(word) for word in Decision], decided_by__isnull=False),
                name="count_item_decided_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return f"line {self.position} of {self.count_id}"

    @property
    def label(self) -> str:
        return f"line {self.position}"

    @property
    def holder_id(self) -> UUID:
        """The key of the place: the cabinet, the person whose van it is, or the depot."""
        holder_id: UUID = self.cabinet_id or self.staff_id or self.depot_id  # type: ignore[assignment]
        return holder_id

    @property
    def holder(self) -> Record:
        """The place itself; what it refers to is asked, so read it together with the row."""
        place: Record = self.cabinet or self.staff or self.depot  # type: ignore[assignment]
        return place

    @property
    def place_words(self) -> str:
        """Where to go, in words; what it refers to is asked, so read it together with the row."""
        if self.cabinet is not None:
            return f"cabinet {self.cabinet.label}" + (f" at {self.location.label}" if self.location else "")
        if self.staff is not None:
            return f"van of {self.staff.name}"
        return f"depot {self.depot.label}" if self.depot else ""
