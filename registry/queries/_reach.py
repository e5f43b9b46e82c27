"""How far a comparison of two beliefs reaches: one location, one account, or everything of some depots.

What counts is where things were in either of the two beliefs: a cabinet that was believed to stand in a
store at the first index belongs to the store's comparison, even if by the last one it never did.
"""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet

from registry.models import (
    Account,
    AccountState,
    CabinetWhereabouts,
    Contact,
    DeviceWhereabouts,
    Location,
    LocationHolding,
    LocationState,
    Split,
)
from registry.models.base import PeriodVersion
from registry.queries.locations import location_at
from registry.queries.moments import present
from registry.rules.errors import absent
from registry.rules.events import Kind
from registry.rules.roles import Scope

# Of the whole company: whoever compares the fleet sees what became of them.
COMPANY_WIDE = (Kind.ACCOUNT, Kind.DEPOT, Kind.CABINET_MODEL, Kind.PRODUCT, Kind.DEVICE_MODEL)


@dataclass(frozen=True)
class Reach:
    """What is compared. `locations` None means everything.

    `depots` are those for whose own stock of cabinets and devices the comparison reaches, `account` is
    whose state and particulars it tells, and `company_wide` whether accounts, depots, models and products
    belong to it.
    """

    locations: "QuerySet[Location] | None"
    depots: frozenset[UUID] = frozenset()
    account: UUID | None = None
    company_wide: bool = False

    def periods(self, model: type[PeriodVersion], first: int, last: int) -> Q:
        """Return the condition on the periods of a history that belong to the comparison."""
        if self.locations is None:
            return Q()
        if model is AccountState:
            return Q() if self.company_wide else Q(account=self.account)
        if model in (LocationState, LocationHolding):
            return Q(location__in=self.locations)
        if model is CabinetWhereabouts:
            return self._standing(self.locations)
        there = self._stays(first, last).filter(cabinet=OuterRef("cabinet"))
        there = there.filter(Q(valid_to=None) | Q(valid_to__gt=OuterRef("valid_from")))
        begun = there.filter(valid_from__lt=OuterRef("valid_to"))
        stood = Exists(begun) | Q(valid_to=None) & Exists(there)
        return stood if model is Split else stood | Q(depot__in=self.depots)

    def records(self, first: int, last: int) -> Q:
        """Return the condition on subjects of entries whose own particulars belong to the comparison."""
        if self.locations is None:
            return Q()
        stays = self._stays(first, last)
        hung = _believed(DeviceWhereabouts, first, last).filter(self.periods(DeviceWhereabouts, first, last))
        contacts = Contact.objects.filter(location__in=self.locations)
        about = (
            Q(kind=Kind.LOCATION, thing_id__in=self.locations.values("pk"))
            | Q(kind=Kind.CONTACT, thing_id__in=contacts.values("pk"))
            | Q(kind=Kind.CABINET, thing_id__in=stays.values("cabinet"))
            | Q(kind=Kind.DEVICE, thing_id__in=hung.values("device"))
        )
        if self.account is not None:
            about |= Q(kind=Kind.ACCOUNT, thing_id=self.account)
        return about | Q(kind__in=[str(kind) for kind in COMPANY_WIDE]) if self.company_wide else about

    def _standing(self, locations: "QuerySet[Location]") -> Q:
        return Q(location__in=locations) | Q(depot__in=self.depots)

    def _stays(self, first: int, last: int) -> "QuerySet[Any]":
        """Return where cabinets stood within reach in either belief."""
        everywhere = _believed(CabinetWhereabouts, first, last)
        return everywhere if self.locations is None else everywhere.filter(self._standing(self.locations))


def reach_of_location(location_id: UUID, scope: Scope) -> Reach:
    """Return what belongs to a location; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    location_at(location_id, present(), scope)
    return Reach(Location.objects.filter(pk=location_id))


def reach_of_account(account_id: UUID, scope: Scope, first: int, last: int) -> Reach:
    """Return what belongs to an account: every location that it held in either belief, of the scope's depots.

    Raises RuleBroken NOT_FOUND.
    """
    if not Account.objects.filter(pk=account_id).exists():
        raise absent("account")
    held = _believed(LocationHolding, first, last).filter(account=account_id)
    return Reach(_of_depots(scope).filter(pk__in=held.values("location")), account=account_id)


def reach_of_fleet(scope: Scope) -> Reach:
    """Return everything that the scope's depots answer for."""
    if scope.everywhere:
        return Reach(None, company_wide=True)
    return Reach(_of_depots(scope), scope.depots, company_wide=True)


def _of_depots(scope: Scope) -> "QuerySet[Location]":
    everything = Location.objects.all()
    return everything if scope.everywhere else everything.filter(depot__in=scope.depots)


def _believed(model: type[PeriodVersion], first: int, last: int) -> "QuerySet[Any]":
    """Return what the register believed right after either of two entries."""
    return model.objects.filter(
        Q(recorded__lte=first) & (Q(superseded=None) | Q(superseded__gt=first))
        | Q(recorded__lte=last) & (Q(superseded=None) | Q(superseded__gt=last))
    )
