"""How a checkpoint is made and leaves the machine.

It is no entry of the ledger: it is a statement about entries. Were it one, each would put the last one
out of date, and an auditor, who changes nothing, could not ask for it.
"""

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from django.conf import settings
from django.db import OperationalError, transaction

from registry.actions import _outside
from registry.actions._open import opened
from registry.ledger import clock, journal, tree
from registry.models import Checkpoint, CheckpointDeparture, Entry, TreeNode
from registry.queries.checkpoints import newest_checkpoint, not_yet_at
from registry.queries.moments import head_index
from registry.rules.checkpoints import Statement, read_private_key, sign
from registry.rules.errors import Code, RuleBroken, absent
from registry.rules.merkle import Frontier

logger = logging.getLogger(__name__)


@contextmanager
def busy_refused() -> Iterator[None]:
    """Raise RuleBroken REGISTER_BUSY where others hold the ledger lock for as long as we wait."""
    try:
        yield
    except OperationalError as error:
        if journal.is_lock_timeout(error):
            raise RuleBroken(
                Code.REGISTER_BUSY,
                "Others are writing, perhaps this very request. Wait a moment and send it again.",
            ) from error
        raise


def newest_or_made(index: int | None = None) -> Checkpoint:
    """Return the newest checkpoint if it is of entry `index` (the head unless told), else make one.

    A new one is sent out at once. Raises RuleBroken NOT_FOUND for an empty ledger or an index that it
    does not have, TREE_DAMAGED where the ledger does not go on from the last checkpoint, REGISTER_BUSY.
    """
    with busy_refused(), opened():
        before = newest_checkpoint()
        head = head_index()
        if not head:
            raise RuleBroken(
                Code.NOT_FOUND, "The ledger has no entry yet, so nothing can be signed. Found the register."
            )
        if not 1 <= (wanted := head if index is None else index) <= head:
            raise absent("entry")
        if before is not None and before.size >= wanted:
            return before
        frontier = _frontier_of(before)
        tree.grow(frontier, head)  # the long part, before the lock
        made = _sign_head()
    send_out()
    return made


def _sign_head() -> Checkpoint:
    with transaction.atomic(durable=True):
        journal.lock()
        before, head = newest_checkpoint(), head_index()
        if before is not None and before.size == head:
            return before  # somebody else was faster
        # Read anew: what was grown before the lock is checked by reading it, and the rest is little.
        frontier = _frontier_of(before)
        tree.grow(frontier, head)
        founding, newest = (Entry.objects.only("id", "recorded_at").get(pk=index) for index in (1, head))
        at = max(clock.now(), newest.recorded_at)
        if before is not None:
            at = max(at, before.at + journal.TICK)
        statement = Statement(founding.id, head, frontier.root(), at)
        signed = sign(read_private_key(settings.CHECKPOINT_KEY), statement)
        checkpoint = Checkpoint(
            size=head,
            root=statement.root,
            at=at,
            record=signed.record,
            signature=signed.signature,
            public_key=signed.public_key,
        )
        checkpoint.save(force_insert=True)
        return checkpoint


def _frontier_of(checkpoint: Checkpoint | None) -> Frontier:
    """Return where the tree stands; raises RuleBroken TREE_DAMAGED unless the checkpoint signed just that."""
    if checkpoint is None:
        return Frontier()
    frontier = tree.frontier_at(checkpoint.size)
    if frontier.root() != bytes(checkpoint.root):
        raise tree.damaged()
    return frontier


def rebuild_tree() -> int:
    """Write the tree up to the newest checkpoint anew; raises RuleBroken TREE_DAMAGED, REGISTER_BUSY."""
    with busy_refused(), opened(), transaction.atomic(durable=True):
        journal.lock()
        newest = newest_checkpoint()
        size = newest.size if newest else 0
        TreeNode.objects.all().delete()
        frontier = Frontier()
        tree.grow(frontier, size)
        if newest is not None and frontier.root() != bytes(newest.root):
            raise tree.damaged()
        return size


def checkpoint_when_due(index: int) -> None:
    """Make a checkpoint where entry `index` is one after which one is due.

    The entry stands already, and whoever wrote it is answered: what goes wrong here is logged, and the
    console says how long ago the last checkpoint left.
    """
    if settings.CHECKPOINT_EVERY and index % settings.CHECKPOINT_EVERY == 0:
        try:
            newest_or_made()
        except (RuleBroken, OperationalError):
            logger.exception("no checkpoint was made after entry %s", index)


def send_out() -> list[CheckpointDeparture]:
    """Bring every checkpoint that has not left yet to each place outside; return the tries, oldest first.

    A place far away that fails is not tried again for the rest of this call.
    """
    tries: list[CheckpointDeparture] = []
    for place in _outside.places():
        for checkpoint in not_yet_at(place.name):
            problem = place.take(checkpoint)
            departure = CheckpointDeparture(
                checkpoint=checkpoint, to=place.name, tried_at=clock.now(), problem=problem
            )
            with opened():
                departure.save(force_insert=True)
            tries.append(departure)
            if problem:
                logger.error("checkpoint %s did not leave for %s: %s", checkpoint.size, place.name, problem)
                if place.is_remote:
                    break
    return tries
