"""How a device was mounted in its cabinet, and what common practice says of that. Pure.

A value that is None, or a blank word, was not looked at. Practice is the company's own: what stands here
are defaults by common practice, no source, which the office edits.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from typing import Final

from registry.rules import particulars
from registry.rules.cabinets import DoorKind, Refrigeration
from registry.rules.errors import Code, RuleBroken
from registry.rules.particulars import Cleaners, optional, whole_number, yes_or_no

MEASURE_MM_MAX: Final = 5_000
HOLE_MM_MAX: Final = 200
TOOLS_MAX: Final = 500


class CableExit(StrEnum):
    """By which way the cable leaves the cabinet."""

    EXISTING_HOLE = "existing_hole"
    DRILLED_BACK = "drilled_back"
    DRILLED_SIDE = "drilled_side"
    DRILLED_TOP = "drilled_top"
    DOOR_SEAL = "door_seal"
    NONE = "none"  # nothing leaves it


DRILLED: Final = frozenset({CableExit.DRILLED_BACK, CableExit.DRILLED_SIDE, CableExit.DRILLED_TOP})
THROUGH_HOLE: Final = DRILLED | {CableExit.EXISTING_HOLE}


class Wrapped(StrEnum):
    """Whether outdoor connections are wrapped."""

    YES = "yes"
    NO = "no"
    NOT_APPLICABLE = "not_applicable"


class Severity(StrEnum):
    """What a finding means: something to know, or something to mend before leaving."""

    NOTE = "note"
    FAIL = "fail"


class PracticeValue(StrEnum):
    """A measure for which the company has a practice; its name is that of the fact it is compared with."""

    RAIL_BEHIND_FRONT = "rail_behind_front"
    HEADROOM_CLEARED = "headroom_cleared"
    EXIT_BELOW_CEILING = "exit_below_ceiling"
    HOLE = "hole"


@dataclass(frozen=True, slots=True)
class Bounds:
    """From which to which measure practice is kept, both included, in mm; None: no bound on that side."""

    least_mm: int | None
    most_mm: int | None

    def keeps(self, measure_mm: int) -> bool:
        """Say whether a measure lies within."""
        return (self.least_mm is None or measure_mm >= self.least_mm) and (
            self.most_mm is None or measure_mm <= self.most_mm
        )

    @property
    def words(self) -> str:
        """The bounds in words."""
        if self.least_mm is None:
            return f"at most {self.most_mm} mm" if self.most_mm is not None else "any measure"
        if self.most_mm is None:
            return f"at least {self.least_mm} mm"
        return f"{self.least_mm} to {self.most_mm} mm"


Practice = Mapping[PracticeValue, Bounds]

# Common practice, no source: 5 in (127 mm) behind the front edge, 12 to 16 in (305 to 406 mm) of headroom, an
# exit 1 in (25 mm) below the ceiling through a hole of 1 1/8 in (29 mm). How far a rail, an exit or a hole
# may be off (1 in, 1/2 in, 1/8 in) is our own choice. More headroom than enough is no fault.
PRACTICE_DEFAULTS: Final[Practice] = {
    PracticeValue.RAIL_BEHIND_FRONT: Bounds(102, 152),
    PracticeValue.HEADROOM_CLEARED: Bounds(305, None),
    PracticeValue.EXIT_BELOW_CEILING: Bounds(13, 38),
    PracticeValue.HOLE: Bounds(26, 32),
}


@dataclass(frozen=True, slots=True)
class Mounted:
    """What was recorded of a mounting."""

    rail_parallel: bool | None = None
    rail_centred: bool | None = None
    rail_behind_front_mm: int | None = None
    near_evaporator: bool | None = None
    headroom_cleared_mm: int | None = None
    cable_exit: str = ""
    exit_below_ceiling_mm: int | None = None
    hole_mm: int | None = None
    sealed_inside: bool | None = None
    sealed_outside: bool | None = None
    cable_clear: bool | None = None
    outdoor_wrapped: str = ""
    used_instead: str = ""
    tools_out: int | None = None
    tools_back: int | None = None
    blanket_back: bool | None = None
    serial_taken_at: datetime | None = None
    cover_closed_at: datetime | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class MountedIn:
    """What is known of the cabinet's kind; unknown counts as what forbids more."""

    refrigeration: Refrigeration
    door: DoorKind


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check found: a stable code, how grave it is, plain words, and what to do next."""

    code: str
    severity: Severity
    words: str
    next_step: str


def _word(options: type[StrEnum]) -> particulars.Cleaner:
    """Return a cleaner for a word that may be blank: not looked at."""
    chosen = particulars.choice(options)
    return lambda value, field: "" if value in (None, "") else chosen(value, field)


def _time(value: object, field: str) -> datetime:
    if not isinstance(value, datetime):
        raise particulars.invalid(field, f"{value!r} is no time. Give one with its offset.")
    return value


_MEASURE = optional(whole_number(0, MEASURE_MM_MAX, " mm"))
_ANSWER = optional(yes_or_no)
FIELDS: Final[Cleaners] = {
    "rail_parallel": _ANSWER,
    "rail_centred": _ANSWER,
    "rail_behind_front_mm": _MEASURE,
    "near_evaporator": _ANSWER,
    "headroom_cleared_mm": _MEASURE,
    "cable_exit": _word(CableExit),
    "exit_below_ceiling_mm": _MEASURE,
    "hole_mm": optional(whole_number(1, HOLE_MM_MAX, " mm")),
    "sealed_inside": _ANSWER,
    "sealed_outside": _ANSWER,
    "cable_clear": _ANSWER,
    "outdoor_wrapped": _word(Wrapped),
    "used_instead": particulars.optional_line,
    "tools_out": optional(whole_number(0, TOOLS_MAX)),
    "tools_back": optional(whole_number(0, TOOLS_MAX)),
    "blanket_back": _ANSWER,
    "serial_taken_at": optional(_time),
    "cover_closed_at": optional(_time),
    "note": particulars.note,
}
FACTS: Final = tuple(field.name for field in fields(Mounted))


def drilling_forbidden(kind: MountedIn) -> str:
    """Return why nobody drills into a cabinet of this kind, or blank where drilling is allowed.

    Where nobody knows what lies in the wall, nobody drills. Common practice, no source; the maker's
    instructions and local codes go before it.
    """
    if kind.refrigeration is Refrigeration.COLD_WALL:
        return "Its walls hold the evaporator's tubes"
    if kind.refrigeration is Refrigeration.UNKNOWN:
        return "Nobody has read how it is cooled, so its walls may hold the evaporator's tubes"
    return ""


def check_mounted(mounted: Mounted, kind: MountedIn) -> None:
    """Raise RuleBroken for a mounting that must not be recorded as it is told.

    SERIAL_AFTER_COVER where the cover was closed before the serial was taken. DRILLING_FORBIDDEN where a
    hole was drilled in a cabinet whose kind forbids that, INSTEAD_MISSING where nobody says what was used in
    the hole's stead. VALUE_INVALID for measures of a hole that is none.
    """
    if mounted.cover_closed_at is not None and (
        mounted.serial_taken_at is None or mounted.serial_taken_at > mounted.cover_closed_at
    ):
        raise RuleBroken(
            Code.SERIAL_AFTER_COVER,
            "The serial is taken before the cover is closed. Open the cover, read the serial off the label,"
            " and close it again.",
            field="cover_closed_at",
        )
    exit_by = CableExit(mounted.cable_exit) if mounted.cable_exit else None
    forbidden = drilling_forbidden(kind)
    if forbidden and exit_by in DRILLED:
        raise RuleBroken(
            Code.DRILLING_FORBIDDEN,
            f"{forbidden}: nobody drills here. Put right how the cabinet is cooled if that is wrong; tell"
            " the office at once if a hole was drilled.",
            field="cable_exit",
        )
    if forbidden and exit_by is not None and not mounted.used_instead:
        raise RuleBroken(
            Code.INSTEAD_MISSING,
            f"{forbidden}: nobody drills here. Say what was used instead, such as magnets or a clamp.",
            field="used_instead",
        )
    for field, exits in (
        ("hole_mm", THROUGH_HOLE),
        ("exit_below_ceiling_mm", set(CableExit) - {CableExit.NONE}),
    ):
        if getattr(mounted, field) is not None and exit_by is not None and exit_by not in exits:
            raise particulars.invalid(
                field, f"The cable leaves by no such way ({exit_by}). Leave this measure out."
            )


# --- findings --------------------------------------------------------------------------------------

_MEASURES: Final = {
    PracticeValue.RAIL_BEHIND_FRONT: ("The rail is {} mm behind the front edge", "Move the rail"),
    PracticeValue.HEADROOM_CLEARED: ("{} mm of headroom were cleared", "Clear the bags that are too high"),
    PracticeValue.EXIT_BELOW_CEILING: ("The cable leaves {} mm below the ceiling", "Check the exit"),
    PracticeValue.HOLE: ("The hole is {} mm wide", "See that its sealant fills it"),
}
# Each answer that must be yes: what is wrong where it is no, what to do, and how grave that is.
_ANSWERS: Final = {
    "rail_parallel": ("The rail is not parallel to the doors", "Turn it parallel", Severity.NOTE),
    "rail_centred": ("The rail is not centred left to right", "Centre it", Severity.NOTE),
    "near_evaporator": ("The rail is not near the evaporator", "Say in the note why", Severity.NOTE),
    "cable_clear": (
        "The cable touches hot or moving parts",
        "Switch the cabinet off as its maker says, and lay the cable clear of them",
        Severity.FAIL,
    ),
    "blanket_back": ("The blanket is not back", "Look for it in the cabinet before you leave", Severity.FAIL),
}


def find(mounted: Mounted, practice: Practice) -> list[Finding]:
    """Return what the checks find of a mounting, in the order of the work."""
    return [*_measured(mounted, practice), *_answered(mounted), *_exit(mounted), *_counted(mounted)]


def _measured(mounted: Mounted, practice: Practice) -> list[Finding]:
    found = []
    for value, (words, step) in _MEASURES.items():
        measure, bounds = getattr(mounted, f"{value}_mm"), practice[value]
        if measure is not None and not bounds.keeps(measure):
            told = f"{words.format(measure)}; practice is {bounds.words}."
            found.append(Finding(f"{value}_out_of_practice", Severity.NOTE, told, f"{step}, or say why not."))
    return found


def _answered(mounted: Mounted) -> list[Finding]:
    found = []
    for name, (words, step, severity) in _ANSWERS.items():
        if getattr(mounted, name) is False:
            found.append(Finding(f"not_{name}", severity, f"{words}.", f"{step}."))
    if mounted.outdoor_wrapped == Wrapped.NO:
        words = "An outdoor connection is not wrapped, so water runs in."
        found.append(Finding("not_outdoor_wrapped", Severity.FAIL, words, "Wrap it before you leave."))
    return found


def _exit(mounted: Mounted) -> list[Finding]:
    found = []
    if mounted.cable_exit in (CableExit.DRILLED_SIDE, CableExit.DRILLED_TOP):
        words = "The hole is not through the back, so water can run in along the cable."
        found.append(Finding("exit_not_back", Severity.NOTE, words, "Make a loop that drips off outside."))
    if mounted.cable_exit in THROUGH_HOLE:
        for side in ("inside", "outside"):
            if getattr(mounted, f"sealed_{side}") is not True:
                words = f"Nobody said that the hole is sealed {side}: warm air through it makes ice."
                step = f"Seal it {side}, and say so."
                found.append(Finding(f"hole_unsealed_{side}", Severity.FAIL, words, step))
    return found


def _counted(mounted: Mounted) -> list[Finding]:
    out, back = mounted.tools_out, mounted.tools_back
    if out is None and back is None:
        return []
    if out is None or back is None:
        words = "The tools were counted once only."
        return [
            Finding(
                "tools_not_counted", Severity.FAIL, words, "Count them out of the cabinet before you leave."
            )
        ]
    if out != back:
        words = f"{out} tools went in, {back} came out."
        return [Finding("tools_missing", Severity.FAIL, words, "Find them before anybody takes ice.")]
    return []


def clean_bounds(least_mm: object, most_mm: object) -> Bounds:
    """Return bounds of a practice; raises RuleBroken VALUE_INVALID for none, or for bounds the wrong way."""
    cleaner = optional(whole_number(0, MEASURE_MM_MAX, " mm"))
    least, most = cleaner(least_mm, "least_mm"), cleaner(most_mm, "most_mm")
    if least is None and most is None:
        raise particulars.invalid("least_mm", "Neither bound is given. Give the least, the most, or both.")
    if isinstance(least, int) and isinstance(most, int) and least > most:
        raise particulars.invalid("most_mm", f"{most} mm is less than {least} mm. Turn them around.")
    return Bounds(least if isinstance(least, int) else None, most if isinstance(most, int) else None)
