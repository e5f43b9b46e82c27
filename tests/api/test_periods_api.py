"""Periods over HTTP: every history of a thing, what a correction would move, and the correction itself."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import accounts, assignments, cabinets, devices, locations, products
from registry.models import CabinetWhereabouts, LocationState
from registry.queries.periods import histories
from registry.rules.splits import Share
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, changed, ok, one_entry, tables_read, told
from tests.api.noun_operations import account, asleep
from tests.api.operations import office_of_fellgate, utc, when
from tests.factories.world import DAY, HOUR, World

BEYOND = "2026-03-02T09:00:00Z"  # the clock stands at 08:00


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def history(asker: Person, name: str, of: Any, **query: Any) -> list[Any]:
    return asker.rows("periods/", history=name, of=of, **query)


def bounds(rows: list[Any]) -> list[tuple[Any, Any]]:
    return [(row["valid_from"], row["valid_to"]) for row in rows]


def said(row: Any) -> dict[str, Any]:
    """Return the facts that a period states."""
    return {name: value for name, value in row["facts"].items() if value not in (None, "", [])}


def correct(asker: Person, row: Any, what: str = "correct", **body: Any) -> Reply:
    """Put a period right as it stands."""
    path = f"periods/{row['history']}/{row['id']}/"
    return asker.post(f"{path}{what}/", {"reason": "as the papers say", **body}, tag=asker.seen(path))


# --- read ------------------------------------------------------------------------------------------------


def test_every_history_is_told_with_its_own_facts(office: Person, world: World) -> None:
    cabinet, device = world.cabinet(split=True), world.device()
    hung = world.assigned(device, cabinet)
    key = {"account": world.account.pk, "location": world.location.pk}
    shares = [
        {"product": str(world.eight_lb.pk), "product_name": "8 lb bag", "share": "60"},
        {"product": str(world.eighteen_lb.pk), "product_name": "18 lb bag", "share": "40"},
    ]
    expected: dict[str, tuple[Any, str, dict[str, Any]]] = {
        "accountstate": (key["account"], "LF Lantern Fuel", {"state": "open"}),
        "locationstate": (key["location"], world.location.label, {"state": "open"}),
        "locationholding": (
            key["location"],
            world.location.label,
            {"account": str(key["account"]), "store_number": "0042"},
        ),
        "cabinetwhereabouts": (
            cabinet.pk,
            cabinet.asset_tag,
            {"place": "location", "location": str(key["location"])},
        ),
        "split": (cabinet.pk, cabinet.asset_tag, {"shares": shares}),
        "devicewhereabouts": (
            device.pk,
            device.serial,
            {"place": "cabinet", "cabinet": str(cabinet.pk), "slot": 1, "sensor_order": [1, 2, 3]},
        ),
    }
    assert set(expected) == set(histories())

    for name, (of, label, facts) in expected.items():
        row = history(office, name, of)[-1]
        assert (row["history"], row["of"], row["of_name"]) == (name, str(of), label)
        assert said(row) == facts
        assert (row["valid_to"], row["starts_known_by"]) == (None, False)
        assert ok(office.get(f"periods/{name}/{row['id']}/")).body == row
    assert row["id"] == str(hung.period)
    assert row["recorded_index"] == hung.recorded_id
    assert row["words"] == f"cabinet {cabinet.asset_tag}"


def test_a_history_is_told_in_order_and_as_it_ran_or_was_known_then(office: Person, world: World) -> None:
    period = asleep(world)
    middle = world.start + 5 * DAY
    assert bounds(history(office, "locationstate", world.location.pk)) == [
        (utc(world.start), utc(middle)),
        (utc(middle), None),
    ]
    index = int(ok(office.get("entries/"))["known_index"])
    [awake, now_asleep] = history(office, "locationstate", world.location.pk)
    ok(correct(office, now_asleep, valid_from=when(middle - DAY)))

    rows = history(office, "locationstate", world.location.pk)
    assert bounds(rows) == [(utc(world.start), utc(middle - DAY)), (utc(middle - DAY), None)]
    known = history(office, "locationstate", world.location.pk, known_at=index)
    assert known == [awake, now_asleep]
    path = f"periods/locationstate/{period.period}/"
    assert ok(office.get(path, known_at=index)).body == now_asleep
    assert ok(office.get(path))["valid_from"] == utc(middle - DAY)
    told(office.get(path, known_at=index - 1), 404, "not_found")

    ran = history(office, "locationstate", world.location.pk, when="then", as_of=when(middle - DAY - HOUR))
    assert [row["facts"]["state"] for row in ran] == ["open"]
    ran = history(office, "locationstate", world.location.pk, when="then")
    assert [row["facts"]["state"] for row in ran] == ["asleep"]


def test_a_history_is_asked_for_by_its_name_and_a_key(office: Person, world: World) -> None:
    of = world.location.pk
    for query, parameter in (
        ({}, "history"),
        ({"history": "locationstate"}, "of"),
        ({"of": of}, "history"),
        ({"history": "entry", "of": of}, "history"),
        ({"history": "locationstate", "of": "0042"}, "of"),
        ({"history": "locationstate", "of": of, "when": "now"}, "when"),
    ):
        reply = told(office.get("periods/", **query), 422, "value_invalid")
        assert [error["parameter"] for error in reply["errors"]] == [parameter]
    for name in ("entry", "staff", "x"):
        told(office.get(f"periods/{name}/{uuid4()}/"), 404, "not_found")
    assert history(office, "locationstate", uuid4()) == []


# --- hidden ----------------------------------------------------------------------------------------------


def test_a_period_is_seen_as_its_thing_is(api: Api, world: World) -> None:
    cabinet, device = world.cabinet(split=True), world.device()
    world.assigned(device, cabinet)
    things = {
        "locationstate": world.location.pk,
        "locationholding": world.location.pk,
        "cabinetwhereabouts": cabinet.pk,
        "split": cabinet.pk,
        "devicewhereabouts": device.pk,
    }
    for name, of in things.items():
        rows = history(api.as_(world.installer), name, of)
        assert rows
        for actor in (world.stranger, office_of_fellgate(world)):
            other = api.as_(actor)
            assert history(other, name, of) == history(other, name, uuid4()) == []
            for what in ("", "plan/"):
                hidden = other.get(f"periods/{name}/{rows[0]['id']}/{what}")
                absent = other.get(f"periods/{name}/{uuid4()}/{what}")
                told(hidden, 404, "not_found")
                assert (hidden.text, hidden.headers) == (absent.text, absent.headers)
    # Customers are the whole company's.
    assert len(history(api.as_(world.stranger), "accountstate", world.account.pk)) == 1


def test_a_thing_that_went_to_another_depot_takes_its_history_along(api: Api, world: World) -> None:
    cabinet = world.cabinet()
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, depot_id=world.fellgate.pk, valid_from=world.start + 3 * DAY
    )

    assert history(api.as_(world.installer), "cabinetwhereabouts", cabinet.pk) == []
    rows = history(api.as_(world.stranger), "cabinetwhereabouts", cabinet.pk)
    assert [row["facts"]["place"] for row in rows] == ["location", "depot"]


def test_a_period_that_ran_in_a_hidden_depot_is_read_but_not_put_right(api: Api, world: World) -> None:
    cabinet = world.cabinet()
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, depot_id=world.fellgate.pk, valid_from=world.start + 3 * DAY
    )
    other = api.as_(office_of_fellgate(world))
    first, _ = history(other, "cabinetwhereabouts", cabinet.pk)

    with nothing_changed():
        told(correct(other, first, valid_to=when(world.start + 2 * DAY)), 404, "not_found")


# --- put right -------------------------------------------------------------------------------------------


def test_a_corrected_start_moves_the_neighbour_and_the_plan_says_so_before(
    office: Person, world: World
) -> None:
    period = asleep(world)
    path, start = f"periods/locationstate/{period.period}/", world.start + 4 * DAY
    [awake, _] = history(office, "locationstate", world.location.pk)

    with nothing_changed():
        plan = ok(office.get(f"{path}plan/", valid_from=when(start)))
    own, neighbour = plan["results"]
    assert (own["id"], own["before"], own["after"]) == (
        str(period.period),
        {"valid_from": utc(start + DAY), "valid_to": None},
        {"valid_from": utc(start), "valid_to": None},
    )
    assert (neighbour["id"], neighbour["before"], neighbour["after"]) == (
        awake["id"],
        {"valid_from": utc(world.start), "valid_to": utc(start + DAY)},
        {"valid_from": utc(world.start), "valid_to": utc(start)},
    )
    assert (neighbour["history"], neighbour["words"]) == ("locationstate", "open")
    assert neighbour["of_name"] == world.location.label

    with one_entry("period.corrected") as written:
        reply = changed(
            office.post(
                f"{path}correct/",
                {"reason": "the sign said so", "valid_from": when(start), "starts_known_by": True},
                tag=office.seen(path),
            )
        )
    assert (reply["valid_from"], reply["starts_known_by"]) == (utc(start), True)
    assert written[0].reason == "the sign said so"
    assert bounds(history(office, "locationstate", world.location.pk)) == [
        (plan_row["after"]["valid_from"], plan_row["after"]["valid_to"]) for plan_row in (neighbour, own)
    ]


def test_the_plan_of_a_swap_names_the_other_device(office: Person, world: World) -> None:
    cabinet, old, new = world.cabinet(), world.device(), world.device()
    hung, swapped = world.assigned(old, cabinet), world.start + 9 * DAY
    put = assignments.swap_device(
        world.office,
        assignment_id=hung.period,
        device_id=new.pk,
        valid_from=swapped,
        depot_id=world.tarnmouth.pk,
    )

    plan = ok(office.get(f"periods/devicewhereabouts/{put.period}/plan/", valid_from=when(swapped - DAY)))[
        "results"
    ]

    assert {row["of_name"] for row in plan} == {old.serial, new.serial}
    assert len(plan) == 4
    moved = {row["id"]: row["after"] for row in plan}
    assert moved[str(hung.period)]["valid_to"] == utc(swapped - DAY)


def test_a_plan_tells_what_a_withdrawal_would_move_and_takes_an_end_away(
    office: Person, world: World
) -> None:
    period = asleep(world)
    path = f"periods/locationstate/{period.period}/"

    plan = ok(office.get(f"{path}plan/", withdraw="true"))["results"]
    assert [row["after"] for row in plan] == [None, {"valid_from": utc(world.start), "valid_to": None}]

    [awake, _] = history(office, "locationstate", world.location.pk)
    refused = told(
        office.get(f"periods/locationstate/{awake['id']}/plan/", valid_to="still"), 409, "neighbour_swallowed"
    )
    assert refused["errors"][0]["parameter"] == "valid_to"
    told(office.get(f"{path}plan/", valid_to=when(world.start + 9 * DAY)), 409, "overlapping_history")
    told(office.get(f"{path}plan/"), 409, "nothing_changes")
    for wrong in ({"valid_from": "then"}, {"withdraw": "yes"}, {"colour": "blue"}):
        reply = office.get(f"{path}plan/", **wrong)
        assert reply.status == 422
        assert [error["parameter"] for error in reply["errors"]] == list(wrong)


def test_a_withdrawn_period_is_gone_and_the_one_before_runs_on(office: Person, world: World) -> None:
    period = asleep(world)
    path = f"periods/locationstate/{period.period}/"

    with one_entry("period.withdrawn"):
        reply = ok(
            office.post(f"{path}withdraw/", {"reason": "it never slept"}, tag=office.seen(path), key='"gone"')
        )

    assert reply.body == {"id": str(period.period), "withdrawn": True}
    assert bounds(history(office, "locationstate", world.location.pk)) == [(utc(world.start), None)]
    told(office.get(path), 404, "not_found")
    told(office.get(f"{path}plan/"), 404, "not_found")
    with nothing_changed():
        told(office.post(f"{path}withdraw/", {"reason": "again"}, tag="*"), 404, "not_found")
        told(office.post(f"{path}correct/", {"reason": "again"}, tag="*"), 404, "not_found")
    index = int(reply.headers["Register-Index"])
    assert ok(office.get(path, known_at=index - 1))["facts"]["state"] == "asleep"


def test_the_facts_of_every_history_are_corrected(office: Person, world: World) -> None:
    other, store = account(world), world.store()
    cabinet, device = world.cabinet(split=True), world.device()
    hung = world.assigned(device, cabinet)
    devices.hand_over_device(
        world.office,
        device_id=(vanned := world.device()).pk,
        staff_id=world.installer.staff_id,
        valid_from=world.start + 3 * DAY,
    )
    share = {"product": str(world.eight_lb.pk), "share": "100"}
    for name, of, facts, shown in (
        ("locationstate", store.pk, {"state": "planned"}, {"state": "planned"}),
        (
            "locationholding",
            store.pk,
            {"account": str(other.pk), "store_number": "0815"},
            {"account": str(other.pk), "store_number": "0815"},
        ),
        (
            "cabinetwhereabouts",
            cabinet.pk,
            {"location": str(store.pk)},
            {"place": "location", "location": str(store.pk)},
        ),
        ("split", cabinet.pk, {"shares": [share]}, {"shares": [{**share, "product_name": "8 lb bag"}]}),
        (
            "devicewhereabouts",
            device.pk,
            {"sensor_order": [3, 2, 1], "rail_below_ceiling_mm": 55},
            {
                "place": "cabinet",
                "cabinet": str(cabinet.pk),
                "slot": 1,
                "sensor_order": [3, 2, 1],
                "rail_below_ceiling_mm": 55,
            },
        ),
        (
            "devicewhereabouts",
            vanned.pk,
            {"staff": str(world.stranger.staff_id)},
            {"place": "van", "staff": str(world.stranger.staff_id), "depot": str(world.tarnmouth.pk)},
        ),
    ):
        row = history(office, name, of)[-1]
        with one_entry("period.corrected"):
            reply = changed(correct(office, row, facts=facts))
        assert said(reply.body) == shown
        assert (reply["id"], reply["valid_from"]) == (row["id"], row["valid_from"])
    assert ok(office.get(f"assignments/{hung.period}/"))["sensor_order"] == [3, 2, 1]


def test_a_closed_account_was_closed_on_another_day(office: Person, world: World) -> None:
    gone = account(world)
    accounts.close_account(world.office, account_id=gone.pk, valid_from=world.start + 5 * DAY)
    row = history(office, "accountstate", gone.pk)[-1]

    assert said(row) == {"state": "closed"}
    reply = changed(correct(office, row, valid_from=when(world.start + 6 * DAY)))
    assert reply["valid_from"] == utc(world.start + 6 * DAY)
    assert ok(office.get(f"accounts/{gone.pk}/", as_of=when(world.start + 5 * DAY)))["state"] == "open"


@pytest.mark.parametrize(
    ("body", "status", "code", "pointer"),
    [
        ({"reason": " "}, 422, "reason_missing", "#/reason"),
        ({"reason": None}, 422, "value_invalid", "#/reason"),
        ({"valid_from": BEYOND}, 422, "time_in_future", "#/valid_from"),
        ({"valid_from": "2026-02-03"}, 422, "time_invalid", "#/valid_from"),
        ({"valid_from": "2026-01-01T00:00:00Z"}, 409, "neighbour_swallowed", "#/valid_from"),
        ({"valid_to": "2026-02-20T00:00:00Z"}, 409, "overlapping_history", "#/valid_to"),
        ({"facts": {"state": "closed"}, "starts_known_by": 1}, 422, "value_invalid", "#/starts_known_by"),
        ({"facts": {"state": "asleep"}}, 409, "nothing_changes", None),
        ({"facts": {"state": "drunk"}}, 422, "value_invalid", "#/facts/state"),
        ({"facts": {"slot": 2}}, 422, "value_invalid", "#/facts/slot"),
        ({"facts": {"account": str(uuid4())}}, 422, "value_invalid", "#/facts/account"),
        ({"facts": {"colour": "blue"}}, 422, "value_invalid", "#/facts/colour"),
        ({"facts": {"shares": [{"share": 5}]}}, 422, "value_invalid", "#/facts/shares/0/product"),
        ({}, 409, "nothing_changes", None),
    ],
)
def test_what_cannot_be_put_right_so_is_refused_where_it_stands(
    office: Person, world: World, body: dict[str, Any], status: int, code: str, pointer: str | None
) -> None:
    path = f"periods/locationstate/{asleep(world).period}/"
    with nothing_changed():
        told(
            office.post(f"{path}correct/", {"reason": "so", **body}, tag=office.seen(path)),
            status,
            code,
            pointer,
        )


def test_things_that_a_correction_names_are_looked_up_where_they_stand(office: Person, world: World) -> None:
    cabinet = world.cabinet(split=True)
    row = history(office, "cabinetwhereabouts", cabinet.pk)[-1]
    split = history(office, "split", cabinet.pk)[-1]
    with nothing_changed():
        told(correct(office, row, facts={"location": str(uuid4())}), 422, "not_found", "#/facts/location")
        told(correct(office, split, facts={"shares": []}), 422, "split_invalid", "#/facts/shares")
        short = [{"product": str(world.eight_lb.pk), "share": 99}]
        told(correct(office, split, facts={"shares": short}), 422, "split_not_whole", "#/facts/shares")


def test_history_is_put_right_by_the_office_alone(api: Api, world: World) -> None:
    path = f"periods/locationstate/{asleep(world).period}/"
    for actor in (world.installer, world.auditor):
        asker = api.as_(actor)
        tag = asker.seen(path)
        with nothing_changed():
            told(asker.post(f"{path}correct/", {"reason": "so"}, tag=tag), 403, "role_forbids")
            told(asker.post(f"{path}withdraw/", {"reason": "so"}, tag=tag), 403, "role_forbids")
        ok(asker.get(f"{path}plan/", withdraw="true"))


# --- how much is read ------------------------------------------------------------------------------------


def test_histories_that_refer_to_much_read_as_much_for_thirty_periods_as_for_three(
    office: Person, world: World
) -> None:
    cabinet, device = world.cabinet(split=True), world.device()
    at = world.start + 2 * DAY
    for step in range(15):
        first, second = at + 6 * step * HOUR, at + (6 * step + 3) * HOUR
        hung = world.assigned(device, cabinet, first)
        assignments.end_assignment(
            world.office,
            assignment_id=hung.period,
            valid_to=second,
            end_reason="fault",
            staff_id=world.installer.staff_id,
            depot_id=world.tarnmouth.pk,
        )
        for shares, when_set in (([10_000], first), ([5_000, 5_000], second)):
            products.set_split(
                world.office,
                cabinet_id=cabinet.pk,
                shares=[
                    Share(product.pk, part)
                    for product, part in zip((world.eight_lb, world.eighteen_lb), shares, strict=False)
                ],
                valid_from=when_set,
            )
        locations.set_location_state(
            world.office, location_id=world.location.pk, state="asleep", valid_from=first
        )
        locations.set_location_state(
            world.office, location_id=world.location.pk, state="open", valid_from=second
        )
    expected = {
        # the token and its person, the head, the periods; then each kind of thing to which they refer
        "devicewhereabouts": (device.pk, ["device", "depot", "staff", "cabinet"]),
        "split": (cabinet.pk, ["splitshare", "product", "cabinet"]),
        "locationstate": (world.location.pk, ["location"]),
    }
    for name, (of, refers) in expected.items():
        for size in (3, 30):
            asked = {"history": name, "of": of, "page_size": size}
            assert len(ok(office.get("periods/", **asked))["results"]) == size
            read = tables_read(lambda asked=asked: office.get("periods/", **asked))
            assert read == ["apitoken", "entry", name, *refers]
    # With what a plan needs beside the period itself: its history, twice.
    period = LocationState.objects.current().filter(location=world.location).latest("valid_from").period
    read = tables_read(lambda: office.get(f"periods/locationstate/{period}/plan/", withdraw="true"))
    assert read == ["apitoken", "entry", "locationstate", "location", "locationstate", "locationstate"]
    assert CabinetWhereabouts.objects.current().filter(cabinet=cabinet).count() == 1
