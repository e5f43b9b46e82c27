"""Finding a device by what somebody typed or scanned, and what to suggest where there is none."""

from typing import Any

import pytest

from registry.actions import assignments, devices, provisional
from registry.actions._devices import NewDevice
from registry.models import Device
from registry.queries.devices import SUGGESTIONS_MAX, resolve_serial
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import candidates, check_characters
from registry.rules.roles import Role, Scope
from tests.factories.world import DAY, World, device_model

GTIN = "04012345678901"  # invented, with a right check digit
TORN = "PB3123456"  # a serial of which one character is missing


@pytest.fixture
def tarnmouth(world: World) -> Scope:
    return Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))


def received(world: World, payload: str, *, depot: Any = None, prefix: str = "PB3") -> Device:
    """Receive a device with a serial of this payload."""
    model = world.plumb_5 if prefix == "PB5" else world.plumb_3
    [device] = devices.receive_devices(
        world.office,
        devices=[NewDevice(model.pk, serial(payload, prefix))],
        depot_id=(depot or world.tarnmouth).pk,
        valid_from=world.start + DAY,
    )
    return device


def serial(payload: str, prefix: str = "PB3") -> str:
    return prefix + payload + check_characters("luhn", payload)


def refusal(typed: str, scope: Scope, sensor_count: int | None = None) -> RuleBroken:
    with pytest.raises(RuleBroken) as refused:
        resolve_serial(typed, scope, sensor_count=sensor_count)
    return refused.value


@pytest.mark.parametrize(
    "write",
    [
        pytest.param(lambda text: text, id="as it is"),
        pytest.param(str.lower, id="lower case"),
        pytest.param(lambda text: f" {text[:3]}-{text[3:6]} {text[6:]} ", id="with separators"),
        pytest.param(lambda text: f"]C101{GTIN}21{text}", id="GS1 element string"),
        pytest.param(lambda text: f"(01){GTIN}(21){text}", id="bracketed print"),
        pytest.param(lambda text: f"https://id.example.com/01/{GTIN}/21/{text}", id="GS1 Digital Link"),
        pytest.param(lambda text: f"]Q1https://example.org/x/01/{GTIN}/21/{text}?17=270101", id="QR code"),
    ],
)
def test_a_device_is_found_however_its_serial_was_written(world: World, tarnmouth: Scope, write: Any) -> None:
    device = received(world, "007919")

    assert resolve_serial(write(device.serial), tarnmouth) == device


def test_a_device_is_found_wherever_it_is_in_the_persons_depots(world: World, tarnmouth: Scope) -> None:
    hung, lost = received(world, "000001"), received(world, "000002")
    world.assigned(hung, world.cabinet())
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=world.start + 3 * DAY)

    assert resolve_serial(hung.serial, tarnmouth) == hung
    assert resolve_serial(lost.serial, tarnmouth) == lost


def test_a_device_of_another_depot_is_not_found_and_not_suggested(world: World, tarnmouth: Scope) -> None:
    device = received(world, "007919", depot=world.fellgate)

    refused = refusal(device.serial, tarnmouth)

    assert (refused.code, refused.field) == (Code.NOT_FOUND, "serial")
    assert refused.details == {"serial": device.serial, "suggestions": []}
    assert resolve_serial(device.serial, Scope(Role.OFFICE, everywhere=True)) == device


def test_a_device_in_a_store_belongs_to_the_depot_of_that_store(world: World, tarnmouth: Scope) -> None:
    device = received(world, "007919")
    world.assigned(device, world.cabinet(world.store(depot=world.fellgate)))

    assert refusal(device.serial, tarnmouth).code == Code.NOT_FOUND
    assert resolve_serial(device.serial, Scope(Role.INSTALLER, frozenset({world.fellgate.pk}))) == device


def test_a_serial_that_nobody_booked_in_is_refused_with_what_to_do(world: World, tarnmouth: Scope) -> None:
    refused = refusal(serial("555555"), tarnmouth)

    assert refused.code == Code.NOT_FOUND
    assert "record the device as provisional" in refused.message


def test_a_wrong_check_digit_is_refused_with_the_device_that_was_meant(
    world: World, tarnmouth: Scope
) -> None:
    device = received(world, "007919")
    slipped = device.serial[:-1] + str((int(device.serial[-1]) + 1) % 10)

    refused = refusal(slipped, tarnmouth)

    assert (refused.code, refused.field) == (Code.SERIAL_INVALID, "serial")
    assert refused.details["suggestions"] == [device.serial]


def test_a_missing_prefix_still_leads_to_the_device(world: World, tarnmouth: Scope) -> None:
    device = received(world, "007919")

    assert refusal(device.serial.removeprefix("PB3"), tarnmouth).details["suggestions"] == [device.serial]


def near(world: World, count: int) -> list[str]:
    """Return the payloads of the serials nearest to TORN, likeliest first, as the rules order them."""
    found = [candidate.serial for candidate in candidates(TORN, world.plumb_3.serial_scheme())]
    return [text[3:9] for text in found[:count]]


