"""The installer's screens at a phone's size, against a register that is only pretended."""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.person import AXE, SERIOUS, TAGS
from tests.field import day
from tests.field.conftest import PHONE
from tests.field.day import (
    CABINET,
    COLD_WALL,
    EIGHT,
    MISTYPED,
    OTHER,
    SERIAL,
    STRANGER,
    SURVEYED,
    TWENTY,
    VISIT,
    Pretended,
)

TRIES = 100
# How a screen is built, without its words: one that is built alike was looked at already.
BUILT = "document.body.innerHTML.replace(/>[^<]+</g, '>…<').replace(/[0-9a-f-]{36}|[0-9]+/g, '#')"
LOOKED_AT: set[str] = set()
TARGET_PX_MIN = 44  # WCAG 2.2, 2.5.5 (AAA): a gloved finger; the page's own controls are 48 and more


class Installer:
    """Somebody with the page in their hand."""

    def __init__(self, page: Page, register: Pretended) -> None:
        self.page = page
        self.register = register
        self.heard = 0

    def sees(self, heading: str) -> None:
        """See a screen whose heading has the focus, and no barrier on it."""
        found = self.page.get_by_role("heading", level=1, name=heading)
        expect(found).to_be_focused()
        self.finds_no_barrier()

    def taps(self, name: str, role: Any = "button") -> None:
        """Tap what is called so."""
        self.page.get_by_role(role, name=name).first.tap()

    def goes(self, *steps: str, cabinet: str = CABINET) -> None:
        """Go to a step of a cabinet by its address."""
        to = "/".join(["", "visit", VISIT, "cabinet", cabinet, *steps])
        self.page.evaluate("to => { location.hash = to; }", to)

    def answers(self, question: str, answer: str) -> None:
        """Choose an answer of a question."""
        group = self.page.get_by_role("group", name=question)
        group.get_by_role("radio", name=answer, exact=True).check(force=True)

    def verdict(self) -> Locator:
        """Return the place that says whether one may leave."""
        return self.page.get_by_role("region", name="May you leave?")

    def reads_cautions_and_begins(self) -> None:
        """Load the day, read the cautions of both cabinets, and begin the visit."""
        self.page.goto(f"{day.AT}/field/")
        self.sees("Load your day")
        self.taps("Load the day")
        self.sees("Today")
        self.taps("Harbour Stores", "link")
        for tag in ("TM-0412", "TM-0413"):
            self.sees("Harbour Stores, Quay Street")
            expect(self.page.get_by_role("button", name="Begin the visit")).to_have_count(0)
            self.taps(f"Read the cautions of {tag}", "link")
            self.sees(f"Before you work on {tag}")
            self.taps("I have read these")
        self.sees("Harbour Stores, Quay Street")
        self.taps("Begin the visit")
        expect(self.verdict()).to_contain_text("Do not leave yet.")

    def takes_serial(self, serial: str = SERIAL, *, cabinet: str = CABINET) -> None:
        """Type the serial off the label, and take it."""
        self.goes("label", cabinet=cabinet)
        self.sees("Device label")
        self.page.get_by_label("Or type the serial").fill(serial)
        self.taps("Take this serial")

    def mounts_and_assigns(self, *, cabinet: str = CABINET) -> None:
        """Close the cover, fill in what was used if nobody may drill, and assign."""
        self.goes("mounting", cabinet=cabinet)
        self.sees("Mounting checklist")
        self.taps("I closed the cover")
        self.taps("Go on to assign")
        self.sees("Assign the device")
        self.taps("Assign it now")
        self.sees("First readings")

    def sends(self, *paths: str) -> None:
        """See that these are the last things that the register took, and that the page says all is sent."""
        for _ in range(TRIES):
            if self.register.paths()[-len(paths) :] == [*paths]:
                break
            self.page.wait_for_timeout(100)
        assert self.register.paths()[-len(paths) :] == [*paths]
        expect(self.page.get_by_role("link", name="All sent")).to_be_visible()

    def is_heard(self, tag: str) -> None:
        """See that something more was sent, under this tag."""
        for _ in range(TRIES):
            if len(self.register.tags) > self.heard:
                break
            self.page.wait_for_timeout(100)
        assert self.register.tags[self.heard :] == [tag]
        self.heard += 1

    def checks(self) -> None:
        """Measure with the tape, and check."""
        for field, mm in zip(self.page.locator("[data-sensor]").all(), (610, 600, 641), strict=True):
            field.fill(str(mm))
        self.taps("Check")

    def finds_no_barrier(self) -> None:
        """Nothing serious by axe-core, nothing wider than the phone, no target too small for a glove."""
        built = self.page.evaluate(BUILT)
        if built not in LOOKED_AT:
            self.asks_axe()
            LOOKED_AT.add(built)
        assert self.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        small = self.page.evaluate(
            "least => [...document.querySelectorAll('a.button, a.card, a.step, .bar a, .verdict a, button,"
            " select, input:not([type=file]), [role=slider]')].filter((target) => {"
            " const { width, height } = target.getBoundingClientRect();"
            " return width && (width < least || height < least); }).map((target) => target.outerHTML)",
            TARGET_PX_MIN,
        )
        assert small == []

    def asks_axe(self) -> None:
        """Nothing serious by axe-core."""
        if not self.page.evaluate("Boolean(window.axe)"):
            self.page.evaluate(AXE)
        found = self.page.evaluate(
            "tags => axe.run(document, { runOnly: { type: 'tag', values: tags }, resultTypes: ['violations'],"
            " rules: { 'color-contrast-enhanced': { enabled: true } } })",
            TAGS,
        )
        grave = [
            (broken["id"], [node["html"][:200] for node in broken["nodes"][:3]])
            for broken in found["violations"]
            if broken["impact"] in SERIOUS
        ]
        assert grave == []


