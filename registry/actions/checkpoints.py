"""Checkpoints, made on demand. What they are and how they leave is in `_checkpoints`."""

from registry.actions import _checkpoints
from registry.actions._requests import Actor
from registry.models import Checkpoint, CheckpointDeparture, Staff
from registry.queries.entries import require_whole_ledger
from registry.queries.staff import scope_of
from registry.rules.errors import Code, RuleBroken
from registry.rules.roles import Act, require_act


def make_checkpoint(actor: Actor) -> Checkpoint:
    """Sign the ledger as it stands, send it out, and return the checkpoint; the newest where none is due.

    Raises RuleBroken ROLE_FORBIDS, NOT_ACTIVE, NOT_FOUND for an empty ledger, TREE_DAMAGED, REGISTER_BUSY.
    """
    _require_reader(actor)
    return _checkpoints.newest_or_made()


def checkpoint_of(actor: Actor, index: int | None) -> Checkpoint:
    """Return the newest checkpoint if entry `index` (None: every entry) is in it, else make one.

    Raises as `make_checkpoint`, and NOT_FOUND for an index that the ledger does not have.
    """
    _require_reader(actor)
    return _checkpoints.newest_or_made(index)


def send_checkpoints(actor: Actor) -> list[CheckpointDeparture]:
    """Bring what has not left yet to the places outside; return each try. Raises ROLE_FORBIDS, NOT_ACTIVE."""
    _require_reader(actor)
    return _checkpoints.send_out()


def rebuild_tree(actor: Actor) -> int:
    """Compute the stored tree anew from the entries, up to the last checkpoint; return its size.

    Raises RuleBroken ROLE_FORBIDS, NOT_ACTIVE, REGISTER_BUSY, and TREE_DAMAGED where even so it is not the
    tree that the checkpoint signed: then it is the entries that were altered.
    """
    _require_reader(actor)
    return _checkpoints.rebuild_tree()


def _require_reader(actor: Actor) -> None:
    """Raise RuleBroken unless the system itself or somebody who reads the whole ledger asks."""
    if actor.staff_id is None:
        return
    staff = Staff.objects.filter(pk=actor.staff_id).first()
    if staff is None or not staff.is_active:
        raise RuleBroken(Code.NOT_ACTIVE, "This person is not active. Sign in as somebody who is.")
    scope = scope_of(staff)
    require_act(scope.role, Act.READ_LEDGER)
    require_whole_ledger(scope)
