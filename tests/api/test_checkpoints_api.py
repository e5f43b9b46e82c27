"""Checkpoints and receipts over HTTP."""

from typing import Any

import pytest

from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.models import Checkpoint, Entry, TreeNode
from registry.queries.checkpoints import own_public_key
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, ok, tables_read, told
from tests.conftest import outside_actions
from tests.factories.world import World
from tests.ledger.test_tree import more
from tests.queries.test_queries_receipts import holds


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


def test_a_checkpoint_is_made_once_for_one_ledger_and_needs_no_key(auditor: Person, world: World) -> None:
    head = Entry.objects.count()

    first, again = (ok(auditor.send("POST", "checkpoints/")) for _ in range(2))

    assert first.body == again.body
    made = Checkpoint.objects.get()
    assert first.body == {
        "record": made.record,
        "signature": made.signature,
        "public_key": own_public_key(),
        "size": head,
        "root": bytes(made.root).hex(),
        "at": made.at.isoformat().replace("+00:00", "Z"),
    }
    assert first.headers["Register-Index"] == str(head)
    assert Entry.objects.count() == head
    shown = ok(auditor.get(f"checkpoints/{head}/"))
    assert shown.body == first.body
    assert auditor.get(f"checkpoints/{head}/", tag=shown.tag).status == 304
    for absent in (1, head + 1, 10**30):
        told(auditor.get(f"checkpoints/{absent}/"), 404, "not_found")
    told(auditor.send("POST", "checkpoints/?size=3"), 422, "value_invalid")


def test_checkpoints_are_listed_newest_first_whatever_their_number(auditor: Person, world: World) -> None:
    sizes = []
    for _ in range(5):
        more(world, 1)
        sizes.append(make_checkpoint(SYSTEM).size)

    assert [row["size"] for row in auditor.rows("checkpoints/", page_size=2)] == sizes[::-1]
    assert tables_read(lambda: auditor.get("checkpoints/")) == ["apitoken", "entry", "checkpoint"]


def test_the_register_says_by_which_keys_and_how_far(
    api: Api, auditor: Person, world: World, settings: Any
) -> None:
    installer = api.as_(world.installer)
    settings.CHECKPOINT_FORMER_KEYS = ["ab" * 32]
    make_checkpoint(SYSTEM)
    size = more(world, 2)

    standing = ok(auditor.get("checkpoints/standing/")).body

    assert standing == {
        "public_keys": [own_public_key(), "ab" * 32],
        "newest_size": size - 2,
        "entries_since": 2,
        "last_left_at": None,
        "warning": standing["warning"],
    }
    assert "No checkpoint leaves this machine" in standing["warning"]
    near = ok(installer.get("checkpoints/standing/")).body
    assert near == {**standing, "warning": ""}


def test_a_receipt_is_a_file_that_proves_by_itself(auditor: Person, world: World) -> None:
    device = world.device()
    world.assigned(device, world.cabinet())
    head = Entry.objects.count()

    for path in (
        "entries/7/receipt/",
        f"locations/{world.location.pk}/receipt/",
        f"devices/{device.pk}/receipt/",
    ):
        receipt = ok(auditor.get(path))
        assert receipt.headers["Content-Disposition"].startswith('attachment; filename="')
        assert receipt.headers["Content-Disposition"].endswith(f'-{head}.json"')
        assert receipt.body["entries"]
        holds(receipt.body, own_public_key())
    # One checkpoint served all of them, and a later line has another made.
    assert Checkpoint.objects.count() == 1
    newer = more(world, 1)
    holds(ok(auditor.get("entries/7/receipt/")).body, own_public_key())
    assert Checkpoint.objects.count() == 1
    receipt = ok(auditor.get(f"entries/{newer}/receipt/", kept=head))
    assert [proof["from"] for proof in receipt["consistency"]] == [head]
    holds(receipt.body, own_public_key())


def test_a_kept_checkpoint_is_proved_to_hold(auditor: Person, world: World) -> None:
    kept = make_checkpoint(SYSTEM)
    more(world, 3)
    middle = make_checkpoint(SYSTEM)
    newest = more(world, 3)
    path = f"checkpoints/{kept.size}/consistency/"

    # No checkpoint of the newest is asked for: the newest one that there is will do.
    assert [p["to"] for p in ok(auditor.get(path))["consistency"]] == [middle.size]
    made = make_checkpoint(SYSTEM)
    for to, size in ((None, newest), (middle.size, middle.size), (made.size, newest)):
        bundle = ok(auditor.get(path, **({} if to is None else {"to": to}))).body
        holds(bundle, own_public_key())
        assert [(p["from"], p["to"]) for p in bundle["consistency"]] == [(kept.size, size)]
    assert ok(auditor.get(path, to=kept.size))["consistency"] == []


@pytest.mark.parametrize("kept", ["0", "-1", "x", "", "1.5", "9" * 30, "٣"])
def test_a_size_that_is_none_is_refused(auditor: Person, world: World, kept: str) -> None:
    size = make_checkpoint(SYSTEM).size
    told(auditor.get("entries/3/receipt/", kept=kept), 422, "value_invalid")
    if kept != "0":
        told(auditor.get(f"checkpoints/{size}/consistency/", to=kept), 422, "value_invalid")


def test_what_is_not_there_gets_no_receipt(auditor: Person, world: World) -> None:
    size = make_checkpoint(SYSTEM).size
    with nothing_changed():
        for path in (
            f"entries/{size + 1}/receipt/",
            "entries/0/receipt/",
            f"entries/{10**40}/receipt/",
            f"devices/{world.location.pk}/receipt/",
            f"locations/{world.account.pk}/receipt/",
            "checkpoints/3/consistency/",
        ):
            told(auditor.get(path), 404, "not_found")
        told(auditor.get("entries/1/receipt/", kept=3), 404, "not_found")
        told(auditor.get(f"checkpoints/{size}/consistency/", to=3), 404, "not_found")
        told(auditor.get("entries/1/receipt/", keep=3), 422, "value_invalid")


def test_an_older_checkpoint_is_not_proved_by_a_newer_one(auditor: Person, world: World) -> None:
    old = make_checkpoint(SYSTEM).size
    more(world, 1)
    new = make_checkpoint(SYSTEM).size
    told(auditor.get(f"checkpoints/{new}/consistency/", to=old), 422, "value_invalid")


def test_a_damaged_tree_is_told_and_signs_nothing(auditor: Person, world: World) -> None:
    make_checkpoint(SYSTEM)
    newest = more(world, 1)
    with outside_actions():
        TreeNode.objects.all().delete()

    told(auditor.get("entries/1/receipt/"), 409, "tree_damaged")
    told(auditor.get(f"entries/{newest}/receipt/"), 409, "tree_damaged")
    told(auditor.send("POST", "checkpoints/"), 409, "tree_damaged")
    assert Checkpoint.objects.count() == 1
