"""Accounts: their page, and registering, correcting, closing and opening them again."""

from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.urls import reverse

from registry.actions import accounts, locations
from registry.console._forms import Choice, KeyChoice, PlainForm, Reason, Text, TimeField, words_of
from registry.console._histories import rows_of
from registry.console._pages import Button, Visit, page
from registry.console._times import type_time
from registry.console._writing import Wish, write, writing
from registry.console.fleet import moment_of
from registry.models import Account, AccountState, Cabinet, CabinetWhereabouts, LocationHolding
from registry.queries.accounts import AccountAt, account_at, accounts_as_known, accounts_in
from registry.queries.cabinets import CabinetAt, cabinets_as_known
from registry.queries.locations import locations_as_known, locations_in
from registry.queries.moments import Moment
from registry.rules.accounts import AccountStanding, BillingStart
from registry.rules.errors import RuleBroken

ROWS_SHOWN_MAX = 100  # locations on one page of an account
# What of an account is listed apart, as of the page's moment.
LISTS = (("cabinets", "All its cabinets"), ("devices", "All devices in them"))


def address_of(key: UUID) -> str:
    """Return the address of an account's page."""
    return reverse("admin:account", args=[key])


@page
def account(visit: Visit, key: UUID) -> HttpResponse:
    """Show an account: its particulars, what stands above and below it, and its locations."""
    now = account_at(key, visit.present)
    asked = visit.asked()
    context: dict[str, Any] = {"asked": asked, "title": now.account.label, "trail": trail()}
    try:
        at = now if asked.is_now else account_at(key, asked.moment)
    except RuleBroken:
        return visit.show("console/not_yet.html", context, status=asked.status)
    held = LocationHolding.objects.believed_at(asked.moment.index).valid_at(asked.moment.valid_at)
    rows = locations_in(asked.moment, visit.scope).filter(pk__in=held.filter(account=key).values("location"))
    shown = Paginator(rows.order_by("name", "id"), ROWS_SHOWN_MAX).get_page(visit.request.GET.get("page"))
    stores = locations_as_known(shown.object_list, asked.moment)
    standing = _standing([at.location.pk for at in stores], asked.moment)
    states = AccountState.objects.believed_at(asked.moment.index).filter(account=key)
    return visit.show(
        "console/account.html",
        {
            **context,
            "title": at.account.label,
            "at": at,
            "banners": _banners(now.account, asked.moment),
            "shown": shown,
            "locations": stores,
            "stores": [(at, standing.get(at.location.pk, [])) for at in stores],
            "states": rows_of(visit, asked, states, lambda version: version.state),
            "lists": [
                (f"{reverse(f'admin:fleet_{kind}')}?{urlencode({**moment_of(asked), 'account': key})}", words)
                for kind, words in LISTS
            ],
            "buttons": _buttons(visit, now),
            "keep_query": "",
            "leaf_query": urlencode(moment_of(asked)),
        },
        status=asked.status,
    )


def _banners(above: Account, moment: Moment) -> list[AccountAt]:
    rows = accounts_in(moment).filter(parent=above).order_by("code")
    return accounts_as_known(rows, moment)


def _standing(stores: list[UUID], moment: Moment) -> dict[UUID, list[CabinetAt]]:
    """Return the cabinets that stood in stores, with what hung in them, by store and asset tag."""
    stays = CabinetWhereabouts.objects.believed_at(moment.index).valid_at(moment.valid_at)
    rows = Cabinet.objects.filter(pk__in=stays.filter(location__in=stores).values("cabinet"))
    found: dict[UUID, list[CabinetAt]] = {}
    for at in cabinets_as_known(rows.order_by("asset_tag"), moment):
        if at.stay.location_id:
            found.setdefault(at.stay.location_id, []).append(at)
    return found


def _buttons(visit: Visit, now: AccountAt) -> list[Button]:
    key = now.account.pk

    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[key])

    if now.state == AccountStanding.CLOSED:
        return visit.buttons(
            (accounts.reopen_account, "Open again", to("account_reopen")),
            (accounts.correct_account, "Correct", to("account_correct")),
        )
    return visit.buttons(
        (locations.register_location, "Register a location", to("location_register")),
        (locations.take_over_location, "Take over a location", to("location_take_over")),
        (accounts.correct_account, "Correct", to("account_correct")),
        (accounts.close_account, "Close", to("account_close")),
    )


def trail(*steps: tuple[str, str]) -> list[tuple[str, str]]:
    """Return the way from the front page to something of an account."""
    return [("Accounts", reverse("admin:registry_account_changelist")), *steps]


# --- writing ---------------------------------------------------------------------------------------


class AccountForm(PlainForm):
    """What an account is made of."""

    code = Text("Code", help_text="short, without spaces; leading zeros stay")
    name = Text("Name")
    billing_start = Choice("Billing starts with", words_of(BillingStart))
    parent = KeyChoice("Stands under", optional=True, blank="no other account")

    def __init__(self, *args: Any, besides: UUID | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        others = Account.objects.exclude(pk__in=[besides] if besides else []).order_by("code")
        self.fields["parent"].offer((one.pk, one.label) for one in others)  # type: ignore[attr-defined]

    def particulars(self) -> dict[str, Any]:
        """Return the particulars, without the parent."""
        return {name: self.cleaned_data[name] for name in ("code", "name", "billing_start")}


class CorrectAccountForm(AccountForm):
    """An account's particulars, and why they are put right."""

    reason = Reason()


class SinceForm(PlainForm):
    """From when, and why."""

    valid_from = TimeField("Since when")
    reason = Reason()


@writing(accounts.correct_account)
def correct(visit: Visit, key: UUID) -> HttpResponse:
    """Correct an account."""
    row = account_at(key, visit.present).account

    def form(*args: Any, **options: Any) -> PlainForm:
        return CorrectAccountForm(*args, besides=key, **options)

    return write(
        visit,
        Wish(
            title=f"Correct {row.label}",
            form=form,
            action=accounts.correct_account,
            arguments=lambda form: {
                "account_id": key,
                "particulars": {**form.particulars(), "parent_id": form.cleaned_data["parent"]},
                "reason": form.cleaned_data["reason"],
            },
            back=address_of(key),
            trail=trail((row.label, address_of(key))),
            about=[key],
            initial={
                "code": row.code,
                "name": row.name,
                "billing_start": row.billing_start,
                "parent": row.parent_id,
            },
            words="Put right what was wrong from the beginning. What it said before stays in the ledger.",
        ),
    )


@writing(accounts.close_account)
def close(visit: Visit, key: UUID) -> HttpResponse:
    """Close an account."""
    row = account_at(key, visit.present).account
    return write(
        visit,
        _state_wish(
            visit, row, accounts.close_account, f"Close {row.label}", "Its locations must be closed first."
        ),
    )


@writing(accounts.reopen_account)
def reopen(visit: Visit, key: UUID) -> HttpResponse:
    """Open an account again."""
    row = account_at(key, visit.present).account
    return write(visit, _state_wish(visit, row, accounts.reopen_account, f"Open {row.label} again", ""))


def _state_wish(visit: Visit, row: Account, action: Any, title: str, words: str) -> Wish:
    return Wish(
        title=title,
        form=SinceForm,
        action=action,
        arguments=lambda form: {"account_id": row.pk, **form.given()},
        back=address_of(row.pk),
        trail=trail((row.label, address_of(row.pk))),
        about=[row.pk],
        initial={"valid_from": type_time(visit.now, visit.zone)},
        words=words,
    )
