"""Cabinets and their models through their actions."""

from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import cabinets, devices, locations
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.models import Cabinet, CabinetWhereabouts, DeviceWhereabouts, Entry, Split
from registry.rules.errors import Code, RuleBroken
from registry.rules.splits import Share
from tests.actions.unchanged import refused, undone
from tests.factories.world import DAY, HOUR, World, person


def register(world: World, tag: str = "SK-9", **changes: Any) -> Cabinet:
    actor = changes.pop("actor", world.office)
    new = NewCabinet(world.cove.pk, {"asset_tag": tag} | changes.pop("particulars", {}))
    new = replace(
        new, **{name: changes.pop(name) for name in ("model_id", "split", "device") if name in changes}
    )
    if not {"location_id", "depot_id"} & set(changes):
        changes["location_id"] = world.location.pk
    return cabinets.register_cabinet(actor, **({"cabinet": new, "valid_from": world.start + DAY} | changes))


def move(world: World, cabinet: Cabinet, **changes: Any) -> CabinetWhereabouts:
    actor = changes.pop("actor", world.office)
    return cabinets.move_cabinet(
        actor, **({"cabinet_id": cabinet.pk, "valid_from": world.start + 5 * DAY} | changes)
    )


def scrap(world: World, cabinet: Cabinet, **changes: Any) -> CabinetWhereabouts:
    actor = changes.pop("actor", world.office)
    return cabinets.scrap_cabinet(
        actor, **({"cabinet_id": cabinet.pk, "valid_from": world.start + 5 * DAY} | changes)
    )


def stays(cabinet: Cabinet) -> list[CabinetWhereabouts]:
    return list(CabinetWhereabouts.objects.current().filter(cabinet=cabinet).order_by("valid_from"))


def places(device: Any) -> list[DeviceWhereabouts]:
    return list(DeviceWhereabouts.objects.current().filter(device=device).order_by("valid_from"))


# --- models --------------------------------------------------------------------------------------------


def test_a_cabinet_model_has_a_name_of_its_own_and_measures_within_bounds(world: World) -> None:
    def register_model(**changes: object) -> Any:
        particulars = {"name": "Cove 70", "sensor_count": 4} | changes
        return cabinets.register_cabinet_model(world.office, particulars=particulars)

    for changes, code, field in (
        ({"name": "Cove 40"}, "code_taken", "name"),
        ({"sensor_count": 0}, "value_invalid", "sensor_count"),
        ({"sensor_count": True}, "value_invalid", "sensor_count"),
        ({"door": "swing"}, "value_invalid", "door"),
        ({"interior_width_mm": 5_001}, "value_invalid", "interior_width_mm"),
        ({"wheels": 4}, "value_invalid", "wheels"),
    ):
        with refused(code, field):
            register_model(**changes)
    with refused("value_invalid", "sensor_count"):
        cabinets.register_cabinet_model(world.office, particulars={"name": "Cove 70"})
    model = register_model(door="glass", interior_width_mm=5_000)

    def correct(**particulars: object) -> Any:
        return cabinets.correct_cabinet_model(
            world.office, cabinet_model_id=model.pk, particulars=particulars
        )

    with refused("code_taken", "name"):
        correct(name="Quay 90")
    with refused("nothing_changes"):
        correct(door="glass")
    with refused("not_found", "cabinetmodel"):
        cabinets.correct_cabinet_model(world.office, cabinet_model_id=uuid4(), particulars={"door": "solid"})
    assert correct(name="Cove 75", door="slanted").name == "Cove 75"


def test_a_cabinet_model_keeps_the_sensors_that_hang_in_its_cabinets(world: World) -> None:
    def correct(count: int) -> Any:
        return cabinets.correct_cabinet_model(
            world.office, cabinet_model_id=world.cove.pk, particulars={"sensor_count": count}
        )

    cabinet = world.cabinet()
    with undone():
        assert correct(4).sensor_count == 4
    world.assigned(world.device(), cabinet)
    with refused("sensor_count_mismatch", "sensor_count"):
        correct(4)
    cabinets.correct_cabinet_model(
        world.office, cabinet_model_id=world.cove.pk, particulars={"usable_volume_l": 500}
    )


# --- registered and corrected --------------------------------------------------------------------------


