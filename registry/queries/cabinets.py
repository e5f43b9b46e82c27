"""Cabinets as of V, as known at R: where each stood, how it was split, and what hung in it."""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Prefetch, Q, QuerySet

from registry.models import (
    Cabinet,
    CabinetModel,
    CabinetWhereabouts,
    Depot,
    Device,
    DeviceWhereabouts,
    Location,
    Product,
    Split,
    SplitShare,
)
from registry.queries.moments import Moment
from registry.queries.records import as_known, refer_as_known
from registry.rules.errors import absent
from registry.rules.roles import Scope
from registry.rules.splits import percent_text
from registry.rules.whereabouts import CabinetPlace


@dataclass(frozen=True, slots=True)
class CabinetAt:
    """A cabinet as known at R, its stay at V, its split and its shares as (product name, percentage).

    `hanging` are the assignments that ran at V, by slot.
    """

    cabinet: Cabinet
    stay: CabinetWhereabouts
    split: Split | None
    hanging: tuple[DeviceWhereabouts, ...]

    @property
    def shares(self) -> tuple[tuple[str, str], ...]:
        """The shares left to right, which have been read already."""
        shares = self.split.shares.all() if self.split else ()
        return tuple((share.product.name, percent_text(share.hundredths)) for share in shares)


def stay_words(stay: CabinetWhereabouts) -> str:
    """Return where a cabinet stood, in words; what the stay refers to has been read already."""
    if stay.location is not None:
        return stay.location.label
    depot = stay.depot.label if stay.depot else ""
    return f"scrapped, by depot {depot}" if stay.place == CabinetPlace.SCRAPPED else f"depot {depot}"


def stays_in(moment: Moment, scope: Scope) -> "QuerySet[CabinetWhereabouts]":
    """Return where cabinets were at V as known at R, for which the scope's depots answer today."""
    stays = CabinetWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    if scope.everywhere:
        return stays
    return stays.filter(Q(depot__in=scope.depots) | Q(location__depot__in=scope.depots))


def cabinets_in(moment: Moment, scope: Scope) -> "QuerySet[Cabinet]":
    """Return the cabinets that were somewhere at V as the register knew at R, in no order.

    Those only that stood then where the scope's depots answer.
    """
    return Cabinet.objects.filter(pk__in=stays_in(moment, scope).values("cabinet"))


def cabinets_as_known(rows: Iterable[Cabinet], moment: Moment) -> list[CabinetAt]:
    """Return cabinets that were read, in their order, as of V as known at R.

    Depots, locations, products, models and devices as the register knew them at R, too. Nine queries, and
    two more for each kind of thing of which one was revised since.
    """
    known = as_known(rows, moment.index)
    refer_as_known(known, moment.index, model=CabinetModel)
    stays = CabinetWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    stay_of: dict[UUID, CabinetWhereabouts] = {
        stay.cabinet_id: stay for stay in stays.filter(cabinet__in=known)
    }
    refer_as_known(stay_of.values(), moment.index, location=Location, depot=Depot)
    splits: list[Split] = list(
        Split.objects.believed_at(moment.index)
        .valid_at(moment.valid_at)
        .filter(cabinet__in=known)
        .prefetch_related(Prefetch("shares", queryset=SplitShare.objects.order_by("position")))
    )
    refer_as_known([share for split in splits for share in split.shares.all()], moment.index, product=Product)
    split_of = {split.cabinet_id: split for split in splits}
    hanging: dict[UUID, list[DeviceWhereabouts]] = {}
    assigned = DeviceWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    for place in assigned.filter(cabinet__in=known).order_by("slot", "id"):
        hanging.setdefault(place.cabinet_id, []).append(place)
    refer_as_known([place for places in hanging.values() for place in places], moment.index, device=Device)
    return [
        CabinetAt(cabinet, stay_of[cabinet.pk], split_of.get(cabinet.pk), tuple(hanging.get(cabinet.pk, ())))
        for cabinet in known
    ]


def cabinets_at(
    moment: Moment, scope: Scope | None = None, *, location_id: UUID | None = None
) -> list[CabinetAt]:
    """Return the cabinets that were somewhere at V as the register knew at R, by asset tag.

    Those of the scope's depots only, by the depot that a location was known to have at R.
    """
    stays = stays_in(moment, Scope.of_all())
    if location_id is not None:
        stays = stays.filter(location=location_id)
    everything = cabinets_as_known(Cabinet.objects.filter(pk__in=stays.values("cabinet")), moment)
    return sorted(
        (at for at in everything if scope is None or scope.covers(at.stay.answering_depot_id())),
        key=lambda at: at.cabinet.asset_tag,
    )


def cabinet_at(cabinet_id: UUID, moment: Moment, scope: Scope) -> CabinetAt:
    """Return one cabinet as of V as known at R; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    for at in cabinets_as_known(cabinets_in(moment, scope).filter(pk=cabinet_id), moment):
        return at
    raise absent("cabinet")
