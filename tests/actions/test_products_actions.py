"""Bag sizes and splits through their actions."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest

from registry.actions import cabinets, products
from registry.models import Cabinet, Product, Split
from registry.rules.splits import Share
from tests.actions.unchanged import refused, undone
from tests.factories.world import DAY, HOUR, World

GTIN = "04012345000009"


def register(world: World, **changes: object) -> Product:
    particulars = {"code": "B3K", "name": "3 kg bag", "net_mass": "3", "net_mass_unit": "kg"} | changes
    return products.register_product(world.office, particulars=particulars)


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"code": "B8"}, "code_taken", "code"),
        ({"net_mass": "0"}, "value_invalid", "net_mass"),
        ({"net_mass": "3.0001"}, "value_invalid", "net_mass"),
        ({"net_mass": 3.5}, "value_invalid", "net_mass"),
        ({"net_mass": "NaN"}, "value_invalid", "net_mass"),
        ({"net_mass_unit": "stone"}, "value_invalid", "net_mass_unit"),
        ({"gtin": "04012345000008"}, "check_invalid", "gtin"),
        ({"stack_density_kg_m3": 918}, "value_invalid", "stack_density_kg_m3"),
        ({"discontinued": "no"}, "value_invalid", "discontinued"),
        ({"flavour": "plain"}, "value_invalid", "flavour"),
    ],
)
def test_a_product_with_one_wrong_particular_is_refused(
    world: World, changes: dict[str, object], code: str, field: str
) -> None:
    with refused(code, field):
        register(world, **changes)
    product = register(world, gtin=GTIN, stack_density_kg_m3=500)
    product.refresh_from_db()
    assert (str(product.net_mass), product.net_mass_unit, product.gtin) == ("3.000", "kg", GTIN)


def test_a_product_is_corrected_to_something_new_that_no_other_has(world: World) -> None:
    product = register(world, gtin=GTIN)

    def correct(**particulars: object) -> Product:
        return products.correct_product(world.office, product_id=product.pk, particulars=particulars)

    with refused("code_taken", "code"):
        correct(code="B18")
    with refused("code_taken", "gtin"):
        register(world, code="B4K", gtin=GTIN)
    with refused("nothing_changes"):
        correct(net_mass="3.00")
    with refused("not_found", "product"):
        products.correct_product(world.office, product_id=uuid4(), particulars={"name": "Bag"})
    corrected = correct(code="B4K", net_mass="4", discontinued=True)
    assert (corrected.code, str(corrected.net_mass), corrected.discontinued) == ("B4K", "4.000", True)


# --- splits --------------------------------------------------------------------------------------------


def shares_of(cabinet: Cabinet) -> list[tuple[Any, Any, list[tuple[str, int]]]]:
    return [
        (
            split.valid_from,
            split.valid_to,
            [(share.product.code, share.hundredths) for share in split.shares.order_by("position")],
        )
        for split in Split.objects.current().filter(cabinet=cabinet).order_by("valid_from")
    ]


def test_a_split_is_set_from_a_time_on_and_follows_the_one_before(world: World) -> None:
    cabinet, noon = world.cabinet(), world.start + 5 * DAY
    eight, eighteen = world.eight_lb.pk, world.eighteen_lb.pk

    def split(*shares: tuple[Any, int], **changes: Any) -> Split:
        return products.set_split(
            changes.pop("actor", world.office),
            **(
                {
                    "cabinet_id": cabinet.pk,
                    "shares": [Share(*share) for share in shares],
                    "valid_from": noon,
                }
                | changes
            ),
        )

    halves = ((eight, 5_000), (eighteen, 5_000))
    for shares, code in (
        ((), "split_invalid"),
        (((eight, 10_000), (eighteen, 0)), "split_invalid"),
        (((eight, 5_000), (eight, 5_000)), "split_invalid"),
        (((eight, 3_333), (eighteen, 6_666)), "split_not_whole"),
        (((eight, 5_000), (eighteen, 5_001)), "split_not_whole"),
        (((eight, 5_000), (uuid4(), 5_000)), "not_found"),
    ):
        with refused(code, "shares"):
            split(*shares)
    with refused("not_found", "cabinet"):
        split(*halves, cabinet_id=uuid4())
    with refused("before_known", "valid_from"):
        split(*halves, valid_from=world.start)
    with refused("time_in_future", "valid_from"):
        split(*halves, valid_from=world.clock.at + timedelta(minutes=3))
    with refused("not_found", "cabinet"):
        split(*halves, actor=world.stranger)
    split(*halves)
    with refused("nothing_changes", "shares"):
        split(*halves, valid_from=noon + DAY)
    with refused("overlapping_history", "valid_from"):
        split((eight, 10_000))
    with refused("before_known", "valid_from"):
        split((eight, 10_000), valid_from=noon - HOUR)
    split(*reversed(halves), valid_from=noon + DAY, actor=world.installer)
    split((eight, 10_000), valid_from=noon + 2 * DAY)
    assert shares_of(cabinet) == [
        (noon, noon + DAY, [("B8", 5_000), ("B18", 5_000)]),
        (noon + DAY, noon + 2 * DAY, [("B18", 5_000), ("B8", 5_000)]),
        (noon + 2 * DAY, None, [("B8", 10_000)]),
    ]


def test_a_split_that_nearly_adds_up_comes_with_a_proposal(world: World) -> None:
    cabinet = world.cabinet()
    third = register(world)
    shares = [Share(product.pk, 3_333) for product in (world.eight_lb, world.eighteen_lb, third)]
    with refused("split_not_whole", "shares") as caught:
        products.set_split(
            world.office, cabinet_id=cabinet.pk, shares=shares, valid_from=world.start + 2 * DAY
        )
    assert caught.value.details == {"total": "99.99", "proposal": ["33.34", "33.33", "33.33"]}


def test_a_split_is_set_where_the_cabinet_is_known_to_be_and_not_on_scrap(world: World) -> None:
    cabinet, noon = world.cabinet(split=True), world.start + 5 * DAY
    whole = [Share(world.eight_lb.pk, 10_000)]

    def split(at: Any) -> Split:
        return products.set_split(world.office, cabinet_id=cabinet.pk, shares=whole, valid_from=at)

    with undone():
        cabinets.scrap_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=noon)
        with refused("cabinet_not_available", "cabinet"):
            split(noon + DAY)
        with refused("overlapping_history", "valid_from"):
            split(noon - DAY)
    with undone():
        cabinets.move_cabinet(
            world.office, cabinet_id=cabinet.pk, depot_id=world.tarnmouth.pk, valid_from=noon
        )
        split(noon)
    split(noon + DAY)
