"""The chain of a device over the API: JSON for programs, CSV to keep, and neither for the wrong people."""

import csv
from io import StringIO
from typing import Any

import pytest

from registry.actions import assignments, cabinets, devices, periods
from registry.queries.moments import head_index
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, ok, tables_read, told
from tests.api.operations import utc
from tests.factories.world import DAY, HOUR, World


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


def faulty(world: World) -> tuple[Any, Any, Any]:
    """A device that hung in a cabinet that moved with it, came out faulty, and had its start put right."""
    device, cabinet, store = world.device(), world.cabinet(), world.store(depot=world.fellgate)
    hung = world.assigned(device, cabinet, world.start + 4 * DAY)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=store.pk,
        valid_from=world.start + 6 * DAY,
        devices="follow",
    )
    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        valid_to=world.start + 8 * DAY,
        end_reason="fault",
        end_note="=port 2 is deaf",
        depot_id=world.tarnmouth.pk,
    )
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        valid_from=world.start + 3 * DAY,
        reason="Misread",
    )
    return device, cabinet, store


def table(reply: Reply) -> list[dict[str, str]]:
    """Return the lines of a table by the names of their columns."""
    return list(csv.DictReader(StringIO(reply.text, newline="")))


# --- JSON --------------------------------------------------------------------------------------------------


def test_the_chain_is_told_with_its_places_its_entries_and_its_findings(
    auditor: Person, world: World
) -> None:
    device, cabinet, store = faulty(world)
    head = head_index()

    with nothing_changed():
        reply = ok(auditor.get(f"devices/{device.pk}/chain/"))

    assert reply.headers["Register-Index"] == str(reply["known_index"])
    assert (reply["device"], reply["serial"], reply["at_head"]) == (str(device.pk), device.serial, True)
    depot, hung, back = reply["stretches"]
    assert [stretch["place"] for stretch in (depot, hung, back)] == ["depot", "cabinet", "depot"]
    assert depot["depot"] == str(world.tarnmouth.pk)
    assert (hung["words"], hung["cabinet"]) == (f"cabinet {cabinet.asset_tag}", str(cabinet.pk))
    assert (hung["valid_from"], hung["valid_to"]) == (utc(world.start + 3 * DAY), utc(world.start + 8 * DAY))
    assert (hung["end_reason"], hung["end_note"]) == ("fault", "=port 2 is deaf")  # JSON is no spreadsheet
    assert [
        (stood["location"], stood["depot_name"], stood["valid_from"], stood["valid_to"])
        for stood in hung["stood"]
    ] == [
        (str(world.location.pk), "TM Tarnmouth", utc(world.start + 3 * DAY), utc(world.start + 6 * DAY)),
        (str(store.pk), "FG Fellgate", utc(world.start + 6 * DAY), utc(world.start + 8 * DAY)),
    ]
    assert [entry["verb"] for entry in hung["entries"]] == [
        "device.assigned",
        "device.removed",
        "period.corrected",
    ]
    assert hung["corrections"] == [hung["entries"][2]["index"]] == [head]
    assert (hung["entries"][2]["who"], hung["entries"][2]["reason"]) == ("Office", "Misread")
    [taken_back] = hung["replaced"]
    assert (taken_back["valid_from"], taken_back["superseded_index"]) == (utc(world.start + 4 * DAY), head)
    assert reply["withdrawn"] == []
    [finding] = reply["findings"]
    assert (finding["code"], finding["kind"], finding["until"]) == ("fault_unsettled", "open", None)
    assert finding["periods"] == [hung["id"]]
    assert finding["to_do"].endswith(".")


def test_a_withdrawn_period_and_what_told_it_are_in_the_answer(auditor: Person, world: World) -> None:
    device = world.device()
    hung = world.assigned(device, world.cabinet())
    periods.withdraw_period(
        world.office, history="devicewhereabouts", period_id=hung.period, reason="Never was"
    )

    reply = ok(auditor.get(f"devices/{device.pk}/chain/"))

    [withdrawn] = reply["withdrawn"]
    assert (withdrawn["id"], withdrawn["superseded_index"]) == (str(hung.period), head_index())
    assert withdrawn["words"].startswith("cabinet ")


def test_the_chain_is_asked_as_of_a_day_and_as_known_after_an_entry(auditor: Person, world: World) -> None:
    device, _, _ = faulty(world)
    before_it_was_corrected = head_index() - 1
    address = f"devices/{device.pk}/chain/"

    then = ok(auditor.get(address, as_of=utc(world.start + 5 * DAY)))
    assert [stretch["valid_to"] for stretch in then["stretches"]] == [utc(world.start + 3 * DAY), None]
    assert (then["stretches"][1]["end_reason"], then["findings"]) == ("", [])
    known = ok(auditor.get(address, known_at=before_it_was_corrected))
    assert known["stretches"][1]["valid_from"] == utc(world.start + 4 * DAY)
    assert known["stretches"][1]["corrections"] == []
    assert known["at_head"] is False
    assert ok(auditor.get(address, as_of=utc(world.start)))["stretches"] == []


