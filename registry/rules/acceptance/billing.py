"""From which day a cabinet is billed, by the account's rule."""

from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from registry.rules.accounts import BillingStart


@dataclass(frozen=True, slots=True)
class BillingDay:
    """The first billable day in the store's calendar, or None with the reason in words."""

    rule: BillingStart
    on: date | None
    words: str


def billing_start(
    rule: BillingStart,
    *,
    assigned_at: datetime,
    starts_known_by: bool,
    signed_off_at: datetime | None,
    time_zone: str,
) -> BillingDay:
    """Return the first billable day of an assignment.

    By acceptance it is the day of the first sign-off; a later check moves nothing. A start that is only
    known by bills nothing. By contract it is entered elsewhere.
    """
    zone = ZoneInfo(time_zone)
    if rule is BillingStart.MANUAL:
        return BillingDay(rule, None, "By contract: the day is agreed with the account, not derived.")
    if rule is BillingStart.ASSIGNMENT:
        if starts_known_by:
            return BillingDay(rule, None, "When the device was assigned is only known by a date.")
        return BillingDay(rule, assigned_at.astimezone(zone).date(), "The day on which it was assigned.")
    if signed_off_at is None:
        return BillingDay(rule, None, "No acceptance check of this installation is signed off yet.")
    return BillingDay(rule, signed_off_at.astimezone(zone).date(), "The day on which it was signed off.")
