"""The auditor's machine: re-derives every claim of the register from stored rows.

It shares nothing with the journal but the pure rules and the form of an image: entries are read, hashed
and replayed anew, and the tables compared with what the replay says. However long the ledger, it needs
the same memory: what grows with it lies in a scratch file.
"""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from traceback import clear_frames

from django.db import connection, transaction

from registry.ledger import _scratch, guards
from registry.ledger._audit_entries import REPEATED, check_entries
from registry.ledger._audit_readings import check_readings
from registry.ledger._audit_tables import check_contact_texts, check_staff_names, check_tables
from registry.ledger._audit_tree import Kept, Pinned, TreeCheck
from registry.ledger._findings import (
    Erasure,
    Finding,
    Progress,
    Report,
    Unreadable,
    as_json,
)

__all__ = [
    "REPEATED",
    "Erasure",
    "Finding",
    "Kept",
    "Pinned",
    "Progress",
    "Report",
    "Unreadable",
    "as_json",
    "audit",
]


def audit(progress: Progress | None = None, pinned: Pinned | None = None) -> Report:
    """Check guards, entries, tree, checkpoints, tables, commitments and seals against each other.

    All in one snapshot.

    `progress` is told how far it is; `pinned` is what was kept outside: checkpoints, and public keys.
    Nothing is written to the register. Raises Unreadable where the ledger cannot be read to its end,
    OSError and sqlite3.Error where the scratch file cannot be made or has no room.
    """
    report = Report(key_given=bool(pinned and pinned.public_keys))
    with _scratch.opened() as scratch, _snapshot(), closing(TreeCheck(report, pinned or Pinned())) as tree:
        try:
            _check_guards(report)
            tree.begin()
            check_entries(report, scratch, progress, tree.observe)
            tree.finish()
            check_tables(report, scratch, progress)
            check_contact_texts(report, scratch)
            check_staff_names(report)
            check_readings(report)
        except BaseException as error:
            # A stream that was not read to its end holds a cursor on PostgreSQL. Closed some time later by
            # the garbage collector, it would abort whatever transaction the connection is in by then.
            clear_frames(error.__traceback__)
            raise
    return report


@contextmanager
def _snapshot() -> Iterator[None]:
    """Read one state of the database throughout, without keeping writers out."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield
    else:
        # Django would begin IMMEDIATE here and hold the write lock for the whole audit.
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")


def _check_guards(report: Report) -> None:
    report.guards = len(guards.all_guards(connection.vendor))
    for guard in guards.missing(connection):
        words = (
            f"The guard {guard.name} is missing or altered; since when is unknown. Run migrate to restore it,"
            " and compare with a checkpoint kept outside."
        )
        report.note(Finding("guards", words, table=guard.table, key=guard.name))
