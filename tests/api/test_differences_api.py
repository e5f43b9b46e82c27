"""What changed between two states of knowledge over HTTP: as JSON by the page, and whole as a sheet."""

import csv
import io
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import accounts, assignments, periods
from registry.models import DeviceWhereabouts
from registry.queries import differences as module
from registry.queries.moments import head_index
from tests.api.client import Api, Person, Reply, ok, tables_read, told
from tests.api.operations import utc, when
from tests.factories.world import DAY, World, person


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


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


def corrected(world: World, period: DeviceWhereabouts, days: int, reason: str = "the work sheet") -> None:
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=period.period,
        reason=reason,
        valid_to=world.start + days * DAY,
    )


def asked(asker: Person, first: object, **query: Any) -> Reply:
    return ok(asker.get("differences/", from_known=first, **query))


def test_a_difference_is_told_with_both_beliefs_since_when_and_who_did_it(
    auditor: Person, world: World, ended: DeviceWhereabouts
) -> None:
    before = head_index()
    corrected(world, ended, 3)

    found = asked(auditor, before)

    head = {name: found[name] for name in ("from_index", "known_index", "at_head", "taken_back", "next")}
    assert head == {
        "from_index": before,
        "known_index": before + 1,
        "at_head": True,
        "taken_back": 0,
        "next": None,
    }
    assert [found[name] for name in ("reaching_back", "undated", "others")] == [2, 0, 0]
    assert found.headers["Register-Index"] == str(before + 1)
    line = next(line for line in found["results"] if line["period"] == str(ended.period))
    [entry] = line.pop("entries")
    assert line == {
        "change": "moved",
        "kind": "device",
        "thing": str(ended.device_id),
        "history": "devicewhereabouts",
        "period": str(ended.period),
        "what": f"place of device {ended.device.serial}: cabinet {ended.cabinet.asset_tag}",
        "was": "until 2026-02-09 08:00 UTC (fault)",
        "now": "until 2026-02-03 08:00 UTC (fault)",
        "since": "2026-02-03T08:00:00Z",
        "reaches_back": True,
        "differs": [{"valid_from": "2026-02-03T08:00:00Z", "valid_to": "2026-02-09T08:00:00Z"}],
        "columns": ["valid_to"],
        "location": str(world.location.pk),
        "location_name": world.location.label,
    }
    assert (entry["index"], entry["who"], entry["reason"]) == (before + 1, "Office", "the work sheet")


def test_a_time_is_a_first_state_of_knowledge_too_and_measures_what_reaches_back(
    auditor: Person, world: World, ended: DeviceWhereabouts
) -> None:
    world.clock.at += 5 * DAY
    signed = world.clock.at
    world.clock.at += DAY
    corrected(world, ended, 3)

    found = asked(auditor, when(signed))

    assert found["reaches_back_before"] == utc(signed)
    assert found["reaching_back"] == 2
    early = asked(auditor, when(signed), reaches_back_before=when(world.start))
    assert (early["reaching_back"], early["others"]) == (0, 2)


def test_the_same_two_entries_give_the_same_answer_for_ever(
    auditor: Person, world: World, ended: DeviceWhereabouts
) -> None:
    first = head_index()
    corrected(world, ended, 3)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})
    last = head_index()
    once = asked(auditor, first, to_known=last)

    world.clock.at += 20 * DAY
    corrected(world, ended, 5)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern"})

    again = asked(auditor, first, to_known=last)
    assert again.body == {**once.body, "at_head": False}


def test_pages_agree_with_each_other_while_others_write(
    auditor: Person, world: World, ended: DeviceWhereabouts
) -> None:
    first = head_index()
    for _ in range(3):
        world.device()
    whole = asked(auditor, first)["results"]

    page = asked(auditor, first, page_size=4)
    rows = page["results"]
    while page["next"]:
        world.device()
        page = ok(auditor.get(page["next"]))
        rows += page["results"]

    assert rows == whole
    assert len(whole) == 6


def test_it_is_narrowed_to_a_location_an_account_or_a_time(
    auditor: Person, world: World, ended: DeviceWhereabouts
) -> None:
    other = world.store()
    first = head_index()
    corrected(world, ended, 3)
    world.cabinet(other)

    def shown(**query: Any) -> list[str]:
        return sorted(line["kind"] for line in asked(auditor, first, **query)["results"])

    assert shown() == ["cabinet", "cabinet", "device", "device"]
    assert shown(location=world.location.pk) == ["device"]
    assert shown(location=other.pk) == ["cabinet", "cabinet"]
    assert shown(account=world.account.pk) == ["cabinet", "cabinet", "device"]
    month = {"valid_from": when(world.start + 2 * DAY), "valid_to": when(world.start + 5 * DAY)}
    assert shown(**month) == ["cabinet", "device", "device"]  # the new cabinet by where it stood alone
    assert shown(valid_to=when(world.start)) == []
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern"})
    assert shown(valid_to=when(world.start)) == ["account"]  # which says not when, so it is told always
    assert shown(location=world.location.pk, valid_to=when(world.start + 3 * DAY)) == []


