"""The lists of freezers and devices, with where each is now; and those of the catalogue."""

from typing import Any

from django.contrib.admin import SimpleListFilter, display
from django.db.models import OuterRef, QuerySet, Subquery
from django.http import HttpRequest

from registry.actions import cabinets, devices, locations, products, provisional
from registry.console._lists import ListOnly, OfDepots
from registry.console._pages import Visit
from registry.models import CabinetWhereabouts, Depot, DeviceWhereabouts
from registry.queries.assignments import devices_in
from registry.queries.cabinets import cabinets_in
from registry.rules.whereabouts import CabinetPlace, DevicePlace


class Standing(SimpleListFilter):
    """Cabinets by where they stand now."""

    title = "place"
    parameter_name = "place"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the places where a cabinet can be."""
        return [(str(place), str(place)) for place in CabinetPlace]

    def queryset(self, request: HttpRequest, queryset: "QuerySet[Any]") -> "QuerySet[Any]":
        """Return the cabinets at the chosen place."""
        return queryset.filter(place=self.value()) if self.value() else queryset


class Empty(SimpleListFilter):
    """Cabinets by whether a device hangs in them now."""

    title = "device"
    parameter_name = "holds"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the two answers."""
        return [("nothing", "nothing hangs in it"), ("device", "a device hangs in it")]

    def queryset(self, request: HttpRequest, queryset: "QuerySet[Any]") -> "QuerySet[Any]":
        """Return the cabinets of the chosen answer."""
        chosen = self.value()
        return queryset.filter(holds__isnull=chosen == "nothing") if chosen else queryset


class Cabinets(OfDepots):
    """Freezers."""

    page = "cabinet"
    list_display = ("asset_tag", "model", "stands", "setting", "position", "device")
    list_select_related = ("model",)
    list_filter = (Standing, Empty, "model", "setting")
    search_fields = ("asset_tag", "maker_serial")
    search_help_text = "asset tag or maker's serial"
    ordering = ("asset_tag",)
    words = "Freezers at the locations and in the depots that are yours."
    offers = ((cabinets.register_cabinet, "Register a cabinet", "cabinet_register"),)
    when_empty = "There is no cabinet yet. Cabinets are registered with their location, or on its page."

    def seen(self, visit: Visit) -> "QuerySet[Any]":
        """Return the cabinets that stand where the person's depots answer, with place and device."""
        now = visit.present
        stays = CabinetWhereabouts.objects.believed_at(now.index).valid_at(now.valid_at)
        stays = stays.filter(cabinet=OuterRef("pk"))
        hung = DeviceWhereabouts.objects.believed_at(now.index).valid_at(now.valid_at)
        hung = hung.filter(cabinet=OuterRef("pk")).order_by("slot")
        return cabinets_in(now, visit.scope).annotate(
            place=Subquery(stays.values("place")[:1]),
            store=Subquery(stays.values("location__name")[:1]),
            depot_code=Subquery(stays.values("depot__code")[:1]),
            holds=Subquery(hung.values("device__serial")[:1]),
        )

    @display(ordering="store")
    def stands(self, row: Any) -> str:
        """Tell where it stands."""
        return str(row.store) if row.store else f"{row.place} {row.depot_code}"

    @display(ordering="holds", empty_value="nothing")
    def device(self, row: Any) -> str | None:
        """Tell the serial of the device in its first slot."""
        return str(row.holds) if row.holds else None


class Whereabouts(Standing):
    """Devices by where they are now."""

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the places where a device can be."""
        return [(str(place), str(place)) for place in DevicePlace]


class Devices(OfDepots):
    """Controllers with their sensors."""

    page = "device"
    list_display = ("serial", "model", "whereabouts", "standing", "firmware")
    list_select_related = ("model",)
    list_filter = (Whereabouts, "standing", "model")
    search_fields = ("serial",)
    search_help_text = "serial, or a part of it"
    ordering = ("serial", "id")
    words = "Controllers with their sensors, where your depots answer for them."
    offers = (
        (devices.receive_devices, "Receive devices", "devices_receive"),
        (provisional.confirm_provisional_device, "Those that wait for a word", "devices_waiting"),
        (provisional.record_provisional_device, "Record one that nobody booked in", "device_record"),
    )
    when_empty = "There is no device yet. Receive devices into a depot first."

    def seen(self, visit: Visit) -> "QuerySet[Any]":
        """Return the devices for which the person's depots answer, with where they are."""
        now = visit.present
        places = DeviceWhereabouts.objects.believed_at(now.index).valid_at(now.valid_at)
        places = places.filter(device=OuterRef("pk"))
        return devices_in(now, visit.scope).annotate(
            place=Subquery(places.values("place")[:1]),
            tag=Subquery(places.values("cabinet__asset_tag")[:1]),
            depot_code=Subquery(places.values("depot__code")[:1]),
            person=Subquery(places.values("staff__name")[:1]),
        )

    @display(description="where", ordering="place")
    def whereabouts(self, row: Any) -> str:
        """Tell where it is."""
        if row.tag:
            return f"cabinet {row.tag}"
        if row.person:
            return f"van of {row.person}"
        return (
            f"depot {row.depot_code}" if row.place == DevicePlace.DEPOT else f"{row.place}, {row.depot_code}"
        )


class Depots(OfDepots):
    """Depots."""

    page = "depot"
    list_display = ("code", "name")
    ordering = ("code",)
    words = "Where freezers and devices wait, and whose work is whose."
    offers = ((locations.register_depot, "Register a depot", "depot_register"),)
    when_empty = (
        "There is no depot yet. Register the first one: stores, freezers and devices belong to depots."
    )

    def seen(self, visit: Visit) -> "QuerySet[Any]":
        """Return the person's depots."""
        everything = Depot.objects.all()
        return everything if visit.scope.everywhere else everything.filter(pk__in=visit.scope.depots)


class CabinetModels(ListOnly):
    """Kinds of freezer."""

    page = "cabinet_model"
    list_display = ("name", "sensor_count", "door", "refrigeration", "supply", "refrigerant")
    search_fields = ("name",)
    ordering = ("name",)
    words = "Kinds of freezer."
    offers = ((cabinets.register_cabinet_model, "Register a cabinet model", "cabinet_model_register"),)
    when_empty = "There is no cabinet model yet. Register the kinds of freezer that you own."


class DeviceModels(ListOnly):
    """Kinds of controller with sensors."""

    page = "device_model"
    list_display = ("name", "sensor_count", "principle", "serial_prefix", "serial_check_method")
    search_fields = ("name", "serial_prefix")
    ordering = ("name",)
    words = "Kinds of controller with sensors, and how their serials are judged."
    offers = ((devices.register_device_model, "Register a device model", "device_model_register"),)
    when_empty = "There is no device model yet. Register one with the scheme of its serials."


class Products(ListOnly):
    """Bag sizes."""

    page = "product"
    list_display = ("code", "name", "net_mass", "net_mass_unit", "discontinued")
    list_filter = ("discontinued",)
    search_fields = ("code", "name", "gtin")
    ordering = ("code",)
    words = "Bag sizes that share a freezer."
    offers = ((products.register_product, "Register a product", "product_register"),)
    when_empty = "There is no product yet. Register the bag sizes that you sell."