def test_a_cabinet_stands_in_one_place_from_the_start(world: World) -> None:
    with refused("value_invalid", "location"):
        register(world, location_id=world.location.pk, depot_id=world.tarnmouth.pk)
    with refused("value_invalid", "location"):
        register(world, location_id=None)
    with refused("not_found", "location"):
        register(world, location_id=uuid4())
    with refused("not_found", "depot"):
        register(world, depot_id=uuid4())
    with refused("not_found", "model"):
        register(world, model_id=uuid4())
    with refused("before_known", "valid_from"):
        register(world, valid_from=world.start - HOUR)
    with refused("time_in_future", "valid_from"):
        register(world, valid_from=world.clock.at + timedelta(minutes=3))
    with refused("value_invalid", "device"):
        register(world, device=NewDevice(world.plumb_3.pk, world.serial()))
    with refused("value_invalid", "colour"):
        register(world, particulars={"colour": "blue"})
    with refused("value_invalid", "setting"):
        register(world, particulars={"setting": "afloat"})
    [stay] = stays(register(world))
    assert (stay.place, stay.location, stay.depot) == ("location", world.location, None)
    [stay] = stays(register(world, "SK-8", depot_id=world.tarnmouth.pk, valid_from=world.clock.at))
    assert (stay.place, stay.location, stay.depot) == ("depot", None, world.tarnmouth)


def test_a_cabinet_stands_only_in_a_store_that_is_open_from_then_on(world: World) -> None:
    noon = world.start + 5 * DAY
    with undone():
        locations.close_location(world.office, location_id=world.location.pk, valid_from=noon)
        for at in (noon - DAY, noon, noon + DAY):
            with refused("location_closed", "location"):
                register(world, valid_from=at)
        locations.set_location_state(
            world.office, location_id=world.location.pk, state="asleep", valid_from=noon + 2 * DAY
        )
        with refused("location_closed", "location"):
            register(world, valid_from=noon + DAY)
        with undone():
            register(world, valid_from=noon + 2 * DAY)
    register(world, valid_from=noon)


def test_an_asset_tag_is_taken_once_however_it_is_written(world: World) -> None:
    other = world.cabinet()
    with refused("code_taken", "asset_tag"):
        register(world, other.asset_tag)
    with refused("code_taken", "asset_tag"):
        register(world, other.asset_tag.lower())
    with refused("value_invalid", "asset_tag"):
        cabinets.register_cabinet(
            world.office,
            cabinet=NewCabinet(world.cove.pk, {}),
            valid_from=world.start,
            location_id=world.location.pk,
        )
    with refused("check_invalid", "asset_tag"):
        register(world, "(8003)04012345678902A1")
    cabinet = register(world, "(8003)04012345678901A1")
    assert cabinet.asset_tag == "(8003)04012345678901A1"

    def correct(**particulars: object) -> Cabinet:
        return cabinets.correct_cabinet(world.office, cabinet_id=cabinet.pk, particulars=particulars)

    with refused("code_taken", "asset_tag"):
        correct(asset_tag=other.asset_tag.lower())
    with refused("nothing_changes"):
        correct(asset_tag=cabinet.asset_tag)
    with refused("value_invalid", "model"):
        correct(model=world.quay.pk)
    with refused("not_found", "cabinet"):
        cabinets.correct_cabinet(world.office, cabinet_id=uuid4(), particulars={"setting": "indoor"})
    assert correct(asset_tag="sk-9", condition="Dented\ndoor").asset_tag == "SK-9"


def test_a_split_comes_with_a_cabinet_or_the_cabinet_does_not_come(world: World) -> None:
    halves = [Share(world.eight_lb.pk, 5_000), Share(world.eighteen_lb.pk, 5_000)]
    with refused("split_not_whole", "shares"):
        register(world, split=halves[:1])
    with refused("split_invalid", "shares"):
        register(world, split=halves[:1] * 2)
    with refused("not_found", "shares"):
        register(world, split=[halves[0], Share(uuid4(), 5_000)])
    cabinet = register(world, split=halves)
    [split] = Split.objects.current().filter(cabinet=cabinet)
    assert [s.product for s in split.shares.order_by("position")] == [world.eight_lb, world.eighteen_lb]
    assert not Split.objects.filter(cabinet=register(world, "SK-8")).exists()


