"""Founding the register."""

from registry.actions._action import Writing, action
from registry.actions._people import write_staff
from registry.models import Staff
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.roles import Role


@action(None)
def found_register(writing: Writing, *, username: str, name: str, password: str) -> Staff:
    """Write entry 1: the register begins, with a first administrator for all depots.

    Raises RuleBroken ALREADY_FOUNDED, TEXT_INVALID, VALUE_INVALID.
    """
    if writing.head.index:
        raise RuleBroken(
            Code.ALREADY_FOUNDED, "This register has begun already. Use an empty database to begin another."
        )
    staff = write_staff(
        writing, username=username, name=name, password=password, role=Role.ADMINISTRATOR, everywhere=True
    )
    writing.tell(Verb.REGISTER_FOUNDED, writing.now, {"staff": staff})
    return staff
