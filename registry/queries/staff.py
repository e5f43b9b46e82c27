"""People: who is here, for which depots, and what each may see."""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import QuerySet

from registry.models import Depot, Staff, StaffDepot
from registry.rules.errors import absent
from registry.rules.roles import Role, Scope


@dataclass(frozen=True, slots=True)
class StaffNow:
    """A person as of now, with the depots that are given by name, by code."""

    staff: Staff
    depots: tuple[Depot, ...]


def scope_of(staff: Staff) -> Scope:
    """Return a person's role and depots as they are now; one query, none for who has all depots."""
    depots = (
        frozenset()
        if staff.everywhere
        else frozenset(StaffDepot.objects.current().filter(staff=staff).values_list("depot_id", flat=True))
    )
    return Scope(Role(staff.role), depots, staff.everywhere, staff.pk)


def staff_in() -> "QuerySet[Staff]":
    """Return everybody, those who have left too, in no order."""
    return Staff.objects.all()


def staff_with_depots(rows: Iterable[Staff]) -> list[StaffNow]:
    """Return people who were read, in their order, with their depots: one query."""
    people = list(rows)
    depots: dict[UUID, list[Depot]] = {}
    grants = StaffDepot.objects.current().filter(staff__in=people).select_related("depot")
    for grant in grants.order_by("depot__code"):
        depots.setdefault(grant.staff_id, []).append(grant.depot)
    return [StaffNow(person, tuple(depots.get(person.pk, ()))) for person in people]


def staff_now(staff_id: UUID) -> StaffNow:
    """Return one person as of now; raises RuleBroken NOT_FOUND."""
    for person in staff_with_depots(staff_in().filter(pk=staff_id)):
        return person
    raise absent("staff", "person")
