"""Locations as of V, as known at R."""

from dataclasses import dataclass

from registry.models import Account, Location, LocationHolding, LocationState
from registry.queries.moments import Moment
from registry.queries.records import records_known_at
from registry.rules.roles import Scope


@dataclass(frozen=True, slots=True)
class LocationAt:
    """A location with its particulars as known at R, and its holder, number and state at V."""

    location: Location
    state: str
    account: Account | None
    store_number: str


def locations_at(moment: Moment, scope: Scope | None = None) -> list[LocationAt]:
    """Return the locations that existed at V as the register knew at R, by account and store number.

    Those of the scope's depots only, by the depot that the register knew at R.
    """
    states = LocationState.objects.believed_at(moment.index).valid_at(moment.valid_at)
    state_of = dict(states.values_list("location_id", "state"))
    holdings = LocationHolding.objects.believed_at(moment.index).valid_at(moment.valid_at)
    held = {
        key: (account, number)
        for key, account, number in holdings.values_list("location_id", "account_id", "store_number")
    }
    known = records_known_at(Location, moment.index, state_of)
    accounts = records_known_at(Account, moment.index, {account for account, _ in held.values()})
    found = []
    for key, location in known.items():
        if scope is None or scope.covers(location.depot_id):
            account_id, number = held.get(key, (None, ""))
            account = accounts.get(account_id) if account_id else None
            found.append(LocationAt(location, state_of[key], account, number))
    return sorted(
        found, key=lambda at: (at.account.code if at.account else "", at.store_number, at.location.name)
    )
