"""Where in a body of many parts something is wrong: told by a pointer into exactly that part."""

from typing import Any
from uuid import uuid4

import pytest

from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, made, ok, told
from tests.api.noun_operations import cabinet_body, location_body
from tests.api.operations import when
from tests.factories.world import DAY, World


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def taken_over(world: World) -> dict[str, Any]:
    """Return a store that stands already, with a device in its second cabinet."""
    device = {"model": str(world.plumb_3.pk), "serial": world.serial(), "imei": "490154203237518"}
    cabinets = [
        cabinet_body(world, "SK-7001"),
        cabinet_body(
            world,
            "SK-7002",
            device=device,
            installation={"sensor_order": [3, 2, 1], "rail_below_ceiling_mm": 60},
            shares=[{"product": str(world.eight_lb.pk), "share": 100}],
        ),
    ]
    return {
        **location_body(world, cabinets=cabinets),
        "account": str(world.account.pk),
        "known_by": when(world.start + 5 * DAY),
    }


WRONG: dict[str, tuple[str, Any, int, str, str]] = {
    "no such model": ("device/model", str(uuid4()), 422, "not_found", "device/model"),
    "a serial of another scheme": ("device/serial", "QX1-55", 422, "serial_invalid", "device/serial"),
    "an IMEI that is wrong": ("device/imei", "490154203237519", 422, "check_invalid", "device/imei"),
    "a port twice": (
        "installation/sensor_order",
        [1, 1, 2],
        422,
        "value_invalid",
        "installation/sensor_order",
    ),
    "a slot without its reason": (
        "installation/slot",
        2,
        422,
        "slot_needs_reason",
        "installation/slot_reason",
    ),
    "an unknown setting": ("setting", "at sea", 422, "value_invalid", "setting"),
    "a tag with a space": ("asset_tag", "SK 7002", 422, "text_invalid", "asset_tag"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_store_that_is_taken_over_is_refused_at_the_part_that_is_wrong(
    office: Person, world: World, name: str
) -> None:
    where, value, status, code, pointer = WRONG[name]
    body = taken_over(world)
    *path, last = where.split("/")
    part = body["cabinets"][1]
    for step in path:
        part = part[step]
    part[last] = value

    with nothing_changed():
        told(office.post("locations/take-over/", body), status, code, f"#/cabinets/1/{pointer}")


def test_a_store_that_is_taken_over_is_told_with_what_hangs_in_it(office: Person, world: World) -> None:
    reply = made(office.post("locations/take-over/", taken_over(world)), "locations")

    bare, fitted = office.rows("cabinets/", location=reply["id"])
    assert (bare["hanging"], len(fitted["hanging"]), fitted["since_known_by"]) == ([], 1, True)
    assignment = ok(office.get(f"assignments/{fitted['hanging'][0]['assignment']}/"))
    assert (assignment["sensor_order"], assignment["rail_below_ceiling_mm"]) == ([3, 2, 1], 60)


def test_a_device_that_does_not_suit_its_cabinet_is_pointed_at(office: Person, world: World) -> None:
    body = taken_over(world)
    body["cabinets"][1]["model"] = str(world.quay.pk)

    with nothing_changed():
        told(
            office.post("locations/take-over/", body),
            422,
            "sensor_count_mismatch",
            "#/cabinets/1/device",
        )


def test_a_device_of_a_delivery_that_is_wrong_is_pointed_at_and_named_by_its_place(
    office: Person, world: World
) -> None:
    booked = world.device().serial
    good, other = world.serial(), world.serial()
    body = {"depot": str(world.tarnmouth.pk), "valid_from": when(world.start + DAY)}

    def deliver(second: dict[str, Any]) -> Any:
        label = {"model": str(world.plumb_3.pk), "serial": good}
        return office.post("devices/", {**body, "devices": [label, {**label, "serial": other, **second}]})

    with nothing_changed():
        for wrong, status, code, field in (
            ({"serial": booked}, 409, "code_taken", "serial"),
            ({"serial": good}, 422, "code_repeated", "serial"),
            ({"serial": "PB3"}, 422, "serial_invalid", "serial"),
            ({"model": str(uuid4())}, 422, "not_found", "model"),
            ({"iccid": "123"}, 422, "check_invalid", "iccid"),
        ):
            reply = told(deliver(wrong), status, code, f"#/devices/1/{field}")
            assert reply["details"]["position"] == 1
    assert len(ok(deliver({}), 201)["results"]) == 2
