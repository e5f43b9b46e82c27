"""The day pack: what a phone takes along, so that it can judge labels and name what it changes offline."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._conditions import entity_tag
from registry.api._fields import JsonOut, MomentField, Number, Percent
from registry.api._views import INDEX_HEADER, RegisterView
from registry.api.assignments import AssignmentOut
from registry.api.cabinet_models import CabinetModelOut
from registry.api.cabinets import CabinetOut
from registry.api.depots import DepotOut
from registry.ledger import clock
from registry.models import DeviceModel, DeviceWhereabouts
from registry.queries.assignments import DeviceAt
from registry.queries.cabinets import CabinetAt
from registry.queries.day_packs import (
    StoreTaken,
    catalogue_taken,
    depots_at_hand,
    devices_at_hand,
    store_taken,
)
from registry.queries.locations import LocationAt
from registry.queries.moments import present
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


class PackAssignmentOut(serializers.Serializer):  # type: ignore[type-arg]
    """What hangs in a cabinet."""

    id = serializers.UUIDField(source="place.period")
    etag = serializers.SerializerMethodField(help_text="as `/assignments/{id}/` would tell it")
    serial = serializers.CharField(source="device.serial")
    slot = serializers.IntegerField(source="place.slot")

    def get_etag(self, at: DeviceAt) -> str:
        """The entity tag of the assignment."""
        return entity_tag(JsonOut().render(AssignmentOut(at).data))


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
        return PackAssignmentOut(self.context["hanging"].get(at.cabinet.pk, []), many=True).data


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
        return PackCabinetOut(store.cabinets, many=True, context={"hanging": store.hanging}).data


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
        data: Mapping[str, Any] = {
            "day": day,
            "made_at": clock.now(),
            "known_index": moment.index,
            "person": self.staff,
            "device_models": catalogue.device_models,
            "cabinet_models": catalogue.cabinet_models,
            "products": catalogue.products,
            "depots": depots_at_hand(self.scope),
            "stores": [store_taken(location_id, moment, self.scope)] if location_id else [],
            "devices": devices_at_hand(self.scope),
        }
        told = self.out(data, context={"staff_id": self.staff.pk}).data
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
