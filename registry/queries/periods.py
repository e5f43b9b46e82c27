"""Histories by name, and what a correction would change: shown before it is made."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from registry.ledger.images import ledgered_models, table_name
from registry.models import DeviceWhereabouts
from registry.models.base import PeriodVersion
from registry.rules.errors import Code, RuleBroken
from registry.rules.periods import Change, Period, Stretch, plan_new_bounds, plan_withdrawal, show

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


def current_history(model: type[PeriodVersion], thing_id: UUID) -> list[PeriodVersion]:
    """Return the current periods of one thing, earliest first, with what they refer to."""
    related = [
        field.name for field in model._meta.fields if field.is_relation and field.name not in _ENTRY_KEYS
    ]
    periods = model.objects.current().filter(**{model.history_of: thing_id})
    return list(periods.select_related(*related).order_by("valid_from"))


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
            return f"{name} {thing.label}"
    return str(getattr(version, "state", "") or version._meta.verbose_name)