@pytest.fixture
def installer(browser: Browser) -> Iterator[Installer]:
    """An installer with a phone on which nothing may go wrong unseen."""
    context = browser.new_context(**PHONE)
    register = Pretended()
    register.serve(context)
    page = context.new_page()
    page.set_default_timeout(10_000)
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(f"error: {error}"))
    page.on(
        "console",
        lambda message: wrong.append(message.text) if "Content Security Policy" in message.text else None,
    )
    yield Installer(page, register)
    context.close()
    assert wrong == []


def test_an_install_goes_from_the_cautions_to_a_sign_off_and_each_screen_is_without_barrier(
    installer: Installer,
) -> None:
    """The whole way of one cabinet: a fail first, a pass after the repair, then the name below it."""
    page, register = installer.page, installer.register
    installer.reads_cautions_and_begins()
    installer.goes("split")
    installer.sees("Front of TM-0412")
    installer.taps("Add a product")
    page.get_by_role("slider").press("PageUp")
    expect(page.get_by_role("slider")).to_have_attribute("aria-valuenow", "60")
    installer.finds_no_barrier()
    installer.taps("Record this")
    installer.sees("TM-0412")
    installer.takes_serial()
    installer.sees("TM-0412")
    installer.mounts_and_assigns()
    register.distances, register.findings = [612, None, 640], [day.FAULT]
    installer.checks()
    expect(page.get_by_text("The check failed", exact=True)).to_be_visible()
    expect(installer.verdict()).to_contain_text("TM-0412: the check failed.")
    expect(page.get_by_role("button", name="Sign off")).to_have_count(0)
    installer.finds_no_barrier()

    register.distances, register.findings = [*day.HEALTHY], []
    installer.taps("Check now")
    installer.taps("Sign off as Wren Calder")
    expect(page.get_by_text("Passed and signed off")).to_be_visible()
    expect(installer.verdict()).not_to_contain_text("TM-0412")
    installer.goes("photos")
    installer.sees("Photos of TM-0412")
    icon = day.STATIC / "registry" / "field" / "icon-192.png"
    page.get_by_label("Label of the device").set_input_files(icon)
    expect(page.get_by_text("Photo of TM-0412: label of the device")).to_be_visible()

    installer.sends(
        "acknowledge", "acknowledge", "begin", "split", "assignments", "mountings", "acceptance",
        "acceptance", "sign-off", "photos",
    )  # fmt: skip
    shares = register.sent[3][1]["shares"]
    assert [share["share"] for share in shares] == ["60", "40"]
    mounting = register.sent[5][1]
    assert mounting["serial_taken_at"] < mounting["cover_closed_at"]
    assert mounting["assignment"] == register.sent[4][1]["id"]
    assert register.sent[7][1]["tape_mm"] == [610, 600, 641]


