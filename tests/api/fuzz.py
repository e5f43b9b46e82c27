"""Feeding a fuzzer of the schema real keys, serials, times and conditions, so that it gets somewhere."""

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from django.core.signals import request_finished, request_started
from django.db import close_old_connections
from schemathesis import Case

from registry.actions import accounts, counts, devices, locations, tokens
from registry.models import (
    AcceptanceCheck,
    Account,
    AccountState,
    ApiToken,
    Cabinet,
    CabinetModel,
    CabinetWhereabouts,
    Contact,
    Count,
    CountItem,
    Depot,
    Device,
    DeviceModel,
    DeviceToken,
    DeviceWhereabouts,
    Location,
    LocationHolding,
    LocationState,
    Product,
    Split,
    Staff,
)
from tests.api.operations import found_in_the_field
from tests.factories.world import DAY, World

# How often a case is fed at all, and then how often a value of the fuzzer's own is replaced.
FED_CASES = 0.7
FED_VALUES = 0.9
# By which name of a body or query a key of which noun goes.
NAMES = {
    "account": "accounts",
    "parent": "accounts",
    "cabinet": "cabinets",
    "contact": "contacts",
    "depot": "depots",
    "depots": "depots",
    "cabinets_to": "depots",
    "devices_to": "depots",
    "device": "devices",
    "into": "devices",
    "location": "locations",
    "product": "products",
    "staff": "staff",
    "of": "devices",
    "about": "locations",
    "device_model": "device-models",
}
HISTORIES = {
    "accountstate": AccountState,
    "cabinetwhereabouts": CabinetWhereabouts,
    "devicewhereabouts": DeviceWhereabouts,
    "locationholding": LocationHolding,
    "locationstate": LocationState,
    "split": Split,
}


# What a value of such a name is, where it is no key; {n} is a number of its own.
WORDS: dict[str, tuple[Any, ...]] = {
    "asset_tag": ("SK-9{n}",),
    "code": ("C{n}",),
    "condition": ("dented", ""),
    "country": ("US", "CA"),
    "email": ("wren@example.org", ""),
    "evidence": ("lay on the shelf",),
    "gln": ("4000001000005", None),
    "iccid": ("",),
    "iccid_override": ("",),
    "imei": ("", "490154203237518"),
    "interior_width_mm": (1200, None),
    "latitude": ("43.5", 43.5, None),
    "locality": ("Tarnmouth",),
    "longitude": ("-70.25", None),
    "maker_serial": ("M{n}", ""),
    "name": ("Pier {n}",),
    "net_mass": ("3", 3),
    "net_mass_unit": ("kg", "lb"),
    "offset_from_front_mm": (100, None),
    "password": ("drift-lantern-oar-19",),
    "photo_sha256": ("",),
    "postal_code": ("04101", ""),
    "rail_below_ceiling_mm": (50, None),
    "reason": ("it was so",),
    "range_mm": (3000,),
    "blind_zone_mm": (150,),
    "report_interval_min": (60,),
    "role": ("office", "installer"),
    "sensor_count": (3,),
    "sensor_order": (1, 2, 3),
    "serial_alphabet": ("0123456789",),
    "serial_check_method": ("luhn",),
    "serial_payload_length": (6,),
    "serial_prefix": ("XY",),
    "share": ("100", 100, "60", 40),
    "slot": (1, 2),
    "slot_reason": ("two doors", ""),
    "store_number": ("7{n}",),
    "street": ("12 Harbour Road", ""),
    "time_zone": ("America/New_York",),
    "username": ("wren{n}",),
    "gtin": (None, "4006381333931"),
}


