"""How devices were mounted, and the company's practice of mounting them."""

from django.db import models
from django.db.models import F, Q

from registry.models.base import Record, line_field, one_of, word_field
from registry.models.cabinets import Cabinet
from registry.models.devices import Device
from registry.models.locations import Location
from registry.rules.mountings import CableExit, PracticeValue, Wrapped


class Mounting(Record):
    """How a device was mounted in a cabinet: one for each assignment. None and blank: not looked at."""

    assignment = models.UUIDField(unique=True)  # the stable identity of the assignment's period
    device = models.ForeignKey(Device, on_delete=models.PROTECT, related_name="+")
    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, related_name="mountings")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, null=True, related_name="+")
    rail_parallel = models.BooleanField(null=True)  # to the doors
    rail_centred = models.BooleanField(null=True)  # left to right
    rail_behind_front_mm = models.PositiveIntegerField(null=True)
    near_evaporator = models.BooleanField(null=True)
    headroom_cleared_mm = models.PositiveIntegerField(null=True)
    cable_exit = word_field(blank=True)
    exit_below_ceiling_mm = models.PositiveIntegerField(null=True)
    hole_mm = models.PositiveIntegerField(null=True)
    sealed_inside = models.BooleanField(null=True)
    sealed_outside = models.BooleanField(null=True)
    cable_clear = models.BooleanField(null=True)  # of hot and moving parts
    outdoor_wrapped = word_field(blank=True)
    used_instead = line_field(blank=True)  # where nobody drills
    tools_out = models.PositiveSmallIntegerField(null=True)  # counted before work
    tools_back = models.PositiveSmallIntegerField(null=True)  # counted after it
    blanket_back = models.BooleanField(null=True)
    serial_taken_at = models.DateTimeField(null=True)
    cover_closed_at = models.DateTimeField(null=True)
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(cable_exit="") | Q(cable_exit__in=[str(way) for way in CableExit]),
                name="mounting_cable_exit_known",
            ),
            models.CheckConstraint(
                condition=Q(outdoor_wrapped="") | Q(outdoor_wrapped__in=[str(word) for word in Wrapped]),
                name="mounting_outdoor_wrapped_known",
            ),
            models.CheckConstraint(
                condition=Q(cover_closed_at=None)
                | Q(serial_taken_at__isnull=False, serial_taken_at__lte=F("cover_closed_at")),
                name="mounting_serial_before_cover",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"mounting {str(self.pk)[-6:]}"

    @property
    def exit_words(self) -> str:
        """By which way the cable leaves, in words."""
        return self.cable_exit.replace("_", " ")


class MountingPractice(Record):
    """What the company does about one measure, in the default's stead; None: no bound on that side."""

    value = word_field(unique=True)
    least_mm = models.PositiveIntegerField(null=True)
    most_mm = models.PositiveIntegerField(null=True)

    class Meta:
        verbose_name_plural = "mounting practice"
        constraints = [
            one_of("value", PracticeValue, "mounting_practice_value_known"),
            models.CheckConstraint(
                condition=Q(least_mm__isnull=False, most_mm=None)
                | Q(least_mm=None, most_mm__isnull=False)
                | Q(least_mm__isnull=False, most_mm__isnull=False, least_mm__lte=F("most_mm")),
                name="mounting_practice_bounds_ordered",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")