def test_the_cover_cannot_be_closed_before_the_serial_was_taken(installer: Installer) -> None:
    """Without a serial there is no button to close it; with one there is."""
    page = installer.page
    installer.reads_cautions_and_begins()
    installer.goes("mounting")
    installer.sees("Mounting checklist")
    expect(page.get_by_text("Leave the cover open")).to_be_visible()
    expect(page.get_by_role("button", name="I closed the cover")).to_have_count(0)
    installer.taps("Go on to assign")
    expect(page.get_by_text("Take the serial before the cover is closed.").first).to_be_visible()
    installer.takes_serial()
    installer.sees("TM-0412")
    installer.goes("mounting")
    installer.taps("I closed the cover")
    expect(page.get_by_text("Cover closed, after the serial was taken.")).to_be_visible()


def test_where_the_walls_hold_tubes_no_way_of_drilling_is_offered(installer: Installer) -> None:
    """A cold wall: no drilled exit, and what was used in its stead must be said."""
    page = installer.page
    installer.reads_cautions_and_begins()
    installer.takes_serial(OTHER, cabinet=COLD_WALL)
    installer.sees("TM-0413")
    installer.goes("mounting", cabinet=COLD_WALL)
    installer.sees("Mounting checklist")
    expect(page.get_by_role("radio", name=re.compile("Drilled"))).to_have_count(0)
    installer.answers("How the cable leaves", "Past the door seal")
    installer.taps("I closed the cover")
    installer.taps("Go on to assign")
    expect(page.get_by_text("Say what was used in place of drilling.")).to_be_visible()
    page.get_by_label("What was used in place of drilling").fill("Magnets")
    installer.taps("Go on to assign")
    installer.sees("Assign the device")


def test_a_label_tells_at_once_what_it_is(installer: Installer) -> None:
    """A mistyped serial is refused with the likely one; a stranger is recorded as found."""
    page = installer.page
    installer.reads_cautions_and_begins()
    installer.goes("label")
    installer.sees("Device label")
    field = page.get_by_label("Or type the serial")
    field.fill(MISTYPED)
    expect(page.get_by_text("This is not a serial")).to_be_visible()
    installer.finds_no_barrier()
    expect(page.get_by_role("button", name="Take this serial")).to_have_count(0)
    installer.taps(SERIAL)
    expect(page.get_by_text("It can go into TM-0412.")).to_be_visible()
    field.fill(STRANGER)
    installer.taps("The label says so: record it as found")
    installer.sees("TM-0412")
    installer.goes("assign")
    installer.sees("Assign the device")
    installer.taps("Assign it now")
    installer.sees("First readings")
    installer.sends("provisional")
    _path, body = installer.register.sent[-1]
    assert (body["serial"], body["cabinet"], body["model"]) == (STRANGER, CABINET, day.DEVICE_MODEL)


