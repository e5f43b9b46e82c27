"""A company with one day of work, served: what an installer's phone meets in the journeys.

Made over the API by its own people, on a register that has just begun: two stores of Tarnmouth, a cabinet in
each, devices in Wren's van and in the depot, and a visit that is released for today.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from registry.rules.identifiers import CheckMethod, check_characters
from tests.walk.served import PASSWORD, Answer, Phone, Served

V1 = "/api/v1"
ZONE = "America/New_York"
DAY = timedelta(days=1)


def at(moment: datetime) -> str:
    """Return a time as the API reads it."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def serial(number: int) -> str:
    """Return a serial of the company's three-sensor device: six digits and a Luhn check after its prefix."""
    payload = f"{number:06d}"
    return f"PB3{payload}{check_characters(CheckMethod.LUHN, payload)}"


def mistyped(right: str) -> str:
    """Return a serial with its last two digits before the check exchanged."""
    assert right[7] != right[8]
    return right[:7] + right[8] + right[7] + right[9:]


def done(answer: Answer, status: int = 201) -> Any:
    """Hold that something was done, and return what was answered."""
    assert answer.status == status, answer.text
    return answer.body


@dataclass
class Day:
    """A company and its day. `serials` are of devices in Wren's van; what is made later is put beside."""

    register: Served
    hester: Phone
    odile: Phone
    wren: Phone
    maud: Phone
    tarnmouth: str
    wren_id: str
    store: str
    cabinets: list[str]
    serials: list[str]
    products: list[str]
    begin: datetime
    gateway: str = ""  # secret of a token that may report
    made: dict[str, Any] = field(default_factory=dict)

    @property
    def today(self) -> str:
        """The day at the store."""
        return datetime.now(ZoneInfo(ZONE)).date().isoformat()

    def rows(self, table: str, where: str = "1 = 1") -> list[dict[str, Any]]:
        """Return rows of the register's own tables, as they are stored."""
        import sqlite3

        place = self.register.environment["RIMEBOOK_DATABASE_URL"].removeprefix("sqlite:///")
        with sqlite3.connect(place) as connection:
            connection.row_factory = sqlite3.Row
            return [dict(row) for row in connection.execute(f"SELECT * FROM registry_{table} WHERE {where}")]

    def entries(self, verb: str = "") -> list[dict[str, Any]]:
        """Return the ledger's entries, of one verb where told, in order."""
        where = f"verb = '{verb}'" if verb else "1 = 1"
        return self.rows("entry", f'{where} ORDER BY "index"')


def begun(register: Served) -> Day:
    """Found the company in a register that has just begun."""
    hester = register.phone("hester")
    begin = (datetime.now(UTC) - 30 * DAY).replace(microsecond=0)
    tarnmouth = done(hester.post(f"{V1}/depots/", {"code": "TM", "name": "Tarnmouth"}))["id"]
    odile, _ = _let_in(register, hester, "odile", "office")
    wren, wren_id = _let_in(register, hester, "wren", "installer", tarnmouth)
    maud, _ = _let_in(register, hester, "maud", "installer", tarnmouth)
    model = done(odile.post(f"{V1}/cabinet-models/", COVE))["id"]
    plumb = done(odile.post(f"{V1}/device-models/", PLUMB))["id"]
    products = [done(odile.post(f"{V1}/products/", bag))["id"] for bag in BAGS]
    account = done(odile.post(f"{V1}/accounts/", _account(tarnmouth, model, begin)))
    [store] = done(odile.get(f"{V1}/locations/?search=harbour"), 200)["results"]
    standing = done(odile.get(f"{V1}/cabinets/?location={store['id']}"), 200)["results"]
    serials = [serial(number) for number in (104_729, 130_365, 224_737, 350_377, 479_909)]
    stock = {"depot": tarnmouth, "valid_from": at(begin + DAY)}
    devices = {**stock, "devices": [{"model": plumb, "serial": number} for number in serials]}
    done(odile.post(f"{V1}/devices/", devices))
    found = Day(
        register,
        hester,
        odile,
        wren,
        maud,
        tarnmouth,
        wren_id,
        store["id"],
        [cabinet["id"] for cabinet in standing],
        serials,
        products,
        begin,
        made={"account": account["id"], "plumb": plumb, "cove": model},
    )
    for number in serials[:4]:
        hand_to_wren(found, number)
    found.gateway = done(hester.post(f"{V1}/device-tokens/", {"name": "Gateway Tarnmouth"}))["secret"]
    return found


