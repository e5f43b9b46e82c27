"""Checkpoints and receipts: made, sent and downloaded by who reads the whole ledger."""

import json
from collections.abc import Callable
from http import HTTPStatus
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, HttpResponseRedirect
from django.urls import reverse

from registry.actions.checkpoints import checkpoint_of, make_checkpoint, send_checkpoints
from registry.console._pages import INDEX_DIGITS_MAX, Visit, page
from registry.models import Checkpoint
from registry.queries.assignments import device_at
from registry.queries.checkpoints import checkpoint, checkpoints_in, own_public_key, standing
from registry.queries.entries import require_whole_ledger
from registry.queries.locations import location_at
from registry.queries.receipts import (
    Bundle,
    consistency_receipt,
    device_receipt,
    entry_receipt,
    file_name,
    location_receipt,
)
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.particulars import invalid
from registry.rules.roles import Act

CHECKPOINTS_SHOWN = 25  # on one page
MAKE, SEND = "make", "send"
TRAIL = [("Ledger", "registry_entry_changelist")]


@page(reads=Act.READ_LEDGER, writes=True)
def checkpoints(visit: Visit) -> HttpResponse:
    """Show the checkpoints, how they leave, and the key that signs them; make or send one when told."""
    require_whole_ledger(visit.scope)
    if visit.request.method == "POST":
        return _told(visit)
    rows = checkpoints_in(visit.present).prefetch_related("departures").order_by("-size")
    shown = Paginator(rows, CHECKPOINTS_SHOWN).get_page(visit.request.GET.get("page"))
    return visit.show(
        "console/checkpoints.html",
        {
            "title": "Checkpoints",
            "trail": [(words, reverse(f"admin:{name}")) for words, name in TRAIL],
            "shown": shown,
            "found": [(row, _left(row), bytes(row.root).hex()) for row in shown.object_list],
            "standing": standing(),
            "public_key": own_public_key(),
            "keep_query": "",
        },
    )


def _left(row: Checkpoint) -> list[str]:
    """Return the places for which a checkpoint has left."""
    return sorted({departure.to for departure in row.departures.all() if not departure.problem})


def _told(visit: Visit) -> HttpResponse:
    """Make a checkpoint, or send out what has not left; then show the page again, which says how it went."""
    try:
        if visit.request.POST.get("wish") == SEND:
            tries = send_checkpoints(visit.actor)
            failed = [departure for departure in tries if departure.problem]
            words = f"{len(tries) - len(failed)} left." if tries else "Everything has left already."
        else:
            failed = []
            words = f"The checkpoint of {make_checkpoint(visit.actor).size} entries is the newest."
        messages.add_message(visit.request, messages.WARNING if failed else messages.SUCCESS, words)
    except RuleBroken as broken:
        if broken.code not in (Code.REGISTER_BUSY, Code.TREE_DAMAGED, Code.NOT_FOUND):
            raise
        messages.error(visit.request, broken.message)
    return HttpResponseRedirect(reverse("admin:checkpoints"))


# --- receipts, a file each -------------------------------------------------------------------------


@page(reads=Act.READ_LEDGER)
def entry(visit: Visit, index: int) -> HttpResponse:
    """Give the receipt of one line."""
    return _receipt(visit, "entry", index, index, lambda to, kept: entry_receipt(index, to, kept))


@page(reads=Act.READ_LEDGER)
def location(visit: Visit, key: UUID) -> HttpResponse:
    """Give the receipt of a location's whole timeline."""
    thing = location_at(key, visit.present, visit.scope).location
    return _receipt(visit, "location", thing.label, None, lambda to, kept: location_receipt(thing, to, kept))


@page(reads=Act.READ_LEDGER)
def device(visit: Visit, key: UUID) -> HttpResponse:
    """Give the receipt of a device's whole trace."""
    thing = device_at(key, visit.present, visit.scope).device
    return _receipt(visit, "device", thing.label, None, lambda to, kept: device_receipt(thing, to, kept))


@page(reads=Act.READ_LEDGER)
def consistency(visit: Visit, size: int) -> HttpResponse:
    """Give the proof that a checkpoint is the beginning of all that was recorded since."""
    require_whole_ledger(visit.scope)
    kept = checkpoint(size).size
    return _receipt(visit, "checkpoint", kept, None, lambda to, _: consistency_receipt(kept, to))


@page(reads=Act.READ_LEDGER)
def file(visit: Visit, size: int) -> HttpResponse:
    """Give a checkpoint as a file, to be kept elsewhere."""
    require_whole_ledger(visit.scope)
    return _file(f"checkpoint-{size:012d}.json", checkpoint(size).as_signed().as_json())


def _receipt(
    visit: Visit,
    kind: str,
    label: str | int,
    index: int | None,
    bundle: Callable[[Checkpoint, int | None], Bundle],
) -> HttpResponse:
    """Make a checkpoint where none covers what the receipt is of, and answer with the file.

    With `kept`, the size of a checkpoint that somebody keeps, the file proves that it continues that one.
    """
    require_whole_ledger(visit.scope)
    if index is not None and index >= 10**INDEX_DIGITS_MAX:
        raise absent("entry")
    try:
        kept = _kept(visit)
        to = checkpoint_of(visit.actor, index)
        return _file(file_name(kind, label, to), bundle(to, kept))
    except RuleBroken as broken:
        busy = (Code.REGISTER_BUSY, Code.TREE_DAMAGED, Code.TOO_MANY)
        if broken.code not in busy and broken.field != "kept":
            raise
        context = {"title": "No receipt", "message": broken.message}
        status = HTTPStatus.CONFLICT if broken.code in busy else HTTPStatus.UNPROCESSABLE_ENTITY
        return visit.show("console/forbidden.html", context, status=status)


def _kept(visit: Visit) -> int | None:
    """Return the size of the kept checkpoint that was typed; raises RuleBroken VALUE_INVALID."""
    typed = visit.request.GET.get("kept", "").strip()
    if not typed:
        return None
    if not (typed.isascii() and typed.isdigit() and len(typed) <= INDEX_DIGITS_MAX):
        raise invalid("kept", "The size of a checkpoint is a number of entries. Read it in its record.")
    return int(typed)


def _file(name: str, content: object) -> HttpResponse:
    return HttpResponse(
        json.dumps(content, indent=1, ensure_ascii=False) + "\n",
        content_type="application/json",
        headers={"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"},
    )
