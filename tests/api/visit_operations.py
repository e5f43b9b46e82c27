"""Every change of visits, surveys and the kit: one request of each, accepted of the administrator."""

from typing import Any

from registry.queries.visits import cautions_of
from tests.api.operations import Maker, Operation
from tests.factories import visiting
from tests.factories.world import World

OPERATIONS: dict[str, Maker] = {}


def _operation(make: Maker) -> Maker:
    OPERATIONS[make.__name__.removeprefix("_").replace("_", "-")] = make
    return make


def _of(noun: str, key: Any, what: str, verb: str, body: dict[str, Any]) -> Operation:
    thing = f"{noun}/{key}/"
    method, path = ("POST", f"{thing}{what}/") if what else ("PATCH", thing)
    return Operation(method, path, body, verb, thing=thing, shows=thing)


@_operation
def _plan(world: World) -> Operation:
    body = {
        "location": str(world.location.pk),
        "kind": "install",
        "planned_on": str(visiting.day_of(world)),
        "cabinets": [str(world.cabinet().pk)],
        "installer": str(world.installer.staff_id),
    }
    return Operation("POST", "visits/", body, "visit.planned")


@_operation
def _correct_plan(world: World) -> Operation:
    body = {"note": "Ring first", "planned_on": str(visiting.day_of(world, 4))}
    return _of("visits", visiting.planned(world).pk, "", "visit.corrected", body)


@_operation
def _release(world: World) -> Operation:
    return _of("visits", visiting.planned(world).pk, "release", "visit.released", {})


@_operation
def _acknowledge(world: World) -> Operation:
    cabinet = world.cabinet()
    visit = visiting.released(world, cabinets=[cabinet])
    body = {"cabinet": str(cabinet.pk), "codes": [caution.code for caution in cautions_of(cabinet)]}
    return _of("visits", visit.pk, "acknowledge", "visit.cautions_acknowledged", body)


@_operation
def _begin(world: World) -> Operation:
    visit = visiting.read(world, visiting.released(world), world.administrator)
    return _of("visits", visit.pk, "begin", "visit.begun", {})


@_operation
def _finish(world: World) -> Operation:
    return _of(
        "visits", visiting.begun(world, "inspect").pk, "finish", "visit.finished", {"outcome": "All done"}
    )


@_operation
def _cancel(world: World) -> Operation:
    return _of("visits", visiting.planned(world).pk, "cancel", "visit.cancelled", {"reason": "Too wet"})


@_operation
def _survey(world: World) -> Operation:
    body = {
        "cabinet": str(world.cabinet().pk),
        "outcome": "with_conditions",
        "needs_ladder": True,
        "liner": "steel",
        "note": "Before opening only",
    }
    return Operation("POST", "surveys/", body, "survey.recorded")


@_operation
def _register_part(world: World) -> Operation:
    return Operation("POST", "kit-parts/", {"code": "RAIL-S", "name": "Short rail"}, "kit_part.registered")


@_operation
def _correct_part(world: World) -> Operation:
    return _of("kit-parts", visiting.part(world).pk, "", "kit_part.corrected", {"discontinued": True})


@_operation
def _adopt(world: World) -> Operation:
    return Operation("POST", "kit-parts/adopt/", {}, "kit.adopted")


@_operation
def _set_rule(world: World) -> Operation:
    body = {"part": str(visiting.part(world).pk), "name": "One for each", "quantity": 1, "for_each": 2}
    return Operation("POST", "kit-rules/", body, "kit_rule.set")


@_operation
def _withdraw_rule(world: World) -> Operation:
    body = {"reason": "Never needed"}
    return _of("kit-rules", visiting.rule(world).pk, "withdraw", "kit_rule.withdrawn", body)
