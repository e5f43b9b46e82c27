"""The auditor: finds nothing in a register that was only written through actions, and every tampering.

Tampering is done with the guards lifted and foreign keys unasked, as somebody with the database could;
the guards are back when the audit looks, and everything is undone at the end of each attempt.
"""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection, transaction
from django.db.models import F, Model

from config import env
from registry.actions import (
    accounts,
    assignments,
    cabinets,
    devices,
    locations,
    periods,
    products,
    provisional,
    staff,
)
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.ledger import guards
from registry.ledger.audit import REPEATED, Finding, Report, audit
from registry.ledger.images import image_of, ledgered_models, table_name
from registry.models import (
    Account,
    AccountState,
    Cabinet,
    CabinetModel,
    CabinetWhereabouts,
    Contact,
    ContactText,
    Depot,
    Device,
    DeviceModel,
    DeviceWhereabouts,
    Entry,
    Location,
    LocationHolding,
    LocationState,
    Product,
    Split,
    SplitShare,
    Staff,
    StaffDepot,
    Subject,
)
from registry.models.base import PeriodVersion, new_key
from registry.rules.assignments import Installation
from registry.rules.canonical import canonical_bytes, parse_canonical
from registry.rules.commitments import commitment
from registry.rules.merkle import leaf_hash
from registry.rules.splits import Share
from tests import postgresql
from tests.conftest import outside_actions
from tests.factories.world import DAY, World, new_location

ROOT = Path(__file__).resolve().parents[2]
WAIT_S = 60  # for one command in a process of its own, on a busy machine
MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class Life:
    """A register with something in it."""

    world: World
    contact: Contact
    device: Device  # rejected in a whole life, assigned in a brief one
    last: Depot  # corrected by the newest entry


@pytest.fixture
def brief(world: World) -> Life:
    """A register with little in it: a split, an assignment, two contacts, and a depot corrected last."""
    cabinet, device = world.cabinet(split=True), world.device()
    products.set_split(
        world.office,
        cabinet_id=cabinet.pk,
        shares=[Share(world.eight_lb.pk, 10_000)],
        valid_from=world.start + 8 * DAY,
    )
    world.assigned(device, cabinet)
    contact = _contacts(world)
    last = locations.correct_depot(
        world.office, depot_id=world.fellgate.pk, particulars={"name": "Fell Gate"}
    )
    return Life(world, contact, device, last)


def _contacts(world: World) -> Contact:
    """Add two contacts; correct the first, which is returned, and erase the second."""
    contact, erased = (
        locations.register_contact(world.office, location_id=world.location.pk, text={"name": name})
        for name in ("Wren Hollis", "Ash Fenner")
    )
    locations.correct_contact(world.office, contact_id=contact.pk, text={"name": "Wren Hollis-Pike"})
    locations.erase_contact(world.office, contact_id=erased.pk, reason="asked to be")
    return contact


@pytest.fixture
def life(world: World) -> Life:
    """A register with swaps, moves, corrections, merges, rejections, closures and erasures behind it."""
    office, start = world.office, world.start

    def at(days: int) -> datetime:
        return start + days * DAY

    store, pier = world.store(), _second_account(world)
    old, new, unused = world.device(), world.device(), world.device()
    cabinet, other = world.cabinet(split=True), world.cabinet(store)
    first = world.assigned(old, cabinet)
    second = assignments.swap_device(
        office, assignment_id=first.period, device_id=new.pk, valid_from=at(6), depot_id=world.tarnmouth.pk
    )
    periods.correct_period(
        office,
        history="devicewhereabouts",
        period_id=second.period,
        valid_from=at(7),
        reason="read the job sheet",
    )
    split = products.set_split(
        office, cabinet_id=cabinet.pk, shares=[Share(world.eight_lb.pk, 10_000)], valid_from=at(8)
    )
    periods.correct_period(
        office,
        history="split",
        period_id=split.period,
        facts={"shares": [Share(world.eight_lb.pk, 3_333), Share(world.eighteen_lb.pk, 6_667)]},
        reason="measured again",
    )
    cabinets.move_cabinet(
        office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=at(9), devices="follow"
    )
    devices.hand_over_device(office, device_id=unused.pk, staff_id=world.installer.staff_id, valid_from=at(9))
    merged, rejected = (_found(world, other, days, slot) for days, slot in ((10, 1), (11, 2)))
    provisional.merge_provisional_device(office, device_id=merged.pk, into_id=old.pk, reason="read again")
    provisional.reject_provisional_device(office, device_id=rejected.pk, reason="a competitor's")
    locations.take_over_location(
        office,
        account_id=pier.pk,
        location=new_location(
            world.fellgate,
            "7",
            latitude=Decimal("44.5"),
            longitude=Decimal("-68.25"),
        ),
        known_by=at(3),
    )
    locations.hand_location(
        office, location_id=store.pk, account_id=pier.pk, store_number="8", valid_from=at(12)
    )
    locations.close_location(
        office, location_id=store.pk, valid_from=at(20), cabinets_to=world.fellgate.pk, reason="torn down"
    )
    contact = _contacts(world)
    staff.change_role(world.administrator, staff_id=world.stranger.staff_id, role="office")
    staff.change_depots(world.administrator, staff_id=world.stranger.staff_id, depots=[world.tarnmouth.pk])
    staff.set_password(world.administrator, staff_id=world.stranger.staff_id, password="skerry-light-22")
    products.correct_product(office, product_id=world.eight_lb.pk, particulars={"net_mass": "8.125"})
    last = locations.correct_depot(office, depot_id=world.fellgate.pk, particulars={"name": "Fell Gate"})
    return Life(world, contact, rejected, last)


