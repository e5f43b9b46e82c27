"""The fleet as of V, as known at R: counted by depot and account, and listed with where everything was."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse, QueryDict
from django.urls import reverse

from registry.console._pages import Asked, Visit, page
from registry.models import Account, Cabinet, Depot, Device, Location
from registry.queries.accounts import accounts_as_known, accounts_in
from registry.queries.assignments import DeviceAt, devices_as_known
from registry.queries.cabinets import CabinetAt, cabinets_as_known
from registry.queries.fleet import Counts, Fleet, Member, fleet_at
from registry.queries.locations import LocationAt, locations_as_known
from registry.queries.moments import Moment
from registry.queries.records import records_known_at
from registry.rules.locations import LocationStanding
from registry.rules.whereabouts import CabinetPlace, DevicePlace

ROWS_SHOWN_MAX = 100  # of accounts, or of a list, on one page

# What is counted in which columns: of what, where, and the heading.
COLUMNS: tuple[tuple[str, StrEnum, str], ...] = (
    ("locations", LocationStanding.OPEN, "Open locations"),
    ("cabinets", CabinetPlace.LOCATION, "Cabinets placed"),
    ("devices", DevicePlace.CABINET, "Devices in cabinets"),
    ("devices", DevicePlace.DEPOT, "in depots"),
    ("devices", DevicePlace.VAN, "in vans"),
    ("devices", DevicePlace.MAKER, "at makers"),
    ("devices", DevicePlace.LOST, "lost"),
    ("devices", DevicePlace.RETIRED, "retired"),
)
# Where things can be, as said after their number.
WHERE_WORDS: dict[str, dict[StrEnum, str]] = {
    "locations": {state: str(state) for state in LocationStanding},
    "cabinets": {
        CabinetPlace.LOCATION: "at locations",
        CabinetPlace.DEPOT: "in depots",
        CabinetPlace.SCRAPPED: "scrapped",
    },
    "devices": {
        DevicePlace.CABINET: "in cabinets",
        DevicePlace.DEPOT: "in depots",
        DevicePlace.VAN: "in vans",
        DevicePlace.MAKER: "at makers",
        DevicePlace.LOST: "lost",
        DevicePlace.RETIRED: "retired",
    },
}
# Of an account's stores: what stands there.
STORE_COLUMNS = COLUMNS[:3]


@dataclass(frozen=True, slots=True)
class Cell:
    """A count, and the list of what was counted."""

    heading: str
    count: int
    address: str


@dataclass(frozen=True, slots=True)
class Line:
    """What is counted of one depot, account or kind; `address` is that of its page, blank for none."""

    words: str
    address: str
    cells: list[Cell]


@page
def fleet(visit: Visit) -> HttpResponse:
    """Show how much there was of everything, by place, depot and account."""
    asked = visit.asked()
    everything = fleet_at(asked.moment, visit.scope)
    keep = moment_of(asked)
    accounts = Paginator(accounts_in(asked.moment).order_by("code"), ROWS_SHOWN_MAX)
    shown = accounts.get_page(visit.request.GET.get("page"))
    return visit.show(
        "console/fleet.html",
        {
            "title": "Fleet",
            "asked": asked,
            "keep_query": "",
            "leaf_query": _query(keep),
            "differences": f"{reverse('admin:fleet_differences')}?{_query({'from_known': asked.known_at})}",
            "totals": _totals(everything.counts(), keep),
            "depots": _depots(everything, asked.moment, keep),
            "accounts": _accounts(everything, shown.object_list, asked.moment, keep),
            "shown": shown,
        },
        status=asked.status,
    )


def _totals(counts: Counts, keep: Mapping[str, str]) -> list[Line]:
    """Return the counts of the whole, a line a kind of thing: all of it, then by place."""
    found = []
    for kind, where in WHERE_WORDS.items():
        number: Counter[str] = getattr(counts, kind)
        everything = Cell("in all", number.total(), _list(kind, keep))
        parts = [
            Cell(words, number[place], _list(kind, {**keep, "where": str(place)}))
            for place, words in where.items()
        ]
        found.append(Line(kind.capitalize(), "", [everything, *parts]))
    return found


def _depots(everything: Fleet, moment: Moment, keep: Mapping[str, str]) -> list[Line]:
    by_depot = everything.by_depot()
    known = records_known_at(Depot, moment.index, [key for key in by_depot if key is not None])
    return [
        Line(depot.label, "", cells(by_depot[depot.pk], COLUMNS, {**keep, "depot": str(depot.pk)}))
        for depot in sorted(known.values(), key=lambda depot: depot.code)
    ]


def _accounts(
    everything: Fleet, rows: Iterable[Account], moment: Moment, keep: Mapping[str, str]
) -> list[Line]:
    by_account = everything.by_account()
    return [
        Line(
            at.account.label,
            f"{reverse('admin:account', args=[at.account.pk])}?{_query(keep)}",
            cells(
                by_account.get(at.account.pk, Counts()),
                STORE_COLUMNS,
                {**keep, "account": str(at.account.pk)},
            ),
        )
        for at in accounts_as_known(rows, moment)
    ]


def cells(counts: Counts, columns: Sequence[tuple[str, StrEnum, str]], keep: Mapping[str, str]) -> list[Cell]:
    """Return the counts of some columns, each with the list of what was counted."""
    return [
        Cell(heading, getattr(counts, kind)[place], _list(kind, {**keep, "where": str(place)}))
        for kind, place, heading in columns
    ]


def moment_of(asked: Asked) -> dict[str, str]:
    """Return what a link carries so that the next page is of the same moment."""
    return {name: value for name, value in (("as_of", asked.as_of), ("known_at", asked.known_at)) if value}


# --- lists -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Row:
    """One thing in a list, in words, with the address of its page and of its store's."""

    label: str
    address: str
    cells: list[tuple[str, str, str]]  # heading, words, address or blank


