"""One step of a random history: done, compared with the naive register, asked about again."""

import random
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db import connection, transaction
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
)

from registry.actions._action import Actor
from registry.ledger.audit import audit
from registry.models import Entry
from registry.queries.epcis import Span, period_document
from registry.queries.periods import histories
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import check_characters
from registry.rules.splits import Share
from tests.epcis_checks import links_in_register, links_of
from tests.histories.company import Company, custody
from tests.histories.naive import Fact

# The clocks of New York go back on 2026-11-01 at 06:00 UTC, in the middle of these histories.
WORK_STARTS_AT = datetime(2026, 10, 28, 6, 0, tzinfo=UTC)
SKEW = timedelta(minutes=2)  # by which a stated time may run ahead
EXAMPLES, STEPS = 30, 50
QUESTIONS_AGAIN_MAX = 60  # asked again at the end of each history

# How far the clock goes on before a step, and how long ago the step is said to have happened: minutes.
PASSES = (0, 30, 30, 360, 1440, 4320)
AGO = (0, 0, 0, 0, 0, 0, 30, 30, 360, 720, 1440, 14400, 60000, -1, -30)
ZONES = (UTC, ZoneInfo("America/New_York"))

HISTORY_THING = {
    "accountstate": "account_id",
    "cabinetwhereabouts": "cabinet_id",
    "devicewhereabouts": "device_id",
    "locationholding": "location_id",
    "locationstate": "location_id",
    "split": "cabinet_id",
}

Grounds = Mapping[Code, bool]
When = tuple[int, int, Any]

whens = st.tuples(st.sampled_from(PASSES), st.sampled_from(AGO), st.sampled_from(ZONES))
# Of a list, modulo its length; scattered, because plain integers come small and often equal.
picks = st.integers(0, 2**32 - 1).map(lambda seed: random.Random(seed).randrange(300))
reasons = st.sampled_from(["label read again"] * 5 + [""])
some_history = st.sampled_from(
    ["devicewhereabouts"] * 3 + ["cabinetwhereabouts", "locationstate"] + list(HISTORY_THING)
)
# By how many minutes a correction moves a period's start and end.
moves = st.tuples(st.sampled_from([0, 0, 0, -30, 30, -4320, 4320]), st.sampled_from([0, 0, 0, -30, 720]))
slots = st.sampled_from([(1, "")] * 3 + [(2, "two doors")] * 2 + [(2, "")])


