"""The audit of the tree, of the register's checkpoints, and of those that were kept outside."""

import json
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection

from registry.actions import locations
from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.ledger import _audit_tree
from registry.ledger.audit import Kept, Pinned, Report, audit
from registry.models import Checkpoint, Entry, TreeNode
from registry.queries.checkpoints import own_public_key
from registry.rules.checkpoints import new_private_key, read_private_key, read_record, sign
from tests.factories.world import HOUR, World
from tests.ledger.tampering import edit, remove_entry, undone, unguarded
from tests.ledger.tampers import TAMPERS, WITH_GUARDS, prepare
from tests.ledger.test_tree import more

CAUGHT: dict[str, list[str]] = json.loads(
    (Path(__file__).resolve().parents[2] / "fixtures/tampered/ledgers.json").read_text()
)["layers"]


@pytest.fixture
def signed(world: World) -> tuple[list[Checkpoint], Pinned]:
    """Two checkpoints, and what an auditor kept of them: the newest, and the public key."""
    made = prepare(world.office)
    kept = [Kept("kept.json", made[-1].as_signed())]
    return made, Pinned(kept, [own_public_key()])


def after(name: str, pinned: Pinned | None = None) -> Report:
    """Return what the audit reports after a tampering, which is undone again."""
    with undone():
        with unguarded():
            if name not in WITH_GUARDS:
                TAMPERS[name]()
        if name in WITH_GUARDS:
            TAMPERS[name]()
        return audit(pinned=pinned)


# --- the whole suite -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TAMPERS)
def test_every_tampering_is_caught_by_the_layers_that_are_written_down(
    signed: tuple[list[Checkpoint], Pinned], name: str
) -> None:
    report = after(name, signed[1])

    assert sorted(report.counts) == CAUGHT[name]
    assert all(finding.words.endswith(".") for finding in report.findings)


def test_every_tampering_is_written_down_and_caught_by_something() -> None:
    assert set(CAUGHT) == set(TAMPERS)
    assert all(CAUGHT.values())


def test_history_rewritten_and_signed_again_is_caught_by_what_was_kept_outside_alone(
    signed: tuple[list[Checkpoint], Pinned],
) -> None:
    for name in ("rewrite_and_sign_with_the_registers_own_key", "delete_a_checkpoint_and_what_it_signed"):
        assert after(name).clean, "nothing in the machine contradicts it"
        [finding] = after(name, signed[1]).findings
        assert (finding.layer, finding.key) == ("kept", "kept.json")
    words = after("rewrite_and_sign_with_the_registers_own_key", signed[1]).findings[0].words
    assert "are not those that were signed then: history was rewritten" in words
    words = after("delete_a_checkpoint_and_what_it_signed", signed[1]).findings[0].words
    assert "the newest were cut off, or an older state was put back" in words


def test_another_key_in_the_settings_too_is_caught_by_the_key_that_was_written_down(
    signed: tuple[list[Checkpoint], Pinned], settings: Any
) -> None:
    key = Pinned(public_keys=[own_public_key()])
    settings.CHECKPOINT_KEY = new_private_key()

    assert sorted(after("rewrite_and_sign_with_the_registers_own_key").counts) == []
    report = after("rewrite_and_sign_with_the_registers_own_key", key)
    assert sorted(report.counts) == ["checkpoints"]
    assert "not signed by the public key that was given" in report.findings[0].words


# --- what holds ------------------------------------------------------------------------------------------


def test_a_register_that_was_left_alone_is_clean_and_says_how_far_it_is_proved(
    signed: tuple[list[Checkpoint], Pinned], world: World
) -> None:
    made, pinned = signed
    size = more(world, 2)

    report = audit(pinned=pinned)

    assert report.clean
    assert (report.entries, report.checkpoints, report.kept_size) == (size, 2, made[-1].size)
    assert report.subtrees == made[-1].size - made[-1].size.bit_count() == TreeNode.objects.count()
    assert report.not_excluded == (
        f"that what came after entry {made[-1].size} was cut off, or rewritten and signed again",
    )
    without_key = audit(pinned=Pinned(pinned.checkpoints))
    assert (without_key.clean, len(without_key.not_excluded)) == (True, 2)
    assert "no public key was given" in without_key.not_excluded[1]
    alone = audit()
    assert (alone.clean, alone.kept_size, len(alone.not_excluded)) == (True, 0, 2)


def test_several_kept_checkpoints_are_each_held_against_their_own_size(
    signed: tuple[list[Checkpoint], Pinned],
) -> None:
    made, pinned = signed
    kept = [Kept(f"{row.size}.json", row.as_signed()) for row in reversed(made)]
    assert audit(pinned=Pinned([*kept, *kept], pinned.public_keys)).kept_size == made[-1].size

    # The newest entry is not among those of the older one.
    report = after("rewrite_and_sign_with_the_registers_own_key", Pinned(kept, pinned.public_keys))

    assert [finding.key for finding in report.findings] == [f"{made[-1].size}.json"]
    assert report.kept_size == made[0].size


