"""What a phone takes along before it leaves signal: the things that one person may meet in a day."""

from dataclasses import dataclass
from uuid import UUID

from django.db.models import Case, QuerySet, Value, When

from registry.models import CabinetModel, Depot, DeviceModel, DeviceWhereabouts, Product
from registry.queries.assignments import DeviceAt, assignments_as_known, assignments_in
from registry.queries.cabinets import CabinetAt, cabinets_as_known, cabinets_in, stays_in
from registry.queries.devices import assignable_whereabouts
from registry.queries.locations import LocationAt, location_at
from registry.queries.moments import Moment
from registry.rules.roles import Scope


@dataclass(frozen=True, slots=True)
class StoreTaken:
    """A location that is taken along, its cabinets, and what hangs in them by cabinet."""

    at: LocationAt
    cabinets: tuple[CabinetAt, ...]
    hanging: dict[UUID, list[DeviceAt]]


@dataclass(frozen=True, slots=True)
class CatalogueTaken:
    """Device models with their serial schemes, cabinet models and the bag sizes that are sold."""

    device_models: list[DeviceModel]
    cabinet_models: list[CabinetModel]
    products: list[Product]


def catalogue_taken() -> CatalogueTaken:
    """Return the catalogue, each by name: three queries."""
    return CatalogueTaken(
        list(DeviceModel.objects.order_by("name")),
        list(CabinetModel.objects.order_by("name")),
        list(Product.objects.filter(discontinued=False).order_by("code")),
    )


def depots_at_hand(scope: Scope) -> "QuerySet[Depot]":
    """Return the depots of this person, by code."""
    found = Depot.objects.order_by("code")
    return found if scope.everywhere else found.filter(pk__in=scope.depots)


def devices_at_hand(scope: Scope) -> "QuerySet[DeviceWhereabouts]":
    """Return where the devices are that this person could assign now: those of their own van first."""
    places: QuerySet[DeviceWhereabouts] = DeviceWhereabouts.objects.current()
    return (
        places.filter(assignable_whereabouts(scope), valid_to=None)
        .select_related("device", "depot", "staff")
        .order_by(Case(When(staff=scope.staff_id, then=Value(0)), default=Value(1)), "device__serial")
    )


def store_taken(location_id: UUID, moment: Moment, scope: Scope) -> StoreTaken:
    """Return a location with what stands and hangs there; raises RuleBroken NOT_FOUND."""
    at = location_at(location_id, moment, scope)
    stays = stays_in(moment, scope).filter(location=location_id)
    cabinets = cabinets_as_known(
        cabinets_in(moment, scope).filter(pk__in=stays.values("cabinet")).order_by("asset_tag"), moment
    )
    places = assignments_in(moment, scope).filter(cabinet__in=[at.cabinet.pk for at in cabinets])
    hanging: dict[UUID, list[DeviceAt]] = {}
    for device in assignments_as_known(places.order_by("slot"), moment):
        if device.place.cabinet_id is not None:
            hanging.setdefault(device.place.cabinet_id, []).append(device)
    return StoreTaken(at, tuple(cabinets), hanging)