class Machine(RuleBasedStateMachine):
    """One history, within a savepoint that is rolled back at its end."""

    outcomes: Counter[str] = Counter()  # over all histories of a run

    def __init__(self, company: Company) -> None:
        super().__init__()
        self.company = company
        self.naive = company.naive.copy()
        self.devices = list(company.devices)
        self.sensors = dict(company.sensors)
        self.standing = dict.fromkeys(company.devices, "confirmed")
        self.asked: list[tuple[str, datetime, int, frozenset[Any]]] = []
        self.serials = 500_000
        self.chance = random.Random(0)
        self.savepoint = transaction.atomic()
        # As the test case's own transaction is: what a durable action may begin inside.
        self.savepoint._from_testcase = True
        self.savepoint.__enter__()
        company.world.clock.at = WORK_STARTS_AT
        self.head = Entry.objects.latest("index").index
        self.rows = rows_of_all_tables()

    @initialize(seed=st.integers(0, 2**16))
    def chance_of_questions(self, seed: int) -> None:
        self.chance = random.Random(seed)

    def teardown(self) -> None:
        try:
            self._ask_again()
            connection.check_constraints()
            assert [finding.words for finding in audit().findings] == []
            # Others read from our EPCIS document what we believe, whatever was corrected.
            assert links_of(period_document(self.head, Span())) == links_in_register()
        finally:
            transaction.set_rollback(True)
            self.savepoint.__exit__(None, None, None)

    # --- one step ---

    def when(self, when: When) -> datetime:
        """Let the clock go on, and return when the step is said to have happened."""
        passes, ago, zone = when
        self.company.world.clock.at += timedelta(minutes=passes)
        return (self.now - timedelta(minutes=ago)).astimezone(zone)

    @property
    def now(self) -> datetime:
        return self.company.world.clock.at

    def do(
        self,
        actor: Actor,
        act: Callable[..., Any],
        believe: Callable[[int, Any], None],
        grounds: Grounds,
        **arguments: Any,
    ) -> None:
        """Do it in the register, then in the naive one; or see that a refusal has its ground."""
        word = act.__name__
        refusal: RuleBroken | None = None
        result = None
        try:
            result = act(actor, **arguments)
        except RuleBroken as broken:
            refusal = broken
        if refusal is not None:
            self.outcomes[f"{word}: {refusal.code}"] += 1
            forbidden = actor == self.company.installer
            known = {Code.NOT_FOUND: forbidden, Code.ROLE_FORBIDS: forbidden, **grounds}
            assert refusal.code in known, f"{word} was refused out of turn: {refusal}"
            assert known[refusal.code], f"{word} was refused without ground: {refusal}"
            assert rows_of_all_tables() == self.rows, f"{word} was refused, but something changed"
        else:
            self.outcomes[f"{word}: done"] += 1
            self.head += 1
            believe(self.head, result)
            self._compare()
        self._ask()

    def _compare(self) -> None:
        """Hold every version that was ever stored against every fact that was ever believed."""
        self.rows = rows_of_all_tables()
        assert self.rows["registry_entry"][-1][0] == self.head == len(self.rows["registry_entry"])
        for history in HISTORY_THING:
            stored: dict[Any, set[Any]] = {}
            for row in histories()[history].objects.all():
                belief = (row.recorded_id, row.superseded_id)
                stored.setdefault(row.period, set()).add((told_of(history, row), *belief))
            believed: dict[Any, set[Any]] = {}
            for fact in self.naive.facts:
                if fact.history == history:
                    belief = (fact.believed_from, fact.believed_to)
                    believed.setdefault(fact.relation, set()).add((fact.told(), *belief))
            ours, theirs = relations(stored), relations(believed)
            assert ours == theirs, f"the register alone: {ours - theirs}; the naive one: {theirs - ours}"
        assert list(self.naive.contradictions()) == []

    # --- questions ---

    def _ask(self) -> None:
        """Ask what was believed at some entry of some moment, and keep the answer."""
        moment = WORK_STARTS_AT + timedelta(minutes=30 * self.chance.randrange(-1500, 1500))
        if self.chance.random() < 0.5:  # else: at the very edge of some period
            moment = self.chance.choice(self.naive.facts).valid_from
        index = self.chance.randint(0, self.head)
        history = self.chance.choice(list(HISTORY_THING))
        answer = answer_stored(history, moment, index)
        assert answer == self.naive.answer(history, moment, index)
        self.asked.append((history, moment, index, answer))

    def _ask_again(self) -> None:
        for history, moment, index, answer in self.asked[-QUESTIONS_AGAIN_MAX:]:
            assert answer_stored(history, moment, index) == answer

    # --- what the naive register says of grounds ---

    def time_grounds(self, at: datetime, *things: tuple[str, Any]) -> dict[Code, bool]:
        """Return whether a time is in the future, before things are known, or not after what is known."""
        lines = [self.naive.current(history, thing) for history, thing in things]
        return {
            Code.TIME_IN_FUTURE: at > self.now + SKEW,
            Code.BEFORE_KNOWN: any(line[0].valid_from > at for line in lines if line),
            Code.OVERLAPPING_HISTORY: any(
                line[-1].valid_from >= at or line[-1].valid_to is not None for line in lines if line
            ),
        }

    def closed(self, store: Any, at: datetime) -> bool:
        """Say whether a store is closed at a time or later."""
        states = self.naive.current("locationstate", store) if store else []
        return any(s.value["state"] == "closed" and s.meets(at) for s in states)

    def taken(self, cabinet: Any, slot: int, at: datetime, besides: Any = None) -> bool:
        """Say whether a device hangs in a slot at a time or later."""
        return any(
            (hang.value["cabinet_id"], hang.value["slot"]) == (cabinet, slot)
            for hang in self.naive.current("devicewhereabouts")
            if hang.thing != besides and hang.meets(at)
        )

    def gone(self, device: Any) -> bool:
        """Say whether a device's record stands for no device any more."""
        return self.standing[device] in ("merged", "rejected")

    def place(self, device: Any) -> dict[str, Any]:
        """Return where a device is now; nothing for one that is gone."""
        line = self.naive.current("devicewhereabouts", device)
        return line[-1].value if line else {"place": "", "staff_id": None, "cabinet_id": None}

    def store_of(self, cabinet: Any) -> Any:
        """Return the store in which a cabinet stands now, if it is one."""
        return self.naive.last("cabinetwhereabouts", cabinet).value["location_id"]

    def depot_of_cabinet(self, stay: Fact) -> Any:
        """Return the depot that answers for a cabinet there."""
        return stay.value["depot_id"] or self.company.depot_of[stay.value["location_id"]]

    def depot_of_device(self, device: Any, at: datetime) -> Any:
        """Return the depot that answers for a device where it is now, at a time."""
        value = self.place(device)
        if value["cabinet_id"] is None:
            return value["depot_id"]
        cabinet = value["cabinet_id"]
        stay = self.naive.at("cabinetwhereabouts", cabinet, at)
        return self.depot_of_cabinet(stay or self.naive.last("cabinetwhereabouts", cabinet))

    def in_cabinet(self, cabinet: Any, at: datetime) -> list[Any]:
        """Return the devices that hang in a cabinet at a time or later."""
        hangs = self.naive.current("devicewhereabouts")
        return [hang.thing for hang in hangs if hang.value["cabinet_id"] == cabinet and hang.meets(at)]

    def take_out(self, cabinet: Any, at: datetime, depot: Any, reason: str, index: int) -> None:
        """Tell the naive register that every device of a cabinet goes to a depot."""
        for device in self.in_cabinet(cabinet, at):
            self.naive.turn(
                "devicewhereabouts", device, custody("depot", depot), at, index, end_reason=reason
            )

    def pick_device(self, pick: int, sensors: int | None = None) -> Any:
        """Return any device; where a number of sensors is wanted, mostly one that could be assigned."""
        fits = [
            d
            for d in self.devices
            if self.sensors[d] == sensors and self.place(d)["place"] in ("depot", "van")
        ]
        return picked(pick, fits, self.devices)

    def pick_cabinet(self, pick: int) -> Any:
        """Return any cabinet; mostly one that stands in an open store."""
        fits = [
            c
            for c in self.company.cabinets
            if self.store_of(c) and not self.closed(self.store_of(c), self.now)
        ]
        return picked(pick, fits, self.company.cabinets)

    def pick_store(self, pick: int) -> Any:
        return self.company.stores[pick % len(self.company.stores)]

    def actor(self, pick: int) -> Actor:
        """Mostly the office; sometimes an installer, who is of Tarnmouth alone."""
        return self.company.installer if pick % 6 == 5 else self.company.office

    def hung(self) -> list[Fact]:
        """Return the assignments believed now, ended ones too."""
        return [f for f in self.naive.current("devicewhereabouts") if f.value["place"] == "cabinet"]


