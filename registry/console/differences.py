"""What changed between two states of knowledge: what an auditor reads before signing a bill."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse, QueryDict
from django.urls import reverse

from registry.console._pages import Visit, page
from registry.console._times import SHAPE, read_time
from registry.queries._reach import Reach, reach_of_account, reach_of_fleet, reach_of_location
from registry.queries.accounts import account_at
from registry.queries.changes import show_time
from registry.queries.difference_lines import DifferenceLine, difference_lines, difference_sheet
from registry.queries.differences import Between, Differences, differences, settle_between
from registry.queries.locations import location_at
from registry.rules.differences import Span, Window
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Kind
from registry.rules.sheets import MEDIA_TYPE

LINES_SHOWN_MAX = 50  # on one page

# What is asked: name, label, what may be typed, and what it means.
FIELDS = (
    ("from_known", "From", f"120, or {SHAPE}", "what was known after this entry, or at this local time"),
    ("to_known", "To", "the newest entry", "the same; the newest entry where nothing is typed"),
    ("valid_from", "About the time from", SHAPE, "such as the first of the month of the bill"),
    ("valid_to", "until", SHAPE, "only what differs between these two, where they are typed"),
)


@dataclass(frozen=True, slots=True)
class Typed:
    """A field of the form, what was typed there, and what is wrong with it."""

    name: str
    label: str
    shape: str
    help: str
    value: str
    error: str


@dataclass(frozen=True, slots=True)
class Shown:
    """A difference on the page: the line, the address of its thing, and when the two beliefs differ."""

    line: DifferenceLine
    link: str
    differs: str


@dataclass(slots=True)
class Asked:
    """What was typed into the form. Nothing is compared until a first state of knowledge is."""

    values: dict[str, str]
    errors: dict[str, str] = field(default_factory=dict)

    def fields(self) -> list[Typed]:
        """Return the fields of the form."""
        return [
            Typed(name, label, shape, words, self.values[name], self.errors.get(name, ""))
            for name, label, shape, words in FIELDS
        ]


@page
def of_fleet(visit: Visit) -> HttpResponse:
    """Compare everything that the person's depots answer for."""
    trail = [("Fleet", reverse("admin:fleet"))]
    return _compared(visit, "the fleet", trail, lambda _: reach_of_fleet(visit.scope))


@page
def of_location(visit: Visit, key: UUID) -> HttpResponse:
    """Compare what belongs to a location."""
    now = location_at(key, visit.present, visit.scope).location
    visit.in_zone(now.time_zone)
    trail = [
        ("Locations", reverse("admin:registry_location_changelist")),
        (now.label, reverse("admin:location", args=[key])),
    ]
    return _compared(visit, now.label, trail, lambda _: reach_of_location(key, visit.scope))


@page
def of_account(visit: Visit, key: UUID) -> HttpResponse:
    """Compare what belongs to the locations that an account held."""
    now = account_at(key, visit.present).account
    trail = [
        ("Accounts", reverse("admin:registry_account_changelist")),
        (now.label, reverse("admin:account", args=[key])),
    ]

    def reach(between: Between) -> Reach:
        return reach_of_account(key, visit.scope, between.first, between.last)

    return _compared(visit, now.label, trail, reach)


def _compared(
    visit: Visit, of: str, trail: Sequence[tuple[str, str]], reach: Callable[[Between], Reach]
) -> HttpResponse:
    given = visit.request.GET
    asked = Asked({name: given.get(name, "").strip() for name, *_ in FIELDS})
    context: dict[str, Any] = {"title": f"What changed: {of}", "of": of, "trail": trail}
    try:
        found = _found(visit, asked, reach)
    except RuleBroken as broken:
        if broken.code is Code.NOT_FOUND:
            raise
        asked.errors[broken.field or "from_known"] = broken.message
        found = None
    if found is not None and given.get("sheet"):
        sheet = difference_sheet(difference_lines(found.found, found.between, visit.zone), visit.zone)
        headers = {"Content-Disposition": 'attachment; filename="differences.csv"'}
        return HttpResponse(sheet, content_type=f"{MEDIA_TYPE}; charset=utf-8", headers=headers)
    context |= {"fields": asked.fields()} | (_shown(visit, asked, found) if found else {})
    status = HTTPStatus.UNPROCESSABLE_ENTITY if asked.errors else HTTPStatus.OK
    return visit.show("console/differences.html", context, status=status)


def _found(visit: Visit, asked: Asked, reach: Callable[[Between], Reach]) -> Differences | None:
    """Return what was asked for, None while nothing was; raises RuleBroken by the field at fault."""
    if not any(asked.values.values()):
        return None
    known = [visit.read_known(asked.values[name], name) for name in ("from_known", "to_known")]
    window = Window(*(_time(visit, asked.values[name], name) for name in ("valid_from", "valid_to")))
    if known[0] is None:
        raise RuleBroken(
            Code.VALUE_INVALID, "Type from when on: an entry's number, or a time.", field="from_known"
        )
    between = settle_between(known[0], known[1])
    return differences(between, reach(between), window)


def _time(visit: Visit, typed: str, name: str) -> datetime | None:
    return read_time(typed, visit.zone, name) if typed else None


def _shown(visit: Visit, asked: Asked, found: Differences) -> dict[str, Any]:
    between = found.between
    shown = Paginator(found.found, LINES_SHOWN_MAX).get_page(visit.request.GET.get("page"))
    lines = difference_lines(list(shown.object_list), between, visit.zone)
    parts: dict[bool | None, list[Shown]] = {True: [], None: [], False: []}
    for line in lines:
        parts[line.difference.reaches_back].append(
            Shown(line, _address(visit, line), "; ".join(_differs(visit, line.difference.spans)))
        )
    # The second state of knowledge is pinned, so that the pages of one answer agree.
    pinned = {**asked.values, "to_known": str(between.last)}
    return {
        "between": between,
        "before": show_time(between.reaches_back_before, visit.zone),
        "newest": ", the newest" if between.at_head else "",
        "parts": [
            ("back", parts[True], found.counted(True)),
            ("undated", parts[None], found.counted(None)),
            ("rest", parts[False], found.counted(False)),
        ],
        "nothing": not found.found,
        "taken_back": found.taken_back,
        "shown": shown,
        "keep_query": _query(pinned),
        "sheet_query": _query({**pinned, "sheet": "yes"}),
    }


def _differs(visit: Visit, spans: Sequence[Span]) -> list[str]:
    """Return when two beliefs differ, in words."""
    told = []
    for span in spans:
        begin = show_time(span.begin, visit.zone)
        if span.end is None:
            told.append(f"from {begin} on")
        elif span.end == span.begin:
            told.append(f"at {begin}")
        else:
            told.append(f"from {begin} to {show_time(span.end, visit.zone)}")
    return told


# The pages of things; what is of the catalogue has none that tells more.
PAGES = {Kind.ACCOUNT: "account", Kind.LOCATION: "location", Kind.CABINET: "cabinet", Kind.DEVICE: "device"}


def _address(visit: Visit, line: DifferenceLine) -> str:
    """Return the address of the thing, blank where it has none or it may be out of sight by now."""
    name = PAGES.get(line.difference.kind)
    fixed = line.difference.kind in (Kind.ACCOUNT, Kind.LOCATION)
    seen = name is not None and (fixed or visit.scope.everywhere)
    return reverse(f"admin:{name}", args=[line.difference.thing]) if seen else ""


def _query(values: Mapping[str, str]) -> str:
    query = QueryDict(mutable=True)
    query.update({name: value for name, value in values.items() if value})
    return query.urlencode()
