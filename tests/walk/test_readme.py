"""The README's walks, run as they stand there against the demo being served."""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator

import pytest

from tests.walk.served import ROOT, Served, served

WALK = (ROOT / "README.md").read_text().split("## Ten minutes each")[1].split("\n## ")[0]
BLOCKS = re.findall(r"^```sh\n(.*?)^```$", WALK, flags=re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def demo() -> Iterator[Served]:
    """The demo, served."""
    if shutil.which("curl") is None:
        if os.environ.get("CI"):
            pytest.fail("curl is missing, and CI skips nothing")
        pytest.skip("NO CURL ON THIS MACHINE: install Debian's package curl")
    with served("sqlite", demo=True) as found:
        yield found


def test_every_command_of_the_walks_does_what_the_readme_says(demo: Served) -> None:
    script = "\n".join(BLOCKS).replace("127.0.0.1:8000", f"127.0.0.1:{demo.port}")
    script = script.replace(".venv/bin/python", sys.executable)
    told = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", _with_marks(script)],
        cwd=ROOT,
        env=demo.environment,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert told.returncode == 0, told.stdout + told.stderr
    answers = told.stdout

    assert '"username":"wren"' in answers
    wrong = re.search(r'"code":"serial_invalid".*?"suggestions":\["(\w+)"', answers)
    assert wrong, answers
    assert f'"serial":"{wrong[1]}"' in answers.split('"near"')[1]
    refused = set(re.findall(r'"type":"/api/v1/problems/(\w+)/"', answers))
    assert refused == {"serial_invalid", "role_forbids"}, "a command of the README was refused unexpectedly"
    assert '"code":"fault_unsettled"' in answers  # what the chain of the faulty device is found to leave open
    assert re.search(rf"^{wrong[1]},\d+,cabinet,", answers, flags=re.MULTILINE)  # the same as a table
    assert "was swapped for" in answers
    assert '"code":"role_forbids"' in answers
    assert '"reaches_back":true' in answers, "the swap that was put right reaches back before the bill"
    assert "\nyes,2026-11-21 14:00 UTC,place of device" in answers, "the sheet tells it, too"
    assert "Nothing was found" in answers
    assert "By the checkpoint and the public key from outside" in answers
    assert demo.command("audit")


def _with_marks(script: str) -> str:
    """Return the script with each answer on a line of its own."""
    return script.replace("ask() { curl", "ask() { curl -w '\\n'")
