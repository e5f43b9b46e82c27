"""Cautions against the published rules that call for them; what is no rule is common practice, no source."""

import pytest

from registry.rules.cabinets import DoorKind, Refrigeration, Setting, Supply
from registry.rules.cautions import (
    CabinetFacts,
    cautions_of_facts,
    check_acknowledged,
    digest,
    may_not_drill,
)
from registry.rules.errors import RuleBroken
from registry.rules.refrigerants import designation, flammable, safety_class
from registry.rules.surveys import Drilling

# A harmless cabinet: everything is known, nothing of it calls for more than the usual.
KNOWN = {
    "door": DoorKind.SOLID,
    "refrigeration": Refrigeration.FAN_COIL,
    "supply": Supply.PLUG,
    "setting": Setting.INDOOR,
    "refrigerant": "R-404A",
    "charge_g": 300,
    "near_water": False,
    "needs_ladder": False,
    "drilling": Drilling.MARKED_ZONE,
}
USUAL = {"cord_route", "listed_appliance", "food", "handling", "tipping", "cold_materials", "public_area"}


def told(**changes: object) -> dict[str, bool]:
    """Return the codes of a cabinet's cautions, each with whether it is assumed."""
    facts = CabinetFacts(**{**KNOWN, **changes})  # type: ignore[arg-type]
    return {caution.code: caution.assumed for caution in cautions_of_facts(facts)}


def test_a_cabinet_of_which_all_is_known_and_nothing_is_special_gets_the_usual_cautions() -> None:
    assert set(told()) == USUAL | {"unplug", "ingress", "fan_and_heater", "drilling"}
    assert not any(told().values())


# What of a cabinet calls for which caution, and where that is published.
TABLE = [
    ({"supply": Supply.PLUG}, "unplug", "29 CFR 1910.147(a)(2)(iii)(A)"),
    ({"supply": Supply.HARD_WIRED}, "lock_out", "29 CFR 1910.147"),
    ({"setting": Setting.OUTDOOR}, "protected_outlet", "NEC 210.8(B)"),
    ({"near_water": True}, "protected_outlet", "NEC 210.8(B)"),
    ({}, "cord_route", "29 CFR 1910.305(g)"),
    ({"needs_ladder": True}, "ladder", "29 CFR 1926.1053(b)"),
    ({}, "ingress", "IEC 60529"),
    ({"refrigerant": "R-290"}, "flammable_refrigerant", "ANSI/ASHRAE 34 and ISO 817; measures"),
    ({"refrigerant": "R-290", "charge_g": 501}, "charge_too_large", "IEC 60335-2-89:2019"),
    ({"refrigerant": "R-290", "charge_g": None}, "charge_unread", "IEC 60335-2-89"),
    ({"refrigerant": "R-454C", "charge_g": 1_201}, "charge_too_large", "IEC 60335-2-89:2019"),
    ({"refrigerant": "R-454C"}, "mildly_flammable_refrigerant", "ANSI/ASHRAE 34 and ISO 817; measures"),
    ({"refrigerant": "R-152a"}, "mildly_flammable_refrigerant", "ISO 817, from memory"),
    ({"refrigerant": "R-717"}, "toxic_refrigerant", "ANSI/ASHRAE 34 and ISO 817; measures"),
    ({"refrigerant": "R-717", "charge_g": 501}, "charge_too_large", "IEC 60335-2-89:2019"),
    ({"refrigerant": "R-32"}, "no_drilling", "common practice, no source"),
    ({"refrigeration": Refrigeration.COLD_WALL}, "cold_wall", "common practice, no source"),
    ({"refrigeration": Refrigeration.COLD_WALL}, "no_drilling", "common practice, no source"),
    ({"drilling": Drilling.FORBIDDEN}, "no_drilling", "common practice, no source"),
    ({"door": DoorKind.GLASS}, "glass_door", "common practice, no source"),
]


@pytest.mark.parametrize(("changes", "code", "source"), TABLE)
def test_an_attribute_calls_for_the_caution_of_a_source(
    changes: dict[str, object], code: str, source: str
) -> None:
    facts = CabinetFacts(**{**KNOWN, **changes})  # type: ignore[arg-type]
    (caution,) = [caution for caution in cautions_of_facts(facts) if caution.code == code]
    assert source in caution.source
    assert not caution.assumed or code == "charge_unread"


UNKNOWN = [
    ({"supply": Supply.UNKNOWN}, {"lock_out"}, {"unplug"}),
    ({"setting": Setting.UNKNOWN}, {"protected_outlet", "ingress"}, set()),
    ({"near_water": None}, {"protected_outlet", "ingress"}, set()),
    ({"refrigerant": ""}, {"flammable_refrigerant", "no_drilling"}, {"drilling"}),
    ({"refrigerant": "R-999"}, {"flammable_refrigerant", "no_drilling"}, {"drilling"}),
    ({"refrigeration": Refrigeration.UNKNOWN}, {"cold_wall", "fan_and_heater", "no_drilling"}, {"drilling"}),
    ({"drilling": Drilling.UNKNOWN}, {"no_drilling"}, {"drilling"}),
    ({"door": DoorKind.UNKNOWN}, {"glass_door"}, set()),
    ({"needs_ladder": None}, {"ladder"}, set()),
]


