"""Cautions before work on a cabinet, from what is known of it.

Each names where it comes from: a published rule, or common practice. What is marked "from memory" was not
read again. None of them replaces local codes, the maker's instructions or licensed practice. What nobody
knows counts as the stricter case, and the caution says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256

from registry.rules.cabinets import DoorKind, Refrigeration, Setting, Supply
from registry.rules.errors import Code, RuleBroken
from registry.rules.refrigerants import COMPARED, designation, flammable, safety_class
from registry.rules.surveys import Drilling, Liner

COMMON_PRACTICE = "common practice, no source"
DEFER = "Local codes, the maker's instructions and licensed practice come before anything said here."

# The largest charge of one circuit, in grams, of class A3, and of A2 and A2L (IEC 60335-2-89:2019).
A3_CHARGE_G_MAX, A2_CHARGE_G_MAX = 500, 1_200


@dataclass(frozen=True, slots=True)
class CabinetFacts:
    """What is known of a cabinet, its model and its newest survey; None and UNKNOWN: nobody knows."""

    label: str = ""
    door: DoorKind = DoorKind.UNKNOWN
    refrigeration: Refrigeration = Refrigeration.UNKNOWN
    supply: Supply = Supply.UNKNOWN
    setting: Setting = Setting.UNKNOWN
    refrigerant: str = ""  # blank: nameplate unread
    charge_g: int | None = None
    interior_width_mm: int | None = None
    sensor_count: int = 1
    near_water: bool | None = None
    needs_ladder: bool | None = None
    drilling: Drilling = Drilling.UNKNOWN
    liner: Liner = Liner.UNKNOWN


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: what to do, what of the cabinet calls for it, where it comes from.

    `assumed`: nobody knows whether it applies, so it does.
    """

    code: str
    words: str
    trigger: str
    source: str
    assumed: bool = False


def may_not_drill(facts: CabinetFacts) -> bool | None:
    """Say whether a cabinet must not be drilled; None where nobody knows: then it is not drilled either."""
    answers = (
        None if facts.drilling is Drilling.UNKNOWN else facts.drilling is Drilling.FORBIDDEN,
        None
        if facts.refrigeration is Refrigeration.UNKNOWN
        else facts.refrigeration is Refrigeration.COLD_WALL,
        flammable(facts.refrigerant),  # the stricter: a hole does not ask how fast it would burn
    )
    if True in answers:
        return True
    return None if None in answers else False


def cautions_of_facts(facts: CabinetFacts) -> list[Caution]:
    """Return the cautions of a cabinet, those that can kill first."""
    return [
        *_power(facts),
        *_refrigerant(facts),
        *_walls(facts),
        *_ladder(facts),
        *_place(facts),
        *_always(),
    ]


def digest(cautions: Sequence[Caution]) -> str:
    """Return the SHA-256 of the cautions as they read, in hexadecimal: what somebody acknowledged."""
    return sha256("\n".join(f"{c.code}\t{c.words}\t{c.assumed}" for c in cautions).encode()).hexdigest()


def check_acknowledged(cautions: Sequence[Caution], codes: Sequence[str]) -> None:
    """Raise RuleBroken CAUTIONS_UNREAD unless exactly these cautions were acknowledged."""
    wanted = {caution.code for caution in cautions}
    if set(codes) != wanted:
        raise RuleBroken(
            Code.CAUTIONS_UNREAD,
            "These are not the cautions of the cabinet as they now are. Read and acknowledge each again.",
            field="codes",
            details={
                "missing": sorted(wanted - set(codes)),
                "unknown": sorted(set(codes) - wanted),
            },
        )


