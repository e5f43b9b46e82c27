"""A day of invented data, and a register that is only pretended: what the screens are looked at with."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, Route

ROOT = Path(__file__).resolve().parents[2]
STATIC = ROOT / "registry" / "static"
AT = "http://localhost:9"
TYPES = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml", ".png": "image/png",
         ".wasm": "application/wasm"}  # fmt: skip
# As strict as the register's own, so that what it would not run does not run here.
POLICY = (
    "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' blob:;"
    " connect-src 'self'; worker-src 'self'; manifest-src 'self'; media-src 'self' blob:"
)
SHELL = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Rimebook field page</title>
<link rel="stylesheet" href="/static/registry/field/field.css"></head>
<body data-field="/field/"><main id="page" tabindex="-1"><h1>Rimebook</h1><p>The page is starting.</p></main>
<script type="module" src="/static/registry/field/app.js"></script></body></html>"""


def key(number: int) -> str:
    """Return the key of an invented thing."""
    return f"00000000-0000-7000-8000-{number:012d}"


VISIT, SURVEY, COLD_VISIT = key(1), key(2), key(3)
CABINET, COLD_WALL, UNKNOWN, SURVEYED = key(11), key(12), key(13), key(14)
MODEL_FAN, MODEL_COLD, MODEL_UNKNOWN = key(21), key(22), key(23)
EIGHT, TWENTY = key(31), key(32)
DEVICE_MODEL = key(41)
HESTER = key(51)
PERSON = {"id": HESTER, "name": "Wren Calder", "role": "installer"}
# Serials of a scheme of our own: prefix SK, seven digits, a check digit by the Luhn formula
# (ISO/IEC 7812-1, annex B).
SERIAL, OTHER, STRANGER = "SK12345674", "SK12345682", "SK99999997"
MISTYPED = "SK12345675"


def _model(key_: str, name: str, refrigeration: str, width: int | None) -> dict[str, Any]:
    return {"id": key_, "name": name, "door": "solid", "refrigeration": refrigeration,
            "interior_width_mm": width, "interior_depth_mm": 700, "interior_height_mm": 1300,
            "usable_volume_l": 1200, "sensor_count": 3, "supply": "plug", "refrigerant": "",
            "refrigerant_charge_g": None}  # fmt: skip


def _cabinet(key_: str, tag: str, model: str, **more: Any) -> dict[str, Any]:
    caution = {
        "code": "mains",
        "words": "Mains voltage. Before you open a cover, have the supply switched off and secured as local"
        " codes and the maker's instructions say.",
        "assumed": False,
    }
    return {"id": key_, "etag": f'"{tag}"', "asset_tag": tag, "model": model, "setting": "indoor",
            "position": "left of the entrance", "split": [], "assignments": [], "cautions": [caution],
            "acknowledged_at": None, "surveyed": True} | more  # fmt: skip


def _visit(key_: str, kind: str, name: str, cabinets: list[dict[str, Any]], state: str) -> dict[str, Any]:
    location = {"id": key(60 + len(name)), "name": name, "address": "4 Quay Street\nTarnmouth TM1 4AA",
                "time_zone": "Europe/London", "visiting_hours": "07:00 to 11:00", "latitude": None,
                "longitude": None, "account": "HAR Harbour Stores"}  # fmt: skip
    return {"id": key_, "etag": f'"{name}"', "kind": kind, "state": state, "planned_on": "2026-11-27",
            "note": "", "location": location, "cabinets": cabinets}  # fmt: skip


def day_pack() -> dict[str, Any]:
    """Return a day: an install in two cabinets, one in an unread cabinet, and a survey."""
    drill = {
        "code": "cold_wall",
        "words": "Do not drill: the walls hold the evaporator's tubes. Use magnets or a clamp.",
        "assumed": False,
    }
    assumed = drill | {"assumed": True}
    fan = _cabinet(CABINET, "TM-0412", MODEL_FAN)
    cold = _cabinet(COLD_WALL, "TM-0413", MODEL_COLD, setting="outdoor")
    cold["cautions"] = [*cold["cautions"], drill]
    unread = _cabinet(UNKNOWN, "TM-0518", MODEL_UNKNOWN, setting="unknown")
    unread["cautions"] = [*unread["cautions"], assumed]
    looked_at = _cabinet(SURVEYED, "TM-0601", MODEL_UNKNOWN, surveyed=False)
    scheme = {"prefix": "SK", "alphabet": "0123456789", "payload_length": 7, "check_method": "luhn",
              "check_covers_prefix": False}  # fmt: skip
    return {
        "day": datetime.now(UTC).date().isoformat(),
        "made_at": datetime.now(UTC).isoformat(),
        "known_index": 100,
        "person": PERSON,
        "device_models": [
            {"id": DEVICE_MODEL, "name": "Skerry 3", "sensor_count": 3, "principle": "ultrasonic",
             "blind_zone_mm": 200, "range_mm": 2000, "compensates": "no", "report_interval_min": 5,
             "serial": scheme}
        ],
        "cabinet_models": [
            _model(MODEL_FAN, "Cove 3", "fan_coil", 1600),
            _model(MODEL_COLD, "Holm 2", "cold_wall", 1100),
            _model(MODEL_UNKNOWN, "Model not read", "unknown", None),
        ],
        "products": [
            {"id": EIGHT, "code": "8", "name": "8 lb bag", "net_mass": "8", "net_mass_unit": "lb"},
            {"id": TWENTY, "code": "20", "name": "20 lb bag", "net_mass": "20", "net_mass_unit": "lb"},
        ],
        "depots": [{"id": key(71), "code": "TM", "name": "Tarnmouth"}],
        "visits": [
            _visit(VISIT, "install", "Harbour Stores, Quay Street", [fan, cold], "released"),
            _visit(COLD_VISIT, "install", "Fellgate Fuel", [unread], "planned"),
            _visit(SURVEY, "survey", "Tarn Lane Grocers", [looked_at], "released"),
        ],
        "stores": [],
        "kit": [
            {"code": "RAIL", "name": "Rail, 1600 mm", "unit": "piece", "quantity": 2, "assumed": False},
            {"code": "SEAL", "name": "Sealant", "unit": "tube", "quantity": 1, "assumed": True},
        ],
        "devices": [
            {"id": key(81), "serial": SERIAL, "device_model": DEVICE_MODEL, "place": "your van"},
            {"id": key(82), "serial": OTHER, "device_model": DEVICE_MODEL, "place": "your van"},
        ],
        "practice": {},
    }  # fmt: skip


