"""Checkpoints and receipts in the console: seen, made, sent and downloaded by who reads the whole ledger."""

import json
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.models import Checkpoint, CheckpointDeparture, Entry, TreeNode
from registry.queries.checkpoints import own_public_key
from registry.rules.checkpoints import read_checkpoint
from tests.conftest import outside_actions
from tests.console.pages import at, signed_in, text_of
from tests.factories.world import World, person
from tests.ledger.test_tree import more
from tests.queries.test_queries_receipts import holds


@pytest.fixture
def auditor(world: World) -> Client:
    return signed_in(world.auditor)


def test_the_page_says_how_checkpoints_stand_and_which_key_signs(auditor: Client, world: World) -> None:
    text = text_of(auditor.get(at("checkpoints")))

    assert "None yet. Make the first one." in text
    assert "No checkpoint leaves this machine" in text
    assert own_public_key() in text
    made = make_checkpoint(SYSTEM)
    more(world, 2)
    text = text_of(auditor.get(at("checkpoints")))
    assert f"Newest {made.size} entries" in text
    assert "Entries since 2" in text
    assert bytes(made.root).hex() in text


def test_one_is_made_and_sent_by_a_button(
    auditor: Client, world: World, settings: Any, tmp_path: Path
) -> None:
    page = auditor.post(at("checkpoints"), {"wish": "make"}, follow=True)
    assert f"The checkpoint of {Entry.objects.count()} entries is the newest." in text_of(page)
    settings.CHECKPOINT_FOLDER = str(tmp_path)

    page = auditor.post(at("checkpoints"), {"wish": "send"}, follow=True)

    assert "1 left." in text_of(page)
    assert "No checkpoint leaves" not in text_of(page)
    assert read_checkpoint(next(tmp_path.iterdir()).read_bytes()) == Checkpoint.objects.get().as_signed()
    assert "Everything has left already." in text_of(
        auditor.post(at("checkpoints"), {"wish": "send"}, follow=True)
    )


def test_what_did_not_leave_is_said_there_and_on_the_front_page(
    auditor: Client, world: World, settings: Any, tmp_path: Path
) -> None:
    settings.CHECKPOINT_FOLDER = str(tmp_path / "not mounted")
    make_checkpoint(SYSTEM)

    for page in (at("checkpoints"), at("index")):
        assert "There is no such folder." in text_of(auditor.get(page))
    assert "0 left." in text_of(auditor.post(at("checkpoints"), {"wish": "send"}, follow=True))
    assert CheckpointDeparture.objects.filter(problem="").count() == 0
    # Who does not read the ledger is not warned of what he can do nothing about.
    near = signed_in(person(world, "office", world.tarnmouth))
    assert "There is no such folder." not in text_of(near.get(at("index")))


def test_a_line_and_a_whole_story_have_a_receipt_one_click_away(auditor: Client, world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet())
    pages = {
        at("location", world.location.pk): at("location_receipt", world.location.pk),
        at("device", device.pk): at("device_receipt", device.pk),
    }

    for page, whole in pages.items():
        html = auditor.get(page).content.decode()
        for receipt in (at("entry_receipt", hung.recorded_id), whole):
            assert f'href="{receipt}"' in html
            answer = auditor.get(receipt)
            assert answer["Content-Type"] == "application/json"
            assert answer["Content-Disposition"].startswith('attachment; filename="receipt-')
            bundle = json.loads(answer.content)
            assert hung.recorded_id in [entry["index"] for entry in bundle["entries"]]
            holds(bundle, own_public_key())
    assert f'href="{at("entry_receipt", 7)}"' in auditor.get(at("entry", 7)).content.decode()


def test_who_sees_some_depots_is_offered_no_receipt(world: World) -> None:
    near = signed_in(person(world, "auditor", world.tarnmouth))

    html = near.get(at("location", world.location.pk)).content.decode()

    assert "receipt" not in html.lower()


def test_a_checkpoint_is_a_file_to_keep_and_proved_to_hold_later(auditor: Client, world: World) -> None:
    kept = make_checkpoint(SYSTEM)
    more(world, 4)

    file = auditor.get(at("checkpoint_file", kept.size))
    proof = json.loads(auditor.get(at("checkpoint_consistency", kept.size)).content)

    assert read_checkpoint(file.content) == kept.as_signed()
    assert f"checkpoint-{kept.size:012d}.json" in file["Content-Disposition"]
    holds(proof, own_public_key())
    assert [p["from"] for p in proof["consistency"]] == [kept.size]
    assert auditor.get(at("checkpoint_file", kept.size + 1)).status_code == 404
    assert auditor.get(at("entry_receipt", 10**20)).status_code == 404


def test_a_receipt_is_asked_for_beside_the_checkpoint_that_somebody_keeps(
    auditor: Client, world: World
) -> None:
    kept = make_checkpoint(SYSTEM)
    hung = world.assigned(world.device(), world.cabinet())

    assert 'name="kept"' in auditor.get(at("entry", hung.recorded_id)).content.decode()
    for page in (at("entry_receipt", hung.recorded_id), at("location_receipt", world.location.pk)):
        bundle = json.loads(auditor.get(page, {"kept": str(kept.size)}).content)
        assert [proof["from"] for proof in bundle["consistency"]] == [kept.size]
        holds(bundle, own_public_key())
    for typed, words in (("7x", "is a number of entries"), ("2", "has no checkpoint of 2 entries")):
        refused = auditor.get(at("entry_receipt", hung.recorded_id), {"kept": typed})
        assert refused.status_code == 422
        assert words in text_of(refused)


def test_a_receipts_file_is_called_as_people_call_the_thing(auditor: Client, world: World) -> None:
    device = world.device()
    head = make_checkpoint(SYSTEM).size

    for page, name in (
        (at("device_receipt", device.pk), f"receipt-device-{device.serial.lower()}-in-{head}.json"),
        (at("entry_receipt", 7), f"receipt-entry-7-in-{head}.json"),
    ):
        assert auditor.get(page)["Content-Disposition"] == f'attachment; filename="{name}"'
    assert (
        str(world.location.pk)
        not in auditor.get(at("location_receipt", world.location.pk))["Content-Disposition"]
    )


def test_a_damaged_tree_is_said_in_words(auditor: Client, world: World) -> None:
    make_checkpoint(SYSTEM)
    more(world, 1)
    with outside_actions():
        TreeNode.objects.all().delete()

    page = auditor.get(at("entry_receipt", 3))
    assert page.status_code == 409
    assert "Run manage.py audit" in text_of(page)
    page = auditor.post(at("checkpoints"), {"wish": "make"}, follow=True)
    assert "Run manage.py audit" in text_of(page)


def test_the_page_takes_as_many_queries_for_many_checkpoints_as_for_few(
    auditor: Client, world: World, settings: Any, tmp_path: Path, django_assert_num_queries: Any
) -> None:
    settings.CHECKPOINT_FOLDER = str(tmp_path)
    for rows in (3, 20):
        for _ in range(rows):
            more(world, 1)
            make_checkpoint(SYSTEM)
        # the session; the person; the head; how many; a page of them; how they left; the newest; the head;
        # the last that left; the newest tries
        with django_assert_num_queries(10):
            assert auditor.get(at("checkpoints")).status_code == 200
