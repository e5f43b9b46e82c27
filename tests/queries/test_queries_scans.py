"""What a scanned or typed code is, and which things of the register it names for whom."""

from typing import Any

import pytest

from registry.actions import assignments, cabinets, devices, locations, products, provisional
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.models import Cabinet, Device
from registry.queries.scans import Identified, identify
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import ScanKind, ScanSource, check_characters
from registry.rules.roles import Role, Scope
from tests.factories.world import DAY, World, device_model, new_location

EVERYWHERE = Scope(Role.OFFICE, everywhere=True)

# The GS1 syntax dictionary and the examples of the GS1 Digital Link standard, "URI Syntax" 1.2, as GS1's
# own syntax engine tests carry them; the GLN payload 401234500002 by hand (General Specifications 7.9).
GTIN = "09506000134352"
GLN = "4012345000023"
GIAI = "4000001111"
GRAI = "04012345555554987"


@pytest.fixture
def tarnmouth(world: World) -> Scope:
    return Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))


@pytest.fixture
def fellgate(world: World) -> Scope:
    return Scope(Role.INSTALLER, frozenset({world.fellgate.pk}))


def tagged(world: World, tag: str, place: Any = None) -> Cabinet:
    """Register a cabinet with a tag of its own at the location, or in a depot."""
    where = {"depot_id": place.pk} if place else {"location_id": world.location.pk}
    return cabinets.register_cabinet(
        world.office,
        cabinet=NewCabinet(world.cove.pk, {"asset_tag": tag}),
        valid_from=world.start + DAY,
        **where,
    )


def named(found: Identified) -> list[tuple[str, str]]:
    return [(str(match.kind), match.label) for match in found.matches]


def with_serial(world: World, payload: str, prefix: str = "PB3") -> Device:
    model = world.plumb_5 if prefix == "PB5" else world.plumb_3
    [device] = devices.receive_devices(
        world.office,
        devices=[NewDevice(model.pk, prefix + payload + check_characters("luhn", payload))],
        depot_id=world.tarnmouth.pk,
        valid_from=world.start + DAY,
    )
    return device


# --- what each kind of code names ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("write", "kind", "source"),
    [
        pytest.param("{serial}", "serial", "plain", id="typed"),
        pytest.param(" {lower} ", "serial", "plain", id="lower case, with spaces"),
        pytest.param("{dashed}", "serial", "plain", id="with dashes"),
        pytest.param("]C101" + GTIN + "21{serial}", "gtin", "element_string", id="GS1 element string"),
        pytest.param("(01)" + GTIN + "(21){serial}", "gtin", "bracketed", id="bracketed print"),
        pytest.param(
            "https://id.gs1.org/01/" + GTIN + "/21/{serial}", "gtin", "digital_link", id="GS1 Digital Link"
        ),
    ],
)
def test_a_label_leads_to_the_device_however_it_is_read(
    world: World, tarnmouth: Scope, write: str, kind: str, source: str
) -> None:
    device = with_serial(world, "007919")
    serial = device.serial
    code = write.format(serial=serial, lower=serial.lower(), dashed=f"{serial[:3]}-{serial[3:]}")

    found = identify(code, tarnmouth)

    assert (found.scan.kind, found.scan.source) == (ScanKind(kind), ScanSource(source))
    assert found.matches[0].id == device.pk
    assert named(found) == [("device", serial)]
    assert found.schemes == (world.plumb_3,)


def test_a_gtin_names_the_product_and_beside_a_serial_the_device_too(world: World) -> None:
    products.correct_product(world.office, product_id=world.eight_lb.pk, particulars={"gtin": GTIN})
    device = with_serial(world, "007919")

    assert named(identify(f"(01){GTIN}", EVERYWHERE)) == [("product", world.eight_lb.label)]
    # 13 digits of the same number: AI 01 carries every GTIN with zeros in front.
    assert named(identify("]E09506000134352", EVERYWHERE)) == [("product", world.eight_lb.label)]
    assert named(identify(f"(01){GTIN}(21){device.serial}", EVERYWHERE)) == [
        ("device", device.serial),
        ("product", world.eight_lb.label),
    ]


