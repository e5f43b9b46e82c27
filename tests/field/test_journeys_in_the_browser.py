"""The installer's day at a phone's size, against the real register: every screen, and every entry."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, expect

from tests.field import company
from tests.field.company import Day, begun, mistyped, plan, plan_install
from tests.field.conftest import PHONE
from tests.field.phone import Phone, sign_in
from tests.field.test_screens_in_the_browser import Installer
from tests.walk.served import served

STORE = "Lantern Fuel Harbour Road"
BELOW = "420,900,760"  # mm below the sensors, left to right: a board lies under the left-most
FAST_MIN = 20


class Wren(Installer):
    """Wren at work: on her phone, which talks to the register that is served."""

    def __init__(self, page: Page, found: Day, visit: str, cabinet: str, tag: str) -> None:
        super().__init__(page, None)  # type: ignore[arg-type]
        self.found, self.visit, self.cabinet, self.tag = found, visit, cabinet, tag

    def taps(self, name: str, role: Any = "button") -> None:
        """Tap what is called so, or press it on a phone that is driven from outside its process."""
        found = self.page.get_by_role(role, name=name).first
        touches = self.page.evaluate("navigator.maxTouchPoints > 0")
        found.tap() if touches else found.click()

    def goes(self, *steps: str, cabinet: str = "") -> None:
        """Go to a step of the cabinet by its address."""
        to = "/".join(["", "visit", self.visit, "cabinet", self.cabinet, *steps])
        self.page.evaluate("to => { location.hash = to; }", to)

    def reads_cautions_and_begins(self) -> None:
        """Load the day, read the cautions of the cabinet, and begin the visit."""
        self.page.goto(f"{self.found.register.url}/field/#/day")
        self.sees("Load")  # your day, or the day anew
        self.taps("Load the day")
        self.sees("Today")
        self.page.evaluate("to => { location.hash = to; }", f"/visit/{self.visit}")
        self.sees(STORE)
        expect(self.page.get_by_role("button", name="Begin the visit")).to_have_count(0)
        self.taps(f"Read the cautions of {self.tag}", "link")
        self.sees(f"Before you work on {self.tag}")
        self.taps("I have read these")
        self.sees(STORE)
        self.taps("Begin the visit")
        expect(self.verdict()).to_contain_text("Do not leave yet.")

    def splits(self) -> None:
        """Drag the divider by key until the shares are 60 and 40."""
        self.goes("split")
        self.sees(f"Front of {self.tag}")
        self.taps("Add a product")
        self.page.get_by_role("slider").press("PageUp")
        self.taps("Record this")
        self.sees(self.tag)

    def types(self, serial: str) -> None:
        """Type a serial off the label; the focus stays where it is typed."""
        if not self.page.url.endswith("/label"):
            self.goes("label")
            self.sees("Device label")
        self.page.get_by_label("Or type the serial").fill(serial)

    def installs(self, serial: str) -> None:
        """Split, take the serial, mount and assign."""
        self.splits()
        self.types(serial)
        self.taps("Take this serial")
        self.sees(self.tag)
        self.mounts_and_assigns()

    def all_is_sent(self) -> None:
        """See that nothing waits any more."""
        expect(self.page.get_by_role("link", name="All sent")).to_be_visible(timeout=20_000)

    def reports(self, serial: str, fault: str = "none") -> None:
        """Let the device report a few times, as it would within the first quarter of an hour."""
        command = ("simulate", serial, "--address", self.found.register.url, "--token", self.found.gateway)
        played = ("--fault", fault, "--reports", "4", "--pause", "0.02", "--below", BELOW, "--interval", "1")
        self.found.register.command(*command, *played)

    def checks(self) -> None:
        """Measure with the tape, and check."""
        for field, mm in zip(self.page.locator("[data-sensor]").all(), BELOW.split(","), strict=True):
            field.fill(mm)
        self.taps("Check")

    def signs_off_and_finishes(self) -> None:
        """Sign off as oneself, and finish the visit."""
        self.taps("Sign off as Wren")
        expect(self.page.get_by_text("Passed and signed off")).to_be_visible()
        self.all_is_sent()

    def surveys(self) -> None:
        """Record a survey: suitable, with what was looked at."""
        self.goes("survey")
        self.sees(f"Survey of {self.tag}")
        self.taps("Record the survey")
        expect(self.page.get_by_text("Say whether a device may be put up here.")).to_be_visible()
        self.answers("May a device be put up here?", "Suitable")
        self.answers("Is a sink, a drain or a wet floor near it?", "No")
        self.answers("Where does its maker let somebody drill?", "In a marked zone")
        self.taps("Record the survey")
        self.sees(self.tag)
        self.all_is_sent()

    def takes_out(self, serial: str, *, other: str) -> None:
        """Take a device out at fault, after the label of another one was held for it."""
        self.goes("remove")
        self.sees("Take the device out")
        label = self.page.get_by_label("Or type the serial")
        label.fill(other)
        expect(self.page.get_by_text("Another device hangs here by the register")).to_be_visible()
        self.answers("Why does it come out?", "It is at fault")
        self.taps("It is out")
        expect(self.page.get_by_text("Read the label of the device first.")).to_be_visible()
        label.fill(serial)
        expect(self.page.get_by_text("This is the device that hangs here")).to_be_visible()
        self.taps("It is out")
        self.sees(self.tag)

    def finishes(self) -> None:
        """Finish the visit, as one who may leave."""
        self.page.evaluate("to => { location.hash = to; }", f"/visit/{self.visit}/finish")
        self.sees("Finish the visit")
        self.taps("Finish")
        self.sees("Today")
        self.all_is_sent()


@pytest.fixture(scope="module")
def found() -> Iterator[Day]:
    """A company with its day, served; each journey has a cabinet and a visit of its own."""
    with served("sqlite") as register:
        yield begun(register)


@pytest.fixture
def phone(browser: Browser) -> Iterator[BrowserContext]:
    """A phone on which nothing may go wrong unseen."""
    context = browser.new_context(**PHONE)
    yield context
    context.close()


def watched(page: Page, wrong: list[str]) -> Page:
    page.set_default_timeout(15_000)
    page.on("pageerror", lambda error: wrong.append(f"error: {error}"))
    page.on(
        "console",
        lambda message: wrong.append(message.text) if "Content Security Policy" in message.text else None,
    )
    return page


def told(found: Day, cabinet: str) -> list[str]:
    """Return the verbs of the entries about a cabinet that came from the field page, in order."""
    rows = found.hester.get(f"{company.V1}/entries/?about={cabinet}&page_size=200").body["results"]
    return [row["verb"] for row in reversed(rows) if row["face"] == "field"]


def assigned(found: Day, cabinet: str) -> list[str]:
    """Return the serials that hang in a cabinet."""
    rows = found.hester.get(f"{company.V1}/assignments/?cabinet={cabinet}").body["results"]
    return [row["serial"] for row in rows]


INSTALLED = [
    "visit.cautions_acknowledged",
    "visit.begun",
    "split.set",
    "device.assigned",
    "mounting.recorded",
]
# A phone whose clock runs ahead: whatever asks it for the time is told more.
FAST_CLOCK = """(() => {
    const ahead = MINUTES * 60_000, Real = Date;
    globalThis.Date = class extends Real {
        constructor(...given) { given.length ? super(...given) : super(Real.now() + ahead); }
        static now() { return Real.now() + ahead; }
    };
})();""".replace("MINUTES", str(FAST_MIN))


def test_an_install_online_fails_is_repaired_passes_and_is_signed_off(
    found: Day, phone: BrowserContext
) -> None:
    wrong: list[str] = []
    cabinet, serial = found.cabinets[0], found.serials[0]
    visit = plan_install(found, cabinet)
    page = watched(phone.new_page(), wrong)
    sign_in(page, found.register, "wren")
    wren = Wren(page, found, visit, cabinet, "SK-0001")
    wren.reads_cautions_and_begins()
    wren.splits()
    wren.types(mistyped(serial))
    expect(page.get_by_role("button", name="Take this serial")).to_have_count(0)
    expect(page.get_by_text(serial).first).to_be_visible()  # the nearest of the van is offered
    wren.types(serial)
    wren.taps("Take this serial")
    wren.sees("SK-0001")
    wren.mounts_and_assigns()
    wren.all_is_sent()
    wren.reports(serial, "missing_sensor")
    wren.checks()
    expect(page.get_by_text("The check failed", exact=True)).to_be_visible(timeout=20_000)
    expect(page.get_by_role("button", name="Sign off")).to_have_count(0)
    expect(wren.verdict()).to_contain_text("SK-0001: the check failed.")

    wren.reports(serial)
    wren.taps("Check now")
    wren.signs_off_and_finishes()

    assert told(found, cabinet) == [
        *INSTALLED,
        "acceptance.checked",
        "acceptance.checked",
        "acceptance.signed_off",
    ]
    assert assigned(found, cabinet) == [serial]
    assert wrong == []


def test_a_phone_that_dies_without_signal_sends_what_was_done_once(
    found: Day, playwright: Playwright, tmp_path: Path
) -> None:
    cabinet, serial = found.cabinets[1], found.serials[1]
    visit = plan_install(found, cabinet)
    phone = Phone(playwright, tmp_path)
    phone.page.set_viewport_size(PHONE["viewport"])
    sign_in(phone.page, found.register, "wren")
    wren = Wren(phone.page, found, visit, cabinet, "SK-0002")
    wren.reads_cautions_and_begins()
    wren.all_is_sent()
    phone.context.set_offline(True)
    wren.installs(serial)
    expect(phone.page.get_by_text("No signal. Not yet checked.")).to_be_visible()
    expect(wren.verdict()).to_contain_text("Do not leave yet.")
    assert told(found, cabinet) == INSTALLED[:2]
    phone.dies()

    phone = Phone(playwright, tmp_path)
    phone.page.set_viewport_size(PHONE["viewport"])
    phone.context.clear_cookies()  # a browser that is killed may lose them: what was done must outlive them
    phone.page.goto(f"{found.register.url}/field/")
    wren = Wren(phone.page, found, visit, cabinet, "SK-0002")
    expect(phone.page.get_by_text("You are signed out. What you did is kept.")).to_be_visible()
    assert told(found, cabinet) == INSTALLED[:2]
    sign_in(phone.page, found.register, "wren")
    wren.all_is_sent()
    phone.page.reload()
    wren.all_is_sent()
    phone.dies()

    assert told(found, cabinet) == INSTALLED
    assert assigned(found, cabinet) == [serial]
    assert len(found.rows("mounting", f"cabinet_id = '{cabinet.replace('-', '')}'")) == 1


def test_a_phone_with_a_fast_clock_is_put_right_and_a_conflict_is_shown_on_sending(
    found: Day, phone: BrowserContext
) -> None:
    wrong: list[str] = []
    cabinet, serial, other = found.cabinets[2], found.serials[2], found.serials[3]
    visit = plan_install(found, cabinet)
    phone.add_init_script(FAST_CLOCK)
    page = watched(phone.new_page(), wrong)
    sign_in(page, found.register, "wren")
    wren = Wren(page, found, visit, cabinet, "SK-0003")
    wren.reads_cautions_and_begins()
    wren.all_is_sent()
    phone.set_offline(True)
    wren.installs(serial)
    # Meanwhile the office books that very device into another cabinet.
    body = {
        "serial": serial,
        "cabinet": found.cabinets[3],
        "valid_from": company.at(found.begin + 3 * company.DAY),
    }
    company.done(found.odile.post(f"{company.V1}/assignments/", body))
    phone.set_offline(False)
    expect(page.get_by_role("link", name="1 refused")).to_be_visible(timeout=20_000)
    expect(wren.verdict()).to_contain_text("SK-0003: the assignment was refused.")
    assert told(found, cabinet) == INSTALLED[:3]

    wren.goes("label")
    wren.sees("Device label")
    page.get_by_label("Or type the serial").fill(other)
    wren.taps("Take this serial")
    wren.sees("SK-0003")
    wren.goes("assign")
    wren.sees("Assign the device")
    wren.taps("Send it again")
    wren.sees("First readings")
    wren.all_is_sent()

    assert assigned(found, cabinet) == [other]
    assert told(found, cabinet) == INSTALLED
    entry = found.entries("device.assigned")[-1]
    assert json.loads(entry["body"])["clock_offset_s"] == pytest.approx(-FAST_MIN * 60, abs=30)
    assert entry["occurred_at"] <= entry["recorded_at"]
    assert wrong == []


def test_a_device_that_nobody_booked_in_is_recorded_as_found(found: Day, phone: BrowserContext) -> None:
    wrong: list[str] = []
    cabinet, stranger = found.cabinets[4], company.serial(611_953)
    visit = plan_install(found, cabinet)
    page = watched(phone.new_page(), wrong)
    sign_in(page, found.register, "wren")
    wren = Wren(page, found, visit, cabinet, "SK-0005")
    wren.reads_cautions_and_begins()
    wren.types(stranger)
    wren.taps("The label says so: record it as found")
    wren.sees("SK-0005")
    wren.goes("assign")
    wren.sees("Assign the device")
    wren.taps("Assign it now")
    wren.sees("First readings")
    wren.all_is_sent()

    assert assigned(found, cabinet) == [stranger]
    [device] = found.rows("device", f"serial = '{stranger}'")
    assert device["standing"] == "provisional"
    assert wrong == []


def test_a_cabinet_is_surveyed_inspected_and_its_device_taken_out_without_signal(
    found: Day, phone: BrowserContext
) -> None:
    wrong: list[str] = []
    cabinet, serial = found.cabinets[5], found.serials[4]
    body = {"serial": serial, "cabinet": cabinet, "valid_from": company.at(found.begin + 3 * company.DAY)}
    company.done(found.odile.post(f"{company.V1}/assignments/", body))
    page = watched(phone.new_page(), wrong)
    sign_in(page, found.register, "wren")

    wren = Wren(page, found, plan(found, cabinet, "survey"), cabinet, "SK-0006")
    wren.reads_cautions_and_begins()
    expect(wren.verdict()).to_contain_text("SK-0006: it is not surveyed.")
    wren.surveys()
    wren.finishes()
    [survey] = found.rows("cabinetsurvey", f"visit_id = '{wren.visit.replace('-', '')}'")
    assert (survey["outcome"], survey["near_water"], survey["needs_ladder"]) == ("suitable", 0, None)
    assert (survey["drilling"], survey["liner"], survey["socket"]) == ("marked_zone", "unknown", "unknown")

    wren = Wren(page, found, plan(found, cabinet, "inspect"), cabinet, "SK-0006")
    wren.reads_cautions_and_begins()
    expect(wren.verdict()).to_contain_text("SK-0006: not yet checked.")
    wren.reports(serial)
    wren.goes("readings")
    wren.sees("First readings, SK-0006")
    wren.checks()
    expect(page.get_by_text("Passed", exact=True)).to_be_visible(timeout=20_000)
    expect(page.get_by_role("button", name="Sign off")).to_have_count(0)
    wren.finishes()

    wren = Wren(page, found, plan(found, cabinet, "remove"), cabinet, "SK-0006")
    wren.reads_cautions_and_begins()
    expect(wren.verdict()).to_contain_text(f"SK-0006: {serial} still hangs there by the register.")
    wren.all_is_sent()
    phone.set_offline(True)
    wren.takes_out(serial, other=found.serials[0])
    assert assigned(found, cabinet) == [serial]
    phone.set_offline(False)
    wren.all_is_sent()
    wren.finishes()

    assert assigned(found, cabinet) == []
    assert [verb for verb in told(found, cabinet) if not verb.startswith("visit.")] == [
        "survey.recorded",
        "acceptance.checked",
        "device.removed",
    ]
    assert found.rows("visit", "state <> 'done' AND kind <> 'install'") == []
    assert wrong == []
