"""Cabinets as of V, as known at R: where each stood, and how it was split."""

from dataclasses import dataclass
from uuid import UUID

from django.db.models import Prefetch

from registry.models import Cabinet, CabinetWhereabouts, Split, SplitShare
from registry.queries._access import within
from registry.queries.moments import Moment
from registry.queries.records import records_known_at
from registry.rules.roles import Scope
from registry.rules.splits import percent_text


@dataclass(frozen=True, slots=True)
class CabinetAt:
    """A cabinet as known at R, its stay at V, and its shares at V as (product name, percentage)."""

    cabinet: Cabinet
    stay: CabinetWhereabouts
    shares: tuple[tuple[str, str], ...]


def cabinets_at(
    moment: Moment, scope: Scope | None = None, *, location_id: UUID | None = None
) -> list[CabinetAt]:
    """Return the cabinets that were somewhere at V as the register knew at R, by asset tag."""
    stays = CabinetWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    if location_id is not None:
        stays = stays.filter(location=location_id)
    seen = within(stays.select_related("location", "depot"), scope, "location__depot", "depot")
    stay_of: dict[UUID, CabinetWhereabouts] = {stay.cabinet_id: stay for stay in seen}
    ordered_shares = Prefetch(
        "shares", queryset=SplitShare.objects.select_related("product").order_by("position")
    )
    splits = (
        Split.objects.believed_at(moment.index).valid_at(moment.valid_at).filter(cabinet__in=list(stay_of))
    )
    shares_of = {
        split.cabinet_id: tuple(
            (share.product.name, percent_text(share.hundredths)) for share in split.shares.all()
        )
        for split in splits.prefetch_related(ordered_shares)
    }
    known = records_known_at(Cabinet, moment.index, stay_of)
    return sorted(
        (CabinetAt(cabinet, stay_of[key], shares_of.get(key, ())) for key, cabinet in known.items()),
        key=lambda at: at.cabinet.asset_tag,
    )
