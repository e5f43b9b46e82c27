"""Cabinets over HTTP: registered, corrected, moved, split, scrapped, listed."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import cabinets, locations
from registry.models import Cabinet, CabinetWhereabouts
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, changed, made, ok, one_entry, tables_read, told
from tests.api.operations import utc, when
from tests.factories.world import DAY, HOUR, World


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def change(asker: Person, cabinet: Any, what: str, **body: Any) -> Reply:
    """Change a cabinet as it stands."""
    path = f"cabinets/{getattr(cabinet, 'pk', cabinet)}/"
    tag = asker.seen(path)
    return asker.post(f"{path}{what}/", body, tag=tag) if what else asker.patch(path, body, tag=tag)


def shown(world: World, cabinet: Any, **facts: Any) -> dict[str, Any]:
    """Return what a cabinet is shown as that stands empty in the store, a day after the start."""
    return {
        "id": str(getattr(cabinet, "pk", cabinet)),
        "asset_tag": getattr(cabinet, "asset_tag", None),
        "model": str(world.cove.pk),
        "model_name": "Cove 40",
        "sensor_count": 3,
        "maker_serial": "",
        "setting": "unknown",
        "position": "",
        "condition": "",
        "place": "location",
        "location": str(world.location.pk),
        "depot": str(world.tarnmouth.pk),
        "place_name": world.location.label,
        "there_since": utc(world.start + DAY),
        "since_known_by": False,
        "shares": [],
        "hanging": [],
        **facts,
    }


def halves(world: World) -> list[dict[str, Any]]:
    return [
        {"product": str(world.eight_lb.pk), "share": "33.33"},
        {"product": str(world.eighteen_lb.pk), "share": 66.67},
    ]


def told_halves(world: World) -> list[dict[str, Any]]:
    return [
        {"product": str(world.eight_lb.pk), "product_name": "8 lb bag", "share": "33.33"},
        {"product": str(world.eighteen_lb.pk), "product_name": "18 lb bag", "share": "66.67"},
    ]


# --- registered ------------------------------------------------------------------------------------------


def test_an_installer_registers_a_cabinet_with_its_split_and_sees_it_all(
    installer: Person, world: World
) -> None:
    body = {
        "model": world.cove.pk,
        "asset_tag": " sk-7001 ",
        "maker_serial": "FZ-88",
        "setting": "outdoor",
        "position": "left of the door",
        "condition": "a dent",
        "shares": halves(world),
        "location": world.location.pk,
        "valid_from": when(world.start + 5 * DAY),
    }

    with one_entry("cabinet.registered") as entries:
        reply = made(installer.post("cabinets/", body), "cabinets")

    assert reply.body == shown(
        world,
        reply["id"],
        asset_tag="SK-7001",
        maker_serial="FZ-88",
        setting="outdoor",
        position="left of the door",
        condition="a dent",
        there_since=utc(world.start + 5 * DAY),
        shares=told_halves(world),
    )
    assert (entries[0].face, entries[0].occurred_at) == ("api", world.start + 5 * DAY)


def test_a_cabinet_is_registered_in_a_depot_too(installer: Person, world: World) -> None:
    body = {
        "model": world.quay.pk,
        "asset_tag": "(8004)4000001aB",  # a GIAI keeps its case: GS1 General Specifications 7.11, from memory
        "depot": world.tarnmouth.pk,
        "valid_from": when(world.start + 5 * DAY),
    }

    with one_entry("cabinet.registered"):
        reply = made(installer.post("cabinets/", body), "cabinets")

    assert reply.body == shown(
        world,
        reply["id"],
        asset_tag="(8004)4000001aB",
        model=str(world.quay.pk),
        model_name="Quay 90",
        sensor_count=5,
        place="depot",
        location=None,
        place_name="TM Tarnmouth",
        there_since=utc(world.start + 5 * DAY),
    )


@pytest.mark.parametrize(
    ("given", "status", "code", "pointer"),
    [
        ({"asset_tag": "{taken}"}, 409, "code_taken", "#/asset_tag"),
        ({"asset_tag": "{lower}"}, 409, "code_taken", "#/asset_tag"),
        ({"asset_tag": ""}, 422, "text_invalid", "#/asset_tag"),
        ({"asset_tag": None}, 422, "value_invalid", "#/asset_tag"),
        ({"asset_tag": 7001}, 422, "value_invalid", "#/asset_tag"),
        ({"asset_tag": "(8003)4012345555554987"}, 422, "value_invalid", "#/asset_tag"),
        ({"asset_tag": "(8003)04012345555555987"}, 422, "check_invalid", "#/asset_tag"),
        ({"model": str(uuid4())}, 422, "not_found", "#/model"),
        ({"location": None}, 422, "value_invalid", "#/location"),
        ({"location": str(uuid4())}, 422, "not_found", "#/location"),
        ({"depot": "{depot}"}, 422, "value_invalid", "#/location"),
        ({"setting": "roof"}, 422, "value_invalid", "#/setting"),
        ({"valid_from": "2026-03-03T00:00:00Z"}, 422, "time_in_future", "#/valid_from"),
        ({"valid_from": "2026-01-01T00:00:00Z"}, 422, "before_known", "#/valid_from"),
        ({"shares": [{"product": "{bag}", "share": "50"}]}, 422, "split_not_whole", "#/shares"),
        ({"shares": [{"product": "{bag}", "share": "0"}]}, 422, "split_invalid", "#/shares/0/share"),
        ({"shares": [{"product": "{bag}", "share": 10**400}]}, 422, "split_invalid", "#/shares/0/share"),
        ({"shares": [{"product": "{bag}", "share": "NaN"}]}, 422, "split_invalid", "#/shares/0/share"),
        ({"shares": [{"product": "{bag}", "share": "33.333"}]}, 422, "split_invalid", "#/shares/0/share"),
        ({"shares": [{"product": "{bag}", "share": True}]}, 422, "split_invalid", "#/shares/0/share"),
        ({"shares": [{"product": "{bag}", "share": None}]}, 422, "value_invalid", "#/shares/0/share"),
        ({"shares": [{"product": "{bag}"}]}, 422, "value_invalid", "#/shares/0/share"),
        ({"shares": [{"product": str(uuid4()), "share": 100}]}, 422, "not_found", "#/shares"),
        ({"shares": "half"}, 422, "value_invalid", "#/shares"),
        ({"device": {"serial": "PB3"}}, 422, "value_invalid", "#/device"),
        ({"colour": "blue"}, 422, "value_invalid", "#/colour"),
    ],
)
def test_what_cannot_be_registered_so_is_refused_where_it_stands(
    installer: Person, world: World, given: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    taken = world.cabinet().asset_tag
    known = {
        "{taken}": taken,
        "{lower}": taken.lower(),
        "{depot}": str(world.tarnmouth.pk),
        "{bag}": str(world.eight_lb.pk),
    }

    def filled(value: Any) -> Any:
        if isinstance(value, list):
            return [{name: filled(inner) for name, inner in item.items()} for item in value]
        return known.get(value, value) if isinstance(value, str) else value

    body = {
        "model": world.cove.pk,
        "asset_tag": "SK-7001",
        "location": world.location.pk,
        "valid_from": when(world.start + 5 * DAY),
        **{name: filled(value) for name, value in given.items()},
    }

    with nothing_changed():
        told(installer.post("cabinets/", body), status, code, pointer)


def test_an_auditor_registers_nothing(api: Api, world: World) -> None:
    auditor = api.as_(world.auditor)

    with nothing_changed():
        told(auditor.post("cabinets/", {}), 403, "role_forbids")


# --- corrected -------------------------------------------------------------------------------------------


def test_what_is_known_of_a_cabinet_is_corrected_and_the_rest_stays(installer: Person, world: World) -> None:
    cabinet = world.cabinet()
    facts = {
        "asset_tag": "SK-7001",
        "maker_serial": "FZ-88",
        "setting": "indoor",
        "position": "by the till",
        "condition": "new",
    }

    with one_entry("cabinet.corrected") as entries:
        reply = changed(change(installer, cabinet, "", **facts, reason="read the plate"))
    assert reply.body == shown(world, cabinet, **facts)
    assert entries[0].reason == "read the plate"

    with one_entry("cabinet.corrected"):
        reply = changed(change(installer, cabinet, "", maker_serial="", condition=""))
    assert reply.body == shown(world, cabinet, **{**facts, "maker_serial": "", "condition": ""})

    taken = world.cabinet().asset_tag
    with nothing_changed():
        told(change(installer, cabinet, "", setting="indoor"), 409, "nothing_changes")
        told(change(installer, cabinet, ""), 409, "nothing_changes")
        told(change(installer, cabinet, "", asset_tag=taken), 409, "code_taken", "#/asset_tag")
        told(change(installer, cabinet, "", asset_tag="\n"), 422, "text_invalid", "#/asset_tag")
        told(change(installer, cabinet, "", setting="roof"), 422, "value_invalid", "#/setting")
        told(change(installer, cabinet, "", model=world.quay.pk), 422, "value_invalid", "#/model")


# --- moved -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("devices", ["follow", "come_out"])
def test_a_cabinet_moves_and_its_device_follows_or_comes_out(
    installer: Person, world: World, devices: str
) -> None:
    cabinet, device, store = world.cabinet(split=True), world.device(), world.store()
    assignment = world.assigned(device, cabinet)
    at = world.start + 9 * DAY
    shares = [
        {"product": str(world.eight_lb.pk), "product_name": "8 lb bag", "share": "60"},
        {"product": str(world.eighteen_lb.pk), "product_name": "18 lb bag", "share": "40"},
    ]
    hanging = {
        "assignment": str(assignment.period),
        "device": str(device.pk),
        "serial": device.serial,
        "slot": 1,
        "valid_from": utc(world.start + 2 * DAY),
    }
    assert ok(installer.get(f"cabinets/{cabinet.pk}/")).body == shown(
        world, cabinet, shares=shares, hanging=[hanging]
    )

    with one_entry("cabinet.moved") as entries:
        reply = change(
            installer,
            cabinet,
            "move",
            location=store.pk,
            valid_from=when(at),
            devices=devices,
            reason="a fair",
        )

    assert changed(reply).body == shown(
        world,
        cabinet,
        location=str(store.pk),
        place_name=store.label,
        there_since=utc(at),
        shares=shares,
        hanging=[hanging] if devices == "follow" else [],
    )
    assert "Location" not in reply.headers
    assert (entries[0].reason, entries[0].occurred_at) == ("a fair", at)
    now = ok(installer.get(f"devices/{device.pk}/"))
    assert now["place"] == ("cabinet" if devices == "follow" else "depot")
    ended = ok(installer.get(f"assignments/{assignment.period}/"))
    assert (ended["valid_to"], ended["end_reason"]) == (
        (None, "") if devices == "follow" else (utc(at), "moved")
    )


def test_what_cannot_move_so_is_refused(installer: Person, office: Person, world: World) -> None:
    cabinet, device, store = world.cabinet(), world.device(), world.store()
    world.assigned(device, cabinet)
    shut = world.store()
    locations.close_location(world.office, location_id=shut.pk, valid_from=world.start + 4 * DAY)
    at = when(world.start + 9 * DAY)

    with nothing_changed():
        for given, status, code, pointer in (
            ({}, 422, "value_invalid", "#/location"),
            ({"location": store.pk, "depot": world.tarnmouth.pk}, 422, "value_invalid", "#/location"),
            ({"location": store.pk}, 422, "value_invalid", "#/devices"),
            ({"location": store.pk, "devices": "vanish"}, 422, "value_invalid", "#/devices"),
            ({"location": world.location.pk}, 409, "nothing_changes", "#/location"),
            ({"location": shut.pk, "devices": "follow"}, 409, "location_closed", "#/location"),
            ({"location": uuid4(), "devices": "follow"}, 422, "not_found", "#/location"),
            ({"depot": uuid4(), "devices": "follow"}, 422, "not_found", "#/depot"),
            (
                {"location": store.pk, "devices": "come_out", "devices_to": uuid4()},
                422,
                "not_found",
                "#/devices_to",
            ),
            (
                {"location": store.pk, "devices": "follow", "valid_from": when(world.start + DAY)},
                409,
                "overlapping_history",
                "#/valid_from",
            ),
            (
                {"location": store.pk, "devices": "follow", "valid_from": None},
                422,
                "value_invalid",
                "#/valid_from",
            ),
        ):
            told(change(installer, cabinet, "move", **{"valid_from": at, **given}), status, code, pointer)
        reply = change(installer, cabinet, "move", location=store.pk, valid_from=at)
        assert reply["details"] == {"devices": [device.serial], "choices": ["follow", "come_out"]}


def test_a_cabinet_that_leaves_ones_depots_is_not_moved_there(installer: Person, world: World) -> None:
    cabinet, store = world.cabinet(), world.store(depot=world.fellgate)
    at = when(world.start + 9 * DAY)

    with nothing_changed():
        for there in ({"depot": world.fellgate.pk}, {"location": store.pk}):
            told(change(installer, cabinet, "move", valid_from=at, **there), 422, "not_found")


# --- split -----------------------------------------------------------------------------------------------


def test_a_split_is_told_left_to_right_and_exactly(installer: Person, world: World) -> None:
    cabinet = world.cabinet(split=True)

    with one_entry("split.set") as entries:
        reply = change(
            installer,
            cabinet,
            "split",
            shares=halves(world),
            valid_from=when(world.start + 5 * DAY),
            reason="more of the large",
        )

    assert changed(reply).body == shown(world, cabinet, shares=told_halves(world))
    assert entries[0].reason == "more of the large"
    with nothing_changed():
        again = change(
            installer, cabinet, "split", shares=halves(world), valid_from=when(world.start + 6 * DAY)
        )
        told(again, 409, "nothing_changes", "#/shares")

    with one_entry("split.set"):
        reply = change(
            installer,
            cabinet,
            "split",
            shares=halves(world)[::-1],
            valid_from=when(world.start + 6 * DAY),
        )
    assert changed(reply)["shares"] == told_halves(world)[::-1]


def test_what_is_no_split_is_refused_with_what_would_be_one(installer: Person, world: World) -> None:
    cabinet = world.cabinet()
    one, two = str(world.eight_lb.pk), str(world.eighteen_lb.pk)
    at = when(world.start + 5 * DAY)

    def split(*shares: tuple[str, Any], **more: Any) -> Reply:
        listed = [{"product": product, "share": share} for product, share in shares]
        return change(installer, cabinet, "split", **{"shares": listed, "valid_from": at, **more})

    with nothing_changed():
        reply = told(split((one, "33.33"), (two, "66.66")), 422, "split_not_whole", "#/shares")
        assert reply["details"]["total"] == "99.99"
        proposal = reply["details"]["proposal"]
        told(split((one, 50), (two, 40)), 422, "split_not_whole", "#/shares")
        told(split((one, 50), (one, 50)), 422, "split_invalid", "#/shares")
        told(split(), 422, "split_invalid", "#/shares")
        told(split(*[(one, 1)] * 13), 422, "split_invalid", "#/shares")
        told(split((one, 101)), 422, "split_invalid", "#/shares/0/share")
        told(split((one, 50), (two, -50)), 422, "split_invalid", "#/shares/1/share")
        told(split((str(uuid4()), 100)), 422, "not_found", "#/shares")
        told(split((one, 100), valid_from=when(world.start)), 422, "before_known", "#/valid_from")

    assert ok(split((one, proposal[0]), (two, proposal[1])))["shares"][1]["share"] == proposal[1]


# --- scrapped --------------------------------------------------------------------------------------------


def test_a_scrapped_cabinet_stands_nowhere_and_its_device_is_in_the_depot(
    office: Person, installer: Person, world: World
) -> None:
    cabinet, device, at = world.cabinet(), world.device(), world.start + 9 * DAY
    world.assigned(device, cabinet)
    with nothing_changed():
        told(change(installer, cabinet, "scrap", valid_from=when(at)), 403, "role_forbids")

    with one_entry("cabinet.scrapped") as entries:
        reply = changed(change(office, cabinet, "scrap", valid_from=when(at), reason="rusted through"))

    assert reply.body == shown(
        world,
        cabinet,
        place="scrapped",
        location=None,
        place_name="TM Tarnmouth",
        there_since=utc(at),
    )
    assert entries[0].reason == "rusted through"
    now = ok(office.get(f"devices/{device.pk}/"))
    assert (now["place"], now["depot"], now["there_since"]) == ("depot", str(world.tarnmouth.pk), utc(at))

    late = when(world.start + 12 * DAY)
    with nothing_changed():
        told(change(office, cabinet, "scrap", valid_from=late), 409, "cabinet_not_available")
        reply = change(office, cabinet, "move", location=world.location.pk, valid_from=late)
        told(reply, 409, "cabinet_not_available")
        share = [{"product": world.eight_lb.pk, "share": 100}]
        reply = change(office, cabinet, "split", shares=share, valid_from=late)
        told(reply, 409, "cabinet_not_available")


# --- listed ----------------------------------------------------------------------------------------------


def test_cabinets_are_listed_by_where_and_what_they_are(installer: Person, world: World) -> None:
    store = world.store()
    here, there, big, in_depot = (
        world.cabinet(),
        world.cabinet(store),
        world.cabinet(model=world.quay, split=True),
        world.cabinet(world.tarnmouth),
    )
    theirs = world.cabinet(world.fellgate)
    world.assigned(world.device(), here)
    at = world.start + 4 * DAY
    cabinets.correct_cabinet(
        world.office, cabinet_id=there.pk, particulars={"setting": "outdoor", "maker_serial": "FZ-88"}
    )
    cabinets.scrap_cabinet(world.office, cabinet_id=in_depot.pk, valid_from=at)

    def found(**asked: object) -> set[str]:
        rows = installer.rows("cabinets/", **asked)
        assert [row["asset_tag"] for row in rows] == sorted(row["asset_tag"] for row in rows)
        for row in rows:
            if "as_of" not in asked:
                assert row == ok(installer.get(f"cabinets/{row['id']}/")).body
        return {row["asset_tag"] for row in rows}

    def tags(*some: Cabinet) -> set[str]:
        return {cabinet.asset_tag for cabinet in some}

    assert found() == tags(here, there, big, in_depot)
    assert found(location=store.pk) == tags(there)
    assert found(depot=world.tarnmouth.pk) == tags(here, there, big, in_depot)
    assert found(depot=world.fellgate.pk) == set()
    assert found(place="location") == tags(here, there, big)
    assert found(place="scrapped") == tags(in_depot)
    assert found(place="depot", as_of=utc(at - HOUR)) == tags(in_depot)
    assert found(model=world.quay.pk) == found(search="quay") == tags(big)
    assert found(setting="outdoor") == found(search="fz-88") == tags(there)
    assert found(search=here.asset_tag) == tags(here)
    assert found(search=theirs.asset_tag) == set()
    assert found(hanging=True) == tags(here)
    assert found(hanging=False) == tags(there, big, in_depot)
    assert found(hanging=True, as_of=utc(world.start + DAY)) == set()
    assert found(hanging=True, location=store.pk) == set()


@pytest.mark.parametrize("rows", [3, 30])
def test_reading_takes_as_many_queries_for_many_cabinets_as_for_few(
    installer: Person, world: World, rows: int
) -> None:
    some = [world.cabinet(world.store(), split=True) for _ in range(rows)]
    for cabinet in some:
        world.assigned(world.device(), cabinet)
    waiting = world.cabinet(world.tarnmouth)
    assert CabinetWhereabouts.objects.count() == rows + 1

    def tables(path: str, **asked: object) -> list[str]:
        return tables_read(lambda: installer.get(path, **asked))

    signed_in = ["apitoken", "staffdepot"]  # the token with its person; whose depots
    # the head; the page; models; where they stand and of which depots; splits with shares and products;
    # what hangs in them
    place, split = ["cabinetwhereabouts", "location", "depot"], ["split", "splitshare", "product"]
    head = [*signed_in, "entry", "cabinet", "cabinetmodel"]
    hanging = ["devicewhereabouts", "device"]
    assert tables("cabinets/") == [*head, *place, *split, *hanging]
    in_stores = [*head, *place[:2], *split, *hanging]
    assert tables("cabinets/", place="location", hanging=True, search="sk") == in_stores
    assert tables(f"cabinets/{some[0].pk}/") == in_stores
    assert tables(f"cabinets/{waiting.pk}/")[:5] == head
