"""The founding, and what holds every action together: one entry, one transaction, one clock."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import connection, transaction

from registry.actions import accounts, products, register
from registry.actions._action import ACTIONS, SYSTEM, Actor, Writing, action, is_open
from registry.ledger import clock as ledger_clock
from registry.models import Entry, Product, Staff
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face, Verb
from registry.rules.roles import Act
from tests.actions.unchanged import dump, nothing_changed, refused
from tests.factories.world import DAY, PASSWORD, World


def found(**changes: Any) -> Staff:
    given = {"username": "admin", "name": "Ada Frost", "password": PASSWORD}
    return register.found_register(SYSTEM, **(given | changes))


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"username": "a b"}, Code.TEXT_INVALID),
        ({"name": ""}, Code.TEXT_INVALID),
        ({"password": "short"}, Code.VALUE_INVALID),
    ],
)
def test_a_register_is_founded_once_by_the_system(clock: Any, changes: dict[str, str], code: Code) -> None:
    empty = dump()
    with pytest.raises(RuleBroken) as caught:
        found(**changes)
    assert (caught.value.code, dump()) == (code, empty)
    first = found()
    [entry] = Entry.objects.all()
    assert (entry.index, entry.verb, entry.staff_id, entry.face) == (1, "register.founded", None, "command")
    assert (first.role, first.everywhere, first.registered_id) == ("administrator", True, 1)
    assert json.loads(entry.body)["name_commitment"] is None
    with refused("already_founded"):
        found(username="second")


def test_nobody_acts_before_the_founding(clock: Any) -> None:
    with pytest.raises(RuleBroken) as caught:
        accounts.register_account(
            SYSTEM, particulars={"code": "LF", "name": "Lantern Fuel"}, valid_from=clock.at
        )
    assert caught.value.code is Code.NOT_ACTIVE
    assert not Entry.objects.exists()


# --- what the decorator holds --------------------------------------------------------------------------


@pytest.fixture
def keeping_actions() -> Any:
    before = dict(ACTIONS)
    yield
    ACTIONS.clear()
    ACTIONS.update(before)


def product(writing: Writing, code: str) -> Product:
    return writing.insert(Product(code=code, name="A bag", net_mass=5, net_mass_unit="kg"))


@pytest.mark.usefixtures("keeping_actions")
def test_an_action_appends_exactly_one_entry_or_writes_nothing(world: World) -> None:
    @action(Act.KEEP_CATALOGUE)
    def tell(writing: Writing, *, times: int) -> Product:
        written = product(writing, "B5K")
        for _ in range(times):
            writing.tell(Verb.PRODUCT_REGISTERED, writing.now, {"product": written})
        return written

    for times in (0, 2):
        with nothing_changed(), pytest.raises(RuntimeError):
            tell(world.office, times=times)
    assert tell(world.office, times=1).code == "B5K"


@pytest.mark.usefixtures("keeping_actions")
def test_an_action_inside_an_action_or_another_transaction_is_refused(world: World) -> None:
    particulars = {"code": "B5K", "name": "5 kg bag", "net_mass": "5", "net_mass_unit": "kg"}

    @action(Act.KEEP_CATALOGUE)
    def outer(writing: Writing) -> Product:
        return products.register_product(world.office, particulars=particulars)

    with nothing_changed(), pytest.raises(RuntimeError, match="durable"):
        outer(world.office)
    with nothing_changed(), pytest.raises(RuntimeError, match="durable"), transaction.atomic():
        products.register_product(world.office, particulars=particulars)
    assert not is_open()
    products.register_product(world.office, particulars=particulars)


@pytest.mark.usefixtures("keeping_actions")
def test_whatever_goes_wrong_in_an_action_takes_everything_back(world: World) -> None:
    @action(Act.KEEP_CATALOGUE)
    def stumble(writing: Writing, *, fall: bool) -> Product:
        assert is_open()
        written = product(writing, "B5K")
        writing.tell(Verb.PRODUCT_REGISTERED, writing.now, {"product": written})
        if fall:
            raise OSError("the lights went out")
        return written

    with nothing_changed(), pytest.raises(OSError, match="lights"):
        stumble(world.office, fall=True)
    assert not is_open()
    stumble(world.office, fall=False)


@pytest.mark.usefixtures("keeping_actions")
def test_an_entry_tells_no_future(world: World) -> None:
    @action(Act.KEEP_CATALOGUE)
    def foretell(writing: Writing, *, at: datetime) -> Product:
        written = product(writing, "B5K")
        writing.tell(Verb.PRODUCT_REGISTERED, at, {"product": written, "depot": None})
        return written

    with refused("time_in_future", "occurred_at"):
        foretell(world.office, at=world.clock.at + timedelta(minutes=3))
    foretell(world.office, at=world.clock.at)
    entry = Entry.objects.latest("index")
    assert [subject.part for subject in entry.subjects.all()] == ["product"]


def test_an_action_asks_for_its_lock_before_anything_else(world: World) -> None:
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(
        connection,
    ) as caught:
        accounts.correct_account(
            world.office, account_id=world.account.pk, particulars={"name": "Lantern Fuel & Bait"}
        )
    statements = [query["sql"] for query in caught if not query["sql"].startswith(("SAVEPOINT", "BEGIN"))]
    if connection.vendor == "postgresql":
        assert "pg_advisory_xact_lock" in statements.pop(0)
    assert '"registry_entry"."index"' in statements[0]
    assert "registry_staff" in statements[1]


def test_recorded_time_goes_on_even_where_the_clock_goes_back(world: World) -> None:
    newest = Entry.objects.latest("index")
    world.clock.at -= DAY
    accounts.correct_account(
        world.office, account_id=world.account.pk, particulars={"name": "Lantern Fuel & Bait"}
    )
    entry = Entry.objects.latest("index")
    assert entry.recorded_at == newest.recorded_at + timedelta(microseconds=1)
    world.clock.at += 2 * DAY
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Fuel"})
    assert Entry.objects.latest("index").recorded_at == world.clock.at


def test_the_clock_is_not_put_once_a_real_entry_exists(world: World) -> None:
    from registry.ledger.clock import _simulated

    token = _simulated.set(None)
    try:
        accounts.correct_account(
            world.office, account_id=world.account.pk, particulars={"name": "Lantern Fuel & Bait"}
        )
        real = Entry.objects.latest("index")
        assert not real.simulated
        assert abs(real.recorded_at - datetime.now(UTC)) < timedelta(minutes=5)
        with ledger_clock.simulated(world.clock.at), refused("simulation_refused"):
            accounts.correct_account(
                world.office, account_id=world.account.pk, particulars={"name": "Lantern Fuel"}
            )
        accounts.correct_account(
            world.office, account_id=world.account.pk, particulars={"name": "Lantern Fuel"}
        )
    finally:
        _simulated.reset(token)


@pytest.mark.parametrize("face", list(Face))
def test_an_entry_says_through_which_face_it_came(world: World, face: Face) -> None:
    accounts.correct_account(
        Actor(world.office.staff_id, face), account_id=world.account.pk, particulars={"name": "Lantern"}
    )
    assert Entry.objects.latest("index").face == face
