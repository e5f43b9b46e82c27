"""The audit's memory: a file of its own beside the register, so that a ledger of any length fits.

Of each row the ledger proves, it holds the entry that last wrote it and the digest of the image there:
the image itself is read from that entry again where somebody asks. No personal text ever comes here.
"""

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import NamedTuple

CACHE_KIB = 32 * 1024  # of the file that SQLite keeps in memory, however long the file grows

_TABLES = """
CREATE TABLE proved (name TEXT, key TEXT, entry INTEGER, digest BLOB, seen INTEGER DEFAULT 0,
    PRIMARY KEY (name, key)) WITHOUT ROWID;
CREATE TABLE committed (contact TEXT, commitment TEXT, seen INTEGER DEFAULT 0,
    PRIMARY KEY (contact, commitment)) WITHOUT ROWID;
CREATE TABLE erased (contact TEXT PRIMARY KEY) WITHOUT ROWID;
"""


class Left(NamedTuple):
    """How the ledger leaves a row: by which entry, and the digest of the image there."""

    entry: int
    digest: bytes


class Scratch:
    """What the ledger proves of rows and personal texts, by key; on disk."""

    def __init__(self, file: sqlite3.Connection) -> None:
        """Take a file that holds nothing yet."""
        self.file = file
        # Nobody else reads it and nobody ever mends it: no journal, no sync, one transaction to the end.
        file.execute("PRAGMA journal_mode = OFF")
        file.execute("PRAGMA synchronous = OFF")
        file.execute("PRAGMA locking_mode = EXCLUSIVE")
        file.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        file.executescript(_TABLES)
        file.execute("BEGIN")

    # --- rows ---

    def left(self, name: str, key: str) -> Left | None:
        """Return how the entries so far leave a row, None where none of them wrote it."""
        found = self.file.execute("SELECT entry, digest FROM proved WHERE name = ? AND key = ?", (name, key))
        row = found.fetchone()
        return Left(*row) if row else None

    def leave(self, name: str, key: str, left: Left) -> None:
        """Remember how an entry leaves a row."""
        self.file.execute(
            "INSERT INTO proved (name, key, entry, digest) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (name, key) DO UPDATE SET entry = excluded.entry, digest = excluded.digest",
            (name, key, *left),
        )

    def see(self, name: str, key: str) -> Left | None:
        """Return how the ledger leaves a row, which a table holds."""
        left = self.left(name, key)
        if left is not None:
            self.file.execute("UPDATE proved SET seen = 1 WHERE name = ? AND key = ?", (name, key))
        return left

    def see_all(self, name: str) -> None:
        """Ask for no further row of a table."""
        self.file.execute("UPDATE proved SET seen = 1 WHERE name = ?", (name,))

    def unseen(self) -> Iterator[tuple[str, str, Left]]:
        """Yield table, key and state of each row that no table was seen to hold, in order."""
        query = "SELECT name, key, entry, digest FROM proved WHERE NOT seen ORDER BY name, key"
        for name, key, entry, digest in self.file.execute(query):
            yield name, key, Left(entry, digest)

    # --- personal texts ---

    def commit(self, contact: str, commitment: str) -> None:
        """Remember a commitment to a text of a contact."""
        self.file.execute(
            "INSERT OR IGNORE INTO committed (contact, commitment) VALUES (?, ?)", (contact, commitment)
        )

    def commitments(self, contact: str) -> int:
        """Return how many texts of a contact the entries so far committed to."""
        found = self.file.execute("SELECT count(*) FROM committed WHERE contact = ?", (contact,))
        count: int = found.fetchone()[0]
        return count

    def see_text(self, contact: str, commitment: str) -> bool:
        """Say whether an entry committed to a text, which the table holds."""
        seen = self.file.execute(
            "UPDATE committed SET seen = 1 WHERE contact = ? AND commitment = ?", (contact, commitment)
        )
        return seen.rowcount == 1

    def erase(self, contact: str) -> bool:
        """Remember that an entry erased a contact; say whether it was the first."""
        done = self.file.execute("INSERT OR IGNORE INTO erased (contact) VALUES (?)", (contact,))
        return done.rowcount == 1

    def is_erased(self, contact: str) -> bool:
        """Say whether an entry erased a contact."""
        found = self.file.execute("SELECT 1 FROM erased WHERE contact = ?", (contact,))
        return found.fetchone() is not None

    def see_all_texts(self) -> None:
        """Ask for no further text."""
        self.file.execute("UPDATE committed SET seen = 1")

    def texts_gone(self) -> Iterator[str]:
        """Yield the contact of each text that no table was seen to hold, although none was erased."""
        query = (
            "SELECT contact FROM committed WHERE NOT seen AND contact NOT IN (SELECT contact FROM erased)"
            " ORDER BY contact, commitment"
        )
        for (contact,) in self.file.execute(query):
            yield contact


@contextmanager
def opened() -> Iterator[Scratch]:
    """Give a fresh memory in the system's folder for temporary files (TMPDIR names it); then remove it.

    Raises OSError where no file can be made, sqlite3.Error where the disk is full.
    """
    handle, path = tempfile.mkstemp(prefix="rimebook-audit-", suffix=".sqlite3")
    os.close(handle)
    try:
        file = sqlite3.connect(path, isolation_level=None)
        # Where the system lets an open file lose its name, the space is given back however we end.
        with suppress(OSError):
            os.unlink(path)
        try:
            yield Scratch(file)
        finally:
            file.close()
    finally:
        with suppress(FileNotFoundError):
            os.unlink(path)
