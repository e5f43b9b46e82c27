"""Accounts: what they are made of, and how they stand above each other."""

from collections.abc import Mapping
from enum import StrEnum
from uuid import UUID

from registry.rules import particulars
from registry.rules.errors import Code, RuleBroken
from registry.rules.particulars import Cleaners

DEPTH_MAX = 8  # levels of accounts above each other; common practice is three, no source


class BillingStart(StrEnum):
    """From when a cabinet is billed."""

    ACCEPTANCE = "acceptance"  # the day on which the installation passed its check
    ASSIGNMENT = "assignment"  # the day on which the device was assigned
    MANUAL = "manual"  # by contract, entered by hand


class AccountStanding(StrEnum):
    """Whether an account does business."""

    OPEN = "open"
    CLOSED = "closed"


FIELDS: Cleaners = {
    "code": particulars.code,
    "name": particulars.line,
    "billing_start": particulars.choice(BillingStart),
}
REQUIRED = frozenset({"code", "name"})


def check_parent(account_id: UUID, parent_id: UUID | None, parents: Mapping[UUID, UUID | None]) -> None:
    """Raise RuleBroken PARENT_CYCLE where the new parent stands below the account, or too deep.

    `parents` maps every account to the one above it, or None. The accounts below move along, so they count.
    """
    above, depth = parent_id, _levels(account_id, parents)
    while above is not None:
        if above == account_id:
            raise RuleBroken(
                Code.PARENT_CYCLE,
                "The account would stand above itself. Choose a parent that is not below it.",
                field="parent",
            )
        above, depth = parents.get(above), depth + 1
        if depth > DEPTH_MAX:
            raise RuleBroken(
                Code.PARENT_CYCLE,
                f"Accounts stand at most {DEPTH_MAX} deep. Choose a higher parent.",
                field="parent",
            )


def _levels(account_id: UUID, parents: Mapping[UUID, UUID | None]) -> int:
    """Return how many levels the account and those below it make, 1 for an account that stands alone."""
    levels, lowest = 1, {account_id}
    while levels <= DEPTH_MAX and (lowest := {one for one, above in parents.items() if above in lowest}):
        levels += 1
    return levels
