"""People: what each may see."""

from registry.models import Staff, StaffDepot
from registry.rules.roles import Role, Scope


def scope_of(staff: Staff) -> Scope:
    """Return a person's role and depots as they are now; one query, none for who has all depots."""
    depots = (
        frozenset()
        if staff.everywhere
        else frozenset(StaffDepot.objects.current().filter(staff=staff).values_list("depot_id", flat=True))
    )
    return Scope(Role(staff.role), depots, staff.everywhere, staff.pk)
