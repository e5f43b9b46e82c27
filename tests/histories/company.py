"""The small company of the random histories, made through actions and told to the naive register."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from registry.actions import accounts
from registry.actions._action import Actor
from registry.models import Entry
from registry.rules.splits import Share
from tests.factories.world import DAY, World
from tests.histories.naive import Naive


@dataclass(frozen=True)
class Company:
    """What every random history begins with; keys only, because rows change under it."""

    world: World
    naive: Naive
    accounts: tuple[Any, ...]
    stores: tuple[Any, ...]
    depots: tuple[Any, ...]
    vans: tuple[Any, ...]  # whose they are
    cabinets: tuple[Any, ...]
    devices: tuple[Any, ...]
    splits: tuple[tuple[Share, ...], ...]
    depot_of: dict[Any, Any]  # of a store
    sensors: dict[Any, int]  # of a cabinet or a device

    @property
    def office(self) -> Actor:
        """Who does most of the work, for every depot."""
        return self.world.office

    @property
    def installer(self) -> Actor:
        """Who works for Tarnmouth alone."""
        return self.world.installer


def custody(place: str, depot: Any, staff: Any = None, **said: Any) -> dict[str, Any]:
    """Return what is believed of a device that hangs nowhere."""
    return _where(place=place, depot_id=depot, staff_id=staff) | said


def hanging(cabinet: Any, slot: int = 1, slot_reason: str = "", rail: int | None = None) -> dict[str, Any]:
    """Return what is believed of a device in a cabinet."""
    told = {"slot": slot, "slot_reason": slot_reason, "rail_below_ceiling_mm": rail}
    return _where(place="cabinet", cabinet_id=cabinet) | told


def _where(**said: Any) -> dict[str, Any]:
    nothing = dict.fromkeys(("depot_id", "staff_id", "cabinet_id", "slot", "rail_below_ceiling_mm"))
    silent = dict.fromkeys(("slot_reason", "end_reason", "end_note", "reference"), "")
    return {**nothing, **silent, "starts_known_by": False, **said}


def standing(location: Any = None, depot: Any = None, place: str = "") -> dict[str, Any]:
    """Return what is believed of a cabinet: at a location, or in a depot."""
    word = place or ("location" if location else "depot")
    return {"place": word, "location_id": location, "depot_id": depot, "starts_known_by": False}


def state(word: str) -> dict[str, Any]:
    """Return what is believed of the state of a store or an account."""
    return {"state": word, "starts_known_by": False}


def holding(account: Any, number: str) -> dict[str, Any]:
    """Return what is believed of who holds a store."""
    return {"account_id": account, "store_number": number, "starts_known_by": False}


def shared(shares: tuple[Share, ...]) -> dict[str, Any]:
    """Return what is believed of a split."""
    return {"shares": shares, "starts_known_by": False}


def found(world: World) -> Company:
    """Make the company: three stores of two accounts, four cabinets, five devices."""
    naive = Naive()
    second = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    told: list[tuple[str, Any, dict[str, Any], datetime]] = [
        ("accountstate", account.pk, state("open"), world.start) for account in (world.account, second)
    ]
    stores = [world.location, world.store(), world.store(second, world.fellgate)]
    for store in stores:
        holds = store.holdings.get()
        told.append(("locationstate", store.pk, state("open"), world.start))
        told.append(("locationholding", store.pk, holding(holds.account_id, holds.store_number), world.start))
    freezers = [
        world.cabinet(stores[0]),
        world.cabinet(stores[1]),
        world.cabinet(world.tarnmouth),
        world.cabinet(stores[2], world.quay),
    ]
    for freezer, store in zip(freezers, [stores[0], stores[1], None, stores[2]], strict=True):
        place = standing(store.pk) if store else standing(depot=world.tarnmouth.pk)
        told.append(("cabinetwhereabouts", freezer.pk, place, world.start + DAY))
    things = [world.device() for _ in range(4)] + [world.device(world.plumb_5, world.fellgate)]
    for thing in things:
        depot = world.fellgate if thing is things[-1] else world.tarnmouth
        told.append(("devicewhereabouts", thing.pk, custody("depot", depot.pk), world.start + DAY))
    for history, thing, value, at in told:
        naive.begin(history, thing, value, at, _made_by(thing))
    light, heavy = world.eight_lb.pk, world.eighteen_lb.pk
    return Company(
        world=world,
        naive=naive,
        accounts=(world.account.pk, second.pk),
        stores=tuple(store.pk for store in stores),
        depots=(world.tarnmouth.pk, world.fellgate.pk),
        vans=(world.installer.staff_id, world.stranger.staff_id),
        cabinets=tuple(freezer.pk for freezer in freezers),
        devices=tuple(thing.pk for thing in things),
        splits=(
            (Share(light, 10_000),),
            (Share(light, 6_000), Share(heavy, 4_000)),
            (Share(heavy, 4_000), Share(light, 6_000)),
            (Share(light, 5_000), Share(heavy, 4_999)),  # not whole
        ),
        depot_of={store.pk: store.depot_id for store in stores},
        sensors={freezer.pk: freezer.model.sensor_count for freezer in freezers}
        | {thing.pk: thing.model.sensor_count for thing in things},
    )


def _made_by(thing: Any) -> int:
    """Return the entry that first told of a thing: here each was registered with all its histories."""
    return int(Entry.objects.filter(subjects__thing_id=thing).earliest("index").index)
