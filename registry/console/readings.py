"""Readings in the console: what came from nowhere, and what a device reported last."""

from datetime import timedelta

from django.http import HttpResponse

from registry.console._choices import zone_of_person
from registry.console._pages import Visit, page
from registry.models import Device
from registry.queries.quarantine import LOOK_BACK, SHOWN_MAX, quarantine
from registry.queries.readings import Placed, placed, readings_of_serial
from registry.rules.whereabouts import LIVE

REPORTS_SHOWN = 5
REPORTS_LOOK_BACK = timedelta(days=400)


@page
def strays(visit: Visit) -> HttpResponse:
    """List the serials that reported while they were assigned to no cabinet, the newest report first."""
    visit.in_zone(zone_of_person(visit))
    everything = visit.request.GET.get("since") == "ever"
    since = visit.present.valid_at - (REPORTS_LOOK_BACK if everything else LOOK_BACK)
    found = quarantine(visit.present, visit.scope, since)
    return visit.show(
        "console/quarantine.html",
        {
            "title": "Quarantine",
            "trail": [],
            "strays": found.strays,
            "total": found.total,
            "shown_max": SHOWN_MAX,
            "since": since,
            "everything": everything,
            "look_back_days": LOOK_BACK.days,
        },
    )


def last_reports(visit: Visit, device: Device) -> list[tuple[Placed, list[tuple[int, int | None]]]]:
    """Return the last reports of a device, the newest first, each with its distances by port.

    None of a record that was merged or rejected: what has its serial now is another's.
    """
    if device.standing not in LIVE:
        return []
    since = visit.present.valid_at - REPORTS_LOOK_BACK
    found = placed(readings_of_serial(device.serial, since, limit=REPORTS_SHOWN)[::-1])
    return [(one, list(enumerate(one.reading.distances_mm, start=1))) for one in found]
