"""The trace of a device in the console: findings in words, a picture, every stretch; to read and to print."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.test import Client

from registry.actions import assignments, devices, locations, provisional
from registry.console._chain_pictures import TICKS_MAX, Picture, picture_of
from registry.models import Device
from registry.queries.moments import head_index, present
from registry.queries.traces import device_chain
from tests.actions.unchanged import nothing_changed, unruled
from tests.console.pages import at, signed_in, text_of
from tests.factories.world import DAY, HOUR, World, new_location, person
from tests.queries.test_queries_traces import (
    correct,
    day,
    found_in,
    history,
    move,
    place_of,
    take_out,
    withdraw,
)


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


def page_of(client: Client, device: Device, **asked: str) -> Any:
    return client.get(at("device_chain", device.pk), asked)


def disputed(world: World) -> Device:
    """A device told to have followed a cabinet in which its own corrected history does not have it."""
    device, cabinet, other = world.device(), world.cabinet(), world.cabinet()
    hung = world.assigned(device, cabinet, day(world, 3))
    move(world, cabinet, 6, world.store(), "follow")
    take_out(world, hung, 8, "fault")
    correct(world, history(device)[1], facts={"cabinet_id": other.pk})
    return device


# --- what the page tells -----------------------------------------------------------------------------


def test_the_device_leads_to_its_trace_and_back(world: World, office: Client) -> None:
    device = world.device()

    assert f'href="{at("device_chain", device.pk)}"' in office.get(at("device", device.pk)).content.decode()
    asked = office.get(at("device", device.pk), {"as_of": "2026-02-20 08:00"}).content.decode()
    assert f'href="{at("device_chain", device.pk)}?as_of=2026-02-20+08%3A00"' in asked
    assert f'href="{at("device", device.pk)}"' in page_of(office, device).content.decode()


def test_findings_come_first_in_words_with_what_to_do_and_which_stretches(
    world: World, office: Client
) -> None:
    device = disputed(world)

    page = page_of(office, device)
    words = text_of(page)

    assert [(row.number, row.kind, row.stretches) for row in page.context["findings"]] == [
        (1, "contradiction", (2,)),
        (2, "still open", (2,)),
    ]
    assert words.index("F1 contradiction It is told to have gone") < words.index("At a glance")
    assert words.index("At a glance") < words.index("No. Who had it, and where")
    assert "put right where the device was, or the move. F2 still open It came out of" in words
    # An instant is told as one; what lasts, until now.
    assert "2026-02-06 03:00 EST; stretch 2 Ask who moved" in words
    assert "2026-02-08 03:00 EST to now; stretch 2 Send it" in words


def test_a_chain_without_findings_says_so(world: World, office: Client) -> None:
    page = page_of(office, world.device())

    assert "No gap, no contradiction, nothing open" in text_of(page)
    assert page.context["findings"] == []


def test_each_stretch_tells_its_holder_its_times_its_depot_and_who_said_so(
    world: World, office: Client
) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store(depot=world.fellgate)
    hung = world.assigned(device, cabinet, day(world, 3))
    move(world, cabinet, 6, store, "follow")
    take_out(world, hung, 8)
    said = head_index()

    page = page_of(office, device)
    words = text_of(page)

    assert (
        f"2 cabinet {cabinet.asset_tag} swap {world.location.label} from 2026-02-03 03:00 EST {store.label}"
        " from 2026-02-06 03:00 EST 2026-02-03 03:00 EST 2026-02-08 03:00 EST TM Tarnmouth, then FG Fellgate"
        f" entry {said - 2} 2026-03-02 03:00 EST by Office entry {said} 2026-03-02 03:00 EST by Office"
    ) in words
    assert "3 depot TM Tarnmouth 2026-02-08 03:00 EST still TM Tarnmouth" in words
    assert f'href="{at("entry", said)}"' in page.content.decode()


def test_a_correction_is_marked_with_what_was_believed_before_and_what_was_taken_back_stands_apart(
    world: World, office: Client
) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet(), day(world, 4))
    correct(world, hung, valid_from=3)
    corrected = head_index()

    words = text_of(page_of(office, device))
    assert f"entry {corrected} correction 2026-03-02 03:00 EST by Office: Misread" in words
    assert (
        f"until entry {corrected}: depot TM Tarnmouth, 2026-02-01 03:00 EST to 2026-02-04 03:00 EST" in words
    )
    assert "Taken back" not in words

    withdraw(world, history(device)[1])
    assert f"taken back by entry {corrected + 1} : Never was" in text_of(page_of(office, device))


def test_a_start_that_is_known_by_and_a_merged_record_are_told(world: World, office: Client) -> None:
    known, cabinet = world.device(), world.cabinet()
    found = found_in(world, cabinet_id=cabinet.pk)
    correct(world, history(found)[0], starts_known_by=True)
    provisional.merge_provisional_device(world.office, device_id=found.pk, into_id=known.pk)

    words = text_of(page_of(office, known))

    assert f"told first of record {found.serial} F1 no later than 2026-02-05 03:00 EST" in words


def test_times_of_a_cabinet_are_those_of_its_store(world: World, office: Client) -> None:
    store = locations.register_location(
        world.office,
        account_id=world.account.pk,
        location=new_location(world.tarnmouth, "0099", time_zone="America/Denver"),
        valid_from=world.start,
    )
    world.store()  # so that most stores of the depot, and with them the page, are elsewhere
    device = world.device()
    hung = world.assigned(device, world.cabinet(store), day(world, 3))
    take_out(world, hung, 8)

    words = text_of(page_of(office, device))

    assert "2026-02-03 01:00 MST 2026-02-08 01:00 MST" in words  # two hours behind the other stores
    assert "2026-02-08 03:00 EST still" in words


def test_as_of_and_as_known_repaint_the_page(world: World, office: Client) -> None:
    device = disputed(world)
    before = head_index() - 1

    then = page_of(office, device, as_of="2026-02-07 12:00")
    assert [row.link.place.place for row in then.context["stretches"]] == ["depot", "cabinet"]
    assert "still" in text_of(then)
    assert "swap" not in text_of(then)
    known = page_of(office, device, known_at=str(before))
    assert [row.finding.code for row in known.context["findings"]] == ["fault_unsettled"]
    early = page_of(office, device, as_of="2026-01-01 12:00")
    assert "The register knew nothing of it then." in text_of(early)
    wrong = page_of(office, device, as_of="yesterday")
    assert wrong.status_code == 422


# --- for whom ----------------------------------------------------------------------------------------


def test_who_may_not_read_the_ledger_is_told_the_entries_without_a_link(world: World) -> None:
    device = world.device()
    said = head_index()

    page = page_of(signed_in(person(world, "office", world.tarnmouth)), device)

    assert f"entry {said}" in text_of(page)
    assert at("entry", said) not in page.content.decode()


def test_only_who_may_correct_is_offered_to_put_right_and_only_what_is_believed_now(world: World) -> None:
    device = world.device()

    def offered(client: Client, **asked: str) -> list[bool]:
        return [bool(row.put_right) for row in page_of(client, device, **asked).context["stretches"]]

    before = head_index()
    world.device()
    assert offered(signed_in(world.office)) == [True]
    assert offered(signed_in(world.office), known_at=str(before)) == [False]
    assert offered(signed_in(world.auditor)) == [False]


def test_a_device_of_another_depot_is_as_one_that_is_not_there(world: World) -> None:
    stranger = signed_in(person(world, "office", world.fellgate))
    device = world.device()

    hidden = stranger.get(at("device_chain", device.pk))
    absent = stranger.get(at("device_chain", world.account.pk))

    assert (hidden.status_code, absent.status_code) == (404, 404)
    assert text_of(hidden) == text_of(absent)


def test_the_links_to_json_and_csv_ask_the_very_question_of_the_page(world: World, office: Client) -> None:
    device = disputed(world)
    page = page_of(office, device, as_of="2026-02-07 12:00", known_at=str(head_index() - 1))
    devices.correct_device(world.office, device_id=device.pk, firmware="2.0")

    with nothing_changed():
        told = office.get(page.context["json_address"])
        table = office.get(page.context["csv_address"])

    assert (told.status_code, table.status_code) == (200, 200)
    assert told.json()["known_index"] == head_index() - 2
    assert told.json()["as_of"] == "2026-02-07T17:00:00Z"
    assert [stretch["place"] for stretch in told.json()["stretches"]] == ["depot", "cabinet"]
    assert table.headers["Content-Type"].startswith("text/csv")


# --- the picture -------------------------------------------------------------------------------------


def drawn(device: Device, until: datetime | None = None, zone: str = "America/New_York") -> Picture:
    chain = device_chain(device.pk, present())
    return picture_of(chain, until or present().valid_at, ZoneInfo(zone))


def test_each_kind_of_holder_has_a_lane_and_each_stretch_a_bar_true_to_time(world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet(), day(world, 5))
    take_out(world, hung, 11)

    picture = drawn(device, day(world, 21))

    assert [lane.name for lane in picture.lanes] == ["In a depot", "In a cabinet"]
    [before, after], [cabinet] = (lane.bars for lane in picture.lanes)
    # Twenty days: four in the depot, six in the cabinet, ten in the depot again.
    assert [(bar.left, bar.width, bar.number) for bar in (before, cabinet, after)] == [
        ("0.00", "20.00", "1"),
        ("20.00", "30.00", "2"),
        ("50.00", "50.00", "3"),
    ]


def test_what_was_short_is_seen_and_ends_within_the_picture(world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet(), day(world, 20))
    take_out_after(world, hung.period, day(world, 20) + timedelta(minutes=5))

    bars = [bar for lane in drawn(device, day(world, 20) + timedelta(minutes=6)).lanes for bar in lane.bars]

    assert all(float(bar.width) >= 0.6 for bar in bars)
    assert all(float(bar.left) + float(bar.width) <= 100.01 for bar in bars)
    assert [bar.number for bar in bars] == ["1", "", ""]


def take_out_after(world: World, period: Any, moment: datetime) -> None:
    assignments.end_assignment(
        world.office, assignment_id=period, valid_to=moment, end_reason="swap", depot_id=world.tarnmouth.pk
    )


def test_a_gap_a_loss_a_move_and_a_finding_are_to_be_seen(world: World, office: Client) -> None:
    device, cabinet = world.device(), world.cabinet()
    [first] = history(device)

    def gap(writing: Any) -> None:
        writing.replace(first, valid_to=day(world, 3))
        writing.insert(place_of(device, "depot", day(world, 5), None, depot=world.tarnmouth))

    unruled(world, gap)
    hung = world.assigned(device, cabinet, day(world, 7))
    move(world, cabinet, 9, world.store(), "follow")
    take_out(world, hung, 11)
    devices.mark_device_lost(world.office, device_id=device.pk, valid_from=day(world, 13))

    picture = drawn(device, day(world, 21))

    lanes = {lane.name: lane for lane in picture.lanes}
    assert list(lanes) == ["In a depot", "In a cabinet", "Nobody knows where", "Findings"]
    assert lanes["In a cabinet"].moves == ("40.00",)
    assert [(bar.kind, bar.left, bar.width) for bar in lanes["Nobody knows where"].bars] == [
        ("lost", "60.00", "40.00"),
        ("unknown", "10.00", "10.00"),
    ]
    assert [bar.number for bar in lanes["Findings"].bars] == ["F1", "F2"]
    assert picture.words.startswith("Bars over time. in a depot: 3, in a cabinet: 1")
    # Nothing in the page needs a style or a script of its own: the policy would not let it.
    text = page_of(office, device).content.decode()
    assert " style=" not in text
    assert not re.search(r"<script(?![^>]* src=)", text)


@pytest.mark.parametrize("length", [1, 3, 10, 40, 75, 76, 200, 400, 1_000, 4_000, 20_000])
def test_a_few_days_or_months_are_named_in_order_along_the_axis(world: World, length: int) -> None:
    picture = drawn(world.device(), day(world, 1) + length * DAY)

    places = [float(tick.left) for tick in picture.ticks]
    assert 0 < len(places) <= TICKS_MAX + 1
    assert places == sorted(places)
    assert all(0 <= place <= 100 for place in places)
    names = [tick.name for tick in picture.ticks]
    assert len(set(names)) == len(names)
    for tick in picture.ticks:
        assert tick.anchor == (
            "start" if float(tick.left) < 8 else "end" if float(tick.left) > 92 else "middle"
        )


def test_a_day_begins_at_midnight_of_the_zone(world: World) -> None:
    # Received 2026-02-01 08:00 UTC; a day later is 2026-02-02 08:00 UTC, and New York is five hours behind.
    picture = drawn(world.device(), day(world, 2))

    [tick] = picture.ticks
    assert tick.name == "02-02"
    midnight = datetime(2026, 2, 2, 5, tzinfo=UTC)
    assert float(tick.left) == pytest.approx((midnight - day(world, 1)) / DAY * 100, abs=0.01)


# --- queries -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_the_page_takes_as_many_queries_when_the_chain_is_long(
    world: World, office: Client, django_assert_num_queries: Any, rows: int
) -> None:
    device, cabinet = world.device(), world.cabinet()
    for row in range(rows):
        hung = world.assigned(device, cabinet, world.start + 2 * DAY + row * 2 * HOUR)
        take_out_after(world, hung.period, hung.valid_from + HOUR)

    # the session; the person; the head; the device, its place, its depot, its model; the zone of the depot's
    # stores; and what `device_chain` reads
    with django_assert_num_queries(8 + 16):
        assert len(page_of(office, device).context["stretches"]) == 2 * rows + 1
