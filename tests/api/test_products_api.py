"""Products over HTTP: bag sizes, with their mass as it is declared."""

from typing import Any

import pytest

from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, changed, made, one_entry, told
from tests.factories.world import World

WHOLE = {
    "code": "003",
    "name": "3 kg bag",
    "net_mass": "3",
    "net_mass_unit": "kg",
    "gtin": "09506000134352",  # GS1 General Specifications, example of a GTIN
    "stack_density_kg_m3": 520,
    "discontinued": False,
}


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def test_a_product_is_registered_with_its_mass_as_declared(office: Person) -> None:
    with one_entry("product.registered"):
        reply = made(office.post("products/", WHOLE), "products")

    assert reply.body == {"id": reply["id"], **WHOLE}


@pytest.mark.parametrize(
    ("typed", "shown"), [("8", "8"), (8, "8"), (0.1, "0.1"), ("2.270", "2.27"), (1000, "1000")]
)
def test_a_mass_is_exact_however_it_is_written(office: Person, typed: Any, shown: str) -> None:
    assert made(office.post("products/", {**WHOLE, "net_mass": typed}), "products")["net_mass"] == shown


def test_a_gtin_is_kept_in_fourteen_digits_and_found_in_any_length(office: Person) -> None:
    reply = made(office.post("products/", {**WHOLE, "gtin": "9506000134352"}), "products")

    assert reply["gtin"] == "09506000134352"
    for written in ("9506000134352", "09506000134352"):
        assert [row["code"] for row in office.rows("products/", gtin=written)] == ["003"]
    assert office.rows("products/", gtin="9506000134353") == []


@pytest.mark.parametrize(
    ("wrong", "status", "code"),
    [
        ({"code": "B8"}, 409, "code_taken"),
        ({"name": "\n"}, 422, "text_invalid"),
        ({"net_mass": "0"}, 422, "value_invalid"),
        ({"net_mass": "8.0001"}, 422, "value_invalid"),
        ({"net_mass": "1e9999999"}, 422, "value_invalid"),
        ({"net_mass": "eight"}, 422, "value_invalid"),
        ({"net_mass": True}, 422, "value_invalid"),
        ({"net_mass": None}, 422, "value_invalid"),
        ({"net_mass_unit": "stone"}, 422, "value_invalid"),
        ({"gtin": "09506000134353"}, 422, "check_invalid"),
        ({"gtin": "123"}, 422, "value_invalid"),
        ({"stack_density_kg_m3": 918}, 422, "value_invalid"),
        ({"discontinued": "no"}, 422, "value_invalid"),
    ],
)
def test_a_product_that_cannot_be_is_refused_where_it_stands(
    office: Person, wrong: dict[str, Any], status: int, code: str
) -> None:
    [field] = wrong
    with nothing_changed():
        told(office.post("products/", {**WHOLE, **wrong}), status, code, f"#/{field}")


def test_a_product_is_corrected_and_marked_as_no_longer_sold(office: Person, world: World) -> None:
    path = f"products/{world.eight_lb.pk}/"

    with one_entry("product.corrected") as written:
        body = {"discontinued": True, "stack_density_kg_m3": 480, "reason": "out of season"}
        reply = changed(office.patch(path, body, tag=office.seen(path)))

    assert (reply["code"], reply["discontinued"], reply["stack_density_kg_m3"]) == ("B8", True, 480)
    assert written[0].reason == "out of season"
    with nothing_changed():
        told(office.patch(path, {"code": "B18"}, tag="*"), 409, "code_taken", "#/code")
        told(office.patch(path, {"discontinued": True}, tag="*"), 409, "nothing_changes")


def test_products_are_found_by_filters_and_words(api: Api, office: Person, world: World) -> None:
    made(office.post("products/", {**WHOLE, "discontinued": True}), "products")
    installer = api.as_(world.installer)

    def codes(**query: Any) -> list[str]:
        return [row["code"] for row in installer.rows("products/", **query)]

    assert codes() == ["003", "B18", "B8"]
    assert codes(net_mass_unit="kg") == codes(discontinued="true") == codes(search="950600") == ["003"]
    assert codes(discontinued="false") == ["B18", "B8"]
    assert codes(search="18 bag") == ["B18"]
    for wrong in ("maybe", "1", "True"):
        told(installer.get("products/", discontinued=wrong), 422, "value_invalid")
    with nothing_changed():
        told(installer.post("products/", WHOLE), 403, "role_forbids")