def _power(facts: CabinetFacts) -> list[Caution]:
    unknown = facts.supply is Supply.UNKNOWN
    isolate = (
        Caution(
            "unplug",
            "Before the cabinet is opened to its mains, a licensed electrician isolates it. Unplugging is"
            " enough only where it removes all energy and the plug stays in the worker's sole control.",
            "the cabinet has a plug",
            "29 CFR 1910.147(a)(2)(iii)(A)",
        )
        if facts.supply is Supply.PLUG
        else Caution(
            "lock_out",
            "Work on the supply is a licensed electrician's: isolate, lock and tag out under one's own lock"
            " and name, prove dead. Before leaving see that the freezer runs again, and note the time.",
            "supply unknown" if unknown else "the cabinet is hard-wired",
            "29 CFR 1910.147",
            unknown,
        )
    )
    wet = _either(_is(facts.setting, Setting.OUTDOOR), facts.near_water)
    outlet = Caution(
        "protected_outlet",
        "Use only an outlet protected against earth faults, with a weather-rated cover and cord. A trip by"
        " mistake melts the load: see that loss of power is noticed.",
        "unknown whether outdoors or near water" if wet is None else "outdoors, or near water",
        "NEC 210.8(B)",
        wet is None,
    )
    return [isolate, *([] if wet is False else [outlet])]


def _refrigerant(facts: CabinetFacts) -> list[Caution]:
    name, safety = designation(facts.refrigerant), safety_class(facts.refrigerant)
    trigger = f"refrigerant {name}" if name else "refrigerant unknown"
    told = "safety class of ANSI/ASHRAE 34 and ISO 817"
    source = f"{told}{'' if name in COMPARED else ', from memory'}; measures: {COMMON_PRACTICE}"
    found = []
    if safety is None or safety.endswith("3"):
        found.append(
            Caution(
                "flammable_refrigerant",
                "Highly flammable refrigerant (class A3): no drilling, no sparks or flames. Ventilate, switch"
                " a gas detector on before starting, keep an extinguisher at hand; only a trained person"
                " works here.",
                trigger,
                source if safety else COMMON_PRACTICE,
                safety is None,
            )
        )
    elif not safety.endswith("1"):
        found.append(
            Caution(
                "mildly_flammable_refrigerant",
                f"Flammable refrigerant (class {safety}): no drilling, no flames and no sparks near the"
                " circuit. Ventilate; only a trained person opens it.",
                trigger,
                source,
            )
        )
    if safety is not None and safety.startswith("B"):
        found.append(
            Caution(
                "toxic_refrigerant",
                f"Toxic refrigerant (class {safety}): do not work alone, know the way out, ventilate. Leave"
                " at the first smell of it, and let only trained people with breathing protection go back.",
                trigger,
                source,
            )
        )
    if found and facts.charge_g is None:
        found.append(
            Caution(
                "charge_unread",
                "Read the charge in grams from the nameplate and have it recorded before work.",
                "charge unknown",
                "IEC 60335-2-89",
                True,
            )
        )
    most = A2_CHARGE_G_MAX if safety in ("A2", "A2L") else A3_CHARGE_G_MAX
    if found and facts.charge_g is not None and facts.charge_g > most:
        found.append(
            Caution(
                "charge_too_large",
                f"{facts.charge_g} g is more than the {most} g for which such a cabinet may be built. Do not"
                " work on it; read the nameplate again and ask the maker.",
                f"charge of {facts.charge_g} g",
                "IEC 60335-2-89:2019",
            )
        )
    return found


