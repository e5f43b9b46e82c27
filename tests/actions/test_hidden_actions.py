"""What is of another depot refuses exactly as what is not there, whatever else is asked with it."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from inspect import signature
from typing import Any
from uuid import UUID

import pytest

from registry.actions import assignments, cabinets, counts, devices, locations, periods, provisional, visits
from registry.actions._action import Actor
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.models import (
    Cabinet,
    CabinetWhereabouts,
    CountItem,
    Depot,
    DeviceWhereabouts,
    LocationState,
    Split,
    Visit,
)
from registry.models.base import new_key
from registry.queries.visits import cautions_of
from registry.rules.errors import RuleBroken
from registry.rules.splits import Share
from registry.rules.visits import VisitState
from tests.actions.test_every_action import FUNCTIONS, ROWS
from tests.actions.unchanged import nothing_changed, refused, undone
from tests.factories import visiting
from tests.factories.evidence import facts, kept_photo, mounted, photographed
from tests.factories.playing import BELOW, check_that_passed
from tests.factories.world import DAY, World, new_location, person

# Keys of what no depot owns: every person of the register's may name them.
# A key of the caller's own names nothing that is looked up.
NOBODYS = {"account_id", "staff_id", "installer_id", "id"}
# Fresh keys of the caller's own, under names that mean something else in other actions.
FRESH = {
    ("assign_device", "assignment_id"),
    ("swap_device", "new_assignment_id"),
    ("record_provisional_device", "assignment_id"),
    ("check_installation", "check_id"),
}


@dataclass
class Side:
    """A depot and what it answers for."""

    depot: UUID
    location: UUID
    contact: UUID
    cabinet: UUID  # with a split, and nothing in it
    device: UUID  # in the depot
    repaired: UUID  # at its maker
    rejected: UUID
    found: UUID  # provisional, in the depot
    assignment: UUID  # in another cabinet there
    withdrawn: UUID  # an assignment that never was
    hung: UUID  # a period of the device that is assigned
    stay: UUID
    state: UUID
    split: UUID
    custody: UUID
    count: UUID  # of the depot, in which nobody has looked yet
    ready: UUID  # a count in which nothing was found where everything waits
    closed: UUID  # the like, closed
    difference: UUID  # of that
    mounting: UUID  # of the assignment
    bare: UUID  # an assignment of which nobody recorded how it was mounted
    photo: UUID  # of the cabinet
    visit: UUID  # a survey of the cabinet that is planned
    serial: str


def side(world: World, depot: Depot) -> Side:
    """Register something of every kind for a depot."""
    office, store = world.office, world.store(depot=depot)
    contact = locations.register_contact(office, location_id=store.pk, text={"name": "Tamsin Reed"})
    cabinet, fitted = world.cabinet(store, split=True), world.cabinet(store)
    device, repaired, hanging, never = (world.device(depot=depot) for _ in range(4))
    devices.send_device_to_repair(office, device_id=repaired.pk, valid_from=world.start + 2 * DAY)
    found, rejected = (
        provisional.record_provisional_device(
            office,
            device=NewDevice(world.plumb_3.pk, world.serial()),
            valid_from=world.start + 4 * DAY,
            evidence="lay on the shelf",
            depot_id=depot.pk,
        )
        for _ in range(2)
    )
    provisional.reject_provisional_device(office, device_id=rejected.pk, reason="a competitor's")
    withdrawn = world.assigned(never, fitted)
    periods.withdraw_period(
        office, history="devicewhereabouts", period_id=withdrawn.period, reason="never hung"
    )
    hung = world.assigned(hanging, fitted)
    asleep = locations.set_location_state(
        office, location_id=store.pk, state="asleep", valid_from=world.start + 3 * DAY
    )
    drawn, ready, closed = (
        counts.draw_count(world.auditor, name=world.code("C"), depot_id=depot.pk, places=["depot"])
        for _ in range(3)
    )
    for count in (ready, closed):
        missing = counts.record_finding(world.auditor, count_id=count.pk, depot_id=depot.pk, place_done=True)
    counts.close_count(world.auditor, count_id=closed.pk)
    return Side(
        depot=depot.pk,
        location=store.pk,
        contact=contact.pk,
        cabinet=cabinet.pk,
        device=device.pk,
        repaired=repaired.pk,
        rejected=rejected.pk,
        found=found.pk,
        assignment=hung.period,
        withdrawn=withdrawn.period,
        hung=hung.period,
        stay=CabinetWhereabouts.objects.current().get(cabinet=cabinet).period,
        state=LocationState.objects.current().get(location=asleep, valid_to=None).period,
        split=Split.objects.current().get(cabinet=cabinet).period,
        custody=DeviceWhereabouts.objects.current().get(device=device).period,
        count=drawn.pk,
        ready=ready.pk,
        closed=closed.pk,
        difference=missing.pk,
        mounting=mounted(world, hung.period).pk,
        bare=world.assigned(world.device(depot=depot), world.cabinet(store)).period,
        photo=photographed(world, cabinet_id=cabinet.pk).pk,
        visit=visiting.planned(world, "survey", [cabinet], location_id=store.pk).pk,
        serial=device.serial,
    )


# --- the calls -----------------------------------------------------------------------------------------

Arguments = Callable[[World, Side, Any], dict[str, Any]]


@dataclass(frozen=True)
class Case:
    """An action, the argument that names something hidden, and how to call it with any key there."""

    action: str
    argument: str
    names: str  # the attribute of a Side
    arguments: Arguments


def noon(world: World) -> datetime:
    return world.start + 5 * DAY


def new(world: World) -> NewDevice:
    return NewDevice(world.plumb_3.pk, world.serial())


CASES = [
    # Stores.
    Case(
        "register_location",
        "location.depot_id",
        "depot",
        lambda world, own, key: {
            "account_id": world.account.pk,
            "location": replace(new_location(world.fellgate, "0099"), depot_id=key),
            "valid_from": noon(world),
        },
    ),
    Case(
        "take_over_location",
        "location.depot_id",
        "depot",
        lambda world, own, key: {
            "account_id": world.account.pk,
            "location": replace(new_location(world.fellgate, "0099"), depot_id=key),
            "known_by": noon(world),
        },
    ),
    Case(
        "correct_location",
        "location_id",
        "location",
        lambda world, own, key: {"location_id": key, "particulars": {"name": "Pier Road"}},
    ),
    Case(
        "correct_location",
        "particulars.depot_id",
        "depot",
        # A name as well, because its own depot alone would change nothing.
        lambda world, own, key: {
            "location_id": own.location,
            "particulars": {"depot_id": key, "name": "Pier Road"},
        },
    ),
    Case(
        "set_location_state",
        "location_id",
        "location",
        lambda world, own, key: {"location_id": key, "state": "open", "valid_from": noon(world)},
    ),
    Case(
        "close_location",
        "location_id",
        "location",
        lambda world, own, key: {"location_id": key, "valid_from": noon(world), "cabinets_to": own.depot},
    ),
    *[
        Case(
            "close_location",
            argument,
            "depot",
            lambda world, own, key, argument=argument: {
                "location_id": own.location,
                "valid_from": noon(world),
                "cabinets_to": own.depot,
                argument: key,
            },
        )
        for argument in ("cabinets_to", "devices_to")
    ],
    Case(
        "hand_location",
        "location_id",
        "location",
        lambda world, own, key: {
            "location_id": key,
            "account_id": world.account.pk,
            "store_number": "77",
            "valid_from": noon(world),
        },
    ),
    Case(
        "register_contact",
        "location_id",
        "location",
        lambda world, own, key: {"location_id": key, "text": {"name": "Wren Calder"}},
    ),
    Case(
        "correct_contact",
        "contact_id",
        "contact",
        lambda world, own, key: {"contact_id": key, "text": {"name": "Wren Calder"}},
    ),
    Case("erase_contact", "contact_id", "contact", lambda world, own, key: {"contact_id": key}),
    # Cabinets.
    *[
        Case(
            "register_cabinet",
            f"{place}_id",
            place,
            lambda world, own, key, place=place: {
                "cabinet": NewCabinet(world.cove.pk, {"asset_tag": "SK-9"}),
                "valid_from": noon(world),
                f"{place}_id": key,
            },
        )
        for place in ("location", "depot")
    ],
    Case(
        "correct_cabinet",
        "cabinet_id",
        "cabinet",
        lambda world, own, key: {"cabinet_id": key, "particulars": {"setting": "outdoor"}},
    ),
    Case(
        "move_cabinet",
        "cabinet_id",
        "cabinet",
        lambda world, own, key: {"cabinet_id": key, "valid_from": noon(world), "depot_id": own.depot},
    ),
    *[
        Case(
            "move_cabinet",
            argument,
            "depot",
            lambda world, own, key, argument=argument: {
                "cabinet_id": fitted(own),
                "valid_from": noon(world),
                "devices": "come_out",
                "depot_id": own.depot,
                "devices_to": own.depot,
                argument: key,
            },
        )
        for argument in ("depot_id", "devices_to")
    ],
    Case(
        "move_cabinet",
        "location_id",
        "location",
        lambda world, own, key: {
            "cabinet_id": spare(world, own),
            "valid_from": noon(world),
            "location_id": key,
        },
    ),
    Case(
        "scrap_cabinet",
        "cabinet_id",
        "cabinet",
        lambda world, own, key: {"cabinet_id": key, "valid_from": noon(world)},
    ),
    Case(
        "scrap_cabinet",
        "devices_to",
        "depot",
        lambda world, own, key: {
            "cabinet_id": fitted(own),
            "valid_from": noon(world),
            "devices_to": key,
        },
    ),
    Case(
        "set_split",
        "cabinet_id",
        "cabinet",
        lambda world, own, key: {
            "cabinet_id": key,
            "shares": [Share(world.eight_lb.pk, 10_000)],
            "valid_from": noon(world),
        },
    ),
    # Devices.
    Case(
        "receive_devices",
        "depot_id",
        "depot",
        lambda world, own, key: {"devices": [new(world)], "depot_id": key, "valid_from": noon(world)},
    ),
    Case(
        "correct_device",
        "device_id",
        "device",
        lambda world, own, key: {"device_id": key, "firmware": "2.1.0"},
    ),
    Case(
        "hand_over_device",
        "device_id",
        "device",
        lambda world, own, key: {
            "device_id": key,
            "valid_from": noon(world),
            "depot_id": own.depot,
            "staff_id": world.stranger.staff_id,
        },
    ),
    Case(
        "hand_over_device",
        "depot_id",
        "depot",
        lambda world, own, key: {
            "device_id": own.device,
            "valid_from": noon(world),
            "depot_id": key,
            "staff_id": world.stranger.staff_id,
        },
    ),
    Case(
        "send_device_to_repair",
        "device_id",
        "device",
        lambda world, own, key: {"device_id": key, "valid_from": noon(world), "reference": "RMA-17"},
    ),
    Case(
        "return_device_from_repair",
        "device_id",
        "repaired",
        lambda world, own, key: {"device_id": key, "valid_from": noon(world), "depot_id": own.depot},
    ),
    Case(
        "return_device_from_repair",
        "depot_id",
        "depot",
        lambda world, own, key: {"device_id": own.repaired, "valid_from": noon(world), "depot_id": key},
    ),
    Case(
        "mark_device_lost",
        "device_id",
        "device",
        lambda world, own, key: {"device_id": key, "valid_from": noon(world)},
    ),
    Case(
        "retire_device",
        "device_id",
        "device",
        lambda world, own, key: {"device_id": key, "valid_from": noon(world)},
    ),
    # Assignments.
    Case(
        "assign_device",
        "cabinet_id",
        "cabinet",
        lambda world, own, key: {"cabinet_id": key, "device_id": own.device, "valid_from": noon(world)},
    ),
    Case(
        "assign_device",
        "device_id",
        "device",
        lambda world, own, key: {"cabinet_id": own.cabinet, "device_id": key, "valid_from": noon(world)},
    ),
    Case(
        "assign_device",
        "serial",
        "serial",
        lambda world, own, key: {"cabinet_id": own.cabinet, "serial": key, "valid_from": noon(world)},
    ),
    Case(
        "end_assignment",
        "assignment_id",
        "assignment",
        lambda world, own, key: {
            "assignment_id": key,
            "valid_to": noon(world),
            "end_reason": "fault",
            "depot_id": own.depot,
        },
    ),
    Case(
        "end_assignment",
        "depot_id",
        "depot",
        lambda world, own, key: {
            "assignment_id": own.assignment,
            "valid_to": noon(world),
            "end_reason": "fault",
            "depot_id": key,
        },
    ),
    *[
        Case(
            "swap_device",
            argument,
            names,
            lambda world, own, key, argument=argument: {
                "assignment_id": own.assignment,
                "valid_from": noon(world),
                "end_reason": "fault",
                "depot_id": own.depot,
                **({} if argument == "serial" else {"device_id": own.device}),
                argument: key,
            },
        )
        for argument, names in (
            ("assignment_id", "assignment"),
            ("device_id", "device"),
            ("serial", "serial"),
            ("depot_id", "depot"),
        )
    ],
    # Devices that nobody booked in.
    *[
        Case(
            "record_provisional_device",
            f"{place}_id",
            place,
            lambda world, own, key, place=place: {
                "device": new(world),
                "valid_from": noon(world),
                "evidence": "Hung there already",
                f"{place}_id": key,
            },
        )
        for place in ("cabinet", "depot")
    ],
    Case("confirm_provisional_device", "device_id", "found", lambda world, own, key: {"device_id": key}),
    Case(
        "merge_provisional_device",
        "device_id",
        "found",
        lambda world, own, key: {"device_id": key, "into_id": own.device},
    ),
    Case(
        "merge_provisional_device",
        "into_id",
        "device",
        lambda world, own, key: {"device_id": own.found, "into_id": key},
    ),
    Case(
        "reject_provisional_device",
        "device_id",
        "found",
        lambda world, own, key: {"device_id": key, "reason": "a competitor's"},
    ),
    # History.
    *[
        Case(
            "correct_period",
            "period_id",
            names,
            lambda world, own, key, history=history, stated=stated: {
                "history": history,
                "period_id": key,
                "reason": "the job sheet says so",
                **stated(world),
            },
        )
        for names, history, stated in (
            ("hung", "devicewhereabouts", lambda world: {"valid_from": world.start + 3 * DAY}),
            ("stay", "cabinetwhereabouts", lambda world: {"starts_known_by": True}),
            ("state", "locationstate", lambda world: {"valid_from": world.start + 2 * DAY}),
            ("split", "split", lambda world: {"facts": {"shares": [Share(world.eight_lb.pk, 10_000)]}}),
        )
    ],
    *[
        Case(
            "correct_period",
            f"facts.{fact}",
            names,
            lambda world, own, key, history=history, of=of, fact=fact: {
                "history": history,
                "period_id": getattr(own, of),
                "reason": "the job sheet says so",
                "starts_known_by": True,  # so that its own place is a correction, too
                "facts": {fact: key},
            },
        )
        for history, of, fact, names in (
            ("devicewhereabouts", "hung", "cabinet_id", "cabinet"),
            ("devicewhereabouts", "custody", "depot_id", "depot"),
            ("cabinetwhereabouts", "stay", "location_id", "location"),
        )
    ],
    *[
        Case(
            "withdraw_period",
            "period_id",
            names,
            lambda world, own, key, history=history: {
                "history": history,
                "period_id": key,
                "reason": "never was",
            },
        )
        for names, history in (("hung", "devicewhereabouts"), ("state", "locationstate"))
    ],
    # Counts.
    Case(
        "draw_count",
        "depot_id",
        "depot",
        lambda world, own, key: {"name": "Spring", "depot_id": key, "places": ["depot"]},
    ),
    Case(
        "record_finding",
        "count_id",
        "count",
        lambda world, own, key: {"count_id": key, "depot_id": own.depot, "serial": own.serial},
    ),
    Case(
        "record_finding",
        "depot_id",
        "depot",
        lambda world, own, key: {"count_id": own.count, "depot_id": key, "serial": own.serial},
    ),
    Case(
        "record_finding",
        "cabinet_id",
        "cabinet",
        lambda world, own, key: {"count_id": own.count, "cabinet_id": key, "serial": own.serial},
    ),
    Case(
        "recount_place",
        "count_id",
        "ready",
        lambda world, own, key: {"count_id": key, "depot_id": own.depot, "reason": "too dark"},
    ),
    Case(
        "recount_place",
        "depot_id",
        "depot",
        lambda world, own, key: {"count_id": own.ready, "depot_id": key, "reason": "too dark"},
    ),
    Case(
        "recount_place",
        "cabinet_id",
        "cabinet",
        lambda world, own, key: {
            "count_id": seen_in(world, own),
            "cabinet_id": key,
            "reason": "too dark",
        },
    ),
    Case("close_count", "count_id", "ready", lambda world, own, key: {"count_id": key}),
    *[
        Case(
            action,
            "item_id",
            "difference",
            lambda world, own, key: {"item_id": key, "reason": "looked twice"},
        )
        for action in ("accept_difference", "dismiss_difference")
    ],
    # Mountings and photos.
    Case(
        "record_mounting",
        "assignment_id",
        "bare",
        lambda world, own, key: {"assignment_id": key, "facts": facts(world)},
    ),
    Case(
        "correct_mounting",
        "mounting_id",
        "mounting",
        lambda world, own, key: {"mounting_id": key, "facts": {"blanket_back": True}},
    ),
    *[
        Case(
            "add_photo",
            f"{name}_id",
            name,
            lambda world, own, key, name=name: {
                f"{name}_id": key,
                "kind": "other",
                "kept": kept_photo(),
                "taken_at": noon(world),
            },
        )
        for name in ("assignment", "cabinet", "device")
    ],
    Case(
        "add_photo",
        "visit_id",
        "visit",
        lambda world, own, key: {
            "visit_id": key,
            "cabinet_id": own.cabinet,
            "kind": "other",
            "kept": kept_photo(),
            "taken_at": world.clock.at,
        },
    ),
    Case("erase_photo", "photo_id", "photo", lambda world, own, key: {"photo_id": key}),
    # Acceptance.
    Case(
        "check_installation",
        "assignment_id",
        "assignment",
        lambda world, own, key: {"assignment_id": key, "tape_mm": BELOW},
    ),
    Case(
        "check_installation",
        "visit_id",
        "visit",
        lambda world, own, key: {"visit_id": key, "assignment_id": own.assignment, "tape_mm": BELOW},
    ),
    Case(
        "sign_off",
        "check_id",
        "assignment",
        lambda world, own, key: {"check_id": check_that_passed(world, key)},
    ),
    # Visits and surveys.
    *[
        Case(
            "plan_visit",
            argument,
            names,
            lambda world, own, key, argument=argument: {
                "location_id": own.location,
                "kind": "install",
                "planned_on": visiting.day_of(world),
                "cabinets": [own.cabinet],
                # A survey may be of a location alone, whose cabinets would not be those of another one.
                **({"kind": "survey", "cabinets": [], argument: key} if argument == "location_id" else {}),
                **({argument: [key]} if argument == "cabinets" else {}),
            },
        )
        for argument, names in (("location_id", "location"), ("cabinets", "cabinet"))
    ],
    Case(
        "correct_visit",
        "visit_id",
        "visit",
        lambda world, own, key: {"visit_id": key, "particulars": {"note": "Ring first"}},
    ),
    Case(
        "correct_visit",
        "particulars.cabinets",
        "cabinet",
        lambda world, own, key: {
            "visit_id": own.visit,
            "particulars": {"cabinets": [key], "note": "Ring first"},
        },
    ),
    Case("release_visit", "visit_id", "visit", lambda world, own, key: {"visit_id": key}),
    Case("cancel_visit", "visit_id", "visit", lambda world, own, key: {"visit_id": key, "reason": "too wet"}),
    *[
        Case(
            "acknowledge_cautions",
            argument,
            names,
            lambda world, own, key, argument=argument: {
                "visit_id": gone_on(world, own.visit, VisitState.RELEASED),
                "cabinet_id": own.cabinet,
                "codes": [one.code for one in cautions_of(Cabinet.objects.get(pk=own.cabinet))],
                argument: gone_on(world, key, VisitState.RELEASED) if argument == "visit_id" else key,
            },
        )
        for argument, names in (("visit_id", "visit"), ("cabinet_id", "cabinet"))
    ],
    Case(
        "begin_visit",
        "visit_id",
        "visit",
        lambda world, own, key: {"visit_id": gone_on(world, key, VisitState.RELEASED, read=True)},
    ),
    Case(
        "finish_visit",
        "visit_id",
        "visit",
        lambda world, own, key: {"visit_id": gone_on(world, key, VisitState.BEGUN), "outcome": "all done"},
    ),
    *[
        Case(
            "record_survey",
            argument,
            names,
            lambda world, own, key, argument=argument: {
                "cabinet_id": own.cabinet,
                "particulars": {"outcome": "suitable"},
                argument: key,
            },
        )
        for argument, names in (("cabinet_id", "cabinet"), ("visit_id", "visit"))
    ],
]


def gone_on(world: World, key: UUID, state: VisitState, *, read: bool = False) -> UUID:
    """Bring a planned visit into a state, if there is one of this key; return the key.

    To be begun by anybody, as `read` has it, its cabinets are taken off: nobody has cautions to read then.
    """
    visit = Visit.objects.filter(pk=key, state=VisitState.PLANNED).first()
    if visit is not None:
        if read or state is VisitState.BEGUN:
            visits.correct_visit(world.office, visit_id=key, particulars={"cabinets": []})
        visits.release_visit(world.office, visit_id=key)
        if state is VisitState.BEGUN:
            visits.begin_visit(world.office, visit_id=key)
    return key


def seen_in(world: World, own: Side) -> UUID:
    """Return the side's open count, in whose cabinet something was seen that was not drawn there."""
    cabinets_seen = CountItem.objects.filter(count=own.count, cabinet=own.cabinet, withdrawn=False)
    if not cabinets_seen.exists():
        counts.record_finding(world.auditor, count_id=own.count, cabinet_id=own.cabinet, serial=own.serial)
    return own.count


