"""Device models over HTTP: with the scheme of their serials, which nobody changes afterwards."""

from typing import Any

import pytest

from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, changed, made, ok, one_entry, told
from tests.api.operations import when
from tests.factories.world import DAY, World

WHOLE = {
    "name": "Plumb-4",
    "sensor_count": 4,
    "principle": "optical",
    "blind_zone_mm": 100,
    "range_mm": 4000,
    "compensates": "yes",
    "report_interval_min": 30,
    "serial_prefix": "PB4",
    "serial_alphabet": "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ",
    "serial_payload_length": 6,
    "serial_check_method": "iso7064_mod_37_36",
    "serial_check_covers_prefix": True,
}


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def test_a_device_model_is_registered_with_its_scheme_and_serials_are_judged_by_it(
    office: Person, world: World
) -> None:
    with one_entry("device_model.registered"):
        reply = made(office.post("device-models/", WHOLE), "device-models")

    assert reply.body == {"id": reply["id"], **WHOLE, "serial_length": 10}
    # ISO/IEC 7064, MOD 37,36 over PB4A1B2C3, computed by python-stdnum.
    from stdnum.iso7064 import mod_37_36

    payload = "PB4A1B2C3"
    good = payload + mod_37_36.calc_check_digit(payload)
    delivery = {"depot": str(world.tarnmouth.pk), "valid_from": when(world.start + DAY)}

    def receive(serial: str) -> Any:
        return office.post("devices/", {**delivery, "devices": [{"model": reply["id"], "serial": serial}]})

    told(receive(payload + ("0" if good[-1] != "0" else "1")), 422, "serial_invalid", "#/devices/0/serial")
    assert ok(receive(good), 201)["results"][0]["serial"] == good


def test_a_device_model_says_what_is_usual_where_nothing_is_told(office: Person) -> None:
    left_out = ("compensates", "serial_prefix", "serial_check_covers_prefix")
    body = {name: value for name, value in WHOLE.items() if name not in left_out}

    reply = made(office.post("device-models/", body), "device-models")

    assert [reply[name] for name in left_out] == ["unknown", "", False]
    assert reply["serial_length"] == 7


@pytest.mark.parametrize(
    ("wrong", "status", "code"),
    [
        ({"name": "Plumb-3"}, 409, "code_taken"),
        ({"sensor_count": 17}, 422, "value_invalid"),
        ({"principle": "sonar"}, 422, "value_invalid"),
        ({"range_mm": 100}, 422, "value_invalid"),
        ({"blind_zone_mm": -1}, 422, "value_invalid"),
        ({"compensates": True}, 422, "value_invalid"),
        ({"report_interval_min": 0}, 422, "value_invalid"),
        ({"serial_prefix": "pb"}, 422, "value_invalid"),
        ({"serial_alphabet": "00"}, 422, "value_invalid"),
        ({"serial_alphabet": ""}, 422, "text_invalid"),
        ({"serial_payload_length": 31}, 422, "value_invalid"),
        ({"serial_check_method": "guess"}, 422, "value_invalid"),
        ({"serial_check_covers_prefix": "yes"}, 422, "value_invalid"),
    ],
)
def test_a_device_model_that_cannot_be_is_refused_where_it_stands(
    office: Person, wrong: dict[str, Any], status: int, code: str
) -> None:
    [field] = wrong
    with nothing_changed():
        told(office.post("device-models/", {**WHOLE, **wrong}), status, code, f"#/{field}")


def test_a_scheme_as_a_whole_that_cannot_be_is_refused_where_it_stands(office: Person) -> None:
    with nothing_changed():
        covering = {"serial_check_method": "luhn", "serial_alphabet": "0123456789"}
        told(
            office.post("device-models/", {**WHOLE, **covering}),
            422,
            "value_invalid",
            "#/serial_check_covers_prefix",
        )
        long = {"serial_prefix": "P" * 20, "serial_payload_length": 30}
        told(office.post("device-models/", {**WHOLE, **long}), 422, "value_invalid", "#/serial_prefix")


def test_a_device_model_is_corrected_but_not_its_scheme(office: Person, world: World) -> None:
    path = f"device-models/{world.plumb_3.pk}/"
    before = ok(office.get(path)).body

    with one_entry("device_model.corrected") as written:
        body = {"range_mm": 2500, "compensates": "no", "reason": "measured"}
        reply = changed(office.patch(path, body, tag=office.seen(path)))

    assert reply.body == {**before, "range_mm": 2500, "compensates": "no"}
    assert written[0].reason == "measured"
    with nothing_changed():
        for name in [name for name in WHOLE if name.startswith("serial_")]:
            told(office.patch(path, {name: WHOLE[name]}, tag="*"), 422, "value_invalid", f"#/{name}")
        told(office.patch(path, {"range_mm": 150}, tag="*"), 422, "value_invalid", "#/range_mm")
        told(office.patch(path, {"range_mm": 2500}, tag="*"), 409, "nothing_changes")


def test_device_models_are_found_by_filters_and_words(api: Api, office: Person, world: World) -> None:
    made(office.post("device-models/", WHOLE), "device-models")
    installer = api.as_(world.installer)

    def names(**query: Any) -> list[str]:
        return [row["name"] for row in installer.rows("device-models/", **query)]

    assert names() == ["Plumb-3", "Plumb-4", "Plumb-5"]
    assert names(ordering="-sensor_count") == ["Plumb-5", "Plumb-4", "Plumb-3"]
    assert names(search="pb4") == names(principle="optical") == names(sensor_count=4) == ["Plumb-4"]
