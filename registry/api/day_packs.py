"""The day pack: what a phone takes along, so that it can judge labels and name what it changes offline."""

from collections.abc import Mapping
from datetime import date
from typing import Any
from uuid import UUID

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._conditions import entity_tag
from registry.api._fields import JsonOut, MomentField, Number, Percent, show_moment
from registry.api._views import INDEX_HEADER, RegisterView
from registry.api.assignments import AssignmentOut
from registry.api.cabinet_models import CabinetModelOut
from registry.api.cabinets import CabinetOut
from registry.api.depots import DepotOut
from registry.api.visits import VisitOut
from registry.ledger import clock
from registry.models import DeviceModel, DeviceWhereabouts
from registry.queries.assignments import DeviceAt
from registry.queries.cabinets import CabinetAt
from registry.queries.day_packs import (
    EvidenceTaken,
    StoreTaken,
    VisitTaken,
    catalogue_taken,
    depots_at_hand,
    devices_at_hand,
    evidence_taken,
    store_taken,
    work_taken,
)
from registry.queries.locations import LocationAt
from registry.queries.moments import present
from registry.queries.mountings import practice_kept
from registry.rules.particulars import invalid

# --- what is shown ---------------------------------------------------------------------------------


class PackPersonOut(serializers.Serializer):  # type: ignore[type-arg]
    """Whose pack it is."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    role = serializers.CharField()


class PackSchemeOut(serializers.Serializer):  # type: ignore[type-arg]
    """How the serials of a device model are made."""

    prefix = serializers.CharField(source="serial_prefix")
    alphabet = serializers.CharField(source="serial_alphabet")
    payload_length = serializers.IntegerField(source="serial_payload_length")
    check_method = serializers.CharField(source="serial_check_method")
    check_covers_prefix = serializers.BooleanField(source="serial_check_covers_prefix")


class PackDeviceModelOut(serializers.Serializer):  # type: ignore[type-arg]
    """A device model."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    sensor_count = serializers.IntegerField()
    principle = serializers.CharField()
    blind_zone_mm = serializers.IntegerField()
    range_mm = serializers.IntegerField()
    compensates = serializers.CharField()
    report_interval_min = serializers.IntegerField()
    serial = serializers.SerializerMethodField()

    def get_serial(self, model: DeviceModel) -> PackSchemeOut:
        """The scheme of its serials."""
        return PackSchemeOut(model).data  # type: ignore[return-value]