def fitted(own: Side) -> UUID:
    """Return the cabinet in which the side's assignment is."""
    key = DeviceWhereabouts.objects.current().get(period=own.assignment).cabinet_id
    assert key is not None
    return key


def spare(world: World, own: Side) -> UUID:
    """Return a cabinet that waits in the side's depot."""
    return world.cabinet(Depot.objects.get(pk=own.depot)).pk


# --- the tests -----------------------------------------------------------------------------------------


def test_every_key_that_a_scoped_action_takes_is_tried() -> None:
    takes = {
        (name, parameter.name)
        for name, expected in ROWS.items()
        if expected.scoped
        for parameter in signature(FUNCTIONS[name]).parameters.values()
        if parameter.annotation in (UUID, UUID | None) and parameter.name not in NOBODYS
    }
    assert takes - FRESH <= {(case.action, case.argument) for case in CASES}


def refusal(name: str, actor: Actor, arguments: dict[str, Any]) -> tuple[str, str]:
    """Return all that a refusal tells, but for the serial that was asked for."""
    [told] = refusals(name, actor, [arguments])
    return told


def refusals(name: str, actor: Actor, wanted: Iterable[dict[str, Any]]) -> list[tuple[str, str]]:
    """Return what each refusal of an action tells, with nothing changed by any of them."""
    told = []
    with nothing_changed():
        for arguments in wanted:
            with pytest.raises(RuleBroken) as caught:
                FUNCTIONS[name](actor, **arguments)
            broken = caught.value
            words = repr((str(broken.code), broken.message, broken.field, broken.details))
            told.append((str(broken.code), words.replace(str(arguments.get("serial")), "as typed")))
    return told