def test_a_cabinet_is_for_people_of_its_depot(world: World) -> None:
    with refused("not_found", "location"):
        register(world, actor=world.stranger)
    with refused("not_found", "depot"):
        register(world, actor=world.installer, depot_id=world.fellgate.pk)
    cabinet = register(world, actor=world.installer)
    particulars = {"position": "Left of the pumps"}
    with refused("not_found", "cabinet"):
        cabinets.correct_cabinet(world.stranger, cabinet_id=cabinet.pk, particulars=particulars)
    with undone():
        cabinets.correct_cabinet(world.installer, cabinet_id=cabinet.pk, particulars=particulars)
    move(world, cabinet, depot_id=world.fellgate.pk)  # it is Fellgate's now, whatever was before
    with refused("not_found", "cabinet"):
        cabinets.correct_cabinet(world.installer, cabinet_id=cabinet.pk, particulars=particulars)
    cabinets.correct_cabinet(world.stranger, cabinet_id=cabinet.pk, particulars=particulars)


# --- moved ---------------------------------------------------------------------------------------------


def test_a_cabinet_moves_to_one_place_that_is_another(world: World) -> None:
    cabinet, store = world.cabinet(), world.store()
    for where, code, field in (
        ({}, "value_invalid", "location"),
        ({"location_id": store.pk, "depot_id": world.tarnmouth.pk}, "value_invalid", "location"),
        ({"location_id": uuid4()}, "not_found", "location"),
        ({"depot_id": uuid4()}, "not_found", "depot"),
        ({"location_id": world.location.pk}, "nothing_changes", "location"),
        ({"location_id": store.pk, "cabinet_id": uuid4()}, "not_found", "cabinet"),
        ({"location_id": store.pk, "valid_from": world.start}, "before_known", "valid_from"),
        ({"location_id": store.pk, "valid_from": world.start + DAY}, "overlapping_history", "valid_from"),
        ({"location_id": store.pk, "valid_from": world.clock.at + HOUR}, "time_in_future", "valid_from"),
    ):
        with refused(code, field):
            move(world, cabinet, **where)
    noon = world.start + 5 * DAY
    move(world, cabinet, location_id=store.pk)
    with refused("overlapping_history", "valid_from"):
        move(world, cabinet, depot_id=world.tarnmouth.pk, valid_from=noon - HOUR)
    move(world, cabinet, depot_id=world.tarnmouth.pk, valid_from=noon + DAY)
    with refused("nothing_changes", "location"):
        move(world, cabinet, depot_id=world.tarnmouth.pk, valid_from=noon + 2 * DAY)
    assert [(s.place, s.location, s.depot, s.valid_from, s.valid_to) for s in stays(cabinet)] == [
        ("location", world.location, None, world.start + DAY, noon),
        ("location", store, None, noon, noon + DAY),
        ("depot", None, world.tarnmouth, noon + DAY, None),
    ]


def test_a_cabinet_moves_only_to_a_store_that_is_open_from_then_on(world: World) -> None:
    cabinet, store, noon = world.cabinet(), world.store(), world.start + 5 * DAY
    with undone():
        locations.close_location(world.office, location_id=store.pk, valid_from=noon + DAY)
        with refused("location_closed", "location"):
            move(world, cabinet, location_id=store.pk)
    move(world, cabinet, location_id=store.pk)


def test_a_cabinet_moves_between_depots_of_the_person_only(world: World) -> None:
    cabinet, theirs = world.cabinet(), world.store(depot=world.fellgate)
    world.assigned(world.device(), cabinet)
    local = {"actor": world.installer, "devices": "come_out"}
    with refused("not_found", "location"):
        move(world, cabinet, **local, location_id=theirs.pk)
    with refused("not_found", "depot"):
        move(world, cabinet, **local, depot_id=world.fellgate.pk)
    with refused("not_found", "devices_to"):
        move(world, cabinet, **local, depot_id=world.tarnmouth.pk, devices_to=world.fellgate.pk)
    with refused("not_found", "cabinet"):
        move(world, cabinet, actor=world.stranger, devices="come_out", location_id=theirs.pk)
    move(world, cabinet, **local, depot_id=world.tarnmouth.pk)