def test_without_signal_the_page_says_not_to_leave_and_what_waits_can_be_undone(
    installer: Installer,
) -> None:
    """The line is cut: everything is kept, said to be kept, and taken back with what builds on it."""
    page, register = installer.page, installer.register
    installer.reads_cautions_and_begins()
    installer.takes_serial()
    installer.sees("TM-0412")
    register.cut = True
    installer.mounts_and_assigns()
    expect(page.get_by_text("No signal. Not yet checked.")).to_be_visible()
    expect(installer.verdict()).to_contain_text("2 changes not sent yet.")
    installer.checks()
    expect(page.get_by_text("The check is kept, not sent yet")).to_be_visible()
    installer.finds_no_barrier()
    page.reload()
    installer.taps("3 not sent", "link")
    installer.sees("Outbox")
    page.get_by_role("button", name=f"Undo: Check of {SERIAL}").tap()
    installer.taps("Undo this")
    expect(page.get_by_role("link", name="2 not sent")).to_be_visible()
    register.cut = False
    installer.taps("Send now")
    expect(page.get_by_text("Everything is sent")).to_be_visible()
    installer.sends("assignments", "mountings")


def test_what_was_refused_is_told_everywhere_and_repaired_under_the_same_assignment(
    installer: Installer,
) -> None:
    """Found only on sending: the device hangs elsewhere. Another serial takes its place, once."""
    page, register = installer.page, installer.register
    detail = "It hangs in TM-0001 since 20 November. Take another device, or end that assignment first."
    register.refuse["/assignments/"] = {"code": "device_not_free", "detail": detail}
    installer.reads_cautions_and_begins()
    installer.takes_serial()
    installer.sees("TM-0412")
    installer.mounts_and_assigns()
    expect(page.get_by_role("link", name="1 refused, 1 not sent")).to_be_visible()
    expect(page.get_by_text(detail)).to_be_visible()
    installer.taps("1 refused", "link")
    installer.sees("Outbox")
    expect(page.get_by_text(f"Waits until this is repaired: {SERIAL} into TM-0412.")).to_be_visible()
    installer.taps("Repair it", "link")
    installer.sees("Device label")
    page.get_by_label("Or type the serial").fill(OTHER)
    installer.taps("Take this serial")
    installer.sees("TM-0412")
    register.refuse.clear()
    installer.goes("assign")
    installer.sees("Assign the device")
    installer.taps("Send it again")
    installer.sees("First readings")
    installer.sends("assignments", "mountings")
    assert register.sent[-2][1]["serial"] == OTHER
    assert register.sent[-1][1]["assignment"] == register.sent[-2][1]["id"]


def as_the_office_left_it(tag: str, share: int) -> Callable[[dict[str, Any]], None]:
    """Return what the office does to the first cabinet: so many per cent of it for the first product."""

    def edit(pack: dict[str, Any]) -> None:
        cabinet = pack["visits"][0]["cabinets"][0]
        shares = [{"product": EIGHT, "share": f"{share}"}, {"product": TWENTY, "share": f"{100 - share}"}]
        cabinet |= {"etag": tag, "split": shares}

    return edit


def test_the_divider_follows_a_finger(installer: Installer) -> None:
    page = installer.page
    installer.reads_cautions_and_begins()
    installer.goes("split")
    installer.sees("Front of TM-0412")
    installer.taps("Add a product")
    divider = page.get_by_role("slider")
    expect(divider).to_have_attribute("aria-valuenow", "50")
    grip, front = divider.bounding_box(), page.locator(".freezer-front").bounding_box()
    assert grip
    assert front
    y = grip["y"] + grip["height"] / 2
    finger = page.context.new_cdp_session(page)
    path = [0.5, 0.55, 0.6, 0.65, 0.7]
    for at, part in enumerate(path):
        x = front["x"] + part * front["width"]
        kind = "touchMove" if at else "touchStart"
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    expect(divider).to_have_attribute("aria-valuenow", "70")
    page.wait_for_timeout(800)  # the browser takes a tap right after a fling for the fling's end
    installer.taps("Record this")
    installer.sends("split")
    shares = installer.register.sent[-1][1]["shares"]
    assert [share["share"] for share in shares] == ["70", "30"]


