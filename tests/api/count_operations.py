"""Every change of counts: one request of each, accepted of the administrator, who counted nothing."""

from typing import Any
from uuid import UUID

from registry.actions import counts
from registry.models import Count, CountItem
from tests.api.operations import Maker, Operation
from tests.factories.world import World

OPERATIONS: dict[str, Maker] = {}
REASON = {"reason": "looked twice"}


def _operation(make: Maker) -> Maker:
    OPERATIONS[make.__name__.removeprefix("_").replace("_", "-")] = make
    return make


def _of(place: str, key: Any, what: str, verb: str, body: dict[str, Any]) -> Operation:
    thing = f"{place}/{key}/"
    return Operation("POST", f"{thing}{what}/", body, verb, thing=thing, shows=thing)


def drawn(world: World, name: str = "Spring") -> Count:
    """Draw a count of a device that waits in Tarnmouth."""
    world.device()
    return counts.draw_count(world.auditor, name=name, depot_id=world.tarnmouth.pk)


def nothing_there(world: World, count: Count) -> CountItem:
    """Find nothing in Tarnmouth; return the first line."""
    return counts.record_finding(
        world.auditor, count_id=count.pk, depot_id=world.tarnmouth.pk, place_done=True
    )


def missing(world: World) -> UUID:
    """Return the key of a difference of a closed count."""
    count = drawn(world)
    line = nothing_there(world, count)
    counts.close_count(world.auditor, count_id=count.pk)
    return line.pk


@_operation
def _draw(world: World) -> Operation:
    world.device()
    body = {"name": "Spring", "confidence": 97.5, "tolerated": "10", "places": ["depot", "van"]}
    return Operation("POST", "counts/", body, "count.drawn")


@_operation
def _find(world: World) -> Operation:
    body = {"depot": str(world.tarnmouth.pk), "serial": world.device().serial, "note": "High up"}
    return _of("counts", drawn(world).pk, "findings", "count.finding_recorded", body)


@_operation
def _recount(world: World) -> Operation:
    count = drawn(world)
    nothing_there(world, count)
    body = {"depot": str(world.tarnmouth.pk), **REASON}
    return _of("counts", count.pk, "recount", "count.place_reopened", body)


@_operation
def _close_count(world: World) -> Operation:
    count = drawn(world)
    nothing_there(world, count)
    return _of("counts", count.pk, "close", "count.closed", {})


@_operation
def _accept(world: World) -> Operation:
    return _of("count-differences", missing(world), "accept", "count.difference_accepted", REASON)


@_operation
def _dismiss(world: World) -> Operation:
    return _of("count-differences", missing(world), "dismiss", "count.difference_dismissed", REASON)
