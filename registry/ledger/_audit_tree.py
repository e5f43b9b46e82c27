"""The audit of the tree and its checkpoints: what was signed, here and outside, against every leaf anew.

It watches the entries go by, in order, and needs the memory of a frontier and of one chunk of subtrees.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import chain
from uuid import UUID

from django.conf import settings

from registry.ledger._audit_images import readable, stored_bytes
from registry.ledger._findings import Finding, Report
from registry.ledger.images import table_name
from registry.ledger.tree import number_of
from registry.models import Checkpoint, Entry, TreeNode
from registry.rules.canonical import plain
from registry.rules.checkpoints import (
    Signed,
    Statement,
    is_signed,
    public_key_of,
    read_private_key,
    read_record,
)
from registry.rules.merkle import Frontier

CHUNK = 5_000  # subtrees compared, and checkpoints read, at a time


@dataclass(frozen=True, slots=True)
class Kept:
    """A checkpoint that was kept outside the register, under the name of its file."""

    name: str
    signed: Signed


@dataclass(frozen=True, slots=True)
class Pinned:
    """What an auditor brings from outside: checkpoints, and public keys (hexadecimal digits)."""

    checkpoints: Sequence[Kept] = ()
    public_keys: Sequence[str] = ()


@dataclass(slots=True)
class TreeCheck:
    """Checks a tree as its leaves go by: give `observe` each, then call `finish`."""

    report: Report
    pinned: Pinned
    register: UUID | None = None
    frontier: Frontier = field(default_factory=Frontier)
    _tree_size: int = 0
    _nodes: dict[int, bytes] = field(default_factory=dict)
    _stored: "Iterator[Checkpoint]" = field(default_factory=lambda: iter(()))
    _next: Checkpoint | None = None
    _kept: list[tuple[Statement, Kept]] = field(default_factory=list)

    def begin(self) -> None:
        """Read which sizes were signed, and check the signatures of what was brought along."""
        founding = Entry.objects.filter(index=1).values_list("id", flat=True).first()
        self.register = founding if isinstance(founding, UUID) else None
        newest = Checkpoint.objects.order_by("-size").values_list("size", flat=True).first()
        self._tree_size = newest or 0
        self._stored = self._checked(Checkpoint.objects.order_by("size").iterator(chunk_size=CHUNK))
        self._next = next(self._stored, None)
        for kept in self.pinned.checkpoints:
            statement = _statement(kept.signed.record, partial(self._note_kept, kept))
            if statement is None or not self._is_kept_signed(kept, statement):
                continue
            self._kept.append((statement, kept))
        self._kept.sort(key=lambda found: found[0].size)

    def observe(self, index: int, leaf: bytes) -> None:
        """Take the leaf hash of the entry with the next index; signed roots and subtrees are compared."""
        whole = self.frontier.append(leaf)
        if index <= self._tree_size:
            self._nodes |= {number_of(subtree): digest for subtree, digest in whole}
            if len(self._nodes) >= CHUNK:
                self._compare_nodes()
        while self._next is not None and self._next.size <= index:
            if self._next.size == index:
                self._compare_root(self._next)
            else:
                self._note_unreached(self._next)
            self._next = next(self._stored, None)
        while self._kept and self._kept[0][0].size <= index:
            self._compare_kept(*self._kept.pop(0), index)

    def finish(self) -> None:
        """Compare what is left, and name what was signed of entries that are not there."""
        self._compare_nodes()
        for row in chain([self._next] if self._next else [], self._stored):
            self._note_unreached(row)
        for statement, kept in self._kept:
            self._note_kept(
                kept,
                f"it is of {statement.size:,} entries, and the ledger holds {self.frontier.size:,}:"
                " the newest were cut off, or an older state was put back",
                stored=self.frontier.size,
                proved=statement.size,
            )

    def close(self) -> None:
        """Let go of the checkpoints that were not read."""
        self._next, self._stored = None, iter(())

    # --- checkpoints of the register -----------------------------------------------------------------

    def _checked(self, rows: "Iterator[Checkpoint]") -> "Iterator[Checkpoint]":
        """Yield the stored checkpoints, each checked by itself and against the one before."""
        ours = [public_key_of(read_private_key(settings.CHECKPOINT_KEY)), *settings.CHECKPOINT_FORMER_KEYS]
        keys = self.pinned.public_keys or ours
        known = "the public key that was given" if self.pinned.public_keys else "a key that is ours"
        previous: Checkpoint | None = None
        for row in readable(rows, self._note_unreadable):
            self.report.checkpoints += 1
            signed = Signed(*(_text(value) for value in (row.record, row.signature, row.public_key)))
            if not is_signed(signed, keys):
                self._note_row(row, "signature", f"it is not signed by {known}", row.public_key, list(keys))
            statement = _statement(signed.record, partial(self._note_row, row, "record"))
            if statement is not None:
                self._compare_columns(row, statement)
            if previous is not None and row.at and previous.at and row.at <= previous.at:
                words = f"it says that it is of {plain(row.at)}, not after the one before"
                self._note_row(row, "at", words, plain(row.at), None)
            previous = row
            yield row

    def _compare_columns(self, row: Checkpoint, statement: Statement) -> None:
        if statement.register != self.register:
            words = "it is signed for another register"
            self._note_row(row, "record", words, str(self.register), str(statement.register))
        for name, stored, proved in (
            ("size", row.size, statement.size),
            ("root", stored_bytes(row.root).hex(), statement.root.hex()),
            ("at", plain(row.at), plain(statement.at)),
        ):
            if stored != proved:
                words = f"the column {name} says {stored!r}, the signed record {proved!r}"
                self._note_row(row, name, words, stored, proved)

    def _note_unreadable(self, error: Exception) -> None:
        words = f"The checkpoints cannot be read on: a column holds what it cannot have ({error})."
        self.report.note(Finding("checkpoints", words, table=table_name(Checkpoint)))

    def _compare_root(self, row: Checkpoint) -> None:
        root, signed = self.frontier.root(), stored_bytes(row.root)
        if root != signed:
            words = f"the first {row.size:,} entries are not those that it signed"
            self._note_row(row, "root", words, root.hex(), signed.hex())

    def _note_unreached(self, row: Checkpoint) -> None:
        self._note_row(
            row,
            "size",
            f"it signed {row.size:,} entries, and the ledger holds {self.frontier.size:,} up to there",
            self.frontier.size,
            row.size,
        )

    def _note_row(
        self, row: Checkpoint, column: str, words: str, stored: object = None, proved: object = None
    ) -> None:
        self.report.note(
            Finding(
                "checkpoints",
                f"The checkpoint of {row.size:,} entries: {words}.",
                table=table_name(Checkpoint),
                key=str(row.size),
                field=column,
                stored=stored,  # type: ignore[arg-type]
                proved=proved,  # type: ignore[arg-type]
            )
        )

    # --- the stored tree -----------------------------------------------------------------------------

    def _compare_nodes(self) -> None:
        """Compare the subtrees that became whole with those that are stored."""
        self.report.subtrees += len(self._nodes)
        numbers = sorted(self._nodes)
        if not numbers:
            return
        rows = TreeNode.objects.filter(number__gte=numbers[0], number__lte=numbers[-1])
        stored = {
            number: stored_bytes(digest)
            for number, digest in rows.values_list("number", "digest").iterator(chunk_size=CHUNK)
            if number in self._nodes
        }
        for number, digest in self._nodes.items():
            if stored.get(number) != digest:
                found = stored[number].hex() if number in stored else None
                words = f"Subtree {number} of the stored tree is {'missing' if found is None else 'altered'}."
                self.report.note(
                    Finding(
                        "tree",
                        words,
                        table=table_name(TreeNode),
                        key=str(number),
                        field="digest",
                        stored=found,
                        proved=digest.hex(),
                    )
                )
        self._nodes.clear()

    # --- checkpoints that were kept outside ----------------------------------------------------------

    def _is_kept_signed(self, kept: Kept, statement: Statement) -> bool:
        keys = self.pinned.public_keys or [kept.signed.public_key]
        if not is_signed(kept.signed, keys):
            named = "the public key that was given" if self.pinned.public_keys else "the key that it names"
            self._note_kept(kept, f"it is not signed by {named}", kept.signed.public_key, list(keys))
            return False
        if statement.register != self.register:
            words = "it is of another register, or this register's first entry was replaced"
            self._note_kept(kept, words, str(self.register), str(statement.register))
            return False
        return True

    def _compare_kept(self, statement: Statement, kept: Kept, index: int) -> None:
        if statement.size != index:
            # That entry is missing, which another finding says.
            words = f"the ledger has no entry {statement.size:,}, the last of those that it signed"
            self._note_kept(kept, words, None, statement.size)
        elif self.frontier.root() != statement.root:
            self._note_kept(
                kept,
                f"the first {statement.size:,} entries are not those that were signed then: history was"
                " rewritten",
                self.frontier.root().hex(),
                statement.root.hex(),
            )
        else:
            self.report.kept_size = max(self.report.kept_size, statement.size)

    def _note_kept(self, kept: Kept, words: str, stored: object = None, proved: object = None) -> None:
        self.report.note(
            Finding(
                "kept",
                f"The checkpoint in {kept.name}: {words}.",
                key=kept.name,
                stored=stored,  # type: ignore[arg-type]
                proved=proved,  # type: ignore[arg-type]
            )
        )


def _statement(record: str, note: Callable[[str], None]) -> Statement | None:
    """Return what a record says; None, and `note` is told why, where it cannot be read."""
    try:
        return read_record(record)
    except ValueError as error:
        note(f"its record cannot be read ({error})")
        return None


def _text(value: object) -> str:
    """Return what stands in a column of text, of whatever kind SQLite gave it back."""
    return stored_bytes(value).decode(errors="replace")
