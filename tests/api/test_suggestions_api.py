"""What is suggested as somebody types a serial: only what they could assign, exact and near told apart."""

from typing import Any

import pytest

from registry.actions import devices
from registry.actions._devices import NewDevice
from registry.models import Device
from registry.rules.identifiers import check_characters
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, ok, tables_read, told
from tests.api.operations import found_in_the_field, when
from tests.factories.world import DAY, World, person

GTIN = "09506000134352"  # GS1 syntax dictionary


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


def received(world: World, payload: str, depot: Any = None, prefix: str = "PB3") -> Device:
    model = world.plumb_5 if prefix == "PB5" else world.plumb_3
    [device] = devices.receive_devices(
        world.office,
        devices=[NewDevice(model.pk, prefix + payload + check_characters("luhn", payload))],
        depot_id=(depot or world.tarnmouth).pk,
        valid_from=world.start + DAY,
    )
    return device


def suggested(asker: Person, typed: str) -> tuple[list[str], list[tuple[str, str]]]:
    """Return the exact serials, and the near ones with the slip by which each was found."""
    reply = ok(asker.get("devices/suggest/", q=typed))
    assert reply.body.keys() == {"exact", "near"}
    assert {row["slip"] for row in reply["exact"]} <= {"exact"}
    return [row["serial"] for row in reply["exact"]], [(row["serial"], row["slip"]) for row in reply["near"]]


def test_a_suggestion_says_what_the_device_is_and_where_it_waits(installer: Person, world: World) -> None:
    waiting, in_van = received(world, "111111"), received(world, "222222", prefix="PB5")
    devices.hand_over_device(
        world.office,
        device_id=in_van.pk,
        staff_id=world.installer.staff_id,
        valid_from=world.start + 3 * DAY,
    )

    with nothing_changed():
        reply = ok(installer.get("devices/suggest/", q="PB"))

    assert reply.body == {
        "exact": [
            {
                "id": str(waiting.pk),
                "serial": waiting.serial,
                "model_name": "Plumb-3",
                "sensor_count": 3,
                "place": "depot",
                "place_name": "depot TM Tarnmouth",
                "slip": "exact",
            },
            {
                "id": str(in_van.pk),
                "serial": in_van.serial,
                "model_name": "Plumb-5",
                "sensor_count": 5,
                "place": "van",
                "place_name": "van of Installer",
                "slip": "exact",
            },
        ],
        "near": [],
    }


def test_suggestions_narrow_down_with_each_character(installer: Person, world: World) -> None:
    meant = received(world, "123456")
    others = [received(world, payload) for payload in ("987654", "555555")]
    everything = sorted([meant.serial, *(other.serial for other in others)])

    for length in range(1, len(meant.serial) + 1):
        exact, near = suggested(installer, meant.serial[:length])
        assert exact == [serial for serial in everything if serial.startswith(meant.serial[:length])]
        assert meant.serial in exact
        assert near == []
    # One character too many: no serial begins so, and one is near.
    assert suggested(installer, meant.serial + "0") == ([], [(meant.serial, "extra")])


def test_case_spaces_and_dashes_do_not_matter(installer: Person, world: World) -> None:
    device = received(world, "123456")

    for typed in ("pb3", " PB3 ", "pb3-12", "P B-3 1234 56", "ＰＢ３１２"):  # the last in full width
        assert suggested(installer, typed) == ([device.serial], []), typed


@pytest.mark.parametrize(
    ("slip", "write"),
    [
        ("confusion", lambda text: text.replace("1", "I")),
        ("swap", lambda text: text[:4] + text[5] + text[4] + text[6:]),
        ("missing", lambda text: text[:5] + text[6:]),
        ("missing", lambda text: text.removeprefix("PB3")),
        ("extra", lambda text: text[:5] + "9" + text[5:]),
        ("extra", lambda text: "PB3" + text),
        ("substitution", lambda text: text[:5] + "9" + text[6:]),
    ],
)
def test_one_slip_leads_to_the_device_as_a_near_one(
    installer: Person, world: World, slip: str, write: Any
) -> None:
    device = received(world, "123456")

    assert suggested(installer, write(device.serial)) == ([], [(device.serial, slip)])


def test_an_exact_one_is_not_told_as_near_too(installer: Person, world: World) -> None:
    # Luhn misses 09 and 90 alone, so both of these are serials and one is a swap of the other.
    one, two = received(world, "120956"), received(world, "129056")
    assert one.serial[-1] == two.serial[-1]

    assert suggested(installer, one.serial) == ([one.serial], [(two.serial, "swap")])


