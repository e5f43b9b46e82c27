"""Putting history right: one page for any period of any history, and one for a period that never was."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import periods
from registry.console._choices import (
    cabinet_named,
    depots_of,
    name_of_store,
    people,
    store_named,
    zone_of_stay,
)
from registry.console._forms import (
    Choice,
    KeyChoice,
    PlainForm,
    Reason,
    Text,
    TimeField,
    WholeNumber,
    words_of,
)
from registry.console._histories import stay_words
from registry.console._pages import Visit
from registry.console._splits import SplitForm, initial_shares
from registry.console._times import read_time, type_time
from registry.console._writing import Wish, write, writing
from registry.console.cabinets import suggest
from registry.models import (
    Account,
    AccountState,
    CabinetWhereabouts,
    DeviceWhereabouts,
    Location,
    LocationHolding,
    LocationState,
    Split,
)
from registry.models.base import PeriodVersion
from registry.queries.changes import TABLE_WORDS, show_time
from registry.queries.moments import Moment
from registry.queries.periods import period_at
from registry.queries.traces import holder_words
from registry.rules.accounts import AccountStanding
from registry.rules.errors import RuleBroken
from registry.rules.locations import LocationStanding
from registry.rules.whereabouts import CabinetPlace, DevicePlace, EndReason

EXACT, KNOWN_BY = "exact", "known_by"
STARTS = [(EXACT, "exactly then"), (KNOWN_BY, "no later than then")]
FIELDS = {
    "cabinet_id": "cabinet",
    "location_id": "store",
    "depot_id": "depot",
    "staff_id": "staff",
    "account_id": "account",
    "shares": "percent_1",
    "location": "store",
}
KINDS: dict[str, tuple[str, ...]] = {
    "installation": (
        "cabinet",
        "sensor_order",
        "rail_below_ceiling_mm",
        "offset_from_front_mm",
        "slot",
        "slot_reason",
    ),
    "ending": ("end_reason", "end_note"),
}


class PeriodForm(SplitForm):
    """When a period was, what it says, and why it is put right. Fields that it does not have are left out."""

    cabinet = Text("Cabinet", optional=True, help_text="by its asset tag")
    sensor_order = Text("Ports, left to right", help_text="such as 1 2 3")
    rail_below_ceiling_mm = WholeNumber("Rail below the ceiling, in mm", optional=True)
    offset_from_front_mm = WholeNumber("Rail from the front, in mm", optional=True)
    slot = WholeNumber("Slot")
    slot_reason = Text("Why a second device", optional=True)
    end_reason = Choice("Why it came out", words_of(EndReason))
    end_note = Text("In words", optional=True, lines=2)
    store = Text("Store", optional=True, help_text="by account and number, such as LF 0042")
    depot = KeyChoice("Depot")
    staff = KeyChoice("Van of")
    account = KeyChoice("Account")
    store_number = Text("Store number")
    state = Choice("State", [])
    valid_from = TimeField("From")
    start_is = Choice("It began", STARTS)
    valid_to = TimeField("To", optional=True)
    reason = Reason(optional=False, label="Why it is put right")

    withdrawal: str = ""

    def __init__(self, *args: Any, visit: Visit, period: PeriodVersion, **options: Any) -> None:
        super().__init__(*args, besides=_products_of(period), **options)
        kept = {"valid_from", "start_is", "reason", *_facts_of(period)}
        if period.valid_to is not None:
            kept.add("valid_to")
            self.fields["valid_to"].help_text += "; blank: it runs on"
        for name in list(self.fields):
            splitting = name.startswith(("product_", "percent_"))
            if name not in kept and not (splitting and isinstance(period, Split)):
                del self.fields[name]
        self.period = period
        self.withdrawal = reverse("admin:period_withdraw", args=[_history(period), period.period])
        self.groups = {"When": ("valid_from", "start_is", "valid_to"), "Why": ("reason",)}
        self._offer(visit)

    @property
    def has_split(self) -> bool:
        """Say whether the period is a split."""
        return isinstance(self.period, Split)

    def _offer(self, visit: Visit) -> None:
        offered = {
            "depot": lambda: depots_of(visit),
            "staff": people,
            "account": lambda: [(one.pk, one.label) for one in Account.objects.order_by("code")],
        }
        for name, choices in offered.items():
            if name in self.fields:
                self.fields[name].offer(choices())  # type: ignore[attr-defined,operator]
        if "state" in self.fields:
            states = LocationStanding if isinstance(self.period, LocationState) else AccountStanding
            self.fields["state"].choices = words_of(states)  # type: ignore[attr-defined]
        for name, address in (("cabinet", "cabinets_suggest"), ("store", "locations_suggest")):
            if name in self.fields:
                suggest(self, name, address)

    def arguments(self) -> dict[str, Any]:
        """Return what the action takes; a bound that was left as it stood is left as it is.

        Raises RuleBroken for a store or cabinet that is not there, and for shares that cannot be.
        """
        given, period = self.cleaned_data, self.period
        found: dict[str, Any] = {"reason": given["reason"], "facts": self._facts()}
        for name in ("valid_from", "valid_to"):
            # Shown to the minute, a bound has seconds: what nobody touched must not move by them.
            if name in self.fields and given[name] != _as_typed(getattr(period, name)):
                found[name] = given[name]
        known_by = given["start_is"] == KNOWN_BY
        if "valid_from" in found or known_by != period.starts_known_by:
            found["starts_known_by"] = known_by
        return found

    def _facts(self) -> dict[str, Any]:
        given = self.cleaned_data
        plain = (*KINDS["installation"][1:], *KINDS["ending"], "store_number", "state")
        facts: dict[str, Any] = {name: given[name] for name in plain if name in self.fields}
        for name in ("depot", "staff", "account"):
            if name in self.fields:
                facts[f"{name}_id"] = given[name]
        if given.get("cabinet") and given["cabinet"] != self.initial["cabinet"]:
            facts["cabinet_id"] = cabinet_named(given["cabinet"], "cabinet")
        if given.get("store") and given["store"] != self.initial["store"]:
            facts["location_id"] = store_named(given["store"], "store")
        if isinstance(self.period, Split):
            facts["shares"] = self.shares()
        return facts


def _facts_of(period: PeriodVersion) -> tuple[str, ...]:
    """Return the fields of what a period says beside its bounds."""
    if isinstance(period, DeviceWhereabouts):
        if period.place == DevicePlace.CABINET:
            return KINDS["installation"] + (KINDS["ending"] if period.valid_to else ())
        return ("depot", "staff") if period.place == DevicePlace.VAN else ("depot",)
    if isinstance(period, CabinetWhereabouts):
        return ("store",) if period.place == CabinetPlace.LOCATION else ("depot",)
    if isinstance(period, LocationHolding):
        return ("account", "store_number")
    return ("state",) if isinstance(period, LocationState | AccountState) else ()


def _initial(period: PeriodVersion, visit: Visit) -> dict[str, Any]:
    found: dict[str, Any] = {
        "valid_from": _typed(period.valid_from, visit),
        "start_is": KNOWN_BY if period.starts_known_by else EXACT,
    }
    if period.valid_to is not None:
        found["valid_to"] = _typed(period.valid_to, visit)
    for name in _facts_of(period):
        if name == "cabinet":
            found[name] = period.cabinet.asset_tag  # type: ignore[attr-defined]
        elif name == "store":
            found[name] = name_of_store(period.location_id)  # type: ignore[attr-defined]
        elif name in ("depot", "staff", "account"):
            found[name] = getattr(period, f"{name}_id")
        else:
            found[name] = getattr(period, name)
    return found | (initial_shares(period) if isinstance(period, Split) else {})


def _typed(moment: datetime, visit: Visit) -> str:
    """Return a time as it can be read again: with its zone's letters where the clocks showed it twice."""
    plain = type_time(moment, visit.zone)
    try:
        same = read_time(plain, visit.zone, "time") == moment.replace(second=0, microsecond=0)
    except RuleBroken:
        same = False
    return plain if same else f"{plain} {moment.astimezone(visit.zone):%Z}"


