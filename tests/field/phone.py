"""A phone whose browser is killed as a battery dies, and a register for it to talk to."""

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, Playwright, expect

from tests.browser.conftest import FLAGS
from tests.walk.served import PASSWORD, Served

STARTS_WITHIN_S = 20
FIELD = "/static/registry/field"
# What a test says to the page: each word is one of the modules' exports.
USE = f"""const [queue, sending, store, clock] = await Promise.all(
    ['queue', 'sending', 'store', 'clock'].map((name) => import(`{FIELD}/${{name}}.js`)));"""


class Phone:
    """A browser in a process of its own, with a disk that outlives it."""

    def __init__(self, playwright: Playwright, home: Path) -> None:
        self.home = home
        path = shutil.which("chromium")
        assert path is not None
        told = home / "DevToolsActivePort"
        told.unlink(missing_ok=True)
        self.process = subprocess.Popen(
            [path, *FLAGS, "--headless=new", "--remote-debugging-port=0", f"--user-data-dir={home}"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        until = time.monotonic() + STARTS_WITHIN_S
        while not told.exists() or not told.read_text().strip():
            assert time.monotonic() < until, "the browser did not start"
            time.sleep(0.05)
        port = told.read_text().split()[0]
        try:
            self.browser = playwright.chromium.connect_over_cdp(f"http://127.0.0.1:{port}")
        except BaseException:
            self.dies()
            raise
        self.context = self.browser.contexts[0]
        self.page = self.context.new_page()

    def dies(self) -> None:
        """Kill it with all its processes, without a word: one that lived on would hold the disk."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(10)


def sign_in(page: Page, register: Served, username: str = "hester") -> None:
    """Sign in to the field page, and wait until it is there."""
    page.goto(f"{register.url}/field/sign-in/")
    page.get_by_label("Name you sign in with").fill(username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{register.url}/field/")
    expect(page.locator("main")).to_be_visible()


def ask(page: Page, script: str, *arguments: Any) -> Any:
    """Run a script of the modules' exports, with `given` as its arguments, and return its answer."""
    return page.evaluate(f"async (given) => {{ {USE} {script} }}", list(arguments))


def kept(page: Page) -> list[tuple[str, str]]:
    """Return what is in the outbox: (words, state)."""
    rows = ask(page, "return queue.entries();")
    return [(row["words"], row["state"]) for row in rows]
