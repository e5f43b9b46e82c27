"""Random histories: whatever people record, correct and withdraw, the register and a naive one agree.

A machine draws actions with random times, past and future. What the register accepts is told to the
naive register of naive.py; what it refuses must have a ground there and change nothing.
"""

from hypothesis import settings
from hypothesis.stateful import (
    run_state_machine_as_test,
)

from registry.ledger import clock
from tests.factories.world import World
from tests.histories.cabinet_rules import CabinetRules
from tests.histories.company import found
from tests.histories.correction_rules import CorrectionRules
from tests.histories.device_rules import DeviceRules
from tests.histories.machine import EXAMPLES, STEPS, WORK_STARTS_AT
from tests.histories.provisional_rules import ProvisionalRules
from tests.histories.store_rules import StoreRules


class Histories(DeviceRules, CabinetRules, StoreRules, CorrectionRules, ProvisionalRules):
    """One history of everything that people do."""


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
