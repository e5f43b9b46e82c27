"""manage.py checkpoint."""

from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.models import Checkpoint, TreeNode
from tests.conftest import outside_actions
from tests.factories.world import World
from tests.ledger.test_tree import more


def run(*arguments: str) -> tuple[str, str]:
    out, err = StringIO(), StringIO()
    call_command("checkpoint", *arguments, stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


def test_it_signs_sends_and_says_so(world: World, settings: Any, tmp_path: Path) -> None:
    make_checkpoint(SYSTEM)  # before there was a place outside
    size = more(world, 1)
    settings.CHECKPOINT_FOLDER = str(tmp_path)

    out, err = run()

    made = Checkpoint.objects.get(size=size)
    assert made.record in out
    assert made.public_key in out
    assert f"It left for {tmp_path}." in out or f"it left for {tmp_path}" in out
    assert err == ""
    assert len(list(tmp_path.iterdir())) == 2


def test_it_warns_where_nothing_leaves(world: World) -> None:
    _, err = run()
    assert "No checkpoint leaves this machine" in err


def test_it_fails_where_what_was_signed_does_not_leave(world: World, settings: Any, tmp_path: Path) -> None:
    settings.CHECKPOINT_FOLDER = str(tmp_path / "not mounted")
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 1
    assert Checkpoint.objects.count() == 1


def test_it_mends_a_tree_on_demand(world: World) -> None:
    make_checkpoint(SYSTEM)
    size = more(world, 1)
    with outside_actions():
        TreeNode.objects.all().delete()

    with pytest.raises(CommandError, match=r"Run manage\.py audit"):
        run()
    out, _ = run("--rebuild-tree")

    assert "was computed anew" in out
    assert Checkpoint.objects.filter(size=size).exists()


def test_an_empty_register_has_nothing_to_sign(db: None) -> None:
    with pytest.raises(CommandError, match="no entry yet"):
        run()
