"""The fleet over HTTP: counted as of a time and as known at one, of one's own depots and of an account."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import accounts, assignments, devices
from registry.queries.moments import head_index
from tests.api.client import Api, Person, ok, tables_read, told
from tests.api.operations import when
from tests.factories.world import DAY, World, person


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


def some(counts: dict[str, int]) -> dict[str, int]:
    """Return what there is any of."""
    return {place: count for place, count in counts.items() if count}


def test_everything_is_counted_by_place_and_depot(auditor: Person, world: World) -> None:
    world.assigned(world.device(), world.cabinet())
    world.cabinet(world.fellgate)
    devices.mark_device_lost(world.office, device_id=world.device().pk, valid_from=world.start + 5 * DAY)

    found = ok(auditor.get("fleet/"))

    assert found["known_index"] == head_index()
    assert found.headers["Register-Index"] == str(head_index())
    assert found["locations"] == {"total": 1, "planned": 0, "open": 1, "asleep": 0, "closed": 0}
    assert found["cabinets"] == {"total": 2, "location": 1, "depot": 1, "scrapped": 0}
    assert some(found["devices"]) == {"total": 2, "cabinet": 1, "lost": 1}
    assert [(row["depot_name"], some(row["cabinets"])) for row in found["depots"]] == [
        ("FG Fellgate", {"total": 1, "depot": 1}),
        ("TM Tarnmouth", {"total": 1, "location": 1}),
    ]


def test_it_is_counted_as_of_then_and_as_known_then_and_agrees_with_the_lists(
    auditor: Person, world: World
) -> None:
    assignment, end = world.assigned(world.device(), world.cabinet()), world.start + 9 * DAY
    before = head_index()
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=end,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    questions: list[dict[str, Any]] = [
        {},
        {"known_at": before},
        {"as_of": when(end - DAY)},
        {"as_of": when(world.start)},
        {"as_of": when(end), "known_at": before},
    ]

    seen = []
    for asked in questions:
        counts = ok(auditor.get("fleet/", **asked))
        for kind in ("locations", "cabinets", "devices"):
            rows = auditor.rows(f"{kind}/", **asked)
            assert counts[kind]["total"] == len(rows)
            for place in set(counts[kind]) - {"total"}:
                where = {"state" if kind == "locations" else "place": place}
                assert counts[kind][place] == len(auditor.rows(f"{kind}/", **asked, **where))
        seen.append(some(counts["devices"]))

    assert seen == [
        {"total": 1, "depot": 1},
        {"total": 1, "cabinet": 1},
        {"total": 1, "cabinet": 1},
        {},
        {"total": 1, "cabinet": 1},
    ]


def test_an_account_counts_what_stood_in_its_stores_of_ones_own_depots(api: Api, world: World) -> None:
    other = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    for depot in (world.tarnmouth, world.fellgate):
        world.assigned(world.device(depot=depot), world.cabinet(world.store(other, depot)))
    world.cabinet()
    path = f"accounts/{other.pk}/fleet/"

    everything = ok(api.as_(world.auditor).get(path))
    mine = ok(api.as_(person(world, "auditor", world.tarnmouth)).get(path))

    for found, count in ((everything, 2), (mine, 1)):
        assert some(found["locations"]) == {"total": count, "open": count}
        assert some(found["cabinets"]) == {"total": count, "location": count}
        assert some(found["devices"]) == {"total": count, "cabinet": count}
        assert len(found["depots"]) == count


def test_what_cannot_be_asked_is_refused(auditor: Person, world: World) -> None:
    told(auditor.get("fleet/", as_of="yesterday"), 422, "time_invalid")
    told(auditor.get("fleet/", known_at="999"), 422, "value_invalid")
    told(auditor.get("fleet/", depot=world.tarnmouth.pk), 422, "value_invalid")
    told(auditor.get(f"accounts/{uuid4()}/fleet/"), 404, "not_found")
    known = {"known_at": 1}
    told(auditor.get(f"accounts/{world.account.pk}/fleet/", **known), 404, "not_found")


def test_as_many_queries_for_a_large_fleet_as_for_a_small_one(auditor: Person, world: World) -> None:
    reads = []
    for rows in (3, 30):
        for _ in range(rows):
            world.assigned(world.device(), world.cabinet(world.store()))
        for path in ("fleet/", f"accounts/{world.account.pk}/fleet/"):
            reads.append(tables_read(lambda path=path: auditor.get(path)))

    fleet = ["location", "locationholding", "locationstate", "cabinetwhereabouts", "devicewhereabouts"]
    # who asks; the head; the account with its state; what of locations was revised, holders, states, places
    assert reads[0] == reads[2] == ["apitoken", "entry", *fleet, "depot"]
    assert reads[1] == reads[3] == ["apitoken", "entry", "account", "accountstate", *fleet, "depot"]
