"""Histories by name, and what a correction would change: shown before it is made."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Prefetch, QuerySet, prefetch_related_objects

from registry.ledger.images import ledgered_models, table_name
from registry.models import DeviceWhereabouts, Product, Split, SplitShare
from registry.models.base import PeriodQuerySet, PeriodVersion
from registry.queries.accounts import accounts_in
from registry.queries.assignments import devices_in
from registry.queries.cabinets import cabinets_in
from registry.queries.locations import locations_in
from registry.queries.moments import Moment
from registry.queries.records import refer_as_known
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.periods import Change, Period, Stretch, plan_new_bounds, plan_withdrawal, show
from registry.rules.roles import Scope

_ENTRY_KEYS = frozenset({"recorded", "superseded"})


def histories() -> dict[str, type[PeriodVersion]]:
    """Return the dated tables by the name under which the ledger speaks of them."""
    return {table_name(model): model for model in ledgered_models() if issubclass(model, PeriodVersion)}


def find_period(history: str, period_id: UUID) -> PeriodVersion:
    """Return the current version of a period; raises RuleBroken NOT_FOUND or PERIOD_SUPERSEDED."""
    model = histories().get(history)
    if model is None:
        raise RuleBroken(
            Code.NOT_FOUND,
            f"There is no history {history!r}. Use one of {', '.join(histories())}.",
            field="history",
        )
    found: PeriodVersion | None = model.objects.current().filter(period=period_id).first()
    if found is not None:
        return found
    known = model.objects.filter(period=period_id).exists()
    raise RuleBroken(
        Code.PERIOD_SUPERSEDED if known else Code.NOT_FOUND,
        "This period was withdrawn. Look again." if known else "There is no such period. Look it up again.",
        field="period",
    )


# --- reading -----------------------------------------------------------------------------------------


def periods_in(history: str, moment: Moment, scope: Scope) -> PeriodQuerySet:
    """Return the periods of a history as believed at R, whenever they ran, in no order.

    Those only of things that the scope's depots let see at the moment; none for a history that there is
    not.
    """
    model = histories().get(history)
    if model is None:
        return DeviceWhereabouts.objects.none()
    things: dict[str, Callable[[], QuerySet[Any]]] = {
        "account": lambda: accounts_in(moment),
        "location": lambda: locations_in(moment, scope),
        "cabinet": lambda: cabinets_in(moment, scope),
        "device": lambda: devices_in(moment, scope),
    }
    seen = {f"{model.history_of}__in": things[model.history_of]().values("pk")}
    return model.objects.believed_at(moment.index).filter(**seen)


def periods_as_known(rows: Iterable[PeriodVersion], moment: Moment) -> list[PeriodVersion]:
    """Return periods of one history that were read, in their order, with what they refer to as known at R.

    A query for each kind of thing to which such periods refer, one more for the shares of splits; and two
    more for each kind of which one was revised since.
    """
    periods = list(rows)
    if not periods:
        return periods
    splits = [period for period in periods if isinstance(period, Split)]
    if splits:
        prefetch_related_objects(splits, Prefetch("shares", SplitShare.objects.order_by("position")))
        shares = [share for split in splits for share in split.shares.all()]
        refer_as_known(shares, moment.index, product=Product)
    refer_as_known(periods, moment.index, **_refers(type(periods[0])))
    return periods


def period_at(history: str, period_id: UUID, moment: Moment, scope: Scope) -> PeriodVersion:
    """Return one period as believed at R; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    for period in periods_as_known(periods_in(history, moment, scope).filter(period=period_id), moment):
        return period
    raise absent("period")


def _refers(model: type[PeriodVersion]) -> dict[str, Any]:
    """Return the columns of a history that refer to things, and the things' models."""
    return {
        field.name: field.related_model
        for field in model._meta.fields
        if field.is_relation and field.name not in _ENTRY_KEYS
    }


def current_history(model: type[PeriodVersion], thing_id: UUID) -> list[PeriodVersion]:
    """Return the current periods of one thing, earliest first, with what they refer to."""
    related = list(_refers(model))
    periods = model.objects.current().filter(**{model.history_of: thing_id})
    return list(periods.select_related(*related).order_by("valid_from"))


# --- planning ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Planned:
    """What a correction would do to one period; `after` None takes it out of the history."""

    version: PeriodVersion
    before: Period
    after: Period | None

    @property
    def identity(self) -> UUID:
        """The period's stable identity."""
        return self.version.period


