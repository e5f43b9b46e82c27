"""Refrigerants: how they are written, and how toxic and flammable they are.

A safety class (ANSI/ASHRAE Standard 34, whose classes ISO 817 shares) is A or B for how toxic, and 1, 2L, 2
or 3 for how flammable. What is in no table here counts as A3.
"""

import re

# These were compared with published tables of ASHRAE 34-2019 and -2022.
_COMPARED = {
    "A1": ("R-12", "R-22", "R-134a", "R-404A", "R-410A"),
    "A2L": ("R-32", "R-454B", "R-454C", "R-1234yf", "R-1234ze(E)"),
    "A3": ("R-290", "R-600a", "R-1150", "R-1270"),
    "B2L": ("R-717",),
}
# These come from memory and were not read again.
_FROM_MEMORY = {
    "A1": (
        *("R-407A", "R-407C", "R-407F", "R-448A", "R-449A", "R-450A", "R-452A", "R-502", "R-507A", "R-513A"),
        "R-744",
    ),
    "A2": ("R-152a",),
    "A2L": ("R-454A", "R-455A"),
    "A3": ("R-50", "R-170", "R-600"),
}
SAFETY_CLASSES = {
    name: safety for table in (_COMPARED, _FROM_MEMORY) for safety, names in table.items() for name in names
}
COMPARED = frozenset(name for names in _COMPARED.values() for name in names)
_WRITTEN = re.compile(r"(\d+)([A-Z]*)(\([EZ]\))?")


def designation(refrigerant: str) -> str:
    """Return a refrigerant as ASHRAE 34 and ISO 817 write it: "r290" and "R 290" are "R-290".

    The letter behind the number is small where it tells isomers apart (R-600a), and a capital where it tells
    blends of one composition apart, which are numbered 4xx and 5xx (R-404A).
    """
    text = refrigerant.upper().replace(" ", "").replace("-", "").removeprefix("R")
    written = _WRITTEN.fullmatch(text)
    if written is None:
        return f"R-{text}" if text else ""
    number, letters, isomer = written.groups(default="")
    is_blend = len(number) == 3 and number[0] in "45"
    return f"R-{number}{letters if is_blend else letters.lower()}{isomer}"


def safety_class(refrigerant: str) -> str | None:
    """Return the safety class of a refrigerant, such as "A2L"; None where it is unread or in no table."""
    return SAFETY_CLASSES.get(designation(refrigerant))


def flammable(refrigerant: str) -> bool | None:
    """Say whether a refrigerant burns at all (class 2L, 2 or 3); None where nobody knows."""
    safety = safety_class(refrigerant)
    return None if safety is None else not safety.endswith("1")