def _walls(facts: CabinetFacts) -> list[Caution]:
    found = []
    cold = _is(facts.refrigeration, Refrigeration.COLD_WALL)
    if cold is not False:
        found.append(
            Caution(
                "cold_wall",
                "Tubes with refrigerant lie in the walls, and may in floor and ceiling: no screws, no drill."
                " Use adhesive, magnets, clamps, holes that are there, or the maker's port.",
                "cooling unknown" if cold is None else "cold-wall cabinet",
                COMMON_PRACTICE,
                cold is None,
            )
        )
    if cold is not True:
        found.append(
            Caution(
                "fan_and_heater",
                "Heater, fan and drain wiring lie behind ceiling and back panel. Keep the cable out of fan"
                " and air path.",
                "cooling unknown" if cold is None else "fan coil with auto-defrost",
                COMMON_PRACTICE,
                cold is None,
            )
        )
    forbidden = may_not_drill(facts)
    if forbidden is False:
        found.append(
            Caution(
                "drilling",
                "Drill only in the maker's marked zone: depth stop, pilot hole by hand, deburr, grommet,"
                " refill the foam, seal both sides vapour-tight.",
                "a zone for drilling is marked",
                COMMON_PRACTICE,
            )
        )
    else:
        found.append(
            Caution(
                "no_drilling",
                "Do not drill this cabinet. Use adhesive, magnets, clamps, or a hole that is there.",
                "drilling is not allowed" if forbidden else "unknown where drilling is safe",
                COMMON_PRACTICE,
                forbidden is None,
            )
        )
    glass = _is(facts.door, DoorKind.GLASS)
    if glass is not False:
        found.append(
            Caution(
                "glass_door",
                "Do not drill into the door frame, in which heater wires lie; stick nothing on heated glass.",
                "door unknown" if glass is None else "glass door",
                COMMON_PRACTICE,
                glass is None,
            )
        )
    return found


def _ladder(facts: CabinetFacts) -> list[Caution]:
    if facts.needs_ladder is False:
        return []
    return [
        Caution(
            "ladder",
            "Ladder: its foot out by a quarter of the working length, on a level dry floor, never on the"
            " condenser or on bags. Face it, keep three points of contact; at a landing its rails stand 3 ft"
            " (0.91 m) above.",
            "unknown whether a ladder is needed" if facts.needs_ladder is None else "a ladder is needed",
            "29 CFR 1926.1053(b)",
            facts.needs_ladder is None,
        )
    ]


def _place(facts: CabinetFacts) -> list[Caution]:
    wet = _either(_is(facts.setting, Setting.OUTDOOR), facts.near_water)
    rated = (
        "inside at least IP65 or potted"
        if wet is False
        else "inside at least IP65 or potted, outside at least IP65, IP66 or IP69 where it is hosed down"
    )
    return [
        Caution(
            "ingress",
            f"Housing and glands: {rated}. Glands point down, cables have a drip loop. The rating does not"
            " cover water that condenses inside.",
            "water and condensation",
            "digits of IEC 60529; choice: " + COMMON_PRACTICE,
            wet is None,
        )
    ]


def _always() -> list[Caution]:
    every = "every cabinet"
    return [
        Caution(
            "cord_route",
            "No cord through wall, ceiling, door or window, none concealed or stapled, and no extension lead"
            " as a permanent supply.",
            every,
            "29 CFR 1910.305(g)",
        ),
        Caution(
            "listed_appliance",
            "Do not tap the cabinet's inner wiring: it can void the listing. Prefer a plug-in supply to an"
            " own socket, and count the load on its circuit.",
            every,
            "NEC 110.3(B) and IEC 60335-2-89, from memory",
        ),
        Caution(
            "food",
            "Bagged ice is food: empty the cabinet or cover the load, count screws in and out, gather chips,"
            " throw pierced bags away and record how many.",
            every,
            "principle of the FDA Food Code, chapter 3-3, from memory",
        ),
        Caution(
            "handling",
            "Wear gloves against sharp edges and cold. Two people move what weighs more than 23 kg (51 lb).",
            every,
            "NIOSH lifting equation, from memory",
        ),
        Caution(
            "tipping",
            "Check that a cabinet on wheels, or one with heavy doors, cannot tip before it is emptied.",
            every,
            COMMON_PRACTICE,
        ),
        Caution(
            "cold_materials",
            "Use cable, plastics and batteries that are rated to -30 degrees Celsius.",
            every,
            COMMON_PRACTICE,
        ),
        Caution(
            "public_area",
            "Cones, no leads to trip over, doors locked back. Tell the store when the freezer is off, and"
            " keep it off for no more than 30 to 60 minutes.",
            every,
            COMMON_PRACTICE,
        ),
    ]


def _is(known: str, wanted: str) -> bool | None:
    return None if known == "unknown" else known == wanted


def _either(one: bool | None, other: bool | None) -> bool | None:
    if one or other:
        return True
    return None if one is None or other is None else False
