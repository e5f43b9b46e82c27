"""Counts: the list of them, one with its places or its variance, the sheet to print, and the draw again."""

from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.urls import reverse

from registry.actions import counts
from registry.console._choices import zone_of_depots, zone_of_person
from registry.console._pages import Button, Visit, page
from registry.models import Count
from registry.queries.counts import (
    Difference,
    Variance,
    count_now,
    counts_in,
    lines_of,
    lot_of,
    redraw,
    sheet_of,
    sheet_to_fill,
    variance_of,
    words_of_plan,
)
from registry.rules.counts import CountState, DifferenceKind, Outcome
from registry.rules.errors import absent
from registry.rules.roles import Act
from registry.rules.sampling import rate_text
from registry.rules.sheets import MEDIA_TYPE

COUNTS_SHOWN = 50  # on one page


def address_of(key: UUID) -> str:
    """Return the address of a count's page."""
    return reverse("admin:count", args=[key])


def trail(*steps: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the way from the front page to something of a count."""
    return [("Counts", reverse("admin:counts")), *steps]


def trail_of(count: Count) -> list[tuple[str, str]]:
    """Return the way to something of one count."""
    return trail((count.name, address_of(count.pk)))


def in_sight(visit: Visit, key: UUID) -> Count:
    """Return a count, and tell the page's times in the zone of its depot; raises RuleBroken NOT_FOUND."""
    count = count_now(key, visit.scope)
    visit.in_zone(zone_of_depots(None if count.depot_id is None else [count.depot_id]))
    return count


@page(reads=Act.COUNT)
def index(visit: Visit) -> HttpResponse:
    """List the counts, the newest first."""
    visit.in_zone(zone_of_person(visit))
    rows = counts_in(visit.scope).order_by("-registered", "-id")
    shown = Paginator(rows, COUNTS_SHOWN).get_page(visit.request.GET.get("page"))
    return visit.show(
        "console/counts.html",
        {
            "title": "Counts",
            "shown": shown,
            "buttons": visit.buttons((counts.draw_count, "Draw a sample", reverse("admin:count_draw"))),
            "keep_query": "",
        },
    )


@page(reads=Act.COUNT)
def count(visit: Visit, key: UUID) -> HttpResponse:
    """Show a count: where to look while it is open, how the findings differ once it is closed."""
    one = in_sight(visit, key)
    is_open = one.state == CountState.OPEN
    places = sheet_of(lines_of(one))
    variance = None if is_open else variance_of(one, visit.scope)
    return visit.show(
        "console/count.html",
        {
            "title": one.name,
            "trail": trail(),
            "count": one,
            "is_open": is_open,
            "plan": words_of_plan(one),
            "confidence": rate_text(100 * one.confidence_hundredths),
            "stops": [(place, _place_address(key, place.key)) for place in places],
            "next": next((_place_address(key, place.key) for place in places if not place.done), ""),
            "places_done": sum(place.done for place in places),
            "buttons": _buttons(visit, one),
            "variance": variance,
            "outcomes": _outcomes(variance) if variance else [],
            "is_decided": any(each.item.decision for each in variance.differences) if variance else False,
            "differences": [
                (each, _judgements(visit, key, each), _place_address(key, each.item.holder_id))
                for each in (variance.differences if variance else [])
            ],
        },
    )


def _place_address(key: UUID, holder: UUID) -> str:
    return reverse("admin:count_place", args=[key, holder])


def _buttons(visit: Visit, one: Count) -> list[Button]:
    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[one.pk])

    sheet = [Button("Sheet to print", to("count_sheet")), Button("Sheet as CSV", to("count_csv"))]
    if one.state == CountState.OPEN:
        return [*sheet, *visit.buttons((counts.close_count, "Close", to("count_close")))]
    return [Button("Draw again", to("count_redraw")), Button("The frozen list", to("count_lot")), *sheet]


def _judgements(visit: Visit, key: UUID, difference: Difference) -> list[Button]:
    """Return what this person may decide: not on what they counted."""
    if difference.item.decision or visit.staff.pk in difference.counters:
        return []

    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[key, difference.item.pk])

    offers = [(counts.dismiss_difference, "Dismiss", to("count_dismiss"))]
    if difference.item.device_id is not None and difference.kind is not DifferenceKind.NOT_COUNTED:
        offers = [(counts.accept_difference, "Accept", to("count_accept")), *offers]
    return visit.buttons(*offers)


def _outcomes(variance: Variance) -> list[tuple[str, Outcome, dict[str, str]]]:
    """Return (heading, outcome, rates): as counted, then, where they differ, after the decisions."""
    found = [("As counted", variance.counted)]
    if variance.decided.dismissed:
        found.append(("After the decisions", variance.decided))
    return [(words, told, _rates(told)) for words, told in found]


def _rates(told: Outcome) -> dict[str, str]:
    """Return the rate of wrong ones and its limits, as percentages of two decimals: each limit outwards."""
    low, high = told.two_sided_ppm
    return {
        "found": rate_text(round(10_000 * told.wrong / told.sample_size) * 100),
        "upper": rate_text(-(-told.upper_ppm // 100) * 100),
        "low": rate_text(low // 100 * 100),
        "high": rate_text(-(-high // 100) * 100),
    }


@page(reads=Act.COUNT)
def sheet(visit: Visit, key: UUID) -> HttpResponse:
    """Show the blind sheet, to print: where to go, and blank lines."""
    one = in_sight(visit, key)
    return visit.show(
        "console/count_sheet.html",
        {
            "title": f"Sheet of {one.name}",
            "trail": trail_of(one),
            "count": one,
            "stops": sheet_of(lines_of(one)),
        },
    )


@page(reads=Act.COUNT)
def sheet_csv(visit: Visit, key: UUID) -> HttpResponse:
    """Return the blind sheet for a spreadsheet (RFC 4180): a row for each place, to be filled in."""
    one = in_sight(visit, key)
    return _download(sheet_to_fill(one), MEDIA_TYPE, f"count-{one.registered_id}.csv")


def _closed(visit: Visit, key: UUID) -> Count:
    """Return a closed count: while one is open, nothing that tells what is expected is there."""
    one = in_sight(visit, key)
    if one.state == CountState.OPEN:
        raise absent("count")
    return one


@page(reads=Act.COUNT)
def again(visit: Visit, key: UUID) -> HttpResponse:
    """Draw again from the register as it was known, and say whether list and sample are the same."""
    one = _closed(visit, key)
    drawn = redraw(one)
    return visit.show(
        "console/count_again.html",
        {
            "title": "Draw again",
            "trail": trail_of(one),
            "count": one,
            "drawn": drawn,
            "strata": [(name, size, drawn.allocation[name]) for name, size in drawn.sizes.items()],
        },
    )


@page(reads=Act.COUNT)
def lot(visit: Visit, key: UUID) -> HttpResponse:
    """Return the frozen list of a closed count, a line a device, so that others can repeat the draw."""
    one = _closed(visit, key)
    text = "".join(f"{line}\n" for line in lot_of(one).lines())
    return _download(text, "text/plain", f"count-{one.registered_id}-list.txt")


def _download(text: str, kind: str, name: str) -> HttpResponse:
    answer: dict[str, Any] = {"Content-Disposition": f'attachment; filename="{name}"'}
    return HttpResponse(text, content_type=f"{kind}; charset=utf-8", headers=answer)
