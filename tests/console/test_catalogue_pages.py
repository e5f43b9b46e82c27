"""The catalogue in the console: what is unknown stays so, and schemes stay as they were judged by."""

from typing import Any

import pytest
from django.test import Client

from registry.models import CabinetModel, DeviceModel, Product
from registry.rules.devices import MODEL_FIELDS
from registry.rules.products import FIELDS
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of
from tests.factories.world import World, person


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


def test_the_four_lists_are_told_with_how_many_there_are(world: World, office: Client) -> None:
    page = office.get(at("catalogue"))

    assert [(door["words"], door["count"]) for door in page.context["doors"]] == [
        ("Depots", 2),
        ("Cabinet models", 2),
        ("Device models", 2),
        ("Products", 2),
        ("Practice of mounting", ""),
        ("Kit", ""),
    ]
    assert "Register a product" in text_of(page)
    assert "Register a product" not in text_of(signed_in(world.auditor).get(at("catalogue")))


@pytest.mark.parametrize("name", ["depot", "cabinet_model", "device_model", "product"])
def test_a_thing_is_shown_and_leads_to_its_correction_for_who_may(
    world: World, office: Client, name: str
) -> None:
    thing = {
        "depot": world.tarnmouth,
        "cabinet_model": world.cove,
        "device_model": world.plumb_3,
        "product": world.eight_lb,
    }[name]
    correction = at(f"{name}_correct", thing.pk)

    page, read = office.get(at(name, thing.pk)), signed_in(world.auditor).get(at(name, thing.pk))

    assert thing.label in text_of(page)
    assert correction in page.content.decode()
    assert (read.status_code, correction in read.content.decode()) == (200, False)
    assert office.get(at(name, "01890a5d-ac96-774b-bcce-b302099a8057")).status_code == 404


def test_a_depot_that_is_not_ones_own_is_as_one_that_is_not_there(world: World) -> None:
    narrow = signed_in(person(world, "office", world.fellgate))

    assert narrow.get(at("depot", world.tarnmouth.pk)).status_code == 404
    listed = narrow.get(at("registry_depot_changelist")).context["cl"].result_list
    assert [depot.code for depot in listed] == ["FG"]


def test_a_product_is_registered_with_its_numbers_read_by_the_rules(world: World, office: Client) -> None:
    values = {"code": "K3", "name": "3 kg bag", "net_mass": "3.0", "net_mass_unit": "kg"}
    address = at("product_register")

    with nothing_changed():
        heavy = post(office, address, "record", **{**values, "net_mass": "three"})
        dense = post(office, address, "record", **values, stack_density_kg_m3="5000")
        typed = post(office, address, "record", **values, gtin="4012345678902")
        taken = post(office, address, "record", **{**values, "code": "B8"})
    assert list(problems(heavy)) == ["id_net_mass"]
    assert list(problems(dense)) == ["id_stack_density_kg_m3"]
    assert list(problems(typed)) == ["id_gtin"]
    assert list(problems(taken)) == ["id_code"]

    assert post(office, address, "record", **values, gtin="4012345678901").status_code == 303
    product = Product.objects.get(code="K3")
    assert (str(product.net_mass), product.gtin, product.discontinued) == ("3.000", "04012345678901", False)


def test_a_discontinued_product_is_offered_to_no_split_but_the_one_that_has_it(
    world: World, office: Client
) -> None:
    old, fresh = world.cabinet(split=True), world.cabinet()
    address = at("product_correct", world.eight_lb.pk)
    shown = lines(post(office, address, "check", discontinued="yes"))
    assert shown == [("discontinued of product 8 lb bag", "no", "yes")]
    assert post(office, address, "record", discontinued="yes").status_code == 303

    def offered(cabinet: Any) -> list[str]:
        form = office.get(at("cabinet_split", cabinet.pk)).context["form"]
        return [words for _, words in form.fields["product_1"].choices]

    assert offered(fresh) == ["none", "18 lb bag"]
    assert offered(old) == ["none", "18 lb bag", "8 lb bag"]


def test_what_the_plate_does_not_say_stays_unknown(world: World, office: Client) -> None:
    page = office.get(at("cabinet_model_register"))
    assert page.context["form"]["refrigeration"].value() == "unknown"

    assert (
        post(office, at("cabinet_model_register"), "record", name="Tern 20", sensor_count="2").status_code
        == 303
    )

    model = CabinetModel.objects.get(name="Tern 20")
    assert (model.refrigeration, model.refrigerant, model.interior_width_mm) == ("unknown", "", None)
    assert "Refrigerant not said" in text_of(office.get(at("cabinet_model", model.pk)))


def test_the_scheme_of_serials_is_typed_once_and_never_corrected(world: World, office: Client) -> None:
    form = office.get(at("device_model_correct", world.plumb_3.pk)).context["form"]
    assert {name for name in form.fields if name.startswith("serial_")} == set()
    registering = office.get(at("device_model_register")).context["form"]
    assert set(registering.fields) == set(MODEL_FIELDS)

    values = {"name": "Tern-2", "sensor_count": "2", "blind_zone_mm": "20", "range_mm": "2000"}
    values |= {"report_interval_min": "30", "serial_alphabet": "0012", "serial_payload_length": "6"}
    with nothing_changed():
        refused = post(office, at("device_model_register"), "record", **values, serial_check_method="damm")
    assert list(problems(refused)) == ["id_serial_alphabet"]

    values["serial_alphabet"] = "0123456789"
    done = post(office, at("device_model_register"), "record", **values, serial_check_method="damm")
    model = DeviceModel.objects.get(name="Tern-2")
    assert done.headers["Location"] == at("device_model", model.pk)
    assert model.serial_scheme().check_covers_prefix is False


def test_the_form_of_a_product_asks_for_every_field_that_the_rules_know(office: Client) -> None:
    assert set(office.get(at("product_register")).context["form"].fields) == set(FIELDS)


def test_a_model_that_devices_hang_by_keeps_its_number_of_sensors(world: World, office: Client) -> None:
    world.assigned(world.device(), world.cabinet())

    with nothing_changed():
        page = post(office, at("cabinet_model_correct", world.cove.pk), "record", sensor_count="4")

    assert "their sensors would no longer match" in problems(page)["id_sensor_count"]


@pytest.mark.parametrize("rows", [3, 30])
def test_the_catalogue_takes_as_many_queries_for_many_things_as_for_few(
    world: World, office: Client, django_assert_num_queries: Any, rows: int
) -> None:
    for row in range(rows):
        post(office, at("depot_register"), "record", code=f"D{row}", name=f"Depot {row}")

    # the session; the person; how many depots, cabinet models, device models, products
    with django_assert_num_queries(6):
        assert office.get(at("catalogue")).context["doors"][0]["count"] == rows + 2
    # the session; the person; how many; a page of them
    with django_assert_num_queries(4):
        assert office.get(at("registry_depot_changelist")).context["cl"].result_count == rows + 2
