"""What somebody may mean while typing a code: answered to the type-ahead of the forms."""

from collections.abc import Iterable
from typing import Any

from django.db.models import Q
from django.http import HttpResponse, JsonResponse

from registry.console._choices import store_name
from registry.console._histories import stay_words
from registry.console._pages import Visit, page
from registry.models import Cabinet, LocationHolding
from registry.queries.cabinets import cabinets_as_known, cabinets_in
from registry.queries.devices import Assignable, suggest
from registry.rules.identifiers import SuggestionKind
from registry.rules.roles import Act

TYPED_LENGTH_MAX = 500  # characters, as of a scan
OFFERED_MAX = 8  # stores or cabinets at a time

SLIPS = {
    SuggestionKind.EXACT: "as typed",
    SuggestionKind.CONFUSION: "characters that look alike",
    SuggestionKind.SWAP: "two characters swapped",
    SuggestionKind.MISSING: "something left out",
    SuggestionKind.EXTRA: "something too much",
    SuggestionKind.SUBSTITUTION: "one wrong character",
}


@page(reads=Act.ASSIGN_DEVICE)
def devices(visit: Visit) -> HttpResponse:
    """Suggest devices that this person could assign: those that begin so, apart from those a slip away."""
    found = suggest(_typed(visit), visit.scope)
    groups = [_group("begins so", map(_device, found.exact))]
    for slip in dict.fromkeys(near.slip for near in found.near):
        alike = [near for near in found.near if near.slip is slip]
        groups.append(_group(f"one slip away: {SLIPS[slip]}", map(_device, alike)))
    return _answer(groups)


@page
def locations(visit: Visit) -> HttpResponse:
    """Suggest stores by account and number, or by any part of their name or place."""
    typed = _typed(visit)
    words = typed.split()
    if not words:
        return _answer([])
    held = LocationHolding.objects.current().filter(valid_to=None)
    if not visit.scope.everywhere:
        held = held.filter(location__depot__in=visit.scope.depots)
    named = Q(account__code__istartswith=words[0]) & (
        Q(store_number__istartswith=words[1]) if len(words) > 1 else Q()
    )
    called = Q()
    for word in words:
        called &= Q(location__name__icontains=word) | Q(location__locality__icontains=word)
    rows = held.filter(named | called).select_related("account", "location")
    offered = rows.order_by("account__code", "store_number", "id")[:OFFERED_MAX]
    return _answer(
        [_group("stores", ({"value": store_name(row), "words": row.location.label} for row in offered))]
    )


@page
def cabinets(visit: Visit) -> HttpResponse:
    """Suggest cabinets by any part of their tag, with where they stand."""
    typed = _typed(visit).upper()
    rows = cabinets_in(visit.present, visit.scope).filter(asset_tag__contains=typed)
    found: list[Cabinet] = list(rows.order_by("asset_tag")[:OFFERED_MAX]) if typed else []
    offered = (
        {"value": at.cabinet.asset_tag, "words": f"{at.cabinet.model.name}, {stay_words(at.stay)}"}
        for at in cabinets_as_known(found, visit.present)
    )
    return _answer([_group("cabinets", offered)])


def _typed(visit: Visit) -> str:
    return visit.request.GET.get("q", "").replace("\0", "").strip()[:TYPED_LENGTH_MAX]


def _device(found: Assignable) -> dict[str, str]:
    model = found.device.model
    return {
        "value": found.device.serial,
        "words": f"{model.name}, {model.sensor_count} sensors, waits in {found.place_words}",
    }


def _group(words: str, options: Iterable[dict[str, str]]) -> dict[str, Any]:
    return {"words": words, "options": list(options)}


def _answer(groups: list[dict[str, Any]]) -> HttpResponse:
    return JsonResponse({"groups": [group for group in groups if group["options"]]})
