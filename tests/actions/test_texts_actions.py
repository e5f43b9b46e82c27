"""Everything that people type passes one gate, wherever it enters."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from registry.actions import (
    accounts,
    assignments,
    cabinets,
    devices,
    locations,
    periods,
    products,
    provisional,
    staff,
)
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.models import Cabinet, Device, DeviceWhereabouts, Location
from registry.rules.assignments import Installation
from tests.actions.unchanged import refused
from tests.factories.world import DAY, PASSWORD, World, new_location

NO_TEXT = ["a\x00b", "a\x07b", "lone \ud800", "a\u202eb", "private \ue000", 5]
BAD = {
    "note": [*NO_TEXT, "x" * 2_001],
    "line": [*NO_TEXT, "", " \t ", "\u200b", "two\nlines", "x" * 201],
    "blank line": [*NO_TEXT, "two\nlines", "x" * 201],
    "code": [*NO_TEXT, "", " ", "a b", "a\u200bb", "x" * 41],
    "blank code": [*NO_TEXT, "a b", "a\u200bb", "x" * 41],
}
GOOD = {
    "note": "Ganz schön\nkalt",
    "line": "Ganz  schön",
    "blank line": "",
    "code": "0042-ö",
    "blank code": "",
}


@dataclass
class Bench:
    """What the entry points take, made before any of them is tried."""

    world: World
    hung: DeviceWhereabouts
    device: Device
    cabinet: Cabinet
    store: Location

    @classmethod
    def of(cls, world: World) -> "Bench":
        hung = world.assigned(world.device(), world.cabinet())
        return cls(world, hung, world.device(), world.cabinet(), world.store())


Enter = Callable[[Bench, Any], object]


def register_account(world: World, **text: Any) -> object:
    particulars = {"code": world.code("A"), "name": "Pier & Pantry"} | text
    return accounts.register_account(world.office, particulars=particulars, valid_from=world.start)


def register_location(world: World, number: Any = None, **text: Any) -> object:
    given = {"name": "Slipway"} | text
    location = new_location(world.tarnmouth, world.code("L") if number is None else number, **given)
    return locations.register_location(
        world.office, account_id=world.account.pk, location=location, valid_from=world.start
    )


def register_cabinet(world: World, **text: Any) -> object:
    return cabinets.register_cabinet(
        world.office,
        cabinet=NewCabinet(world.cove.pk, {"asset_tag": world.code("C")} | text),
        valid_from=world.start,
        location_id=world.location.pk,
    )


def receive(world: World, **text: Any) -> object:
    return devices.receive_devices(
        world.office,
        devices=[NewDevice(world.plumb_3.pk, world.serial(), **text)],
        depot_id=world.tarnmouth.pk,
        valid_from=world.start,
    )


def add_staff(world: World, **text: Any) -> object:
    given = {"username": world.code("u"), "name": "Wren", "password": PASSWORD, "role": "office"} | text
    return staff.add_staff(world.administrator, **given)


def contact(world: World, **text: Any) -> object:
    return locations.register_contact(
        world.office, location_id=world.location.pk, text={"name": "Tamsin Reed"} | text
    )


def product(world: World, **text: Any) -> object:
    given = {"code": world.code("B"), "name": "A bag", "net_mass": "5", "net_mass_unit": "kg"} | text
    return products.register_product(world.office, particulars=given)


def end(bench: Bench, text: Any) -> object:
    return assignments.end_assignment(
        bench.world.office,
        assignment_id=bench.hung.period,
        valid_to=bench.world.start + 9 * DAY,
        end_reason="fault",
        end_note=text,
        depot_id=bench.world.tarnmouth.pk,
    )


def assign(bench: Bench, text: Any) -> object:
    return assignments.assign_device(
        bench.world.office,
        device_id=bench.device.pk,
        cabinet_id=bench.cabinet.pk,
        valid_from=bench.world.start + 2 * DAY,
        installation=Installation(slot_reason=text),
    )


def repair(bench: Bench, text: Any) -> object:
    return devices.send_device_to_repair(
        bench.world.office, device_id=bench.device.pk, valid_from=bench.world.start + 9 * DAY, reference=text
    )


def record(bench: Bench, text: Any) -> object:
    return provisional.record_provisional_device(
        bench.world.office,
        device=NewDevice(bench.world.plumb_3.pk, bench.world.serial()),
        valid_from=bench.world.start,
        evidence=text,
        photo_sha256="0f" * 32,
        depot_id=bench.world.tarnmouth.pk,
    )


def close(bench: Bench, text: Any) -> object:
    return locations.close_location(
        bench.world.office, location_id=bench.store.pk, valid_from=bench.world.start + DAY, reason=text
    )


def lose(bench: Bench, text: Any) -> object:
    return devices.mark_device_lost(
        bench.world.office,
        device_id=bench.hung.device_id,
        valid_from=bench.world.start + 9 * DAY,
        reason=text,
    )


def correct_slot_reason(bench: Bench, text: Any) -> object:
    return periods.correct_period(
        bench.world.office,
        history="devicewhereabouts",
        period_id=bench.hung.period,
        facts={"slot_reason": text},
        reason="Put right",
    )


PLACES: list[tuple[str, str, Enter]] = [
    ("code", "code", lambda bench, text: register_account(bench.world, code=text)),
    ("line", "name", lambda bench, text: register_account(bench.world, name=text)),
    ("code", "store_number", lambda bench, text: register_location(bench.world, text)),
    ("line", "name", lambda bench, text: register_location(bench.world, name=text)),
    ("line", "locality", lambda bench, text: register_location(bench.world, locality=text)),
    ("blank line", "region", lambda bench, text: register_location(bench.world, region=text)),
    ("note", "visiting_hours", lambda bench, text: register_location(bench.world, visiting_hours=text)),
    ("code", "asset_tag", lambda bench, text: register_cabinet(bench.world, asset_tag=text)),
    ("blank code", "maker_serial", lambda bench, text: register_cabinet(bench.world, maker_serial=text)),
    ("blank line", "position", lambda bench, text: register_cabinet(bench.world, position=text)),
    ("note", "condition", lambda bench, text: register_cabinet(bench.world, condition=text)),
    ("code", "code", lambda bench, text: product(bench.world, code=text)),
    ("line", "name", lambda bench, text: product(bench.world, name=text)),
    ("blank code", "firmware", lambda bench, text: receive(bench.world, firmware=text)),
    ("note", "iccid_override", lambda bench, text: receive(bench.world, iccid_override=text)),
    ("code", "username", lambda bench, text: add_staff(bench.world, username=text)),
    ("line", "name", lambda bench, text: add_staff(bench.world, name=text)),
    ("line", "name", lambda bench, text: contact(bench.world, name=text)),
    ("blank line", "note", lambda bench, text: contact(bench.world, note=text)),
    ("note", "end_note", end),
    ("note", "slot_reason", assign),
    ("note", "slot_reason", correct_slot_reason),
    ("blank code", "reference", repair),
    ("note", "evidence", record),
    ("note", "reason", close),
    ("note", "reason", lose),
]


@pytest.mark.parametrize(
    ("kind", "field", "enter"), PLACES, ids=[f"{number}-{place[1]}" for number, place in enumerate(PLACES)]
)
def test_what_is_no_text_is_refused_where_it_enters(
    world: World, kind: str, field: str, enter: Enter
) -> None:
    bench = Bench.of(world)
    for text in BAD[kind]:
        with refused("text_invalid", field):
            enter(bench, text)
    enter(bench, GOOD[kind])
