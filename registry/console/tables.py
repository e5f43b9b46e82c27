"""The console's lists. They list and show; adding, changing and deleting have views of their own."""

from datetime import UTC
from typing import Any

from django.contrib.admin import SimpleListFilter, display
from django.contrib.admin.views.main import ChangeList
from django.db.models import OuterRef, QuerySet, Subquery
from django.http import HttpRequest
from django.urls import reverse
from django.utils.html import format_html

from registry.actions import accounts
from registry.console._lists import ListOnly, OfDepots, Rows
from registry.console._pages import Button, Visit, visit_of
from registry.console.fleet_tables import (
    CabinetModels,
    Cabinets,
    Depots,
    DeviceModels,
    Devices,
    Products,
)
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
    LocationHolding,
    LocationState,
    Product,
)
from registry.queries.changes import show_time
from registry.queries.locations import locations_in
from registry.queries.timelines import told_events
from registry.rules.events import Verb


class Accounts(ListOnly):
    """Customers."""

    page = "account"
    list_display = ("code", "name", "parent", "billing_start")
    list_select_related = ("parent",)
    list_filter = ("billing_start",)
    search_fields = ("code", "name")
    search_help_text = "code or name"
    ordering = ("code",)
    words = "Customers: chains, their banners, independents."
    offers = (
        (accounts.register_account, "Register an account with a location", "account_register"),
        (accounts.register_account, "Register an account alone", "account_register_alone"),
    )
    when_empty = "There is no account yet. Register the first one: stores belong to accounts."


class Locations(OfDepots):
    """Places with cabinets."""

    page = "location"
    list_display = ("name", "locality", "holder", "store_number", "state", "depot")
    list_select_related = ("depot",)
    list_filter = ("depot",)
    search_fields = ("name", "locality", "street", "postal_code", "holdings__store_number")
    search_help_text = "name, town, street, postal code or store number"
    ordering = ("name", "id")
    words = "Stores and other places with freezers, of your depots."
    offers = ((accounts.register_account, "Register an account with a location", "account_register"),)
    when_empty = (
        "There is no location yet. Register an account with its first location, or a location for an account."
    )

    def seen(self, visit: Visit) -> "QuerySet[Any]":
        """Return the locations of the person's depots, with holder, number and state as they are now."""
        now = visit.present
        held = LocationHolding.objects.believed_at(now.index).valid_at(now.valid_at)
        held = held.filter(location=OuterRef("pk"))
        states = LocationState.objects.believed_at(now.index).valid_at(now.valid_at)
        return locations_in(now, visit.scope).annotate(
            holder=Subquery(held.values("account__code")[:1]),
            store_number=Subquery(held.values("store_number")[:1]),
            state=Subquery(states.filter(location=OuterRef("pk")).values("state")[:1]),
        )

    @display(description="held by", ordering="holder")
    def holder(self, row: Any) -> str:
        """Tell the code of the account that holds it."""
        return str(row.holder)

    @display(description="store", ordering="store_number")
    def store_number(self, row: Any) -> str:
        """Tell its number with that account."""
        return str(row.store_number)

    @display(ordering="state")
    def state(self, row: Any) -> str:
        """Tell its state."""
        return str(row.state)


class _Sentences(Rows):
    """Entries with what each of a page tells, read together."""

    def get_results(self, request: HttpRequest) -> None:
        super().get_results(request)
        entries = list(self.result_list)
        told = told_events(entry.pk for entry in entries)
        for entry in entries:
            entry.told = told[entry.pk]
        self.result_list = entries


class About(SimpleListFilter):
    """Entries by the kind of thing that was done something to."""

    title = "kind"
    parameter_name = "about"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the kinds, as verbs name them."""
        kinds = dict.fromkeys(verb.split(".")[0] for verb in Verb)
        return [(kind, kind.replace("_", " ")) for kind in sorted(kinds)]

    def queryset(self, request: HttpRequest, queryset: "QuerySet[Any]") -> "QuerySet[Any]":
        """Return the entries of the chosen kind."""
        kind = self.value()
        return queryset.filter(verb__startswith=f"{kind}.") if kind else queryset


class Entries(ListOnly):
    """The ledger, newest first, read as sentences."""

    page = "entry"
    list_title = "Ledger"
    list_display = ("index", "recorded", "sentence", "who")
    list_filter = (About, "face", "simulated")
    search_fields = ("reason", "subjects__label")
    search_help_text = "a word of a reason, or by a name, serial, tag or code"
    ordering = ("-index",)
    words = "Everything that was ever recorded, newest first. Nothing here is ever changed or taken away."

    def changelist_view(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> Any:
        """Show the list, with the way to what proves it."""
        buttons = [Button("Checkpoints", reverse("admin:checkpoints"))]
        return super().changelist_view(request, {"buttons": buttons, **(extra_context or {})})

    def get_changelist(self, request: HttpRequest, **options: Any) -> type[ChangeList]:
        """Return the list whose rows read as sentences."""
        return _Sentences

    @display(ordering="recorded_at")
    def recorded(self, entry: Any) -> str:
        """Tell when an entry was recorded."""
        return show_time(entry.recorded_at.replace(second=0), UTC)

    @display(description="what happened")
    def sentence(self, entry: Any) -> str:
        """Tell an entry in words, with its reason."""
        told = entry.told
        mark = format_html(' <span class="simulated">{}</span>', "simulated") if told.simulated else ""
        reason = format_html('<br><span class="reason">{}</span>', told.reason) if told.reason else ""
        return format_html("{}{}{}", told.words, mark, reason)

    @display(description="by")
    def who(self, entry: Any) -> str:
        """Tell who did it, and through which face."""
        return f"{entry.told.who}, {entry.face}"

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Every entry is for those who see all depots."""
        return super().has_view_permission(request, obj) and visit_of(request).sees_ledger()


console.register(Account, Accounts)
console.register(Location, Locations)
console.register(Cabinet, Cabinets)
console.register(Device, Devices)
console.register(Entry, Entries)
console.register(Depot, Depots)
console.register(CabinetModel, CabinetModels)
console.register(DeviceModel, DeviceModels)
console.register(Product, Products)