def _second_account(world: World) -> Account:
    return accounts.register_account(
        world.office,
        particulars={"code": "PP", "name": "Pier & Pantry"},
        valid_from=world.start,
        parent_id=world.account.pk,
    )


def _found(world: World, cabinet: Cabinet, days: int, slot: int) -> Device:
    return provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + days * DAY,
        evidence="label torn",
        cabinet_id=cabinet.pk,
        installation=Installation(slot=slot, slot_reason="a wide cabinet" if slot > 1 else ""),
    )


# --- behind the register's back --------------------------------------------------------------------


@contextmanager
def undone() -> Iterator[None]:
    """Undo at the end what was done to the database, guards included."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@contextmanager
def unguarded() -> Iterator[None]:
    """Lift the guards and ask no foreign key; then put the guards back."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # no check may be pending on an altered table
            cursor.execute("SET LOCAL session_replication_role = replica")
        guards.remove(connection)
        with outside_actions():
            yield
        if connection.vendor == "postgresql":
            cursor.execute("SET LOCAL session_replication_role = DEFAULT")
        guards.install(connection)
    assert guards.missing(connection) == []


def after(tamper: Callable[[], object]) -> Report:
    """Return what the audit reports after a tampering, which is undone again."""
    with undone():
        with unguarded():
            tamper()
        return audit()


def found(tamper: Callable[[], object]) -> list[Finding]:
    return after(tamper).findings


def layers(findings: list[Finding]) -> set[str]:
    return {finding.layer for finding in findings}


def edit(row: Model, **values: Any) -> int:
    """Change columns of one row, and nothing else."""
    changed = type(row)._base_manager.filter(pk=row.pk).update(**values)
    assert changed == 1
    return changed


def remove(*rows: Model) -> None:
    for row in rows:
        assert type(row)._base_manager.filter(pk=row.pk)._raw_delete("default") == 1


def remove_entry(entry: Entry) -> None:
    remove(*entry.subjects.all(), entry)


def rewrite(entry: Entry, change: Callable[[dict[str, Any]], object], *, rehash: bool) -> None:
    """Change the body of an entry, with its leaf hash where told."""
    body: Any = parse_canonical(entry.body.encode())
    change(body)
    data = canonical_bytes(body)
    assert data.decode() != entry.body
    edit(entry, body=data.decode(), **({"leaf_hash": leaf_hash(data)} if rehash else {}))


def newest() -> Entry:
    return Entry.objects.latest("index")


def middle() -> Entry:
    """Return the entry that set a cabinet's split."""
    return Entry.objects.filter(verb="split.set").earliest("index")


# --- nothing to find -------------------------------------------------------------------------------


def test_nothing_is_found_in_a_register_after_a_whole_life(life: Life) -> None:
    report = audit()

    assert report.findings == []
    assert report.clean
    assert report.entries == Entry.objects.count() > 30
    assert report.rows == sum(model._base_manager.count() for model in ledgered_models())
    assert report.guards == len(guards.all_guards(connection.vendor))
    assert report.erased == 1


def test_a_life_holds_rows_of_every_ledgered_table(life: Life) -> None:
    assert [table_name(model) for model in ledgered_models() if not model._base_manager.exists()] == []


def test_nothing_is_found_in_an_empty_register(db: None) -> None:
    report = audit()

    assert (report.findings, report.entries, report.rows) == ([], 0, 0)