class PackProductOut(serializers.Serializer):  # type: ignore[type-arg]
    """A bag size that is sold."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    net_mass = Number()
    net_mass_unit = serializers.CharField()


class PackDeviceOut(serializers.Serializer):  # type: ignore[type-arg]
    """A device that this person could assign now."""

    id = serializers.UUIDField(source="device.pk")
    serial = serializers.CharField(source="device.serial")
    device_model = serializers.UUIDField(source="device.model_id")
    standing = serializers.CharField(source="device.standing")
    place = serializers.SerializerMethodField(help_text="where it waits, in words")

    def get_place(self, place: DeviceWhereabouts) -> str:
        """Where it waits."""
        if place.staff is not None:
            own = place.staff_id == self.context["staff_id"]
            return "your van" if own else f"van of {place.staff.name}"
        return f"depot {place.depot.label}" if place.depot else ""


class PackShareOut(serializers.Serializer):  # type: ignore[type-arg]
    """A product's share of a cabinet's width."""

    product = serializers.UUIDField(source="product_id")
    share = Percent(source="hundredths")


class PackCheckOut(serializers.Serializer):  # type: ignore[type-arg]
    """An acceptance check, as far as a phone must know it."""

    id = serializers.UUIDField()
    result = serializers.CharField()
    signed_off_at = MomentField(allow_null=True)


class PackAssignmentOut(serializers.Serializer):  # type: ignore[type-arg]
    """What hangs in a cabinet."""

    id = serializers.UUIDField(source="place.period")
    etag = serializers.SerializerMethodField(help_text="as `/assignments/{id}/` would tell it")
    serial = serializers.CharField(source="device.serial")
    slot = serializers.IntegerField(source="place.slot")

    mounting = serializers.SerializerMethodField(help_text="the key of how it was mounted, or null")
    acceptance = serializers.SerializerMethodField(help_text="its newest check, or null")

    def get_etag(self, at: DeviceAt) -> str:
        """The entity tag of the assignment."""
        return entity_tag(JsonOut().render(AssignmentOut(at).data))

    def get_mounting(self, at: DeviceAt) -> UUID | None:
        """The key of the record of its mounting."""
        evidence: EvidenceTaken = self.context["evidence"]
        return evidence.mountings.get(at.place.period)

    def get_acceptance(self, at: DeviceAt) -> PackCheckOut(allow_null=True):  # type: ignore[valid-type]
        """The newest check."""
        evidence: EvidenceTaken = self.context["evidence"]
        check = evidence.checks.get(at.place.period)
        return None if check is None else PackCheckOut(check).data


class PackCabinetOut(serializers.Serializer):  # type: ignore[type-arg]
    """A cabinet of a store."""

    id = serializers.UUIDField(source="cabinet.pk")
    etag = serializers.SerializerMethodField(help_text="as `/cabinets/{id}/` would tell it")
    asset_tag = serializers.CharField(source="cabinet.asset_tag")
    model = serializers.UUIDField(source="cabinet.model_id")
    setting = serializers.CharField(source="cabinet.setting")
    position = serializers.CharField(source="cabinet.position")
    split = serializers.SerializerMethodField(help_text="left to right")
    assignments = serializers.SerializerMethodField(help_text="what hangs in it, by slot")

    def get_etag(self, at: CabinetAt) -> str:
        """The entity tag of the cabinet."""
        return entity_tag(JsonOut().render(CabinetOut(at).data))

    def get_split(self, at: CabinetAt) -> PackShareOut(many=True):  # type: ignore[valid-type]
        """The shares of its split."""
        return PackShareOut(at.split.shares.all() if at.split else [], many=True).data

    def get_assignments(self, at: CabinetAt) -> PackAssignmentOut(many=True):  # type: ignore[valid-type]
        """The assignments that run."""
        hanging = self.context["hanging"].get(at.cabinet.pk, [])
        return PackAssignmentOut(hanging, many=True, context=self.context).data


class PackCautionOut(serializers.Serializer):  # type: ignore[type-arg]
    """A caution of a cabinet."""

    code = serializers.CharField()
    words = serializers.CharField()
    assumed = serializers.BooleanField(help_text="it stands there because nobody knows")


class PackWorkOut(PackCabinetOut):
    """A cabinet of a visit, with its cautions as they now read."""

    cautions = PackCautionOut(many=True)
    acknowledged_at = MomentField(allow_null=True, help_text="null: nobody has read them as they now are")
    surveyed = serializers.BooleanField()


class PackLocationOut(serializers.Serializer):  # type: ignore[type-arg]
    """Where the cabinets stand."""

    id = serializers.UUIDField(source="location.pk")
    name = serializers.CharField(source="location.name")
    address = serializers.SerializerMethodField(help_text="as it is written on a letter")
    time_zone = serializers.CharField(source="location.time_zone")
    visiting_hours = serializers.CharField(source="location.visiting_hours")
    latitude = Number(source="location.latitude", allow_null=True)
    longitude = Number(source="location.longitude", allow_null=True)
    account = serializers.SerializerMethodField(help_text="code and name")
    store_number = serializers.CharField()

    def get_address(self, at: LocationAt) -> str:
        """The address, a line for each part."""
        place = at.location
        town = " ".join(part for part in (place.locality, place.region, place.postal_code) if part)
        return "\n".join(part for part in (place.street, town, place.country) if part)

    def get_account(self, at: LocationAt) -> str:
        """Who holds it."""
        return at.account.label if at.account else ""


class PackStoreOut(serializers.Serializer):  # type: ignore[type-arg]
    """A store that was asked for, with its cabinets."""

    location = PackLocationOut(source="at")
    cabinets = serializers.SerializerMethodField(help_text="by asset tag")

    def get_cabinets(self, store: StoreTaken) -> PackCabinetOut(many=True):  # type: ignore[valid-type]
        """The cabinets that stand there."""
        context = {**self.context, "hanging": store.hanging}
        return PackCabinetOut(store.cabinets, many=True, context=context).data


class PackKitOut(serializers.Serializer):  # type: ignore[type-arg]
    """So many of a part."""

    code = serializers.CharField(source="part.code")
    name = serializers.CharField(source="part.name")
    unit = serializers.CharField(source="part.unit")
    quantity = serializers.IntegerField(source="line.quantity")
    assumed = serializers.BooleanField(source="line.assumed")


class PackVisitOut(serializers.Serializer):  # type: ignore[type-arg]
    """A visit of the day: yours, or nobody's yet."""

    id = serializers.UUIDField(source="visit.pk")
    etag = serializers.SerializerMethodField(help_text="as `/visits/{id}/` would tell it")
    kind = serializers.CharField(source="visit.kind")
    state = serializers.CharField(source="visit.state")
    planned_on = serializers.DateField(source="visit.planned_on")
    installer = serializers.UUIDField(source="visit.installer_id", allow_null=True)
    note = serializers.CharField(source="visit.note")
    location = PackLocationOut(source="store.at")
    kit = PackKitOut(many=True)
    cabinets = serializers.SerializerMethodField(help_text="in the order of work")

    def get_etag(self, taken: VisitTaken) -> str:
        """The entity tag of the visit."""
        return entity_tag(JsonOut().render(VisitOut(taken.visit).data))

    def get_cabinets(self, taken: VisitTaken) -> PackWorkOut(many=True):  # type: ignore[valid-type]
        """Its cabinets."""
        context = {**self.context, "hanging": taken.store.hanging}
        return [
            {
                **PackCabinetOut(work.at, context=context).data,
                "cautions": PackCautionOut(work.cautions, many=True).data,
                "acknowledged_at": work.acknowledged_at and show_moment(work.acknowledged_at),
                "surveyed": work.surveyed,
            }
            for work in taken.works
        ]