def test_whoever_moves_a_cabinet_says_what_becomes_of_its_device(world: World) -> None:
    cabinet, store, device = world.cabinet(), world.store(), world.device()
    bare = world.cabinet()
    assignment, noon = world.assigned(device, cabinet), world.start + 5 * DAY
    with refused("value_invalid", "devices") as caught:
        move(world, cabinet, location_id=store.pk)
    assert caught.value.details == {"devices": [device.serial], "choices": ["follow", "come_out"]}
    with refused("value_invalid", "devices"):
        move(world, cabinet, location_id=store.pk, devices="fly")
    with refused("not_found", "devices_to"):
        move(world, cabinet, location_id=store.pk, devices="come_out", devices_to=uuid4())
    with undone():
        move(world, cabinet, location_id=store.pk, devices="follow")
        assert places(device)[-1].period == assignment.period
        assert Entry.objects.latest("index").subjects.get(part="device").thing_id == device.pk
    for devices_to, depot in ((None, world.tarnmouth), (world.fellgate.pk, world.fellgate)):
        with undone():
            move(world, cabinet, location_id=store.pk, devices="come_out", devices_to=devices_to)
            [_, hung, back] = places(device)
            assert (hung.valid_to, hung.end_reason) == (noon, "moved")
            assert (back.place, back.depot, back.valid_from) == ("depot", depot, noon)
            assert Entry.objects.latest("index").subjects.get(part="removed").thing_id == device.pk
    move(world, bare, location_id=store.pk)
    move(world, cabinet, location_id=store.pk, devices="follow", valid_from=world.start + DAY + HOUR)


def test_a_device_that_was_hung_up_later_does_not_come_out_before(world: World) -> None:
    cabinet, store = world.cabinet(), world.store()
    world.assigned(world.device(), cabinet, world.start + 6 * DAY)
    for at in (5, 6):
        with refused("overlapping_history", "valid_from"):
            move(
                world,
                cabinet,
                location_id=store.pk,
                devices="come_out",
                valid_from=world.start + at * DAY,
            )
    move(world, cabinet, location_id=store.pk, devices="come_out", valid_from=world.start + 7 * DAY)


# --- scrapped ------------------------------------------------------------------------------------------


def test_a_scrapped_cabinet_gives_its_device_back_and_goes_nowhere_any_more(world: World) -> None:
    cabinet, device, noon = world.cabinet(), world.device(), world.start + 5 * DAY
    world.assigned(device, cabinet)
    local = person(world, "office", world.tarnmouth)
    for changes, code, field in (
        ({"cabinet_id": uuid4()}, "not_found", "cabinet"),
        ({"valid_from": world.start}, "before_known", "valid_from"),
        ({"valid_from": world.start + DAY}, "overlapping_history", "valid_from"),
        ({"valid_from": world.clock.at + HOUR}, "time_in_future", "valid_from"),
        ({"devices_to": uuid4()}, "not_found", "devices_to"),
        ({"devices_to": world.fellgate.pk, "actor": local}, "not_found", "devices_to"),
        ({"actor": person(world, "office", world.fellgate)}, "not_found", "cabinet"),
    ):
        with refused(code, field):
            scrap(world, cabinet, **changes)
    with undone():
        scrap(world, cabinet, devices_to=world.fellgate.pk)
        assert places(device)[-1].depot == world.fellgate
    scrap(world, cabinet, actor=local)
    [_, hung, back] = places(device)
    assert (hung.end_reason, back.place, back.depot) == ("moved", "depot", world.tarnmouth)
    [stood, gone] = stays(cabinet)
    assert (stood.valid_to, gone.place, gone.depot) == (noon, "scrapped", world.tarnmouth)
    with refused("cabinet_not_available", "cabinet"):
        scrap(world, cabinet, valid_from=noon + DAY)
    with refused("cabinet_not_available", "cabinet"):
        move(world, cabinet, location_id=world.location.pk, valid_from=noon + DAY)


@pytest.mark.parametrize("place", ["location", "depot"])
def test_a_cabinet_is_scrapped_from_wherever_it_is(world: World, place: str) -> None:
    cabinet = world.cabinet(world.location if place == "location" else world.fellgate)
    scrap(world, cabinet)
    assert stays(cabinet)[-1].depot == (world.tarnmouth if place == "location" else world.fellgate)


def test_a_model_is_not_corrected_away_from_what_hangs_with_it(world: World) -> None:
    def with_four() -> None:
        cabinets.correct_cabinet_model(
            world.office, cabinet_model_id=world.cove.pk, particulars={"sensor_count": 4}
        )

    with_four()
    cabinets.correct_cabinet_model(
        world.office, cabinet_model_id=world.cove.pk, particulars={"sensor_count": 3}
    )
    world.assigned(world.device(), world.cabinet())

    for correct in (
        with_four,
        lambda: devices.correct_device_model(
            world.office, device_model_id=world.plumb_3.pk, particulars={"sensor_count": 4}
        ),
    ):
        with pytest.raises(RuleBroken) as refused:
            correct()
        assert refused.value.code is Code.SENSOR_COUNT_MISMATCH
