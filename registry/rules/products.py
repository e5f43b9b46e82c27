"""Products: what a bag size is made of."""

from enum import StrEnum

from registry.rules import particulars
from registry.rules.identifiers import gtin
from registry.rules.particulars import Cleaners, decimal, optional, whole_number


class MassUnit(StrEnum):
    """The unit in which a bag's net mass is declared."""

    LB = "lb"
    KG = "kg"


def _gtin(value: object, field: str) -> str:
    return gtin(particulars.line(value, field), field)


FIELDS: Cleaners = {
    "code": particulars.code,
    "name": particulars.line,
    "net_mass": decimal("0.001", "1000", 3),
    "net_mass_unit": particulars.choice(MassUnit),
    "gtin": optional(_gtin),
    "stack_density_kg_m3": optional(
        whole_number(100, 917, " kg per cubic metre")
    ),  # 917: solid ice at 0 degC
    "discontinued": particulars.yes_or_no,
}
REQUIRED = frozenset({"code", "name", "net_mass", "net_mass_unit"})
