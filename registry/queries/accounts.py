"""Accounts as of V, as known at R."""

from dataclasses import dataclass

from registry.models import Account, AccountState
from registry.queries.moments import Moment
from registry.queries.records import records_known_at


@dataclass(frozen=True, slots=True)
class AccountAt:
    """An account with its particulars as known at R, and its state at V."""

    account: Account
    state: str


def accounts_at(moment: Moment) -> list[AccountAt]:
    """Return the accounts that existed at V as the register knew at R, by code."""
    states = AccountState.objects.believed_at(moment.index).valid_at(moment.valid_at)
    state_of = dict(states.values_list("account_id", "state"))
    known = records_known_at(Account, moment.index, state_of)
    return sorted(
        (AccountAt(account, state_of[key]) for key, account in known.items()), key=lambda at: at.account.code
    )
