"""Periods put right or taken out."""

from datetime import timedelta
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import (
    rule,
)

from registry.actions import (
    periods,
)
from registry.rules.errors import Code
from tests.histories.machine import (
    SKEW,
    Grounds,
    Machine,
    moves,
    period_of,
    picked,
    picks,
    reasons,
    some_history,
)
from tests.histories.naive import Fact


class CorrectionRules(Machine):
    """Periods put right or taken out."""

    @rule(
        history=some_history,
        pick=picks,
        move=moves,
        known_by=st.none() | st.booleans(),
        facts=picks,
        reason=reasons,
    )
    def correct_period(
        self, history: str, pick: int, move: tuple[int, int], known_by: bool | None, facts: int, reason: str
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
            if begin != fact.valid_from or known_by is not None:
                said["starts_known_by"] = bool(known_by)
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
            period_id=period_of(fact),
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
            period_id=period_of(fact),
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
        return picked(pick, several, facts) if facts else None

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
