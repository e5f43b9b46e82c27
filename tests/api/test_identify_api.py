"""What a scanned code is, over HTTP: every kind of code, what it names, and for whom."""

from typing import Any

import pytest

from registry.actions import cabinets, locations, products
from registry.actions._stores import NewCabinet
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, ok, tables_read, told
from tests.factories.world import DAY, World

# GS1 syntax dictionary, and the examples of the GS1 Digital Link standard, "URI Syntax" 1.2, as GS1's own
# syntax engine tests carry them.
GTIN, GTIN_SHORT = "09520123456788", "9520123456788"
GLN = "9520123456788"
# EPCIS: urn:epc:id:giai:4000001.111, urn:epc:id:sgln:4012345.00002.0, urn:epc:id:grai:4012345.55555.987
GIAI, SGLN, GRAI = "4000001111", "4012345000023", "04012345555554987"


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


def identified(asker: Person, code: str) -> dict[str, Any]:
    with nothing_changed():
        body: dict[str, Any] = ok(asker.get("identify/", code=code)).body
    assert body.keys() == {"kind", "value", "source", "serial", "elements", "device_models", "matches"}
    return body


def elements(*pairs: tuple[str, str]) -> list[dict[str, str]]:
    return [{"identifier": identifier, "value": value} for identifier, value in pairs]


@pytest.mark.parametrize(
    ("code", "kind", "value", "source", "serial", "found"),
    [
        # Digital Link, as published with the standard
        (f"https://id.gs1.org/414/{GLN}", "gln", GLN, "digital_link", "", [("414", GLN)]),
        (
            f"https://id.gs1.org/414/{GLN}/254/32a%2Fb",
            "gln", GLN, "digital_link", "", [("414", GLN), ("254", "32a/b")],
        ),
        (
            f"https://id.gs1.org/01/{GTIN}/21/12345",
            "gtin", GTIN, "digital_link", "12345", [("01", GTIN), ("21", "12345")],
        ),
        (
            f"https://brand.example.com/some-extra/pathinfo/01/{GTIN_SHORT}",
            "gtin", GTIN, "digital_link", "", [("01", GTIN)],
        ),
        (
            f"https://id.gs1.org/01/{GTIN}/10/ABC1/21/12345?17=180426",
            "gtin", GTIN, "digital_link", "12345",
            [("01", GTIN), ("10", "ABC1"), ("21", "12345"), ("17", "180426")],
        ),
        # EPCIS: the URIs of EPC URNs
        (f"https://id.gs1.org/8004/{GIAI}", "giai", GIAI, "digital_link", "", [("8004", GIAI)]),
        (f"https://id.gs1.org/414/{SGLN}", "gln", SGLN, "digital_link", "", [("414", SGLN)]),
        (f"https://id.gs1.org/8003/{GRAI}", "grai", GRAI, "digital_link", "", [("8003", GRAI)]),
        # Element strings, and the print under a barcode
        (
            "]C14149506000134352254RM12",
            "gln", "9506000134352", "element_string", "", [("414", "9506000134352"), ("254", "RM12")],
        ),
        (
            "(8003)09506000134352ABC123",
            "grai", "09506000134352ABC123", "bracketed", "", [("8003", "09506000134352ABC123")],
        ),
        (
            "(8004)9506000134352ABC",
            "giai", "9506000134352ABC", "bracketed", "", [("8004", "9506000134352ABC")],
        ),
        (
            "(01)09506000134352(21)12345",
            "gtin", "09506000134352", "bracketed", "12345", [("01", "09506000134352"), ("21", "12345")],
        ),
        # A variable-length element ends with FNC1 where another follows
        (
            "]C1010950600013435221123\x1d17270101",
            "gtin", "09506000134352", "element_string", "123",
            [("01", "09506000134352"), ("21", "123"), ("17", "270101")],
        ),
        # A number in an EAN-13 (ISO/IEC 15424 names it E0)
        ("]E09506000134352", "gtin", "09506000134352", "plain", "", []),
        ("sk-4711", "serial", "SK4711", "plain", "", []),
    ],
)  # fmt: skip
def test_a_code_is_read_as_the_standards_have_it(
    installer: Person, code: str, kind: str, value: str, source: str, serial: str, found: list[Any]
) -> None:
    assert identified(installer, code) == {
        "kind": kind,
        "value": value,
        "source": source,
        "serial": serial,
        "elements": elements(*found),
        "device_models": [],
        "matches": [],
    }