def test_a_tree_larger_than_its_chunk_is_compared_whole(
    signed: tuple[list[Checkpoint], Pinned], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(_audit_tree, "CHUNK", 3)

    assert audit().clean
    report = after("empty_the_tree")
    assert report.counts == {"tree": TreeNode.objects.count()}
    [finding] = after("edit_a_subtree").findings
    assert (finding.layer, finding.key, finding.field, finding.stored) == ("tree", "1", "digest", "00" * 32)


def test_keys_that_signed_formerly_are_ours_as_long_as_the_settings_name_them(
    signed: tuple[list[Checkpoint], Pinned], world: World, settings: Any
) -> None:
    former = own_public_key()
    settings.CHECKPOINT_KEY, settings.CHECKPOINT_FORMER_KEYS = new_private_key(), [former]
    more(world, 1)
    make_checkpoint(SYSTEM)

    assert audit().clean
    assert audit(pinned=Pinned(public_keys=[former, own_public_key()])).clean
    settings.CHECKPOINT_FORMER_KEYS = []
    assert audit().counts == {"checkpoints": 2}


# --- each claim of a checkpoint --------------------------------------------------------------------------


def said_of(row: Checkpoint, **columns: Any) -> list[tuple[str, str]]:
    """Return what is found, by field and words, after columns of a checkpoint were changed."""
    with undone():
        with unguarded():
            edit(row, **columns)
        return [(finding.field, finding.words) for finding in audit().findings]


def resigned(row: Checkpoint, **changes: Any) -> dict[str, Any]:
    """Return the columns of a checkpoint that says otherwise, rightly signed."""
    again = sign(read_private_key_of_register(), replace(read_record(row.record), **changes))
    return {"record": again.record, "signature": again.signature, **changes_of_columns(changes)}


def read_private_key_of_register() -> Any:
    from django.conf import settings

    return read_private_key(settings.CHECKPOINT_KEY)


def changes_of_columns(changes: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in changes.items() if name in ("root", "at")}


def test_each_column_of_a_checkpoint_is_held_against_its_record(
    signed: tuple[list[Checkpoint], Pinned],
) -> None:
    _, row = signed[0]
    later = row.at + HOUR

    assert [field for field, _ in said_of(row, at=later)] == ["at"]
    assert {field for field, _ in said_of(row, root=bytes(32))} == {"root"}
    assert [field for field, _ in said_of(row, record="{}")] == ["signature", "record"]
    assert [field for field, _ in said_of(row, signature="00" * 64)] == ["signature"]
    # The key in the row is of no matter: those that are ours decide.
    assert said_of(row, public_key="ab" * 32) == []


def test_a_checkpoint_that_is_rightly_signed_may_still_say_what_is_wrong(
    signed: tuple[list[Checkpoint], Pinned],
) -> None:
    first, row = signed[0]

    assert said_of(row, **resigned(row)) == []
    [(field, words)] = said_of(row, **resigned(row, root=bytes(32)))
    assert (field, words.partition(": ")[2]) == (
        "root",
        f"the first {row.size} entries are not those that it signed.",
    )
    [(field, words)] = said_of(row, **resigned(row, register=uuid4()))
    assert (field, words.partition(": ")[2]) == ("record", "it is signed for another register.")
    [(field, words)] = said_of(row, **resigned(row, at=first.at))
    assert field == "at"
    assert "not after the one before" in words
    assert [field for field, _ in said_of(row, **resigned(row, size=row.size - 1))] == ["size"]


def test_a_checkpoint_of_more_entries_than_there_are_is_named(
    signed: tuple[list[Checkpoint], Pinned],
) -> None:
    report = after("delete_the_last_entry_and_what_it_wrote")

    [finding] = [f for f in report.findings if f.layer == "checkpoints"]
    head = Entry.objects.count()
    assert finding.words == (
        f"The checkpoint of {head} entries: it signed {head} entries, and the ledger holds {head - 1}"
        " up to there."
    )
    assert (finding.stored, finding.proved) == (head - 1, head)


@pytest.mark.statement_of("sqlite")
def test_a_checkpoint_with_what_no_column_can_have_is_named(signed: tuple[list[Checkpoint], Pinned]) -> None:
    for column, value in (("at", "noon"), ("root", "a root"), ("record", b"\xff"), ("signature", 7)):
        with undone():
            with unguarded(), connection.cursor() as cursor:
                cursor.execute(f'UPDATE registry_checkpoint SET "{column}" = %s', [value])
            assert "checkpoints" in audit().counts, column


# --- what an auditor brings ------------------------------------------------------------------------------


def test_a_kept_checkpoint_is_held_against_the_key_that_was_given(
    signed: tuple[list[Checkpoint], Pinned],
) -> None:
    made, _ = signed
    said = read_record(made[-1].record)
    forged = sign(read_private_key(new_private_key()), said)

    report = audit(pinned=Pinned([Kept("forged.json", forged)], [own_public_key()]))
    assert [finding.words for finding in report.findings] == [
        "The checkpoint in forged.json: it is not signed by the public key that was given."
    ]
    # Without a key of one's own nothing speaks against it: that is said, too.
    report = audit(pinned=Pinned([Kept("forged.json", forged)]))
    assert (report.clean, report.kept_size, report.key_given) == (True, said.size, False)
    bent = replace(forged, signature="00" * 64)
    report = audit(pinned=Pinned([Kept("bent.json", bent)]))
    assert "not signed by the key that it names" in report.findings[0].words


def test_a_kept_checkpoint_of_another_register_is_named(signed: tuple[list[Checkpoint], Pinned]) -> None:
    said = replace(read_record(signed[0][0].record), register=uuid4())
    other = sign(read_private_key_of_register(), said)

    [finding] = audit(pinned=Pinned([Kept("other.json", other)], [own_public_key()])).findings

    assert "it is of another register" in finding.words


def test_a_kept_checkpoint_whose_last_entry_is_missing_is_named(
    signed: tuple[list[Checkpoint], Pinned], world: World
) -> None:
    more(world, 2)
    last = signed[0][-1].size
    with undone():
        with unguarded():
            remove_entry(Entry.objects.get(index=last))
        report = audit(pinned=signed[1])

    assert f"the ledger has no entry {last}, the last of those that it signed" in " ".join(
        finding.words for finding in report.findings if finding.layer == "kept"
    )


# --- the command -----------------------------------------------------------------------------------------


def told(*arguments: str) -> tuple[int, str]:
    """Return the exit status and the words of the command."""
    out = StringIO()
    try:
        call_command("audit", *arguments, stdout=out)
    except SystemExit as stop:
        return int(stop.code or 0), " ".join(out.getvalue().split())
    return 0, " ".join(out.getvalue().split())


def test_the_command_takes_what_was_kept_outside_and_says_how_far_it_proves(
    signed: tuple[list[Checkpoint], Pinned], tmp_path: Path
) -> None:
    made, _ = signed
    file, key = tmp_path / "kept.json", tmp_path / "key.txt"
    file.write_text(json.dumps(made[-1].as_signed().as_json()))
    key.write_text(own_public_key() + "\n")
    size = made[-1].size

    for given in (own_public_key(), str(key)):
        status, words = told("--checkpoint", str(file), "--public-key", given)
        assert status == 0
        assert f"By the checkpoint and the public key from outside, the first {size} entries" in words
        assert f"it cannot be excluded that what came after entry {size} was cut off" in words
    _, words = told("--checkpoint", str(file), "--public-key", own_public_key(), "--json")
    answer = json.loads(words)
    assert (answer["kept_size"], answer["key_given"], answer["checkpoints"]) == (size, True, 2)
    _, words = told()
    assert "Without a checkpoint and a public key kept outside, it cannot be excluded" in words
    assert "rewritten together and signed again" in words


def test_the_command_finds_what_the_checkpoint_proves_and_fails(
    signed: tuple[list[Checkpoint], Pinned], tmp_path: Path
) -> None:
    file = tmp_path / "kept.json"
    file.write_text(json.dumps(signed[0][-1].as_signed().as_json()))
    with undone():
        with unguarded():
            TAMPERS["delete_a_checkpoint_and_what_it_signed"]()
        status, words = told("--checkpoint", str(file), "--public-key", own_public_key())
        blind, _ = told()

    assert (status, blind) == (1, 0)
    assert "FOUND (kept)" in words


def test_the_command_says_what_it_cannot_use(world: World, tmp_path: Path) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text("{}")
    for arguments, words in (
        (("--checkpoint", str(tmp_path / "nowhere.json")), "holds no checkpoint"),
        (("--checkpoint", str(bad)), "holds no checkpoint"),
        (("--public-key", "abc"), "is no public key"),
        (("--public-key", str(bad)), "is no public key"),
    ):
        with pytest.raises(CommandError, match=words) as stopped:
            told(*arguments)
        assert stopped.value.returncode == 2


def test_a_register_without_a_checkpoint_is_clean(world: World) -> None:
    locations.correct_depot(world.office, depot_id=world.fellgate.pk, particulars={"name": "Fell"})
    report = audit()
    assert (report.clean, report.checkpoints, report.subtrees) == (True, 0, 0)
