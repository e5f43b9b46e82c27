"""Writing splits: the shares first, because their split closes them."""

from collections.abc import Sequence

from registry.actions._action import Writing
from registry.actions._steps import find
from registry.models import Cabinet, Product, Split, SplitShare
from registry.models.base import new_key
from registry.rules.splits import Share, check_split


def new_split(writing: Writing, cabinet: Cabinet, shares: Sequence[Share]) -> tuple[Split, list[Product]]:
    """Write the shares of a split to come, and return it unwritten, with its products left to right.

    Raises RuleBroken SPLIT_INVALID, SPLIT_NOT_WHOLE, NOT_FOUND.
    """
    check_split(shares)
    products = [find(Product, share.product_id, "shares") for share in shares]
    split = Split(id=new_key(), cabinet=cabinet)
    for position, share in enumerate(shares, start=1):
        writing.insert(
            SplitShare(
                split_id=split.pk, position=position, product_id=share.product_id, hundredths=share.hundredths
            )
        )
    return split, products


def shares_of(split: Split) -> list[Share]:
    """Return the shares of a split, left to right."""
    return [Share(share.product_id, share.hundredths) for share in split.shares.order_by("position")]