def planned_correction(
    period: PeriodVersion, valid_from: datetime, valid_to: datetime | None, *, follow_slot: bool = True
) -> list[Planned]:
    """Return what new bounds would change: the period first, then every neighbour that moves with it.

    In a swap one device's end is the other's start, so with `follow_slot` the device that touched the
    moved boundary in the same slot moves too. Raises RuleBroken as the rule does.
    """
    planned: dict[UUID, Planned] = {}
    _plan_bounds(planned, period, valid_from, valid_to)
    if follow_slot:
        for own in list(planned.values()):
            _plan_slot_neighbours(planned, own)
    return list(planned.values())


def planned_withdrawal(period: PeriodVersion) -> list[Planned]:
    """Return what taking a period out would change; raises RuleBroken as the rule does."""
    return _planned(period, plan_withdrawal(_stretches(period), period.period))


def _planned(period: PeriodVersion, changes: Sequence[Change]) -> list[Planned]:
    versions = {version.period: version for version in _history_around(period)}
    return [Planned(versions[change.identity], change.before, change.after) for change in changes]


def _plan_bounds(
    planned: dict[UUID, Planned], period: PeriodVersion, valid_from: datetime, valid_to: datetime | None
) -> None:
    """Add what new bounds change to what is planned already: one period may move at both of its ends."""
    stretches = []
    for stretch in _stretches(period):
        plan = planned.get(stretch.identity)
        stretches.append(
            Stretch(stretch.identity, plan.after, stretch.label) if plan and plan.after else stretch
        )
    for plan in _planned(period, plan_new_bounds(stretches, period.period, valid_from, valid_to)):
        first = planned.get(plan.identity, plan)
        planned[plan.identity] = Planned(first.version, first.before, plan.after)


def _plan_slot_neighbours(planned: dict[UUID, Planned], own: Planned) -> None:
    """Add what moves in the histories of other devices because they touched in the same slot."""
    if not isinstance(own.version, DeviceWhereabouts) or own.version.cabinet_id is None or own.after is None:
        return
    others = (
        DeviceWhereabouts.objects.current()
        .filter(cabinet=own.version.cabinet_id, slot=own.version.slot)
        .exclude(device=own.version.device_id)
    )
    if own.before.valid_from != own.after.valid_from:
        for other in others.filter(valid_to=own.before.valid_from):
            start = _as_planned(planned, other).valid_from
            _plan_bounds_of_other(planned, other, start, own.after.valid_from, "valid_from")
    if own.before.valid_to is not None and own.after.valid_to not in (None, own.before.valid_to):
        for other in others.filter(valid_from=own.before.valid_to):
            end = _as_planned(planned, other).valid_to
            _plan_bounds_of_other(planned, other, own.after.valid_to, end, "valid_to")


def _as_planned(planned: dict[UUID, Planned], version: PeriodVersion) -> Period:
    """Return a period's bounds as planned so far: a device swapped in and out again moves at both ends."""
    plan = planned.get(version.period)
    return plan.after if plan and plan.after else version.as_period()


def _plan_bounds_of_other(
    planned: dict[UUID, Planned],
    other: DeviceWhereabouts,
    valid_from: datetime,
    valid_to: datetime | None,
    field: str,
) -> None:
    """Add new bounds of another device's period; raises RuleBroken NEIGHBOUR_SWALLOWED for none."""
    if valid_to is not None and valid_to <= valid_from:
        raise RuleBroken(
            Code.NEIGHBOUR_SWALLOWED,
            f"Nothing would be left of device {other.device.serial} in this slot, which hung from"
            f" {show(other.valid_from)}. Choose another time, or withdraw that period first.",
            field=field,
            details={"period": str(other.period)},
        )
    _plan_bounds(planned, other, valid_from, valid_to)


def _history_around(period: PeriodVersion) -> list[PeriodVersion]:
    return current_history(type(period), getattr(period, f"{period.history_of}_id"))


def _stretches(period: PeriodVersion) -> list[Stretch]:
    return [version.as_stretch(place_words(version)) for version in _history_around(period)]


def place_words(version: PeriodVersion) -> str:
    """Return what a period of a history is called in a refusal."""
    for name in ("cabinet", "location", "staff", "depot", "account"):
        if name != version.history_of and getattr(version, f"{name}_id", None):
            thing = getattr(version, name)
            return f"van of {thing.name}" if name == "staff" else f"{name} {thing.label}"
    return str(getattr(version, "state", "") or version._meta.verbose_name)
