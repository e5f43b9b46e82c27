"""Accounts as of V, as known at R."""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet

from registry.models import Account, AccountState
from registry.queries.moments import Moment
from registry.queries.records import as_known, refer_as_known
from registry.rules.errors import absent


@dataclass(frozen=True, slots=True)
class AccountAt:
    """An account with its particulars as known at R, and its state at V."""

    account: Account
    state: str


def accounts_in(moment: Moment) -> "QuerySet[Account]":
    """Return the accounts that existed at V as the register knew at R, in no order."""
    states = AccountState.objects.believed_at(moment.index).valid_at(moment.valid_at)
    return Account.objects.filter(pk__in=states.values("account"))


def accounts_as_known(rows: Iterable[Account], moment: Moment) -> list[AccountAt]:
    """Return accounts that were read, in their order, as of V as known at R: two queries."""
    known = as_known(rows, moment.index)
    refer_as_known(known, moment.index, parent=Account)
    states = AccountState.objects.believed_at(moment.index).valid_at(moment.valid_at)
    state_of = dict(states.filter(account__in=known).values_list("account_id", "state"))
    return [AccountAt(account, state_of[account.pk]) for account in known]


def accounts_at(moment: Moment) -> list[AccountAt]:
    """Return the accounts that existed at V as the register knew at R, by code."""
    return sorted(accounts_as_known(accounts_in(moment), moment), key=lambda at: at.account.code)


def account_at(account_id: UUID, moment: Moment) -> AccountAt:
    """Return one account as of V as known at R; raises RuleBroken NOT_FOUND."""
    for at in accounts_as_known(accounts_in(moment).filter(pk=account_id), moment):
        return at
    raise absent("account")