HEALTHY = [612, 598, 640]
FAULT = {
    "code": "sensor_missing", "sensor": 2, "severity": "fail",
    "words": "Sensor 2 hears nothing.",
    "next_step": "Look at its cable and connector, then wait for the next report.",
}  # fmt: skip


@dataclass
class Pretended:
    """A register that answers as told, and keeps what it was sent."""

    distances: list[int | None] = field(default_factory=lambda: [*HEALTHY])
    findings: list[dict[str, Any]] = field(default_factory=list)
    refuse: dict[str, dict[str, Any]] = field(default_factory=dict)  # by the end of the path
    sent: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    tags: list[str | None] = field(default_factory=list)  # If-Match of each thing sent, taken or refused
    others: Callable[[dict[str, Any]], None] = lambda pack: None  # what others did to the day
    slow: timedelta = timedelta(0)  # the register's clock behind the phone's
    clocks: list[datetime] = field(default_factory=list)  # Client-Clock of each thing sent
    person: dict[str, Any] = field(default_factory=lambda: PERSON)
    reports: int = 1
    cut: bool = False  # no line, though the page's own files are on the phone
    index: int = 100

    def serve(self, context: BrowserContext) -> None:
        """Answer to all that a phone asks."""
        context.route("**/*", self.answer)

    def answer(self, route: Route) -> None:
        """Answer one request."""
        path = route.request.url.removeprefix(AT).split("?")[0]
        file = STATIC / path.removeprefix("/static/")
        if path.startswith("/static/") and file.is_file():
            route.fulfill(body=file.read_bytes(), content_type=TYPES[file.suffix])
        elif path == "/field/":
            headers = {"Content-Security-Policy": POLICY}
            route.fulfill(body=SHELL, content_type="text/html", headers=headers)
        elif self.cut:
            route.abort("internetdisconnected")
        elif path == "/field/session/":
            self._json(route, {"now": (datetime.now(UTC) - self.slow).isoformat(), "person": self.person})
        elif path == "/api/v1/day-pack/":
            made_at = (datetime.now(UTC) - self.slow).isoformat()
            told = day_pack() | {"person": self.person, "made_at": made_at}
            self.others(told)
            self._json(route, told)
        elif path.endswith("/first-readings/"):
            self._json(route, self._readings())
        elif route.request.method == "POST":
            self._take(route, path)
        else:
            route.fulfill(status=404, body="")

    def _take(self, route: Route, path: str) -> None:
        body = json.loads(route.request.post_data or "{}")
        self.clocks.append(datetime.fromisoformat(route.request.headers["client-clock"]))
        self.tags.append(route.request.headers.get("if-match"))
        for end, problem in self.refuse.items():
            if path.endswith(end):
                told = {"status": 409} | problem
                route.fulfill(status=409, body=json.dumps(told), content_type="application/problem+json")
                return
        self.sent.append((path, body))
        self.index += 1
        if path.endswith("/acceptance/"):
            grave = any(finding["severity"] == "fail" for finding in self.findings)
            result = "fail" if grave else "pass_with_note" if self.findings else "pass"
            self._json(route, {**body, "result": result, "findings": self.findings})
        else:
            self._json(route, body)

    def _readings(self) -> dict[str, Any]:
        at = datetime.now(UTC).isoformat()
        report = {"measured_at": at, "received_at": at, "distances_mm": self.distances,
                  "temperatures_c": ["-8.5"], "supply_mv": 3600, "signal_dbm": -71}  # fmt: skip
        zones = [
            {"sensor": port, "port": port, "distance_mm": mm, "reports": self.reports}
            for port, mm in enumerate(self.distances, 1)
        ]
        advice = [f"{self.reports} of 3 reports are there; the device reports every 5 min."]
        return {"zones": zones, "height_mm": 1100, "air_c": "-8.5",
                "reports": [report] * self.reports, "findings": self.findings,
                "report_interval_min": 5, "advice": advice if self.reports < 3 else []}  # fmt: skip

    def _json(self, route: Route, told: Any) -> None:
        headers = {"Register-Index": str(self.index), "ETag": f'"{self.index}"'}
        route.fulfill(body=json.dumps(told), content_type="application/json", headers=headers)

    def paths(self) -> list[str]:
        """Return the last words of the addresses that something was sent to, in order."""
        return [path.rstrip("/").rsplit("/", 1)[-1] for path, _body in self.sent]