def spoilt(world: World, arguments: dict[str, Any], argument: str) -> Iterator[dict[str, Any]]:
    """Yield the arguments, and again with each of the others wrong in its ways."""
    yield arguments
    for name, value in arguments.items():
        if name == argument.partition(".")[0]:
            continue
        wrong: list[Any] = []
        if isinstance(value, UUID):
            wrong = [new_key()]
        elif isinstance(value, datetime):
            early, late = world.start - 400 * DAY, world.clock.at + 400 * DAY
            wrong = [early, late, value - timedelta(days=4, hours=12), value.replace(tzinfo=None)]
        elif isinstance(value, str):
            wrong = ["", "no word of ours", "x" * 5_000]
        elif isinstance(value, dict):
            wrong = [{}, {"no_such_thing": 1}]
        elif isinstance(value, list):
            wrong = [[]]
        for tried in wrong:
            yield {**arguments, name: tried}


def test_a_hidden_thing_refuses_like_one_that_is_not_there(world: World, subtests: pytest.Subtests) -> None:
    theirs, own = side(world, world.tarnmouth), side(world, world.fellgate)
    actor = person(world, "office", world.fellgate)
    for case in CASES:
        with subtests.test(action=case.action, argument=case.argument, names=case.names), undone():
            refuses_alike(world, case, theirs, own, actor)