def test_a_thing_of_another_depot_does_not_show(api: Api, world: World) -> None:
    first = head_index()
    store = world.store(depot=world.fellgate)
    mine, theirs = world.cabinet(), world.cabinet(store)
    narrow = api.as_(person(world, "auditor", world.tarnmouth))

    things = {line["thing"] for line in asked(narrow, first)["results"]}

    assert str(mine.pk) in things
    assert not {str(theirs.pk), str(store.pk)} & things
    hidden = told(narrow.get("differences/", from_known=first, location=store.pk), 404, "not_found")
    absent = told(narrow.get("differences/", from_known=first, location=uuid4()), 404, "not_found")
    assert hidden.body == absent.body


def test_it_is_had_as_a_sheet_whose_cells_no_program_computes(
    auditor: Person, world: World, ended: DeviceWhereabouts
) -> None:
    first = head_index()
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "=HYPERLINK(1)"})
    corrected(world, ended, 3, reason="the sheet, line 4")
    query = {"from_known": first, "page_size": 1}

    sheet = ok(auditor.send("GET", "differences/", query=query, headers={"Accept": "text/csv"}))

    assert sheet.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert "attachment" in sheet.headers["Content-Disposition"]
    header, *rows = csv.reader(io.StringIO(sheet.text, newline=""))
    assert header[:3] == ["reaches back", "differs since", "what"]
    assert [row[0] for row in rows] == ["yes", "yes", "no date"]
    assert rows[0][5] in ("until 2026-02-03 08:00 UTC (fault)", "from 2026-02-03 08:00 UTC")
    assert f"entry {first + 2} by Office, " in rows[0][6]
    assert rows[0][6].endswith(": the sheet, line 4")
    assert rows[2][4:6] == ["name Lantern Fuel", "name =HYPERLINK(1)"]  # a formula would stand in front
    wrong = auditor.send("GET", "differences/", headers={"Accept": "text/csv"})
    told(wrong, 422, "value_invalid")


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ({}, "from_known"),
        ({"from_known": "yesterday"}, "from_known"),
        ({"from_known": "9" * 20}, "from_known"),
        ({"from_known": "999"}, "from_known"),
        ({"from_known": "1", "to_known": "999"}, "to_known"),
        ({"from_known": "2", "to_known": "1"}, "to_known"),
        ({"from_known": "1", "reaches_back_before": "2026-03-01T08:00:00"}, "reaches_back_before"),
        ({"from_known": "1", "valid_from": "March"}, "valid_from"),
        (
            {"from_known": "1", "valid_from": "2026-03-02T08:00:00Z", "valid_to": "2026-03-01T08:00:00Z"},
            "valid_to",
        ),
        ({"from_known": "1", "location": "0042"}, "location"),
        ({"from_known": "1", "page_size": "0"}, "page_size"),
        ({"from_known": "1", "page_size": "201"}, "page_size"),
        ({"from_known": "1", "cursor": "-1"}, "cursor"),
        ({"from_known": "1", "since": "1"}, "since"),
    ],
)
def test_what_cannot_be_asked_is_refused_by_its_parameter(
    auditor: Person, query: dict[str, str], parameter: str
) -> None:
    reply = auditor.get("differences/", **query)

    assert reply.status == 422
    assert [error["parameter"] for error in reply["errors"]] == [parameter]


def test_a_location_and_an_account_at_once_are_refused(auditor: Person, world: World) -> None:
    both = {"location": world.location.pk, "account": world.account.pk}
    told(auditor.get("differences/", from_known=1, **both), 422, "value_invalid")


def test_too_much_is_refused(auditor: Person, world: World, monkeypatch: Any) -> None:
    monkeypatch.setattr(module, "ROWS_MAX", 2)
    told(auditor.get("differences/", from_known=0), 422, "too_many")


def test_as_many_queries_for_a_long_page_as_for_a_short_one(auditor: Person, world: World) -> None:
    reads = []
    for rows in (3, 30):
        first = head_index()
        for _ in range(rows):
            world.assigned(world.device(), world.cabinet(split=True))
        reads.append(tables_read(lambda first=first: asked(auditor, first, page_size=200)))

    assert reads[0] == reads[1]
    compared = (
        "accountstate locationstate locationholding cabinetwhereabouts split splitshare devicewhereabouts"
    )
    told_by = (
        "splitshare product location depot cabinetmodel devicemodel cabinetwhereabouts cabinetwhereabouts"
    )
    # who asks; the head, for either; when the first entry was recorded; the histories; particulars; words:
    # shares and what is referred to; stays by either belief, to tell the store; entries and who made them
    assert reads[0] == [
        *("apitoken", "entry", "entry", "entry"),
        *compared.split(),
        *("subject", "cabinet", "device"),
        *told_by.split(),
        *("location", "entry", "staff"),
    ]