@pytest.mark.parametrize(("changes", "assumed", "gone"), UNKNOWN)
def test_what_nobody_knows_counts_as_the_stricter_case_and_says_so(
    changes: dict[str, object], assumed: set[str], gone: set[str]
) -> None:
    codes = told(**changes)
    assert {code for code, unsure in codes.items() if unsure} == assumed
    assert not gone & set(codes)


def test_a_cabinet_of_which_nothing_is_known_gets_every_stricter_caution() -> None:
    codes = {caution.code for caution in cautions_of_facts(CabinetFacts())}
    stricter = {"lock_out", "protected_outlet", "flammable_refrigerant", "charge_unread", "cold_wall"}
    assert codes >= stricter | {"no_drilling", "glass_door", "ladder"} | USUAL


def test_charges_up_to_the_standard_are_let_pass() -> None:  # IEC 60335-2-89:2019
    assert "charge_too_large" not in told(refrigerant="R-290", charge_g=500)
    assert "charge_too_large" not in told(refrigerant="R-454C", charge_g=1_200)
    assert "charge_unread" not in told(charge_g=None)  # nothing burns


# Isomers with a small letter, blends with a capital one: UNEP and ASHRAE's fact sheet "Update on New
# Refrigerants Designations and Safety Classifications", 2017 and 2020, which names R-134a and R-401A.
@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("R-290", "R-290"),
        ("r290", "R-290"),
        ("R 290", "R-290"),
        ("290", "R-290"),
        ("R600A", "R-600a"),
        ("R-134a", "R-134a"),
        ("r404a", "R-404A"),
        ("R-401a", "R-401A"),
        ("R507a", "R-507A"),
        ("R-1234YF", "R-1234yf"),
        ("r1234ze(e)", "R-1234ze(E)"),
        ("R-13b1", "R-13B1"),
        ("", ""),
    ],
)
def test_a_refrigerant_is_written_as_the_standard_has_it(written: str, told: str) -> None:
    assert designation(written) == told


# ANSI/ASHRAE Standard 34-2022, as published tables of safety classes repeat it; R-1234ze(E): 34-2019.
PUBLISHED = {
    **dict.fromkeys(("R-12", "R-22", "R-134a", "R-404A", "R-410A"), "A1"),
    **dict.fromkeys(("R-32", "R-454B", "R-454C", "R-1234yf", "R-1234ze(E)"), "A2L"),
    **dict.fromkeys(("R-290", "R-600a", "R-1150", "R-1270"), "A3"),
    "R-717": "B2L",
}
# From memory, not read again.
REMEMBERED = {
    **dict.fromkeys(("R-744", "R-452A", "R-449A", "R-448A", "R-513A", "R-407F"), "A1"),
    **dict.fromkeys(("R-454A", "R-455A"), "A2L"),
    **dict.fromkeys(("R-50", "R-170", "R-600"), "A3"),
    "R-152a": "A2",
}


@pytest.mark.parametrize(("name", "safety"), [*PUBLISHED.items(), *REMEMBERED.items()])
def test_a_refrigerant_has_the_class_of_the_standard(name: str, safety: str) -> None:
    assert safety_class(name.lower()) == safety
    assert flammable(name) is (safety[1:] != "1")
    assert may_not_drill(CabinetFacts(**{**KNOWN, "refrigerant": name})) is (safety[1:] != "1")  # type: ignore[arg-type]
    told = {c.source for c in cautions_of_facts(CabinetFacts(refrigerant=name)) if name in c.trigger}
    assert any("from memory" in source for source in told) is (name in REMEMBERED and safety[1:] != "1")


def test_a_marked_zone_is_drilled_only_where_neither_tubes_nor_gas_forbid_it() -> None:
    def of(**changes: object) -> bool | None:
        return may_not_drill(CabinetFacts(**{**KNOWN, **changes}))  # type: ignore[arg-type]

    assert of() is False
    assert of(refrigeration=Refrigeration.COLD_WALL) is True
    assert of(refrigerant="R-290") is True
    assert of(refrigerant="R-454C") is True  # burns slowly, and burns
    assert of(drilling=Drilling.FORBIDDEN, refrigerant="") is True
    assert of(refrigerant="") is None


def test_what_was_acknowledged_is_exactly_what_now_is_read() -> None:
    cautions = cautions_of_facts(CabinetFacts())
    codes = [caution.code for caution in cautions]
    check_acknowledged(cautions, codes)
    for wrong in (codes[1:], [*codes, "drilling"]):
        with pytest.raises(RuleBroken) as caught:
            check_acknowledged(cautions, wrong)
        assert caught.value.code == "cautions_unread"
    assert digest(cautions) != digest(cautions[1:])
    surely = cautions_of_facts(CabinetFacts(needs_ladder=True))
    assert digest(surely) != digest(cautions)  # the same codes, but no longer assumed
