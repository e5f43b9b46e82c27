"""Drawing a sample and counting a place by keyboard, on a phone's screen."""

from playwright.sync_api import Browser, expect

from tests.browser.person import Person
from tests.walk.served import Served


def fits(person: Person) -> None:
    """See that a page has no barrier and is no wider than its screen."""
    person.finds_no_barrier()
    wider = person.page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    assert wider <= 0, f"{person.page.url} is {wider} px wider than its screen"


def test_the_auditor_draws_a_sample_and_counts_a_place_on_a_phone(ottilie: Person) -> None:
    ottilie.page.set_viewport_size({"width": 390, "height": 844})
    ottilie.follows("Counts")
    fits(ottilie)
    ottilie.follows("Draw a sample")
    ottilie.types("Name of the count", "Autumn")
    fits(ottilie)
    ottilie.presses("Check")
    ottilie.reads("were wrong, the chance to find none in")
    fits(ottilie)
    ottilie.presses("Draw")
    ottilie.reads("A sample was drawn for the count Autumn")
    fits(ottilie)

    ottilie.follows("Count the next place")
    expect(ottilie.field("Serial on the label")).to_be_focused()
    fits(ottilie)
    for button in ottilie.page.locator(".counting button").all():
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 44  # CSS px: WCAG 2.2, 2.5.5
    # A stray Enter records nothing; what was typed wrongly is told beside the field.
    ottilie.page.keyboard.press("Enter")
    ottilie.reads("Nothing was recorded")
    ottilie.types("Serial on the label", "PL3")
    ottilie.page.keyboard.press("Enter")
    ottilie.reads("Compare it with the label")
    expect(ottilie.field("Serial on the label")).to_be_focused()
    expect(ottilie.field("Serial on the label")).to_have_value("")
    fits(ottilie)
    place = ottilie.page.get_by_role("heading", level=1).inner_text()
    ottilie.presses("Nothing is here")
    ottilie.reads("For the count Autumn somebody looked at")
    assert ottilie.page.get_by_role("heading", level=1).inner_text() != place
    fits(ottilie)
    ottilie.follows("All places")
    ottilie.reads("1 of ")
    ottilie.follows("Sheet to print")
    fits(ottilie)


def test_a_place_is_counted_without_a_script(browser: Browser, demo: Served) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(f"{demo.url}/console/login/")
    page.get_by_label("Name you sign in with").fill("ottilie")
    from tests.walk.served import PASSWORD

    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.goto(f"{demo.url}/console/counts/draw/")
    page.get_by_label("Name of the count").fill("Winter")
    page.get_by_role("button", name="Check", exact=True).last.click()
    page.get_by_role("button", name="Draw", exact=True).click()
    page.get_by_role("link", name="Count the next place").click()
    page.get_by_role("button", name="Nothing is here").click()
    expect(page.get_by_text("For the count Winter somebody looked at")).to_be_visible()
    context.close()
