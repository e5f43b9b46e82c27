"""Acceptance in the console: a check with its findings, and a picture of the cabinet's inside as it was."""

from dataclasses import dataclass
from uuid import UUID

from django.http import HttpResponse

from registry.console._choices import zone_of_person
from registry.console._pages import Visit, page
from registry.models import AcceptanceCheck
from registry.queries.acceptance import Judged, check_now, checks_in, judged_in
from registry.rules.acceptance import RESULT_WORDS, Result

INSIDE_TOP, INSIDE_HEIGHT = 60, 500  # of the picture, whose width is 1000
CHECKS_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Beam:
    """One sensor of the picture: where it hangs, how far its echo went, and what the tape said."""

    sensor: int
    port: int
    left: int
    middle: int
    width: int
    distance_mm: int | None
    surface: int  # where what lies below begins, in the picture; the floor where nothing was heard
    below: int  # how much of the picture lies below it
    tape: int | None  # where the tape says that it begins
    tape_mm: int | None
    finding: bool


@page
def check(visit: Visit, key: UUID) -> HttpResponse:
    """Show one check as it was frozen: findings, the inside of the cabinet, and the reports."""
    shown = check_now(key, visit.scope)
    visit.in_zone(zone_of_person(visit))
    judged = judged_in(shown)
    return visit.show(
        "console/acceptance.html",
        {
            "title": f"Check of {shown.device.serial}: {RESULT_WORDS[Result(shown.result)]}",
            "trail": [],
            "check": shown,
            "result": RESULT_WORDS[Result(shown.result)],
            "judged": judged,
            "beams": beams_of(shown, judged),
            "floor": INSIDE_TOP + INSIDE_HEIGHT,
        },
    )


def checks_of(visit: Visit, **of: UUID) -> list[tuple[AcceptanceCheck, str]]:
    """Return the newest checks of a cabinet, a device or a location, each with its result in words."""
    found = checks_in(visit.scope).filter(**of).order_by("-registered_id")[:CHECKS_SHOWN]
    return [(one, RESULT_WORDS[Result(one.result)]) for one in found]


def beams_of(check: AcceptanceCheck, judged: Judged) -> list[Beam]:
    """Return the sensors of the picture, from left to right."""
    facts, zones = judged.judged_by["facts"], judged.zones
    height = facts["interior_height_mm"]
    said = [zone["distance_mm"] for zone in zones] + list(check.tape_mm)
    # Where the cabinet's inside was never measured, the picture is as deep as what was said.
    deep = height - (facts["rail_below_ceiling_mm"] or 0) if height else max(filter(None, said), default=1)
    found_at = {finding["sensor"] for finding in judged.findings}
    width = 960 // len(zones)

    def down(distance: int) -> int:
        return INSIDE_TOP + round(INSIDE_HEIGHT * min(1.0, distance / deep))

    floor = INSIDE_TOP + INSIDE_HEIGHT
    beams = []
    for place, (zone, tape) in enumerate(zip(zones, check.tape_mm, strict=True)):
        left = 20 + place * width
        surface = floor if zone["distance_mm"] is None else down(zone["distance_mm"])
        beams.append(
            Beam(
                zone["sensor"], zone["port"], left, left + width // 2, width, zone["distance_mm"], surface,
                floor - surface, None if tape is None else down(tape), tape, zone["sensor"] in found_at,
            )
        )  # fmt: skip
    return beams