def test_what_somebody_changed_meanwhile_is_shown_before_anything_is_sent_again(installer: Installer) -> None:
    page, register = installer.page, installer.register

    installer.reads_cautions_and_begins()
    register.refuse["/split/"] = {"code": "changed_meanwhile", "detail": "Somebody changed this meanwhile."}
    register.others = as_the_office_left_it('"second"', 50)
    installer.goes("split")
    installer.sees("Front of TM-0412")
    installer.taps("Record this")
    expect(page.get_by_role("link", name="1 refused")).to_be_visible()
    installer.heard = len(register.tags)

    # A day that was loaded meanwhile changes nothing of it: what was not looked at is not written over.
    page.evaluate("location.hash = '/day'")
    installer.taps("Load the day")
    installer.sees("Today")
    installer.goes("split")
    installer.sees("Front of TM-0412")
    installer.taps("Record this")
    installer.is_heard('"TM-0412"')
    expect(page.get_by_role("link", name="1 refused")).to_be_visible()

    register.cut = True
    installer.taps("1 refused", "link")
    installer.sees("Outbox")
    expect(page.get_by_role("button", name="Send it again")).to_have_count(0)
    installer.taps("See what changed", "link")
    installer.sees("What changed")
    expect(page.get_by_text("Not looked at yet")).to_be_visible()
    expect(page.get_by_role("button", name="Send mine")).to_have_count(0)
    register.cut = False
    installer.taps("Look again")
    products = page.get_by_role("listitem").filter(has_text="Products")
    expect(products).to_contain_text("You saw: not recorded")
    expect(products).to_contain_text("Now: 8 lb bag 50 %, then 20 lb bag 50 %")
    expect(page.get_by_text("TM-0412: 8 lb bag 100 %")).to_be_visible()
    installer.finds_no_barrier()

    # A third change, between showing and sending: it is shown, too, against what was looked at.
    register.others = as_the_office_left_it('"third"', 30)
    installer.taps("Send mine all the same")
    installer.sees("Outbox")
    installer.is_heard('"second"')
    expect(page.get_by_role("link", name="1 refused")).to_be_visible()
    installer.taps("See what changed", "link")
    installer.sees("What changed")
    expect(products).to_contain_text("You saw: 8 lb bag 50 %, then 20 lb bag 50 %")
    expect(products).to_contain_text("Now: 8 lb bag 30 %, then 20 lb bag 70 %")
    page.reload()  # what was looked at is kept; the choice is still to be made
    installer.sees("What changed")
    register.refuse.clear()
    installer.taps("Send mine all the same")
    installer.sends("split")
    assert register.tags[-1] == '"third"'


def test_leaving_before_the_check_needs_a_reason_in_words(installer: Installer) -> None:
    """The end of the visit says why nobody may leave; those who must say why."""
    page, register = installer.page, installer.register
    installer.reads_cautions_and_begins()
    installer.taps("Finish the visit", "link")
    installer.sees("Finish the visit")
    expect(installer.verdict()).to_contain_text("TM-0413: no device is assigned.")
    installer.taps("Leave all the same")
    expect(page.get_by_text("Say why you leave although it is not checked.")).to_be_visible()
    assert "finish" not in register.paths()
    page.get_by_label("Why you leave all the same").fill("The store closed")
    installer.taps("Leave all the same")
    installer.sees("Today")
    installer.sends("finish")
    assert register.sent[-1][1]["outcome"] == "Left unchecked: The store closed"


def test_a_phone_that_goes_to_somebody_else_asks_for_their_own_day(installer: Installer) -> None:
    page, register = installer.page, installer.register
    installer.reads_cautions_and_begins()
    installer.sends("acknowledge", "acknowledge", "begin")
    register.cut = True
    installer.goes("split")
    installer.sees("Front of TM-0412")
    installer.taps("Record this")  # stays in the outbox, and is Wren's
    installer.sees("TM-0412")

    register.cut, register.person = False, {"id": day.key(52), "name": "Maud Teal", "role": "installer"}
    page.reload()
    installer.sees("Load your day")
    expect(page.get_by_text("The day on this phone is Wren Calder's")).to_be_visible()
    installer.taps("Load the day")
    installer.sees("Today")
    expect(page.get_by_text("Somebody else's work waits on this phone.")).to_be_visible()
    assert register.paths()[-1] == "begin"

    register.person = day.PERSON
    page.reload()
    installer.sends("split")


