"""The front page: what to do first in an empty register, else what people come for."""

from dataclasses import dataclass

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import accounts
from registry.console._pages import Button, Visit, page
from registry.models import Account, CabinetModel, Depot, DeviceModel, Entry, Product
from registry.models.base import Record
from registry.queries.checkpoints import warning
from registry.queries.timelines import Event, told_events

ENTRIES_SHOWN = 10  # of the ledger


@dataclass(frozen=True, slots=True)
class Step:
    """Something that a register needs before work can begin, and where it is registered."""

    words: str
    address: str
    done: bool


# In the order in which one needs the other: words, what is counted, the name of the list.
FIRST: list[tuple[str, type[Record], str]] = [
    (
        "A depot: where freezers and devices wait, and whose work is whose.",
        Depot,
        "registry_depot_changelist",
    ),
    (
        "A cabinet model: what kinds of freezer there are.",
        CabinetModel,
        "registry_cabinetmodel_changelist",
    ),
    ("A product: the bag sizes that share a freezer.", Product, "registry_product_changelist"),
    (
        "A device model, with the scheme of its serials.",
        DeviceModel,
        "registry_devicemodel_changelist",
    ),
    ("An account with its first location and cabinets.", Account, "account_register"),
]


@page
def front(visit: Visit) -> HttpResponse:
    """Show the front page."""
    steps = [Step(words, _address(name), model._default_manager.exists()) for words, model, name in FIRST]
    return visit.show(
        "console/front_page.html",
        {
            "title": "The register",
            "steps": [] if all(step.done for step in steps) else steps,
            "buttons": _register(visit),
            "events": _newest(visit),
            "warning": warning() if visit.sees_ledger() else "",
        },
    )


def _register(visit: Visit) -> list[Button]:
    return visit.buttons(
        (accounts.register_account, "Register an account with a location", _address("account_register"))
    )


def _newest(visit: Visit) -> list[Event]:
    """Return the newest entries, for those who may read every one."""
    if not visit.sees_ledger():
        return []
    newest = Entry.objects.order_by("-index").values_list("index", flat=True)[:ENTRIES_SHOWN]
    told = told_events(newest, visit.zone)
    return [told[index] for index in sorted(told, reverse=True)]


def _address(name: str) -> str:
    return reverse(f"admin:{name}")
