"""The day pack over HTTP: what one person may meet in a day, and the tags under which it may be changed."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import devices
from registry.queries.moments import head_index
from tests.api.client import Api, Person, ok, tables_read, told
from tests.factories.world import DAY, World

PACK = "day-pack/"
ON: dict[str, Any] = {"day": "2026-03-02"}


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


def test_it_names_the_person_the_catalogue_and_the_devices_at_hand_the_own_van_first(
    installer: Person, world: World
) -> None:
    mine, waiting, theirs = world.device(), world.device(), world.device()
    away = world.device(depot=world.fellgate)
    hung = world.device()
    world.assigned(hung, world.cabinet())
    for device, holder in ((mine, world.installer), (theirs, world.office)):
        devices.hand_over_device(
            world.office,
            device_id=device.pk,
            staff_id=holder.staff_id,
            depot_id=world.tarnmouth.pk,
            valid_from=world.start + 5 * DAY,
        )

    pack = ok(installer.get(PACK, **ON))

    assert pack["known_index"] == head_index()
    assert pack.headers["Cache-Control"] == "no-store"
    assert pack["person"] == {
        "id": str(world.installer.staff_id),
        "name": "Installer",
        "role": "installer",
    }
    assert [(row["serial"], row["place"]) for row in pack["devices"]] == [
        (mine.serial, "your van"),
        (waiting.serial, "depot TM Tarnmouth"),
    ]
    assert away.serial not in {row["serial"] for row in pack["devices"]}
    scheme = world.plumb_3.serial_scheme()
    assert next(row for row in pack["device_models"] if row["name"] == "Plumb-3")["serial"] == {
        "prefix": scheme.prefix,
        "alphabet": scheme.alphabet,
        "payload_length": scheme.payload_length,
        "check_method": str(scheme.check_method),
        "check_covers_prefix": scheme.check_covers_prefix,
    }
    assert [depot["code"] for depot in pack["depots"]] == ["TM"]
    assert pack["cabinet_models"]
    assert pack["products"]
    assert pack["stores"] == []


def test_a_store_is_taken_along_with_the_tags_that_its_things_have(installer: Person, world: World) -> None:
    cabinet, device = world.cabinet(split=True), world.device()
    place = world.assigned(device, cabinet)

    [store] = ok(installer.get(PACK, **ON, location=world.location.pk))["stores"]

    assert store["location"]["account"] == "LF Lantern Fuel"
    assert store["location"]["address"].endswith(world.location.country)
    [told_of] = store["cabinets"]
    assert told_of["etag"] == installer.seen(f"cabinets/{cabinet.pk}/")
    assert [share["share"] for share in told_of["split"]]
    [hanging] = told_of["assignments"]
    assert (hanging["id"], hanging["serial"], hanging["slot"]) == (str(place.period), device.serial, 1)
    assert hanging["etag"] == installer.seen(f"assignments/{place.period}/")


def test_a_store_of_another_depot_looks_absent_and_a_day_is_asked_for(
    installer: Person, world: World
) -> None:
    other = world.store(depot=world.fellgate)

    told(installer.get(PACK, **ON, location=other.pk), 404, "not_found")
    told(installer.get(PACK, **ON, location=uuid4()), 404, "not_found")
    for day in ("", "today", "20260302", "2026-W10-1"):
        told(installer.get(PACK, day=day), 422, "value_invalid")
    told(installer.get(PACK), 422, "value_invalid")


def test_as_many_queries_for_a_full_van_as_for_an_empty_one(installer: Person, world: World) -> None:
    world.device()
    world.assigned(world.device(), world.cabinet())
    asked = {**ON, "location": world.location.pk}
    before = tables_read(lambda: installer.get(PACK, **asked))
    for _ in range(3):
        world.device()
        world.assigned(world.device(), world.cabinet())

    assert tables_read(lambda: installer.get(PACK, **asked)) == before
