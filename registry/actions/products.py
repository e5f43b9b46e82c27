"""Bag sizes, and the splits of cabinets between them."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._records import cleaned, correct_record
from registry.actions._splits import new_split, shares_of
from registry.actions._steps import (
    carry_on,
    find,
    history,
    history_in_sight,
    location_of,
    running,
    start,
    to_end,
)
from registry.models import Cabinet, CabinetWhereabouts, Product, Split
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.products import FIELDS, REQUIRED
from registry.rules.roles import Act
from registry.rules.splits import Share
from registry.rules.whereabouts import CabinetPlace, check_cabinet_move


@action(Act.KEEP_CATALOGUE)
def register_product(writing: Writing, *, particulars: Mapping[str, object]) -> Product:
    """Register a bag size (rules.products.FIELDS); raises RuleBroken CODE_TAKEN and what cleaning does."""
    product = writing.insert(Product(**cleaned(Product, particulars, FIELDS, required=REQUIRED)))
    writing.tell(Verb.PRODUCT_REGISTERED, writing.now, {"product": product})
    return product


@action(Act.KEEP_CATALOGUE)
def correct_product(
    writing: Writing, *, product_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> Product:
    """Correct a bag size, or mark it discontinued; raises as `_records.correct_record` does."""
    product = correct_record(writing, Product, product_id, particulars, FIELDS)
    writing.tell(Verb.PRODUCT_CORRECTED, writing.now, {"product": product}, reason=reason)
    return product


@action(Act.SET_SPLIT)
def set_split(
    writing: Writing, *, cabinet_id: UUID, shares: Sequence[Share], valid_from: datetime, reason: str = ""
) -> Split:
    """Set how products share a cabinet, left to right, from a time on.

    Raises RuleBroken SPLIT_INVALID, SPLIT_NOT_WHOLE, NOTHING_CHANGES, BEFORE_KNOWN, OVERLAPPING_HISTORY,
    CABINET_NOT_AVAILABLE, NOT_FOUND.
    """
    cabinet = find(Cabinet, cabinet_id, "cabinet")
    stay = running(history_in_sight(writing, CabinetWhereabouts, cabinet, "cabinet"), valid_from)
    check_cabinet_move(CabinetPlace(stay.place))
    splits = history(Split, cabinet)
    fresh, products = new_split(writing, cabinet, shares)
    if splits and shares_of(splits[-1]) == list(shares) and splits[-1].valid_to is None:
        raise RuleBroken(Code.NOTHING_CHANGES, "The cabinet is split so already.", field="shares")
    if splits:
        carry_on(writing, to_end(splits, valid_from), fresh, valid_from)
    else:
        start(writing, fresh, valid_from)
    writing.tell(
        Verb.SPLIT_SET,
        valid_from,
        {"cabinet": cabinet, "location": location_of(stay), "product": products},
        reason=reason,
    )
    return fresh
