"""The fleet as of V, as known at R: where every location, cabinet and device was, by depot and account.

Counts and lists are read off the same rows, so that a list is as long as its count says.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from uuid import UUID

from registry.models import Location, LocationHolding, LocationState
from registry.queries.assignments import places_in
from registry.queries.cabinets import stays_in
from registry.queries.moments import Moment
from registry.queries.records import as_known
from registry.rules.roles import Scope


@dataclass(frozen=True, slots=True)
class Member:
    """One thing of the fleet: what it is called today, where it was, and who answered for it.

    `where` is the state of a location, the place of a cabinet or device; `account_id` is whose store it
    was or stood in.
    """

    key: UUID
    label: str
    where: str
    account_id: UUID | None
    depot_id: UUID | None


@dataclass(frozen=True, slots=True)
class Counts:
    """How many locations by state, cabinets and devices by place."""

    locations: Counter[str] = field(default_factory=Counter)
    cabinets: Counter[str] = field(default_factory=Counter)
    devices: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True)
class Fleet:
    """Everything of a scope's depots at a moment, by what it is called."""

    locations: tuple[Member, ...]
    cabinets: tuple[Member, ...]
    devices: tuple[Member, ...]

    def of(self, *, depot_id: UUID | None = None, account_id: UUID | None = None, where: str = "") -> "Fleet":
        """Return the part that belongs to a depot, to an account, or that was somewhere, where told."""

        def kept(members: Iterable[Member]) -> tuple[Member, ...]:
            return tuple(
                one
                for one in members
                if depot_id in (None, one.depot_id)
                and account_id in (None, one.account_id)
                and where in ("", one.where)
            )

        return Fleet(kept(self.locations), kept(self.cabinets), kept(self.devices))

    def counts(self) -> Counts:
        """Return how many there are."""
        kinds = (self.locations, self.cabinets, self.devices)
        return Counts(*(Counter(one.where for one in members) for members in kinds))

    def by_depot(self) -> dict[UUID | None, Counts]:
        """Return how many there are of each depot; None for what no depot answered for."""
        return self._counts_by(lambda one: one.depot_id)

    def by_account(self) -> dict[UUID | None, Counts]:
        """Return how many there are of each account; None for what stood in no store."""
        return self._counts_by(lambda one: one.account_id)

    def _counts_by(self, part: Callable[[Member], UUID | None]) -> dict[UUID | None, Counts]:
        found: dict[UUID | None, Counts] = {}
        for kind in ("locations", "cabinets", "devices"):
            for one in getattr(self, kind):
                getattr(found.setdefault(part(one), Counts()), kind)[one.where] += 1
        return found


def fleet_at(moment: Moment, scope: Scope) -> Fleet:
    """Return the fleet of a scope's depots as of V as known at R, whatever its size in as many queries.

    Depots answer for locations as the register knew them at R; whether somebody may see a location is a
    matter of today. Five queries, and two more where a location was revised since.
    """
    depots = _depots_known(moment)
    states = LocationState.objects.believed_at(moment.index).valid_at(moment.valid_at)
    if not scope.everywhere:
        states = states.filter(location__depot__in=scope.depots)
    holdings = LocationHolding.objects.believed_at(moment.index).valid_at(moment.valid_at)
    account_of: dict[UUID, UUID] = dict(holdings.values_list("location_id", "account_id"))
    locations = {
        key: Member(key, name, state, account_of.get(key), depots.get(key, depot))
        for key, name, state, depot in states.values_list(
            "location_id", "location__name", "state", "location__depot_id"
        )
    }
    cabinets: dict[UUID, Member] = {}
    for key, tag, place, location, depot, stores in stays_in(moment, scope).values_list(
        *("cabinet_id", "cabinet__asset_tag", "place", "location_id", "depot_id", "location__depot_id")
    ):
        answering = depot if location is None else depots.get(location, stores)
        cabinets[key] = Member(key, tag, place, account_of.get(location) if location else None, answering)
    devices = []
    for key, serial, place, cabinet, depot in places_in(moment, scope).values_list(
        "device_id", "device__serial", "place", "cabinet_id", "depot_id"
    ):
        stand = cabinets.get(cabinet) if cabinet else None
        account = stand.account_id if stand else None
        devices.append(Member(key, serial, place, account, stand.depot_id if stand else depot))
    return Fleet(_by_label(locations.values()), _by_label(cabinets.values()), _by_label(devices))


def _depots_known(moment: Moment) -> dict[UUID, UUID]:
    """Return the depots of the locations that were revised since, as they were known."""
    revised = Location.objects.filter(revised__gt=moment.index, registered__lte=moment.index)
    return {row.pk: row.depot_id for row in as_known(revised, moment.index)}


def _by_label(members: Iterable[Member]) -> tuple[Member, ...]:
    return tuple(sorted(members, key=lambda one: (one.label, one.key)))
