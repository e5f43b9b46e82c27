"""Customers: registered, corrected, closed."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._records import cleaned
from registry.actions._steps import carry_on, find, history, require_account_open, start, to_end, within
from registry.actions._stores import LOCATIONS_MAX, NewLocation, refuse_devices, too_many, write_location
from registry.models import Account, AccountState, LocationHolding, LocationState
from registry.rules import particulars as particulars_rules
from registry.rules.accounts import FIELDS, REQUIRED, AccountStanding, check_parent
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.locations import LocationStanding
from registry.rules.roles import Act


@action(Act.KEEP_CUSTOMERS)
def register_account(
    writing: Writing,
    *,
    particulars: Mapping[str, object],
    valid_from: datetime,
    parent_id: UUID | None = None,
    locations: Sequence[NewLocation] = (),
) -> Account:
    """Register an account (rules.accounts.FIELDS), with its locations and their cabinets if given.

    Raises RuleBroken CODE_TAKEN, ACCOUNT_CLOSED or BEFORE_KNOWN for the parent, TOO_MANY, TIME_IN_FUTURE,
    and what the locations raise; then nothing is written.
    """
    values = cleaned(Account, particulars, FIELDS, required=REQUIRED)
    parent = find(Account, parent_id, "parent") if parent_id else None
    if parent is not None:
        require_account_open(parent, valid_from, "parent")
    account = writing.insert(Account(parent=parent, **values))
    check_parent(account.pk, parent_id, _parents())
    start(writing, AccountState(account=account, state=AccountStanding.OPEN), valid_from)
    if len(locations) > LOCATIONS_MAX:
        raise too_many("locations", LOCATIONS_MAX)
    written = []
    for place, new in enumerate(locations):
        with within("locations", place):
            refuse_devices(new)
            written.append(write_location(writing, new, account, valid_from))
    writing.tell(
        Verb.ACCOUNT_REGISTERED,
        valid_from,
        {
            "account": account,
            "location": [location for location, _, _ in written],
            "cabinet": [cabinet for _, cabinets, _ in written for cabinet in cabinets],
        },
    )
    return account


@action(Act.KEEP_CUSTOMERS)
def correct_account(
    writing: Writing, *, account_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> Account:
    """Correct an account; `parent_id` among the particulars moves it under another, None to the top.

    Raises RuleBroken NOTHING_CHANGES, CODE_TAKEN, PARENT_CYCLE, NOT_FOUND and what cleaning does.
    """
    account = find(Account, account_id, "account")
    given = dict(particulars)
    changes: dict[str, object] = {}
    if "parent_id" in given:
        parent_id = given.pop("parent_id")
        if not isinstance(parent_id, UUID | None):
            raise particulars_rules.invalid("parent", f"{parent_id!r} names no account. Give its key.")
        parent = find(Account, parent_id, "parent") if parent_id else None
        check_parent(account.pk, parent.pk if parent else None, _parents())
        if parent is not None and history(AccountState, account)[-1].state == AccountStanding.OPEN:
            require_account_open(parent, writing.now, "parent")
        changes["parent"] = parent
    changes |= cleaned(Account, given, FIELDS, besides=account_id)
    writing.revise(account, **changes)
    writing.tell(Verb.ACCOUNT_CORRECTED, writing.now, {"account": account}, reason=reason)
    return account


@action(Act.KEEP_CUSTOMERS)
def close_account(writing: Writing, *, account_id: UUID, valid_from: datetime, reason: str = "") -> Account:
    """Close an account from a time on.

    Raises RuleBroken ACCOUNT_OCCUPIED while locations or accounts below it are open, NOTHING_CHANGES,
    BEFORE_KNOWN, OVERLAPPING_HISTORY, TIME_IN_FUTURE, NOT_FOUND.
    """
    account = find(Account, account_id, "account")
    _refuse_occupied(account, valid_from)
    _set_state(writing, account, AccountStanding.CLOSED, valid_from)
    writing.tell(Verb.ACCOUNT_CLOSED, valid_from, {"account": account}, reason=reason)
    return account


@action(Act.KEEP_CUSTOMERS)
def reopen_account(writing: Writing, *, account_id: UUID, valid_from: datetime, reason: str = "") -> Account:
    """Open a closed account again from a time on.

    Raises RuleBroken ACCOUNT_CLOSED for the parent, and as `close_account` does.
    """
    account = find(Account, account_id, "account")
    if account.parent is not None:
        require_account_open(account.parent, valid_from, "parent")
    _set_state(writing, account, AccountStanding.OPEN, valid_from)
    writing.tell(Verb.ACCOUNT_REOPENED, valid_from, {"account": account}, reason=reason)
    return account


def _set_state(writing: Writing, account: Account, state: AccountStanding, at: datetime) -> None:
    present = to_end(history(AccountState, account), at)
    if present.state == state:
        raise RuleBroken(Code.NOTHING_CHANGES, f"The account is {state} already.", field="account")
    carry_on(writing, present, AccountState(account=account, state=state), at)


def _refuse_occupied(account: Account, at: datetime) -> None:
    held = LocationHolding.objects.current().overlapping(at, None).filter(account=account)
    open_places = LocationState.objects.current().overlapping(at, None).exclude(state=LocationStanding.CLOSED)
    places = open_places.filter(location__in=held.values("location")).count()
    below = (
        AccountState.objects.current()
        .overlapping(at, None)
        .filter(account__parent=account, state=AccountStanding.OPEN)
        .count()
    )
    if places or below:
        raise RuleBroken(
            Code.ACCOUNT_OCCUPIED,
            f"{places} locations and {below} accounts below it are still open."
            " Close them or hand them over first.",
            field="account",
            details={"locations": places, "accounts": below},
        )


def _parents() -> dict[UUID, UUID | None]:
    return dict(Account.objects.values_list("pk", "parent_id"))