def _as_typed(moment: datetime | None) -> datetime | None:
    return None if moment is None else moment.replace(second=0, microsecond=0)


def _products_of(period: PeriodVersion) -> list[UUID]:
    return [share.product_id for share in period.shares.all()] if isinstance(period, Split) else []


# --- the two pages ---------------------------------------------------------------------------------


@writing(periods.correct_period)
def correct(visit: Visit, history: str, period: UUID) -> HttpResponse:
    """Put a period right: when it was, or what it says."""
    version, shared = _in_sight(visit, history, period)
    return write(
        visit,
        Wish(
            title=f"Put right: {_called(version)}",
            form=lambda *args, **options: PeriodForm(*args, visit=visit, period=version, **options),
            action=periods.correct_period,
            arguments=lambda form: {"history": history, "period_id": period, **form.arguments()},
            initial=_initial(version, visit),
            fields=FIELDS,
            words=f"It says: {_told(version, visit)}. What touches a boundary that you move, moves with it:"
            " the next page shows which neighbours.",
            template="console/period.html",
            **shared,
        ),
    )


class WithdrawForm(PlainForm):
    """Why a period never was."""

    reason = Reason(optional=False, label="Why it never was")


@writing(periods.withdraw_period)
def withdraw(visit: Visit, history: str, period: UUID) -> HttpResponse:
    """Take out a period that never was."""
    version, shared = _in_sight(visit, history, period)
    return write(
        visit,
        Wish(
            title=f"Withdraw: {_called(version)}",
            form=WithdrawForm,
            action=periods.withdraw_period,
            arguments=lambda form: {"history": history, "period_id": period, **form.given()},
            words=f"It says: {_told(version, visit)}. Taken out, what held before it runs on in its stead."
            " The ledger keeps what was said.",
            **shared,
        ),
    )


