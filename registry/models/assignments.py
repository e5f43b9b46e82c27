"""Where a device was: in whose custody, or assigned to which cabinet."""

from django.db import models
from django.db.models import Q

from registry.models.base import PeriodVersion, code_field, ends_after_start, one_of, word_field
from registry.models.cabinets import Cabinet
from registry.models.devices import Device
from registry.models.locations import Depot
from registry.models.staff import Staff
from registry.rules.whereabouts import DevicePlace, EndReason

_CABINET = str(DevicePlace.CABINET)
_VAN = str(DevicePlace.VAN)


class DeviceWhereabouts(PeriodVersion):
    """Where a device was, over a period.

    Custody (depot, van, maker, lost, retired) and assignment (cabinet) share this table, so that one
    constraint keeps a device in one place at a time. An *assignment* is a period whose place is a cabinet;
    it carries the facts of the installation.
    """

    history_of = "device"

    device = models.ForeignKey(Device, on_delete=models.PROTECT, related_name="whereabouts")
    place = word_field()
    # The depot that answers for the device; None in a cabinet, where the store's depot does.
    depot = models.ForeignKey(Depot, on_delete=models.PROTECT, null=True, related_name="+")
    staff = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")  # whose van
    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, null=True, related_name="device_stays")
    slot = models.PositiveSmallIntegerField(null=True)
    slot_reason = models.TextField(blank=True)
    sensor_order = code_field(blank=True)  # ports left to right, "1 2 3"
    rail_below_ceiling_mm = models.PositiveIntegerField(null=True)
    offset_from_front_mm = models.PositiveIntegerField(null=True)
    end_reason = word_field(blank=True)
    end_note = models.TextField(blank=True)
    reference = code_field(blank=True)  # a return number of the maker

    class Meta:
        verbose_name_plural = "device whereabouts"
        constraints = [
            ends_after_start("device_whereabouts"),
            one_of("place", DevicePlace, "device_whereabouts_place_known"),
            models.CheckConstraint(
                condition=Q(place=_CABINET, cabinet__isnull=False, depot=None, staff=None)
                | Q(place=_VAN, cabinet=None, depot__isnull=False, staff__isnull=False)
                | (~Q(place__in=[_CABINET, _VAN]) & Q(cabinet=None, depot__isnull=False, staff=None)),
                name="device_whereabouts_one_place",
            ),
            models.CheckConstraint(
                condition=(Q(place=_CABINET, slot__isnull=False, slot__gte=1) & ~Q(sensor_order=""))
                | (
                    ~Q(place=_CABINET)
                    & Q(
                        slot=None,
                        sensor_order="",
                        rail_below_ceiling_mm=None,
                        offset_from_front_mm=None,
                        slot_reason="",
                        end_reason="",
                        end_note="",
                    )
                ),
                name="device_whereabouts_installation_told",
            ),
            models.CheckConstraint(
                condition=Q(slot=None) | Q(slot=1) | ~Q(slot_reason=""),
                name="device_whereabouts_second_slot_explained",
            ),
            # An assignment has a reason of ending if and only if it has ended.
            models.CheckConstraint(
                condition=~Q(place=_CABINET)
                | Q(valid_to=None, end_reason="")
                | (Q(valid_to__isnull=False) & Q(end_reason__in=[str(reason) for reason in EndReason])),
                name="device_whereabouts_end_explained",
            ),
            models.CheckConstraint(
                condition=~Q(end_reason=str(EndReason.OTHER)) | ~Q(end_note=""),
                name="device_whereabouts_other_end_told",
            ),
        ]
