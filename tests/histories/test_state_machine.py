"""Random histories: whatever people record, correct and withdraw, the register and a naive one agree.

A machine draws actions with random times, past and future. What the register accepts is told to the
naive register of naive.py; what it refuses must have a ground there and change nothing.
"""

import random
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db import connection, transaction
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from registry.actions import (
    accounts,
    assignments,
    cabinets,
    devices,
    locations,
    periods,
    products,
    provisional,
)
from registry.actions._action import Actor
from registry.actions._devices import NewDevice
from registry.ledger import clock
from registry.ledger.audit import audit
from registry.models import Entry
from registry.queries.periods import histories
from registry.rules.assignments import Installation
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import check_characters
from registry.rules.splits import Share
from tests.factories.world import World
from tests.histories.company import Company, custody, found, hanging, holding, shared, standing, state
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


class Histories(RuleBasedStateMachine):
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
        self.rows = _rows()

    @initialize(seed=st.integers(0, 2**16))
    def chance_of_questions(self, seed: int) -> None:
        self.chance = random.Random(seed)

    def teardown(self) -> None:
        try:
            self._ask_again()
            connection.check_constraints()
            assert [finding.words for finding in audit().findings] == []
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
            known = {Code.DEPOT_FORBIDS: forbidden, Code.ROLE_FORBIDS: forbidden, **grounds}
            assert refusal.code in known, f"{word} was refused out of turn: {refusal}"
            assert known[refusal.code], f"{word} was refused without ground: {refusal}"
            assert _rows() == self.rows, f"{word} was refused, but something changed"
        else:
            self.outcomes[f"{word}: done"] += 1
            self.head += 1
            believe(self.head, result)
            self._compare()
        self._ask()

    def _compare(self) -> None:
        """Hold every version that was ever stored against every fact that was ever believed."""
        self.rows = _rows()
        assert self.rows["registry_entry"][-1][0] == self.head == len(self.rows["registry_entry"])
        for history in HISTORY_THING:
            stored: dict[Any, set[Any]] = {}
            for row in histories()[history].objects.all():
                belief = (row.recorded_id, row.superseded_id)
                stored.setdefault(row.period, set()).add((_told(history, row), *belief))
            believed: dict[Any, set[Any]] = {}
            for fact in self.naive.facts:
                if fact.history == history:
                    belief = (fact.believed_from, fact.believed_to)
                    believed.setdefault(fact.relation, set()).add((fact.told(), *belief))
            ours, theirs = _relations(stored), _relations(believed)
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
        answer = _answer(history, moment, index)
        assert answer == self.naive.answer(history, moment, index)
        self.asked.append((history, moment, index, answer))

    def _ask_again(self) -> None:
        for history, moment, index, answer in self.asked[-QUESTIONS_AGAIN_MAX:]:
            assert _answer(history, moment, index) == answer

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
        return _picked(pick, fits, self.devices)

    def pick_cabinet(self, pick: int) -> Any:
        """Return any cabinet; mostly one that stands in an open store."""
        fits = [
            c
            for c in self.company.cabinets
            if self.store_of(c) and not self.closed(self.store_of(c), self.now)
        ]
        return _picked(pick, fits, self.company.cabinets)

    def pick_store(self, pick: int) -> Any:
        return self.company.stores[pick % len(self.company.stores)]

    def actor(self, pick: int) -> Actor:
        """Mostly the office; sometimes an installer, who is of Tarnmouth alone."""
        return self.company.installer if pick % 6 == 5 else self.company.office

    def hung(self) -> list[Fact]:
        """Return the assignments believed now, ended ones too."""
        return [f for f in self.naive.current("devicewhereabouts") if f.value["place"] == "cabinet"]

    # --- devices ---

    def assign_grounds(
        self, actor: Actor, device: Any, cabinet: Any, slot: tuple[int, str], at: datetime
    ) -> Grounds:
        place, store = self.place(device), self.store_of(cabinet)
        anothers_van = actor == self.company.installer and place["staff_id"] not in (None, actor.staff_id)
        involved = [("devicewhereabouts", device), ("cabinetwhereabouts", cabinet)]
        return self.time_grounds(at, *involved, *([("locationstate", store)] if store else [])) | {
            Code.DEVICE_ELSEWHERE: place["place"] == "cabinet" or anothers_van,
            Code.DEVICE_NOT_AVAILABLE: place["place"] in ("maker", "lost", "retired") or self.gone(device),
            Code.CABINET_NOT_AVAILABLE: store is None,
            Code.SENSOR_COUNT_MISMATCH: self.sensors[device] != self.sensors[cabinet],
            Code.SLOT_TAKEN: self.taken(cabinet, slot[0], at),
            Code.SLOT_NEEDS_REASON: slot == (2, ""),
            Code.LOCATION_CLOSED: self.closed(store, at),
        }

    @rule(who=picks, pick=picks, into=picks, slot=slots, when=whens)
    def assign_device(self, who: int, pick: int, into: int, slot: tuple[int, str], when: When) -> None:
        actor, device, cabinet, at = (
            self.actor(who),
            self.pick_device(pick),
            self.pick_cabinet(into),
            self.when(when),
        )

        def believe(index: int, _result: Any) -> None:
            assert not self.closed(self.store_of(cabinet), at)
            assert not self.taken(cabinet, slot[0], at)
            assert self.place(device)["place"] in ("depot", "van")
            self.naive.turn("devicewhereabouts", device, hanging(cabinet, *slot, rail=120), at, index)

        self.do(
            actor,
            assignments.assign_device,
            believe,
            self.assign_grounds(actor, device, cabinet, slot, at),
            device_id=device,
            cabinet_id=cabinet,
            valid_from=at,
            installation=Installation(*slot, rail_below_ceiling_mm=120),
        )

    @precondition(lambda self: any(hang.valid_to is None for hang in self.hung()))
    @rule(who=picks, pick=picks, to=picks, reason=st.sampled_from(["fault", "moved", "other"]), when=whens)
    def end_assignment(self, who: int, pick: int, to: int, reason: str, when: When) -> None:
        actor, hang, at = self.actor(who), self._hung(pick), self.when(when)
        goes, depot, staff = self._custody(to, self.depot_of_device(hang.thing, at))

        def believe(index: int, _result: Any) -> None:
            told = {"end_reason": reason, "end_note": "cracked lens"}
            self.naive.turn("devicewhereabouts", hang.thing, goes, at, index, **told)

        self.do(
            actor,
            assignments.end_assignment,
            believe,
            {
                **self.time_grounds(at, ("devicewhereabouts", hang.thing)),
                Code.DEVICE_NOT_ASSIGNED: hang.valid_to is not None,
            },
            assignment_id=_period(hang),
            valid_to=at,
            end_reason=reason,
            end_note="cracked lens",
            depot_id=depot,
            staff_id=staff,
        )

    @precondition(lambda self: any(hang.valid_to is None for hang in self.hung()))
    @rule(who=picks, pick=picks, other=picks, to=picks, when=whens)
    def swap_device(self, who: int, pick: int, other: int, to: int, when: When) -> None:
        actor, hang, at = self.actor(who), self._hung(pick), self.when(when)
        cabinet = hang.value["cabinet_id"]
        device = self.pick_device(other, self.sensors[cabinet])
        slot = (hang.value["slot"], hang.value["slot_reason"])
        goes, depot, staff = self._custody(to, self.depot_of_device(hang.thing, at))

        def believe(index: int, _result: Any) -> None:
            assert not self.closed(self.store_of(cabinet), at)
            self.naive.turn("devicewhereabouts", hang.thing, goes, at, index, end_reason="swap")
            assert not self.taken(cabinet, slot[0], at)
            again = hanging(cabinet, *slot, rail=hang.value["rail_below_ceiling_mm"])
            self.naive.turn("devicewhereabouts", device, again, at, index)

        self.do(
            actor,
            assignments.swap_device,
            believe,
            {
                **self.assign_grounds(actor, device, cabinet, slot, at),
                **self.time_grounds(
                    at,
                    ("devicewhereabouts", hang.thing),
                    ("devicewhereabouts", device),
                    ("cabinetwhereabouts", cabinet),
                ),
                Code.DEVICE_NOT_ASSIGNED: hang.valid_to is not None,
                Code.NOTHING_CHANGES: device == hang.thing,
                Code.SLOT_TAKEN: self.taken(cabinet, slot[0], at, besides=hang.thing),
            },
            assignment_id=_period(hang),
            device_id=device,
            valid_from=at,
            depot_id=depot,
            staff_id=staff,
        )

    @rule(who=picks, pick=picks, to=picks, when=whens)
    def hand_over_device(self, who: int, pick: int, to: int, when: When) -> None:
        actor, device, at = self.actor(who), self.pick_device(pick), self.when(when)
        present = self.place(device)
        goes, depot, staff = self._custody(to, present.get("depot_id"))
        same = all(present.get(name) == goes[name] for name in ("place", "depot_id", "staff_id"))

        def believe(index: int, _result: Any) -> None:
            self.naive.turn("devicewhereabouts", device, goes, at, index)

        self.do(
            actor,
            devices.hand_over_device,
            believe,
            {
                **self.time_grounds(at, ("devicewhereabouts", device)),
                Code.DEVICE_ELSEWHERE: present["place"] == "cabinet",
                Code.DEVICE_NOT_AVAILABLE: present["place"] in ("maker", "retired") or self.gone(device),
                Code.NOTHING_CHANGES: same,
            },
            device_id=device,
            valid_from=at,
            depot_id=depot,
            staff_id=staff,
        )

    @rule(pick=picks, to=picks, when=whens)
    def device_leaves_our_hands(self, pick: int, to: int, when: When) -> None:
        """Into repair and back mostly; sometimes lost, seldom retired, which is for good."""
        if to % 20 == 7:
            self._send_away(devices.retire_device, pick, when, "retired", ("depot", "van", "maker", "lost"))
        elif to % 6 == 4:
            self._send_away(
                devices.mark_device_lost, pick, when, "lost", ("depot", "van", "cabinet", "maker")
            )
        elif to % 2 or not any(self.place(device)["place"] == "maker" for device in self.devices):
            may = ("depot", "van")
            self._send_away(devices.send_device_to_repair, pick, when, "maker", may, reference="RMA-7")
        else:
            self._return_device(pick, to, when)

    def _send_away(
        self, act: Callable[..., Any], pick: int, when: When, word: str, may: tuple[str, ...], **said: str
    ) -> None:
        device, at = self.pick_device(pick), self.when(when)
        place = self.place(device)["place"]

        def believe(index: int, _result: Any) -> None:
            assert place in may, f"a device went from {place} to {word}"
            goes = custody(word, self.depot_of_device(device, at), **said)
            told = {"end_reason": "other", "end_note": "gone"} if place == "cabinet" else {}
            self.naive.turn("devicewhereabouts", device, goes, at, index, **told)

        self.do(
            self.company.office,
            act,
            believe,
            {
                **self.time_grounds(at, ("devicewhereabouts", device)),
                Code.DEVICE_ELSEWHERE: place == "cabinet" and "cabinet" not in may,
                Code.DEVICE_NOT_AVAILABLE: place not in may,
            },
            device_id=device,
            valid_from=at,
            reason="gone",
            **said,
        )

    def _return_device(self, pick: int, to: int, when: When) -> None:
        away = [device for device in self.devices if self.place(device)["place"] == "maker"]
        device, depot = _picked(pick, away, self.devices), self.company.depots[to // 2 % 2]
        at = self.when(when)

        def believe(index: int, _result: Any) -> None:
            assert self.place(device)["place"] == "maker"
            self.naive.turn("devicewhereabouts", device, custody("depot", depot), at, index)

        self.do(
            self.company.office,
            devices.return_device_from_repair,
            believe,
            {
                **self.time_grounds(at, ("devicewhereabouts", device)),
                Code.DEVICE_NOT_AVAILABLE: self.place(device)["place"] != "maker",
            },
            device_id=device,
            valid_from=at,
            depot_id=depot,
        )

    def _hung(self, pick: int) -> Fact:
        hangs = self.hung()
        return _picked(pick, [hang for hang in hangs if hang.valid_to is None], hangs)

    def _custody(self, to: int, answering: Any) -> tuple[dict[str, Any], Any, Any]:
        """Return where a device goes, and the depot and the person to be named for it."""
        depot = (*self.company.depots, None)[to % 3]
        staff = (None, *self.company.vans)[to // 3 % 3]
        if staff is None:
            depot = depot or self.company.depots[0]
            return custody("depot", depot), depot, None
        return custody("van", depot or answering, staff), depot, staff

    # --- cabinets ---

    @rule(who=picks, pick=picks, to=picks, go=st.sampled_from(["follow", "come_out", None]), when=whens)
    def move_cabinet(self, who: int, pick: int, to: int, go: str | None, when: When) -> None:
        if who % 20 == 7:  # for good, so not as often as the rest
            self._scrap_cabinet(pick, when)
            return
        if who % 20 == 8:  # a store that has just been closed is the one to move into
            self._close_location(to, True, when)
        actor, cabinet, at = self.actor(who), self.pick_cabinet(pick), self.when(when)
        shut = [store for store in self.company.stores if self.closed(store, at)]
        choices = [*self.company.stores, *shut, *shut, None]
        store = choices[to % len(choices)]
        depot = None if store else self.company.depots[to // 7 % 2]
        present, inside = self.naive.last("cabinetwhereabouts", cabinet), self.in_cabinet(cabinet, at)
        involved = [("cabinetwhereabouts", cabinet)] + ([("locationstate", store)] if store else [])
        if go == "come_out":
            involved += [("devicewhereabouts", device) for device in inside]

        def believe(index: int, _result: Any) -> None:
            assert not self.closed(store, at)
            if go == "come_out":
                self.take_out(cabinet, at, self.depot_of_cabinet(present), "moved", index)
            self.naive.turn("cabinetwhereabouts", cabinet, standing(store, depot), at, index)

        self.do(
            actor,
            cabinets.move_cabinet,
            believe,
            {
                **self.time_grounds(at, *involved),
                Code.VALUE_INVALID: bool(inside) and go is None,
                Code.CABINET_NOT_AVAILABLE: present.value["place"] == "scrapped",
                Code.LOCATION_CLOSED: self.closed(store, at),
                Code.NOTHING_CHANGES: (present.value["location_id"], present.value["depot_id"])
                == (store, depot),
            },
            cabinet_id=cabinet,
            valid_from=at,
            location_id=store,
            depot_id=depot,
            devices=go,
        )

    def _scrap_cabinet(self, pick: int, when: When) -> None:
        cabinet, at = self.pick_cabinet(pick), self.when(when)
        present = self.naive.last("cabinetwhereabouts", cabinet)
        inside = [("devicewhereabouts", device) for device in self.in_cabinet(cabinet, at)]

        def believe(index: int, _result: Any) -> None:
            depot = self.depot_of_cabinet(present)
            self.take_out(cabinet, at, depot, "moved", index)
            gone = standing(depot=depot, place="scrapped")
            self.naive.turn("cabinetwhereabouts", cabinet, gone, at, index)

        self.do(
            self.company.office,
            cabinets.scrap_cabinet,
            believe,
            {
                **self.time_grounds(at, ("cabinetwhereabouts", cabinet), *inside),
                Code.CABINET_NOT_AVAILABLE: present.value["place"] == "scrapped",
            },
            cabinet_id=cabinet,
            valid_from=at,
        )

    @rule(who=picks, pick=picks, to=picks, when=whens)
    def set_split(self, who: int, pick: int, to: int, when: When) -> None:
        actor, cabinet, at = self.actor(who), self.pick_cabinet(pick), self.when(when)
        shares = self.company.splits[to % len(self.company.splits)]
        line = self.naive.current("split", cabinet)

        def believe(index: int, _result: Any) -> None:
            if line:
                self.naive.turn("split", cabinet, shared(shares), at, index)
            else:
                self.naive.begin("split", cabinet, shared(shares), at, index)

        self.do(
            actor,
            products.set_split,
            believe,
            {
                **self.time_grounds(at, ("cabinetwhereabouts", cabinet), ("split", cabinet)),
                Code.SPLIT_NOT_WHOLE: shares == self.company.splits[-1],
                Code.NOTHING_CHANGES: bool(line) and line[-1].value["shares"] == shares,
                Code.CABINET_NOT_AVAILABLE: self.naive.last("cabinetwhereabouts", cabinet).value["place"]
                == "scrapped",
            },
            cabinet_id=cabinet,
            shares=shares,
            valid_from=at,
        )

    # --- stores and accounts ---

    @rule(pick=picks, word=st.sampled_from(["open", "asleep", "closed", "shut", "shut", "shut"]), when=whens)
    def set_state_or_close(self, pick: int, word: str, when: When) -> None:
        if word == "shut":
            self._close_location(pick, pick // 3 % 4 != 3, when)
        else:
            self._set_location_state(pick, word, when)

    def _close_location(self, pick: int, clear: bool, when: When) -> None:
        store, at = self.pick_store(pick), self.when(when)
        depot = self.company.depots[0] if clear else None
        stays = [
            stay
            for stay in self.naive.current("cabinetwhereabouts")
            if stay.value["location_id"] == store and stay.meets(at)
        ]
        involved = [("cabinetwhereabouts", stay.thing) for stay in stays]
        involved += [
            ("devicewhereabouts", device) for stay in stays for device in self.in_cabinet(stay.thing, at)
        ]

        def believe(index: int, _result: Any) -> None:
            assert depot or not stays
            for stay in stays:
                self.take_out(stay.thing, at, depot, "closed", index)
                self.naive.turn("cabinetwhereabouts", stay.thing, standing(depot=depot), at, index)
            self.naive.turn("locationstate", store, state("closed"), at, index)

        self.do(
            self.company.office,
            locations.close_location,
            believe,
            {
                **self.time_grounds(at, ("locationstate", store), *involved),
                Code.LOCATION_OCCUPIED: bool(stays) and not clear,
                Code.NOTHING_CHANGES: self.naive.last("locationstate", store).value["state"] == "closed",
            },
            location_id=store,
            valid_from=at,
            cabinets_to=depot,
        )

    def _set_location_state(self, pick: int, word: str, when: When) -> None:
        store, at = self.pick_store(pick), self.when(when)

        def believe(index: int, _result: Any) -> None:
            self.naive.turn("locationstate", store, state(word), at, index)

        holders = {f.value["account_id"] for f in self.naive.current("locationholding", store) if f.meets(at)}
        self.do(
            self.company.office,
            locations.set_location_state,
            believe,
            {
                **self.time_grounds(at, ("locationstate", store), *(("accountstate", a) for a in holders)),
                Code.VALUE_INVALID: word == "closed",
                Code.NOTHING_CHANGES: self.naive.last("locationstate", store).value["state"] == word,
                Code.ACCOUNT_CLOSED: any(self._account_closed(account, at) for account in holders),
            },
            location_id=store,
            state=word,
            valid_from=at,
        )

    @rule(pick=picks, to=picks, number=st.sampled_from(["0042", "0043", "0044"]), when=whens)
    def hand_location(self, pick: int, to: int, number: str, when: When) -> None:
        if to % 4 == 3:
            self._close_or_reopen_account(pick, bool(to // 4 % 2), when)
            return
        store, account, at = self.pick_store(pick), self.company.accounts[to % 2], self.when(when)
        present = self.naive.last("locationholding", store).value

        def believe(index: int, _result: Any) -> None:
            self.naive.turn("locationholding", store, holding(account, number), at, index)

        self.do(
            self.company.office,
            locations.hand_location,
            believe,
            {
                **self.time_grounds(
                    at, ("locationholding", store), ("locationstate", store), ("accountstate", account)
                ),
                Code.CODE_TAKEN: any(
                    (held.value["account_id"], held.value["store_number"]) == (account, number)
                    and held.meets(at)
                    and held.thing != store
                    for held in self.naive.current("locationholding")
                ),
                Code.ACCOUNT_CLOSED: self._account_closed(account, at),
                Code.LOCATION_CLOSED: self.closed(store, at),
                Code.NOTHING_CHANGES: (present["account_id"], present["store_number"]) == (account, number),
            },
            location_id=store,
            account_id=account,
            store_number=number,
            valid_from=at,
        )

    def _close_or_reopen_account(self, pick: int, close: bool, when: When) -> None:
        account, at = self.company.accounts[pick % 2], self.when(when)
        word = "closed" if close else "open"

        def believe(index: int, _result: Any) -> None:
            self.naive.turn("accountstate", account, state(word), at, index)

        self.do(
            self.company.office,
            accounts.close_account if close else accounts.reopen_account,
            believe,
            {
                **self.time_grounds(at, ("accountstate", account)),
                Code.NOTHING_CHANGES: self.naive.last("accountstate", account).value["state"] == word,
                Code.ACCOUNT_OCCUPIED: any(
                    held.value["account_id"] == account and held.meets(at)
                    for held in self.naive.current("locationholding")
                ),
            },
            account_id=account,
            valid_from=at,
        )

    def _account_closed(self, account: Any, at: datetime) -> bool:
        states = self.naive.current("accountstate", account)
        return any(s.value["state"] == "closed" and s.meets(at) for s in states)

    # --- putting history right ---

    @rule(
        history=some_history,
        pick=picks,
        move=moves,
        known_by=st.booleans(),
        facts=picks,
        reason=reasons,
    )
    def correct_period(
        self, history: str, pick: int, move: tuple[int, int], known_by: bool, facts: int, reason: str
    ) -> None:
        fact = self._fact(history, pick)
        if fact is None:
            return
        begin = fact.valid_from + timedelta(minutes=move[0])
        end = fact.valid_to and fact.valid_to + timedelta(minutes=move[1])
        stated = self._other_facts(fact, facts) if facts % 2 or move == (0, 0) else {}

        def believe(index: int, _result: Any) -> None:
            assert reason
            said = dict(stated)
            if begin != fact.valid_from or known_by:
                said["starts_known_by"] = known_by
            stays = not {"cabinet_id", "slot"} & {n for n, v in stated.items() if fact.value[n] != v}
            self.naive.correct(fact, begin, end, index, follow_slot=stays, **said)

        self.do(
            self.company.office,
            periods.correct_period,
            believe,
            {
                Code.REASON_MISSING: not reason or stated.get("end_reason") == "other",
                Code.TIME_IN_FUTURE: max(begin, end or begin) > self.now + SKEW,
                Code.TIME_INVALID: end is not None and end <= begin,
                Code.NOTHING_CHANGES: all(fact.value[name] == value for name, value in stated.items()),
                Code.NEIGHBOUR_SWALLOWED: move != (0, 0),
                Code.OVERLAPPING_HISTORY: move != (0, 0),
                **self._contradicted(),
            },
            history=history,
            period_id=_period(fact),
            reason=reason,
            valid_from=begin,
            valid_to=end,
            starts_known_by=known_by,
            facts=stated,
        )

    @rule(history=some_history, pick=picks, reason=reasons)
    def withdraw_period(self, history: str, pick: int, reason: str) -> None:
        fact = self._fact(history, pick)
        if fact is None:
            return

        def believe(index: int, _result: Any) -> None:
            assert reason
            self.naive.withdraw(fact, index)

        self.do(
            self.company.office,
            periods.withdraw_period,
            believe,
            {
                Code.REASON_MISSING: not reason,
                Code.OVERLAPPING_HISTORY: len(self.naive.current(history, fact.thing)) == 1,
                **self._contradicted(),
            },
            history=history,
            period_id=_period(fact),
            reason=reason,
        )

    def _contradicted(self) -> Grounds:
        """What a correction may run into; the register alone works out whether it does."""
        return dict.fromkeys(
            (
                Code.SLOT_TAKEN,
                Code.SLOT_NEEDS_REASON,
                Code.CODE_TAKEN,
                Code.SENSOR_COUNT_MISMATCH,
                Code.LOCATION_CLOSED,
                Code.LOCATION_OCCUPIED,
                Code.ACCOUNT_CLOSED,
                Code.BEFORE_KNOWN,
                Code.SPLIT_NOT_WHOLE,
                Code.CABINET_NOT_AVAILABLE,
            ),
            True,
        )

    def _fact(self, history: str, pick: int) -> Fact | None:
        """Return any period; mostly one with a neighbour."""
        facts = self.naive.current(history)
        several = [f for f in facts if len(self.naive.current(history, f.thing)) > 1]
        return _picked(pick, several, facts) if facts else None

    def _other_facts(self, fact: Fact, pick: int) -> dict[str, Any]:
        """Return a fact that a correction may state of this period."""
        company = self.company
        choices: list[dict[str, Any]] = {
            "accountstate": [{"state": word} for word in ("open", "closed")],
            "locationstate": [{"state": word} for word in ("open", "asleep", "closed")],
            "locationholding": [
                *({"account_id": account} for account in company.accounts),
                *({"store_number": number} for number in ("0042", "0043")),
            ],
            "cabinetwhereabouts": [{"location_id": store} for store in company.stores]
            if fact.value.get("location_id")
            else [{"depot_id": depot} for depot in company.depots],
            "split": [{"shares": shares} for shares in company.splits],
            "devicewhereabouts": self._other_places(fact),
        }[fact.history]
        return choices[pick // 2 % len(choices)]

    def _other_places(self, fact: Fact) -> list[dict[str, Any]]:
        if fact.value.get("place") != "cabinet":
            return [{"depot_id": depot} for depot in self.company.depots]
        ended = [
            {"end_reason": "fault"},
            {"end_reason": "other", "end_note": "told wrong"},
            {"end_reason": "other"},
        ]
        return [
            *({"cabinet_id": cabinet} for cabinet in self.company.cabinets),
            {"slot": 2, "slot_reason": "two doors"},
            {"slot": 2},
            {"rail_below_ceiling_mm": 90},
            *(ended if fact.valid_to else []),
        ]

    # --- devices that nobody booked in ---

    @precondition(lambda self: len(self.devices) < 9)
    @rule(who=picks, into=picks, when=whens, in_hand=st.booleans())
    def record_provisional(self, who: int, into: int, when: When, in_hand: bool) -> None:
        actor, cabinet, at = self.actor(who), self.pick_cabinet(into), self.when(when)
        store, depot = self.store_of(cabinet), self.company.depots[into % 2]
        self.serials += 1
        model = self.company.world.plumb_3

        def believe(index: int, device: Any) -> None:
            assert in_hand or not (self.closed(store, at) or self.taken(cabinet, 1, at))
            self.devices.append(device.pk)
            self.sensors[device.pk] = 3
            self.standing[device.pk] = "provisional"
            place = custody("depot", depot) if in_hand else hanging(cabinet)
            self.naive.begin("devicewhereabouts", device.pk, place, at, index)

        where = {"depot_id": depot} if in_hand else {"cabinet_id": cabinet}
        involved = [("cabinetwhereabouts", cabinet)] + ([("locationstate", store)] if store else [])
        self.do(
            actor,
            provisional.record_provisional_device,
            believe,
            {
                **self.time_grounds(at, *involved),
                Code.CABINET_NOT_AVAILABLE: store is None,
                Code.LOCATION_CLOSED: self.closed(store, at),
                Code.SENSOR_COUNT_MISMATCH: self.sensors[cabinet] != 3,
                Code.SLOT_TAKEN: self.taken(cabinet, 1, at),
            },
            device=NewDevice(model.pk, _serial(model, self.serials)),
            valid_from=at,
            evidence="hung there when we came",
            **where,
        )

    def unsure(self) -> list[Any]:
        """Return the devices recorded in the field, judged or not."""
        return self.devices[len(self.company.devices) :]

    @precondition(lambda self: self.unsure())
    @rule(pick=picks, into=picks, reason=reasons)
    def judge_provisional(self, pick: int, into: int, reason: str) -> None:
        waiting = [device for device in self.unsure() if self.standing[device] == "provisional"]
        device = _picked(pick, waiting, self.unsure())
        if into % 4 == 0:
            self._confirm_provisional(device)
        elif into % 4 == 1:
            self._reject_provisional(device, reason)
        else:
            self._merge_provisional(device, into // 4)

    def _confirm_provisional(self, device: Any) -> None:

        def believe(_index: int, _result: Any) -> None:
            assert self.standing[device] == "provisional"
            self.standing[device] = "confirmed"

        self.do(
            self.company.office,
            provisional.confirm_provisional_device,
            believe,
            {Code.NOT_PROVISIONAL: self.standing[device] != "provisional"},
            device_id=device,
        )

    def _merge_provisional(self, device: Any, into: int) -> None:
        target = self.pick_device(into, 3)
        line = self.naive.current("devicewhereabouts", device)
        first = line[0].valid_from if line else WORK_STARTS_AT
        present = self.place(target)["place"]

        def believe(index: int, _result: Any) -> None:
            assert self.standing[device] == "provisional"
            assert present in ("depot", "van")
            for fact in line:
                self.naive.disbelieve(fact, index)
            # It is another device's history now: the first period takes over from where that one was.
            self.naive.turn("devicewhereabouts", target, line[0].value, first, index)
            begun = self.naive.last("devicewhereabouts", target)
            self.naive.facts.remove(begun)
            for fact in line:
                self.naive.begin("devicewhereabouts", target, fact.value, fact.valid_from, index)
                self.naive.facts[-1].valid_to = fact.valid_to
            self.standing[device] = "merged"

        self.do(
            self.company.office,
            provisional.merge_provisional_device,
            believe,
            {
                **self.time_grounds(first, ("devicewhereabouts", target)),
                Code.NOT_PROVISIONAL: self.standing[device] != "provisional",
                Code.VALUE_INVALID: target == device or self.sensors[target] != 3,
                Code.DEVICE_ELSEWHERE: present == "cabinet",
                Code.DEVICE_NOT_AVAILABLE: present in ("maker", "lost", "retired") or self.gone(target),
            },
            device_id=device,
            into_id=target,
        )

    def _reject_provisional(self, device: Any, reason: str) -> None:
        def believe(index: int, _result: Any) -> None:
            assert reason
            for fact in self.naive.current("devicewhereabouts", device):
                self.naive.disbelieve(fact, index)
            self.standing[device] = "rejected"

        self.do(
            self.company.office,
            provisional.reject_provisional_device,
            believe,
            {
                Code.REASON_MISSING: not reason,
                Code.NOT_PROVISIONAL: self.standing[device] != "provisional",
            },
            device_id=device,
            reason=reason,
        )


def _picked(pick: int, fits: Sequence[Any], rest: Sequence[Any]) -> Any:
    """Return one that fits, four times out of five, or one of all."""
    chosen = fits if fits and pick % 5 else rest
    return chosen[pick // 5 % len(chosen)]


# --- what is stored --------------------------------------------------------------------------------


def _rows() -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table of the register."""
    rows = {}
    with connection.cursor() as cursor:
        for model in apps.get_app_config("registry").get_models():
            key = "id" if model is not Entry else '"index"'
            cursor.execute(f'SELECT * FROM "{model._meta.db_table}" ORDER BY {key}')
            rows[model._meta.db_table] = [
                tuple(bytes(v) if isinstance(v, memoryview) else v for v in row) for row in cursor.fetchall()
            ]
    rows["registry_entry"].sort(key=lambda row: row[0])
    return rows


def _told(history: str, row: Any) -> tuple[Any, ...]:
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


def _relations(versions: Mapping[Any, set[Any]]) -> Counter[Any]:
    """Return the versions by relation, without the relation's name: each side has names of its own."""
    return Counter(frozenset(of_one) for of_one in versions.values())


def _answer(history: str, moment: datetime, index: int) -> frozenset[Any]:
    found = histories()[history].objects.believed_at(index).valid_at(moment)
    rows = [_told(history, row) for row in found]
    assert len(set(rows)) == len(rows)
    assert len({row[0] for row in rows}) == len(rows), "one thing, two answers"
    return frozenset(rows)


def _period(fact: Fact) -> Any:
    """Return the name under which the register knows a relation that is believed now."""
    current = histories()[fact.history].objects.current()
    return current.get(**{HISTORY_THING[fact.history]: fact.thing, "valid_from": fact.valid_from}).period


def _serial(model: Any, number: int) -> str:
    payload = f"{number:06d}"
    return model.serial_prefix + payload + check_characters(model.serial_scheme().check_method, payload)


def test_whatever_is_recorded_the_register_agrees_with_a_naive_one(db: None) -> None:
    with clock.simulated(WORK_STARTS_AT) as simulated:
        company = found(World.found(simulated))
        Histories.outcomes.clear()
        run_state_machine_as_test(
            lambda: Histories(company),
            settings=settings(max_examples=EXAMPLES, stateful_step_count=STEPS),
        )
    # Nothing above would be worth much if most of it were refused.
    done = {word: count for word, count in Histories.outcomes.items() if word.endswith(": done")}
    assert sum(done.values()) > EXAMPLES * 5, Histories.outcomes
    assert len(done) >= 12, Histories.outcomes
