"""A register with a life behind it, and the ways to tamper with it behind its back.

Tampering is done with the guards lifted and foreign keys unasked, as somebody with the database could;
the guards are back when the audit looks, and everything is undone at the end of each attempt.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.models import Model

from registry.actions import (
    acceptance,
    accounts,
    assignments,
    cabinets,
    counts,
    devices,
    kit,
    locations,
    mountings,
    periods,
    products,
    provisional,
    readings,
    staff,
    tokens,
)
from registry.actions._action import SYSTEM
from registry.actions._devices import NewDevice
from registry.ledger import guards
from registry.ledger.audit import Finding, Report, audit
from registry.ledger.images import table_name
from registry.models import (
    Account,
    Cabinet,
    Contact,
    Depot,
    Device,
    Entry,
    ReadingSeal,
)
from registry.queries.visits import cabinets_of
from registry.rules.assignments import Installation
from registry.rules.canonical import canonical_bytes, parse_canonical
from registry.rules.merkle import leaf_hash
from registry.rules.splits import Share
from tests.conftest import outside_actions
from tests.factories.evidence import mounted, photographed
from tests.factories.playing import passed
from tests.factories.visiting import begun, surveyed
from tests.factories.world import DAY, HOUR, World, new_location


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
    lost, _ = tokens.issue_token(world.administrator, staff_id=world.installer.staff_id, name="Red phone")
    tokens.revoke_token(world.administrator, token_id=lost.pk, reason="fell off the pier")
    tokens.issue_token(world.administrator, staff_id=world.installer.staff_id, name="Blue phone")
    products.correct_product(office, product_id=world.eight_lb.pk, particulars={"net_mass": "8.125"})
    count = counts.draw_count(world.auditor, name="Spring")
    counts.record_finding(world.auditor, count_id=count.pk, depot_id=world.fellgate.pk, place_done=True)
    a_day_in_the_field(world)
    readings_sealed(world)
    last = locations.correct_depot(office, depot_id=world.fellgate.pk, particulars={"name": "Fell Gate"})
    return Life(world, contact, rejected, last)


def a_day_in_the_field(world: World) -> None:
    """Let a visit be planned, read up on and begun, and an installation recorded, seen and accepted."""
    kit.adopt_kit(world.office)
    visit = begun(world)
    surveyed(world, cabinets_of(visit)[0].cabinet)
    check = passed(world)
    mounted(world, check.assignment)
    photographed(world, cabinet_id=check.cabinet_id)
    mountings.set_mounting_practice(world.office, value="hole", least_mm=24, most_mm=None)
    acceptance.sign_off(world.installer, check_id=check.pk)


def readings_sealed(world: World) -> ReadingSeal:
    """Let a gateway report of three serials, and seal it after the hour; return the seal."""
    gateway, _ = tokens.issue_device_token(world.administrator, name="Gateway Tarnmouth")
    measured_at = (world.clock.at - DAY).isoformat()
    rows = [
        {"serial": f"GHOST{number}", "measured_at": measured_at, "distances_mm": [412, None]}
        for number in range(3)
    ]
    readings.take_readings(gateway, rows)
    world.clock.at += HOUR
    return readings.seal_readings(SYSTEM)


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


def writer_of(row: Model) -> int:
    """Return the index of the entry that last wrote a row."""
    key = str(row.pk)
    for entry in Entry.objects.order_by("-index"):
        body: Any = parse_canonical(entry.body.encode())
        if (table_name(type(row)), key) in {(image["table"], image["key"]) for image in body["images"]}:
            return entry.index
    raise AssertionError(f"no entry wrote {key}")
