"""Take each protection away, in a copy of the tree, and see which test notices.

Run by hand, from the root of the project: `.venv/bin/python tests/architecture/remove_protection.py`.
Protections are every guard, every check and unique constraint of the migrations, and the lines of LINES.
`--only` chooses by a pattern, `--jobs` runs some at once. Ends with 1 where one was not missed.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import Queue

ROOT = Path(__file__).resolve().parents[2]
MIGRATIONS = tuple(
    f"registry/migrations/{name}.py"
    for name in (
        "0001_founding",
        "0002_tokens_and_answers",
        "0003_checkpoints",
        "0004_counts",
        "0005_readings",
        "0006_visits",
        "0007_acceptance",
        "0008_mountings",
        "0009_count_results",
    )
)
GUARDS = "registry/ledger/guards.py"
COPIED = ("registry", "tests", "config", "fixtures")
REQUESTS = ("tests/actions/test_requests_actions.py", "tests/actions/test_rehearsals_actions.py")
HIDDEN = ("tests/actions/test_hidden_actions.py", "tests/actions")
AUDIT = tuple(f"tests/ledger/test_audit_{name}.py" for name in ("ledger", "tables", "erasures", "bounds"))
TREE = ("tests/ledger/test_audit_tree.py",)
SIGNING = (
    "tests/actions/test_checkpoints_actions.py",
    "tests/ledger/test_tree.py",
    "tests/rules/test_rules_checkpoints.py",
    "tests/queries/test_queries_receipts.py",
    "tests/api/test_checkpoints_api.py",
    "tests/console/test_checkpoints_pages.py",
)
READINGS = (
    "tests/actions/test_readings_actions.py",
    "tests/api/test_readings_api.py",
    "tests/ledger/test_audit_readings.py",
)
COUNTING = ("tests/actions/test_counts_actions.py", "tests/rules", "tests/api/test_counts_api.py")
PHOTOS = ("tests/ledger/test_audit_photos.py", "tests/actions/test_photos_actions.py")
ACCEPTED = ("tests/actions/test_acceptance_actions.py", "tests/rules/test_rules_acceptance.py")
MOUNTED = ("tests/rules/test_rules_mountings.py", "tests/actions/test_mountings_actions.py")
VISITING = (
    "tests/actions/test_visits_actions.py",
    "tests/rules/test_rules_visits.py",
    "tests/actions/test_acceptance_actions.py",
)
ALL_TESTS = ("tests/rules", "tests/actions", "tests/queries", "tests/ledger", "tests/models")

# Which tests to ask first for a guard that one table alone has.
SINGLE = {
    "next_index": "entry",
    "time_onward": "time",
    "simulated_first": "simulated",
    "newest_entry": "subjects",
    "before_split": "share",
    "whole": "whole",
    "only_erased": "erased",
    "unsealed": "unsealed",
    "sealed_once": "sealed",
    "planned_first": "planned_first",
    "in_turn": "state_to_state",
    "over": "planned_first",
    "of_a_visit": "called_off",
    "same_visit": "own_location",
}

# Conditions in the code: file, a part of the line (its `if` never holds, or the line itself goes), tests.
LINES: list[tuple[str, str, tuple[str, ...]]] = [
    ("registry/actions/readings.py", "require_own(report.serial, own)", READINGS),
    ("registry/actions/readings.py", "require_same(report, held)", READINGS),
    ("registry/actions/readings.py", "check_size(len(batch))", READINGS),
    ("registry/actions/readings.py", "if until is None:", READINGS),
    ("registry/rules/readings.py", "until = until if sealed is None else max(until", READINGS),
    ("registry/actions/acceptance.py", "if check.signed_off_at is not None:", ACCEPTED),
    ("registry/actions/acceptance.py", "if check.result == Result.FAIL:", ACCEPTED),
    ("registry/actions/acceptance.py", "_require_newest(writing, check)", ACCEPTED),
    ("registry/actions/acceptance.py", "if newest is not None and newest.pk != check.pk:", ACCEPTED),
    ("registry/actions/acceptance.py", "if hangs != (check.device_id", ACCEPTED),
    ("registry/actions/acceptance.py", "if at.place.valid_to is not None:", ACCEPTED),
    ("registry/actions/acceptance.py", "if cabinet is None or stay is None", ACCEPTED),
    ("registry/actions/acceptance.py", "check_tape(tape_mm, at.device", ACCEPTED),
    ("registry/ledger/audit.py", "check_readings(report)", READINGS),
    ("registry/queries/readings.py", "if not seen_serials(", READINGS),
    ("registry/api/readings.py", 'if getattr(self.request, "method", None) == "POST":', READINGS),
    ("registry/ledger/journal.py", "if simulated and not newest_simulated:", ("tests/ledger",)),
    ("registry/ledger/_audit_entries.py", "_check_hash(report, entry, leaf)", AUDIT),
    ("registry/ledger/_audit_entries.py", "_check_columns(report, entry, body)", AUDIT),
    ("registry/ledger/_audit_entries.py", "_check_subjects(report, entry, body, stored)", AUDIT),
    ("registry/ledger/_audit_entries.py", "_check_before(report, scratch.left", AUDIT),
    ("registry/ledger/_audit_entries.py", "if entry.index != expected:", AUDIT),
    ("registry/ledger/_audit_entries.py", "if entry.simulated and not previous.simulated:", AUDIT),
    ("registry/ledger/_audit_entries.py", "    subjects.of(None)", AUDIT),
    ("registry/ledger/_audit_entries.py", "observe(entry.index, leaf)", AUDIT),
    ("registry/ledger/_audit_tables.py", "check_row(report, scratch, (table, key)", AUDIT),
    ("registry/ledger/_audit_tables.py", "        ask_no_more()", AUDIT),
    ("registry/ledger/_findings.py", "if self.counts[finding.layer] <= LISTED_MAX:", AUDIT),
    ("registry/ledger/_findings.py", "if self.erasures_counted <= ERASURES_LISTED_MAX:", AUDIT),
    ("registry/ledger/audit.py", "_check_guards(report)", AUDIT),
    ("registry/ledger/audit.py", "check_contact_texts(report, scratch)", AUDIT),
    ("registry/ledger/audit.py", "check_staff_names(report)", AUDIT),
    ("registry/ledger/audit.py", "check_photos(report)", PHOTOS),
    ("registry/ledger/_audit_tables.py", "if held.sha256 != photo.sha256:", PHOTOS),
    ("registry/ledger/_audit_tables.py", "if photo.erased:", PHOTOS),
    ("registry/rules/photos.py", "if width * height > PIXELS_MAX:", ("tests/rules/test_rules_photos.py",)),
    (
        "registry/rules/photos.py",
        "if len(content) > CONTENT_BYTES_MAX:",
        ("tests/rules/test_rules_photos.py",),
    ),
    ("registry/rules/mountings.py", "if forbidden and exit_by in DRILLED:", MOUNTED),
    ("registry/rules/mountings.py", "if forbidden and exit_by is not None", MOUNTED),
    ("registry/rules/mountings.py", "if mounted.cover_closed_at is not None and (", MOUNTED),
    ("registry/actions/mountings.py", "if Mounting.objects.filter(assignment=", MOUNTED),
    ("registry/actions/mountings.py", "require_past(at, writing.now, name)", MOUNTED),
    ("registry/actions/mountings.py", 'mounting.cabinet, "mounting")', HIDDEN),
    ("registry/actions/photos.py", 'photo.cabinet, photo.device, "photo")', HIDDEN),
    ("registry/actions/photos.py", '_in_sight(writing, shown_cabinet, None, "cabinet")', HIDDEN),
    ("registry/actions/photos.py", '_in_sight(writing, None, shown_device, "device")', HIDDEN),
    ("registry/actions/photos.py", 'require_past(taken_at, writing.now, "taken_at")', PHOTOS),
    ("registry/actions/visits.py", 'require_past(at, writing.now, "begun_at")', VISITING),
    ("registry/actions/visits.py", "    require_open(visit.location, at)", VISITING),
    ("registry/actions/visits.py", "rules.check_there(gone_from(visit, at))", VISITING),
    ("registry/actions/visits.py", "rules.check_ready(VisitKind(visit.kind)", VISITING),
    ("registry/actions/visits.py", "if not again:", VISITING),
    ("registry/actions/visits.py", "if again and why and why == visit.override_reason:", VISITING),
    ("registry/actions/visits.py", "rules.check_left_out(unsurveyed(visit), reasons)", VISITING),
    ("registry/actions/visits.py", "check_acknowledged(cautions, codes)", VISITING),
    ("registry/actions/_visits.py", "rules.check_told_of(VisitState(visit.state)", VISITING),
    ("registry/actions/_visits.py", "if len(reasons) != len(left_out):", VISITING),
    ("registry/actions/_visits.py", "if not reasons.keys() <= labels.keys():", VISITING),
    ("registry/rules/visits.py", "if wanting and not override_reason:", VISITING),
    ("registry/rules/visits.py", "if silent:", VISITING),
    ("registry/rules/visits.py", "if idle:", VISITING),
    ("registry/rules/visits.py", "if (today - planned_on).days > LATE_DAYS_MAX:", VISITING),
    ("registry/rules/visits.py", "if not goes_there:", VISITING),
    ("registry/rules/visits.py", "if state is VisitState.CANCELLED:", VISITING),
    ("registry/actions/photos.py", "visit_told_of(writing, visit_id, cabinet", VISITING),
    ("registry/actions/acceptance.py", "visit_told_of(writing, visit_id, cabinet", VISITING),
    ("registry/ledger/images.py", "return value.quantize(", ("tests/ledger",)),
    ("registry/ledger/images.py", "return value.astimezone(UTC)", ("tests/ledger",)),
    (
        "registry/ledger/journal.py",
        'cursor.execute("SELECT pg_advisory_xact_lock',
        ("tests/concurrency",),
    ),
    ("registry/actions/_action.py", "if writing.story is None:", ("tests/ledger", "tests/actions")),
    ("registry/actions/_action.py", "if self.story is not None:", ("tests/ledger", "tests/actions")),
    ("registry/actions/_action.py", "require_offset(value, name)", ("tests/actions",)),
    ("registry/actions/_action.py", "_requests.begin(actor, writing.now)", REQUESTS),
    ("registry/actions/_action.py", "_requests.finish(actor, result, writing.now)", REQUESTS),
    ("registry/actions/_action.py", "transaction.set_rollback(True)", REQUESTS),
    ("registry/actions/_checkpoints.py", "if journal.is_lock_timeout(error):", ("tests/concurrency",)),
    ("registry/actions/_requests.py", "if kept is not None:", REQUESTS),
    ("registry/actions/_requests.py", "if not hmac.compare_digest(", REQUESTS),
    ("registry/actions/_requests.py", "raise AnsweredBefore(", REQUESTS),
    ("registry/actions/_requests.py", "if request.precondition is not None:", REQUESTS),
    ("registry/actions/_requests.py", "if request.key is None or request.staff_id is None:", REQUESTS),
    ("registry/actions/_requests.py", "RequestAnswer.objects.filter(answered_at__lte=", REQUESTS),
    ("registry/actions/locations.py", "RequestAnswer.objects.filter(contact_id=", REQUESTS),
    ("registry/actions/tokens.py", "if not staff.is_active:", ("tests/actions/test_tokens_actions.py",)),
    ("registry/actions/tokens.py", "check_expiry(expires,", ("tests/actions/test_tokens_actions.py",)),
    ("registry/rules/tokens.py", "require_offset(expires_at", ("tests/rules",)),
    ("registry/rules/tokens.py", "if not now < expires_at <= now + life_max:", ("tests/rules",)),
    ("registry/rules/requests.py", "if not key or len(key) > KEY_LENGTH_MAX:", ("tests/rules",)),
    ("registry/actions/_steps.py", "require_depot(newest.answering_depot_id(), field)", HIDDEN),
    ("registry/actions/_steps.py", "require_depot(depot_of_device(newest, writing.now), field)", HIDDEN),
    ("registry/actions/assignments.py", 'require_depot(depot_of_device(present, at), "assignment")', HIDDEN),
    (
        "registry/actions/assignments.py",
        '    history_in_sight(writing, DeviceWhereabouts, device, "device")',
        HIDDEN,
    ),
    ("registry/actions/assignments.py", "if found.superseded_id is not None:", HIDDEN),
    ("registry/actions/devices.py", 'require_depot(depot_of_device(present, at), "device")', HIDDEN),
    ("registry/actions/periods.py", "_require_depots(writing, last)", HIDDEN),
    ("registry/actions/periods.py", "_require_depots(writing, version)", HIDDEN),
    ("registry/actions/_corrections.py", "require_depot(thing.pk, field)", HIDDEN),
    ("registry/actions/_corrections.py", "require_depot(thing.depot_id, field)", HIDDEN),
    ("registry/actions/_corrections.py", "history_in_sight(writing, CabinetWhereabouts, thing", HIDDEN),
    ("registry/actions/_action.py", "if act is not None:", ("tests/actions",)),
    ("registry/actions/_action.py", "if staff is None or not staff.is_active:", ("tests/actions",)),
    ("registry/actions/_action.py", "if image_of(record) == before:", ("tests/actions",)),
    ("registry/actions/_action.py", 'require_past(occurred_at, self.now, "occurred_at")', ALL_TESTS),
    ("registry/actions/_steps.py", 'require_past(at, writing.now, "valid_from")', ALL_TESTS),
    ("registry/actions/register.py", "if writing.head.index:", ("tests/actions", "tests/ledger")),
    ("registry/actions/staff.py", "if new_role is not Role.ADMINISTRATOR:", ("tests/actions",)),
    ("registry/actions/accounts.py", "if places or below:", ("tests/actions",)),
    ("registry/actions/counts.py", "check_undecided(there)", COUNTING),
    ("registry/actions/_counts.py", "check_counted(difference.kind)", COUNTING),
    ("registry/actions/locations.py", "if stays and cabinets_to is None:", ("tests/actions",)),
    ("registry/rules/commitments.py", "if len(salt) != SALT_LENGTH:", ("tests/rules",)),
    ("registry/actions/_checkpoints.py", "if frontier.root() != bytes(checkpoint.root):", SIGNING),
    ("registry/actions/_checkpoints.py", "if newest is not None and frontier.root() !=", SIGNING),
    ("registry/actions/_checkpoints.py", "if not 1 <= (wanted :=", SIGNING),
    ("registry/actions/_checkpoints.py", "if before is not None and before.size >= wanted:", SIGNING),
    ("registry/actions/_checkpoints.py", "at = max(at, before.at + journal.TICK)", SIGNING),
    ("registry/actions/_outside.py", "if path.read_bytes()[:FILE_BYTES_MAX] !=", SIGNING),
    ("registry/actions/checkpoints.py", "require_act(scope.role, Act.READ_LEDGER)", SIGNING),
    ("registry/actions/checkpoints.py", "require_whole_ledger(scope)", SIGNING),
    ("registry/actions/checkpoints.py", "if staff is None or not staff.is_active:", SIGNING),
    ("registry/ledger/tree.py", "if len(found) < len(wanted):", SIGNING),
    ("registry/queries/receipts.py", "if len(indexes) >= EVENTS_MAX:", SIGNING),
    ("registry/queries/receipts.py", "if size > to.size:", SIGNING),
    ("registry/rules/checkpoints.py", "if len(data) > FILE_BYTES_MAX:", SIGNING),
    ("registry/rules/checkpoints.py", "if moment.tzinfo is None or time_text(moment) != at:", SIGNING),
    ("registry/rules/checkpoints.py", "if not isinstance(size, int) or isinstance(size, bool)", SIGNING),
    ("registry/ledger/_audit_tree.py", "if not is_signed(signed, keys):", TREE),
    ("registry/ledger/_audit_tree.py", "if previous is not None and row.at", TREE),
    ("registry/ledger/_audit_tree.py", "if statement.register != self.register:", TREE),
    ("registry/ledger/_audit_tree.py", "if root != signed:", TREE),
    ("registry/ledger/_audit_tree.py", "if stored.get(number) != digest:", TREE),
    ("registry/ledger/_audit_tree.py", "if not is_signed(kept.signed, keys):", TREE),
    ("registry/ledger/_audit_tree.py", "if statement.size != index:", TREE),
    ("registry/ledger/audit.py", "tree.finish()", TREE),
    ("registry/ledger/audit.py", "tree.begin()", TREE),
    ("registry/api/checkpoints.py", "require_whole_ledger(self.scope)", ("tests/api/test_roles_by_url.py",)),
    ("registry/rules/whereabouts.py", "if next_place not in DEVICE_NEXT[present]:", ALL_TESTS),
    ("registry/rules/whereabouts.py", "if present is CabinetPlace.SCRAPPED:", ALL_TESTS),
]


@dataclass(frozen=True)
class Protection:
    """One thing to take away: how, and the tests that should notice."""

    name: str
    path: str
    without: Callable[[str], str]
    tests: tuple[str, ...]
    options: tuple[str, ...] = ()
    key: str = ""  # chooses the tests that are asked first; the others are asked where these do not notice


def guards() -> Iterator[Protection]:
    """Yield each guard of SQLite, filtered out of the list that is installed and looked for."""
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from registry.ledger.guards import all_guards

    for guard in all_guards("sqlite"):
        name = guard.name
        asked_first = f"[{guard.table}] or [{guard.table}- or {guard.what.removesuffix('_update')}"
        if guard.what in SINGLE:
            asked_first += f" or {SINGLE[guard.what]}"

        def without(text: str, name: str = name) -> str:
            kept = f'[guard for guard in guards if guard.only in ("", vendor) and guard.name != "{name}"]'
            return swap(text, '[guard for guard in guards if guard.only in ("", vendor)]', kept)

        yield Protection(
            name, GUARDS, without, ("tests/ledger/test_guards.py",), ("--nomigrations",), asked_first
        )


def constraints() -> Iterator[Protection]:
    """Yield each check and unique constraint, its condition in the migration emptied or its key widened."""
    found = [
        (path, text, match)
        for path in MIGRATIONS
        for text in [(ROOT / path).read_text()]
        for match in re.finditer(r"models\.(Check|Unique)Constraint\(", text)
    ]
    # A constraint that a later migration puts in another's stead counts as it says there.
    last = {named(text, match): path for path, text, match in found}
    for path, text, match in found:
        if last[named(text, match)] != path:
            continue
        end = closing(text, match.end())
        whole = text[match.start() : end]
        name = named(text, match)
        always = f"models.CheckConstraint(condition=models.Q(pk__isnull=False), name='{name}')"

        def without(text: str, whole: str = whole, always: str = always) -> str:
            return swap(text, whole, always)

        yield Protection(f"constraint {name}", path, without, ("tests/models",), key=name)


def named(text: str, match: re.Match[str]) -> str:
    """Return the name of the constraint that begins at a match."""
    whole = text[match.start() : closing(text, match.end())]
    name = re.search(r"name='(\w+)'\)$", whole)
    if name is None:
        raise ValueError(f"a constraint without a name: {whole}")
    return name[1]


def lines() -> Iterator[Protection]:
    """Yield each condition of LINES, which then never holds, or each call, which then is not made."""
    for path, part, tests in LINES:

        def without(text: str, part: str = part) -> str:
            [line] = [line for line in text.splitlines() if part in line][:1]
            if line.lstrip().startswith("if "):
                # A condition of several lines opens a bracket at its end: joined by `and`, it never holds.
                never = re.sub(r"\bif (.*):$", r"if False and (\1):", line)
                never = never if never != line else re.sub(r"\bif (.*and \()$", r"if False and \1", line)
                if never == line:
                    raise ValueError(f"this condition cannot be taken away: {line}")
                return swap(text, line, never)
            indent = line[: len(line) - len(line.lstrip())]
            return swap(text, line, f"{indent}{'return value' if 'return' in line else 'pass'}")

        yield Protection(f"line {Path(path).name}: {part}", path, without, tests)


def closing(text: str, start: int) -> int:
    """Return where the bracket that was opened before `start` has been closed."""
    depth = 1
    for position in range(start, len(text)):
        depth += {"(": 1, ")": -1}.get(text[position], 0)
        if depth == 0:
            return position + 1
    raise ValueError("a bracket is not closed")


def swap(text: str, old: str, new: str) -> str:
    """Replace the first occurrence, which must be there."""
    if old not in text:
        raise ValueError(f"the code changed, and no longer says: {old}")
    return text.replace(old, new, 1)


def copy_tree(to: Path) -> None:
    """Copy what belongs to the project: files of git, and new ones in its rooms."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "--", *COPIED, "*.toml", "*.py"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    for name in listed.stdout.splitlines():
        if (ROOT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, to / name)


