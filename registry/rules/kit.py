"""What goes on the van: parts by rules over the cabinets of a visit, or of a van's day.

What a rule asks and nobody knows is taken along and marked as assumed: a part too many is carried home,
a part too few costs a second visit. Common practice, no source; parts and rules are data of the office.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from uuid import UUID

from registry.rules import particulars
from registry.rules.cabinets import INTERIOR_MM_MAX, DoorKind, Refrigeration, Setting, Supply
from registry.rules.cautions import CabinetFacts, may_not_drill
from registry.rules.errors import Code, RuleBroken
from registry.rules.particulars import Cleaners, optional, whole_number
from registry.rules.surveys import Drilling, Liner
from registry.rules.visits import VisitKind

QUANTITY_MAX = 1_000
PER_MAX = 1_000


class KitCondition(StrEnum):
    """For which cabinets a rule holds."""

    ALWAYS = "always"
    COLD_WALL = "cold_wall"
    FAN_COIL = "fan_coil"
    STEEL_LINER = "steel_liner"
    OTHER_LINER = "other_liner"
    NO_DRILLING = "no_drilling"
    MARKED_ZONE = "marked_zone"
    OUTDOOR = "outdoor"
    NEAR_WATER = "near_water"
    PLUG = "plug"
    HARD_WIRED = "hard_wired"
    GLASS_DOOR = "glass_door"
    LADDER = "ladder"


class KitBasis(StrEnum):
    """Of what a rule's quantity is counted."""

    CABINET = "cabinet"
    SENSOR = "sensor"
    LIST = "list"  # once for the whole list, if the rule holds for any cabinet of it


CONDITION_WORDS: dict[KitCondition, str] = {
    KitCondition.ALWAYS: "every cabinet",
    KitCondition.COLD_WALL: "cold-wall cabinets",
    KitCondition.FAN_COIL: "fan-coil cabinets",
    KitCondition.STEEL_LINER: "cabinets lined with steel",
    KitCondition.OTHER_LINER: "cabinets lined with aluminium or plastic",
    KitCondition.NO_DRILLING: "cabinets that must not be drilled",
    KitCondition.MARKED_ZONE: "cabinets with a zone marked for drilling",
    KitCondition.OUTDOOR: "cabinets outdoors",
    KitCondition.NEAR_WATER: "cabinets near water or a wet floor",
    KitCondition.PLUG: "cabinets with a plug",
    KitCondition.HARD_WIRED: "hard-wired cabinets",
    KitCondition.GLASS_DOOR: "cabinets with a glass door",
    KitCondition.LADDER: "cabinets that need a ladder",
}

PART_FIELDS: Cleaners = {
    "code": particulars.code,
    "name": particulars.line,
    "unit": particulars.line,
    "discontinued": particulars.yes_or_no,
}
PART_REQUIRED = frozenset({"code", "name"})
RULE_FIELDS: Cleaners = {
    "name": particulars.line,
    "visit_kind": lambda value, field: value if value == "" else particulars.choice(VisitKind)(value, field),
    "condition": particulars.choice(KitCondition),
    "basis": particulars.choice(KitBasis),
    "quantity": whole_number(1, QUANTITY_MAX),
    "for_each": whole_number(1, PER_MAX),
    "width_from_mm": optional(whole_number(0, INTERIOR_MM_MAX, " mm")),
    "width_below_mm": optional(whole_number(1, INTERIOR_MM_MAX, " mm")),
}
RULE_REQUIRED = frozenset({"name", "quantity"})


@dataclass(frozen=True, slots=True)
class Rule:
    """So many of a part for each so many of something, in cabinets of a kind and width."""

    part: UUID
    quantity: int
    name: str = ""
    condition: KitCondition = KitCondition.ALWAYS
    basis: KitBasis = KitBasis.CABINET
    for_each: int = 1
    width_from_mm: int | None = None
    width_below_mm: int | None = None
    visit_kind: VisitKind | None = None


