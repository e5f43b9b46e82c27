"""A person at the console who uses the keyboard alone."""

import re
from pathlib import Path
from typing import Any

from playwright.sync_api import Locator, Page, expect

from tests.walk.served import PASSWORD, Served

AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text()
TABS_MAX = 200  # stops on the way to anything on one page
SERIOUS = ("serious", "critical")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


class Person:
    """Goes to pages, and reaches what is on them by Tab."""

    def __init__(self, page: Page, register: Served) -> None:
        self.page = page
        self.register = register

    def signs_in(self, username: str) -> "Person":
        """Sign in by keyboard; the focus begins in the first field."""
        self.goes("/console/")
        self.types("Name you sign in with", username)
        self.types("Password", PASSWORD)
        self.page.keyboard.press("Enter")
        expect(self.page.get_by_role("button", name="Sign out")).to_be_visible()
        return self

    def goes(self, path: str) -> None:
        """Open an address."""
        answer = self.page.goto(f"{self.register.url}{path}")
        assert answer is not None
        assert answer.status < 500, f"{path}: {answer.status}"

    def reaches(self, target: Locator) -> None:
        """Press Tab until the target has the focus, and see that the focus shows."""
        expect(target).to_be_visible()
        for _ in range(TABS_MAX):
            if target.evaluate("element => element === document.activeElement"):
                style = target.evaluate(
                    "element => { const s = getComputedStyle(element);"
                    " return [s.outlineStyle, s.outlineWidth, s.boxShadow, s.borderColor]; }"
                )
                assert style[0] != "none" or style[2] != "none", f"the focus does not show: {style}"
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{target} is not reached by keyboard")

    def presses(self, name: str, role: Any = "button", *, exact: bool = True) -> None:
        """Reach a button or link by its name, press Enter, and wait for the page that comes."""
        self.reaches(self.page.get_by_role(role, name=name, exact=exact).first)
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")

    def follows(self, name: str, *, exact: bool = True) -> None:
        """Reach a link by its name, and follow it."""
        self.presses(name, "link", exact=exact)

    def types(self, label: str, text: str, *, within: str = "") -> None:
        """Reach a field by its label, in a group where told, and type into it what it shall hold."""
        field = self.field(label, within)
        self.reaches(field)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def chooses(self, label: str, words: str, *, within: str = "") -> None:
        """Reach a list by its label, and choose what begins so by typing it."""
        field = self.field(label, within)
        self.reaches(field)
        self.page.keyboard.type(words)
        chosen = field.evaluate("element => element.selectedOptions[0].textContent.trim()")
        assert chosen.startswith(words), f"{label}: {chosen!r} is chosen, not {words!r}"

    def field(self, label: str, within: str = "") -> Locator:
        """Return the field with a label that begins so, in the group of that name where told."""
        place = self.page.get_by_role("group", name=within, exact=True) if within else self.page
        labelled = place.get_by_label(re.compile(f"^{re.escape(label)}(?!\\w)"))
        return labelled.and_(self.page.locator("input, select, textarea")).first

    def reads(self, words: str) -> None:
        """See these words on the page."""
        expect(self.page.get_by_text(words).first).to_be_visible()

    def finds_no_barrier(self) -> None:
        """Let axe-core look at the page: nothing serious or critical (WCAG 2.2 A and AA)."""
        if not self.page.evaluate("Boolean(window.axe)"):
            self.page.evaluate(AXE)
        found = self.page.evaluate(
            "tags => axe.run(document,"
            " { runOnly: { type: 'tag', values: tags }, resultTypes: ['violations'] })",
            TAGS,
        )
        grave = [
            (violation["id"], violation["help"], [node["html"][:200] for node in violation["nodes"][:3]])
            for violation in found["violations"]
            if violation["impact"] in SERIOUS
        ]
        assert grave == [], f"{self.page.url}: {grave}"
