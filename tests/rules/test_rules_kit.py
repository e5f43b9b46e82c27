"""Kit lists: quantities by hand, common practice, no source."""

from dataclasses import replace
from uuid import UUID

import pytest

from registry.rules.cabinets import Refrigeration, Setting, Supply
from registry.rules.cautions import CabinetFacts
from registry.rules.errors import RuleBroken
from registry.rules.kit import USUAL, KitBasis, KitCondition, Rule, check_rule, kit
from registry.rules.surveys import Drilling, Liner
from registry.rules.visits import VisitKind

RAIL, SENSOR, MOUNT = UUID(int=1), UUID(int=2), UUID(int=3)
KNOWN = CabinetFacts(
    label="SK-1",
    interior_width_mm=1_200,
    sensor_count=3,
    liner=Liner.STEEL,
    setting=Setting.INDOOR,
    supply=Supply.PLUG,
    refrigeration=Refrigeration.FAN_COIL,
    refrigerant="R-404A",
    drilling=Drilling.MARKED_ZONE,
    near_water=False,
    needs_ladder=False,
)
INSTALL = VisitKind.INSTALL


def lines(rules: list[Rule], *cabinets: CabinetFacts) -> list[tuple[UUID, int, list[str]]]:
    found = kit([(INSTALL, cabinet) for cabinet in cabinets], rules)
    return [(line.part, line.quantity, line.assumed_for) for line in found]


def test_a_rail_is_chosen_by_width_from_its_lower_bound_on() -> None:
    narrow = Rule(RAIL, 1, width_below_mm=1_200)
    wide = Rule(SENSOR, 1, width_from_mm=1_200)
    assert lines([narrow, wide], KNOWN) == [(SENSOR, 1, [])]
    assert lines([narrow, wide], replace(KNOWN, interior_width_mm=1_199)) == [(RAIL, 1, [])]


def test_of_an_unknown_width_every_rail_goes_along_and_is_marked() -> None:
    rules = [Rule(RAIL, 1, width_below_mm=1_200), Rule(SENSOR, 1, width_from_mm=1_200)]
    unknown = replace(KNOWN, label="SK-2", interior_width_mm=None)
    assert lines(rules, KNOWN, unknown) == [(RAIL, 1, ["SK-2"]), (SENSOR, 2, ["SK-2"])]
    # Two visits of a day may go to one cabinet: it is named once.
    assert lines(rules, unknown, unknown) == [(RAIL, 2, ["SK-2"]), (SENSOR, 2, ["SK-2"])]


def test_one_spare_in_ten_is_rounded_up_once_over_the_whole_day() -> None:
    spare = Rule(SENSOR, 1, basis=KitBasis.SENSOR, for_each=10)
    assert lines([spare], KNOWN) == [(SENSOR, 1, [])]
    assert lines([spare], *[KNOWN] * 3) == [(SENSOR, 1, [])]  # nine sensors
    assert lines([spare], *[KNOWN] * 4) == [(SENSOR, 2, [])]  # twelve


def test_a_thing_for_the_whole_list_goes_along_once_and_is_sure_where_one_cabinet_is() -> None:
    ladder = Rule(MOUNT, 1, condition=KitCondition.LADDER, basis=KitBasis.LIST)
    high, unseen = replace(KNOWN, needs_ladder=True), replace(KNOWN, needs_ladder=None)
    assert lines([ladder], KNOWN) == []
    assert lines([ladder], high, unseen) == [(MOUNT, 1, [])]
    assert lines([ladder], KNOWN, unseen) == [(MOUNT, 1, ["SK-1"])]


def test_rules_of_one_part_add_up_and_say_why() -> None:
    found = kit([(INSTALL, KNOWN)], [Rule(MOUNT, 4, "four"), Rule(MOUNT, 2, "two more")])
    assert [(line.quantity, line.because) for line in found] == [(6, ["four", "two more"])]


def test_a_rule_of_one_kind_of_visit_says_nothing_of_another() -> None:
    rule = Rule(MOUNT, 1, visit_kind=INSTALL)
    assert kit([(VisitKind.INSPECT, KNOWN)], [rule]) == []
    assert kit([(INSTALL, KNOWN)], [rule]) != []


CONDITIONS = [
    (KitCondition.COLD_WALL, {"refrigeration": Refrigeration.COLD_WALL}),
    (KitCondition.STEEL_LINER, {"liner": Liner.STEEL}),
    (KitCondition.OTHER_LINER, {"liner": Liner.PLASTIC}),
    (KitCondition.NO_DRILLING, {"drilling": Drilling.FORBIDDEN}),
    (KitCondition.OUTDOOR, {"setting": Setting.OUTDOOR}),
    (KitCondition.HARD_WIRED, {"supply": Supply.HARD_WIRED}),
    (KitCondition.NEAR_WATER, {"near_water": True}),
]


@pytest.mark.parametrize(("condition", "attribute"), CONDITIONS)
def test_a_condition_takes_the_cabinets_it_names_and_no_others(
    condition: KitCondition, attribute: dict[str, object]
) -> None:
    rule = Rule(MOUNT, 1, condition=condition)
    (name,) = attribute
    other = replace(KNOWN, liner=Liner.STEEL if name == "liner" else KNOWN.liner)
    unlike = replace(other, liner=Liner.PLASTIC) if condition is KitCondition.STEEL_LINER else other
    assert lines([rule], replace(KNOWN, **attribute)) == [(MOUNT, 1, [])]  # type: ignore[arg-type]
    assert lines([rule], unlike) == []
    unknown = replace(KNOWN, **{name: getattr(CabinetFacts(), name)})
    assert lines([rule], unknown) == [(MOUNT, 1, ["SK-1"])]


def test_a_range_of_widths_holds_some_width() -> None:
    check_rule(600, 900)
    check_rule(None, 900)
    with pytest.raises(RuleBroken) as caught:
        check_rule(900, 900)
    assert (caught.value.code, caught.value.field) == ("value_invalid", "width_below_mm")


def test_the_usual_rails_leave_no_width_out_and_take_none_twice() -> None:
    rails = [
        Rule(UUID(int=number), quantity, name, **besides)  # type: ignore[arg-type]
        for number, usual in enumerate(USUAL)
        if usual.code.startswith("RAIL")
        for name, quantity, besides in usual.rules
    ]
    for width_mm in (100, 899, 900, 1_399, 1_400, 5_000):
        found = kit([(INSTALL, replace(KNOWN, interior_width_mm=width_mm))], rails)
        assert [line.quantity for line in found] == [1], width_mm