@dataclass(slots=True)
class KitLine:
    """So many of a part; assumed where some of it rests on what nobody knows, and of which cabinets."""

    part: UUID
    quantity: int = 0
    assumed_for: list[str] = field(default_factory=list)
    because: list[str] = field(default_factory=list)

    @property
    def assumed(self) -> bool:
        """Whether some of it may not be needed."""
        return bool(self.assumed_for)


def check_rule(width_from_mm: int | None, width_below_mm: int | None) -> None:
    """Raise RuleBroken VALUE_INVALID for a range of widths that holds none."""
    if width_from_mm is not None and width_below_mm is not None and width_from_mm >= width_below_mm:
        raise RuleBroken(
            Code.VALUE_INVALID,
            f"No width is from {width_from_mm} mm and below {width_below_mm} mm. Change one of them.",
            field="width_below_mm",
        )


def kit(jobs: Iterable[tuple[VisitKind, CabinetFacts]], rules: Sequence[Rule]) -> list[KitLine]:
    """Return what to take along for some cabinets, in the order of the rules.

    A rule's "for each so many" is rounded up once over the whole list: one spare sensor in ten is one for a
    day of four sensors, and not one for each of two visits.
    """
    todo = list(jobs)
    lines: dict[UUID, KitLine] = {}
    for rule in rules:
        sure: list[CabinetFacts] = []
        unsure: list[CabinetFacts] = []
        for visit_kind, facts in todo:
            if rule.visit_kind not in (None, visit_kind):
                continue
            answer = _holds(rule, facts)
            if answer is not False:
                (sure if answer else unsure).append(facts)
        if not sure and not unsure:
            continue
        line = lines.setdefault(rule.part, KitLine(rule.part))
        line.quantity += _quantity(rule, [*sure, *unsure])
        line.because.append(rule.name)
        # Where it would be as many without them, nothing rests on what nobody knows.
        if not sure or _quantity(rule, sure) < _quantity(rule, [*sure, *unsure]):
            labels = [*line.assumed_for, *(facts.label for facts in unsure)]
            line.assumed_for = list(dict.fromkeys(labels))  # two visits of a day may go to one cabinet
    return list(lines.values())


