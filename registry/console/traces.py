"""The trace of a device to read and to print: what is found in it, a picture, and every stretch in words."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.http import HttpResponse, QueryDict
from django.urls import reverse

from registry.actions import periods
from registry.console._chain_pictures import picture_of
from registry.console._histories import correction_of, end_words
from registry.console._pages import Asked, Visit, page
from registry.console.devices import address_of, in_sight, trail
from registry.queries.timelines import Event
from registry.queries.traces import Chain, ChainStay, Stood, device_chain
from registry.rules.traces import Finding, FindingKind

KIND_WORDS = {
    FindingKind.CONTRADICTION: "contradiction",
    FindingKind.GAP: "not known",
    FindingKind.OPEN: "still open",
}


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding under its number, and the numbers of the stretches that it is about."""

    number: int
    finding: Finding
    kind: str
    stretches: tuple[int, ...]

    @property
    def is_instant(self) -> bool:
        """Say whether it is about one instant."""
        return self.finding.since == self.finding.until


@dataclass(frozen=True, slots=True)
class StretchRow:
    """A stretch under its number: who had the device, where, who said so, and what was put right.

    `zone` is that of the store where the cabinet stood, else the page's.
    """

    number: int
    link: ChainStay
    zone: str
    note: str
    cabinet: str
    stood: tuple[tuple[Stood, str], ...]
    depot: str
    entries: tuple[Event, ...]
    findings: tuple[int, ...]
    put_right: str


@page
def chain(visit: Visit, key: UUID) -> HttpResponse:
    """Show where a device was, from the first that is known on, and what is found in that."""
    now = in_sight(visit, key)
    asked = visit.asked()
    context: dict[str, Any] = {
        "asked": asked,
        "title": f"Trace of device {now.device.label}",
        "trail": trail((f"Device {now.device.label}", address_of(key))),
    }
    # Who may see it now is told all of its history, wherever it was.
    found = device_chain(key, asked.moment, visit.zone)
    if not found.stays:
        return visit.show("console/not_yet.html", context, status=asked.status)
    until = min(asked.moment.valid_at, visit.present.valid_at)
    return visit.show(
        "console/chain.html",
        {
            **context,
            "device": now.device,
            "device_address": address_of(key),
            "findings": _findings(found),
            "picture": picture_of(found, until, visit.zone),
            "stretches": _stretches(visit, asked, found),
            "withdrawn": [(belief, found.events.get(belief.superseded)) for belief in found.withdrawn],
            "json_address": f"{reverse('api_device_chain', args=[key])}?{_pinned(asked)}",
            "csv_address": f"{reverse('api_device_chain_table', args=[key])}?{_pinned(asked)}",
        },
        status=asked.status,
    )


def _findings(found: Chain) -> list[FindingRow]:
    number_of = {link.place.period: number for number, link in enumerate(found.stays, start=1)}
    return [
        FindingRow(
            number,
            finding,
            KIND_WORDS[finding.kind],
            tuple(number_of[period] for period in finding.periods if period in number_of),
        )
        for number, finding in enumerate(found.findings, start=1)
    ]


def _stretches(visit: Visit, asked: Asked, found: Chain) -> list[StretchRow]:
    correctable = asked.moment.at_head and visit.may(periods.correct_period)
    numbers = {finding: number for number, finding in enumerate(found.findings, start=1)}
    return [
        StretchRow(
            number,
            link,
            _zone(link) or str(visit.zone),
            link.place.reference or (end_words(link.place) if link.period.valid_to else ""),
            reverse("admin:cabinet", args=[link.place.cabinet_id]) if link.place.cabinet_id else "",
            tuple((stood, _store(stood)) for stood in link.stood),
            link.place.depot.label if link.place.depot else "",
            tuple(found.told_by(link)),
            tuple(sorted(numbers[finding] for finding in found.found_in(link))),
            correction_of(link.place) if correctable else "",
        )
        for number, link in enumerate(found.stays, start=1)
    ]


def _zone(link: ChainStay) -> str:
    """Return the time zone of the first store in which the cabinet stood, blank if it stood in none."""
    stores = [stood.stay.location for stood in link.stood if stood.stay.location is not None]
    return stores[0].time_zone if stores else ""


def _store(stood: Stood) -> str:
    return reverse("admin:location", args=[stood.stay.location_id]) if stood.stay.location_id else ""


def _pinned(asked: Asked) -> str:
    """Return the question so that a program that asks it again gets the same answer."""
    query = QueryDict(mutable=True)
    query["as_of"] = asked.moment.valid_at.isoformat()
    query["known_at"] = str(asked.moment.index)
    return query.urlencode()
