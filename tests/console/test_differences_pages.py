"""What changed between two states of knowledge, in the console: what reaches back stands first."""

import csv
import io
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, assignments, periods
from registry.console import differences as pages
from registry.models import DeviceWhereabouts
from registry.queries import differences as query
from registry.queries.changes import show_time
from registry.queries.moments import head_index
from tests.console.pages import at, signed_in, text_of
from tests.factories.world import DAY, HOUR, World, person


@pytest.fixture
def auditor(world: World) -> Client:
    return signed_in(world.auditor)


@pytest.fixture
def ended(world: World) -> DeviceWhereabouts:
    """An assignment that ended on the ninth day, as was said."""
    assignment = world.assigned(world.device(), world.cabinet())
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=world.start + 9 * DAY,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    return assignment


def corrected(world: World, period: DeviceWhereabouts, days: int) -> None:
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=period.period,
        reason="The work sheet says so",
        valid_to=world.start + days * DAY,
    )


def errors(page: Any) -> dict[str, str]:
    assert page.status_code == 422
    return {typed.name: typed.error for typed in page.context["fields"] if typed.error}


def test_what_reaches_back_stands_first_and_reads_as_an_auditor_needs_it(
    auditor: Client, world: World, ended: DeviceWhereabouts
) -> None:
    before = head_index()
    corrected(world, ended, 3)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})
    world.clock.at += DAY
    hung = world.assigned(world.device(), world.cabinet(), world.clock.at - HOUR)

    page = auditor.get(at("location_differences", world.location.pk), {"from_known": before})
    text = text_of(page)

    assert f"right after entry {before}, and what right after entry {head_index()}, the newest" in text
    assert "Reaches back before" in text
    told = (
        f"place of device {ended.device.serial}: cabinet {ended.cabinet.asset_tag} at {world.location.label}"
        " until 2026-02-09 03:00 EST (fault) until 2026-02-03 03:00 EST (fault)"
        " from 2026-02-03 03:00 EST to 2026-02-09 03:00 EST"
        f" entry {before + 1} , Office, 2026-03-02 03:00 EST"
    )
    assert told in text
    assert text.index(told) < text.index("What came since") < text.index(hung.device.serial)
    assert "The work sheet says so" in text
    content = page.content.decode()
    assert f'href="{at("device", ended.device_id)}"' in content
    assert f'href="{at("entry", before + 1)}"' in content
    assert "Lantern Gas" not in text  # the account's particulars are not the location's

    whole = text_of(auditor.get(at("fleet_differences"), {"from_known": before}))
    assert "Particulars that were corrected (1)" in whole
    assert "account LF Lantern Gas name Lantern Fuel name Lantern Gas" in whole


def test_a_time_is_typed_in_the_stores_zone_and_a_month_narrows(
    auditor: Client, world: World, ended: DeviceWhereabouts
) -> None:
    signed = world.clock.at + timedelta(minutes=1)
    world.clock.at += DAY
    corrected(world, ended, 3)
    address = at("location_differences", world.location.pk)
    asked = {"from_known": "2026-03-02 03:01"}

    page = auditor.get(address, asked)

    assert page.context["before"] == show_time(signed, page.context["visit"].zone)
    assert page.context["nothing"] is False
    assert auditor.get(address, {**asked, "valid_from": "2026-02-09 03:00"}).context["nothing"]
    found = auditor.get(address, {**asked, "valid_from": "2026-02-01 00:00", "valid_to": "2026-02-28 00:00"})
    assert [count for _, _, count in found.context["parts"]] == [1, 0, 0]


def test_what_was_taken_back_is_counted(auditor: Client, world: World, ended: DeviceWhereabouts) -> None:
    before = head_index()
    for days in (3, 9):
        corrected(world, ended, days)

    text = text_of(auditor.get(at("account_differences", world.account.pk), {"from_known": before}))

    assert "Nothing differs in the end." in text
    assert "2 entries in between changed something and took it back." in text


