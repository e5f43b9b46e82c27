"""The trace of a device in a real browser: read at the desk and on a phone, printed, and kept as a table."""

from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.person import Person
from tests.walk.served import Served


@pytest.fixture(scope="module")
def retired(demo: Served) -> dict[str, Any]:
    """A device of the demo with a whole life behind it."""
    found = demo.phone("odile").get("/api/v1/devices/?place=retired&page_size=1").body["results"]
    return dict(found[0])


def test_the_auditor_comes_from_the_device_to_its_trace_and_on_to_the_ledger(
    ottilie: Person, retired: dict[str, Any]
) -> None:
    ottilie.goes(f"/console/devices/{retired['id']}/")
    ottilie.follows("Trace")

    ottilie.reads(f"Trace of device {retired['serial']}")
    ottilie.finds_no_barrier()
    expect(ottilie.page.get_by_role("img", name="Bars over time.")).to_be_visible()
    ottilie.follows("entry", exact=False)
    ottilie.reads("What it changed")


@pytest.mark.parametrize("width", [1280, 820, 390])
def test_the_trace_has_no_barrier_and_fits_its_screen(
    odile: Person, retired: dict[str, Any], width: int
) -> None:
    odile.page.set_viewport_size({"width": width, "height": 900})
    odile.goes(f"/console/devices/{retired['id']}/chain/")

    odile.finds_no_barrier()
    page = odile.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert page <= 0, f"{page} px wider than its screen"
    for bar in odile.page.locator(".chain .bar").all():
        box, picture = bar.bounding_box(), odile.page.locator(".chain > svg").bounding_box()
        assert box is not None
        assert picture is not None
        assert box["width"] >= 1, "a bar that nobody sees"
        assert box["x"] >= picture["x"] - 2
        assert box["x"] + box["width"] <= picture["x"] + picture["width"] + 2


def test_the_trace_is_printed_whole_and_with_nothing_to_press(odile: Person, retired: dict[str, Any]) -> None:
    odile.goes(f"/console/devices/{retired['id']}/chain/")
    odile.page.evaluate("window.print = () => { document.title = 'printed' }")
    button = odile.page.get_by_role("button", name="Print")
    odile.reaches(button)
    odile.page.keyboard.press("Enter")
    expect(odile.page).to_have_title("printed")

    odile.page.emulate_media(media="print")

    expect(button).to_be_hidden()
    for words in ("CSV", "JSON", "Put right"):
        for link in odile.page.get_by_role("link", name=words).all():
            expect(link).to_be_hidden()
    expect(odile.page.get_by_text("as things stand now, right after entry")).to_be_visible()
    expect(odile.page.locator(".stretches tbody tr")).not_to_have_count(0)
    for stretch in odile.page.locator(".stretches tbody tr").all():
        expect(stretch).to_be_visible()
    expect(odile.page.locator(".chain svg").first).to_be_visible()


def test_the_table_is_kept_as_a_file(odile: Person, retired: dict[str, Any]) -> None:
    odile.goes(f"/console/devices/{retired['id']}/chain/")
    link = odile.page.get_by_role("link", name="CSV")
    odile.reaches(link)

    with odile.page.expect_download() as kept:
        odile.page.keyboard.press("Enter")

    assert kept.value.suggested_filename == f"chain-{retired['serial']}.csv"


def test_without_a_script_there_is_no_button_to_print_and_all_else_is_there(
    browser: Browser, demo: Served, odile: Person, retired: dict[str, Any]
) -> None:
    context = browser.new_context(java_script_enabled=False, storage_state=odile.page.context.storage_state())
    plain = context.new_page()
    plain.goto(f"{demo.url}/console/devices/{retired['id']}/chain/")

    expect(plain.locator("button[data-print]")).to_be_hidden()
    expect(plain.locator(".chain .bar").first).to_be_visible()
    context.close()
