"""Accounts: their particulars, and how they stand above each other."""

from uuid import UUID

import pytest
from rule_checks import assert_text, assert_words, refused

from registry.rules.accounts import (
    FIELDS,
    REQUIRED,
    AccountStanding,
    BillingStart,
    check_parent,
)
from registry.rules.errors import Code

Parents = dict[UUID, UUID | None]
DEPTH_MAX = 8  # levels; common practice is three, no source


def account(number: int) -> UUID:
    return UUID(int=number)


def chain(length: int, first: int = 1) -> Parents:
    """Return accounts of which each stands above the next; the first stands above all."""
    numbers = range(first, first + length)
    return {account(number): account(number - 1) if number > first else None for number in numbers}


def test_an_account_has_a_code_a_name_and_a_start_of_billing() -> None:
    assert set(FIELDS) == {"code", "name", "billing_start"}
    assert {"code", "name"} == REQUIRED
    assert_text(FIELDS["code"], blank=False, length_max=40)
    assert_text(FIELDS["name"], blank=False, length_max=200)
    assert_words(FIELDS["billing_start"], "acceptance assignment manual")
    assert {start.value for start in BillingStart} == {"acceptance", "assignment", "manual"}
    assert {standing.value for standing in AccountStanding} == {"open", "closed"}
    with refused(Code.TEXT_INVALID, "code"):
        FIELDS["code"]("LF 7", "code")


def test_an_account_may_stand_alone_or_below_another() -> None:
    parents = chain(2) | {account(9): None}
    check_parent(account(9), None, parents)
    check_parent(account(9), account(2), parents)
    check_parent(account(100), account(1), parents)  # not in the register yet
    check_parent(account(2), None, parents)


@pytest.mark.parametrize("parent", [1, 2, 3])
def test_an_account_does_not_stand_above_itself(parent: int) -> None:
    with refused(Code.PARENT_CYCLE, "parent") as caught:
        check_parent(account(1), account(parent), chain(3))
    assert "above itself" in caught.value.message


def test_accounts_stand_at_most_eight_deep() -> None:
    check_parent(account(100), account(DEPTH_MAX - 1), chain(DEPTH_MAX))
    with refused(Code.PARENT_CYCLE, "parent") as caught:
        check_parent(account(100), account(DEPTH_MAX), chain(DEPTH_MAX))
    assert "8 deep" in caught.value.message


@pytest.mark.parametrize("above", range(1, DEPTH_MAX))
def test_the_accounts_below_move_along_and_count(above: int) -> None:
    below = DEPTH_MAX - above
    fits = chain(above) | chain(below, first=101)
    check_parent(account(101), account(above), fits)
    too_deep = chain(above) | chain(below + 1, first=101)
    with refused(Code.PARENT_CYCLE, "parent") as caught:
        check_parent(account(101), account(above), too_deep)
    assert "8 deep" in caught.value.message
    # Taken from below another one, it only gets shallower.
    check_parent(account(101), None, too_deep)


def test_a_ring_that_is_there_already_does_not_hang_the_check() -> None:
    ring: Parents = {account(1): account(2), account(2): account(1)}
    with refused(Code.PARENT_CYCLE, "parent"):
        check_parent(account(100), account(1), ring)
    with refused(Code.PARENT_CYCLE, "parent"):
        check_parent(account(1), account(2), ring)


def test_the_deepest_branch_below_counts() -> None:
    parents = chain(6) | {account(50): None, account(51): account(50), account(52): account(51)}
    parents |= {account(53): account(50)}
    check_parent(account(50), account(5), parents)
    with refused(Code.PARENT_CYCLE, "parent"):
        check_parent(account(50), account(6), parents)
    check_parent(account(51), account(6), parents)
