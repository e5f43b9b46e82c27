"""What a phone takes along before it leaves signal: the things that one person may meet in a day."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.db.models import Case, Q, QuerySet, Value, When

from registry.models import (
    AcceptanceCheck,
    CabinetModel,
    CabinetSurvey,
    Depot,
    DeviceModel,
    DeviceWhereabouts,
    Mounting,
    Product,
    Visit,
    VisitCabinet,
)
from registry.queries.assignments import DeviceAt, assignments_as_known, assignments_in
from registry.queries.cabinets import CabinetAt, cabinets_as_known, cabinets_in, stays_in
from registry.queries.devices import assignable_whereabouts
from registry.queries.locations import LocationAt, locations_as_known, locations_in
from registry.queries.moments import Moment
from registry.queries.visits import (
    KitEntry,
    facts_of,
    kits_of,
    surveys_now,
    visits_as_shown,
    visits_in_sight,
)
from registry.rules.cautions import Caution, cautions_of_facts, digest
from registry.rules.errors import absent
from registry.rules.roles import Role, Scope
from registry.rules.visits import OPEN, VisitKind, VisitState


@dataclass(frozen=True, slots=True)
class StoreTaken:
    """A location that is taken along, its cabinets, and what hangs in them by cabinet."""

    at: LocationAt
    cabinets: tuple[CabinetAt, ...]
    hanging: dict[UUID, list[DeviceAt]]


@dataclass(frozen=True, slots=True)
class WorkTaken:
    """A cabinet of a visit: how it stands, its cautions as they now read, and whether they were read."""

    at: CabinetAt
    cautions: list[Caution]
    acknowledged_at: datetime | None
    surveyed: bool


@dataclass(frozen=True, slots=True)
class VisitTaken:
    """A visit that is taken along, its store, its cabinets in the order of work, and its kit."""

    visit: Visit
    store: StoreTaken
    works: tuple[WorkTaken, ...]
    kit: list[KitEntry]


@dataclass(frozen=True, slots=True)
class WorkOfDay:
    """The visits of a day that are taken along, and what the van takes for the person's own."""

    visits: list[VisitTaken]
    kit: list[KitEntry]


@dataclass(frozen=True, slots=True)
class EvidenceTaken:
    """The mounting and the newest acceptance check of assignments, by their identity."""

    mountings: dict[UUID, UUID]
    checks: dict[UUID, AcceptanceCheck]


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
    for store in stores_taken([location_id], moment, scope):
        return store
    raise absent("location")


def stores_taken(location_ids: Iterable[UUID], moment: Moment, scope: Scope) -> list[StoreTaken]:
    """Return locations in sight with what stands and hangs there: as many queries for many as for one."""
    found = locations_in(moment, scope).filter(pk__in=set(location_ids)).order_by("name", "id")
    locations = locations_as_known(found, moment)
    stays = stays_in(moment, scope).filter(location__in=[at.location.pk for at in locations])
    cabinets = cabinets_as_known(
        cabinets_in(moment, scope).filter(pk__in=stays.values("cabinet")).order_by("asset_tag"), moment
    )
    places = assignments_in(moment, scope).filter(cabinet__in=[at.cabinet.pk for at in cabinets])
    hanging: dict[UUID, list[DeviceAt]] = {}
    for device in assignments_as_known(places.order_by("slot"), moment):
        if device.place.cabinet_id is not None:
            hanging.setdefault(device.place.cabinet_id, []).append(device)
    return [
        StoreTaken(
            at, tuple(there for there in cabinets if there.stay.location_id == at.location.pk), hanging
        )
        for at in locations
    ]


def work_taken(day: date, moment: Moment, scope: Scope) -> WorkOfDay:
    """Return the visits of a day that are this person's, or nobody's yet, with all that the work needs.

    Cancelled ones stay away. A visit's cautions count as read where this person has read them; a cabinet of a
    survey as surveyed where it was on that visit. As many queries for many visits as for one.
    """
    rows = visits_in_sight(scope).filter(planned_on=day).exclude(state=VisitState.CANCELLED)
    if scope.role is not Role.INSTALLER:
        rows = rows.filter(Q(installer=None) | Q(installer=scope.staff_id))
    visits = list(visits_as_shown(rows).order_by("location__name", "id"))
    stores = {
        store.at.location.pk: store for store in stores_taken({v.location_id for v in visits}, moment, scope)
    }
    lines = [line for visit in visits for line in _lines(visit)]
    facts = facts_of(line.cabinet for line in lines)
    surveyed = set(surveys_now(line.cabinet_id for line in lines))
    on_visits = set(CabinetSurvey.objects.filter(visit__in=visits).values_list("visit", "cabinet"))
    own = [visit for visit in visits if visit.installer_id == scope.staff_id and visit.state in OPEN]
    *kits, van = kits_of([*([visit] for visit in visits), own])
    taken = []
    for visit, kit in zip(visits, kits, strict=True):
        store = stores.get(visit.location_id)
        if store is None:
            continue
        standing = {at.cabinet.pk: at for at in store.cabinets}
        works = tuple(
            WorkTaken(
                standing[line.cabinet_id],
                cautions := cautions_of_facts(facts[line.cabinet_id]),
                line.acknowledged_at
                if (line.cautions_sha256, line.acknowledged_by_id) == (digest(cautions), scope.staff_id)
                else None,
                (visit.pk, line.cabinet_id) in on_visits
                if visit.kind == VisitKind.SURVEY
                else line.cabinet_id in surveyed,
            )
            for line in _lines(visit)
            if line.cabinet_id in standing
        )
        taken.append(VisitTaken(visit, store, works, kit))
    return WorkOfDay(taken, van)


def _lines(visit: Visit) -> list[VisitCabinet]:
    lines: list[VisitCabinet] = visit.shown_cabinets  # type: ignore[attr-defined]
    return lines


def evidence_taken(stores: Iterable[StoreTaken]) -> EvidenceTaken:
    """Return what was recorded of the assignments of some stores: two queries."""
    periods = {
        device.place.period for store in stores for hanging in store.hanging.values() for device in hanging
    }
    checks = AcceptanceCheck.objects.filter(assignment__in=periods).order_by("registered_id")
    mountings = Mounting.objects.filter(assignment__in=periods).values_list("assignment", "id")
    return EvidenceTaken(dict(mountings), {check.assignment: check for check in checks})