def refuses_alike(world: World, case: Case, theirs: Side, own: Side, actor: Actor) -> None:
    """Hold that a case tells of a thing of another depot what it tells of one that is not there."""
    hidden = getattr(theirs, case.names)
    absent = world.serial() if case.names == "serial" else new_key()

    with undone():
        FUNCTIONS[case.action](actor, **case.arguments(world, own, getattr(own, case.names)))
    whole = case.arguments(world, own, hidden)
    code, _ = refusal(case.action, actor, whole)
    assert code == "not_found"
    there = refusals(case.action, actor, spoilt(world, whole, case.argument))
    missing = case.arguments(world, own, absent)
    nowhere = refusals(case.action, actor, spoilt(world, missing, case.argument))
    assert there == nowhere


@pytest.mark.parametrize("name", ["rejected", "withdrawn", "assignment"])
def test_what_is_over_and_was_another_depots_is_not_there_either(world: World, name: str) -> None:
    theirs, own = side(world, world.tarnmouth), side(world, world.fellgate)
    actor = person(world, "office", world.fellgate)
    calls: dict[str, tuple[str, Callable[[UUID], dict[str, Any]], str]] = {
        "rejected": (
            "retire_device",
            lambda key: {"device_id": key, "valid_from": noon(world)},
            "device_not_available",
        ),
        "withdrawn": (
            "end_assignment",
            lambda key: {"assignment_id": key, "valid_to": noon(world), "end_reason": "fault"},
            "period_superseded",
        ),
        "assignment": (
            "end_assignment",
            lambda key: {"assignment_id": key, "valid_to": noon(world), "end_reason": "fault"},
            "device_not_assigned",
        ),
    }
    action, arguments, code = calls[name]
    for each in (theirs, own):
        assignments.end_assignment(
            world.office,
            assignment_id=each.assignment,
            valid_to=world.start + 4 * DAY,
            end_reason="fault",
            depot_id=each.depot,
        )

    assert refusal(action, actor, arguments(getattr(own, name)))[0] == code
    assert refusal(action, actor, arguments(getattr(theirs, name))) == refusal(
        action, actor, arguments(new_key())
    )