def test_the_audit_writes_nothing(life: Life) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("SET TRANSACTION READ ONLY")
        else:
            cursor.execute("PRAGMA query_only = ON")
        try:
            assert audit().clean
        finally:
            if connection.vendor == "sqlite":
                cursor.execute("PRAGMA query_only = OFF")


# --- the ledger's text -----------------------------------------------------------------------------


def test_an_edited_body_is_not_the_text_that_was_hashed(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: rewrite(entry, lambda body: body.update(reason="because"), rehash=False))

    assert [(f.layer, f.entry, f.words) for f in findings if f.layer == "hash"] == [
        ("hash", entry.index, f"Entry {entry.index}: its text is not the one that was hashed.")
    ]


def test_an_edited_body_with_its_hash_made_anew_contradicts_the_columns(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: rewrite(entry, lambda body: body.update(reason="because"), rehash=True))

    assert findings == [
        Finding(
            "columns",
            f"Entry {entry.index}: the column reason says '', the hashed text 'because'.",
            entry=entry.index,
        )
    ]


def test_an_edited_image_with_its_hash_made_anew_contradicts_the_table(brief: Life) -> None:
    entry = newest()

    def rename(body: dict[str, Any]) -> None:
        body["images"][0]["after"]["name"] = "Elsewhere"

    assert found(lambda: rewrite(entry, rename, rehash=True)) == [
        Finding(
            "rows",
            f"depot {brief.last.pk}: the field name is stored as 'Fell Gate', the ledger proves 'Elsewhere'.",
            table="depot",
            key=str(brief.last.pk),
        )
    ]


def test_an_edited_before_with_its_hash_made_anew_contradicts_the_entries_before_it(brief: Life) -> None:
    entry = newest()

    def rename(body: dict[str, Any]) -> None:
        body["images"][0]["before"]["name"] = "Elsewhere"

    [finding] = found(lambda: rewrite(entry, rename, rehash=True))

    assert (finding.layer, finding.entry, finding.table, finding.key) == (
        "replay",
        entry.index,
        "depot",
        str(brief.last.pk),
    )


def test_an_edited_leaf_hash_is_seen(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: edit(entry, leaf_hash=bytes(32)))

    assert [(f.layer, f.entry) for f in findings] == [("hash", entry.index)]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("{", "not JSON"),
        ('{"b":1,"a":2}', "not in canonical form"),
        ("[]", "its text is no entry"),
    ],
)
def test_a_body_that_is_no_entry_is_said_whatever_its_hash(brief: Life, body: str, words: str) -> None:
    entry = middle()

    findings = found(lambda: edit(entry, body=body, leaf_hash=leaf_hash(body.encode())))

    assert [words in f.words for f in findings if f.layer == "hash"] == [True]
    assert {f.entry for f in findings if f.layer == "hash"} == {entry.index}


@pytest.mark.parametrize("image", [{}, "image", {"table": "depot", "key": "1", "before": None}])
def test_an_image_of_no_known_form_is_said_and_the_audit_goes_on(brief: Life, image: Any) -> None:
    entry = newest()

    findings = found(lambda: rewrite(entry, lambda body: body["images"].append(image), rehash=True))

    assert findings == [
        Finding("replay", f"Entry {entry.index} holds an image of no known form.", entry=entry.index)
    ]


def test_each_column_of_an_entry_is_held_against_its_text(brief: Life, subtests: Any) -> None:
    entry = middle()
    values: dict[str, Any] = {
        "id": new_key(),
        "recorded_at": entry.recorded_at + MINUTE,
        "occurred_at": entry.occurred_at - MINUTE,
        "staff_id": brief.world.installer.staff_id,
        "face": "console",
        "verb": "split.sent",
        "reason": "because",
        "schema": 2,
        "simulated": False,
    }
    assert set(values) == set(REPEATED) - {"index"}
    for column, value in values.items():
        with subtests.test(column=column):
            findings = found(lambda: edit(entry, **{column: value}))  # noqa: B023

            [finding] = [f for f in findings if f.layer == "columns"]
            assert finding.entry == entry.index
            assert f"the column {column} says" in finding.words


# --- the ledger's order ----------------------------------------------------------------------------


def test_the_newest_entry_deleted_leaves_its_rows_unproved(brief: Life) -> None:
    findings = found(lambda: remove_entry(newest()))

    assert all(f.layer == "rows" for f in findings)
    assert any(
        f"depot {brief.last.pk}: the field name is stored as 'Fell Gate', the ledger proves 'Fellgate'."
        == f.words
        for f in findings
    )


def test_a_deleted_entry_in_the_middle_is_missed(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: remove_entry(entry))

    [gap] = [f for f in findings if f.layer == "order"]
    assert gap.words == f"Entry {entry.index} is missing before entry {entry.index + 1}."
    assert "rows" in layers(findings)


