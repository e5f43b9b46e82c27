"""Receipts: what a file says of entries is proved by it alone, as RFC 9162 checks it."""

import json
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.actions import periods
from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.models import Checkpoint, Entry
from registry.queries import receipts
from registry.queries.receipts import consistency_receipt, device_receipt, entry_receipt, location_receipt
from registry.queries.timelines import device_trace, location_timeline
from registry.rules.checkpoints import Signed, is_signed, read_record
from registry.rules.errors import Code, RuleBroken
from registry.rules.merkle import is_consistent, leaf_hash, root_of_inclusion
from tests.factories.world import DAY, World
from tests.ledger.test_tree import more


@pytest.fixture
def hung(world: World) -> Any:
    """A device in a cabinet, its start put right."""
    assignment = world.assigned(world.device(), world.cabinet())
    return periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        valid_from=world.start + 4 * DAY,
        reason="the work sheet says so",
    )


def holds(bundle: Any, public_key: str) -> None:
    """Hold everything that a bundle claims, by the rules alone."""
    bundle = json.loads(json.dumps(bundle))  # as it is read from a file
    roots = {}
    for found in bundle["checkpoints"]:
        assert is_signed(Signed(**found), [public_key])
        said = read_record(found["record"])
        roots[said.size] = said.root
    for entry in bundle["entries"]:
        path = [bytes.fromhex(digest) for digest in entry["path"]]
        leaf = leaf_hash(entry["body"].encode())
        assert json.loads(entry["body"])["index"] == entry["index"]
        assert root_of_inclusion(entry["index"] - 1, entry["size"], leaf, path) == roots[entry["size"]]
    for proof in bundle["consistency"]:
        old, size = proof["from"], proof["to"]
        path = [bytes.fromhex(digest) for digest in proof["path"]]
        assert is_consistent(old, size, roots[old], roots[size], path)


def test_the_receipt_of_a_line_holds_the_entry_its_proof_and_its_checkpoint(world: World, hung: Any) -> None:
    made = make_checkpoint(SYSTEM)

    for index in range(1, made.size + 1):
        bundle = entry_receipt(index, made)
        holds(bundle, made.public_key)
        assert [entry["body"] for entry in bundle["entries"]] == [Entry.objects.get(index=index).body]
        assert bundle["checkpoints"] == [made.as_signed().as_json()]
        assert (bundle["form"], bundle["subject"], bundle["consistency"]) == ("rimebook-bundle-1", None, [])


def test_the_receipt_of_a_thing_holds_every_line_of_its_story(world: World, hung: Any) -> None:
    made = make_checkpoint(SYSTEM)
    store, device = world.location, hung.device

    for bundle, events, kind, thing in (
        (location_receipt(store, made), location_timeline(store.pk), "location", store),
        (device_receipt(device, made), device_trace(device.pk), "device", device),
    ):
        holds(bundle, made.public_key)
        assert [entry["index"] for entry in bundle["entries"]] == sorted(event.index for event in events)
        assert len(events) >= 3
        assert bundle["subject"] == {"kind": kind, "id": str(thing.pk), "label": thing.label}


def test_a_story_is_told_up_to_its_checkpoint(world: World, hung: Any) -> None:
    made = make_checkpoint(SYSTEM)
    before = device_receipt(hung.device, made)
    periods.withdraw_period(
        world.office, history="devicewhereabouts", period_id=hung.period, reason="it never hung there"
    )

    assert device_receipt(hung.device, made) == before
    later = device_receipt(hung.device, make_checkpoint(SYSTEM))
    assert len(later["entries"]) == len(before["entries"]) + 1


def test_a_kept_checkpoint_is_bound_to_the_newest(world: World, hung: Any) -> None:
    kept = make_checkpoint(SYSTEM)
    more(world, 5)
    made = make_checkpoint(SYSTEM)

    for bundle in (entry_receipt(3, made, kept.size), consistency_receipt(kept.size, made)):
        holds(bundle, made.public_key)
        assert [found["record"] for found in bundle["checkpoints"]] == [kept.record, made.record]
        assert [(p["from"], p["to"]) for p in bundle["consistency"]] == [(kept.size, made.size)]
    same = entry_receipt(3, made, made.size)
    assert (len(same["checkpoints"]), same["consistency"]) == (1, [])


def test_a_checkpoint_that_is_none_or_newer_is_refused(world: World) -> None:
    old = make_checkpoint(SYSTEM)
    size = more(world, 2)
    make_checkpoint(SYSTEM)

    for kept, code in ((size - 1, Code.VALUE_INVALID), (size, Code.VALUE_INVALID), (1, Code.NOT_FOUND)):
        with pytest.raises(RuleBroken) as refused:
            entry_receipt(1, old, kept)
        assert refused.value.code is code, kept


def test_a_story_too_long_for_one_file_is_refused(
    world: World, hung: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = make_checkpoint(SYSTEM)
    lines = len(device_trace(hung.device.pk))
    monkeypatch.setattr(receipts, "EVENTS_MAX", lines)

    with pytest.raises(RuleBroken) as refused:
        device_receipt(hung.device, made)

    assert refused.value.code is Code.TOO_MANY


def test_a_receipt_takes_as_many_queries_for_many_entries_as_for_few(world: World) -> None:
    more(world, 30)
    made = make_checkpoint(SYSTEM)
    counted = []
    for indexes in ([5], [*range(1, 31)]):
        with CaptureQueriesContext(connection) as queries:
            receipts._bundle("", None, indexes, made, None)
        counted.append(len(queries))

    assert counted == [3, 3], "bodies; leaves; subtrees above them"
    assert Checkpoint.objects.count() == 1
