"""Cabinet models over HTTP: what is unknown is said to be unknown."""

from typing import Any

import pytest

from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, changed, made, one_entry, told
from tests.factories.world import World

WHOLE = {
    "name": "Cove 70",
    "door": "glass",
    "refrigeration": "cold_wall",
    "interior_width_mm": 1750,
    "interior_depth_mm": 620,
    "interior_height_mm": 1100,
    "usable_volume_l": 900,
    "sensor_count": 4,
    "supply": "hard_wired",
    "refrigerant": "R-290",
    "refrigerant_charge_g": 120,
}


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def test_a_cabinet_model_is_registered_with_all_that_is_known(office: Person) -> None:
    with one_entry("cabinet_model.registered"):
        reply = made(office.post("cabinet-models/", WHOLE), "cabinet-models")

    assert reply.body == {"id": reply["id"], **WHOLE}


def test_what_is_unknown_of_a_cabinet_model_is_told_as_unknown(office: Person) -> None:
    reply = made(office.post("cabinet-models/", {"name": "Quay 30", "sensor_count": 2}), "cabinet-models")

    assert reply.body == {
        "id": reply["id"],
        "name": "Quay 30",
        "sensor_count": 2,
        "refrigerant": "",
        **dict.fromkeys(("door", "refrigeration", "supply"), "unknown"),
        **{name: None for name in WHOLE if name.endswith(("_mm", "_l", "_g"))},
    }


@pytest.mark.parametrize(
    ("wrong", "status", "code"),
    [
        ({"name": "Cove 40"}, 409, "code_taken"),
        ({"door": "barn"}, 422, "value_invalid"),
        ({"refrigeration": ""}, 422, "value_invalid"),
        ({"supply": 1}, 422, "value_invalid"),
        ({"interior_width_mm": 99}, 422, "value_invalid"),
        ({"interior_depth_mm": "620"}, 422, "value_invalid"),
        ({"interior_height_mm": 1100.5}, 422, "value_invalid"),
        ({"usable_volume_l": True}, 422, "value_invalid"),
        ({"sensor_count": 0}, 422, "value_invalid"),
        ({"sensor_count": None}, 422, "value_invalid"),
        ({"refrigerant": "R 290"}, 422, "text_invalid"),
        ({"refrigerant_charge_g": 10_001}, 422, "value_invalid"),
    ],
)
def test_a_cabinet_model_that_cannot_be_is_refused_where_it_stands(
    office: Person, wrong: dict[str, Any], status: int, code: str
) -> None:
    [field] = wrong
    with nothing_changed():
        told(office.post("cabinet-models/", {**WHOLE, **wrong}), status, code, f"#/{field}")


def test_a_cabinet_model_is_corrected_and_what_is_left_out_stays(office: Person, world: World) -> None:
    path = f"cabinet-models/{world.cove.pk}/"

    with one_entry("cabinet_model.corrected") as written:
        body = {"refrigerant": "R-600a", "interior_width_mm": None, "reason": "read the plate"}
        reply = changed(office.patch(path, body, tag=office.seen(path)))

    assert (reply["name"], reply["refrigerant"], reply["interior_width_mm"]) == ("Cove 40", "R-600a", None)
    assert written[0].reason == "read the plate"
    with nothing_changed():
        told(office.patch(path, {"name": "Quay 90"}, tag="*"), 409, "code_taken", "#/name")
        told(office.patch(path, {"refrigerant": "R-600a"}, tag="*"), 409, "nothing_changes")


def test_the_sensors_of_a_model_stay_while_a_device_hangs_in_one(office: Person, world: World) -> None:
    world.assigned(world.device(), world.cabinet())
    path = f"cabinet-models/{world.cove.pk}/"

    with nothing_changed():
        told(office.patch(path, {"sensor_count": 4}, tag="*"), 422, "sensor_count_mismatch", "#/sensor_count")


def test_cabinet_models_are_found_by_filters_and_words(office: Person) -> None:
    made(office.post("cabinet-models/", WHOLE), "cabinet-models")

    def names(**query: Any) -> list[str]:
        return [row["name"] for row in office.rows("cabinet-models/", **query)]

    assert names() == ["Cove 40", "Cove 70", "Quay 90"]
    assert names(search="cove") == ["Cove 40", "Cove 70"]
    assert names(search="r-290") == ["Cove 70"]
    assert (
        names(door="glass") == names(refrigeration="cold_wall") == names(supply="hard_wired") == ["Cove 70"]
    )
    assert names(supply="unknown") == ["Cove 40", "Quay 90"]
    assert names(sensor_count=5) == ["Quay 90"]
    assert names(sensor_count=10**30) == []
    for wrong in ("3.5", "1e3", "many", "NaN"):
        told(office.get("cabinet-models/", sensor_count=wrong), 422, "value_invalid")


def test_everybody_reads_cabinet_models_and_installers_register_none(api: Api, world: World) -> None:
    for actor in (world.installer, world.stranger, world.auditor, world.administrator):
        assert len(api.as_(actor).rows("cabinet-models/")) == 2
    installer = api.as_(world.installer)
    with nothing_changed():
        told(installer.post("cabinet-models/", WHOLE), 403, "role_forbids")
