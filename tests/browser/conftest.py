"""A real browser and the demo being served: what people do, done by keyboard."""

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.person import Person
from tests.walk.served import Served, served

# Without these, the browser asks hosts on the outside, which no test may.
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's chromium, without a window; its driver's loop would stop database tests while it runs."""
    path = shutil.which("chromium")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is missing, and CI skips nothing")
        pytest.skip("NO CHROMIUM ON THIS MACHINE: install Debian's package chromium")
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield found
        found.close()


@pytest.fixture(scope="module")
def demo() -> Iterator[Served]:
    """The demo's year, served; a module of tests may write into it."""
    with served("sqlite", demo=True) as found:
        yield found


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page at a desk, on which nothing may go wrong unseen."""
    context = browser.new_context(
        viewport={"width": 1280, "height": 900}, locale="en-US", reduced_motion="reduce"
    )
    found = context.new_page()
    wrong: list[str] = []
    found.on("pageerror", lambda error: wrong.append(f"error: {error}"))
    found.on(
        "console",
        lambda message: wrong.append(message.text) if "Content Security Policy" in message.text else None,
    )
    yield found
    context.close()
    assert wrong == []


@pytest.fixture
def odile(page: Page, demo: Served) -> Person:
    """Odile of the office, signed in."""
    return Person(page, demo).signs_in("odile")


@pytest.fixture
def ottilie(page: Page, demo: Served) -> Person:
    """Ottilie the auditor, signed in."""
    return Person(page, demo).signs_in("ottilie")
