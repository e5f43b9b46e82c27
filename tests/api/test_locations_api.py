"""Locations over HTTP: registered, taken over, corrected, opened, closed, handed over, listed, and told."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import accounts, cabinets, devices, locations, staff
from registry.actions._stores import NewCabinet
from registry.models import Account, Location
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, changed, made, ok, one_entry, tables_read, told
from tests.api.operations import store_body, utc, when
from tests.factories.world import DAY, HOUR, World

GLN = "4012345000023"  # by hand: 401234500002, weights 3 and 1 from the right, gives 37, so 3


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


@pytest.fixture
def brindle(world: World) -> Account:
    """Another account."""
    return accounts.register_account(
        world.office, particulars={"code": "BR", "name": "Brindle"}, valid_from=world.start
    )


def change(asker: Person, location: Location, what: str, **body: Any) -> Reply:
    """Change a location as it stands."""
    path = f"locations/{location.pk}/"
    tag = asker.seen(path)
    return asker.post(f"{path}{what}/", body, tag=tag) if what else asker.patch(path, body, tag=tag)


def shown(world: World, key: Any, **facts: Any) -> dict[str, Any]:
    """Return what the store of the tests is shown as, or another of which no more is known."""
    return {
        "id": str(key),
        "account": str(world.account.pk),
        "account_name": world.account.label,
        "store_number": "0042",
        "state": "open",
        "name": "Harbour Road 0042",
        "street": "12 Harbour Road",
        "locality": "Tarnmouth",
        "region": "",
        "postal_code": "",
        "country": "US",
        "latitude": None,
        "longitude": None,
        "time_zone": "America/New_York",
        "gln": None,
        "visiting_hours": "",
        "authority_on": None,
        "authority_reference": "",
        "depot": str(world.tarnmouth.pk),
        "depot_name": "TM Tarnmouth",
        **facts,
    }


# --- registered ------------------------------------------------------------------------------------------


def test_the_office_registers_a_location_with_its_cabinets_in_one_entry(office: Person, world: World) -> None:
    particulars = {
        "name": "Pier Head",
        "street": "1 Pier\nUnder the clock",
        "locality": "Tarnmouth",
        "region": "ME",
        "postal_code": "04101",
        "country": "US",
        "time_zone": "America/New_York",
        "gln": GLN,
        "visiting_hours": "06:00 to 22:00",
        "authority_on": "2026-01-15",
        "authority_reference": "mail of January",
    }
    shares = [
        {"product": world.eight_lb.pk, "share": "25.5"},
        {"product": world.eighteen_lb.pk, "share": 74.5},
    ]
    body = store_body(
        world,
        **particulars,
        store_number="0007",
        state="planned",
        latitude="43.65640",
        longitude=-70.25,
        cabinets=[
            {"model": world.cove.pk, "asset_tag": "SK-7001", "position": "left", "shares": shares},
            {"model": world.quay.pk, "asset_tag": "SK-7002"},
        ],
    )

    with one_entry("location.registered") as entries:
        reply = made(office.post("locations/", body), "locations")

    assert reply.body == shown(
        world,
        reply["id"],
        **particulars,
        store_number="0007",
        state="planned",
        latitude="43.6564",
        longitude="-70.25",
    )
    assert entries[0].occurred_at == world.start + 5 * DAY
    one, two = office.rows("cabinets/", location=reply["id"])
    assert (one["asset_tag"], one["position"], one["there_since"]) == (
        "SK-7001",
        "left",
        utc(world.start + 5 * DAY),
    )
    assert [share["share"] for share in one["shares"]] == ["25.5", "74.5"]
    assert (two["asset_tag"], two["model_name"], two["shares"]) == ("SK-7002", "Quay 90", [])


@pytest.mark.parametrize(
    ("given", "status", "code", "pointer"),
    [
        ({"account": str(uuid4())}, 422, "not_found", "#/account"),
        ({"account": None}, 422, "value_invalid", "#/account"),
        ({"store_number": "0042"}, 409, "code_taken", "#/store_number"),
        ({"store_number": 99}, 422, "value_invalid", "#/store_number"),
        ({"depot": str(uuid4())}, 422, "not_found", "#/depot"),
        ({"name": ""}, 422, "text_invalid", "#/name"),
        ({"name": "x" * 5_000}, 422, "text_invalid", "#/name"),
        ({"country": "USA"}, 422, "value_invalid", "#/country"),
        ({"time_zone": "Mars/Olympus"}, 422, "value_invalid", "#/time_zone"),
        ({"latitude": "91", "longitude": "0"}, 422, "value_invalid", "#/latitude"),
        ({"latitude": "43.6"}, 422, "value_invalid", "#/longitude"),
        ({"latitude": "NaN", "longitude": "0"}, 422, "value_invalid", "#/latitude"),
        ({"latitude": 10**400, "longitude": "0"}, 422, "value_invalid", "#/latitude"),
        ({"latitude": True, "longitude": "0"}, 422, "value_invalid", "#/latitude"),
        ({"latitude": [], "longitude": "0"}, 422, "value_invalid", "#/latitude"),
        ({"gln": "4012345000024"}, 422, "check_invalid", "#/gln"),
        ({"gln": "1"}, 422, "value_invalid", "#/gln"),
        ({"authority_on": "15.1.2026"}, 422, "value_invalid", "#/authority_on"),
        ({"authority_on": "2026-02-30"}, 422, "value_invalid", "#/authority_on"),
        ({"state": "closed"}, 422, "value_invalid", "#/state"),
        ({"valid_from": "2026-03-03T00:00:00Z"}, 422, "time_in_future", "#/valid_from"),
        ({"valid_from": "2026-01-01T00:00:00Z"}, 422, "before_known", "#/valid_from"),
        ({"cabinets": {}}, 422, "value_invalid", "#/cabinets"),
        ({"cabinets": [{}]}, 422, "fields_invalid", None),
        (
            {"cabinets": [{"model": "{cove}", "asset_tag": "{taken}"}]},
            409, "code_taken", "#/cabinets/0/asset_tag",
        ),
        (
            {"cabinets": [{"model": "{cove}", "asset_tag": "SK-1"}] * 2},
            422, "code_repeated", "#/cabinets/1/asset_tag",
        ),
        (
            {"cabinets": [{"model": str(uuid4()), "asset_tag": "SK-1"}]},
            422, "not_found", "#/cabinets/0/model",
        ),
        (
            {"cabinets": [{"model": "{cove}", "asset_tag": "SK-1", "shares": [{}]}]},
            422, "fields_invalid", None,
        ),
        (
            {"cabinets": [{"model": "{cove}", "asset_tag": "SK-1", "device": {}}]},
            422, "value_invalid", "#/cabinets/0/device",
        ),
        ({"known_by": "2026-02-01T00:00:00Z"}, 422, "value_invalid", "#/known_by"),
    ],
)  # fmt: skip
def test_what_cannot_be_registered_so_is_refused_where_it_stands(
    office: Person, world: World, given: dict[str, Any], status: int, code: str, pointer: str | None
) -> None:
    known = {"{cove}": str(world.cove.pk), "{taken}": world.cabinet().asset_tag}
    if isinstance(given.get("cabinets"), list):
        listed = [
            {
                name: known.get(value, value) if isinstance(value, str) else value
                for name, value in one.items()
            }
            for one in given["cabinets"]
        ]
        given = {"cabinets": listed}

    with nothing_changed():
        told(office.post("locations/", store_body(world, **given)), status, code, pointer)


def test_an_installer_registers_and_changes_no_location(installer: Person, world: World) -> None:
    with nothing_changed():
        told(installer.post("locations/", store_body(world)), 403, "role_forbids")
        told(installer.post("locations/take-over/", store_body(world)), 403, "role_forbids")
        told(change(installer, world.location, "", name="Mole End"), 403, "role_forbids")
        for what in ("state", "close", "hand"):
            told(change(installer, world.location, what), 403, "role_forbids")


def test_a_location_is_taken_over_with_all_that_hangs_there(office: Person, world: World) -> None:
    serial = world.serial()
    body = store_body(
        world,
        known_by=when(world.start + 5 * DAY),
        reason="the fleet of a rival",
        cabinets=[
            {
                "model": world.cove.pk,
                "asset_tag": "SK-7001",
                "device": {"model": world.plumb_3.pk, "serial": serial, "firmware": "1.9"},
                "installation": {"sensor_order": [3, 2, 1], "offset_from_front_mm": 120},
            },
            {"model": world.cove.pk, "asset_tag": "SK-7002"},
        ],
    )
    del body["valid_from"]

    with one_entry("location.taken_over") as entries:
        reply = made(office.post("locations/take-over/", body), "locations")

    assert (reply["name"], reply["store_number"], reply["state"]) == ("Pier Head", "0099", "open")
    assert entries[0].reason == "the fleet of a rival"
    one, two = office.rows("cabinets/", location=reply["id"])
    assert (one["since_known_by"], two["since_known_by"], two["hanging"]) == (True, True, [])
    [assignment] = office.rows("assignments/", location=reply["id"])
    assert (assignment["serial"], assignment["starts_known_by"], assignment["valid_from"]) == (
        serial,
        True,
        utc(world.start + 5 * DAY),
    )
    assert (assignment["sensor_order"], assignment["offset_from_front_mm"]) == ([3, 2, 1], 120)
    device = ok(office.get(f"devices/{assignment['device']}/"))
    assert (device["firmware"], device["since_known_by"]) == ("1.9", True)


@pytest.mark.parametrize(
    ("cabinet", "code", "pointer"),
    [
        ({"device": {"model": "{plumb}", "serial": "PB3"}}, "serial_invalid", "#/cabinets/1/device/serial"),
        ({"device": {"model": str(uuid4()), "serial": "PB3"}}, "not_found", "#/cabinets/1/device/model"),
        ({"device": {"serial": "PB3"}}, "value_invalid", "#/cabinets/1/device/model"),
        (
            {"device": {"model": "{plumb}", "serial": "{serial}"}, "installation": {"slot": 2}},
            "slot_needs_reason",
            "#/cabinets/1/installation/slot_reason",
        ),
    ],
)
def test_what_cannot_be_taken_over_is_refused_where_it_stands(
    office: Person, world: World, cabinet: dict[str, Any], code: str, pointer: str
) -> None:
    known = {"{plumb}": str(world.plumb_3.pk), "{serial}": world.serial()}
    device = {name: known.get(value, value) for name, value in cabinet["device"].items()}
    body = store_body(
        world,
        known_by=when(world.start + 5 * DAY),
        cabinets=[
            {"model": world.cove.pk, "asset_tag": "SK-7001"},
            {"model": world.cove.pk, "asset_tag": "SK-7002", **cabinet, "device": device},
        ],
    )
    del body["valid_from"]

    with nothing_changed():
        told(office.post("locations/take-over/", body), 422, code, pointer)


# --- corrected -------------------------------------------------------------------------------------------


def test_what_is_known_of_a_location_is_corrected_and_the_rest_stays(office: Person, world: World) -> None:
    facts = {
        "name": "Mole End",
        "street": "2 Mole Lane",
        "locality": "Fellgate",
        "region": "ME",
        "postal_code": "04102",
        "country": "CA",
        "latitude": "43.6",
        "longitude": "-70.1",
        "time_zone": "America/Halifax",
        "gln": GLN,
        "visiting_hours": "by day",
        "authority_on": "2026-02-01",
        "authority_reference": "a letter",
        "depot": str(world.fellgate.pk),
    }

    with one_entry("location.corrected") as entries:
        reply = changed(change(office, world.location, "", **facts, reason="the sign says so"))
    expected = shown(world, world.location.pk, **facts, depot_name="FG Fellgate")
    assert reply.body == expected
    assert entries[0].reason == "the sign says so"

    nothing = {"gln": None, "latitude": None, "longitude": None, "authority_on": None, "region": ""}
    with one_entry("location.corrected"):
        reply = changed(change(office, world.location, "", **nothing))
    assert reply.body == expected | nothing

    with nothing_changed():
        told(change(office, world.location, "", name="Mole End"), 409, "nothing_changes")
        told(change(office, world.location, ""), 409, "nothing_changes")
        told(change(office, world.location, "", name=" "), 422, "text_invalid", "#/name")
        told(change(office, world.location, "", name=None), 422, "value_invalid", "#/name")
        told(change(office, world.location, "", depot=uuid4()), 422, "not_found", "#/depot")
        told(change(office, world.location, "", depot=None), 422, "value_invalid", "#/depot")
        told(change(office, world.location, "", latitude="1"), 422, "value_invalid", "#/longitude")
        told(change(office, world.location, "", store_number="1"), 422, "value_invalid", "#/store_number")


def test_who_gives_a_location_away_sees_it_no_more(api: Api, world: World) -> None:
    staff.change_role(world.administrator, staff_id=world.installer.staff_id, role="office")
    here = api.as_(world.installer)

    with nothing_changed():  # to a depot that is not theirs, they cannot
        told(change(here, world.location, "", depot=world.fellgate.pk), 422, "not_found", "#/depot")


# --- state, holder ---------------------------------------------------------------------------------------


def test_a_location_sleeps_opens_closes_and_opens_again(office: Person, world: World) -> None:
    at = [world.start + days * DAY for days in (2, 4, 6, 8)]

    for moment, state in ((at[0], "asleep"), (at[1], "open")):
        with one_entry("location.state_set") as entries:
            reply = change(
                office, world.location, "state", state=state, valid_from=when(moment), reason="the season"
            )
        assert changed(reply).body == shown(world, world.location.pk, state=state)
        assert (entries[0].occurred_at, entries[0].reason) == (moment, "the season")
    with one_entry("location.closed"):
        reply = change(office, world.location, "close", valid_from=when(at[2]), reason="sold")
    assert changed(reply).body == shown(world, world.location.pk, state="closed")
    with one_entry("location.state_set"):
        reply = change(office, world.location, "state", state="open", valid_from=when(at[3]))
    assert changed(reply)["state"] == "open"

    late = when(world.start + 9 * DAY)
    with nothing_changed():
        for given, status, code, pointer in (
            ({"state": "open"}, 409, "nothing_changes", None),
            ({"state": "closed"}, 422, "value_invalid", "#/state"),
            ({"state": "planned", "valid_from": when(at[1])}, 409, "overlapping_history", "#/valid_from"),
            ({"state": "planned", "valid_from": None}, 422, "value_invalid", "#/valid_from"),
        ):
            reply = change(office, world.location, "state", **{"valid_from": late, **given})
            told(reply, status, code, pointer)


def test_a_location_closes_with_its_cabinets_and_devices(office: Person, world: World) -> None:
    cabinet, device, at = world.cabinet(), world.device(), world.start + 9 * DAY
    assignment = world.assigned(device, cabinet)
    with nothing_changed():
        for given, code, pointer in (
            ({}, "location_occupied", "#/cabinets_to"),
            ({"cabinets_to": str(uuid4())}, "not_found", "#/cabinets_to"),
            ({"cabinets_to": world.tarnmouth.pk, "devices_to": str(uuid4())}, "not_found", "#/devices_to"),
        ):
            reply = change(office, world.location, "close", valid_from=when(at), **given)
            told(reply, 409 if code == "location_occupied" else 422, code, pointer)
        reply = change(office, world.location, "close", valid_from=when(at))
        assert reply["details"] == {"cabinets": [cabinet.asset_tag]}

    with one_entry("location.closed"):
        reply = change(
            office,
            world.location,
            "close",
            valid_from=when(at),
            cabinets_to=world.tarnmouth.pk,
            devices_to=world.fellgate.pk,
        )

    assert changed(reply).body == shown(world, world.location.pk, state="closed")
    stands = ok(office.get(f"cabinets/{cabinet.pk}/"))
    assert (stands["place"], stands["depot"], stands["hanging"]) == ("depot", str(world.tarnmouth.pk), [])
    waits = ok(office.get(f"devices/{device.pk}/"))
    assert (waits["place"], waits["depot"], waits["there_since"]) == (
        "depot",
        str(world.fellgate.pk),
        utc(at),
    )
    ended = ok(office.get(f"assignments/{assignment.period}/"))
    assert (ended["valid_to"], ended["end_reason"], ended["location"]) == (
        utc(at),
        "closed",
        str(world.location.pk),
    )


def test_another_account_holds_a_location_under_its_own_number(
    office: Person, world: World, brindle: Account
) -> None:
    at = world.start + 5 * DAY

    with one_entry("location.handed_over") as entries:
        reply = change(
            office,
            world.location,
            "hand",
            account=brindle.pk,
            store_number="0042",
            valid_from=when(at),
            reason="sold",
        )

    assert changed(reply).body == shown(
        world, world.location.pk, account=str(brindle.pk), account_name=brindle.label
    )
    assert (entries[0].occurred_at, entries[0].reason) == (at, "sold")

    taken = world.store(account=brindle)
    accounts.close_account(world.office, account_id=world.account.pk, valid_from=at + DAY)
    late = when(at + 2 * DAY)
    number = ok(office.get(f"locations/{taken.pk}/"))["store_number"]
    with nothing_changed():
        for given, status, code, pointer in (
            ({"store_number": "0042"}, 409, "nothing_changes", "#/account"),
            ({"store_number": number}, 409, "code_taken", "#/store_number"),
            ({"store_number": ""}, 422, "text_invalid", "#/store_number"),
            ({"store_number": "1", "account": uuid4()}, 422, "not_found", "#/account"),
            ({"store_number": "1", "account": world.account.pk}, 409, "account_closed", "#/account"),
            ({"store_number": "1", "valid_from": when(at)}, 409, "overlapping_history", "#/valid_from"),
        ):
            body = {"account": brindle.pk, "valid_from": late, **given}
            told(change(office, world.location, "hand", **body), status, code, pointer)


# --- listed ----------------------------------------------------------------------------------------------


def test_locations_are_listed_by_holder_number_state_and_words(
    installer: Person, world: World, brindle: Account
) -> None:
    other, theirs = world.store(account=brindle), world.store(depot=world.fellgate)
    locations.correct_location(
        world.office,
        location_id=other.pk,
        particulars={"name": "Mole End", "postal_code": "04102", "country": "CA"},
    )
    locations.set_location_state(
        world.office, location_id=other.pk, state="asleep", valid_from=world.start + 5 * DAY
    )
    number = ok(installer.get(f"locations/{other.pk}/"))["store_number"]

    def found(**asked: object) -> set[str]:
        rows = installer.rows("locations/", **asked)
        for row in rows:
            if "as_of" not in asked:
                assert row == ok(installer.get(f"locations/{row['id']}/")).body
        return {row["id"] for row in rows}

    one, two = str(world.location.pk), str(other.pk)
    assert found() == {one, two}
    assert str(theirs.pk) not in found(depot=world.fellgate.pk) | found(search="harbour")
    assert found(account=world.account.pk) == {one}
    assert found(account=brindle.pk) == {two}
    assert found(store_number="0042") == {one}
    assert found(store_number="42") == set()
    assert found(account=brindle.pk, store_number="0042") == set()
    assert found(account=brindle.pk, store_number=number) == {two}
    assert found(state="asleep") == {two}
    assert found(state="asleep", as_of=utc(world.start + 5 * DAY - HOUR)) == set()
    assert found(depot=world.tarnmouth.pk) == {one, two}
    assert found(country="CA") == {two}
    assert found(search="mole end") == found(search="04102") == {two}
    assert found(search="harbour") == {one, two}  # a street of both
    assert found(search="harbour 0042") == found(search="0042") == {one}
    assert found(search=number.lower()) == {two}


# --- the timeline ----------------------------------------------------------------------------------------


def test_the_timeline_tells_what_happened_at_a_location_and_of_which_cabinet_and_device(
    api: Api, installer: Person, world: World
) -> None:
    cabinet, other, device = world.cabinet(), world.cabinet(), world.device()
    elsewhere = world.cabinet(world.store())
    world.assigned(world.device(), elsewhere)
    world.assigned(device, cabinet, world.start + 5 * DAY)
    devices.correct_device(world.office, device_id=device.pk, firmware="2.1")  # no event of the store
    at = world.start + 9 * DAY
    cabinets.move_cabinet(world.office, cabinet_id=other.pk, depot_id=world.tarnmouth.pk, valid_from=at)
    path = f"locations/{world.location.pk}/timeline/"

    reply = ok(installer.get(path))

    assert reply.body.keys() == {"as_of", "known_index", "at_head", "results"}
    assert reply.headers["Register-Index"] == str(reply["known_index"])
    assert [(event["verb"], event["occurred_at"]) for event in reply["results"]] == [
        ("location.registered", utc(world.start)),
        ("cabinet.registered", utc(world.start + DAY)),
        ("cabinet.registered", utc(world.start + DAY)),
        ("device.assigned", utc(world.start + 5 * DAY)),
        ("cabinet.moved", utc(at)),
    ]
    assigned = reply["results"][3]
    assert assigned == {
        "index": assigned["index"],
        "occurred_at": utc(world.start + 5 * DAY),
        "recorded_at": assigned["recorded_at"],
        "words": f"Device {device.serial} was assigned to cabinet {cabinet.asset_tag}"
        f" at {world.location.label}",
        "verb": "device.assigned",
        "who": "Office",
        "face": "api",
        "reason": "",
        "replaced": [],
        "simulated": True,
        "cabinets": [str(cabinet.pk)],
        "devices": [str(device.pk)],
    }
    # Every entry of the story can be looked up by those who may read the ledger, and says the same.
    entry = ok(api.as_(world.auditor).get(f"entries/{assigned['index']}/"))
    assert entry["verb"] == "device.assigned"

    def told_of(**asked: object) -> list[str]:
        return [event["verb"] for event in ok(installer.get(path, **asked))["results"]]

    assert told_of(cabinet=cabinet.pk) == ["cabinet.registered", "device.assigned"]
    assert told_of(cabinet=other.pk) == ["cabinet.registered", "cabinet.moved"]
    assert told_of(device=device.pk) == ["device.assigned"]
    assert told_of(device=device.pk, cabinet=other.pk) == told_of(cabinet=elsewhere.pk) == []
    assert told_of(as_of=utc(world.start + 5 * DAY)) == [
        "location.registered",
        "cabinet.registered",
        "cabinet.registered",
        "device.assigned",
    ]
    assert told_of(known_at=assigned["index"] - 1)[-1] == "cabinet.registered"
    for name in ("cabinet", "device"):
        wrong = told(installer.get(path, **{name: "x"}), 422, "value_invalid")
        assert wrong["errors"][0]["parameter"] == name
    wrong = told(installer.get(path, page_size=5), 422, "value_invalid")
    assert wrong["errors"][0]["parameter"] == "page_size"


@pytest.mark.parametrize("rows", [3, 30])
def test_reading_takes_as_many_queries_for_many_locations_as_for_few(
    installer: Person, world: World, rows: int
) -> None:
    for _ in range(rows):
        world.store()
    many = [
        cabinets.register_cabinet(
            world.office,
            cabinet=NewCabinet(world.cove.pk, {"asset_tag": world.code("SK")}),
            location_id=world.location.pk,
            valid_from=world.start + DAY,
        )
        for _ in range(rows)
    ]
    for cabinet in many:
        world.assigned(world.device(), cabinet)
    locations.correct_depot(world.office, depot_id=world.tarnmouth.pk, particulars={"name": "Tarn"})

    def tables(path: str, **asked: object) -> list[str]:
        return tables_read(lambda: installer.get(path, **asked))

    # the token with its person; whose depots; the head; the page; depots; states; holders and their accounts
    page = [
        "apitoken",
        "staffdepot",
        "entry",
        "location",
        "depot",
        "locationstate",
        "locationholding",
        "account",
    ]
    assert tables("locations/") == page
    assert tables("locations/", account=world.account.pk, state="open", search="tarnmouth") == page
    assert tables(f"locations/{world.location.pk}/") == page
    # the head for the question, and again for who may ask; the location as it is now; its cabinets' stays;
    # what entries are about it and them; these with all their subjects; who did it
    story = ["cabinetwhereabouts", "subject", "subject", "entry", "subject", "staff"]
    assert tables(f"locations/{world.location.pk}/timeline/") == [*page[:3], *page[2:], *story]