def pytest(
    folder: Path, tests: tuple[str, ...], options: tuple[str, ...], limit_s: float
) -> tuple[str, bool]:
    """Run tests until one fails; return its name and whether all passed."""
    there = [test for test in tests if (folder / test).exists()]
    # -B: a copy is patched again within the second in which its bytecode was written.
    command = [sys.executable, "-B", "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header"]
    command += [*there, *options]
    environment = {**os.environ, "RIMEBOOK_DATA_DIR": str(folder / ".data"), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            command, cwd=folder, env=environment, capture_output=True, text=True, timeout=limit_s, check=False
        )
    except subprocess.TimeoutExpired:
        return f"TIME LIMIT of {limit_s:.0f} s", True
    found = re.search(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    if done.returncode in (0, 5):
        return "SURVIVED", True
    return (found[1] if found else f"pytest ended with {done.returncode}: {done.stderr[-200:]}"), False


def try_without(protection: Protection, folder: Path, limit_s: float) -> tuple[str, bool]:
    """Take one protection away in a copy, and return what noticed it and whether it survived."""
    path = folder / protection.path
    whole = path.read_text()
    path.write_text(protection.without(whole))
    try:
        # The tests that name it, then all.
        if protection.key:
            chosen = (*protection.options, "-k", protection.key)
            caught, survived = pytest(folder, protection.tests, chosen, limit_s)
            if not survived:
                return caught, survived
        return pytest(folder, protection.tests, protection.options, limit_s)
    finally:
        path.write_text(whole)


def main() -> int:
    """Try each chosen protection, print the table, return 1 where one survived."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="a pattern that the name holds")
    parser.add_argument("--jobs", type=int, default=2, help="how many copies are tried at once")
    parser.add_argument("--limit", type=float, default=180, help="seconds for one run of the tests")
    options = parser.parse_args()
    chosen = [p for p in (*guards(), *constraints(), *lines()) if re.search(options.only, p.name)]
    survivors = 0
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="rimebook-without-") as temporary:
        folders: Queue[Path] = Queue()
        for number in range(options.jobs):
            folder = Path(temporary) / str(number)
            copy_tree(folder)
            folders.put(folder)

        def tried(protection: Protection) -> tuple[Protection, str, bool]:
            folder = folders.get()
            try:
                return protection, *try_without(protection, folder, options.limit)
            finally:
                folders.put(folder)

        with ThreadPoolExecutor(options.jobs) as pool:
            for protection, caught, survived in pool.map(tried, chosen):
                survivors += survived
                print(f"{protection.name:72} {caught}", flush=True)
    print(f"{len(chosen)} removed, {survivors} survived, {time.monotonic() - began:.0f} s")
    return 1 if survivors else 0


if __name__ == "__main__":
    raise SystemExit(main())
