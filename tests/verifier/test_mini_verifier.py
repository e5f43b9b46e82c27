"""The README's description of a bundle, taken at its word: a verifier written from it says the same."""

import json
import re
import runpy
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from bundles import (
    BUNDLES,
    CASES,
    KEY,
    PROGRAM,
    ROOT,
    TAMPERED,
    UNREADABLE,
    Place,
    status_of_case,
    texts_of,
    with_text,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from mini_verifier import UNREADABLE as REFUSED
from mini_verifier import status_of

VERIFIER = runpy.run_path(str(PROGRAM))
WRITER = runpy.run_path(str(TAMPERED / "write_bundles.py"))
SECTION = (ROOT / "README.md").read_text(encoding="utf-8").split("## The receipt and how to verify it")[1]


def read(name: str) -> str:
    return (BUNDLES / name).read_text(encoding="utf-8")


def program_status(text: str, keys: list[str], kept: list[str]) -> int:
    """Return the status that the program gives, asked in process."""
    try:
        bundle = VERIFIER["take"](VERIFIER["parse"](text), VERIFIER["BUNDLE"])
        checkpoints = [
            VERIFIER["take"](VERIFIER["parse"](each), VERIFIER["CHECKPOINT"], more=True) for each in kept
        ]
    except (ValueError, RecursionError):
        return REFUSED
    if not bundle["checkpoints"]:
        return REFUSED
    status: int = VERIFIER["check"](bundle, checkpoints, keys).status
    return status


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["bundle"])
def test_both_verifiers_agree_on_honest_and_tampered_bundles(case: dict[str, Any]) -> None:
    text, kept = read(case["bundle"]), [read(name) for name in case["kept"]]
    keys = [KEY] if case["key"] else []

    assert status_of(text, keys, kept) == program_status(text, keys, kept) == status_of_case(case)


@pytest.mark.parametrize("text", UNREADABLE.values(), ids=UNREADABLE)
def test_both_verifiers_refuse_what_is_no_bundle(text: str) -> None:
    assert status_of(text, [], []) == program_status(text, [], []) == REFUSED


@pytest.mark.parametrize("name", ["honest_device", "honest_location", "honest_merged", "honest_whole"])
@pytest.mark.parametrize("kept", [[], ["checkpoint_7.json"], ["checkpoint_12.json"]], ids=["none", "7", "12"])
def test_both_verifiers_agree_whatever_was_kept(name: str, kept: list[str]) -> None:
    for keys in ([], [KEY], ["00" * 32], ["00" * 32, KEY]):
        texts = [read(each) for each in kept]
        text = read(f"{name}.json")
        assert status_of(text, keys, texts) == program_status(text, keys, texts)


HONEST = json.loads(read("honest_whole.json"))
PLACES = texts_of(HONEST)


@settings(max_examples=300)
@given(st.sampled_from(PLACES), st.data())
def test_both_verifiers_agree_on_any_text_changed(found: tuple[Place, str], data: st.DataObject) -> None:
    place, text = found
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 3)))
    inserted = data.draw(st.text(st.sampled_from('0a9{}[]":,- \\\nZé\ud800'), max_size=3))
    changed = json.dumps(with_text(HONEST, place, text[:start] + inserted + text[end:]))

    assert status_of(changed, [KEY], []) == program_status(changed, [KEY], [])


NUMBERS = [
    *(
        (("entries", at, name), value)
        for at in (0, 6, 11)
        for name in ("index", "size")
        for value in range(-1, 14)
    ),
    *((("consistency", 0, name), value) for name in ("from", "to") for value in range(-1, 14)),
]


def test_both_verifiers_agree_on_any_number_changed() -> None:
    whole = HONEST | {
        "checkpoints": json.loads(read("honest_device.json"))["checkpoints"],
        "consistency": json.loads(read("honest_device.json"))["consistency"],
    }
    verdicts = []
    for place, value in NUMBERS:
        changed = json.dumps(with_text(whole, place, value))
        verdicts.append(status_of(changed, [KEY], []))
        assert verdicts[-1] == program_status(changed, [KEY], []), place
    assert set(verdicts) == {0, 1, 3}