def test_a_code_leads_to_what_it_names(installer: Person, world: World) -> None:
    device = world.device()
    products.correct_product(world.office, product_id=world.eight_lb.pk, particulars={"gtin": GTIN})
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"gln": SGLN})
    tagged = {
        tag: cabinets.register_cabinet(
            world.office,
            cabinet=NewCabinet(world.cove.pk, {"asset_tag": tag}),
            location_id=world.location.pk,
            valid_from=world.start + DAY,
        )
        for tag in (f"(8004){GIAI}", f"(8003){GRAI}", "SK-4711")
    }

    def matches(code: str) -> list[dict[str, str]]:
        found: list[dict[str, str]] = identified(installer, code)["matches"]
        return found

    def match(kind: str, thing: Any) -> dict[str, str]:
        return {"kind": kind, "id": str(thing.pk), "label": thing.label}

    assert matches(device.serial) == [match("device", device)]
    assert identified(installer, device.serial)["device_models"] == ["Plumb-3"]
    assert matches(f"(01){GTIN}(21){device.serial}") == [
        match("device", device),
        match("product", world.eight_lb),
    ]
    assert matches(f"https://id.gs1.org/414/{SGLN}") == [match("location", world.location)]
    assert matches(f"https://id.gs1.org/8004/{GIAI}") == [match("cabinet", tagged[f"(8004){GIAI}"])]
    assert matches(f"https://id.gs1.org/8003/{GRAI}") == [match("cabinet", tagged[f"(8003){GRAI}"])]
    assert matches("sk-4711") == [match("cabinet", tagged["SK-4711"])]
    # What is named there can be looked up there.
    for code in (device.serial, "SK-4711", f"(414){SGLN}"):
        [named] = matches(code)
        assert ok(installer.get(f"{named['kind']}s/{named['id']}/"))["id"] == named["id"]


def test_what_is_hidden_is_answered_as_what_is_absent(api: Api, installer: Person, world: World) -> None:
    device, absent = world.device(), world.serial()
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"gln": SGLN})
    cabinet = world.cabinet()
    stranger = api.as_(world.stranger)

    for hidden, stray in (
        (device.serial, absent),
        (cabinet.asset_tag, "SK-9999"),
        (f"(414){SGLN}", "(414)4012345000016"),  # by hand: 401234500001 gives 34, so 6
    ):
        assert identified(installer, hidden)["matches"] != []
        seen, unseen = identified(stranger, hidden), identified(stranger, stray)
        assert seen["matches"] == unseen["matches"] == []
        for name in ("kind", "source", "device_models"):
            assert seen[name] == unseen[name]


@pytest.mark.parametrize(
    ("code", "refusal"),
    [
        ("(414)4012345000024", "check_invalid"),
        ("(01)09506000134353", "check_invalid"),
        ("https://id.gs1.org/8003/04012345555555987", "check_invalid"),
        # A public README writes a GRAI without its leading zero; the table of identifiers rejects it.
        ("https://id.gs1.org/8003/4012345555554987", "scan_invalid"),
        ("(254)RM12", "scan_invalid"),
        ("(21)12345", "scan_invalid"),
        ("https://id.gs1.org/gtin/09520123456788", "scan_invalid"),  # names were dropped in 1.2
        ("(01)09506000134352(8004)9506000134352ABC", "scan_ambiguous"),
        ("(8003)09506000134352", "scan_ambiguous"),  # a type of asset and no single one
        ("x" * 501, "scan_invalid"),
        ("PB3\x07", "scan_invalid"),
        ("   ", "scan_invalid"),
        ("ftp://id.gs1.org/01/09520123456788", "scan_invalid"),
    ],
)
def test_a_code_that_cannot_be_read_is_refused_at_its_parameter(
    installer: Person, code: str, refusal: str
) -> None:
    reply = told(installer.get("identify/", code=code), 422, refusal)

    assert [error["parameter"] for error in reply["errors"]] == ["code"]
    assert "pointer" not in reply["errors"][0]


def test_a_question_without_a_code_is_refused(installer: Person) -> None:
    for asked, parameter in (({}, "code"), ({"code": ""}, "code"), ({"code": "SK-1", "q": "x"}, "q")):
        reply = told(installer.get("identify/", **asked), 422, "value_invalid")
        assert reply["errors"][0]["parameter"] == parameter


@pytest.mark.parametrize("rows", [3, 30])
def test_a_code_takes_as_many_queries_in_a_large_register_as_in_a_small_one(
    installer: Person, world: World, rows: int
) -> None:
    stock = [world.device() for _ in range(rows)]
    for device in stock:
        world.assigned(device, world.cabinet())

    # the token with its person; whose depots; the head; device models; the device; the cabinet
    tables = ["apitoken", "staffdepot", "entry", "devicemodel", "device", "cabinet"]
    assert tables_read(lambda: installer.get("identify/", code=stock[0].serial)) == tables
    link = f"https://id.gs1.org/01/{GTIN}/21/{stock[0].serial}"
    assert tables_read(lambda: installer.get("identify/", code=link)) == [*tables[:-1], "product"]