def test_several_deleted_entries_are_missed_as_a_range(brief: Life) -> None:
    gone = list(Entry.objects.filter(index__in=[5, 6, 7]))

    findings = found(lambda: [remove_entry(entry) for entry in gone])

    assert "Entry 5 to 7 is missing before entry 8." in [f.words for f in findings if f.layer == "order"]


def test_a_missing_first_entry_is_missed(brief: Life) -> None:
    findings = found(lambda: remove_entry(Entry.objects.get(index=1)))

    assert "Entry 1 is missing before entry 2." in [f.words for f in findings if f.layer == "order"]


def test_two_entries_exchanged_contradict_their_texts_and_the_clock(brief: Life) -> None:
    one, two = middle().index, middle().index + 3

    def exchange() -> None:
        for old, new in ((one, 10**6), (two, one), (10**6, two)):
            Entry.objects.filter(index=old).update(index=new)
            Subject.objects.filter(entry=old).update(entry=new)

    findings = found(exchange)

    assert {f.entry for f in findings if f.layer == "columns"} == {one, two}
    assert any("the column index says" in f.words for f in findings)
    assert "order" in layers(findings)


def test_an_entry_put_in_between_contradicts_every_later_text(brief: Life) -> None:
    place, head = middle().index, newest().index

    def put_in() -> None:
        copied = Entry.objects.get(index=place)
        for index in range(head, place - 1, -1):
            Entry.objects.filter(index=index).update(index=index + 1)
            Subject.objects.filter(entry=index).update(entry=index + 1)
        copied.pk, copied.id = place, new_key()
        copied.recorded_at -= 365 * DAY
        copied.save(force_insert=True)

    findings = found(put_in)

    moved = {f.entry for f in findings if f.layer == "columns" and "the column index says" in f.words}
    assert moved == set(range(place + 1, head + 2))
    assert place in {f.entry for f in findings if f.layer in ("columns", "order", "subjects")}


def test_an_entry_added_at_the_end_proves_rows_that_no_table_holds(brief: Life) -> None:
    last, key = newest(), str(new_key())

    def add() -> None:
        body: Any = parse_canonical(last.body.encode())
        image = {**body["images"][0]["after"], "id": key}
        forged = new_key()
        recorded_at = last.recorded_at + MINUTE
        body |= {
            "index": last.index + 1,
            "id": str(forged),
            "recorded_at": recorded_at.astimezone(UTC).isoformat(timespec="microseconds")[:-6] + "Z",
            "subjects": [],
            "images": [{"table": "depot", "key": key, "before": None, "after": image}],
        }
        data = canonical_bytes(body)
        last.pk, last.id, last.recorded_at = last.index + 1, forged, recorded_at
        last.body, last.leaf_hash = data.decode(), leaf_hash(data)
        last.save(force_insert=True)

    assert found(add) == [
        Finding(
            "rows",
            f"depot {key} was made by an entry, but is gone from the table.",
            table="depot",
            key=key,
        )
    ]


def test_a_simulated_entry_after_a_real_one_is_said(brief: Life) -> None:
    entry = middle()

    findings = found(lambda: edit(entry, simulated=False))

    assert f"Entry {entry.index + 1} is simulated but follows a real one." in [
        f.words for f in findings if f.layer == "order"
    ]


# --- what entries are about ------------------------------------------------------------------------


def test_a_subject_changed_removed_or_added_is_seen(brief: Life, subtests: Any) -> None:
    entry = middle()
    subject = entry.subjects.get(position=0)

    def add() -> None:
        extra = Subject.objects.get(pk=subject.pk)
        extra.pk, extra.position = None, 9
        extra.save(force_insert=True)

    attempts: dict[str, Callable[[], object]] = {
        "label": lambda: edit(subject, label="SK-9999"),
        "part": lambda: edit(subject, part="from"),
        "kind": lambda: edit(subject, kind="device"),
        "thing": lambda: edit(subject, thing_id=new_key()),
        "wrote_record": lambda: edit(subject, wrote_record=not subject.wrote_record),
        "other entry": lambda: edit(subject, entry=entry.index + 1, position=9),
        "removed": lambda: remove(subject),
        "added": add,
    }
    for name, tamper in attempts.items():
        with subtests.test(name):
            findings = found(tamper)

            assert layers(findings) == {"subjects"}
            assert entry.index in {f.entry for f in findings}


# --- the tables ------------------------------------------------------------------------------------

