"""The main job over a real server: office registers, installer assigns and swaps, auditor asks on both axes.

Every refusal on the way leaves the database as it was, byte for byte of every table.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from registry.rules.identifiers import CheckMethod, check_characters
from tests.walk.served import PASSWORD, Answer, Phone, Served, served

NOW = datetime.now(UTC).replace(microsecond=0)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
V1 = "/api/v1"


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)], scope="module")
def register(request: pytest.FixtureRequest) -> Iterator[Served]:
    """A register that has just begun, served."""
    with served(request.param) as found:
        yield found


def at(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def serial(number: int) -> str:
    payload = f"{number:06d}"
    return f"PB3{payload}{check_characters(CheckMethod.LUHN, payload)}"


def mistyped(right: str) -> str:
    """Return a serial with its last two digits before the check exchanged."""
    assert right[7] != right[8]
    return right[:7] + right[8] + right[7] + right[9:]


def rows(found: Served) -> dict[str, list[Any]]:
    """Return every row of every table of the register, in an order of its own."""
    url = found.environment["RIMEBOOK_DATABASE_URL"]
    if url.startswith("sqlite"):
        connection: Any = sqlite3.connect(url.removeprefix("sqlite:///"))
        names = "SELECT name FROM sqlite_master WHERE type = 'table' AND name LIKE 'registry_%'"
    else:
        import psycopg

        connection = psycopg.connect(url)
        names = "SELECT tablename FROM pg_tables WHERE tablename LIKE 'registry_%'"
    try:
        tables = [name for (name,) in connection.execute(names).fetchall()]
        return {
            table: sorted(connection.execute(f'SELECT * FROM "{table}"').fetchall(), key=repr)
            for table in tables
        }
    finally:
        connection.close()


@contextmanager
def unchanged(found: Served) -> Iterator[None]:
    """Hold that nothing at all is written meanwhile."""
    before = rows(found)
    assert before["registry_entry"]
    yield
    after = rows(found)
    assert {table for table in after if after[table] != before[table]} == set()


def done(answer: Answer, status: int = 201) -> Any:
    assert answer.status == status, answer.text
    return answer.body


def refused(answer: Answer, status: int, code: str, pointer: str | None = None) -> Any:
    assert (answer.status, answer.body["code"]) == (status, code), answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"
    if pointer is not None:
        assert [error["pointer"] for error in answer.body["errors"]] == [pointer]
    return answer.body


def let_in(found: Served, hester: Phone, username: str, role: str, *depots: str) -> Phone:
    body = {
        "username": username,
        "name": username.title(),
        "password": PASSWORD,
        "role": role,
        "depots": list(depots),
        "everywhere": not depots,
    }
    person = done(hester.post(f"{V1}/staff/", body))
    issued = done(hester.post(f"{V1}/tokens/", {"staff": person["id"], "name": f"phone of {username}"}))
    return Phone(found.port, issued["secret"])


@dataclass
class Company:
    """The people of the walk, and what they have made so far."""

    register: Served
    hester: Phone
    odile: Phone
    wren: Phone
    ottilie: Phone
    tobias: Phone
    tarnmouth: str
    begin: datetime = NOW - 30 * DAY
    made: dict[str, Any] = field(default_factory=dict)


def test_the_main_job(register: Served) -> None:
    company = people_are_let_in(register)
    the_office_registers_the_catalogue_stock_account_and_store(company)
    the_installer_finds_the_store_and_records_a_cabinet_with_its_split(company)
    the_installer_mistypes_assigns_and_repeats(company)
    the_installer_swaps_after_a_fault(company)
    the_auditor_asks_on_both_axes_around_a_correction(company)
    assert "Nothing was found" in register.command("audit")


def people_are_let_in(register: Served) -> Company:
    hester = register.phone("hester")
    tarnmouth = done(hester.post(f"{V1}/depots/", {"code": "TM", "name": "Tarnmouth"}))["id"]
    fellgate = done(hester.post(f"{V1}/depots/", {"code": "FG", "name": "Fellgate"}))["id"]
    return Company(
        register,
        hester,
        odile=let_in(register, hester, "odile", "office"),
        wren=let_in(register, hester, "wren", "installer", tarnmouth),
        ottilie=let_in(register, hester, "ottilie", "auditor"),
        tobias=let_in(register, hester, "tobias", "installer", fellgate),
        tarnmouth=tarnmouth,
    )


def the_office_registers_the_catalogue_stock_account_and_store(company: Company) -> None:
    register, begin, made = company.register, company.begin, company.made
    odile, wren, ottilie, tarnmouth = company.odile, company.wren, company.ottilie, company.tarnmouth
    cove = done(odile.post(f"{V1}/cabinet-models/", {"name": "Cove 40", "sensor_count": 3}))["id"]
    plumb = done(
        odile.post(
            f"{V1}/device-models/",
            {
                "name": "Plumb-3",
                "sensor_count": 3,
                "principle": "ultrasonic",
                "blind_zone_mm": 150,
                "range_mm": 3000,
                "report_interval_min": 60,
                "serial_prefix": "PB3",
                "serial_alphabet": "0123456789",
                "serial_payload_length": 6,
                "serial_check_method": "luhn",
            },
        )
    )["id"]
    bags = [
        done(
            odile.post(
                f"{V1}/products/",
                {"code": code, "name": name, "net_mass": mass, "net_mass_unit": "lb"},
            )
        )["id"]
        for code, name, mass in (("B8", "8 lb bag", 8), ("B18", "18 lb bag", "18"))
    ]
    first, second, third = serial(104_729), serial(130_365), serial(224_737)
    stock = {
        "depot": tarnmouth,
        "valid_from": at(begin + DAY),
        "devices": [{"model": plumb, "serial": number} for number in (first, second, third)],
    }
    done(odile.post(f"{V1}/devices/", stock))
    with unchanged(register):
        refused(odile.post(f"{V1}/devices/", stock), 409, "code_taken", "#/devices/0/serial")
    account = {
        "code": "LF",
        "name": "Lantern Fuel",
        "valid_from": at(begin),
        "locations": [
            {
                "store_number": "0042",
                "depot": tarnmouth,
                "name": "Lantern Fuel Harbour Road",
                "locality": "Tarnmouth",
                "country": "US",
                "time_zone": "America/New_York",
            }
        ],
    }
    with unchanged(register):
        refused(wren.post(f"{V1}/accounts/", account), 403, "role_forbids")
        refused(ottilie.post(f"{V1}/accounts/", account), 403, "role_forbids")
    done(odile.post(f"{V1}/accounts/", account))
    with unchanged(register):
        refused(odile.post(f"{V1}/accounts/", account), 409, "code_taken", "#/code")

    made |= {"cove": cove, "bags": bags, "serials": (first, second, third)}


def the_installer_finds_the_store_and_records_a_cabinet_with_its_split(company: Company) -> None:
    register, begin, made = company.register, company.begin, company.made
    wren, tobias, cove, bags = company.wren, company.tobias, made["cove"], made["bags"]
    [store] = done(wren.get(f"{V1}/locations/?search=harbour 0042".replace(" ", "%20")), 200)["results"]
    assert (store["name"], store["store_number"], store["state"]) == (
        "Lantern Fuel Harbour Road",
        "0042",
        "open",
    )
    assert done(tobias.get(f"{V1}/locations/"), 200)["results"] == []
    with unchanged(register):
        refused(tobias.get(f"{V1}/locations/{store['id']}/"), 404, "not_found")
    cabinet = done(
        wren.post(
            f"{V1}/cabinets/",
            {
                "model": cove,
                "asset_tag": "SK-0001",
                "location": store["id"],
                "valid_from": at(begin + 2 * DAY),
            },
        )
    )
    shown = wren.get(f"{V1}/cabinets/{cabinet['id']}/")
    split = {
        "shares": [{"product": bags[0], "share": "60"}, {"product": bags[1], "share": "40"}],
        "valid_from": at(begin + 2 * DAY),
    }
    with unchanged(register):
        short = split | {"shares": [{"product": bags[0], "share": "60"}]}
        refused(
            wren.post(f"{V1}/cabinets/{cabinet['id']}/split/", short, tag=shown.tag),
            422,
            "split_not_whole",
            "#/shares",
        )
    done(wren.post(f"{V1}/cabinets/{cabinet['id']}/split/", split, tag=shown.tag), 200)

    made |= {"store": store, "cabinet": cabinet}


def the_installer_mistypes_assigns_and_repeats(company: Company) -> None:
    register, begin, made = company.register, company.begin, company.made
    wren, tobias, ottilie = company.wren, company.tobias, company.ottilie
    first, second, _ = made["serials"]
    cabinet = made["cabinet"]
    assignment = {"serial": mistyped(first), "cabinet": cabinet["id"], "valid_from": at(begin + 3 * DAY)}
    with unchanged(register):
        problem = refused(wren.post(f"{V1}/assignments/", assignment), 422, "serial_invalid", "#/serial")
        assert problem["suggestions"][0] == first
        near = done(wren.get(f"{V1}/devices/suggest/?q={mistyped(first)}"), 200)["near"]
        assert near[0]["serial"] == first
        refused(ottilie.post(f"{V1}/assignments/", assignment), 403, "role_forbids")
        refused(tobias.post(f"{V1}/assignments/", assignment), 422, "not_found", "#/cabinet")
    assignment["serial"] = problem["suggestions"][0]

    # The answer of the first time is lost on the way; the phone sends the same again.
    key = '"the-first-wish-of-wren"'
    lost = wren.post(f"{V1}/assignments/", assignment, key=key)
    entries = len(rows(register)["registry_entry"])
    with unchanged(register):
        again = wren.post(f"{V1}/assignments/", assignment, key=key)
        assert (again.status, again.text, again.tag) == (201, lost.text, lost.tag)
        refused(wren.post(f"{V1}/assignments/", assignment | {"serial": second}, key=key), 422, "key_reused")
        refused(wren.post(f"{V1}/assignments/", assignment | {"serial": second}), 409, "slot_taken")
    assert len(rows(register)["registry_entry"]) == entries

    made["hung"] = lost.body


def the_installer_swaps_after_a_fault(company: Company) -> None:
    register, begin, made = company.register, company.begin, company.made
    wren, tarnmouth, hung = company.wren, company.tarnmouth, made["hung"]
    _, second, _ = made["serials"]
    swap = {
        "serial": second,
        "valid_from": at(begin + 10 * DAY),
        "end_reason": "fault",
        "end_note": "Port 2 is deaf",
        "depot": tarnmouth,
    }
    address = f"{V1}/assignments/{hung['id']}"
    with unchanged(register):
        refused(wren.send("POST", f"{address}/swap/", swap, {}), 400, "key_missing")
        refused(wren.post(f"{address}/swap/", swap), 428, "condition_missing")
        refused(wren.post(f"{address}/swap/", swap, tag='"long ago"'), 412, "changed_meanwhile")
    swapped = done(wren.post(f"{address}/swap/", swap, tag=wren.get(f"{address}/").tag))
    ended = done(wren.get(f"{address}/"), 200)
    assert (swapped["serial"], swapped["valid_to"]) == (second, None)
    assert (ended["valid_to"], ended["end_reason"]) == (at(begin + 10 * DAY), "fault")

    made["swapped"] = swapped


def the_auditor_asks_on_both_axes_around_a_correction(company: Company) -> None:
    register, begin, made = company.register, company.begin, company.made
    odile, wren, ottilie = company.odile, company.wren, company.ottilie
    store, cabinet, hung, swapped = (made[name] for name in ("store", "cabinet", "hung", "swapped"))
    first, second, _ = made["serials"]
    before = done(ottilie.get(f"{V1}/locations/{store['id']}/timeline/"), 200)
    assert [event["verb"] for event in before["results"]] == [
        "account.registered",
        "cabinet.registered",
        "split.set",
        "device.assigned",
        "device.swapped",
    ]
    trace = done(ottilie.get(f"{V1}/devices/{hung['device']}/trace/"), 200)["results"]
    assert [event["verb"] for event in trace] == ["devices.received", "device.assigned", "device.swapped"]

    correction = {"valid_from": at(begin + 8 * DAY), "reason": "The work sheet says two days earlier"}
    new_address = f"{V1}/assignments/{swapped['id']}"
    tag = odile.get(f"{new_address}/").tag
    with unchanged(register):
        refused(wren.post(f"{new_address}/correct/", correction, tag=tag), 403, "role_forbids")
        refused(ottilie.post(f"{new_address}/correct/", correction, tag=tag), 403, "role_forbids")
        mute = {"valid_from": at(begin + 8 * DAY), "reason": " "}
        refused(odile.post(f"{new_address}/correct/", mute, tag=tag), 422, "reason_missing", "#/reason")
    done(odile.post(f"{new_address}/correct/", correction, tag=tag), 200)

    between = at(begin + 9 * DAY)
    hanging = f"{V1}/assignments/?cabinet={cabinet['id']}&as_of={between}"
    [now_believed] = done(ottilie.get(hanging), 200)["results"]
    [then_believed] = done(ottilie.get(f"{hanging}&known_at={before['known_index']}"), 200)["results"]
    assert (now_believed["serial"], then_believed["serial"]) == (second, first)
    [told] = [
        event
        for event in done(ottilie.get(f"{V1}/locations/{store['id']}/timeline/"), 200)["results"]
        if event["verb"] == "period.corrected"
    ]
    assert told["reason"] == "The work sheet says two days earlier"
    assert any(second in line for line in told["replaced"])
    then = ottilie.get(f"{V1}/locations/{store['id']}/timeline/?known_at={before['known_index']}")
    assert done(then, 200)["results"] == before["results"]
    assert then.headers["Register-Index"] == str(before["known_index"])