def _quantity(rule: Rule, cabinets: Sequence[CabinetFacts]) -> int:
    units = {
        KitBasis.CABINET: len(cabinets),
        KitBasis.SENSOR: sum(facts.sensor_count for facts in cabinets),
        KitBasis.LIST: 1,
    }[rule.basis]
    return rule.quantity * -(-units // rule.for_each)


def _holds(rule: Rule, facts: CabinetFacts) -> bool | None:
    """Say whether a rule holds for a cabinet; None where nobody knows."""
    answers = (_of_width(rule, facts.interior_width_mm), condition_holds(rule.condition, facts))
    if False in answers:
        return False
    return None if None in answers else True


def _of_width(rule: Rule, width_mm: int | None) -> bool | None:
    if rule.width_from_mm is None and rule.width_below_mm is None:
        return True
    if width_mm is None:
        return None
    return (rule.width_from_mm is None or width_mm >= rule.width_from_mm) and (
        rule.width_below_mm is None or width_mm < rule.width_below_mm
    )


def condition_holds(condition: KitCondition, facts: CabinetFacts) -> bool | None:
    """Say whether a cabinet is of the kind; None where nobody knows."""
    match condition:
        case KitCondition.ALWAYS:
            return True
        case KitCondition.NEAR_WATER:
            return facts.near_water
        case KitCondition.LADDER:
            return facts.needs_ladder
        case KitCondition.NO_DRILLING:
            return may_not_drill(facts)
        case KitCondition.OTHER_LINER:
            steel = condition_holds(KitCondition.STEEL_LINER, facts)
            return None if steel is None else not steel
    known, wanted = {
        KitCondition.COLD_WALL: (facts.refrigeration, Refrigeration.COLD_WALL),
        KitCondition.FAN_COIL: (facts.refrigeration, Refrigeration.FAN_COIL),
        KitCondition.STEEL_LINER: (facts.liner, Liner.STEEL),
        KitCondition.MARKED_ZONE: (facts.drilling, Drilling.MARKED_ZONE),
        KitCondition.OUTDOOR: (facts.setting, Setting.OUTDOOR),
        KitCondition.PLUG: (facts.supply, Supply.PLUG),
        KitCondition.HARD_WIRED: (facts.supply, Supply.HARD_WIRED),
        KitCondition.GLASS_DOOR: (facts.door, DoorKind.GLASS),
    }[condition]
    return None if known == "unknown" else known == wanted


@dataclass(frozen=True, slots=True)
class UsualPart:
    """A part of the usual kit, with its rules: name, quantity, and what else they ask."""

    code: str
    name: str
    rules: tuple[tuple[str, int, dict[str, object]], ...]


_INSTALL = {"visit_kind": VisitKind.INSTALL}
# Common practice, no source: to begin with, and to be changed by the office.
USUAL: tuple[UsualPart, ...] = (
    UsualPart(
        "RAIL-S",
        "Short rail, for up to 900 mm",
        (("Narrow cabinets", 1, {**_INSTALL, "width_below_mm": 900}),),
    ),
    UsualPart(
        "RAIL-M",
        "Middle rail, for 900 to 1400 mm",
        (("Middle cabinets", 1, {**_INSTALL, "width_from_mm": 900, "width_below_mm": 1_400}),),
    ),
    UsualPart(
        "RAIL-L",
        "Long rail, for 1400 mm and more",
        (("Wide cabinets", 1, {**_INSTALL, "width_from_mm": 1_400}),),
    ),
    UsualPart(
        "MAGNET", "Magnet mount", (("Steel liners", 4, {**_INSTALL, "condition": KitCondition.STEEL_LINER}),)
    ),
    UsualPart(
        "ADHESIVE",
        "Cold-rated adhesive mount",
        (("Other liners", 4, {**_INSTALL, "condition": KitCondition.OTHER_LINER}),),
    ),
    UsualPart(
        "CLAMP",
        "Cable clamp without a hole",
        (("Without drilling", 6, {**_INSTALL, "condition": KitCondition.NO_DRILLING}),),
    ),
    UsualPart(
        "GROMMET",
        "Grommet and depth stop",
        (("With a marked zone", 1, {**_INSTALL, "condition": KitCondition.MARKED_ZONE}),),
    ),
    UsualPart(
        "SEALANT",
        "Tube of vapour-tight sealant",
        (("A tube for two cabinets", 1, {**_INSTALL, "for_each": 2}),),
    ),
    UsualPart("RELIEF", "Strain relief", (("One for each cabinet", 1, dict(_INSTALL)),)),
    UsualPart(
        "GLAND",
        "Weather-proof gland and wrap",
        (("Outdoors", 2, {**_INSTALL, "condition": KitCondition.OUTDOOR}),),
    ),
    UsualPart(
        "TESTER",
        "Outlet tester",
        (("Outdoors", 1, {"condition": KitCondition.OUTDOOR, "basis": KitBasis.LIST}),),
    ),
    UsualPart(
        "SUPPLY", "Plug-in supply", (("With a plug", 1, {**_INSTALL, "condition": KitCondition.PLUG}),)
    ),
    UsualPart(
        "LOCK",
        "Lock and tag",
        (("Hard-wired", 1, {"condition": KitCondition.HARD_WIRED, "basis": KitBasis.LIST}),),
    ),
    UsualPart(
        "LADDER",
        "Ladder",
        (("High cabinets", 1, {"condition": KitCondition.LADDER, "basis": KitBasis.LIST}),),
    ),
    UsualPart("SENSOR", "Spare sensor", (("One in ten", 1, {"basis": KitBasis.SENSOR, "for_each": 10}),)),
    UsualPart(
        "BLANKET", "Insulating blanket for the load", (("One on the van", 1, {"basis": KitBasis.LIST}),)
    ),
)