# One imaged column of each ledgered table, and another value that the table would hold.
EDITS: dict[type[Model], tuple[str, Any]] = {
    Account: ("name", "Elsewhere"),
    AccountState: ("valid_from", MINUTE),
    Cabinet: ("position", "by the door"),
    CabinetModel: ("interior_width_mm", 1201),
    CabinetWhereabouts: ("valid_from", MINUTE),
    Contact: ("location_id", None),
    Depot: ("name", "Elsewhere"),
    Device: ("firmware", "9.9"),
    DeviceModel: ("range_mm", 2999),
    DeviceWhereabouts: ("valid_from", MINUTE),
    Location: ("time_zone", "America/Chicago"),
    LocationHolding: ("store_number", "9999"),
    LocationState: ("starts_known_by", True),
    Product: ("net_mass", Decimal("9.125")),
    Split: ("valid_from", MINUTE),
    SplitShare: ("hundredths", 1),
    Staff: ("role", "auditor"),
    StaffDepot: ("depot_id", None),
}


def sample(model: type[Model]) -> Any:
    """Return a row of a table: the one with the smallest key that an edit would change."""
    rows = model._base_manager.order_by("pk")
    if model is LocationState:
        rows = rows.filter(starts_known_by=False)
    if model is Staff:
        rows = rows.exclude(role="auditor")
    row = rows.first()
    assert row is not None
    return row


def test_an_edited_row_of_any_ledgered_table_is_named_with_field_and_values(
    life: Life, subtests: Any
) -> None:
    assert set(EDITS) == set(ledgered_models())
    others = {"location_id": life.world.location.pk, "depot_id": life.world.tarnmouth.pk}
    others["location_id"] = Location.objects.exclude(pk=life.contact.location_id).earliest("pk").pk
    for model, (column, value) in EDITS.items():
        with subtests.test(table=table_name(model)):
            row = sample(model)
            if column == "depot_id":
                others["depot_id"] = Depot.objects.exclude(pk=row.depot_id).earliest("pk").pk
            stored = getattr(row, column) + value if value is MINUTE else others.get(column, value)

            findings = found(lambda: edit(row, **{column: stored}))  # noqa: B023

            proved = image_of(row)[column]
            setattr(row, column, stored)
            told = image_of(row)[column]
            assert findings == [
                Finding(
                    "rows",
                    f"{table_name(model)} {row.pk}: the field {column} is stored as {told!r},"
                    f" the ledger proves {proved!r}.",
                    table=table_name(model),
                    key=str(row.pk),
                )
            ]


def test_a_row_deleted_from_any_ledgered_table_is_missed(life: Life, subtests: Any) -> None:
    for model in ledgered_models():
        with subtests.test(table=table_name(model)):
            row = sample(model)

            findings = found(lambda: remove(row))  # noqa: B023

            assert findings == [
                Finding(
                    "rows",
                    f"{table_name(model)} {row.pk} was made by an entry, but is gone from the table.",
                    table=table_name(model),
                    key=str(row.pk),
                )
            ]


def like(row: Any) -> Any:
    """Return a row that a table would take beside one that it has."""
    row.pk = new_key()
    for field in row._meta.local_concrete_fields:
        if field.unique and not field.primary_key and getattr(row, field.attname) is not None:
            setattr(row, field.attname, "9999")
    if isinstance(row, PeriodVersion):
        row.period, row.valid_from = new_key(), datetime(2001, 1, 1, tzinfo=UTC)
        row.valid_to = row.valid_from + DAY
        if isinstance(row, DeviceWhereabouts) and row.cabinet_id:
            row.end_reason = "fault"
    elif isinstance(row, StaffDepot):
        row.superseded_id = row.recorded_id
    elif isinstance(row, SplitShare):
        row.position, row.product_id = 9, new_key()
    elif isinstance(row, Device):
        row.serial = "PB39999999"
    return row


def test_a_row_added_to_any_ledgered_table_is_made_by_no_entry(life: Life, subtests: Any) -> None:
    for model in ledgered_models():
        with subtests.test(table=table_name(model)):
            row = like(sample(model))

            findings = found(lambda: row.save(force_insert=True))  # noqa: B023

            assert findings == [
                Finding(
                    "rows",
                    f"{table_name(model)} {row.pk} stands in the table, but no entry made it.",
                    table=table_name(model),
                    key=str(row.pk),
                )
            ]


def test_a_version_believed_again_contradicts_the_ledger(life: Life) -> None:
    place = DeviceWhereabouts.objects.get(device=life.device)

    findings = found(lambda: edit(place, superseded=None))

    assert [f.words for f in findings] == [
        f"devicewhereabouts {place.pk}: the field superseded_index is stored as None,"
        f" the ledger proves {place.superseded_id}."
    ]


