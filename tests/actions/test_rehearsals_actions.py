"""Rehearsals: an action done, told and taken back tells what the real one then writes."""

import json
import re
from dataclasses import asdict, replace
from inspect import signature
from typing import Any

import pytest
from django.db import connection

from registry.actions import accounts, assignments, cabinets, periods
from registry.actions._action import is_open
from registry.actions._requests import Actor, Rehearsal, Told, rehearse
from registry.actions._stores import NewCabinet
from registry.ledger.images import image_of
from registry.models import DeviceWhereabouts, Entry
from registry.models.base import new_key
from registry.queries.periods import planned_correction
from registry.rules.canonical import plain
from registry.rules.errors import RuleBroken
from registry.rules.splits import Share
from tests.actions.test_every_action import FUNCTIONS, ROWS
from tests.actions.unchanged import dump, nothing_changed, refused
from tests.factories.world import DAY, World, new_location, person

# What is fresh at each doing: keys, the tail of a key in a label, salts in a commitment.
FRESH = re.compile(
    r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}|\b[0-9a-f]{64}\b"
    r"|(?:token|contact|staff member|photo|mounting|survey) [0-9a-f]{6}\b"
)


def as_told(told: Told) -> dict[str, Any]:
    """Return a rehearsal in the form of an entry's body."""
    story = asdict(told.story)
    about = [
        {"part": part["part"], "kind": str(part["kind"]), "id": str(part["thing_id"]), "label": part["label"]}
        for part in story.pop("about")
    ]
    if not story["clock_offset_s"]:  # told only where a clock was wrong
        del story["clock_offset_s"]
    story["occurred_at"], story["staff"] = plain(story["occurred_at"]), plain(story.pop("staff_id"))
    written = [
        {"table": row.table, "key": str(row.key), "before": row.before, "after": row.after}
        for row in told.written
    ]
    return {**story, "subjects": about, "images": written}


def as_entered(entry: Entry) -> dict[str, Any]:
    """Return an entry's body without what only a place in the ledger has."""
    body: dict[str, Any] = json.loads(entry.body)
    for name in ("index", "id", "recorded_at", "schema", "simulated"):
        del body[name]
    return body


def comparable(body: dict[str, Any], known: str) -> Any:
    """Return a body with each value that was not known before named by the order of its first coming."""
    names: dict[str, str] = {}

    def name(found: re.Match[str]) -> str:
        return found[0] if found[0] in known else names.setdefault(found[0], f"fresh {len(names)}")

    return json.loads(FRESH.sub(name, json.dumps(body, sort_keys=True)))


def known() -> str:
    """Return all that the register holds, keys written as in images."""
    bodies = "\n".join(Entry.objects.values_list("body", flat=True))
    return bodies + repr(dump())


def newest() -> Entry:
    return Entry.objects.latest("index")


