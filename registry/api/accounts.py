"""Accounts: customers, from chains to independents, and whether they do business."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import accounts as actions
from registry.api._fields import In, Key, MomentField, Text
from registry.api._stores import LocationIn
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.api.devices import WhenIn
from registry.models import Account, AccountState
from registry.queries.accounts import AccountAt, account_at, accounts_as_known, accounts_in
from registry.queries.moments import Moment
from registry.rules.accounts import AccountStanding, BillingStart

_BILLING = [str(start) for start in BillingStart]
_BESIDE = ("parent_id", "valid_from", "locations")

# --- what is read ----------------------------------------------------------------------------------


class AccountParticularsIn(In):
    """What is known of an account; what is left out stays."""

    code = Text(required=False, help_text="text, so leading zeros stay")
    name = Text(required=False)
    billing_start = serializers.ChoiceField(
        choices=_BILLING,
        required=False,
        help_text="from when its cabinets are billed; acceptance unless told",
    )


class RegisterAccountIn(AccountParticularsIn):
    """A new account, with its locations and their cabinets if they are known."""

    code = Text(help_text="text, so leading zeros stay")
    name = Text()
    parent = Key(required=False, allow_null=True, source="parent_id", help_text="the account above it")
    valid_from = MomentField(help_text="since when it is a customer")
    locations = LocationIn(many=True, required=False)

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """Return the action's arguments."""
        given = super().to_internal_value(data)
        beside: dict[str, Any] = {name: given.pop(name) for name in _BESIDE if name in given}
        return {"particulars": given, **beside}


class CorrectAccountIn(AccountParticularsIn):
    """What is known of an account; what is left out stays."""

    parent = Key(required=False, allow_null=True, source="parent_id", help_text="null: it stands on top")
    reason = Text(required=False)


# --- what is shown ---------------------------------------------------------------------------------


class AccountOut(serializers.Serializer):  # type: ignore[type-arg]
    """An account."""

    id = serializers.UUIDField(source="account.pk")
    code = serializers.CharField(source="account.code")
    name = serializers.CharField(source="account.name")
    parent = serializers.UUIDField(source="account.parent_id", allow_null=True)
    parent_name = serializers.SerializerMethodField()
    billing_start = serializers.ChoiceField(source="account.billing_start", choices=_BILLING)
    state = serializers.ChoiceField(choices=[str(state) for state in AccountStanding])

    def get_parent_name(self, at: AccountAt) -> str:
        """The code and name of the account above it."""
        return at.account.parent.label if at.account.parent else ""


class AccountFilter(RegisterFilter):
    """Filters of accounts."""

    state = ChoiceFilter(
        method="in_state", choices=[(str(s), str(s)) for s in AccountStanding], label="that were so then"
    )
    parent = UUIDFilter(field_name="parent_id", label="right below this account")
    billing_start = ChoiceFilter(choices=[(word, word) for word in _BILLING], label="billed from then on")

    def in_state(self, rows: "QuerySet[Any]", name: str, value: str) -> "QuerySet[Any]":
        """Keep those in a state."""
        states = AccountState.objects.believed_at(self.moment.index).valid_at(self.moment.valid_at)
        return rows.filter(pk__in=states.filter(state=value).values("account"))


# --- addresses -------------------------------------------------------------------------------------


class AccountShown(RegisterView):
    """How one account is shown."""

    noun, place = "account", "accounts"
    out = AccountOut
    dated = True

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return an account; raises RuleBroken NOT_FOUND."""
        return self.out(account_at(key, moment)).data


class AccountsView(AccountShown, ListView):
    """Accounts, with their state at the moment asked for."""

    filters = AccountFilter
    searches = ("code", "name")
    orderings = ("code", "name")

    def rows(self, moment: Moment) -> "QuerySet[Account]":
        """Return all accounts: customers are the whole company's."""
        return accounts_in(moment)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[AccountAt]:
        """Return them with their state."""
        return accounts_as_known(rows, moment)

    @changes(actions.register_account, RegisterAccountIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Register an account, with its locations and their cabinets: all of it, or nothing."""
        return self.change(made=lambda account: account.pk, **given)


class AccountView(AccountShown, ThingView):
    """One account."""

    @changes(actions.correct_account, CorrectAccountIn)
    def patch(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Correct what is known of an account, or put it under another."""
        reason = given.pop("reason", "")
        return self.change(key=key, account_id=key, particulars=given, reason=reason)


class AccountCloseView(AccountShown):
    """The closing of an account."""

    @changes(actions.close_account, WhenIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Close an account."""
        return self.change(key=key, account_id=key, **given)


class AccountReopenView(AccountShown):
    """The opening of a closed account."""

    @changes(actions.reopen_account, WhenIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Open a closed account again."""
        return self.change(key=key, account_id=key, **given)