def test_a_version_superseded_without_an_entry_contradicts_the_ledger(brief: Life) -> None:
    stay = CabinetWhereabouts.objects.current().earliest("id")

    findings = found(lambda: edit(stay, superseded=F("recorded")))

    assert [(f.layer, f.key) for f in findings] == [("rows", str(stay.pk))]
    assert "the field superseded_index" in findings[0].words


def test_a_row_put_in_the_place_of_another_contradicts_the_ledger(brief: Life) -> None:
    depot = brief.last
    columns = ("id", "code", "name", "registered_index", "revised_index")

    def put_over() -> None:
        words = "INSERT OR REPLACE" if connection.vendor == "sqlite" else "INSERT"
        end = "" if connection.vendor == "sqlite" else "ON CONFLICT (id) DO UPDATE SET name = excluded.name"
        with connection.cursor() as cursor:
            cursor.execute(
                f"{words} INTO registry_depot ({', '.join(columns)})"
                f" SELECT {', '.join(columns).replace('name', '%s')} FROM registry_depot"
                f" WHERE code = %s {end}",
                ["Elsewhere", depot.code],
            )

    assert [(f.layer, f.key, f.words) for f in found(put_over)] == [
        (
            "rows",
            str(depot.pk),
            f"depot {depot.pk}: the field name is stored as 'Elsewhere', the ledger proves 'Fell Gate'.",
        )
    ]


def test_a_row_whose_key_was_exchanged_is_missed_and_unproved(brief: Life) -> None:
    share = sample(SplitShare)
    key = new_key()

    findings = found(lambda: edit(share, id=key))

    assert sorted((f.layer, f.key) for f in findings) == sorted([("rows", str(key)), ("rows", str(share.pk))])


def test_a_guard_that_was_taken_away_is_named(brief: Life, subtests: Any) -> None:
    wanted = {
        "guard_entry_no_update",
        "guard_staff_revised_by_entry",
        "guard_devicewhereabouts_one_per_device",
    }
    dropped = [guard for guard in guards.all_guards(connection.vendor) if guard.name in wanted]
    assert len(dropped) == len(wanted)
    for guard in dropped:
        with subtests.test(guard.name), undone():
            with connection.cursor() as cursor:
                if connection.vendor == "postgresql":
                    cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
                for statement in guard.drop_sql(connection.vendor):
                    cursor.execute(statement)

            [finding] = audit().findings

            assert (finding.layer, finding.table) == ("guards", guard.table)
            assert f"The guard {guard.name} is missing or altered" in finding.words


# --- personal texts --------------------------------------------------------------------------------


def texts(life: Life) -> tuple[ContactText, ContactText]:
    """Return the former text of a contact and the one that took its place."""
    bound = Contact.objects.get(pk=life.contact.pk).commitment
    rows = ContactText.objects.filter(contact=life.contact)
    return rows.exclude(commitment=bound).get(), rows.get(commitment=bound)


def test_a_personal_text_that_is_not_the_committed_one_is_said(brief: Life, subtests: Any) -> None:
    former, text = texts(brief)
    attempts: dict[str, tuple[ContactText, dict[str, Any]]] = {
        "text": (text, {"text": {"name": "Somebody Else"}}),
        "former text": (former, {"text": {"name": "Somebody Else"}}),
        "salt": (text, {"salt": bytes(16)}),
        "salt too short": (text, {"salt": b"salt"}),
        "text of no form": (text, {"text": {"name": 1.5}}),
    }
    for name, (row, values) in attempts.items():
        with subtests.test(name):
            assert found(lambda: edit(row, **values)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"The text of contact {brief.contact.pk} is not the one that was committed to.",
                    table="contacttext",
                    key=str(row.pk),
                )
            ]


def test_a_personal_text_wiped_or_deleted_without_an_entry_is_missed(brief: Life, subtests: Any) -> None:
    for name, text in zip(("former", "present"), texts(brief), strict=True):
        with subtests.test(name):
            assert found(lambda: edit(text, salt=None, text=None)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"The text of contact {brief.contact.pk} is gone, although no entry erased it.",
                    table="contacttext",
                    key=str(text.pk),
                )
            ]
            assert found(lambda: remove(text)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"A text of contact {brief.contact.pk} is gone from the table.",
                    table="contact",
                    key=str(brief.contact.pk),
                )
            ]


