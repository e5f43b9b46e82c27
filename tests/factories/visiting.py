"""Visits and surveys for tests, on top of the company of `world`."""

from collections.abc import Sequence
from datetime import date
from typing import Any
from uuid import UUID

from registry.actions import kit, locations, surveys, visits
from registry.actions._action import Actor
from registry.models import Cabinet, CabinetSurvey, KitPart, KitRule, Visit
from registry.queries.visits import cabinets_of, cautions_of
from tests.factories.world import DAY, World


def day_of(world: World, days: int = 3) -> date:
    """Return a day to come, at every store."""
    return (world.clock.at + days * DAY).date()


def planned(
    world: World, kind: str = "survey", cabinets: Sequence[Cabinet] | None = None, **more: Any
) -> Visit:
    """Plan a visit to the store, for a cabinet there unless told which."""
    things = [world.cabinet()] if cabinets is None else cabinets
    given = {"location_id": world.location.pk, "planned_on": day_of(world), **more}
    return visits.plan_visit(world.office, kind=kind, cabinets=[thing.pk for thing in things], **given)


def released(world: World, kind: str = "survey", **more: Any) -> Visit:
    """Plan a visit and release it, whatever is missing."""
    visit = planned(world, kind, **more)
    return visits.release_visit(world.office, visit_id=visit.pk, override_reason="The store asked for it")


def read(world: World, visit: Visit, actor: Actor | None = None) -> Visit:
    """Acknowledge the cautions of each cabinet of a visit."""
    for line in cabinets_of(visit):
        visit = visits.acknowledge_cautions(
            actor or world.office,
            visit_id=visit.pk,
            cabinet_id=line.cabinet_id,
            codes=[caution.code for caution in cautions_of(line.cabinet)],
        )
    return visit


def begun(world: World, kind: str = "survey", **more: Any) -> Visit:
    """Bring a visit as far as that somebody works there: its installer, or the office where it has none."""
    visit = released(world, kind, **more)
    worker = world.office if visit.installer_id is None else world.installer
    return visits.begin_visit(worker, visit_id=read(world, visit, worker).pk)


def surveyed(
    world: World,
    cabinet: Cabinet,
    outcome: str = "suitable",
    visit_id: UUID | None = None,
    **more: Any,
) -> CabinetSurvey:
    """Survey a cabinet, on a visit where one is named."""
    particulars = {"outcome": outcome, **({} if outcome == "suitable" else {"note": "Wet floor"}), **more}
    return surveys.record_survey(
        world.office, cabinet_id=cabinet.pk, visit_id=visit_id, particulars=particulars
    )


def allowed(world: World, on: date | None = None) -> None:
    """Let the customer allow an installation at the store."""
    given = {"authority_on": on or world.start.date()}
    locations.correct_location(world.office, location_id=world.location.pk, particulars=given)


def part(world: World, **particulars: Any) -> KitPart:
    """Register a part."""
    given = {"code": world.code("RAIL"), "name": "Short rail", **particulars}
    return kit.register_kit_part(world.office, particulars=given)


def rule(world: World, of: UUID | None = None, **particulars: Any) -> KitRule:
    """Set a rule: one of a fresh part for each cabinet unless told."""
    given = {"name": "One for each", "quantity": 1, **particulars}
    return kit.set_kit_rule(world.office, part_id=of or part(world).pk, particulars=given)
