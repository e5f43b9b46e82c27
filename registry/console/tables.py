"""The console's lists. They list and show; adding, changing and deleting have views of their own."""

from typing import Any

from django.contrib.admin import ModelAdmin
from django.http import HttpRequest

from registry.console.site import console
from registry.models import (
    Account,
    Cabinet,
    CabinetModel,
    Depot,
    Device,
    DeviceModel,
    Entry,
    Location,
    Product,
)


class ListOnly(ModelAdmin):  # type: ignore[type-arg]
    """A list without a way to write: ModelAdmin's own save path wraps everything in its own transaction."""

    actions = None
    list_per_page = 50
    show_full_result_count = False

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Nobody adds here."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody changes here."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody deletes here."""
        return False


class Accounts(ListOnly):
    """Customers."""

    list_display = ("code", "name", "parent", "billing_start")
    list_select_related = ("parent",)
    search_fields = ("code", "name")
    ordering = ("code",)


class Locations(ListOnly):
    """Places with cabinets."""

    list_display = ("name", "locality", "region", "depot", "time_zone")
    list_select_related = ("depot",)
    list_filter = ("depot",)
    search_fields = ("name", "locality")
    ordering = ("name", "id")


class Cabinets(ListOnly):
    """Freezers."""

    list_display = ("asset_tag", "model", "setting", "position")
    list_select_related = ("model",)
    list_filter = ("model", "setting")
    search_fields = ("asset_tag",)
    ordering = ("asset_tag",)


class Devices(ListOnly):
    """Controllers with their sensors."""

    list_display = ("serial", "model", "standing", "firmware")
    list_select_related = ("model",)
    list_filter = ("model", "standing")
    search_fields = ("serial",)
    ordering = ("serial", "id")


class Entries(ListOnly):
    """The ledger, newest first."""

    list_display = ("index", "recorded_at", "occurred_at", "verb", "face", "reason")
    list_filter = ("verb", "face", "simulated")
    ordering = ("-index",)


class Named(ListOnly):
    """A short list of named things."""

    list_display = ("__str__",)
    ordering = ("name",)


console.register(Account, Accounts)
console.register(Location, Locations)
console.register(Cabinet, Cabinets)
console.register(Device, Devices)
console.register(Entry, Entries)
console.register([Depot, CabinetModel, DeviceModel, Product], Named)
