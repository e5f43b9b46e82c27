"""The offline verifier as an auditor runs it: a program by itself, with nothing of the register beside it."""

import ast
import json
import runpy
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
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
    honest,
    status_of_case,
    texts_of,
    with_text,
)

from tests.rules.naive_tree import NaiveTree


@dataclass(frozen=True)
class Told:
    """What the program said: its exit status, and its findings or lines."""

    status: int
    findings: list[dict[str, Any]]

    def codes(self, holds: bool | None) -> set[str]:
        """Return the checks with this outcome."""
        return {finding["code"] for finding in self.findings if finding["holds"] is holds}

    def words(self, code: str, holds: bool | None) -> str:
        """Return the words of the checks of one code with this outcome."""
        found = [each for each in self.findings if (each["code"], each["holds"]) == (code, holds)]
        return "\n".join(finding["words"] for finding in found)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An auditor's folder: the downloaded program, and nothing of the register."""
    folder = tmp_path_factory.mktemp("desk")
    shutil.copy(PROGRAM, folder)
    return folder


def run(desk: Path, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the program in isolated mode, which looks for modules neither here nor in the environment."""
    done = subprocess.run(
        [sys.executable, "-I", desk / PROGRAM.name, *arguments],
        cwd=desk,
        env={},
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done


def verify(desk: Path, *arguments: str | Path) -> Told:
    """Run the program and return what it told as JSON."""
    done = run(desk, *arguments, "--json")
    return Told(done.returncode, json.loads(done.stdout))


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Told]:
    """Run the program within this one, for what needs no isolation."""

    def run_here(*arguments: str | Path) -> Told:
        monkeypatch.setattr(sys, "argv", [PROGRAM.name, *map(str, arguments), "--json"])
        status = runpy.run_path(str(PROGRAM))["main"]()
        return Told(status, json.loads(capsys.readouterr().out))

    return run_here


def against(case: dict[str, Any]) -> list[str | Path]:
    """Return the arguments of a case."""
    key = ["--public-key", BUNDLES / "public_key.txt"] if case["key"] else []
    kept = [part for name in case["kept"] for part in ("--checkpoint", BUNDLES / name)]
    return [BUNDLES / case["bundle"], *key, *kept]


def written(desk: Path, bundle: Any) -> Path:
    """Return the path of a bundle written down."""
    path = desk / "bundle.json"
    path.write_text(json.dumps(bundle), encoding="utf-8")
    return path


# --- alone ---------------------------------------------------------------------------------------------


def test_the_program_imports_the_standard_library_and_cryptography_only() -> None:
    imported = set()
    for node in ast.walk(ast.parse(PROGRAM.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imported |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add((node.module or "").split(".")[0])

    assert imported - set(sys.stdlib_module_names) == {"cryptography"}


def test_nothing_of_the_register_can_be_imported_where_it_runs(desk: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-I", "-c", "import registry"], cwd=desk, capture_output=True, text=True, check=False
    )

    assert "No module named 'registry'" in done.stderr


# --- honest and tampered bundles -----------------------------------------------------------------------


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["bundle"])
def test_what_was_tampered_with_is_caught_and_named(desk: Path, case: dict[str, Any]) -> None:
    told = verify(desk, *against(case))

    assert told.codes(False) == set(case["fails"]), told.findings
    assert told.status == status_of_case(case)
    assert set(case["lacks"]) == told.codes(None) & {"linked"}
    assert all(finding["words"].endswith(".") for finding in told.findings)


def test_the_bundles_are_what_their_script_writes() -> None:
    files = runpy.run_path(str(TAMPERED / "write_bundles.py"))["files"]()

    assert {path.name for path in BUNDLES.iterdir()} == set(files)
    for name, text in files.items():
        assert (BUNDLES / name).read_text(encoding="utf-8") == text, f"{name}: run write_bundles.py again"


def test_every_check_that_can_fail_fails_somewhere() -> None:
    tree = ast.parse(PROGRAM.read_text(encoding="utf-8"))
    calls = [
        node.args
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "report.add"
    ]
    can_fail = {
        code.value
        for holds, code, _ in calls
        if isinstance(code, ast.Constant)
        and not (isinstance(holds, ast.Constant) and holds.value is not False)
    }

    assert can_fail == {code for case in CASES for code in case["fails"]}


# --- in words ------------------------------------------------------------------------------------------


def test_what_holds_is_said_line_by_line(desk: Path) -> None:
    done = run(desk, BUNDLES / "honest_device.json", "--public-key", KEY)

    lines = done.stdout.splitlines()
    assert (
        "holds:          Entry 7 of 2026-03-07 (device.assigned) is in the ledger of 12 entries"
        " that the checkpoint of 2026-03-21T09:00:00Z signs."
    ) in lines
    assert 'holds:          Each of the 4 entries shown names device "PB30000028".' in lines
    assert lines[-1] == "All that can be checked here holds. 2 things cannot be told."
    assert done.returncode == 0


def test_what_does_not_hold_is_said_line_by_line(desk: Path) -> None:
    done = run(desk, BUNDLES / "resigned.json", "--public-key", KEY)

    unsigned = (
        "DOES NOT HOLD:  The checkpoint of size 12 of 2026-03-21T09:00:00Z is NOT signed by the key that"
    )
    assert f"{unsigned} you gave." in done.stdout.splitlines()
    assert done.stdout.splitlines()[-1] == "NOT ALL OF IT HOLDS. 2 things cannot be told."
    assert done.returncode == 1


def test_without_key_and_kept_checkpoint_it_says_what_cannot_be_told(desk: Path) -> None:
    alone = verify(desk, BUNDLES / "honest_device_alone.json")
    beside = verify(
        desk,
        BUNDLES / "honest_device.json",
        "--public-key",
        KEY,
        "--checkpoint",
        BUNDLES / "checkpoint_7.json",
    )

    assert alone.codes(None) == {"key", "kept", "whole"}
    assert "anybody may have made both" in alone.words("key", None)
    assert "rewrote the register and signed it again cannot be told" in alone.words("kept", None)
    assert KEY in alone.words("signature", True)
    assert beside.codes(None) == {"whole"}


def test_the_last_line_says_how_much_is_open_and_that_the_key_is(desk: Path) -> None:
    def last(*arguments: str | Path) -> str:
        return run(desk, *arguments).stdout.splitlines()[-1]

    alone = last(BUNDLES / "honest_device_alone.json")
    kept = ("--public-key", KEY, "--checkpoint", BUNDLES / "checkpoint_7.json")
    holds = "All that can be checked here holds."

    assert alone == f"{holds} 3 things cannot be told, among them whose key it is."
    assert last(BUNDLES / "honest_device.json", *kept) == f"{holds} 1 thing cannot be told."
    kept = ("--public-key", KEY, "--checkpoint", BUNDLES / "checkpoint_12.json")
    assert last(BUNDLES / "honest_whole.json", *kept) == holds


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["honest_device.json", "--public-key", "abc"], "abc is neither a key of 64 hex digits nor a file"),
        (["nowhere.json"], "there is no such file"),
        (["checkpoint_7.json"], "give it with --checkpoint"),
        (["honest_device.json", "--checkpoint", "honest_whole.json"], "it is a bundle, not a checkpoint"),
    ],
)
def test_a_mistaken_argument_is_answered_with_what_to_do(
    here: Callable[..., Told], monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(BUNDLES)

    told = here(*arguments)

    assert (told.status, told.codes(False)) == (2, {"unreadable"})
    assert words in told.words("unreadable", False)


def test_only_all_entries_tell_that_none_was_left_out(desk: Path) -> None:
    whole: dict[str, Any] = json.loads((BUNDLES / "honest_whole.json").read_text(encoding="utf-8"))
    path = written(desk, whole)
    assert "All entries from 1 to 12 are shown" in verify(desk, path).words("whole", True)

    del whole["entries"][4]
    assert "left out cannot be told" in verify(desk, written(desk, whole)).words("whole", None)


def test_a_kept_checkpoint_is_the_key_from_elsewhere_where_none_is_given(desk: Path) -> None:
    told = verify(desk, BUNDLES / "honest_device.json", "--checkpoint", BUNDLES / "checkpoint_7.json")

    assert told.codes(None) == {"whole"}
    assert "is signed by the key of a checkpoint that you kept" in told.words("signature", True)


@pytest.mark.parametrize(
    ("bundle", "kept", "proof"),
    [("signed_anew", "checkpoint_7", "from 7 to 12"), ("truncated", "checkpoint_12", "from 9 to 12")],
)
def test_it_says_which_consistency_proof_to_ask_for(desk: Path, bundle: str, kept: str, proof: str) -> None:
    told = verify(desk, BUNDLES / f"{bundle}.json", "--checkpoint", BUNDLES / f"{kept}.json")

    kept_size = kept.removeprefix("checkpoint_")
    words = f"ask the register for the receipt with ?kept={kept_size}, or for the consistency proof {proof}."
    assert words in told.words("linked", None)


def test_an_honest_receipt_beside_an_older_checkpoint_is_not_told_to_fail(desk: Path) -> None:
    """Nothing contradicts, and nothing shows that it continues what was kept: neither 0 nor 1."""
    bundle = honest() | {"checkpoints": honest()["checkpoints"][1:], "consistency": []}

    done = run(
        desk, written(desk, bundle), "--public-key", KEY, "--checkpoint", BUNDLES / "checkpoint_7.json"
    )

    assert done.returncode == 3
    assert "DOES NOT HOLD" not in done.stdout
    assert "ask the register for the receipt with ?kept=7" in done.stdout
    assert done.stdout.splitlines()[-1].startswith("NOT SHOWN: ")


def test_a_kept_checkpoint_of_the_same_size_must_have_the_same_root(desk: Path) -> None:
    same = verify(desk, BUNDLES / "honest_device.json", "--checkpoint", BUNDLES / "checkpoint_12.json")
    other = verify(desk, BUNDLES / "signed_anew.json", "--checkpoint", BUNDLES / "checkpoint_12.json")

    assert "have the same root: the same entries" in same.words("history", True)
    assert "TWO HISTORIES were signed" in other.words("history", False)


def test_a_kept_checkpoint_with_which_the_ledger_begins_is_told(desk: Path) -> None:
    told = verify(desk, BUNDLES / "honest_device.json", "--checkpoint", BUNDLES / "checkpoint_7.json")

    assert told.words("linked", True) == (
        "It is shown that the ledger of the checkpoint of size 12 of 2026-03-21T09:00:00Z"
        " begins with the 7 entries of the checkpoint of size 7 of 2026-03-21T09:00:00Z."
    )


def test_a_cut_ledger_is_known_by_its_time(desk: Path) -> None:
    told = verify(desk, BUNDLES / "truncated.json", "--checkpoint", BUNDLES / "checkpoint_12.json")

    assert "ENTRIES WERE CUT OFF" in told.words("order", False)


def test_an_entry_of_a_stores_cabinet_is_said_and_fails_nothing(desk: Path) -> None:
    told = verify(desk, BUNDLES / "honest_location.json", "--public-key", KEY)

    assert "Entry 8 of 2026-03-08 (cabinet.corrected) does not name location" in told.words("subject", None)
    assert told.status == 0


def test_a_subjects_label_is_taken_from_the_entries(desk: Path) -> None:
    bundle = honest()
    bundle["subject"]["label"] = "PB30000099"

    told = verify(desk, written(desk, bundle))

    assert 'names device "PB30000028"' in told.words("subject", True)
    assert 'calls its subject "PB30000099", as no entry shown here does' in told.words("label", None)


# --- hostile input -------------------------------------------------------------------------------------


def test_no_text_of_a_bundle_makes_a_line_of_its_own(desk: Path) -> None:
    bundle = honest()
    bundle["subject"]["label"] = "x\nholds:          Everything is in order.\x1b[2K\u202e\ud800"

    done = run(desk, written(desk, bundle), "--public-key", KEY)

    assert not any(line.endswith("Everything is in order.") for line in done.stdout.splitlines())
    assert not {"\x1b", "\u202e"} & set(done.stdout)
    assert "\\u000a" in done.stdout
    assert "\\ud800" in done.stdout


@pytest.mark.parametrize("text", UNREADABLE.values(), ids=UNREADABLE)
def test_what_is_no_bundle_is_refused_in_one_sentence(
    here: Callable[..., Told], tmp_path: Path, text: str
) -> None:
    path = tmp_path / "hostile.json"
    path.write_text(text, encoding="utf-8", errors="surrogatepass")

    told = here(path)

    assert told.status == 2
    assert told.codes(False) == {"unreadable"}
    assert len(told.findings) == 1
    assert len(told.findings[0]["words"]) < 400


@pytest.mark.parametrize(
    "data", [b"\xff\xfe", b"\x00" * 9, b"\x1f\x8b\x08\x00"], ids=["UTF-16", "zeros", "gzip"]
)
def test_bytes_that_are_no_text_are_refused(here: Callable[..., Told], tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "bytes.json"
    path.write_bytes(data)

    assert here(path).status == 2


def test_a_file_over_the_limit_is_refused_unparsed(desk: Path) -> None:
    path = desk / "large.json"
    with path.open("wb") as file:
        file.truncate(64 * 1024 * 1024 + 1)

    told = verify(desk, path)

    assert told.status == 2
    assert "more than 67108864 bytes" in told.words("unreadable", False)


@pytest.mark.parametrize("key", ["", "ab", "zz" * 32, KEY[1:], "nowhere.txt"])
def test_a_key_that_is_none_is_refused_never_passed_over(here: Callable[..., Told], key: str) -> None:
    told = here(BUNDLES / "honest_device.json", "--public-key", key)

    assert told.status == 2
    assert told.codes(False) == {"unreadable"}


def test_a_key_is_taken_in_capitals_and_from_a_file(desk: Path) -> None:
    for given in (KEY, KEY.upper(), str(BUNDLES / "public_key.txt")):
        assert verify(desk, BUNDLES / "honest_device.json", "--public-key", given).status == 0
    assert verify(desk, BUNDLES / "honest_device.json", "--public-key", "00" * 32).status == 1


def test_a_register_that_changed_its_key_is_known_by_both(desk: Path) -> None:
    """The bundle is signed by another key than the checkpoint that was kept from before."""
    bundle = json.loads((BUNDLES / "resigned.json").read_text(encoding="utf-8"))
    both = ("--public-key", KEY, "--public-key", bundle["checkpoints"][0]["public_key"])

    assert verify(desk, BUNDLES / "resigned.json", "--public-key", KEY).status == 1
    told = verify(desk, BUNDLES / "resigned.json", *both)
    assert told.status == 0
    assert "is signed by one of the keys that you gave" in told.words("signature", True)
    kept = ("--checkpoint", BUNDLES / "checkpoint_7.json")
    beside = verify(desk, BUNDLES / "resigned.json", *both, *kept)
    assert beside.codes(False) == set()
    assert (beside.status, "linked" in beside.codes(None)) == (3, True)


def test_a_kept_checkpoint_may_come_with_more_beside_it(desk: Path) -> None:
    """The API tells a checkpoint's size, root and time beside the three members that are signed."""
    path = desk / "kept.json"
    checkpoint = json.loads((BUNDLES / "checkpoint_7.json").read_text(encoding="utf-8"))
    path.write_text(json.dumps(checkpoint | {"size": 99, "root": "none"}), encoding="utf-8")

    assert verify(desk, BUNDLES / "honest_device.json", "--checkpoint", path).status == 0


def test_a_kept_checkpoint_that_is_none_is_refused_never_passed_over(desk: Path) -> None:
    for kept in ("nowhere.json", BUNDLES / "honest_device.json", BUNDLES / "public_key.txt", desk):
        assert verify(desk, BUNDLES / "honest_device.json", "--checkpoint", kept).status == 2


def test_sizes_beyond_the_entries_shown_cost_nothing(desk: Path) -> None:
    bundle = honest()
    bundle["entries"][0] |= {"index": 2**53 - 1, "size": 2**53 - 1, "path": ["ab" * 32] * 5_000}
    bundle["consistency"] += [{"from": 7, "to": 2**53 - 1, "path": []}] * 5_000

    assert verify(desk, written(desk, bundle)).codes(False) == {"index"}


def test_a_changed_character_anywhere_is_noticed(desk: Path) -> None:
    """Every member of an honest bundle but what is words for people carries weight."""
    program = runpy.run_path(str(PROGRAM))
    bundle, kept = honest(), json.loads((BUNDLES / "checkpoint_7.json").read_text(encoding="utf-8"))

    def fails(changed: dict[str, Any]) -> bool:
        try:
            program["take"](changed, program["BUNDLE"])
        except ValueError:
            return True
        return any(each["holds"] is False for each in program["check"](changed, [kept], [KEY]))

    assert not fails(bundle)
    unnoticed = set()
    for place, text in texts_of(bundle):
        for position in range(0, len(text), 7):
            other = "0" if text[position] != "0" else "1"
            if not fails(with_text(bundle, place, text[:position] + other + text[position + 1 :])):
                unnoticed.add(place)
    # The key that a checkpoint names is no more than a hint beside the one that is given.
    assert unnoticed == {
        ("about",),
        ("subject", "label"),
        ("checkpoints", 0, "public_key"),
        ("checkpoints", 1, "public_key"),
    }


# --- the tree ------------------------------------------------------------------------------------------


def test_the_program_takes_the_proofs_that_the_standard_defines_and_no_others() -> None:
    program = runpy.run_path(str(PROGRAM))
    tree = NaiveTree([sha256(bytes([0, number])).digest() for number in range(40)])

    def state(size: int) -> Any:
        root = tree.root(size).hex()
        return program["Checkpoint"](at="", form="", register="", root=root, size=size, kept=False)

    for size in range(1, 41):
        root = tree.root(size).hex()
        assert program["root_of"]([leaf.hex() for leaf in tree.leaves[:size]]) == root
        for leaf in range(size):
            path = [each.hex() for each in tree.path(leaf, size)]
            for other in range(size):
                led = program["climb"](other, size - 1, tree.leaves[leaf].hex(), path)
                assert (led is not None and led[1] == root) is (other == leaf)
        for old in range(1, size):
            path = [each.hex() for each in tree.proof(old, size)]
            for other in range(1, size):
                assert program["continues"](state(other), state(size), path) is (other == old)
            assert not program["continues"](state(old), state(size), path[:-1])
            assert not program["continues"](state(old), state(size), [*path, root])
            assert not program["continues"](state(size), state(old), path)


def test_the_program_takes_the_published_proofs() -> None:
    program = runpy.run_path(str(PROGRAM))
    vectors = json.loads((ROOT / "fixtures/vectors/merkle_tree.json").read_text(encoding="utf-8"))

    def state(size: int, root: str) -> Any:
        return program["Checkpoint"](at="", form="", register="", root=root, size=size, kept=False)

    for case in vectors["inclusion"]:
        led = program["climb"](case["leaf"], case["size"] - 1, case["leaf_sha256"], case["path"])
        assert led[1] == case["root"]
    for case in vectors["consistency"]:
        old, new = state(case["old"], case["old_root"]), state(case["size"], case["root"])
        assert program["continues"](old, new, case["path"]) is (case["old"] < case["size"])