def picked(pick: int, fits: Sequence[Any], rest: Sequence[Any]) -> Any:
    """Return one that fits, four times out of five, or one of all."""
    chosen = fits if fits and pick % 5 else rest
    return chosen[pick // 5 % len(chosen)]


# --- what is stored --------------------------------------------------------------------------------


def rows_of_all_tables() -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table of the register."""
    rows = {}
    with connection.cursor() as cursor:
        for model in apps.get_app_config("registry").get_models():
            cursor.execute(f'SELECT * FROM "{model._meta.db_table}" ORDER BY "{model._meta.pk.column}"')
            rows[model._meta.db_table] = [
                tuple(bytes(v) if isinstance(v, memoryview) else v for v in row) for row in cursor.fetchall()
            ]
    rows["registry_entry"].sort(key=lambda row: row[0])
    return rows


def told_of(history: str, row: Any) -> tuple[Any, ...]:
    """Return a stored version as the naive register tells a fact."""
    columns = {
        "accountstate": ("state",),
        "cabinetwhereabouts": ("place", "location_id", "depot_id"),
        "devicewhereabouts": (
            *("place", "depot_id", "staff_id", "cabinet_id", "slot", "slot_reason"),
            *("rail_below_ceiling_mm", "end_reason", "end_note", "reference"),
        ),
        "locationholding": ("account_id", "store_number"),
        "locationstate": ("state",),
        "split": (),
    }[history]
    value = {name: getattr(row, name) for name in (*columns, "starts_known_by")}
    if history == "split":
        value["shares"] = tuple(
            Share(share.product_id, share.hundredths) for share in row.shares.order_by("position")
        )
    return (getattr(row, HISTORY_THING[history]), frozenset(value.items()), row.valid_from, row.valid_to)


def relations(versions: Mapping[Any, set[Any]]) -> Counter[Any]:
    """Return the versions by relation, without the relation's name: each side has names of its own."""
    return Counter(frozenset(of_one) for of_one in versions.values())


def answer_stored(history: str, moment: datetime, index: int) -> frozenset[Any]:
    found = histories()[history].objects.believed_at(index).valid_at(moment)
    rows = [told_of(history, row) for row in found]
    assert len(set(rows)) == len(rows)
    assert len({row[0] for row in rows}) == len(rows), "one thing, two answers"
    return frozenset(rows)


def period_of(fact: Fact) -> Any:
    """Return the name under which the register knows a relation that is believed now."""
    current = histories()[fact.history].objects.current()
    return current.get(**{HISTORY_THING[fact.history]: fact.thing, "valid_from": fact.valid_from}).period


def serial_of(model: Any, number: int) -> str:
    payload = f"{number:06d}"
    return model.serial_prefix + payload + check_characters(model.serial_scheme().check_method, payload)
