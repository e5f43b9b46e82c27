"""Cabinets as of V, as known at R: where each stood, and how it was split."""

from dataclasses import dataclass
from uuid import UUID

from django.db.models import Prefetch

from registry.models import Cabinet, CabinetWhereabouts, Depot, Location, Product, Split, SplitShare
from registry.queries.moments import Moment
from registry.queries.records import records_known_at, refer_as_known
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
    """Return the cabinets that were somewhere at V as the register knew at R, by asset tag.

    Those of the scope's depots only; depots, locations and products as the register knew them at R.
    Seven queries, and two more for each kind of thing of which one was revised since.
    """
    stays = CabinetWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    if location_id is not None:
        stays = stays.filter(location=location_id)
    stay_of: dict[UUID, CabinetWhereabouts] = {stay.cabinet_id: stay for stay in stays}
    refer_as_known(stay_of.values(), moment.index, location=Location, depot=Depot)
    if scope is not None:
        stay_of = {key: stay for key, stay in stay_of.items() if scope.covers(stay.answering_depot_id())}
    splits = list(
        Split.objects.believed_at(moment.index)
        .valid_at(moment.valid_at)
        .filter(cabinet__in=list(stay_of))
        .prefetch_related(Prefetch("shares", queryset=SplitShare.objects.order_by("position")))
    )
    refer_as_known([share for split in splits for share in split.shares.all()], moment.index, product=Product)
    shares_of = {
        split.cabinet_id: tuple(
            (share.product.name, percent_text(share.hundredths)) for share in split.shares.all()
        )
        for split in splits
    }
    known = records_known_at(Cabinet, moment.index, stay_of)
    return sorted(
        (CabinetAt(cabinet, stay_of[key], shares_of.get(key, ())) for key, cabinet in known.items()),
        key=lambda at: at.cabinet.asset_tag,
    )
