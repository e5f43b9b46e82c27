"""People: who works here, as what, and for which depots."""

from collections.abc import Sequence
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._people import digest_of, give_depots, write_staff
from registry.actions._steps import find
from registry.models import Staff
from registry.rules import particulars
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.roles import Act, Role


@action(Act.MANAGE_STAFF)
def add_staff(
    writing: Writing,
    *,
    username: str,
    name: str,
    password: str,
    role: str,
    depots: Sequence[UUID] = (),
    everywhere: bool = False,
) -> Staff:
    """Let a person in, with a role and depots; raises RuleBroken CODE_TAKEN, VALUE_INVALID, NOT_FOUND."""
    staff = write_staff(
        writing, username=username, name=name, password=password, role=_role(role), everywhere=everywhere
    )
    given = give_depots(writing, staff, depots)
    writing.tell(Verb.STAFF_ADDED, writing.now, {"staff": staff, "depot": given})
    return staff


@action(Act.MANAGE_STAFF)
def change_role(writing: Writing, *, staff_id: UUID, role: str, reason: str = "") -> Staff:
    """Give a person another role; raises RuleBroken LAST_ADMINISTRATOR, NOTHING_CHANGES, NOT_FOUND."""
    staff = find(Staff, staff_id, "staff")
    new_role = _role(role)
    if new_role is not Role.ADMINISTRATOR:
        _require_another_administrator(staff)
    writing.revise(staff, role=new_role)
    writing.tell(Verb.STAFF_ROLE_CHANGED, writing.now, {"staff": staff}, reason=reason)
    return staff


@action(Act.MANAGE_STAFF)
def change_depots(
    writing: Writing, *, staff_id: UUID, depots: Sequence[UUID], everywhere: bool = False, reason: str = ""
) -> Staff:
    """Give a person exactly these depots, or all; raises RuleBroken NOTHING_CHANGES, NOT_FOUND."""
    staff = find(Staff, staff_id, "staff")
    before = set(staff.depot_grants.filter(superseded=None).values_list("depot_id", flat=True))
    given = give_depots(writing, staff, depots)
    if staff.everywhere != everywhere:
        writing.revise(staff, everywhere=everywhere)
    elif before == {depot.pk for depot in given}:
        raise RuleBroken(Code.NOTHING_CHANGES, "The register already says so.", field="depots")
    writing.tell(Verb.STAFF_DEPOTS_CHANGED, writing.now, {"staff": staff, "depot": given}, reason=reason)
    return staff


@action(Act.MANAGE_STAFF)
def deactivate_staff(writing: Writing, *, staff_id: UUID, reason: str = "") -> Staff:
    """Let nobody sign in as this person any more; what they did stays theirs.

    Raises RuleBroken LAST_ADMINISTRATOR, NOTHING_CHANGES, NOT_FOUND.
    """
    staff = find(Staff, staff_id, "staff")
    _require_another_administrator(staff)
    writing.revise(staff, is_active=False)
    writing.tell(Verb.STAFF_DEACTIVATED, writing.now, {"staff": staff}, reason=reason)
    return staff


@action(Act.MANAGE_STAFF)
def reactivate_staff(writing: Writing, *, staff_id: UUID, reason: str = "") -> Staff:
    """Let a person in again; raises RuleBroken NOTHING_CHANGES, NOT_FOUND."""
    staff = find(Staff, staff_id, "staff")
    writing.revise(staff, is_active=True)
    writing.tell(Verb.STAFF_REACTIVATED, writing.now, {"staff": staff}, reason=reason)
    return staff


@action(Act.MANAGE_STAFF)
def set_password(writing: Writing, *, staff_id: UUID, password: str) -> Staff:
    """Set a person's password; the ledger learns that it happened, and nothing of the password.

    Raises RuleBroken VALUE_INVALID for one that is easy to guess, NOT_FOUND.
    """
    staff = find(Staff, staff_id, "staff")
    staff.password = digest_of(password)
    staff.save(force_update=True, update_fields=["password"])
    writing.tell(Verb.STAFF_PASSWORD_SET, writing.now, {"staff": staff})
    return staff


def _role(word: str) -> Role:
    return Role(str(particulars.choice(Role)(word, "role")))


def _require_another_administrator(staff: Staff) -> None:
    others = Staff.objects.filter(role=Role.ADMINISTRATOR, is_active=True).exclude(pk=staff.pk)
    if staff.role == Role.ADMINISTRATOR and staff.is_active and not others.exists():
        raise RuleBroken(
            Code.LAST_ADMINISTRATOR,
            "Nobody else could hand out roles. Make another person administrator first.",
            field="staff",
        )