@pytest.mark.parametrize(
    "code",
    [f"(414){GLN}", f"]C1414{GLN}", f"https://id.gs1.org/414/{GLN}", f"(414){GLN}(254)RM12"],
)
def test_a_gln_names_the_location(world: World, tarnmouth: Scope, fellgate: Scope, code: str) -> None:
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"gln": GLN})
    locations.register_location(
        world.office,
        account_id=world.account.pk,
        location=new_location(world.tarnmouth, "0043", gln="4012345000016"),
        valid_from=world.start,
    )

    found = identify(code, tarnmouth)

    assert (found.scan.kind, found.scan.value, found.schemes) == (ScanKind.GLN, GLN, ())
    assert named(found) == [("location", world.location.label)]
    assert found.matches[0].id == world.location.pk
    assert identify(code, fellgate).matches == ()


@pytest.mark.parametrize(
    ("tag", "codes"),
    [
        # EPCIS: urn:epc:id:giai:4000001.111 = https://id.gs1.org/8004/4000001111
        (f"(8004){GIAI}", [f"(8004){GIAI}", f"]C18004{GIAI}"]),
        (f"(8004){GIAI}", [f"https://id.gs1.org/8004/{GIAI}"]),
        # EPCIS: urn:epc:id:grai:4012345.55555.987, with the leading 0 that AI 8003 demands
        (f"(8003){GRAI}", [f"(8003){GRAI}", f"https://id.gs1.org/8003/{GRAI}"]),
        ("SK-4711", ["SK-4711", "sk-4711"]),
    ],
)
def test_an_asset_key_or_a_tag_names_the_cabinet(
    world: World, tarnmouth: Scope, fellgate: Scope, tag: str, codes: list[str]
) -> None:
    cabinet = tagged(world, tag)
    tagged(world, "SK-4712")

    for code in codes:
        found = identify(code, tarnmouth)
        assert named(found) == [("cabinet", cabinet.label)], code
        assert found.matches[0].id == cabinet.pk
        assert identify(code, fellgate).matches == (), code


def test_an_asset_key_keeps_its_case_and_a_tag_does_not(world: World) -> None:
    tagged(world, "(8004)4000001aB")

    assert named(identify("(8004)4000001aB", EVERYWHERE)) == [("cabinet", "(8004)4000001aB")]
    assert identify("(8004)4000001AB", EVERYWHERE).matches == ()


def test_a_text_that_is_a_serial_and_a_tag_names_both(world: World) -> None:
    device = with_serial(world, "007919")
    cabinet = tagged(world, device.serial)

    assert named(identify(device.serial, EVERYWHERE)) == [
        ("device", device.serial),
        ("cabinet", cabinet.asset_tag),
    ]


def test_a_text_of_no_scheme_and_no_tag_is_a_serial_that_names_nothing(world: World) -> None:
    found = identify("HELLO", EVERYWHERE)

    assert (found.scan.kind, found.scan.value) == (ScanKind.SERIAL, "HELLO")
    assert (found.schemes, found.matches) == ((), ())


def test_a_serial_that_nobody_booked_in_is_told_with_the_models_that_it_may_be(world: World) -> None:
    twin = devices.register_device_model(world.office, particulars=device_model("Abeam-3", "PB3", 3))
    serial = world.serial()

    found = identify(serial, EVERYWHERE)

    assert found.schemes == (twin, world.plumb_3)  # by name
    assert found.matches == ()
    assert identify(world.serial(world.plumb_5), EVERYWHERE).schemes == (world.plumb_5,)


# --- what is hidden is not named -----------------------------------------------------------------------


def test_a_device_of_another_depot_is_not_named(world: World, tarnmouth: Scope, fellgate: Scope) -> None:
    device = with_serial(world, "007919")
    stray = identify(world.serial(), fellgate)

    hidden = identify(device.serial, fellgate)

    assert (hidden.schemes, hidden.matches) == (stray.schemes, stray.matches) == ((world.plumb_3,), ())
    assert named(identify(device.serial, tarnmouth)) == [("device", device.serial)]