@pytest.mark.parametrize("name", sorted(ROWS))
def test_every_action_tells_in_a_rehearsal_what_it_then_writes(
    world: World, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A seed that is made anew each time draws another sample: it is the one thing that no rehearsal tells.
    monkeypatch.setattr("secrets.token_hex", lambda length: "5e" * length)
    call, _ = ROWS[name].prepare(world)
    actor = person(world, "administrator", everywhere=True)
    more = {"reason": "Said so on the quay"} if "reason" in signature(FUNCTIONS[name]).parameters else {}
    before = known()

    rehearsals = [Rehearsal(actor.staff_id, actor.face) for _ in range(2)]
    for rehearsal in rehearsals:
        with nothing_changed():
            call(rehearsal, **more)
    call(actor, **more)

    entered = comparable(as_entered(newest()), before)
    assert entered["verb"] == ROWS[name].verb
    for rehearsal in rehearsals:
        [told] = rehearsal.told
        assert comparable(as_told(told), before) == entered


# --- what people look at before they save --------------------------------------------------------------


def told_then_entered(world: World, action: Any, **arguments: Any) -> Told:
    """Rehearse, hold that nothing is left of it, do it, and hold that it was as told."""
    before = known()
    with nothing_changed():
        told = rehearse(action, world.office, **arguments)
    assert not is_open()
    action(world.office, **arguments)
    assert comparable(as_told(told), before) == comparable(as_entered(newest()), before)
    return told


def test_an_assignment_is_shown_before_it_is_made(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    told = told_then_entered(
        world,
        assignments.assign_device,
        serial=device.serial,
        cabinet_id=cabinet.pk,
        valid_from=world.start + 5 * DAY,
        reason="Opening day",
    )
    assert [row.table for row in told.written] == ["devicewhereabouts"] * 3
    assert told.story.reason == "Opening day"
    assert told.written[-1].after["cabinet_id"] == str(cabinet.pk)


def test_a_swap_is_shown_with_the_device_that_comes_out(world: World) -> None:
    old, fresh, cabinet = world.device(), world.device(), world.cabinet()
    hung = world.assigned(old, cabinet)
    told = told_then_entered(
        world,
        assignments.swap_device,
        assignment_id=hung.period,
        device_id=fresh.pk,
        valid_from=world.start + 5 * DAY,
        depot_id=world.fellgate.pk,
    )
    labels = {about.part: about.label for about in told.story.about}
    assert (labels["removed"], labels["device"]) == (old.label, fresh.label)


def test_a_move_is_shown_with_the_device_that_follows_or_comes_out(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    world.assigned(device, cabinet)
    move: dict[str, Any] = {
        "cabinet_id": cabinet.pk,
        "location_id": store.pk,
        "valid_from": world.start + 5 * DAY,
    }
    with nothing_changed():
        out = rehearse(cabinets.move_cabinet, world.office, devices="come_out", **move)
    follows = told_then_entered(world, cabinets.move_cabinet, devices="follow", **move)
    assert [row.table for row in follows.written] == ["cabinetwhereabouts"] * 3
    assert [row.table for row in out.written] == ["devicewhereabouts"] * 3 + ["cabinetwhereabouts"] * 3
    assert {about.part for about in follows.story.about} >= {"device"}
    assert {about.part for about in out.story.about} >= {"removed"}


def test_a_correction_is_shown_with_every_neighbour_that_moves(world: World) -> None:
    old, fresh, cabinet = world.device(), world.device(), world.cabinet()
    hung = world.assigned(old, cabinet)
    swapped = assignments.swap_device(
        world.office,
        assignment_id=hung.period,
        device_id=fresh.pk,
        valid_from=world.start + 8 * DAY,
        depot_id=world.tarnmouth.pk,
    )
    at = world.start + 7 * DAY
    planned = planned_correction(DeviceWhereabouts.objects.current().get(period=swapped.period), at, None)
    told = told_then_entered(
        world,
        periods.correct_period,
        history="devicewhereabouts",
        period_id=swapped.period,
        valid_from=at,
        reason="read the job sheet",
    )
    # Both devices: the period before the boundary and the one after it.
    replaced = [row for row in told.written if row.before is not None]
    assert {row.key for row in replaced} == {plan.version.pk for plan in planned}
    assert len(replaced) == 4
    moved = [row.after for row in told.written if row.before is None]
    assert sorted((row["valid_from"], row["valid_to"] or "") for row in moved) == sorted(
        (plain(plan.after.valid_from), plain(plan.after.valid_to) or "") for plan in planned if plan.after
    )


def test_an_account_is_shown_with_its_stores_and_cabinets(world: World) -> None:
    cabinet = NewCabinet(world.cove.pk, {"asset_tag": "SK-9"}, [Share(world.eight_lb.pk, 10_000)])
    stores = [
        replace(new_location(world.tarnmouth, "1"), cabinets=[cabinet]),
        new_location(world.fellgate, "2"),
    ]
    told = told_then_entered(
        world,
        accounts.register_account,
        particulars={"code": "PP", "name": "Pier & Pantry"},
        valid_from=world.start,
        locations=stores,
    )
    tables = [row.table for row in told.written]
    assert [tables.count(table) for table in ("account", "location", "cabinet", "split")] == [1, 2, 1, 1]
    assert all(row.before is None for row in told.written)


def test_an_image_of_a_rehearsal_is_the_one_that_the_row_then_has(world: World) -> None:
    told = told_then_entered(
        world, accounts.correct_account, account_id=world.account.pk, particulars={"name": "Lantern"}
    )
    world.account.refresh_from_db()
    assert told.written[0].after == image_of(world.account)
    assert told.written[0].before["name"] == "Lantern Fuel"


# --- refused, and for real -----------------------------------------------------------------------------


def test_a_rehearsal_refuses_as_the_action_does(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    again = {"device_id": device.pk, "valid_from": world.start + 5 * DAY}
    other = world.cabinet()
    for actor, arguments in (
        (world.office, {**again, "cabinet_id": other.pk}),
        (world.office, {**again, "cabinet_id": new_key()}),
        (world.stranger, {**again, "cabinet_id": other.pk}),
        (world.auditor, {**again, "cabinet_id": other.pk}),
        (Actor(new_key(), world.office.face), {**again, "cabinet_id": other.pk}),
    ):
        told = []
        for call in (assignments.assign_device, lambda who, **more: rehearse(assign, who, **more)):
            with nothing_changed(), pytest.raises(RuleBroken) as caught:
                call(actor, **arguments)
            broken = caught.value
            told.append((broken.code, broken.message, broken.field, broken.details))
        assert told[0] == told[1]


assign = assignments.assign_device


def test_a_rehearsal_that_is_refused_tells_nothing(world: World) -> None:
    rehearsal = Rehearsal(world.auditor.staff_id, world.auditor.face)
    with refused("role_forbids"):
        accounts.correct_account(rehearsal, account_id=world.account.pk, particulars={"name": "Lantern"})
    assert rehearsal.told == []


def test_nothing_of_a_rehearsal_is_committed(real_transactions: None, world: World) -> None:
    before = dump()
    told = rehearse(
        accounts.correct_account, world.office, account_id=world.account.pk, particulars={"name": "Lantern"}
    )
    assert not connection.in_atomic_block
    assert dump() == before
    assert told.written[0].after["name"] == "Lantern"
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern"})
    assert dump() != before
