"""The office at its desk, by keyboard alone: registering, and being told what is wrong beside the field."""

from playwright.sync_api import expect

from tests.browser.person import Person


def fills_in_a_customer(odile: Person, code: str, tag: str) -> None:
    odile.goes("/console/accounts/register/")
    odile.types("Code", code, within="The account")
    odile.types("Name", "Heron Landing Stores", within="The account")
    odile.types("Name", "Heron Landing, Mill Lane", within="The store")
    odile.types("Store number", "0007")
    odile.types("Town", "Tarnmouth")
    odile.chooses("Depot that answers for it", "TM")
    odile.types("Since when", "2026-11-02 08:30")
    odile.types("Asset tag", tag, within="Cabinet 1")
    odile.chooses("Model", "Cove 40", within="Cabinet 1")
    odile.chooses("Product 1", "8 lb", within="Cabinet 1")
    odile.types("Share, %", "100", within="Cabinet 1")


def test_the_office_registers_a_customer_with_a_store_and_its_cabinet(odile: Person) -> None:
    odile.follows("Register an account with a location")
    odile.finds_no_barrier()
    fills_in_a_customer(odile, "HLS", "SK-8801")

    odile.presses("Check")

    odile.reads("SK-8801")
    odile.finds_no_barrier()
    odile.presses("Record")

    odile.reads("Recorded as entry")
    expect(odile.page.get_by_role("heading", level=1)).to_contain_text("Heron Landing")
    odile.finds_no_barrier()


def test_a_code_that_is_taken_is_told_beside_its_field_and_nothing_typed_is_lost(odile: Person) -> None:
    fills_in_a_customer(odile, "GMS", "SK-8802")

    odile.presses("Check")

    code = odile.field("Code", "The account")
    expect(code).to_have_attribute("aria-invalid", "true")
    described = str(code.get_attribute("aria-describedby"))
    beside = " ".join(odile.page.locator(f"#{name}").inner_text() for name in described.split())
    assert "Another account has the code GMS" in beside
    expect(odile.field("Town")).to_have_value("Tarnmouth")
    expect(odile.field("Asset tag", "Cabinet 1")).to_have_value("SK-8802")
    odile.finds_no_barrier()
