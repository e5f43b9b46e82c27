"""States and holders of stores, and their accounts."""

from datetime import datetime
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import (
    rule,
)

from registry.actions import (
    accounts,
    locations,
)
from registry.rules.errors import Code
from tests.histories.company import holding, standing, state
from tests.histories.machine import Machine, When, picks, whens


class StoreRules(Machine):
    """States and holders of stores, and their accounts."""

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
