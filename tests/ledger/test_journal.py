"""The ledger as it is written: one entry an action, in one order, or nothing at all."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Any

import pytest
import rfc8785
from django.db import connection

from registry.actions import _action, accounts, cabinets, locations, register, staff
from registry.actions._action import SYSTEM, Writing, action
from registry.ledger import clock as ledger_clock
from registry.ledger.images import SCHEMA
from registry.models import Account, Contact, ContactText, Depot, Entry, Staff, Subject
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from tests.conftest import WORK_STARTS_AT
from tests.factories.world import DAY, HOUR, PASSWORD, World, new_location
from tests.models.rows import MODELS

TICK = timedelta(microseconds=1)


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Make a function of a test an action, unknown to the register's own list of them."""
    monkeypatch.setattr(_action, "ACTIONS", {})
    return action(None)


def dump() -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table of the register, as the database holds it."""
    tables = {}
    with connection.cursor() as cursor:
        for model in MODELS:
            cursor.execute(f'SELECT * FROM "{model._meta.db_table}" ORDER BY "{model._meta.pk.column}"')
            tables[model._meta.db_table] = [
                tuple(bytes(value) if isinstance(value, memoryview) else value for value in row)
                for row in cursor.fetchall()
            ]
    return tables


def register_depot(world: World) -> Entry:
    locations.register_depot(world.administrator, particulars={"code": world.code("D"), "name": "Scarp End"})
    return Entry.objects.latest("index")


def busy(world: World) -> World:
    """Let the company do a few things of several kinds."""
    device, cabinet = world.device(), world.cabinet(split=True)
    world.assigned(device, cabinet)
    locations.register_contact(world.office, location_id=world.location.pk, text={"name": "Wren Calder"})
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        depot_id=world.tarnmouth.pk,
        valid_from=world.start + 5 * DAY,
        devices="come_out",
        devices_to=world.tarnmouth.pk,
    )
    cabinets.correct_cabinet(
        world.office, cabinet_id=cabinet.pk, particulars={"condition": "a dent, left ¾"}, reason="Zoë saw it"
    )
    return world


# --- order and time -------------------------------------------------------------------------------------


def test_entries_are_counted_from_1_without_a_gap_even_after_refusals(world: World) -> None:
    with pytest.raises(RuleBroken):
        locations.register_depot(world.office, particulars={"code": "TM", "name": "Tarnmouth again"})
    busy(world)

    indexes = list(Entry.objects.order_by("recorded_at").values_list("index", flat=True))

    assert indexes == list(range(1, len(indexes) + 1))
    assert len(indexes) > 15


def test_the_recorded_time_is_the_clocks(world: World) -> None:
    world.clock.at += HOUR

    assert register_depot(world).recorded_at == WORK_STARTS_AT + HOUR


def test_the_recorded_time_goes_on_by_a_microsecond_where_the_clock_stands_or_steps_back(
    world: World,
) -> None:
    world.clock.at += HOUR
    first = register_depot(world).recorded_at
    standing = register_depot(world).recorded_at
    world.clock.at -= 10 * DAY
    back = register_depot(world)
    world.clock.at = first + 3 * TICK
    onward = register_depot(world).recorded_at

    assert (standing, back.recorded_at, onward) == (first + TICK, first + 2 * TICK, first + 3 * TICK)
    assert json.loads(back.body)["recorded_at"] == "2026-03-02T09:00:00.000002Z"


def test_an_entry_under_a_put_clock_says_so_and_a_real_one_does_not(db: None) -> None:
    with ledger_clock.simulated(WORK_STARTS_AT) as put:
        world = World.found(put)
    assert set(Entry.objects.values_list("simulated", flat=True)) == {True}

    real = register_depot(world)

    assert real.simulated is False
    assert json.loads(real.body)["simulated"] is False


def test_the_clock_is_not_put_once_a_real_entry_exists(db: None) -> None:
    register.found_register(SYSTEM, username="ada", name="Ada Frost", password=PASSWORD)
    administrator = _action.Actor(Staff.objects.get().pk, _action.Face.COMMAND)
    before = dump()

    with ledger_clock.simulated(datetime(2099, 1, 1, tzinfo=UTC)), pytest.raises(RuleBroken) as refused:
        locations.register_depot(administrator, particulars={"code": "TM", "name": "Tarnmouth"})

    assert refused.value.code == Code.SIMULATION_REFUSED
    assert dump() == before
    locations.register_depot(administrator, particulars={"code": "TM", "name": "Tarnmouth"})
    assert Entry.objects.count() == 2


# --- what an entry holds --------------------------------------------------------------------------------


def test_the_body_of_an_entry_is_canonical_and_says_what_the_columns_say(world: World) -> None:
    busy(world)
    for entry in Entry.objects.order_by("index"):
        told = json.loads(entry.body)
        assert rfc8785.dumps(told) == entry.body.encode()
        assert {name: told[name] for name in told if name not in ("images", "subjects")} == {
            "index": entry.index,
            "id": str(entry.id),
            "recorded_at": f"{entry.recorded_at.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%fZ}",
            "occurred_at": f"{entry.occurred_at.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%fZ}",
            "staff": str(entry.staff_id) if entry.staff_id else None,
            "name_commitment": Staff.objects.get(pk=entry.staff_id).name_commitment
            if entry.staff_id
            else None,
            "face": entry.face,
            "verb": entry.verb,
            "reason": entry.reason,
            "schema": SCHEMA,
            "simulated": True,
        }
        assert entry.schema == SCHEMA


def test_the_subjects_of_an_entry_are_those_of_its_body(world: World) -> None:
    busy(world)
    for entry in Entry.objects.order_by("index"):
        told = json.loads(entry.body)
        wrote = {image["key"] for image in told["images"]}
        subjects = list(Subject.objects.filter(entry=entry).order_by("position"))
        assert [s.position for s in subjects] == list(range(len(told["subjects"])))
        assert [
            {"part": s.part, "kind": s.kind, "id": str(s.thing_id), "label": s.label} for s in subjects
        ] == told["subjects"]
        assert [s.wrote_record for s in subjects] == [s["id"] in wrote for s in told["subjects"]]


def test_the_leaf_of_an_entry_is_the_hash_of_its_body(world: World) -> None:
    busy(world)
    for entry in Entry.objects.order_by("index"):
        assert bytes(entry.leaf_hash) == sha256(b"\x00" + entry.body.encode()).digest()


def test_entry_1_is_founded_by_the_system(db: None) -> None:
    founder = register.found_register(SYSTEM, username="ada", name="Ada Frost", password=PASSWORD)

    [entry] = Entry.objects.all()
    assert (entry.index, entry.staff_id, entry.verb) == (1, None, "register.founded")
    [image] = json.loads(entry.body)["images"]
    assert (image["table"], image["key"], image["before"]) == ("staff", str(founder.pk), None)


# --- nothing at all -------------------------------------------------------------------------------------


def test_an_action_that_is_refused_after_its_first_writes_leaves_nothing(
    real_transactions: None, world: World
) -> None:
    before = dump()
    fine = new_location(world.tarnmouth, "0100")
    particulars = {"code": "PP", "name": "Pier & Pantry"}

    with pytest.raises(RuleBroken) as refused:
        accounts.register_account(
            world.office, particulars=particulars, valid_from=world.start, locations=[fine, fine]
        )

    assert refused.value.code in (Code.CODE_TAKEN, Code.CODE_REPEATED)
    assert dump() == before
    accounts.register_account(world.office, particulars=particulars, valid_from=world.start, locations=[fine])
    assert dump() != before


@pytest.mark.parametrize("moment", ["after the writes", "after the entry"])
@pytest.mark.parametrize(
    "error", [RuleBroken(Code.NOT_FOUND, "No."), ZeroDivisionError("a fault"), KeyboardInterrupt()]
)
def test_whatever_stops_an_action_leaves_nothing(
    real_transactions: None,
    world: World,
    made: Callable[..., Any],
    moment: str,
    error: BaseException,
) -> None:
    before = dump()

    def register_twice(writing: Writing) -> None:
        depot = writing.insert(Depot(code="SE", name="Scarp End"))
        writing.revise(world.account, name="Lantern Fuel Company")
        writing.supersede(world.location.states.get())
        if moment == "after the entry":
            writing.tell(Verb.DEPOT_REGISTERED, writing.now, {"depot": depot})
        raise error

    with pytest.raises(type(error)):
        made(register_twice)(world.office)

    assert dump() == before
    assert not _action.is_open()
    assert register_depot(world).index == len(before["registry_entry"]) + 1


def test_an_action_that_tells_nothing_is_a_fault_and_writes_nothing(
    real_transactions: None, world: World, made: Callable[..., Any]
) -> None:
    before = dump()

    def say_nothing(writing: Writing) -> None:
        writing.insert(Depot(code="SE", name="Scarp End"))

    with pytest.raises(RuntimeError, match="say_nothing appended no entry"):
        made(say_nothing)(world.office)
    assert dump() == before


def test_an_action_that_tells_twice_is_a_fault_and_writes_nothing(
    real_transactions: None, world: World, made: Callable[..., Any]
) -> None:
    before = dump()

    def say_it_twice(writing: Writing) -> None:
        depot = writing.insert(Depot(code="SE", name="Scarp End"))
        for _ in range(2):
            writing.tell(Verb.DEPOT_REGISTERED, writing.now, {"depot": depot})

    with pytest.raises(RuntimeError, match="exactly one entry"):
        made(say_it_twice)(world.office)
    assert dump() == before


def test_an_action_within_an_action_is_a_fault_and_writes_nothing(
    real_transactions: None, world: World, made: Callable[..., Any]
) -> None:
    before = dump()

    def call_another(writing: Writing) -> None:
        depot = writing.insert(Depot(code="SE", name="Scarp End"))
        register_depot(world)
        writing.tell(Verb.DEPOT_REGISTERED, writing.now, {"depot": depot})

    with pytest.raises(RuntimeError, match="durable"):
        made(call_another)(world.office)
    assert dump() == before


def test_a_row_that_is_written_after_its_entry_is_refused_at_the_commit(
    real_transactions: None, world: World, made: Callable[..., Any]
) -> None:
    before = dump()

    def write_on(writing: Writing) -> None:
        depot = writing.insert(Depot(code="SE", name="Scarp End"))
        writing.tell(Verb.DEPOT_REGISTERED, writing.now, {"depot": depot})
        writing.insert(Depot(code="LE", name="Ledge"))

    with pytest.raises(Exception, match="guard_depot_made_by_entry"):
        made(write_on)(world.office)
    assert dump() == before


# --- personal data --------------------------------------------------------------------------------------

CONTACT = {
    "name": "Wren Calder",
    "phone": "+1 207 555 0142",
    "email": "wren@pier.example",
    "note": "rings twice",
}
OTHER_CONTACT = {"name": "Tamsin Yarrow", "phone": "+1 207 555 0177", "email": "ty@pier.example"}
NEW_PASSWORD = "harbour-lantern-93-fog"


def test_no_entry_holds_a_name_a_username_a_contact_or_a_password(world: World) -> None:
    office, person = world.office, world.administrator
    contact = locations.register_contact(office, location_id=world.location.pk, text=CONTACT)
    locations.correct_contact(office, contact_id=contact.pk, text=OTHER_CONTACT)
    added = staff.add_staff(
        person, username="isolde.m", name="Isolde Marsh", password=PASSWORD, role="office", everywhere=True
    )
    staff.set_password(person, staff_id=added.pk, password=NEW_PASSWORD)
    staff.change_role(person, staff_id=added.pk, role="auditor")
    staff.change_depots(person, staff_id=added.pk, depots=[world.tarnmouth.pk])
    staff.deactivate_staff(person, staff_id=added.pk)
    held = Staff.objects.get(pk=added.pk)
    texts = list(ContactText.objects.filter(contact=contact))
    assert {text.text["name"] for text in texts} == {"Wren Calder", "Tamsin Yarrow"}
    salts = [bytes(held.name_salt), *(bytes(text.salt) for text in texts)]
    locations.erase_contact(office, contact_id=contact.pk)
    secret = [
        *CONTACT.values(),
        *OTHER_CONTACT.values(),
        "Isolde",
        "Marsh",
        "isolde.m",
        PASSWORD,
        NEW_PASSWORD,
        held.password,
        held.password.split("$")[-1],
        *(salt.hex() for salt in salts),
        *Staff.objects.exclude(username__in=["office", "installer", "auditor"]).values_list(
            "name", flat=True
        ),
    ]

    written = "\n".join(
        [f"{entry.body}\n{entry.reason}\n{entry.verb}" for entry in Entry.objects.all()]
        + [subject.label for subject in Subject.objects.all()]
    ).casefold()

    assert [words for words in secret if words.casefold() in written] == []
    # What stands for them does stand there.
    for bound in (held.name_commitment, Contact.objects.get().commitment, *(t.commitment for t in texts)):
        assert bound in written
    assert Account.objects.get().name.casefold() in written
