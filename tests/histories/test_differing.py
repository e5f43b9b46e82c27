"""Random histories: what differs between any two entries is what folding the ledger's images says."""

from collections import Counter
from datetime import UTC, datetime
from typing import Any

from hypothesis import settings
from hypothesis.stateful import run_state_machine_as_test

from registry.ledger import clock
from registry.ledger.images import image_of
from registry.queries._reach import Reach, reach_of_account, reach_of_fleet, reach_of_location
from registry.queries.differences import Between, Difference, differences, settle_between
from registry.rules.roles import Scope
from tests.factories.world import World
from tests.histories.company import found
from tests.histories.differing import Naive, Wanted, folded, naive_differences
from tests.histories.machine import WORK_STARTS_AT
from tests.histories.test_state_machine import Histories

EXAMPLES, STEPS = 8, 40
PAIRS = 6  # of entries that are compared, at the end of each history

ALL = Scope.of_all()


class Compared(Histories):
    """A history at whose end states of knowledge are compared, and again after further steps."""

    # What was compared over all histories: lines, by whether of one location; assignments in one's reach.
    lines: Counter[bool] = Counter()
    assignments = 0
    taken_back = 0

    def _ask_again(self) -> None:
        super()._ask_again()
        for _ in range(PAIRS):
            first = self.chance.randint(0, self.head)
            last = self.chance.randint(first, self.head)
            reaches: list[tuple[Wanted, Reach]] = [(Wanted(), reach_of_fleet(ALL))]
            for store in self.company.stores:
                reaches.append((Wanted(location=str(store)), reach_of_location(store, ALL)))
            for account in self.company.accounts:
                reach = reach_of_account(account, ALL, first, last)
                reaches.append((Wanted(account=str(account)), reach))
            rows = folded(first, last)
            for wanted, reach in reaches:
                self._compare_known(
                    settle_between(first, last), reach, naive_differences(rows, wanted), wanted
                )

    def _compare_known(self, between: Between, reach: Reach, naive: Naive, wanted: Wanted) -> None:
        answer = differences(between, reach)
        ours = frozenset(told(one) for one in answer.found)
        assert ours == naive.lines, f"{between} of {wanted}: {ours ^ naive.lines}"
        assert len(answer.found) == len(ours)
        assert answer.taken_back == naive.taken_back, f"{between} of {wanted}"
        Compared.lines[bool(wanted.location)] += len(ours)
        Compared.assignments += sum(
            one.table == "devicewhereabouts" for one in answer.found if wanted != Wanted()
        )
        Compared.taken_back += naive.taken_back


def told(one: Difference) -> tuple[Any, ...]:
    """Return a difference as the naive comparison tells one."""
    if one.turn is None:
        changed = frozenset(one.columns) if one.before is not None else None
        return (one.table, str(one.thing), one.before is None, changed, None, one.indexes)
    said = [None if row is None else statement(one, row) for row in (one.before, one.after)]
    assert one.since is not None
    since = plain(one.since)
    return (one.table, str(one.thing), *said, since, one.indexes)


def statement(one: Difference, row: Any) -> tuple[Any, ...]:
    image = image_of(row)
    alone = ("starts_known_by", "end_reason", "end_note")
    left_out = {"id", "period", "recorded_index", "superseded_index", "valid_from", "valid_to", *alone}
    facts: list[tuple[str, Any]] = [(k, v) for k, v in sorted(image.items()) if k not in left_out]
    shares = row.shares.order_by("position") if one.table == "split" else ()
    facts.append(("shares", tuple((s.position, str(s.product_id), s.hundredths) for s in shares)))
    return (
        str(one.thing),
        image["valid_from"],
        image["valid_to"],
        tuple(facts),
        image["starts_known_by"],
        tuple(image.get(name) for name in alone[1:]),
    )


def plain(moment: datetime) -> str:
    from registry.rules.canonical import plain as as_image

    return str(as_image(moment.astimezone(UTC)))


def test_whatever_was_recorded_what_differs_is_what_the_ledger_says(db: None) -> None:
    with clock.simulated(WORK_STARTS_AT) as simulated:
        company = found(World.found(simulated))
        Compared.lines.clear()
        Compared.assignments = Compared.taken_back = 0
        run_state_machine_as_test(
            lambda: Compared(company),
            settings=settings(max_examples=EXAMPLES, stateful_step_count=STEPS),
        )
    assert min(Compared.lines[True], Compared.lines[False]) > EXAMPLES * PAIRS, "hardly anything was compared"
    assert Compared.assignments > EXAMPLES, "hardly any assignment was compared"
    assert Compared.taken_back > 0, "nothing was ever taken back"
