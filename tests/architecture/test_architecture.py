"""The shape of the project itself: rooms, sizes, documents, set-up."""

import ast
import importlib
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.apps import apps
from django.core.management import get_commands

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("rules", "models", "queries", "actions", "api", "console", "field")
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "manage.py",
    "pyproject.toml",
    "registry",
    "config",
    "tests",
    "fixtures",
}
FUNCTION_LINES_MAX = 70
MODULE_LINES_MAX = 400
# The offline verifier is one file by design: whoever checks a receipt reads and carries one file.
LINES_OF = {"verify_bundle.py": 450}
SETTINGS_LINES_MAX = 250
SOURCES = [path for path in (ROOT / "registry").rglob("*.py") if "migrations" not in path.parts]


def tracked() -> list[str]:
    """Return the files that git tracks or would track."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if listed.returncode:
        pytest.skip("not a git checkout")
    return [name for name in listed.stdout.splitlines() if (ROOT / name).exists()]


def test_the_top_level_is_fixed() -> None:
    names = {name.split("/")[0] for name in tracked()}

    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_imports_keep_their_directions() -> None:
    linter = Path(sys.executable).with_name("lint-imports")

    done = subprocess.run([linter], cwd=ROOT, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_functions_and_modules_stay_small(path: Path) -> None:
    text = path.read_text()
    long = [
        f"{node.name}: {node.end_lineno - node.lineno + 1}"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef) and node.end_lineno - node.lineno >= FUNCTION_LINES_MAX
    ]

    assert long == []
    assert len(text.splitlines()) <= LINES_OF.get(path.name, MODULE_LINES_MAX)


def test_settings_stay_small() -> None:
    assert len((ROOT / "config/settings.py").read_text().splitlines()) <= SETTINGS_LINES_MAX


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_public_things_have_docstrings(path: Path) -> None:
    tree = ast.parse(path.read_text())
    bare = [
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]

    assert bare == []
    assert ast.get_docstring(tree) or not path.read_text().strip()


def test_the_table_of_nouns_is_the_tree() -> None:
    rows = re.findall(
        r"^\| (\w+) " + r"\| (yes|-) " * len(ROOMS) + r"\|$",
        (ROOT / "DEVELOPERS.md").read_text(),
        flags=re.MULTILINE,
    )
    told = {
        (noun, room)
        for noun, *cells in rows
        for room, cell in zip(ROOMS, cells, strict=True)
        if cell == "yes"
    }
    found = {
        (entry.stem, room)
        for room in ROOMS
        for entry in (ROOT / "registry" / room).iterdir()
        if not entry.name.startswith("_") and entry.name not in ("base.py", "urls.py", "addresses.py")
    }

    assert told == found


def test_the_readme_names_every_setting_and_no_other() -> None:
    read = set(re.findall(r'env\.\w+\(\s*"(\w+)"', (ROOT / "config/settings.py").read_text()))
    told = set(re.findall(r"^\| `RIMEBOOK_(\w+)`", (ROOT / "README.md").read_text(), flags=re.MULTILINE))

    assert told == read


def test_the_readme_names_every_command_of_ours() -> None:
    ours = {name for name, app in get_commands().items() if app == "registry"}
    told = set(re.findall(r"`manage\.py (\w+)`", (ROOT / "README.md").read_text()))

    assert ours <= told


def test_the_readme_names_only_actions_that_exist() -> None:
    from registry import actions
    from registry.actions._action import ACTIONS

    for module in pkgutil.iter_modules(actions.__path__):
        importlib.import_module(f"registry.actions.{module.name}")
    table = (ROOT / "README.md").read_text().split("## Who does what here")[1].split("What a rule forbids")[0]
    named = set(re.findall(r"`(\w+)`", table)) - {"location_timeline", "device_trace"}

    assert named <= set(ACTIONS)


def test_ci_runs_the_commands_of_the_readme() -> None:
    commands = re.findall(r"^python3 -m venv .*$", (ROOT / "README.md").read_text(), flags=re.MULTILINE)

    assert len(commands) == 2
    assert commands[1] in (ROOT / ".ci/run").read_text().splitlines()


@pytest.mark.parametrize("name", ["requirements.txt", "requirements-dev.txt"])
def test_locks_pin_by_hash_and_name_no_address(name: str) -> None:
    text = (ROOT / "config" / name).read_text()
    pins = re.findall(r"^[a-zA-Z0-9_.\[\]-]+==", text, flags=re.MULTILINE)

    assert "://" not in text
    assert pins
    assert text.count("--hash=sha256:") >= len(pins)


def test_no_file_names_a_path_of_this_machine() -> None:
    home = str(ROOT)
    naming = [
        name
        for name in tracked()
        if (ROOT / name).suffix in {".py", ".md", ".toml", ".json", ".jsonl", ".txt", ".html", ".css", ""}
        and home in (ROOT / name).read_text(errors="ignore")
    ]

    assert naming == []


def test_the_models_and_the_migrations_agree(db: None) -> None:
    from django.core.management import call_command

    call_command("makemigrations", "--check", "--dry-run", verbosity=0)


def test_no_model_saves_or_signals_by_itself() -> None:
    overriding = [
        model.__name__
        for model in apps.get_app_config("registry").get_models()
        if "save" in vars(model) or "delete" in vars(model)
    ]

    assert overriding == []
