"""Devices that nobody booked in."""

from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import (
    precondition,
    rule,
)

from registry.actions import (
    provisional,
)
from registry.actions._devices import NewDevice
from registry.rules.errors import Code
from tests.histories.company import custody, hanging
from tests.histories.machine import WORK_STARTS_AT, Machine, When, picked, picks, reasons, serial_of, whens


class ProvisionalRules(Machine):
    """Devices that nobody booked in."""

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
            device=NewDevice(model.pk, serial_of(model, self.serials)),
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
        device = picked(pick, waiting, self.unsure())
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