def test_a_device_is_named_where_it_hangs(world: World, tarnmouth: Scope, fellgate: Scope) -> None:
    device = world.device(depot=world.fellgate)
    hung = world.assigned(device, world.cabinet())

    assert named(identify(device.serial, tarnmouth)) == [("device", device.serial)]
    assert identify(device.serial, fellgate).matches == ()

    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        valid_to=world.start + 9 * DAY,
        end_reason="fault",
        depot_id=world.fellgate.pk,
    )

    assert identify(device.serial, tarnmouth).matches == ()


def test_a_cabinet_in_another_depot_is_not_named(world: World, tarnmouth: Scope, fellgate: Scope) -> None:
    tagged(world, "SK-4711", world.fellgate)

    assert identify("SK-4711", tarnmouth).matches == ()
    assert named(identify("SK-4711", fellgate)) == [("cabinet", "SK-4711")]


def test_a_rejected_record_is_not_named_and_a_merged_one_leads_to_nothing(world: World) -> None:
    known = with_serial(world, "424242")

    def record() -> Device:
        return provisional.record_provisional_device(
            world.installer,
            device=NewDevice(world.plumb_3.pk, world.serial()),
            valid_from=world.start + 3 * DAY,
            evidence="label torn",
            depot_id=world.tarnmouth.pk,
        )

    waiting, merged, rejected = record(), record(), record()
    provisional.merge_provisional_device(world.office, device_id=merged.pk, into_id=known.pk)
    provisional.reject_provisional_device(world.office, device_id=rejected.pk, reason="a competitor's")

    assert named(identify(waiting.serial, EVERYWHERE)) == [("device", waiting.serial)]
    assert identify(merged.serial, EVERYWHERE).matches == ()
    assert identify(rejected.serial, EVERYWHERE).matches == ()
    assert named(identify(known.serial, EVERYWHERE)) == [("device", known.serial)]


# --- codes that are none -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "refusal"),
    [
        ("", Code.SCAN_INVALID),
        ("   ", Code.SCAN_INVALID),
        ("PB3\x000079199", Code.SCAN_INVALID),
        ("x" * 501, Code.SCAN_INVALID),
        ("https://example.org/", Code.SCAN_INVALID),
        ("(254)RM12", Code.SCAN_INVALID),  # AI 254 requires 414
        ("(21)12345", Code.SCAN_INVALID),  # AI 21 requires 01
        ("(414)4012345000024", Code.CHECK_INVALID),
        # The trap of a public README: a GRAI without its leading zero.
        ("https://id.gs1.org/8003/4012345555554987", Code.SCAN_INVALID),
        (f"(01){GTIN}(8004){GIAI}", Code.SCAN_AMBIGUOUS),
    ],
)
def test_what_is_no_code_is_refused(world: World, code: str, refusal: Code) -> None:
    with pytest.raises(RuleBroken) as refused:
        identify(code, EVERYWHERE)

    assert refused.value.code == refusal


# --- queries -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_a_code_takes_as_many_queries_in_a_large_register_as_in_a_small_one(
    world: World, tarnmouth: Scope, django_assert_num_queries: Any, rows: int
) -> None:
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"gln": GLN})
    stock = [world.device() for _ in range(rows)]
    for device in stock:
        world.assigned(device, world.cabinet())
    tagged(world, f"(8004){GIAI}")

    # the head; device models; the device; the cabinet of that tag
    with django_assert_num_queries(4):
        assert named(identify(stock[0].serial, tarnmouth)) == [("device", stock[0].serial)]
    # the head; device models; the device; the product. (No tag is looked for.)
    with django_assert_num_queries(4):
        assert identify(f"(01){GTIN}(21){stock[0].serial}", tarnmouth).matches
    # the head; the location
    with django_assert_num_queries(2):
        assert identify(f"(414){GLN}", tarnmouth).matches
    # the head; the cabinet
    with django_assert_num_queries(2):
        assert identify(f"(8004){GIAI}", tarnmouth).matches
