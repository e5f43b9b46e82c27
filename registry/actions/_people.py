"""Writing people: names leave the ledger as commitments, passwords never come near it."""

import secrets
from collections.abc import Sequence
from uuid import UUID

from django.contrib.auth.hashers import make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from registry.actions._action import Writing
from registry.actions._steps import find, refuse_taken
from registry.models import Depot, Staff, StaffDepot
from registry.rules.commitments import SALT_LENGTH, commitment
from registry.rules.particulars import invalid
from registry.rules.roles import Role
from registry.rules.texts import clean_code, clean_line

DEPOTS_MAX = 200  # depots given to one person


def write_staff(
    writing: Writing, *, username: str, name: str, password: str, role: Role, everywhere: bool
) -> Staff:
    """Write a person; raises RuleBroken CODE_TAKEN, TEXT_INVALID, VALUE_INVALID."""
    username = clean_code(clean_code(username, "username").lower(), "username")  # lower case may be longer
    name = clean_line(name, "name")
    refuse_taken(Staff, "username", username)
    salt = secrets.token_bytes(SALT_LENGTH)
    return writing.insert(
        Staff(
            username=username,
            name=name,
            name_salt=salt,
            name_commitment=commitment(salt, name),
            password=digest_of(password),
            role=role,
            everywhere=everywhere,
        )
    )


def digest_of(password: str) -> str:
    """Return a password's digest; raises RuleBroken VALUE_INVALID for one that is easy to guess."""
    try:
        validate_password(password)
    except ValidationError as error:
        raise invalid("password", " ".join([*error.messages, "Choose another."])) from None
    return make_password(password)


def give_depots(writing: Writing, staff: Staff, depot_ids: Sequence[UUID]) -> list[Depot]:
    """Make exactly these depots a person's; return them. Raises RuleBroken NOT_FOUND, VALUE_INVALID."""
    if len(depot_ids) > DEPOTS_MAX:
        raise invalid(
            "depots", f"A person has at most {DEPOTS_MAX} depots by name. Give them all depots instead."
        )
    depots = [find(Depot, key, "depots") for key in dict.fromkeys(depot_ids)]
    grants = list(StaffDepot.objects.current().filter(staff=staff).order_by("id"))
    wanted, held = {depot.pk for depot in depots}, {grant.depot_id for grant in grants}
    for grant in grants:
        if grant.depot_id not in wanted:
            writing.supersede(grant)
    for depot in depots:
        if depot.pk not in held:
            writing.insert(StaffDepot(staff=staff, depot=depot))
    return depots