def test_a_withdrawn_or_rejected_thing_of_another_depot_is_corrected_and_judged_by_nobody_else(
    world: World,
) -> None:
    theirs, own = side(world, world.tarnmouth), side(world, world.fellgate)
    actor = person(world, "office", world.fellgate)
    for action, arguments, name, code in (
        (
            "withdraw_period",
            lambda key: {"history": "devicewhereabouts", "period_id": key, "reason": "never was"},
            "withdrawn",
            "period_superseded",
        ),
        ("confirm_provisional_device", lambda key: {"device_id": key}, "rejected", "not_provisional"),
        ("confirm_provisional_device", lambda key: {"device_id": key}, "device", "not_provisional"),
        (
            "merge_provisional_device",
            lambda key: {"device_id": own.found, "into_id": key},
            "rejected",
            "device_not_available",
        ),
    ):
        assert refusal(action, actor, arguments(getattr(own, name)))[0] == code
        hidden = refusal(action, actor, arguments(getattr(theirs, name)))
        assert hidden == refusal(action, actor, arguments(new_key()))


def test_what_was_rejected_is_known_to_the_depot_that_answered_for_it_last(world: World) -> None:
    first, last = (person(world, "office", depot) for depot in (world.fellgate, world.tarnmouth))
    device = provisional.record_provisional_device(
        world.office,
        device=new(world),
        valid_from=world.start + 3 * DAY,
        evidence="lay on the shelf",
        depot_id=world.fellgate.pk,
    )
    devices.hand_over_device(
        world.office, device_id=device.pk, valid_from=noon(world), depot_id=world.tarnmouth.pk
    )
    provisional.reject_provisional_device(last, device_id=device.pk, reason="a competitor's")
    with refused("not_found", "device"):
        provisional.confirm_provisional_device(first, device_id=device.pk)
    with refused("not_provisional", "device"):
        provisional.confirm_provisional_device(last, device_id=device.pk)


