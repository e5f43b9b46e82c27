"""Histories by name, and what a correction would change: shown before it is made."""

from datetime import datetime
from uuid import UUID

from registry.ledger.images import ledgered_models, table_name
from registry.models.base import PeriodVersion
from registry.rules.errors import Code, RuleBroken
from registry.rules.periods import Change, Stretch, plan_new_bounds, plan_withdrawal

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


def planned_correction(
    period: PeriodVersion, valid_from: datetime, valid_to: datetime | None
) -> list[Change]:
    """Return what new bounds would change, neighbours included; raises RuleBroken as the rule does."""
    return plan_new_bounds(_stretches(period), period.period, valid_from, valid_to)


def planned_withdrawal(period: PeriodVersion) -> list[Change]:
    """Return what taking a period out would change; raises RuleBroken as the rule does."""
    return plan_withdrawal(_stretches(period), period.period)


def _stretches(period: PeriodVersion) -> list[Stretch]:
    thing_id = getattr(period, f"{period.history_of}_id")
    return [version.as_stretch(place_words(version)) for version in current_history(type(period), thing_id)]


def place_words(version: PeriodVersion) -> str:
    """Return what a period of a history is called in a refusal."""
    for name in ("cabinet", "location", "staff", "depot", "account"):
        if name != version.history_of and getattr(version, f"{name}_id", None):
            thing = getattr(version, name)
            return f"{name} {thing.label}"
    return str(getattr(version, "state", "") or version._meta.verbose_name)