def test_a_personal_text_that_no_entry_committed_to_is_said(brief: Life) -> None:
    salt, words = bytes(16), {"name": "Somebody Else"}
    text = ContactText(contact_id=brief.contact.pk, commitment=commitment(salt, words), salt=salt, text=words)

    assert found(lambda: text.save(force_insert=True)) == [
        Finding(
            "commitments",
            f"The text of contact {brief.contact.pk} is none that an entry committed to.",
            table="contacttext",
            key=str(text.pk),
        )
    ]


def test_an_erased_text_that_was_brought_back_is_said(brief: Life) -> None:
    salts = {text.pk: (bytes(text.salt), text.text) for text in texts(brief)}
    locations.erase_contact(brief.world.office, contact_id=brief.contact.pk, reason="asked to be")
    key, (salt, words) = next(iter(salts.items()))

    findings = found(lambda: edit(ContactText(pk=key), salt=salt, text=words))

    assert [(f.layer, f.key, f.words) for f in findings] == [
        (
            "commitments",
            str(key),
            f"The text of contact {brief.contact.pk} stands there, although an entry erased it.",
        )
    ]


def test_a_text_erased_by_its_action_is_counted_and_no_finding(brief: Life) -> None:
    locations.erase_contact(brief.world.office, contact_id=brief.contact.pk, reason="asked to be")

    report = audit()

    assert report.clean
    assert report.erased == 3  # both texts of this contact, and the one that was erased before


def test_an_edited_name_of_staff_is_not_the_committed_one(brief: Life, subtests: Any) -> None:
    person = Staff.objects.get(pk=brief.world.office.staff_id)
    for values in ({"name": "Somebody Else"}, {"name_salt": bytes(16)}, {"name_salt": b""}):
        with subtests.test(changed=next(iter(values))):
            assert found(lambda: edit(person, **values)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"The name of {person.label} is not the one that was committed to.",
                    table="staff",
                    key=str(person.pk),
                )
            ]


def test_a_name_of_staff_edited_with_its_commitment_contradicts_the_ledger(brief: Life) -> None:
    person = Staff.objects.get(pk=brief.world.office.staff_id)
    other = Staff.objects.get(pk=brief.world.installer.staff_id)

    findings = found(
        lambda: edit(
            person, name=other.name, name_salt=bytes(other.name_salt), name_commitment=other.name_commitment
        )
    )

    assert [(f.layer, f.key) for f in findings] == [("rows", str(person.pk))]
    assert "the field name_commitment is stored as" in findings[0].words


# --- what an audit alone cannot see, and the command -----------------------------------------------


def told(*options: str) -> tuple[int, str]:
    """Return the command's exit status and what it said."""
    out = StringIO()
    try:
        call_command("audit", *options, stdout=out, stderr=StringIO())
    except SystemExit as stop:
        return int(stop.code or 0), out.getvalue()
    return 0, out.getvalue()


def test_the_command_says_that_nothing_was_found_and_what_that_does_not_exclude(brief: Life) -> None:
    status, words = told()

    assert status == 0
    assert f"{Entry.objects.count()} entries hashed and replayed" in words
    assert "Without a checkpoint kept outside" in words
    assert "the newest entries were cut off" in " ".join(words.split())
    assert "FOUND" not in words


def test_newest_entries_cut_off_with_their_rows_are_not_seen_and_the_command_says_so(brief: Life) -> None:
    cabinets.register_cabinet(
        brief.world.office,
        cabinet=NewCabinet(brief.world.cove.pk, {"asset_tag": "SK-9999"}),
        valid_from=brief.world.start + 9 * DAY,
        depot_id=brief.world.tarnmouth.pk,
    )
    cabinet = Cabinet.objects.get(asset_tag="SK-9999")

    with undone():
        with unguarded():
            remove(CabinetWhereabouts.objects.get(cabinet=cabinet), cabinet)
            remove_entry(newest())
        status, words = told()

    assert status == 0
    assert "it cannot be excluded that the newest entries were cut off" in " ".join(words.split())


def test_ledger_and_table_rewritten_together_are_not_seen_and_the_command_says_so(brief: Life) -> None:
    entry = newest()

    def rename(body: dict[str, Any]) -> None:
        body["images"][0]["after"]["name"] = "Elsewhere"

    with undone():
        with unguarded():
            rewrite(entry, rename, rehash=True)
            edit(brief.last, name="Elsewhere")
        status, words = told()

    assert status == 0
    assert "or that ledger and tables were rewritten together" in " ".join(words.split())


def test_the_command_names_table_row_field_and_both_values_and_fails(brief: Life) -> None:
    with undone():
        with unguarded():
            edit(brief.last, name="Elsewhere")
        status, words = told()

    assert status == 1
    assert (
        f"FOUND (rows): depot {brief.last.pk}: the field name is stored as 'Elsewhere',"
        " the ledger proves 'Fell Gate'." in words
    )
    assert "Nothing was found" not in words


