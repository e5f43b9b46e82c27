"""Putting history right: a period recorded wrongly is moved, changed or taken out, with its neighbours."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._corrections import (
    cleaned_facts,
    refuse_contradictions,
    refuse_impossible_facts,
    refuse_overlaps_elsewhere,
)
from registry.actions._devices import store_of
from registry.actions._splits import new_split
from registry.actions._steps import depot_of_device
from registry.actions._steps import history as history_of
from registry.models import (
    Account,
    Cabinet,
    CabinetWhereabouts,
    DeviceWhereabouts,
    Location,
    Split,
)
from registry.models.base import PeriodVersion, Record
from registry.queries.periods import (
    Planned,
    find_period,
    histories,
    planned_correction,
    planned_withdrawal,
)
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.periods import Period, require_past
from registry.rules.roles import Act
from registry.rules.splits import Share
from registry.rules.texts import clean_note
from registry.rules.whereabouts import DevicePlace

KEEP: Any = object()  # "leave this bound as it is"; None would mean "still"


@action(Act.CORRECT_HISTORY)
def correct_period(
    writing: Writing,
    *,
    history: str,
    period_id: UUID,
    reason: str,
    valid_from: datetime = KEEP,
    valid_to: datetime | None = KEEP,
    starts_known_by: bool | None = None,
    facts: Mapping[str, object] | None = None,
) -> PeriodVersion:
    """Correct a period's bounds or facts; a neighbour that touches a moved boundary moves with it.

    A start that moves is exact unless `starts_known_by` says otherwise; one that stays may become so.
    `history` is a table's name in the ledger (queries.periods.histories); `planned_correction` shows
    beforehand which neighbours change. Returns the period as it is believed from now on. Raises RuleBroken
    REASON_MISSING, NOTHING_CHANGES, NEIGHBOUR_SWALLOWED, OVERLAPPING_HISTORY, PERIOD_SUPERSEDED,
    TIME_IN_FUTURE, SLOT_TAKEN, CODE_TAKEN, SENSOR_COUNT_MISMATCH, LOCATION_CLOSED, LOCATION_OCCUPIED,
    BEFORE_KNOWN, VALUE_INVALID, NOT_FOUND.
    """
    _require_reason(reason)
    period = _period_in_sight(writing, history, period_id)
    start = period.valid_from if valid_from is KEEP else valid_from
    end = period.valid_to if valid_to is KEEP else valid_to
    require_past(start, writing.now, "valid_from")
    if end is not None:
        require_past(end, writing.now, "valid_to")
    values, shares = cleaned_facts(writing, period, facts or {})
    planned = [Planned(period, period.as_period(), Period(start, end))]
    if planned[0].after != planned[0].before:
        planned = planned_correction(period, start, end, follow_slot=not {"cabinet_id", "slot"} & set(values))
    elif not values and shares is None and starts_known_by in (None, period.starts_known_by):
        raise RuleBroken(Code.NOTHING_CHANGES, "The register already says so.", field="period")
    if period.valid_from != start or starts_known_by is not None:
        values["starts_known_by"] = bool(starts_known_by)
    about = _about(writing, [plan.version for plan in planned])
    corrected = _write(writing, period, planned, values, shares)
    about |= _about(writing, [corrected], part="now_")
    writing.tell(Verb.PERIOD_CORRECTED, writing.now, about, reason=reason)
    return corrected


@action(Act.CORRECT_HISTORY)
def withdraw_period(writing: Writing, *, history: str, period_id: UUID, reason: str) -> None:
    """Take out a period which never was; what held before it, if they touched, runs on over the gap.

    Raises RuleBroken REASON_MISSING, OVERLAPPING_HISTORY where nothing would be left, and as
    `correct_period` does.
    """
    _require_reason(reason)
    period = _period_in_sight(writing, history, period_id)
    planned = planned_withdrawal(period)
    about = _about(writing, [plan.version for plan in planned])
    _write(writing, period, planned, {}, None)
    writing.tell(Verb.PERIOD_WITHDRAWN, writing.now, about, reason=reason)


def _require_reason(reason: str) -> None:
    if not clean_note(reason, "reason"):
        raise RuleBroken(Code.REASON_MISSING, "Say why the history is put right.", field="reason")


def _write(
    writing: Writing,
    period: PeriodVersion,
    planned: Sequence[Planned],
    values: Mapping[str, object],
    shares: Sequence[Share] | None,
) -> PeriodVersion:
    """Supersede every changed version, insert what takes its place, and look for contradictions."""
    fresh = [
        (plan.version, _bounds(plan.version, plan.after) | (dict(values) if plan.version == period else {}))
        for plan in planned
        if plan.after is not None
    ]
    refuse_impossible_facts(fresh)
    refuse_overlaps_elsewhere(fresh)
    for plan in planned:
        writing.supersede(plan.version)
    corrected = period
    for version, new in fresh:
        if version == period and shares is not None:
            corrected = _insert_split(writing, version, new, shares)
        else:
            written = writing.insert_again(version, **new)
            corrected = written if version == period else corrected
    for thing_id in {getattr(plan.version, f"{period.history_of}_id") for plan in planned}:
        refuse_contradictions(type(period), thing_id)
    return corrected


def _insert_split(
    writing: Writing, old: PeriodVersion, new: Mapping[str, object], shares: Sequence[Share]
) -> PeriodVersion:
    if not isinstance(old, Split):
        raise TypeError("shares belong to a split")
    split, _ = new_split(writing, old.cabinet, shares)
    split.period = old.period
    for name, value in {"valid_from": old.valid_from, "valid_to": old.valid_to, **new}.items():
        setattr(split, name, value)
    return writing.insert(split)


def _bounds(version: PeriodVersion, after: Period | None) -> dict[str, object]:
    if after is None:
        return {}
    values: dict[str, object] = {"valid_from": after.valid_from, "valid_to": after.valid_to}
    if after.valid_from != version.valid_from:
        values["starts_known_by"] = False
    if (
        isinstance(version, DeviceWhereabouts)
        and version.place == DevicePlace.CABINET
        and after.valid_to is None
    ):
        values |= {"end_reason": "", "end_note": ""}  # it runs again, so nothing ended it
    return values


def _about(
    writing: Writing, versions: Sequence[PeriodVersion], part: str = ""
) -> dict[str, Record | Sequence[Record] | None]:
    """Return what the periods are about, having checked that their depots are the actor's."""
    found: dict[str, dict[UUID, Record]] = {}
    for version in versions:
        _require_depots(writing, version)
        for name, model in (("cabinet", Cabinet), ("location", Location), ("account", Account)):
            thing = getattr(version, name, None)
            if isinstance(thing, model):
                found.setdefault(part + name, {})[thing.pk] = thing
        # Told at the store where the cabinet stood then, wherever it stands now.
        store = store_of(getattr(version, "cabinet", None), version.valid_from)
        if store is not None:
            found.setdefault(f"{part}location", {})[store.pk] = store
    subjects = {getattr(version, version.history_of) for version in versions}
    about: dict[str, Record | Sequence[Record] | None] = {
        name: list(things.values()) for name, things in found.items()
    }
    if not part:
        first = getattr(versions[0], versions[0].history_of)
        about["subject"] = [first, *sorted(subjects - {first}, key=lambda thing: thing.label)]
    return about


def _period_in_sight(writing: Writing, history: str, period_id: UUID) -> PeriodVersion:
    """Return the current version of a period; a hidden one is absent, before anything else could tell."""
    model = histories().get(history)
    last = model.objects.filter(period=period_id).order_by("recorded_id").last() if model else None
    if last is not None:
        _require_depots(writing, last)
    return find_period(history, period_id)


def _require_depots(writing: Writing, version: PeriodVersion) -> None:
    if isinstance(version, DeviceWhereabouts):
        writing.require_depot(depot_of_device(version, version.valid_from), "period")
    elif isinstance(version, CabinetWhereabouts):
        writing.require_depot(version.answering_depot_id(), "period")
    elif isinstance(version, Split):
        stays = history_of(CabinetWhereabouts, version.cabinet_id)
        writing.require_depot(stays[-1].answering_depot_id(), "period")
    else:
        location = getattr(version, "location", None)
        if isinstance(location, Location):
            writing.require_depot(location.depot_id, "period")
