"""Freezers, their models, and where they stood."""

from uuid import UUID

from django.db import models
from django.db.models import Q

from registry.models.base import (
    PeriodVersion,
    Record,
    code_field,
    ends_after_start,
    line_field,
    one_of,
    word_field,
)
from registry.models.locations import Depot, Location
from registry.rules.cabinets import DoorKind, Refrigeration, Setting, Supply
from registry.rules.whereabouts import CabinetPlace


class CabinetModel(Record):
    """A kind of freezer. Unknown attributes are said to be unknown: cautions then take the stricter."""

    name = line_field(unique=True)
    door = word_field(default=str(DoorKind.UNKNOWN))
    refrigeration = word_field(default=str(Refrigeration.UNKNOWN))
    interior_width_mm = models.PositiveIntegerField(null=True)
    interior_depth_mm = models.PositiveIntegerField(null=True)
    interior_height_mm = models.PositiveIntegerField(null=True)
    usable_volume_l = models.PositiveIntegerField(null=True)
    sensor_count = models.PositiveSmallIntegerField()
    supply = word_field(default=str(Supply.UNKNOWN))
    refrigerant = code_field(blank=True)  # ISO 817 designation, blank where unread
    refrigerant_charge_g = models.PositiveIntegerField(null=True)

    class Meta:
        constraints = [
            one_of("door", DoorKind, "cabinet_model_door_known"),
            one_of("refrigeration", Refrigeration, "cabinet_model_refrigeration_known"),
            one_of("supply", Supply, "cabinet_model_supply_known"),
            models.CheckConstraint(condition=Q(sensor_count__gte=1), name="cabinet_model_takes_sensors"),
            models.CheckConstraint(condition=~Q(name=""), name="cabinet_model_has_name"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def label(self) -> str:
        return self.name


class Cabinet(Record):
    """A freezer. Where it stands is dated, in CabinetWhereabouts."""

    asset_tag = code_field(unique=True)  # our own code, or a GS1 GIAI or GRAI
    model = models.ForeignKey(CabinetModel, on_delete=models.PROTECT, related_name="cabinets")
    maker_serial = code_field(blank=True)
    setting = word_field(default=str(Setting.UNKNOWN))
    position = line_field(blank=True)  # where in the store
    condition = models.TextField(blank=True)

    class Meta:
        constraints = [
            one_of("setting", Setting, "cabinet_setting_known"),
            models.CheckConstraint(condition=~Q(asset_tag=""), name="cabinet_has_tag"),
        ]

    def __str__(self) -> str:
        return self.asset_tag

    @property
    def label(self) -> str:
        return self.asset_tag


class CabinetWhereabouts(PeriodVersion):
    """Where a cabinet was, over a period. A cabinet is in one place at a time."""

    history_of = "cabinet"

    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, related_name="whereabouts")
    place = word_field()
    location = models.ForeignKey(Location, on_delete=models.PROTECT, null=True, related_name="cabinet_stays")
    depot = models.ForeignKey(Depot, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            ends_after_start("cabinet_whereabouts"),
            models.CheckConstraint(
                condition=Q(place=str(CabinetPlace.LOCATION), location__isnull=False, depot=None)
                | Q(
                    place__in=[str(CabinetPlace.DEPOT), str(CabinetPlace.SCRAPPED)],
                    location=None,
                    depot__isnull=False,
                ),
                name="cabinet_whereabouts_one_place",
            ),
        ]

    def answering_depot_id(self) -> UUID:
        """Return the depot that answers for the cabinet there: the store's, or the depot itself.

        `location` is asked, so read it together with the row.
        """
        depot_id: UUID = self.location.depot_id if self.location is not None else self.depot_id  # type: ignore[assignment]
        return depot_id
