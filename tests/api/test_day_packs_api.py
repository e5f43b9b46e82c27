"""The day pack over HTTP: what one person may meet in a day, and the tags under which it may be changed."""

from datetime import date
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import cabinets, devices, kit, surveys, visits
from registry.models import Visit
from registry.queries.moments import head_index
from registry.queries.visits import cabinets_of, cautions_of
from tests.api.client import Api, Person, ok, tables_read, told
from tests.factories.evidence import mounted
from tests.factories.playing import checked
from tests.factories.world import DAY, World, person

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


def planned(world: World, **more: Any) -> Visit:
    """Plan an install of one cabinet for the installer on the day of the tests."""
    wish = {"kind": "install", "planned_on": date(2026, 3, 2), "cabinets": [world.cabinet().pk]}
    whose = {"location_id": world.location.pk, "installer_id": world.installer.staff_id}
    return visits.plan_visit(world.office, **{**wish, **whose, **more})


def test_the_work_of_a_day_takes_as_many_queries_for_many_visits_as_for_one(
    installer: Person, world: World
) -> None:
    kit.adopt_kit(world.office)
    planned(world)
    before = tables_read(lambda: installer.get(PACK, **ON))
    for _ in range(3):
        planned(world)
        planned(world, installer_id=None, kind="survey")

    assert tables_read(lambda: installer.get(PACK, **ON)) == before


def test_the_kit_is_summed_for_ones_own_visits(installer: Person, world: World) -> None:
    kit.adopt_kit(world.office)
    own = [planned(world), planned(world)]
    planned(world, installer_id=None)
    wanted = ok(installer.get("kit/", **ON, installer=world.installer.staff_id))

    pack = ok(installer.get(PACK, **ON))

    assert len(pack["visits"]) == len(own) + 1
    assert [(line["code"], line["quantity"]) for line in pack["kit"]] == [
        (line["code"], line["quantity"]) for line in wanted["lines"]
    ]
    assert pack["kit"]


def test_cautions_count_as_read_by_whom_they_were_read_and_a_survey_on_its_visit(
    api: Api, installer: Person, world: World
) -> None:
    visit = planned(world, installer_id=None, kind="survey")
    [line] = cabinets_of(visit)
    surveys.record_survey(world.office, cabinet_id=line.cabinet_id, particulars={"outcome": "suitable"})
    codes = [caution.code for caution in cautions_of(line.cabinet)]
    colleague = person(world, "installer", world.tarnmouth)
    visits.release_visit(world.office, visit_id=visit.pk, override_reason="Looked at last week.")
    visits.acknowledge_cautions(colleague, visit_id=visit.pk, cabinet_id=line.cabinet_id, codes=codes)

    def stands(asker: Person) -> tuple[bool, bool]:
        [told_visit] = ok(asker.get(PACK, **ON))["visits"]
        [cabinet] = told_visit["cabinets"]
        return cabinet["acknowledged_at"] is not None, cabinet["surveyed"]

    assert stands(installer) == (False, False)
    assert stands(api.as_(colleague)) == (True, False)
    surveys.record_survey(
        world.office, cabinet_id=line.cabinet_id, visit_id=visit.pk, particulars={"outcome": "suitable"}
    )
    assert stands(installer) == (False, True)


def test_it_holds_the_visits_of_the_day_with_what_the_work_needs(installer: Person, world: World) -> None:
    kit.adopt_kit(world.office)
    visit = planned(world)
    [line] = cabinets_of(visit)
    device = world.assigned(world.device(), line.cabinet)
    theirs = planned(world, installer_id=person(world, "installer", world.tarnmouth).staff_id)
    tomorrow = planned(world, planned_on=date(2026, 3, 3))
    gone = planned(world)
    visits.cancel_visit(world.office, visit_id=gone.pk, reason="The store is closed that day.")

    pack = ok(installer.get(PACK, **ON))

    [told_visit] = pack["visits"]
    assert told_visit["id"] == str(visit.pk) not in (str(theirs.pk), str(tomorrow.pk))
    assert told_visit["etag"] == installer.seen(f"visits/{visit.pk}/")
    assert told_visit["location"]["name"] == world.location.name
    assert {"name", "quantity", "assumed"} <= set(told_visit["kit"][0])
    [cabinet] = told_visit["cabinets"]
    assert cabinet["etag"] == installer.seen(f"cabinets/{cabinet['id']}/")
    assert [caution["code"] for caution in cabinet["cautions"]] == [
        caution.code for caution in cautions_of(line.cabinet)
    ]
    assert (cabinet["acknowledged_at"], cabinet["surveyed"]) == (None, False)
    [hangs] = cabinet["assignments"]
    assert (hangs["id"], hangs["mounting"], hangs["acceptance"]) == (str(device.period), None, None)
    assert pack["practice"]["hole"] == {"least_mm": 26, "most_mm": 32}


def test_it_tells_what_was_acknowledged_and_checked(installer: Person, world: World) -> None:
    visit = planned(world)
    [line] = cabinets_of(visit)
    codes = [caution.code for caution in cautions_of(line.cabinet)]
    visits.release_visit(world.office, visit_id=visit.pk, override_reason="Looked at last week.")
    visits.acknowledge_cautions(world.installer, visit_id=visit.pk, cabinet_id=line.cabinet_id, codes=codes)
    hung = world.assigned(world.device(), line.cabinet)
    mounting = mounted(world, hung.period)
    check = checked(world, hung)

    [cabinet] = ok(installer.get(PACK, **ON))["visits"][0]["cabinets"]
    assert cabinet["acknowledged_at"] is not None
    [hangs] = cabinet["assignments"]
    assert hangs["mounting"] == str(mounting.pk)
    assert hangs["acceptance"] == {"id": str(check.pk), "result": check.result, "signed_off_at": None}
    # What nobody knew when the cautions were read may call for others now.
    cabinets.correct_cabinet_model(
        world.office, cabinet_model_id=world.cove.pk, particulars={"refrigerant": "R-290"}
    )
    [cabinet] = ok(installer.get(PACK, **ON))["visits"][0]["cabinets"]
    assert cabinet["acknowledged_at"] is None