STRANGE = [None, True, 0, -1, 1.5, 2**53, "", "7", [], [[]], {}, {"path": []}]


def places_of(value: Any, place: Place = ()) -> list[Place]:
    """Return every place in a value, its own included."""
    inner = value.items() if isinstance(value, dict) else enumerate(value if isinstance(value, list) else [])
    return [place, *(found for key, each in inner for found in places_of(each, (*place, key)))]


def test_both_verifiers_agree_on_anything_anywhere_in_a_bundle() -> None:
    bundle = json.loads(read("honest_device.json"))
    for place in places_of(bundle):
        for strange in STRANGE:
            changed = json.dumps(with_text(bundle, place, strange))
            assert status_of(changed, [KEY], []) == program_status(changed, [KEY], []), (place, strange)


def test_both_verifiers_agree_on_anything_anywhere_in_a_body_or_record() -> None:
    """What is strange here was hashed and signed as it stands, so that nothing but its form tells."""
    body, record = WRITER["body_of"](7), json.loads(WRITER["HONEST"].checkpoint(12)["record"])
    subject = {"subject": json.loads(read("honest_device.json"))["subject"]}
    statuses = []
    for strange in STRANGE:
        for place in places_of(body):
            text = json.dumps(with_text(body, place, strange), sort_keys=True, separators=(",", ":"))
            texts = [*WRITER["HONEST"].texts[:6], text, *WRITER["HONEST"].texts[7:]]
            changed = json.dumps(WRITER["Ledger"](texts).bundle((5, 7)) | subject)
            statuses.append(status_of(changed, [KEY], []))
            assert statuses[-1] == program_status(changed, [KEY], []), (place, strange)
        for place in places_of(record):
            text = json.dumps(with_text(record, place, strange), sort_keys=True, separators=(",", ":"))
            changed = json.dumps(WRITER["HONEST"].bundle((5,)) | {"checkpoints": [WRITER["signed"](text)]})
            assert status_of(changed, [KEY], []) == program_status(changed, [KEY], []) == 1, (place, strange)
    assert set(statuses) == {0, 1}  # some members of a body say nothing that is checked


def test_the_readme_gives_the_forms_that_the_program_knows() -> None:
    forms = SECTION.split("```text\n")[1].split("```")[0]
    told = {
        line.split()[0]: set(re.findall(r'"(\w+)":', block))
        for block in re.split(r"\n(?=\w)", forms)
        for line in block.splitlines()[:1]
    }

    for name, form in (
        ("bundle", VERIFIER["BUNDLE"]),
        ("SUBJECT", VERIFIER["THING"]),
        ("CHECKPOINT", VERIFIER["CHECKPOINT"]),
        ("ENTRY", VERIFIER["BUNDLE"]["entries"][0]),
        ("CONSISTENCY", VERIFIER["BUNDLE"]["consistency"][0]),
        ("record", VERIFIER["RECORD"]),
    ):
        assert told[name] == set(form)
    assert told["body"] == {*VERIFIER["BODY"], *VERIFIER["BODY"]["subjects"][0]}


def test_the_readmes_command_verifies(tmp_path: Path) -> None:
    command = re.search(r"^python3 (verify_bundle\.py .*)$", SECTION, flags=re.MULTILINE)
    assert command
    names = {
        "receipt.json": "honest_device.json",
        "kept.json": "checkpoint_7.json",
        "public_key.txt": "public_key.txt",
    }
    for name, stored in names.items():
        (tmp_path / name).write_text(read(stored), encoding="utf-8")
    (tmp_path / PROGRAM.name).write_text(PROGRAM.read_text(encoding="utf-8"), encoding="utf-8")

    done = subprocess.run(
        [sys.executable, *command[1].split()], cwd=tmp_path, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert "All that can be checked here holds." in done.stdout
