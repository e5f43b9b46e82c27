"""Locations as of V, as known at R."""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet

from registry.models import Account, Depot, Location, LocationHolding, LocationState
from registry.queries.moments import Moment
from registry.queries.records import as_known, records_known_at, refer_as_known
from registry.rules.errors import absent
from registry.rules.roles import Scope


@dataclass(frozen=True, slots=True)
class LocationAt:
    """A location with its particulars as known at R, and its holder, number and state at V."""

    location: Location
    state: str
    account: Account | None
    store_number: str


def locations_in(moment: Moment, scope: Scope) -> "QuerySet[Location]":
    """Return the locations that existed at V as the register knew at R, in no order.

    Those of the scope's depots only, by today's depot: what somebody may see is a matter of today.
    """
    states = LocationState.objects.believed_at(moment.index).valid_at(moment.valid_at)
    found = Location.objects.filter(pk__in=states.values("location"))
    return found if scope.everywhere else found.filter(depot__in=scope.depots)


def locations_as_known(rows: Iterable[Location], moment: Moment) -> list[LocationAt]:
    """Return locations that were read, in their order, as of V as known at R: four queries."""
    known = as_known(rows, moment.index)
    refer_as_known(known, moment.index, depot=Depot)
    states = LocationState.objects.believed_at(moment.index).valid_at(moment.valid_at)
    state_of = dict(states.filter(location__in=known).values_list("location_id", "state"))
    holdings = LocationHolding.objects.believed_at(moment.index).valid_at(moment.valid_at)
    held = {
        key: (account, number)
        for key, account, number in holdings.filter(location__in=known).values_list(
            "location_id", "account_id", "store_number"
        )
    }
    accounts = records_known_at(Account, moment.index, {account for account, _ in held.values()})
    found = []
    for location in known:
        account_id, number = held.get(location.pk, (None, ""))
        account = accounts.get(account_id) if account_id else None
        found.append(LocationAt(location, state_of[location.pk], account, number))
    return found


def locations_at(moment: Moment, scope: Scope | None = None) -> list[LocationAt]:
    """Return the locations that existed at V as the register knew at R, by account and store number.

    Those of the scope's depots only, by the depot that the register knew at R.
    """
    everything = locations_as_known(locations_in(moment, Scope.of_all()), moment)
    return sorted(
        (at for at in everything if scope is None or scope.covers(at.location.depot_id)),
        key=lambda at: (at.account.code if at.account else "", at.store_number, at.location.name),
    )


def location_at(location_id: UUID, moment: Moment, scope: Scope) -> LocationAt:
    """Return one location as of V as known at R; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    for at in locations_as_known(locations_in(moment, scope).filter(pk=location_id), moment):
        return at
    raise absent("location")