@page
def locations(visit: Visit) -> HttpResponse:
    """List the locations as of V, as known at R."""

    def rows(members: Sequence[Member], moment: Moment) -> list[Row]:
        found = locations_as_known(Location.objects.filter(pk__in=_keys(members)), moment)
        return [_location_row(at) for at in _in_order(found, members, lambda at: at.location.pk)]

    return _listed(visit, "locations", LocationStanding, rows)


@page
def cabinets(visit: Visit) -> HttpResponse:
    """List the cabinets as of V, as known at R."""

    def rows(members: Sequence[Member], moment: Moment) -> list[Row]:
        found = cabinets_as_known(Cabinet.objects.filter(pk__in=_keys(members)), moment)
        return [_cabinet_row(at) for at in _in_order(found, members, lambda at: at.cabinet.pk)]

    return _listed(visit, "cabinets", CabinetPlace, rows)


@page
def devices(visit: Visit) -> HttpResponse:
    """List the devices as of V, as known at R."""

    def rows(members: Sequence[Member], moment: Moment) -> list[Row]:
        found = devices_as_known(Device.objects.filter(pk__in=_keys(members)), moment)
        return [_device_row(at) for at in _in_order(found, members, lambda at: at.device.pk)]

    return _listed(visit, "devices", DevicePlace, rows)


def _listed(
    visit: Visit,
    kind: str,
    places: type[StrEnum],
    rows: Callable[[Sequence[Member], Moment], list[Row]],
) -> HttpResponse:
    asked = visit.asked()
    everything = fleet_at(asked.moment, visit.scope)
    depots = records_known_at(Depot, asked.moment.index, {key for key in everything.by_depot() if key})
    given = visit.request.GET
    account = _one(given.get("account", ""), (one.account_id for one in everything.locations))
    depot = _one(given.get("depot", ""), depots)
    where = given.get("where", "") if given.get("where", "") in list(places) else ""
    members = getattr(everything.of(depot_id=depot, account_id=account, where=where), kind)
    shown = Paginator(members, ROWS_SHOWN_MAX).get_page(given.get("page"))
    narrowed = {"depot": str(depot or ""), "account": str(account or ""), "where": where}
    of_account = records_known_at(Account, asked.moment.index, [account]).get(account) if account else None
    of = f" of {of_account.label}" if of_account else ""
    return visit.show(
        "console/fleet_list.html",
        {
            "title": f"{kind.capitalize()}{of}",
            "trail": [("Fleet", f"{reverse('admin:fleet')}?{_query(moment_of(asked))}")],
            "asked": asked,
            "keep": [(name, value) for name, value in narrowed.items() if value],
            "keep_query": _query(narrowed),
            "keep_moment": list(moment_of(asked).items()),
            "account": account,
            "narrowed": any(narrowed.values()),
            "everything": f"?{_query(moment_of(asked))}",
            "leaf_query": _query({**moment_of(asked), **narrowed}),
            "depots": [(key, row.label, key == depot) for key, row in depots.items()],
            "wheres": [(str(place), str(place) == where) for place in places],
            "shown": shown,
            "rows": rows(list(shown.object_list), asked.moment),
        },
        status=asked.status,
    )


def _location_row(at: LocationAt) -> Row:
    return Row(
        at.location.name,
        reverse("admin:location", args=[at.location.pk]),
        [
            ("Town", at.location.locality, ""),
            ("Held by", at.account.label if at.account else "nobody", _account(at.account)),
            ("Store", at.store_number, ""),
            ("State", at.state, ""),
            ("Depot", at.location.depot.label, ""),
        ],
    )


def _cabinet_row(at: CabinetAt) -> Row:
    stay = at.stay
    scrapped = "scrapped, by " if stay.place == CabinetPlace.SCRAPPED else ""
    where = (
        stay.location.label if stay.location else f"{scrapped}depot {stay.depot.label if stay.depot else ''}"
    )
    return Row(
        at.cabinet.asset_tag,
        reverse("admin:cabinet", args=[at.cabinet.pk]),
        [
            ("Model", at.cabinet.model.name, ""),
            ("Where", where, reverse("admin:location", args=[stay.location_id]) if stay.location_id else ""),
            ("Hanging in it", ", ".join(place.device.serial for place in at.hanging) or "nothing", ""),
        ],
    )


def _device_row(at: DeviceAt) -> Row:
    store = at.stay.location_id if at.stay else None
    return Row(
        at.device.serial,
        reverse("admin:device", args=[at.device.pk]),
        [
            ("Model", at.device.model.name, ""),
            ("Where", at.words, reverse("admin:location", args=[store]) if store else ""),
            ("Standing", at.device.standing, ""),
        ],
    )


def _account(account: Account | None) -> str:
    return reverse("admin:account", args=[account.pk]) if account else ""


def _keys(members: Sequence[Member]) -> list[UUID]:
    return [one.key for one in members]


def _in_order(found: Iterable[Any], members: Sequence[Member], key: Callable[[Any], UUID]) -> list[Any]:
    by_key = {key(at): at for at in found}
    return [by_key[one.key] for one in members]


def _one(typed: str, among: Iterable[UUID | None]) -> UUID | None:
    """Return the key among some that was asked for; None for anything else."""
    return next((key for key in among if key is not None and str(key) == typed), None)


def _list(kind: str, query: Mapping[str, str]) -> str:
    return f"{reverse(f'admin:fleet_{kind}')}?{_query(query)}"


def _query(values: Mapping[str, str]) -> str:
    query = QueryDict(mutable=True)
    query.update({name: value for name, value in values.items() if value})
    return query.urlencode()
