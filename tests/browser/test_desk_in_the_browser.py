"""Assigning, swapping and putting right at the desk, and the auditor's questions, by keyboard alone."""

import re
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.person import Person
from tests.walk.served import Served


@pytest.fixture(scope="module")
def things(demo: Served) -> dict[str, Any]:
    """Free cabinets of Tarnmouth that take three sensors, and devices of three sensors in its depot."""
    phone = demo.phone("odile")
    depot = next(d["id"] for d in phone.get("/api/v1/depots/").body["results"] if d["code"] == "TM")
    free = phone.get(f"/api/v1/cabinets/?hanging=false&place=location&depot={depot}&page_size=200")
    waiting = phone.get("/api/v1/devices/?place=depot&standing=confirmed&page_size=200").body["results"]
    return {
        "cabinets": [c for c in free.body["results"] if c["sensor_count"] == 3],
        "serials": [d["serial"] for d in waiting if d["sensor_count"] == 3],
    }


def slip(serial: str) -> str:
    """Return a serial with two neighbours exchanged."""
    place = next(i for i in range(4, len(serial) - 1) if serial[i] != serial[i + 1])
    return serial[:place] + serial[place + 1] + serial[place] + serial[place + 2 :]


def test_a_device_is_found_by_some_of_its_serial_and_assigned(odile: Person, things: dict[str, Any]) -> None:
    cabinet, serial = things["cabinets"][0], things["serials"][0]
    odile.goes(f"/console/cabinets/{cabinet['id']}/")
    odile.follows("Assign a device")
    odile.finds_no_barrier()
    odile.types("Serial of the device", serial[:7])
    expect(odile.page.get_by_role("option").first).to_be_visible()
    odile.finds_no_barrier()
    odile.page.keyboard.press("ArrowDown")
    odile.page.keyboard.press("Enter")
    expect(odile.field("Serial of the device")).to_have_value(serial)

    odile.presses("Check")
    odile.reads(serial)
    odile.finds_no_barrier()
    odile.presses("Record")

    odile.reads(f"Device {serial} was assigned to cabinet {cabinet['asset_tag']}")


def test_a_mistyped_serial_is_refused_beside_its_field_and_the_right_one_offered(
    odile: Person, things: dict[str, Any]
) -> None:
    cabinet, serial = things["cabinets"][1], things["serials"][1]
    odile.goes(f"/console/cabinets/{cabinet['id']}/assign/")
    odile.types("Serial of the device", slip(serial))
    odile.page.keyboard.press("Escape")

    odile.presses("Check")

    expect(odile.field("Serial of the device")).to_have_attribute("aria-invalid", "true")
    odile.finds_no_barrier()
    odile.presses(serial, exact=False)
    expect(odile.field("Serial of the device")).to_have_value(serial)
    odile.presses("Check")
    odile.presses("Record")
    odile.reads(f"Device {serial} was assigned to cabinet {cabinet['asset_tag']}")


def test_a_device_is_swapped_and_the_time_put_right_with_its_neighbours(
    odile: Person, things: dict[str, Any]
) -> None:
    cabinet, first, second = things["cabinets"][2], things["serials"][2], things["serials"][3]
    odile.goes(f"/console/cabinets/{cabinet['id']}/assign/")
    odile.types("Serial of the device", first)
    odile.page.keyboard.press("Escape")
    odile.types("Hung up", "2026-11-10 09:00")
    odile.presses("Check")
    odile.presses("Record")

    odile.follows("Swap")
    odile.types("Serial of the new device", second)
    odile.page.keyboard.press("Escape")
    odile.types("Swapped", "2026-11-20 14:00")
    odile.chooses("It goes to depot", "TM")
    odile.presses("Check")
    odile.finds_no_barrier()
    odile.presses("Record")
    odile.reads(f"Device {first} was swapped for {second}")

    odile.follows("Put right")
    odile.types("From", "2026-11-19 14:00", within="When")
    odile.presses("Check")
    expect(odile.field("Why it is put right")).to_have_attribute("aria-invalid", "true")
    odile.types("Why it is put right", "The work sheet says the day before")
    odile.presses("Check")
    odile.reads(f"place of device {first}")  # a neighbour that moves along, shown before it does
    odile.finds_no_barrier()
    odile.presses("Record")
    odile.reads("was corrected")
    odile.reads("The work sheet says the day before")