def plan_install(found: Day, cabinet: str) -> str:
    """Survey a cabinet, plan its installation for Wren today, and release it; return the visit."""
    survey = {"cabinet": cabinet, "outcome": "suitable", "near_water": False, "needs_ladder": False}
    done(found.odile.post(f"{V1}/surveys/", survey))
    return plan(found, cabinet, "install")


def plan(found: Day, cabinet: str, kind: str) -> str:
    """Plan a visit of a kind to one cabinet for Wren today, and release it; return the visit."""
    wish = {
        "location": found.store,
        "kind": kind,
        "planned_on": found.today,
        "cabinets": [cabinet],
        "installer": found.wren_id,
    }
    visit: str = done(found.odile.post(f"{V1}/visits/", wish))["id"]
    seen = found.odile.get(f"{V1}/visits/{visit}/")
    done(found.odile.post(f"{V1}/visits/{visit}/release/", {}, tag=seen.tag), 200)
    return visit


def hand_to_wren(found: Day, number: str) -> None:
    """Put a device of the depot into Wren's van."""
    [device] = done(found.odile.get(f"{V1}/devices/?search={number}"), 200)["results"]
    seen = found.odile.get(f"{V1}/devices/{device['id']}/")
    van = {"staff": found.wren_id, "depot": found.tarnmouth, "valid_from": at(found.begin + 2 * DAY)}
    done(found.odile.post(f"{V1}/devices/{device['id']}/hand-over/", van, tag=seen.tag), 200)


def _let_in(register: Served, hester: Phone, username: str, role: str, *depots: str) -> tuple[Phone, str]:
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
    return Phone(register.port, issued["secret"]), person["id"]


COVE = {
    "name": "Cove 40",
    "sensor_count": 3,
    "door": "solid",
    "refrigeration": "fan_coil",
    "interior_width_mm": 1200,
    "interior_depth_mm": 700,
    "interior_height_mm": 1250,
    "supply": "plug",
    "refrigerant": "R-290",
    "refrigerant_charge_g": 140,
}
PLUMB = {
    "name": "Plumb-3",
    "sensor_count": 3,
    "principle": "ultrasonic",
    "blind_zone_mm": 150,
    "range_mm": 3000,
    "compensates": "yes",
    "report_interval_min": 60,
    "serial_prefix": "PB3",
    "serial_alphabet": "0123456789",
    "serial_payload_length": 6,
    "serial_check_method": "luhn",
}
BAGS = [
    {"code": "B8", "name": "8 lb bag", "net_mass": "8", "net_mass_unit": "lb"},
    {"code": "B18", "name": "18 lb bag", "net_mass": "18", "net_mass_unit": "lb"},
]


def _account(tarnmouth: str, model: str, begin: datetime) -> dict[str, Any]:
    return {
        "code": "LF",
        "name": "Lantern Fuel",
        "valid_from": at(begin),
        "locations": [
            {
                "store_number": "0042",
                "depot": tarnmouth,
                "name": "Lantern Fuel Harbour Road",
                "street": "12 Harbour Road",
                "locality": "Tarnmouth",
                "country": "US",
                "time_zone": ZONE,
                "authority_on": (begin - DAY).date().isoformat(),
                "authority_reference": "LF-2026-11",
                "cabinets": [
                    {"model": model, "asset_tag": f"SK-000{number}", "setting": "indoor"}
                    for number in range(1, 7)
                ],
            }
        ],
    }
