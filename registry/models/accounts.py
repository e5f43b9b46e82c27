"""Customers."""

from django.db import models
from django.db.models import F, Q

from registry.models.base import (
    PeriodVersion,
    Record,
    code_field,
    ends_after_start,
    line_field,
    one_of,
    word_field,
)
from registry.rules.accounts import AccountStanding, BillingStart


class Account(Record):
    """A customer: a chain, a banner of a chain, or an independent."""

    code = code_field(unique=True)
    name = line_field()
    parent = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="banners")
    billing_start = word_field(default=str(BillingStart.ACCEPTANCE))

    class Meta:
        constraints = [
            one_of("billing_start", BillingStart, "account_billing_start_known"),
            models.CheckConstraint(condition=~Q(parent=F("id")), name="account_not_its_own_parent"),
            models.CheckConstraint(condition=~Q(code=""), name="account_has_code"),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.code} {self.name}"


class AccountState(PeriodVersion):
    """Whether an account was open, over a period."""

    history_of = "account"

    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="states")
    state = word_field()

    class Meta:
        constraints = [
            ends_after_start("account_state"),
            one_of("state", AccountStanding, "account_state_known"),
        ]
