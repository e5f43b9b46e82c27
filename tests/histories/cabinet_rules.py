"""Moves, scrapping and splits of cabinets."""

from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import (
    rule,
)

from registry.actions import (
    cabinets,
    products,
)
from registry.rules.errors import Code
from tests.histories.company import shared, standing
from tests.histories.machine import Machine, When, picks, whens


class CabinetRules(Machine):
    """Moves, scrapping and splits of cabinets."""

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