def test_only_what_this_person_could_assign_is_suggested(world: World, tarnmouth: Scope) -> None:
    at = world.start + 3 * DAY
    *payloads, last = near(world, 6)
    in_depot, in_van, hung, lost, at_maker = (received(world, text) for text in payloads)
    elsewhere = received(world, last, depot=world.fellgate)
    devices.hand_over_device(
        world.office, device_id=in_van.pk, staff_id=world.installer.staff_id, valid_from=at
    )
    world.assigned(hung, world.cabinet(), at)
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=at)
    devices.send_device_to_repair(world.office, device_id=at_maker.pk, valid_from=at)

    def suggested(scope: Scope) -> object:
        return refusal(TORN, scope).details["suggestions"]

    of_the_van = Scope(Role.INSTALLER, tarnmouth.depots, staff_id=world.installer.staff_id)
    assert suggested(of_the_van) == [in_depot.serial, in_van.serial]
    # Another installer of the same depot takes nothing out of this one's van.
    another = Scope(Role.INSTALLER, tarnmouth.depots, staff_id=world.stranger.staff_id)
    assert suggested(another) == [in_depot.serial]
    assert suggested(Scope(Role.INSTALLER, frozenset({world.fellgate.pk}))) == [elsewhere.serial]
    assert suggested(Scope(Role.OFFICE, everywhere=True)) == [
        in_depot.serial,
        in_van.serial,
        elsewhere.serial,
    ]
    assert suggested(Scope(Role.INSTALLER)) == []
    devices.retire_device(world.office, device_id=in_depot.pk, valid_from=at)
    assert suggested(of_the_van) == [in_van.serial]


def test_a_device_that_was_swapped_out_is_suggested_again(world: World, tarnmouth: Scope) -> None:
    device, typed = received(world, "007919"), "PB3079194"
    hung = world.assigned(device, world.cabinet())
    assert refusal(typed, tarnmouth).details["suggestions"] == []

    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        valid_to=world.start + 9 * DAY,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )

    assert refusal(typed, tarnmouth).details["suggestions"] == [device.serial]


def test_the_likeliest_slip_comes_first_and_no_more_than_a_handful_are_suggested(
    world: World, tarnmouth: Scope
) -> None:
    payloads = near(world, SUGGESTIONS_MAX + 1)
    for text in reversed(payloads):
        received(world, text)
    received(world, "999999")  # far from it

    found = refusal(TORN, tarnmouth).details["suggestions"]

    assert found == [serial(text) for text in payloads[:SUGGESTIONS_MAX]]


def test_a_look_alike_leads_to_the_device(world: World, tarnmouth: Scope) -> None:
    device = received(world, "128456")

    assert refusal(device.serial.replace("8", "B"), tarnmouth).details["suggestions"] == [device.serial]


def test_devices_with_the_right_number_of_sensors_come_first(world: World, tarnmouth: Scope) -> None:
    three, five = received(world, "123456"), received(world, "123456", prefix="PB5")
    typed = "123456" + three.serial[-1]  # neither prefix

    assert refusal(typed, tarnmouth, 3).details["suggestions"] == [three.serial, five.serial]
    assert refusal(typed, tarnmouth, 5).details["suggestions"] == [five.serial, three.serial]


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ("(8004)4012345ABC", Code.SERIAL_INVALID),  # an asset, no device
        ("(414)4012345678901", Code.SERIAL_INVALID),  # a place
        ("PB3?079199", Code.SCAN_INVALID),
        ("(01)04012345678902(21)PB30079199", Code.CHECK_INVALID),
        ("(01)04012345678901(8004)4012345ABC", Code.SCAN_AMBIGUOUS),
    ],
)
def test_a_code_that_is_no_serial_is_refused_at_the_serial_without_suggestions(
    world: World, tarnmouth: Scope, typed: str, code: Code
) -> None:
    received(world, "007919")

    refused = refusal(typed, tarnmouth)

    assert (refused.code, refused.field) == (code, "serial")
    assert refused.details["suggestions"] == []


def test_a_provisional_device_is_found_and_a_rejected_one_is_not(world: World, tarnmouth: Scope) -> None:
    text = serial("424242")
    found = provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, text),
        valid_from=world.start + 3 * DAY,
        evidence="no label on the box",
        depot_id=world.tarnmouth.pk,
    )
    assert resolve_serial(text, tarnmouth) == found

    provisional.reject_provisional_device(world.office, device_id=found.pk, reason="a toy")

    assert refusal(text, tarnmouth).code == Code.NOT_FOUND


def test_without_a_device_model_there_is_nothing_to_find(clock: Any) -> None:
    assert refusal("PB30079199", Scope(Role.OFFICE, everywhere=True)).code == Code.NOT_FOUND


@pytest.mark.parametrize("rows", [3, 30])
def test_a_search_takes_as_many_queries_for_many_devices_as_for_few(
    world: World, tarnmouth: Scope, django_assert_num_queries: Any, rows: int
) -> None:
    stock = [received(world, f"{number:06}") for number in range(rows)]
    hung = received(world, "999999")
    world.assigned(hung, world.cabinet())

    with django_assert_num_queries(3):  # models; the device with its model; where it is
        assert resolve_serial(stock[0].serial, tarnmouth) == stock[0]
    with django_assert_num_queries(4):  # models; the device; where it is; where its cabinet stands
        assert resolve_serial(hung.serial, tarnmouth) == hung
    with django_assert_num_queries(3):  # models; the near serials of each of the two schemes
        assert refusal(stock[1].serial.replace("PB3", "PB"), tarnmouth).details["suggestions"]
    with django_assert_num_queries(4):  # models; the device that is none; the near serials of two schemes
        refusal(serial("555555"), tarnmouth)


def test_models_of_one_scheme_are_searched_once(world: World, django_assert_num_queries: Any) -> None:
    devices.register_device_model(world.office, particulars=device_model("Plumb-3b", "PB3", 3))

    with django_assert_num_queries(3):  # models; the near serials of each of the two schemes
        refusal("PB0000018", Scope(Role.OFFICE, everywhere=True))