def test_the_auditor_reads_both_axes_and_finds_nothing_to_press(
    ottilie: Person, things: dict[str, Any]
) -> None:
    cabinet = things["cabinets"][2]
    address = f"/console/locations/{cabinet['location']}/"
    ottilie.goes(address)
    ottilie.finds_no_barrier()
    for words in ("Correct", "Close", "Assign a device", "Put right"):
        expect(ottilie.page.get_by_role("link", name=words, exact=True)).to_have_count(0)
    corrected = ottilie.page.get_by_text("The work sheet says the day before").first
    expect(corrected).to_be_visible()
    line = ottilie.page.locator("li", has=corrected)
    [index] = line.get_by_role("link", name=re.compile(r"^entry \d+$")).all_inner_texts()
    before = int(index.split()[-1]) - 1

    ottilie.types("As known", str(before))
    ottilie.presses("Show")

    ottilie.reads(f"as known right after entry {before}")
    expect(ottilie.page.get_by_text("The work sheet says the day before")).to_have_count(0)
    ottilie.types("As of", "2026-11-15 12:00")
    ottilie.presses("Show")
    ottilie.reads("as of 2026-11-15 12:00")

    ottilie.goes(f"/console/ledger/{before + 1}/")
    ottilie.reads("The work sheet says the day before")
    ottilie.finds_no_barrier()


def test_the_auditor_reads_what_changed_before_signing_a_bill(
    ottilie: Person, things: dict[str, Any]
) -> None:
    cabinet = things["cabinets"][2]
    ottilie.goes(f"/console/locations/{cabinet['location']}/")
    corrected = ottilie.page.get_by_text("The work sheet says the day before").first
    line = ottilie.page.locator("li", has=corrected)
    [index] = line.get_by_role("link", name=re.compile(r"^entry \d+$")).all_inner_texts()
    ottilie.follows("What changed between two states of knowledge")
    ottilie.finds_no_barrier()

    ottilie.types("From", str(int(index.split()[-1]) - 1))
    ottilie.presses("Compare")

    ottilie.reads("Reaches back before")
    ottilie.reads("The work sheet says the day before")
    first = ottilie.page.get_by_role("row").filter(has_text="until 2026-11-20 14:00 EST").first
    expect(first).to_contain_text("until 2026-11-19 14:00 EST")
    expect(first).to_contain_text(things["serials"][2])
    ottilie.finds_no_barrier()


PAGES = [
    "/console/",
    "/console/registry/location/",
    "/console/registry/account/",
    "/console/registry/cabinet/",
    "/console/registry/device/",
    "/console/registry/entry/",
    "/console/devices/waiting/",
    "/console/devices/receive/",
    "/console/devices/record/",
    "/console/cabinets/register/",
    "/console/accounts/register/",
    "/console/staff/",
    "/console/fleet/",
    "/console/fleet/?as_of=2026-03-02+08:00&known_at=120",
    "/console/fleet/locations/",
    "/console/fleet/cabinets/?where=location",
    "/console/fleet/devices/",
    "/console/fleet/differences/",
    "/console/fleet/differences/?from_known=250",
    "/console/registry/location/?q=lantern",
    "/console/fleet/differences/?from_known=soon",
]


@pytest.mark.parametrize("width", [1280, 390])
def test_pages_have_no_barrier_and_fit_their_screen(odile: Person, width: int) -> None:
    odile.page.set_viewport_size({"width": width, "height": 900})
    for path in PAGES:
        odile.goes(path)
        odile.finds_no_barrier()
        wider = odile.page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        assert wider <= 0, f"{path} is {wider} px wider than its screen"


def test_a_phone_tells_what_an_entry_and_a_comparison_say_as_a_desk_does(ottilie: Person) -> None:
    ottilie.page.set_viewport_size({"width": 390, "height": 844})

    ottilie.goes("/console/ledger/50/")
    shown = ottilie.page.locator(".changes td").evaluate_all(
        "cells => cells.map(cell => getComputedStyle(cell, '::before').content)"
    )
    assert set(shown) == {'"Said before: "', '"Said after: "'}

    ottilie.goes("/console/fleet/differences/?from_known=250")
    cells = ".differences tbody th, .differences td.done, .differences td.differs[data-label]"
    widths = ottilie.page.locator(cells).evaluate_all(
        "cells => cells.map(cell => cell.offsetWidth / cell.parentElement.offsetWidth)"
    )
    assert min(widths) > 0.9