def test_before_anything_is_asked_there_is_a_form_and_no_answer(auditor: Client, world: World) -> None:
    page = auditor.get(at("fleet_differences"))

    assert page.status_code == 200
    assert "between" not in page.context
    assert [typed.label for typed in page.context["fields"]] == ["From", "To", "About the time from", "until"]


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"to_known": "3"}, "from_known"),
        ({"from_known": "soon"}, "from_known"),
        ({"from_known": "9999"}, "from_known"),
        ({"from_known": "9" * 30}, "from_known"),
        ({"from_known": "3", "to_known": "2"}, "to_known"),
        ({"from_known": "3", "valid_from": "March"}, "valid_from"),
        ({"from_known": "3", "valid_from": "2026-02-02 08:00", "valid_to": "2026-02-01 08:00"}, "valid_to"),
    ],
)
def test_what_cannot_be_asked_is_refused_beside_its_field(
    auditor: Client, typed: dict[str, str], field: str
) -> None:
    page = auditor.get(at("fleet_differences"), typed)

    assert list(errors(page)) == [field]
    assert [one.value for one in page.context["fields"] if one.value] == list(typed.values())


def test_too_much_is_refused_with_what_to_do(auditor: Client, world: World, monkeypatch: Any) -> None:
    monkeypatch.setattr(query, "ROWS_MAX", 2)

    found = errors(auditor.get(at("fleet_differences"), {"from_known": "0"}))

    assert "Ask for one location or account" in found["from_known"]


def test_pages_of_one_answer_agree_while_others_write(
    auditor: Client, world: World, monkeypatch: Any
) -> None:
    monkeypatch.setattr(pages, "LINES_SHOWN_MAX", 4)
    before = head_index()
    for _ in range(3):
        world.device()
    last = head_index()
    first = auditor.get(at("fleet_differences"), {"from_known": before})
    world.device()

    second = auditor.get(f"{at('fleet_differences')}?{first.context['keep_query']}&page=2")

    assert second.context["between"].last == last
    shown = [
        row.line.what for page in (first, second) for _, rows, _ in page.context["parts"] for row in rows
    ]
    assert len(shown) == len(set(shown)) == 6


def test_it_is_had_as_a_sheet(auditor: Client, world: World, ended: DeviceWhereabouts) -> None:
    before = head_index()
    corrected(world, ended, 3)
    page = auditor.get(at("location_differences", world.location.pk), {"from_known": before})

    sheet = auditor.get(f"{at('location_differences', world.location.pk)}?{page.context['sheet_query']}")

    assert sheet.headers["Content-Type"] == "text/csv; charset=utf-8"
    _, row = csv.reader(io.StringIO(sheet.content.decode(), newline=""))
    assert row[:2] == ["yes", "2026-02-03 03:00 EST"]
    assert row[3] == world.location.label


def test_a_thing_of_another_depot_does_not_show(world: World) -> None:
    before = head_index()
    hidden = world.cabinet(world.store(depot=world.fellgate))
    shown = world.cabinet()

    narrow = signed_in(person(world, "auditor", world.tarnmouth))
    text = text_of(narrow.get(at("fleet_differences"), {"from_known": before}))

    assert shown.asset_tag in text
    assert hidden.asset_tag not in text


def test_the_pages_of_things_lead_there(auditor: Client, world: World) -> None:
    places = {
        at("location", world.location.pk): at("location_differences", world.location.pk),
        at("account", world.account.pk): at("account_differences", world.account.pk),
        at("fleet"): at("fleet_differences"),
    }
    for page, address in places.items():
        content = auditor.get(page, {"known_at": head_index()}).content.decode()
        assert f'href="{address}?from_known={head_index()}"' in content


@pytest.mark.parametrize("rows", [3, 30])
def test_the_page_takes_as_many_queries_for_many_lines_as_for_few(
    auditor: Client, world: World, monkeypatch: Any, django_assert_num_queries: Any, rows: int
) -> None:
    monkeypatch.setattr(pages, "LINES_SHOWN_MAX", 500)
    before = head_index()
    for _ in range(rows):
        world.assigned(world.device(), world.cabinet(split=True))

    # the session; the person; the head, for either; when the first entry was recorded; six histories; shares;
    # subjects; two kinds of records; in words: shares, products, four kinds of things, stays by either
    # belief, stores, entries, people
    with django_assert_num_queries(26):
        assert auditor.get(at("fleet_differences"), {"from_known": before}).status_code == 200