def test_who_handed_a_cabinet_on_ends_nothing_in_it_even_at_a_time_when_it_was_theirs(world: World) -> None:
    theirs = side(world, world.fellgate)
    actor, both = (
        person(world, "office", world.fellgate),
        person(world, "office", world.fellgate, world.tarnmouth),
    )
    cabinets.move_cabinet(
        world.office,
        cabinet_id=fitted(theirs),
        location_id=world.location.pk,
        valid_from=noon(world),
        devices="follow",
    )
    earlier: dict[str, Any] = {
        "valid_to": world.start + 3 * DAY,
        "end_reason": "fault",
        "depot_id": world.fellgate.pk,
    }
    hidden = refusal("end_assignment", actor, {"assignment_id": theirs.assignment, **earlier})
    assert hidden == refusal("end_assignment", actor, {"assignment_id": new_key(), **earlier})
    assignments.end_assignment(both, assignment_id=theirs.assignment, **earlier)


def test_who_got_a_cabinet_changes_nothing_of_when_it_was_not_theirs_yet(world: World) -> None:
    theirs = side(world, world.fellgate)
    actor, hanging = (
        person(world, "office", world.tarnmouth),
        DeviceWhereabouts.objects.current().get(period=theirs.hung).device_id,
    )
    cabinets.move_cabinet(
        world.office,
        cabinet_id=fitted(theirs),
        location_id=world.location.pk,
        valid_from=noon(world),
        devices="follow",
    )
    before = {"device_id": hanging, "valid_from": world.start + 3 * DAY}
    with refused("not_found", "device"):
        devices.mark_device_lost(actor, **before)
    devices.mark_device_lost(actor, device_id=hanging, valid_from=noon(world) + DAY)


def test_nobody_is_suggested_or_resolved_to_what_they_may_not_see(world: World) -> None:
    theirs, own = side(world, world.tarnmouth), side(world, world.fellgate)
    actor = person(world, "office", world.fellgate)
    mistyped = theirs.serial[:-1] + str((int(theirs.serial[-1]) + 1) % 10)
    arguments = {"cabinet_id": own.cabinet, "serial": mistyped, "valid_from": noon(world)}

    with pytest.raises(RuleBroken) as caught:
        assignments.assign_device(world.office, **arguments)
    assert theirs.serial in caught.value.details["suggestions"]
    with pytest.raises(RuleBroken) as caught:
        assignments.assign_device(actor, **arguments)
    assert theirs.serial not in caught.value.details["suggestions"]