def test_who_sees_the_device_now_is_told_its_places_in_other_depots(api: Api, world: World) -> None:
    device, _, store = faulty(world)
    installer, stranger = api.as_(world.installer), api.as_(world.stranger)

    for form in ("chain/", "chain.csv"):
        reply = ok(installer.get(f"devices/{device.pk}/{form}"))
        assert store.label in reply.text
        hidden = told(stranger.get(f"devices/{device.pk}/{form}"), 404, "not_found")
        absent = told(stranger.get(f"devices/{world.account.pk}/{form}"), 404, "not_found")
        assert hidden.body == absent.body


def test_a_misspelt_parameter_is_refused(auditor: Person, world: World) -> None:
    device = world.device()

    for form in ("chain/", "chain.csv"):
        reply = told(auditor.get(f"devices/{device.pk}/{form}", asof="2026-02-20"), 422, "value_invalid")
        assert reply["errors"][0]["parameter"] == "asof"
        told(auditor.get(f"devices/{device.pk}/{form}", as_of="yesterday"), 422, "time_invalid")


# --- CSV ---------------------------------------------------------------------------------------------------


def test_the_table_has_a_line_a_stretch_and_a_line_a_place(auditor: Person, world: World) -> None:
    device, cabinet, store = faulty(world)

    reply = ok(auditor.get(f"devices/{device.pk}/chain.csv"))

    assert reply.headers["Content-Type"] == "text/csv; charset=utf-8; header=present"  # RFC 4180, section 3
    assert reply.headers["Content-Disposition"] == f'attachment; filename="chain-{device.serial}.csv"'
    assert reply.headers["Cache-Control"] == "private, no-cache"
    assert reply.text.count("\r\n") == 5  # a header and four lines, each ended: RFC 4180, section 2
    assert "\n" not in reply.text.replace("\r\n", "")
    lines = table(reply)
    assert [(line["stretch"], line["place"], line["store"]) for line in lines] == [
        ("1", "depot", ""),
        ("2", "cabinet", world.location.label),
        ("2", "cabinet", store.label),
        ("3", "depot", ""),
    ]
    assert [line["answering_depot"] for line in lines] == [
        "TM Tarnmouth", "TM Tarnmouth", "FG Fellgate", "TM Tarnmouth",
    ]  # fmt: skip
    assert [line["holder"] for line in lines][1:3] == [f"cabinet {cabinet.asset_tag}"] * 2
    assert (lines[2]["from"], lines[2]["to"]) == (utc(world.start + 6 * DAY), utc(world.start + 8 * DAY))
    assert lines[3]["to"] == ""
    # Why it ended stands where it ended; what was found stands at the period.
    assert [line["end_reason"] for line in lines] == ["", "", "fault", ""]
    assert [line["findings"] for line in lines] == ["", "fault_unsettled", "fault_unsettled", ""]
    assert {line["serial"] for line in lines} == {device.serial}
    assert {line["known_index"] for line in lines} == {reply.headers["Register-Index"]}


def test_no_cell_is_taken_for_a_formula(auditor: Person, world: World) -> None:
    device, _, _ = faulty(world)
    devices.send_device_to_repair(
        world.office, device_id=device.pk, valid_from=world.start + 9 * DAY, reference="-7"
    )

    lines = table(ok(auditor.get(f"devices/{device.pk}/chain.csv")))

    assert lines[2]["end_note"] == "'=port 2 is deaf"
    assert lines[4]["return_number"] == "'-7"


def test_the_table_is_answered_to_whoever_accepts_csv_and_problems_are_told_in_json(
    auditor: Person, world: World
) -> None:
    address = f"devices/{world.device().pk}/chain.csv"

    for accepted in ("text/csv", "*/*", "text/*;q=0.5"):
        ok(auditor.send("GET", address, headers={"Accept": accepted}))
    refused = told(
        auditor.send("GET", address, headers={"Accept": "application/json"}), 406, "not_acceptable"
    )
    assert refused["detail"] == "Answers are text/csv. Accept that."
    told(auditor.send("POST", address, body={}, headers={"Accept": "text/csv"}), 405, "method_unknown")


# --- queries -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_a_chain_takes_as_many_queries_when_it_is_long(api: Api, world: World, rows: int) -> None:
    device, cabinet, installer = world.device(), world.cabinet(), api.as_(world.installer)
    for row in range(rows):
        hung = world.assigned(device, cabinet, world.start + 2 * DAY + row * 2 * HOUR)
        assignments.end_assignment(
            world.office,
            assignment_id=hung.period,
            valid_to=hung.valid_from + HOUR,
            end_reason="swap",
            depot_id=world.tarnmouth.pk,
        )

    # the token with its person; whose depots; the head for the question, and again for who may ask; the
    # device as it is now; then what `device_chain` reads
    asked = [
        "apitoken",
        "staffdepot",
        "entry",
        "entry",
        "device",
        "devicewhereabouts",
        "depot",
        "devicemodel",
    ]
    chain = [
        "device", "subject", "devicewhereabouts", "cabinet", "depot", "entry", "subject", "staff",
        "cabinetwhereabouts", "cabinetwhereabouts", "cabinet", "location", "depot", "device", "device",
        "reading",
    ]  # fmt: skip
    for form in ("chain/", "chain.csv"):
        assert tables_read(lambda form=form: installer.get(f"devices/{device.pk}/{form}")) == [*asked, *chain]