@dataclass
class Feed:
    """What the register holds, and a source of choices that makes the same ones every time."""

    keys: dict[str, list[Any]]
    periods: dict[str, list[tuple[str, str]]]  # each with the key of the thing whose it is
    serials: list[str]
    times: list[str]
    chance: random.Random = field(default_factory=lambda: random.Random(9457))
    count: int = 0

    def into(self, case: Case) -> None:
        """Replace some of a case by what the register holds."""
        self.count += 1
        if self.chance.random() >= FED_CASES:
            return
        place = case.path.removeprefix("/api/v1/").split("/")[0]
        self._path(case, place)
        for name in list(case.query or {}):
            case.query[name] = self._value(name, case.query[name], place)
        if place == "periods" and "history" in (case.query or {}):
            history = self.chance.choice(sorted(self.periods))
            case.query |= {"history": history, "of": self.chance.choice(self.periods[history])[1]}
        if isinstance(case.body, dict):
            case.body = self._body(case.body, place)
        if case.method == "POST":
            case.headers["Idempotency-Key"] = f'"wish {self.count}"'
        if case.method != "GET" and self._now():
            case.headers["If-Match"] = "*"

    def _path(self, case: Case, place: str) -> None:
        given = case.path_parameters or {}
        if "history" in given:
            given["history"] = self.chance.choice(sorted(self.periods))
            given["key"] = self.chance.choice(self.periods[given["history"]])[0]
        elif "key" in given and self.keys.get(place) and self._now():
            given["key"] = self.chance.choice(self.keys[place])
        elif "code" in given and self._now():
            given["code"] = "not_found"

    def _body(self, body: dict[str, Any], place: str) -> dict[str, Any]:
        fed: dict[str, Any] = {}
        for name, value in body.items():
            if isinstance(value, dict):
                fed[name] = self._body(value, place)
            elif isinstance(value, list):
                fed[name] = [
                    self._body(inner, place) if isinstance(inner, dict) else self._value(name, inner, place)
                    for inner in value
                ]
            else:
                fed[name] = self._value(name, value, place)
        return fed

    def _value(self, name: str, value: Any, place: str) -> Any:
        if not self._now():
            return value
        if name in NAMES:
            return self.chance.choice(self.keys[NAMES[name]])
        if name == "model":
            return self.chance.choice(self.keys["cabinet-models" if place != "devices" else "device-models"])
        if name in ("valid_from", "valid_to", "known_by", "as_of", "known_at", "expires_at", "from", "to"):
            return self.chance.choice(self.times)
        if name in ("serial", "q", "search") or (name == "code" and place == "identify"):
            return self.chance.choice(self.serials)
        if name in WORDS:
            word = self.chance.choice(WORDS[name])
            return word.format(n=self.count) if isinstance(word, str) else word
        return value

    def _now(self) -> bool:
        return self.chance.random() < FED_VALUES


def feed_of(world: World) -> Feed:
    """Fill a register with something of every kind, in both depots, and return what it holds."""
    office = world.office
    for depot in (world.tarnmouth, world.fellgate):
        store = world.store(depot=depot)
        locations.register_contact(office, location_id=store.pk, text={"name": "Tamsin Reeve"})
        cabinet = world.cabinet(store, split=True)
        world.cabinet(depot)
        world.assigned(world.device(depot=depot), cabinet)
        world.device(depot=depot)
        away = world.device(depot=depot)
        devices.send_device_to_repair(office, device_id=away.pk, valid_from=world.start + 2 * DAY)
        found_in_the_field(world, depot_id=depot.pk)
        locations.set_location_state(
            office, location_id=store.pk, state="asleep", valid_from=world.start + 3 * DAY
        )
        count = counts.draw_count(world.auditor, name="Spring", depot_id=depot.pk)
        counts.record_finding(world.auditor, count_id=count.pk, depot_id=depot.pk, place_done=True)
    tokens.issue_device_token(world.administrator, name="Gateway")
    closed = accounts.register_account(
        office, particulars={"code": "GM", "name": "Gannet Marina"}, valid_from=world.start
    )
    accounts.close_account(office, account_id=closed.pk, valid_from=world.start + 3 * DAY)
    models = {
        "accounts": Account,
        "cabinets": Cabinet,
        "cabinet-models": CabinetModel,
        "contacts": Contact,
        "counts": Count,
        "count-differences": CountItem,
        "depots": Depot,
        "devices": Device,
        "device-models": DeviceModel,
        "locations": Location,
        "products": Product,
        "staff": Staff,
        "tokens": ApiToken,
        "device-tokens": DeviceToken,
        "acceptance": AcceptanceCheck,
    }
    keys: dict[str, list[Any]] = {
        place: [str(key) for key in model._default_manager.order_by("pk").values_list("pk", flat=True)]
        for place, model in models.items()
    }
    hung = DeviceWhereabouts.objects.filter(cabinet__isnull=False).order_by("pk")
    keys["assignments"] = [str(place.period) for place in hung]
    keys["entries"] = [1, 7, 10**18, 2**63, 10**30]
    return Feed(
        keys=keys,
        periods={
            name: [
                (str(row.period), str(getattr(row, f"{row.history_of}_id")))
                for row in model._default_manager.order_by("pk")
            ]
            for name, model in HISTORIES.items()
        },
        serials=[*Device.objects.order_by("pk").values_list("serial", flat=True), world.serial(), "PB3"],
        times=[(world.start + days * DAY).isoformat() for days in (0, 1, 2, 3, 5, 29, 30, 31, 400)],
    )


@contextmanager
def connection_kept() -> Iterator[None]:
    """Keep the connection, and so the test's transaction, from one request to the next."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)