def test_the_command_answers_machines_in_json(brief: Life) -> None:
    status, words = told("--json")
    clean = json.loads(words)
    with undone():
        with unguarded():
            edit(brief.last, name="Elsewhere")
        failed, words = told("--json")
    found_it = json.loads(words)

    assert (status, failed) == (0, 1)
    assert clean["findings"] == []
    assert (clean["entries"], clean["erased"]) == (Entry.objects.count(), 1)
    assert clean["guards"] == len(guards.all_guards(connection.vendor))
    assert datetime.fromisoformat(clean["at"]) == brief.world.clock.at
    assert found_it["findings"] == [
        {
            "layer": "rows",
            "words": f"depot {brief.last.pk}: the field name is stored as 'Elsewhere',"
            " the ledger proves 'Fell Gate'.",
            "entry": None,
            "table": "depot",
            "key": str(brief.last.pk),
        }
    ]


# --- beside writers --------------------------------------------------------------------------------

# In the midst of an audit, after its first read, somebody else registers a depot.
WRITE_IN_THE_MIDST = """
import json, threading, time
import django
django.setup()
from django.core.management import call_command
from django.db import connection
from registry.actions import locations, register
from registry.actions._action import SYSTEM, Actor
from registry.ledger.audit import audit
from registry.rules.events import Face

call_command("migrate", verbosity=0)
first = register.found_register(SYSTEM, username="admin", name="Ada Frost", password="rime-on-the-pier-7")
actor = Actor(first.pk, Face.COMMAND)
waited, writers = [], []

def write():
    begun = time.monotonic()
    locations.register_depot(actor, particulars={"code": "MW", "name": "Midway"})
    waited.append(time.monotonic() - begun)
    connection.close()

def in_the_midst(execute, sql, params, many, context):
    if "registry_entry" in sql and not writers:
        writers.append(threading.Thread(target=write, daemon=True))
        writers[0].start()
        writers[0].join(10)
    return execute(sql, params, many, context)

with connection.execute_wrapper(in_the_midst):
    during = audit()
written = len(waited)
after = audit()
print(json.dumps({
    "written": written,
    "during": [during.entries, [f.words for f in during.findings]],
    "after": [after.entries, [f.words for f in after.findings]],
    "in_transaction": connection.in_atomic_block,
}))
"""
RENAME = """
import django
django.setup()
from django.db import connection
from registry.ledger import guards

guards.remove(connection)
with connection.cursor() as cursor:
    cursor.execute("UPDATE registry_depot SET name = 'Elsewhere'")
guards.install(connection)
"""


@pytest.fixture
def elsewhere(request: pytest.FixtureRequest, tmp_path: Path) -> dict[str, str]:
    """The environment of a process with a database of its own, of the kind that is tested."""
    url = f"sqlite:///{tmp_path / 'register.sqlite3'}"
    if request.config.getoption("--database") == "postgresql":
        import psycopg

        server = postgresql.server_url()
        with psycopg.connect(server, autocommit=True) as server_connection:
            server_connection.execute("DROP DATABASE IF EXISTS audited")
            server_connection.execute("CREATE DATABASE audited")
        url = server.rpartition("/")[0] + "/audited"
    return {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "config.settings",
        f"{env.PREFIX}DATABASE_URL": url,
        f"{env.PREFIX}DATA_DIR": str(tmp_path),
        "PYTHONPATH": str(ROOT),
    }


def run(environment: dict[str, str], *command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *command],
        env=environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=WAIT_S,
        check=False,
    )


def test_an_audit_sees_one_state_and_keeps_no_writer_out_and_its_status_tells(
    elsewhere: dict[str, str],
) -> None:
    done = run(elsewhere, "-c", WRITE_IN_THE_MIDST)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)

    assert answer["written"] == 1  # the writer did not wait for the end of the audit
    assert answer["during"] == [1, []]  # which goes on with the state that it began with
    assert answer["after"] == [2, []]
    assert answer["in_transaction"] is False

    clean = run(elsewhere, "manage.py", "audit")
    assert (clean.returncode, "2 entries hashed and replayed" in clean.stdout) == (0, True)
    assert run(elsewhere, "-c", RENAME).returncode == 0
    failed = run(elsewhere, "manage.py", "audit", "--json")
    assert failed.returncode == 1
    [finding] = json.loads(failed.stdout)["findings"]
    assert "the field name is stored as 'Elsewhere', the ledger proves 'Midway'." in finding["words"]