def test_a_scanned_label_leads_to_the_device(installer: Person, world: World) -> None:
    device = received(world, "123456")

    for code in (
        f"]C101{GTIN}21{device.serial}",
        f"(01){GTIN}(21){device.serial}",
        f"https://id.gs1.org/01/{GTIN}/21/{device.serial}",
    ):
        assert suggested(installer, code) == ([device.serial], []), code
    # A GTIN alone names no device.
    assert suggested(installer, f"(01){GTIN}") == ([], [])


def test_only_what_this_person_could_assign_is_suggested(api: Api, world: World) -> None:
    other = person(world, "installer", world.tarnmouth)
    waiting, own_van, others_van, hung, lost, repair, retired = (world.device() for _ in range(7))
    theirs, stray = world.device(depot=world.fellgate), found_in_the_field(world)
    at = world.start + 3 * DAY
    for device, actor in ((own_van, world.installer), (others_van, other)):
        devices.hand_over_device(world.office, device_id=device.pk, staff_id=actor.staff_id, valid_from=at)
    world.assigned(hung, world.cabinet())
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=at)
    devices.send_device_to_repair(world.office, device_id=repair.pk, valid_from=at)
    devices.retire_device(world.office, device_id=retired.pk, valid_from=at)

    for device, able in (
        (waiting, {world.installer, other, world.office}),
        (own_van, {world.installer, world.office}),
        (others_van, {other, world.office}),
        (stray, {world.installer, other, world.office}),
        (theirs, {world.stranger, world.office}),
        (hung, set()),
        (lost, set()),
        (repair, set()),
        (retired, set()),
    ):
        for actor in (world.installer, other, world.stranger, world.office):
            exact, _ = suggested(api.as_(actor), device.serial)
            _, near = suggested(api.as_(actor), device.serial[:-1] + "*")
            found = {device.serial} if actor in able else set()
            assert {device.serial} & set(exact) == found
            assert {device.serial} & {serial for serial, _ in near} == found


@pytest.mark.parametrize("exact", [True, False])
def test_whatever_is_suggested_can_be_assigned(installer: Person, world: World, exact: bool) -> None:
    device, cabinet = received(world, "123456"), world.cabinet()
    typed = device.serial if exact else device.serial[:-1]
    reply = ok(installer.get("devices/suggest/", q=typed))
    [row] = [*reply["exact"], *reply["near"]]

    body = {"device": row["id"], "cabinet": cabinet.pk, "valid_from": when(world.start + 5 * DAY)}
    assert ok(installer.post("assignments/", body), 201)["serial"] == device.serial
    assert suggested(installer, typed) == ([], [])


def test_no_more_than_a_handful_is_suggested_of_either_kind(installer: Person, world: World) -> None:
    for number in range(9):
        received(world, f"12345{number}")

    exact, near = suggested(installer, "PB3")
    assert (len(exact), near) == (5, [])
    exact, near = suggested(installer, "PB312345")  # the last two are missing: nothing is one slip away
    assert (len(exact), near) == (5, [])
    exact, near = suggested(installer, "PB312345?".replace("?", exact[0][-1]))
    assert len(near) <= 5


@pytest.mark.parametrize(
    "typed",
    [*"(]%_\\'\"?🧊ä", "]C1", "PB3%", "P_3", "PB3\u202e", "https://", "--", "(414)4012345000023"],
)
def test_odd_input_finds_nothing_and_breaks_nothing(installer: Person, world: World, typed: str) -> None:
    received(world, "123456")

    assert suggested(installer, typed) == ([], [])


def test_a_question_without_text_or_with_too_much_is_refused(installer: Person) -> None:
    for asked in ({}, {"q": ""}, {"q": "x" * 501}):
        reply = told(installer.get("devices/suggest/", **asked), 422, "value_invalid")
        assert reply["errors"][0]["parameter"] == "q"
    assert suggested(installer, "x" * 500) == ([], [])
    reply = told(installer.get("devices/suggest/", q="PB3", limit=5), 422, "value_invalid")
    assert reply["errors"][0]["parameter"] == "limit"


@pytest.mark.parametrize("rows", [3, 30])
def test_suggesting_takes_as_many_queries_for_many_devices_as_for_few(
    installer: Person, world: World, rows: int
) -> None:
    for number in range(rows):
        received(world, f"{number:06}")
    known = received(world, "123456")

    # the token with its person; whose depots; what begins so; device models; near serials by scheme
    signed_in = ["apitoken", "staffdepot"]
    begun = [*signed_in, "devicewhereabouts", "devicemodel"]
    assert tables_read(lambda: installer.get("devices/suggest/", q="PB3")) == begun
    whole = tables_read(lambda: installer.get("devices/suggest/", q=known.serial))
    assert whole == [*begun, "devicewhereabouts", "devicewhereabouts"]
    slipped = tables_read(lambda: installer.get("devices/suggest/", q=known.serial[:-1]))
    assert slipped == [*begun, "devicewhereabouts"]  # a character short of one scheme alone
