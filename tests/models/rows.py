"""Two accepted rows of every table, written behind the actions' back, and accepted ones to follow.

For tests of what the database itself holds. Each row is what an action would write: stamped with the entry
to come, in a period of its own. A model that nobody describes here raises KeyError in every test that asks.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

from django.apps import apps
from django.db import IntegrityError, connection, models, transaction

from registry.ledger.guards import Guard
from registry.models import (
    AcceptanceCheck,
    Account,
    AccountState,
    ApiToken,
    Cabinet,
    CabinetModel,
    CabinetSurvey,
    CabinetWhereabouts,
    Checkpoint,
    CheckpointDeparture,
    Contact,
    ContactText,
    Count,
    CountItem,
    Depot,
    Device,
    DeviceModel,
    DeviceToken,
    DeviceWhereabouts,
    Entry,
    KitPart,
    KitRule,
    Location,
    LocationHolding,
    LocationState,
    Mounting,
    MountingPractice,
    Photo,
    PhotoFile,
    Product,
    Reading,
    ReadingSeal,
    RequestAnswer,
    Split,
    SplitShare,
    Staff,
    StaffDepot,
    Subject,
    TreeNode,
    Visit,
    VisitCabinet,
)
from registry.models.base import LedgerKind, PeriodVersion, Record, Version, new_key

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
DAY = timedelta(days=1)
TICK = timedelta(microseconds=1)

MODELS = sorted(apps.get_app_config("registry").get_models(), key=lambda model: model._meta.db_table)
# Kept answers come and go, and what is derived may be computed again; every other table is guarded.
UNGUARDED = (LedgerKind.OPERATIONAL, LedgerKind.DERIVED)
GUARDED = [model for model in MODELS if model.ledger_kind not in UNGUARDED]

Values = dict[str, Any]


class Rows:
    """Rows 0 and 1 of every table, and `fresh` ones. `head` is the index of the newest entry."""

    def __init__(self) -> None:
        self.head = 0
        self.of: dict[type[models.Model], list[Any]] = {model: [] for model in MODELS}
        self._count = count()
        with transaction.atomic():
            for model in _RECORDS:
                self._write(model)
                self._write(model)
            for model in (ContactText, PhotoFile, Reading, RequestAnswer, *_VERSIONS):
                self._write(model)
                self._write(model)
            self.of[SplitShare] = list(
                SplitShare.objects.filter(split=self.of[Split][0]).order_by("position")
            )
            for _ in range(2):
                self.of[Entry].append(self.tell())
                self.of[Subject].append(self.write(self.fresh(Subject)))
                self.of[Checkpoint].append(self.write(self.fresh(Checkpoint)))
                self._write(TreeNode)
                self._write(CheckpointDeparture)
            self.tell()

    def _write(self, model: type[models.Model]) -> None:
        self.of[model].append(self.write(self.fresh(model, other=len(self.of[model]))))

    def write(self, row: models.Model) -> models.Model:
        """Insert a row as it is."""
        row.save(force_insert=True)
        return row

    def tell(self) -> models.Model:
        """Append the entry that all rows written since the last one are waiting for."""
        entry = self.write(self.fresh(Entry))
        self.head += 1
        # PostgreSQL alters no table for which a check is still to come.
        connection.check_constraints()
        return entry

    def insert(self, model: type[models.Model], how: str = "INSERT", then: str = "", **changes: Any) -> None:
        """Insert one more row by plain SQL, accepted but for the changes."""
        insert(self.fresh(model, **changes), how, then)

    def fresh(
        self,
        model: type[models.Model],
        *,
        other: int = 0,
        shares: Sequence[tuple[int, int]] = ((1, 6_000), (2, 4_000)),
        **changes: Any,
    ) -> Any:
        """Return one more row, not yet written, about thing 0 (or 1), accepted but for the changes.

        The shares of a split, each a position and hundredths of a percent, are written here.
        """
        number = next(self._count)
        values = _MAKERS[model](self, number, other)
        if issubclass(model, Record):
            values |= {"registered_id": self.head + 1, "revised_id": self.head + 1}
        elif issubclass(model, Version):
            values |= {"recorded_id": self.head + 1}
        if issubclass(model, PeriodVersion):
            begins = START + 10 * number * DAY
            values |= {"valid_from": begins, "valid_to": begins + 10 * DAY}
        values |= changes
        if model is DeviceWhereabouts and values.get("place") == "cabinet" and "end_reason" not in changes:
            values["end_reason"] = "moved" if values["valid_to"] else ""
        row = model(**values)
        for position, hundredths in shares if model is Split else ():
            product = self.of[Product][position - 1] if position <= 2 else self.write(self.fresh(Product))
            self.write(SplitShare(split_id=row.pk, position=position, hundredths=hundredths, product=product))
        return row


def _key(rows: Rows, model: type[models.Model], other: int) -> Any:
    return rows.of[model][other].pk


def _another_photo(rows: Rows) -> Any:
    return rows.write(rows.fresh(Photo)).pk


_MAKERS: dict[type[models.Model], Callable[[Rows, int, int], Values]] = {
    Depot: lambda rows, n, other: {"code": f"TM{n}", "name": "Tarnmouth"},
    Account: lambda rows, n, other: {"code": f"LF{n}", "name": "Lantern Fuel"},
    Location: lambda rows, n, other: {
        "name": f"Harbour Road {n}",
        "locality": "Tarnmouth",
        "country": "US",
        "time_zone": "America/New_York",
        "gln": f"{n:013d}",
        "latitude": 43,
        "longitude": -70,
        "depot_id": _key(rows, Depot, 0),
    },
    Contact: lambda rows, n, other: {"location_id": _key(rows, Location, 0), "commitment": f"{n:064x}"},
    ContactText: lambda rows, n, other: {
        "contact_id": _key(rows, Contact, other),
        "commitment": f"{n:064x}",
        "salt": bytes(16),
        "text": {"name": "Wren Calder"},
    },
    CabinetModel: lambda rows, n, other: {"name": f"Cove {n}", "sensor_count": 3},
    Cabinet: lambda rows, n, other: {"asset_tag": f"SK-{n:04d}", "model_id": _key(rows, CabinetModel, 0)},
    Product: lambda rows, n, other: {
        "code": f"B{n}",
        "name": "8 lb bag",
        "net_mass": 8,
        "net_mass_unit": "lb",
        "gtin": f"{n:014d}",
    },
    DeviceModel: lambda rows, n, other: {
        "name": f"Plumb-{n}",
        "sensor_count": 3,
        "principle": "ultrasonic",
        "blind_zone_mm": 150,
        "range_mm": 3_000,
        "report_interval_min": 60,
        "serial_alphabet": "0123456789",
        "serial_payload_length": 6,
        "serial_check_method": "luhn",
    },
    Device: lambda rows, n, other: {
        "model_id": _key(rows, DeviceModel, 0),
        "serial": f"PB3{n:06d}",
        "serial_typed": f"pb3 {n:06d}",
    },
    Staff: lambda rows, n, other: {
        "username": f"ada{n}",
        "name": "Ada Frost",
        "name_salt": bytes(16),
        "name_commitment": f"{n:064x}",
        "password": "no digest at all",
        "role": "office",
    },
    ApiToken: lambda rows, n, other: {
        "staff_id": _key(rows, Staff, 0),
        "name": "Ada's phone",
        "digest": n.to_bytes(32),
        "expires_at": START + 90 * DAY,
    },
    DeviceToken: lambda rows, n, other: {
        "name": f"gateway {n}",
        "digest": n.to_bytes(32),
        "expires_at": START,
    },
    Reading: lambda rows, n, other: {
        "serial": f"PB3{n:06d}",
        "measured_at": START,
        "received_at": START,
        "distances_mm": [412, None],
        "temperatures_c": ["-18.5"],
        "reported_by_id": _key(rows, DeviceToken, 0),
    },
    ReadingSeal: lambda rows, n, other: {
        "sealed_until": START + n * timedelta(hours=1),
        "row_count": 1,
        "root": f"{n:064x}",
        "first_received_at": START - DAY,
        "last_received_at": START - DAY,
    },
    AcceptanceCheck: lambda rows, n, other: {
        "assignment": new_key(),
        "device_id": _key(rows, Device, 0),
        "cabinet_id": _key(rows, Cabinet, 0),
        "location_id": _key(rows, Location, 0),
        "checked_at": START,
        "checked_by_id": _key(rows, Staff, 0),
        "tape_mm": [900, None],
        "readings": "[]",
        "readings_sha256": 64 * "0",
        "judged_by": "{}",
        "findings": "[]",
        "result": "pass",
    },
    RequestAnswer: lambda rows, n, other: {
        "staff_id": _key(rows, Staff, other),
        "key": f"wish {n}",
        "digest": bytes(32),
        "status": 201,
        "headers": {"Location": "/there"},
        "body": "{}",
        "answered_at": START,
    },
    Count: lambda rows, n, other: {
        "name": f"Spring {n}",
        "places": "cabinet depot van",
        "strata": "place",
        "plan": "zero_acceptance",
        "confidence_hundredths": 9_500,
        "tolerated_hundredths": 500,
        "rounding": "down",
        "seed": f"{n:032x}",
        "lot_size": 110,
        "lot_sha256": f"{n:064x}",
        "sample_size": 45,
        "acceptance_number": 0,
        "frozen_at": START,
        "frozen_index": 1,
    },
    CountItem: lambda rows, n, other: {
        "count_id": _key(rows, Count, other),
        "position": n + 1,
        "sampled": True,
        "stratum": "stores",
        "place": "cabinet",
        "cabinet_id": _key(rows, Cabinet, 0),
        "device_id": _key(rows, Device, 0),
    },
    Mounting: lambda rows, n, other: {
        "assignment": new_key(),
        "device_id": _key(rows, Device, 0),
        "cabinet_id": _key(rows, Cabinet, 0),
        "serial_taken_at": START,
        "cover_closed_at": START + DAY,
    },
    MountingPractice: lambda rows, n, other: {
        "value": ("hole", "rail_behind_front", "headroom_cleared", "exit_below_ceiling")[
            MountingPractice.objects.count() % 4
        ],
        "least_mm": 20,
        "most_mm": 30,
    },
    Photo: lambda rows, n, other: {
        "kind": "label",
        "cabinet_id": _key(rows, Cabinet, 0),
        "sha256": f"{n:064x}",
        "width_px": 1_200,
        "height_px": 900,
        "taken_at": START,
    },
    # Rows 0 and 1 are of photos 0 and 1; a fresh one is of a photo of its own.
    PhotoFile: lambda rows, n, other: {
        "photo_id": _key(rows, Photo, other) if len(rows.of[PhotoFile]) < 2 else _another_photo(rows),
        "sha256": f"{n:064x}",
        "content": b"a picture",
    },
    Visit: lambda rows, n, other: {
        "location_id": _key(rows, Location, 0),
        "kind": "install",
        "planned_on": START.date(),
    },
    VisitCabinet: lambda rows, n, other: {
        "visit_id": _key(rows, Visit, other),
        # Rows 0 and 1 are cabinet 0; a fresh one is another cabinet of visit 0.
        "cabinet_id": _key(rows, Cabinet, 0 if len(rows.of[VisitCabinet]) < 2 else 1),
        "position": 1,
    },
    CabinetSurvey: lambda rows, n, other: {
        "cabinet_id": _key(rows, Cabinet, 0),
        "surveyed_at": START,
        "surveyed_by_id": _key(rows, Staff, 0),
        "outcome": "suitable",
    },
    KitPart: lambda rows, n, other: {"code": f"RAIL-{n}", "name": "Short rail"},
    KitRule: lambda rows, n, other: {
        "part_id": _key(rows, KitPart, other),
        "name": "A rail for each narrow cabinet",
        "quantity": 1,
        "width_from_mm": 600,
        "width_below_mm": 900,
    },
    AccountState: lambda rows, n, other: {"account_id": _key(rows, Account, other), "state": "open"},
    LocationState: lambda rows, n, other: {"location_id": _key(rows, Location, other), "state": "open"},
    LocationHolding: lambda rows, n, other: {
        "location_id": _key(rows, Location, other),
        "account_id": _key(rows, Account, other),
        "store_number": f"{n:04d}",
    },
    CabinetWhereabouts: lambda rows, n, other: {
        "cabinet_id": _key(rows, Cabinet, other),
        "place": "location",
        "location_id": _key(rows, Location, 0),
    },
    DeviceWhereabouts: lambda rows, n, other: {
        "device_id": _key(rows, Device, other),
        "place": "cabinet",
        "cabinet_id": _key(rows, Cabinet, other),
        "slot": 1,
        "sensor_order": "1 2 3",
    },
    Split: lambda rows, n, other: {"id": new_key(), "cabinet_id": _key(rows, Cabinet, other)},
    SplitShare: lambda rows, n, other: {
        "split_id": new_key(),
        "position": 1,
        "product_id": _key(rows, Product, 0),
        "hundredths": 10_000,
    },
    # Row 0 is person 0 for depot 0, row 1 person 1 for depot 0; a fresh one is person 0 for depot 1.
    StaffDepot: lambda rows, n, other: {
        "staff_id": _key(rows, Staff, other),
        "depot_id": _key(rows, Depot, 0 if len(rows.of[StaffDepot]) < 2 else 1),
    },
    Entry: lambda rows, n, other: {
        "index": rows.head + 1,
        "id": new_key(),
        "recorded_at": START + (rows.head + 1) * DAY,
        "occurred_at": START,
        "face": "command",
        "verb": "depot.registered",
        "schema": 1,
        "simulated": False,
        "body": "{}",
        "leaf_hash": bytes(32),
    },
    Subject: lambda rows, n, other: {
        "entry_id": rows.head,
        "position": n,
        "part": "depot",
        "kind": "depot",
        "thing_id": _key(rows, Depot, 0),
        "label": "TM0 Tarnmouth",
        "wrote_record": True,
    },
    Checkpoint: lambda rows, n, other: {
        "size": rows.head,
        "root": bytes(32),
        "at": START + rows.head * DAY,
        "record": "{}",
        "signature": 128 * "0",
        "public_key": 64 * "0",
    },
    TreeNode: lambda rows, n, other: {"number": n, "digest": bytes(32)},
    CheckpointDeparture: lambda rows, n, other: {
        "checkpoint_id": rows.of[Checkpoint][other].pk,
        "to": "the office safe",
        "tried_at": START,
    },
}

_RECORDS = [model for model in _MAKERS if issubclass(model, Record)]
_VERSIONS = [model for model in _MAKERS if issubclass(model, Version)]


# --- statements --------------------------------------------------------------------------------------


def execute(sql: str, values: list[Any] | None = None) -> None:
    """Run one statement."""
    with connection.cursor() as cursor:
        cursor.execute(sql, values)


def stored(field: "models.Field[Any, Any]", value: Any) -> Any:
    """Return a value in the form in which the database takes it for a column."""
    return field.get_db_prep_save(value, connection)


def insert(row: models.Model, how: str = "INSERT", then: str = "", **columns: Any) -> None:
    """Insert a row by plain SQL: `how` may be INSERT OR REPLACE, `columns` replace or add stored values."""
    values = {
        field.column: stored(field, getattr(row, field.attname))
        for field in row._meta.local_concrete_fields
        if not (field.primary_key and getattr(row, field.attname) is None)
    } | columns
    names = ", ".join(f'"{name}"' for name in values)
    marks = ", ".join(["%s"] * len(values))
    execute(f'{how} INTO "{row._meta.db_table}" ({names}) VALUES ({marks}) {then}', list(values.values()))


def update(row: models.Model, how: str = "UPDATE", **columns: Any) -> None:
    """Change columns of one row by plain SQL; values by attribute name, or stored ones by another name."""
    fields = {field.attname: field for field in row._meta.local_concrete_fields}
    changes = {
        fields[name].column if name in fields else name: stored(fields[name], value)
        if name in fields
        else value
        for name, value in columns.items()
    }
    sets = ", ".join(f'"{name}" = %s' for name in changes)
    pk = row._meta.pk
    execute(
        f'{how} "{row._meta.db_table}" SET {sets} WHERE "{pk.column}" = %s',
        [*changes.values(), stored(pk, row.pk)],
    )


def delete(row: models.Model) -> None:
    """Delete one row by plain SQL."""
    pk = row._meta.pk
    execute(f'DELETE FROM "{row._meta.db_table}" WHERE "{pk.column}" = %s', [stored(pk, row.pk)])


def refusal(run: Callable[[], object]) -> str:
    """Try something and undo it; return the database's words of refusal, or blank where it was accepted."""
    try:
        with transaction.atomic():
            run()
            transaction.set_rollback(True)
    except IntegrityError as error:
        return str(error)
    return ""


@contextmanager
def without(*lifted: Guard) -> Iterator[None]:
    """Lift some guards for as long as the context lasts; whatever is written meanwhile is undone."""
    with transaction.atomic():
        for guard in lifted:
            for statement in guard.drop_sql(connection.vendor):
                execute(statement)
        yield
        transaction.set_rollback(True)
