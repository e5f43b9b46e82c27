"""The audit of readings: what was changed, taken away or added after its seal, and what waits too long."""

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection

from registry.actions.readings import take_readings
from registry.ledger.audit import audit
from registry.models import DeviceToken, Reading, ReadingSeal
from registry.models.base import new_key
from registry.rules.readings import UNSEALED_MAX
from tests.factories.world import HOUR, World
from tests.ledger.tampering import edit, found, layers, readings_sealed, remove


def first() -> Any:
    return Reading.objects.order_by("pk").first()


def add() -> None:
    one = first()
    one.pk, one.serial = new_key(), "GHOST9"
    one.save(force_insert=True)


def exchange_two() -> None:
    """Let two readings say each other's serial: the same rows, in another order."""
    one, other = Reading.objects.order_by("pk")[:2]
    edit(one, serial="between")
    edit(other, serial=one.serial)
    edit(one, serial=other.serial)


def write_what_no_column_holds() -> None:
    with connection.cursor() as cursor:
        cursor.execute("UPDATE registry_reading SET reported_by_id = 'nobody' WHERE serial = 'GHOST1'")


WAYS: dict[str, tuple[Callable[[], object], str]] = {
    "a_distance": (lambda: edit(first(), distances_mm=[413, None]), "changed"),
    "a_temperature": (lambda: edit(first(), temperatures_c=["-18"]), "changed"),
    "a_serial": (lambda: edit(first(), serial="GHOST9"), "changed"),
    "a_measured_time": (lambda: edit(first(), measured_at=first().measured_at + HOUR), "changed"),
    "a_received_time": (lambda: edit(first(), received_at=first().received_at + HOUR), "changed"),
    "the_supply": (lambda: edit(first(), supply_mv=3_600), "changed"),
    "the_signal": (lambda: edit(first(), signal_dbm=-97), "changed"),
    "the_firmware": (lambda: edit(first(), firmware="2"), "changed"),
    "two_exchanged": (exchange_two, "changed"),
    "one_gone": (lambda: remove(first()), "gone"),
    "all_gone": (lambda: remove(*Reading.objects.all()), "gone"),
    "one_unsealed": (lambda: edit(first(), seal=None), "gone"),
    "one_added": (add, "added"),
}


@pytest.mark.parametrize("way", WAYS)
def test_a_reading_that_is_not_as_it_was_sealed_is_found(world: World, way: str) -> None:
    seal = readings_sealed(world)
    assert audit().clean
    tamper, word = WAYS[way]

    [finding] = found(tamper)

    assert (finding.layer, finding.entry, finding.key) == ("readings", seal.registered_id, str(seal.pk))
    assert word in finding.words


@pytest.mark.statement_of("sqlite")
def test_a_reading_that_cannot_be_read_is_found_and_the_audit_goes_on(world: World) -> None:
    readings_sealed(world)
    [finding] = found(write_what_no_column_holds)
    assert "cannot be read" in finding.words


def test_a_reading_that_claims_an_entry_that_seals_nothing_is_found(world: World) -> None:
    readings_sealed(world)

    def claim() -> None:
        add()
        edit(Reading.objects.get(serial="GHOST9"), seal_id=1)

    [finding] = found(claim)
    assert "claims entry 1 as its seal" in finding.words


def test_a_seal_that_was_rewritten_to_suit_is_found_by_its_entry(world: World) -> None:
    seal = readings_sealed(world)
    findings = found(lambda: (remove(first()), edit(seal, row_count=2)))
    assert "rows" in layers(findings)


def test_a_reading_that_waits_too_long_for_its_seal_is_told(world: World) -> None:
    readings_sealed(world)
    gateway = DeviceToken.objects.get()
    row = {"serial": "GHOST7", "measured_at": world.clock.at.isoformat(), "distances_mm": []}
    take_readings(gateway, [row])
    world.clock.at += UNSEALED_MAX
    assert audit().clean
    world.clock.at += HOUR

    report = audit()

    assert [finding.layer for finding in report.findings] == ["readings"]
    assert "1 readings wait" in report.findings[0].words
    assert (report.seals, report.readings) == (ReadingSeal.objects.count(), 3)
