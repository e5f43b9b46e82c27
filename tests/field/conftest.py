"""The field page's modules in a real browser, at a phone's size."""

import mimetypes
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, Route, sync_playwright

from tests.browser.conftest import FLAGS
from tests.field.phone import sign_in
from tests.field.yard import Yard, open_yard

STATIC = Path(__file__).resolve().parents[2] / "registry" / "static"
PHONE: Any = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "reduced_motion": "reduce"}


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    """What drives browsers; its loop would stop database tests while it runs."""
    if shutil.which("chromium") is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is missing, and CI skips nothing")
        pytest.skip("NO CHROMIUM ON THIS MACHINE: install Debian's package chromium")
    with sync_playwright() as found:
        yield found


@pytest.fixture(scope="module")
def browser(playwright: Playwright) -> Iterator[Browser]:
    """Debian's chromium, without a window."""
    found = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
    yield found
    found.close()


@pytest.fixture(scope="session")
def yard() -> Iterator[Yard]:
    """A register that is served, for all tests of a process: they name what they make."""
    with open_yard() as found:
        yield found


@pytest.fixture(scope="module")
def signed_in(browser: Browser, yard: Yard) -> Any:
    """Return the cookies of hester's phone, so that not each test waits for a password."""
    context = browser.new_context(**PHONE)
    sign_in(context.new_page(), yard.register)
    found = context.storage_state()
    context.close()
    return found


@pytest.fixture
def context(browser: Browser, signed_in: Any) -> Iterator[BrowserContext]:
    """Hester's phone, signed in, with nothing on it."""
    found = browser.new_context(**PHONE, storage_state=signed_in)
    yield found
    found.close()


@pytest.fixture(scope="module")
def modules(browser: Browser) -> Iterator[Page]:
    """An empty page that can import the modules of the field page, with no register behind it."""
    context = browser.new_context(**PHONE)
    page = context.new_page()
    serve_files(context)
    page.goto("http://localhost:9/empty")
    yield page
    context.close()


def serve_files(context: BrowserContext) -> None:
    """Answer with the project's own static files, and with an empty page for everything else."""

    def answer(route: Route) -> None:
        path = STATIC / route.request.url.split("/static/", 1)[-1].split("?")[0]
        if "/static/" in route.request.url and path.is_file():
            kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
            route.fulfill(body=path.read_bytes(), content_type=kind)
        else:
            route.fulfill(body="<!doctype html><title>empty</title>", content_type="text/html")

    context.route("**/*", answer)
