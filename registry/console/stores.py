"""Registering accounts, and stores with their cabinets: each a whole wish, one page, one action."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import accounts, locations
from registry.console import accounts as account_pages
from registry.console import locations as location_pages
from registry.console._forms import Choice, KeyChoice, Text, TimeField, words_of
from registry.console._pages import Visit
from registry.console._stores import StandingStoreForm, StoreForm, beginning, depots_of
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.models import Account
from registry.queries.accounts import account_at
from registry.rules.accounts import BillingStart
from registry.rules.errors import RuleBroken

TEMPLATE = "console/store.html"
ACCOUNT_FIELDS = {"code": "account_code", "name": "account_name", "billing_start": "billing_start"}


class NewAccountForm(account_pages.AccountForm):
    """An account to register without a store."""

    valid_from = TimeField("Customer since")


class AccountStoreForm(StoreForm):
    """An account to register, with its first store and the cabinets in it."""

    account_code = Text("Code", help_text="short, without spaces; leading zeros stay")
    account_name = Text("Name", help_text="of the customer")
    billing_start = Choice("Billing starts with", words_of(BillingStart))
    parent = KeyChoice("Stands under", optional=True, blank="no other account")

    groups: Mapping[str, tuple[str, ...]] = {
        "The account": (*ACCOUNT_FIELDS.values(), "parent"),
        **StoreForm.groups,
    }

    def __init__(self, data: Any = None, **options: Any) -> None:
        super().__init__(data, **options)
        accounts_by_code = Account.objects.order_by("code")
        self.fields["parent"].offer((one.pk, one.label) for one in accounts_by_code)  # type: ignore[attr-defined]

    def account_particulars(self) -> dict[str, Any]:
        """Return the particulars of the account."""
        return {name: self.cleaned_data[field] for name, field in ACCOUNT_FIELDS.items()}

    def refuse(self, broken: RuleBroken, fields: Mapping[str, str]) -> None:
        """Put a refusal beside its field; both account and store have a name, which its path tells apart."""
        super().refuse(broken, fields if "path" in broken.details else {**fields, **ACCOUNT_FIELDS})


@writing(accounts.register_account)
def register_account(visit: Visit) -> HttpResponse:
    """Register an account with its first store and the cabinets in it."""

    def arguments(form: AccountStoreForm) -> Mapping[str, Any]:
        visit.zone = form.zone
        return {
            "particulars": form.account_particulars(),
            "parent_id": form.cleaned_data["parent"],
            "valid_from": form.cleaned_data["valid_from"],
            "locations": [form.new_location()],
        }

    return write(
        visit,
        Wish(
            title="Register an account with a location",
            form=lambda *given, **options: AccountStoreForm(*given, depots=depots_of(visit), **options),
            action=accounts.register_account,
            arguments=arguments,
            back=reverse("admin:registry_account_changelist"),
            trail=account_pages.trail(),
            after=lambda account: account_pages.address_of(account.pk),
            initial=beginning(visit) | {"billing_start": str(BillingStart.ACCEPTANCE)},
            words="The account, its first store and the freezers in it are recorded together, or not at all."
            " Further stores are registered on the account's page.",
            template=TEMPLATE,
        ),
    )


@writing(accounts.register_account)
def register_account_alone(visit: Visit) -> HttpResponse:
    """Register an account that has no store of its own, such as a chain above its banners."""
    return write(
        visit,
        Wish(
            title="Register an account without a location",
            form=NewAccountForm,
            action=accounts.register_account,
            arguments=lambda form: {
                "particulars": form.particulars(),
                "parent_id": form.cleaned_data["parent"],
                "valid_from": form.cleaned_data["valid_from"],
            },
            back=reverse("admin:registry_account_changelist"),
            trail=account_pages.trail(),
            after=lambda account: account_pages.address_of(account.pk),
            initial={
                "valid_from": type_time(visit.now, visit.zone),
                "billing_start": str(BillingStart.ACCEPTANCE),
            },
            words="For a chain whose stores belong to the accounts below it, or before the first store.",
        ),
    )


@writing(locations.register_location)
def register_location(visit: Visit, key: UUID) -> HttpResponse:
    """Register a store of an account, with its cabinets."""
    account = account_at(key, visit.present).account

    def arguments(form: StoreForm) -> Mapping[str, Any]:
        visit.zone = form.zone
        return {
            "account_id": key,
            "location": form.new_location(),
            "valid_from": form.cleaned_data["valid_from"],
        }

    return write(
        visit,
        Wish(
            title=f"Register a location of {account.label}",
            form=lambda *given, **options: StoreForm(*given, depots=depots_of(visit), **options),
            action=locations.register_location,
            arguments=arguments,
            back=account_pages.address_of(key),
            trail=account_pages.trail((account.label, account_pages.address_of(key))),
            after=lambda location: location_pages.address_of(location.pk),
            initial=beginning(visit),
            words="The store and the freezers in it are recorded together, or not at all.",
            template=TEMPLATE,
        ),
    )


@writing(locations.take_over_location)
def take_over(visit: Visit, key: UUID) -> HttpResponse:
    """Register a store that stands already, with its cabinets and what hangs in them."""
    account = account_at(key, visit.present).account

    def arguments(form: StandingStoreForm) -> Mapping[str, Any]:
        visit.zone = form.zone
        return {
            "account_id": key,
            "location": form.new_location(),
            "known_by": form.cleaned_data["known_by"],
            "reason": form.cleaned_data["reason"],
        }

    return write(
        visit,
        Wish(
            title=f"Take over a location of {account.label}",
            form=lambda *given, **options: StandingStoreForm(*given, depots=depots_of(visit), **options),
            action=locations.take_over_location,
            arguments=arguments,
            back=account_pages.address_of(key),
            trail=account_pages.trail((account.label, account_pages.address_of(key))),
            after=lambda location: location_pages.address_of(location.pk),
            initial=beginning(visit, "known_by"),
            fields={"valid_from": "known_by"},
            words="For a store whose freezers, and perhaps devices, have stood there since nobody knows when."
            " Everything begins “known by” the time that you give: true no later than then, and never used"
            " for billing.",
            template=TEMPLATE,
        ),
    )