def test_what_was_done_by_a_wrong_clock_is_told_by_it_though_it_was_put_right_since(
    installer: Installer,
) -> None:
    """A phone 20 minutes fast does something without signal; its clock is right again when it is sent."""
    page, register = installer.page, installer.register
    register.slow = timedelta(minutes=20)
    installer.reads_cautions_and_begins()
    installer.sends("acknowledge", "acknowledge", "begin")
    assert abs(datetime.now(UTC) - register.clocks[-1]) < timedelta(seconds=10)  # as it says, fast as it is
    register.cut = True
    installer.goes("split")
    installer.sees("Front of TM-0412")
    installer.taps("Record this")
    installer.sees("TM-0412")

    # The phone of this test keeps its clock, so the register's comes to it: what it tells is as it would be.
    register.cut, register.slow = False, timedelta(0)
    page.reload()
    installer.sends("split")
    assert abs(datetime.now(UTC) + timedelta(minutes=20) - register.clocks[-1]) < timedelta(seconds=20)


def test_the_kit_of_the_van_is_ticked_off_on_the_phone(installer: Installer) -> None:
    page = installer.page
    page.goto(f"{day.AT}/field/")
    installer.taps("Load the day")
    installer.sees("Today")
    installer.taps("Kit for today: 2 lines", "link")
    installer.sees("Kit for today")
    assert page.get_by_role("listitem").all_inner_texts() == [
        "2 × Rail, 1600 mm",
        "1 tube Sealant Assumed: something is unknown.",
    ]
    page.get_by_role("checkbox", name="Sealant").check()
    page.wait_for_timeout(500)  # until it is on the disk
    page.reload()
    installer.sees("Kit for today")
    expect(page.get_by_role("checkbox", name="Sealant")).to_be_checked()
    expect(page.get_by_role("checkbox", name="Rail")).not_to_be_checked()


def test_a_survey_that_is_left_undone_says_which_cabinet_and_why(installer: Installer) -> None:
    page, register = installer.page, installer.register
    page.goto(f"{day.AT}/field/")
    installer.taps("Load the day")
    installer.sees("Today")
    installer.taps("Tarn Lane Grocers", "link")
    installer.taps("Read the cautions of TM-0601", "link")
    installer.taps("I have read these")
    installer.sees("Tarn Lane Grocers")
    installer.taps("Begin the visit")
    expect(installer.verdict()).to_contain_text("TM-0601: it is not surveyed.")
    installer.taps("Finish the visit", "link")
    installer.sees("Finish the visit")
    page.get_by_label("Why you leave all the same").fill("The back room was locked")
    installer.taps("Leave all the same")
    installer.sends("acknowledge", "begin", "finish")
    assert register.sent[-1][1]["left_out"] == [{"cabinet": SURVEYED, "reason": "The back room was locked"}]


def test_a_visit_that_was_not_released_cannot_be_begun(installer: Installer) -> None:
    """The office comes first; neither the button nor the steps behind it are there."""
    page = installer.page
    installer.reads_cautions_and_begins()
    page.evaluate("to => { location.hash = to; }", f"/visit/{day.COLD_VISIT}")
    installer.sees("Fellgate Fuel")
    expect(page.get_by_text("The office has not released this visit yet.")).to_be_visible()
    expect(page.get_by_role("button", name="Begin the visit")).to_have_count(0)
    page.evaluate("to => { location.hash = to; }", f"/visit/{day.COLD_VISIT}/cabinet/{day.UNKNOWN}/label")
    installer.sees("Fellgate Fuel")
