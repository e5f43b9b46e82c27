"""The ledger in the console: sentences, what each entry changed, and its text on demand."""

import json
from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, assignments, locations, periods, staff
from registry.actions._requests import Answer, Request, carry_out
from registry.console.ledger import clock_words
from registry.models import Entry, Split
from registry.queries.moments import head_index
from registry.rules.events import Face, Verb
from tests.console.pages import at, signed_in, text_of
from tests.factories.world import DAY, World, person


@pytest.fixture
def auditor(world: World) -> Client:
    return signed_in(world.auditor)


def test_the_list_reads_as_sentences_newest_first(auditor: Client, world: World) -> None:
    cabinet = world.cabinet()
    accounts.correct_account(
        world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"}, reason="new sign"
    )

    text = text_of(auditor.get(at("registry_entry_changelist")))

    newest = f"{head_index()} 2026-03-02 08:00 UTC Details of account LF Lantern Gas were corrected simulated"
    assert f"{newest} new sign Office, api" in text
    assert f"Cabinet {cabinet.asset_tag} was registered at {world.location.label}" in text
    assert text.index("Details of account") < text.index("was registered at")
    assert "account.corrected" not in text


def test_the_list_is_filtered_by_kind_and_face(auditor: Client, world: World) -> None:
    world.cabinet()

    def found(**by: str) -> int:
        page = auditor.get(at("registry_entry_changelist"), by)
        assert page.status_code == 200
        return int(page.context["cl"].result_count)

    assert found(about="cabinet") == 1
    assert found(about="cabinet_model") == 2
    assert found(face="command") == Entry.objects.filter(face="command").count() > 0
    assert found(about="token") == 0


def test_an_entry_tells_its_sentence_and_what_each_thing_said_before_and_after(
    auditor: Client, world: World
) -> None:
    accounts.correct_account(
        world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"}, reason="new sign"
    )
    page = auditor.get(at("entry", head_index()))
    text = text_of(page)

    assert page.status_code == 200
    assert "Details of account LF Lantern Gas were corrected." in text
    assert "Happened 2026-03-02 08:00:00 UTC Recorded 2026-03-02 08:00:00 UTC simulated" in text
    assert "By Office, through api Reason new sign Verb account.corrected" in text
    assert "name of account LF Lantern Gas Lantern Fuel Lantern Gas" in text
    assert bytes(Entry.objects.get(pk=head_index()).leaf_hash).hex() in text


def test_the_text_of_an_entry_is_shown_on_demand_alone(auditor: Client, world: World) -> None:
    row = Entry.objects.get(pk=head_index())
    bare, whole = auditor.get(at("entry", row.pk)), auditor.get(at("entry", row.pk), {"text": "yes"})

    assert str(row.id) not in bare.content.decode()
    assert json.loads(whole.context["text"]) == json.loads(row.body)
    assert "&quot;leaf" not in bare.content.decode()


def test_every_entry_of_the_world_can_be_read(auditor: Client, world: World) -> None:
    cabinet = world.cabinet(split=True)
    world.assigned(world.device(), cabinet)
    locations.register_contact(world.office, location_id=world.location.pk, text={"name": "Wren Hollis"})
    period = Split.objects.current().get(cabinet=cabinet)
    periods.correct_period(
        world.office,
        history="split",
        period_id=period.period,
        valid_from=world.start + 2 * DAY,
        reason="the sheet",
    )
    staff.deactivate_staff(world.administrator, staff_id=world.stranger.staff_id)

    for index in range(1, head_index() + 1):
        page = auditor.get(at("entry", index))
        assert page.status_code == 200
        assert page.context["lines"]
        assert "Wren" not in text_of(page)
    assert Verb(Entry.objects.get(pk=1).verb) is Verb.REGISTER_FOUNDED


def test_entries_lead_to_their_neighbours(auditor: Client, world: World) -> None:
    first, last = auditor.get(at("entry", 1)), auditor.get(at("entry", head_index()))

    assert "Entry before" not in text_of(first)
    assert f'href="{at("entry", 2)}"' in first.content.decode()
    assert "Entry after" not in text_of(last)


@pytest.mark.parametrize("index", [0, 10**6, 10**17, 10**30])
def test_an_entry_that_is_not_there_is_said_to_be_absent(auditor: Client, index: int) -> None:
    assert auditor.get(at("entry", index)).status_code == 404


def test_who_does_not_see_all_depots_reads_no_entry(world: World) -> None:
    narrow = signed_in(person(world, "office", world.tarnmouth))

    pages = [narrow.get(at("entry", index)) for index in (1, 10**6)]

    assert [page.status_code for page in pages] == [404, 404]
    assert text_of(pages[0]) == text_of(pages[1])


@pytest.mark.parametrize("rows", [3, 30])
def test_an_entry_takes_as_many_queries_for_many_images_as_for_few(
    auditor: Client, world: World, django_assert_num_queries: Any, rows: int
) -> None:
    for _ in range(rows):
        world.assigned(world.device(), world.cabinet(split=True))
    locations.close_location(
        world.office,
        location_id=world.location.pk,
        cabinets_to=world.fellgate.pk,
        valid_from=world.start + 9 * DAY,
    )

    address = at("entry", head_index())

    # the session; the person; what the entry tells, its subjects, names of people; the entry and its
    # subjects with their images; the depots that it refers to; the newest entry
    with django_assert_num_queries(9):
        assert len(auditor.get(address).context["lines"]) > 3 * rows


def test_an_entry_tells_both_times_of_a_phone_whose_clock_was_wrong(auditor: Client, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    page = text_of(auditor.get(at("entry", head_index())))
    assert "As stated" not in page

    phone = Request(
        world.installer.staff_id, Face.FIELD, render=lambda _: Answer(201, ""), clock_offset_s=-1200
    )
    carry_out(
        assignments.assign_device,
        phone,
        device_id=device.pk,
        cabinet_id=cabinet.pk,
        valid_from=world.clock.at,
    )
    page = text_of(auditor.get(at("entry", head_index())))
    assert "Happened 2026-03-02 08:00:00 UTC" in page
    assert "As stated 2026-03-02 08:20:00 UTC: the clock that stated it ran 20 min 0 s fast" in page


@pytest.mark.parametrize(("offset_s", "words"), [(0, ""), (59, "59 s slow"), (-61, "1 min 1 s fast")])
def test_how_far_a_clock_was_out_is_told_in_words(offset_s: int, words: str) -> None:
    assert clock_words(offset_s) == words