def _in_sight(visit: Visit, history: str, period: UUID) -> tuple[PeriodVersion, Mapping[str, Any]]:
    """Return a period that this person may see, and what both wishes share; raises RuleBroken NOT_FOUND."""
    moment = visit.present
    version = period_at(history, period, moment, visit.scope)
    visit.in_zone(_zone_of(version, moment))
    noun = version.history_of
    thing = getattr(version, f"{noun}_id")
    beside = getattr(version, "cabinet_id", None)
    return version, {
        "back": reverse(f"admin:{noun}", args=[thing]),
        "about": [key for key in (thing, beside) if key],
    }


def _zone_of(version: PeriodVersion, moment: Moment) -> str:
    location = getattr(version, "location", None)
    if isinstance(location, Location):
        return location.time_zone
    cabinet = getattr(version, "cabinet_id", None)
    if cabinet is not None:
        stay = (
            CabinetWhereabouts.objects.believed_at(moment.index)
            .valid_at(version.valid_from)
            .filter(cabinet=cabinet)
            .select_related("location")
            .first()
        )
        return zone_of_stay(stay)
    return zone_of_stay(None, getattr(version, "depot_id", None))


def _history(version: PeriodVersion) -> str:
    return str(type(version)._meta.model_name)


def _called(version: PeriodVersion) -> str:
    words, _ = TABLE_WORDS[_history(version)]
    return f"{words} {getattr(version, version.history_of).label}"


def _told(version: PeriodVersion, visit: Visit) -> str:
    """Return what a period says, in words."""
    if isinstance(version, DeviceWhereabouts):
        said = holder_words(version)
    elif isinstance(version, CabinetWhereabouts):
        said = stay_words(version)
    elif isinstance(version, LocationHolding):
        said = f"{version.account.label}, as its store {version.store_number}"
    elif isinstance(version, Split):
        said = ", ".join(
            f"{share.product.name} {share.hundredths / 100:g} %" for share in version.shares.all()
        )
    else:
        said = str(getattr(version, "state", ""))
    start = "known by" if version.starts_known_by else "from"
    end = f"to {show_time(version.valid_to, visit.zone)}" if version.valid_to else "on"
    return f"{said}, {start} {show_time(version.valid_from, visit.zone)} {end}"
