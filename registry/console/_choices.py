"""What people choose from, and the things that they name by a code instead of choosing from thousands."""

from collections.abc import Iterable
from uuid import UUID

from django.db.models import Count

from registry.console._pages import Visit
from registry.console._stores import depots_of as depots_of
from registry.models import (
    Cabinet,
    CabinetModel,
    CabinetWhereabouts,
    DeviceModel,
    Location,
    LocationHolding,
    Product,
    Staff,
)
from registry.queries.staff import staff_with_depots
from registry.rules.cabinets import asset_tag
from registry.rules.errors import absent
from registry.rules.particulars import invalid
from registry.rules.roles import ALLOWED, Act, Role

Choices = list[tuple[UUID, str]]
ZONE_WITHOUT_STORES = "UTC"


# --- few: chosen from a list -----------------------------------------------------------------------


def people() -> Choices:
    """Return the people who work here now, by name."""
    return [(person.pk, person.name) for person in Staff.objects.filter(is_active=True).order_by("name")]


def installers(depot_id: UUID) -> Choices:
    """Return the people who may work at the locations of a depot, by name."""
    able = [role for role in Role if Act.WORK_VISIT in ALLOWED[role]]
    found = Staff.objects.filter(is_active=True, role__in=able).order_by("name")
    return [
        (one.staff.pk, f"{one.staff.name}, {one.staff.role}")
        for one in staff_with_depots(found)
        if one.staff.everywhere or depot_id in {depot.pk for depot in one.depots}
    ]


def cabinet_models() -> Choices:
    """Return the cabinet models, by name."""
    return [
        (model.pk, f"{model.name}, takes {model.sensor_count} sensors")
        for model in CabinetModel.objects.order_by("name")
    ]


def device_models() -> Choices:
    """Return the device models, by name."""
    return [
        (model.pk, f"{model.name}, {model.sensor_count} sensors")
        for model in DeviceModel.objects.order_by("name")
    ]


def products(besides: Iterable[UUID] = ()) -> Choices:
    """Return the bag sizes that are sold, and those besides, by code."""
    found = Product.objects.filter(discontinued=False) | Product.objects.filter(pk__in=list(besides))
    return [(product.pk, product.label) for product in found.order_by("code")]


# --- thousands: named by their code ----------------------------------------------------------------


def store_name(held: LocationHolding) -> str:
    """Return how people name a store: the account's code and its store number."""
    return f"{held.account.code} {held.store_number}"


def name_of_store(location_id: UUID) -> str:
    """Return the name of a store as it is held now, blank for one that nobody holds."""
    held = (
        LocationHolding.objects.current()
        .filter(location=location_id, valid_to=None)
        .select_related("account")
        .first()
    )
    return store_name(held) if held else ""


def store_named(typed: str, field: str) -> UUID:
    """Return the store that somebody named by account and number; raises RuleBroken as `absent`."""
    parts = typed.split()
    if len(parts) != 2:
        raise invalid(field, "Name the store by its account and its number there, such as LF 0042.")
    held = (
        LocationHolding.objects.current()
        .filter(account__code__iexact=parts[0], store_number__iexact=parts[1], valid_to=None)
        .first()
    )
    if held is None:
        raise absent(field, "location")
    key: UUID = held.location_id
    return key


def cabinet_named(typed: str, field: str) -> UUID:
    """Return the cabinet of an asset tag; raises RuleBroken as `absent` and for what is no tag."""
    found = Cabinet.objects.filter(asset_tag=asset_tag(typed, field)).first()
    if found is None:
        raise absent(field, "cabinet")
    return found.pk


# --- in whose time ---------------------------------------------------------------------------------


def zone_of_stay(stay: CabinetWhereabouts | None, depot_id: UUID | None = None) -> str:
    """Return the time zone of the store where a cabinet stands, else that of the depot's stores."""
    if stay is not None and stay.location is not None:
        return stay.location.time_zone
    return zone_of_depots([key for key in (stay.depot_id if stay else None, depot_id) if key])


def zone_of_depots(depots: Iterable[UUID] | None = None) -> str:
    """Return the time zone in which most stores of these depots lie, of all depots unless told.

    A depot has no zone of its own, and stands where its stores are.
    """
    stores = Location.objects.all() if depots is None else Location.objects.filter(depot__in=list(depots))
    most = stores.values("time_zone").annotate(count=Count("id")).order_by("-count", "time_zone").first()
    return str(most["time_zone"]) if most else ZONE_WITHOUT_STORES


def zone_of_person(visit: Visit) -> str:
    """Return the time zone in which most stores of this person's depots lie."""
    return zone_of_depots(None if visit.scope.everywhere else visit.scope.depots)
