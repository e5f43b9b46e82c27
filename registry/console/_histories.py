"""Histories on a page: the periods of one thing, newest first, each with the way to put it right."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from registry.actions import periods
from registry.console._pages import Asked, Visit
from registry.ledger.images import table_name
from registry.models import CabinetWhereabouts, Depot, DeviceWhereabouts, Location
from registry.models.base import PeriodVersion
from registry.queries.cabinets import stay_words as stay_words
from registry.queries.records import refer_as_known

ROWS_SHOWN_MAX = 200  # of one history: the newest


@dataclass(frozen=True, slots=True)
class Row:
    """One period in words. `put_right` is the address of its correction, blank where there is none."""

    words: str
    link: str
    valid_from: datetime
    valid_to: datetime | None
    known_by: bool
    note: str
    put_right: str


def rows_of(
    visit: Visit,
    asked: Asked,
    versions: Iterable[Any],
    words: Callable[[Any], str],
    *,
    link: Callable[[Any], str] = lambda _: "",
    note: Callable[[Any], str] = lambda _: "",
) -> list[Row]:
    """Return periods as rows, newest first; a correction is offered on what is believed now."""
    correctable = asked.moment.at_head and visit.may(periods.correct_period)
    newest = sorted(versions, key=lambda version: version.valid_from, reverse=True)[:ROWS_SHOWN_MAX]
    return [
        Row(
            words(version),
            link(version),
            version.valid_from,
            version.valid_to,
            version.starts_known_by,
            note(version),
            correction_of(version) if correctable else "",
        )
        for version in newest
    ]


def correction_of(version: PeriodVersion) -> str:
    """Return the address at which a period is put right."""
    return reverse("admin:period_correct", args=[table_name(type(version)), version.period])


def stays_known(asked: Asked, **about: Any) -> list[CabinetWhereabouts]:
    """Return where cabinets stood, as known at the moment of a page, with stores and depots as known."""
    stays = list(CabinetWhereabouts.objects.believed_at(asked.moment.index).filter(**about))
    refer_as_known(stays, asked.moment.index, location=Location, depot=Depot)
    return stays


def stay_link(stay: CabinetWhereabouts) -> str:
    """Return the address of the store where a cabinet stood."""
    return reverse("admin:location", args=[stay.location_id]) if stay.location_id else ""


def end_words(place: DeviceWhereabouts) -> str:
    """Return why an assignment ended, blank while it runs."""
    return ": ".join(part for part in (place.end_reason, place.end_note) if part)
