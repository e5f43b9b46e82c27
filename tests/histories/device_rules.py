"""Assignments, swaps and custody of devices."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import (
    precondition,
    rule,
)

from registry.actions import (
    assignments,
    devices,
)
from registry.actions._action import Actor
from registry.rules.assignments import Installation
from registry.rules.errors import Code
from tests.histories.company import custody, hanging
from tests.histories.machine import Grounds, Machine, When, period_of, picked, picks, slots, whens
from tests.histories.naive import Fact


class DeviceRules(Machine):
    """Assignments, swaps and custody of devices."""

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
            assignment_id=period_of(hang),
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
            assignment_id=period_of(hang),
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
        device, depot = picked(pick, away, self.devices), self.company.depots[to // 2 % 2]
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
        return picked(pick, [hang for hang in hangs if hang.valid_to is None], hangs)

    def _custody(self, to: int, answering: Any) -> tuple[dict[str, Any], Any, Any]:
        """Return where a device goes, and the depot and the person to be named for it."""
        depot = (*self.company.depots, None)[to % 3]
        staff = (None, *self.company.vans)[to // 3 % 3]
        if staff is None:
            depot = depot or self.company.depots[0]
            return custody("depot", depot), depot, None
        return custody("van", depot or answering, staff), depot, staff