class PackBoundsOut(serializers.Serializer):  # type: ignore[type-arg]
    """The practice of one measure, in mm; null: no bound on that side."""

    least_mm = serializers.IntegerField(allow_null=True)
    most_mm = serializers.IntegerField(allow_null=True)


class DayPackOut(serializers.Serializer):  # type: ignore[type-arg]
    """What a phone takes along for a day."""

    day = serializers.DateField()
    made_at = MomentField()
    known_index = serializers.IntegerField(help_text="the ledger entry up to which this knows")
    person = PackPersonOut()
    device_models = PackDeviceModelOut(many=True)
    cabinet_models = CabinetModelOut(many=True)
    products = PackProductOut(many=True)
    depots = DepotOut(many=True)
    visits = PackVisitOut(many=True, help_text="of the day: yours, and those that are nobody's yet")
    kit = PackKitOut(many=True, help_text="summed for your own visits of the day")
    practice = serializers.DictField(child=PackBoundsOut(), help_text="of mounting, by measure")
    stores = PackStoreOut(many=True, help_text="the store that was asked for, if any")
    devices = PackDeviceOut(many=True, help_text="that you could assign now: those in your van first")


# --- addresses -------------------------------------------------------------------------------------


class DayPackView(RegisterView):
    """What a phone takes along before it leaves signal."""

    noun = "location"
    out = DayPackOut
    parameters = {
        "day": "the day that it is for, such as 2026-05-01",
        "location": "the key of a store that is taken along, though nobody planned it",
    }

    def get(self, request: Request) -> Response:
        """Pack what you may meet in a day without signal."""
        self.only(*self.parameters)
        day, location_id = self._day(), self.key_in("location")
        moment = present()
        catalogue = catalogue_taken()
        work = work_taken(day, moment, self.scope)
        stores = [store_taken(location_id, moment, self.scope)] if location_id else []
        evidence = evidence_taken([*stores, *(visit.store for visit in work.visits)])
        data: Mapping[str, Any] = {
            "day": day,
            "made_at": clock.now(),
            "known_index": moment.index,
            "person": self.staff,
            "device_models": catalogue.device_models,
            "cabinet_models": catalogue.cabinet_models,
            "products": catalogue.products,
            "depots": depots_at_hand(self.scope),
            "visits": work.visits,
            "kit": work.kit,
            "practice": {str(kept.value): kept.bounds for kept in practice_kept()},
            "stores": stores,
            "devices": devices_at_hand(self.scope),
        }
        told = self.out(data, context={"staff_id": self.staff.pk, "evidence": evidence}).data
        return Response(told, headers={INDEX_HEADER: str(moment.index), "Cache-Control": "no-store"})

    def _day(self) -> date:
        typed = self.request.query_params.get("day", "")
        try:
            day = date.fromisoformat(typed)
        except ValueError:
            day = None
        if day is None or day.isoformat() != typed:
            raise invalid("day", "Name the day that the pack is for, such as 2026-05-01.")
        return day
