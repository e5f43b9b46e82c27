"""How devices were mounted, with what the checks find, and the practice that they are held against."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from uuid import UUID

from django.db.models import QuerySet

from registry.models import Mounting, MountingPractice
from registry.queries.cabinets import stays_in
from registry.queries.moments import Moment
from registry.rules.errors import absent
from registry.rules.mountings import (
    FACTS,
    PRACTICE_DEFAULTS,
    Bounds,
    Finding,
    Mounted,
    Practice,
    PracticeValue,
    Severity,
    find,
)
from registry.rules.roles import Scope


@dataclass(frozen=True, slots=True)
class MountingFound:
    """A mounting, and what the checks find of it by the practice of today."""

    mounting: Mounting
    findings: list[Finding]

    @property
    def fails(self) -> bool:
        """Say whether something is to be mended before anybody leaves."""
        return any(found.severity is Severity.FAIL for found in self.findings)


@dataclass(frozen=True, slots=True)
class PracticeKept:
    """The practice of one measure: the company's bounds, or the default's where it never set any."""

    value: PracticeValue
    bounds: Bounds
    row: MountingPractice | None = field(default=None)

    @property
    def default(self) -> Bounds:
        """What is kept where the company never set anything."""
        return PRACTICE_DEFAULTS[self.value]


def mounted(mounting: Mounting) -> Mounted:
    """Return what was recorded of a mounting as a plain value."""
    return Mounted(**{name: getattr(mounting, name) for name in FACTS})


def practice_kept() -> list[PracticeKept]:
    """Return the practice of every measure, in the order of the work: one query."""
    rows = {row.value: row for row in MountingPractice.objects.all()}
    return [
        PracticeKept(value, Bounds(row.least_mm, row.most_mm) if row else PRACTICE_DEFAULTS[value], row)
        for value in PracticeValue
        for row in [rows.get(str(value))]
    ]


def practice() -> Practice:
    """Return the bounds of every measure by its name."""
    return {kept.value: kept.bounds for kept in practice_kept()}


def mountings_in(moment: Moment, scope: Scope) -> "QuerySet[Mounting]":
    """Return the mountings in cabinets of the scope's depots, in no order."""
    found = Mounting.objects.select_related("device", "cabinet", "location")
    return found if scope.everywhere else found.filter(cabinet__in=stays_in(moment, scope).values("cabinet"))


def mountings_found(rows: Iterable[Mounting]) -> list[MountingFound]:
    """Return mountings that were read, in their order, with what the checks find: one query."""
    kept = practice()
    return [MountingFound(row, find(mounted(row), kept)) for row in rows]


def mounting_found(mounting_id: UUID, moment: Moment, scope: Scope) -> MountingFound:
    """Return one mounting; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    for found in mountings_found(mountings_in(moment, scope).filter(pk=mounting_id)):
        return found
    raise absent("mounting")
