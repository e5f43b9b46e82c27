"""What an audit says: what it looked at, what it found, and what entries erased.

All of it is bounded: a ledger that was ruined from end to end makes a long count, not a long list.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from registry.rules.canonical import Json, plain

# Of one layer are listed, and the others counted: so a flood in one hides nothing of another.
LISTED_MAX = 1_000
ERASURES_LISTED_MAX = 10_000
PROGRESS_EVERY = 10_000  # entries, or rows, between two calls of `Progress`

# Called with what is being read ("entries", "rows"), how many are done, and of how many.
Progress: TypeAlias = Callable[[str, int, int], None]


class Unreadable(Exception):
    """The ledger cannot be read to its end, so that nothing can be said of what stands in it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One difference: `layer` says which check saw it, `words` say it to a person.

    `entry` is the index of the entry that is contradicted, or that proves what something contradicts.
    `table` and `key` name the row and `field` its column; `stored` is what stands there and `proved` what
    the ledger proves, both in plain values. Without a field they are the whole row, and None is no row.
    """

    layer: str
    words: str
    entry: int | None = None
    table: str = ""
    key: str = ""
    field: str = ""
    stored: Json = None
    proved: Json = None


@dataclass(frozen=True, slots=True)
class Erasure:
    """A contact whose personal texts an entry erased, in the words of that entry, which name no person.

    `recorded_at` is a time as the ledger writes it, `staff` the key of who did it, None for the system.
    """

    contact: str
    label: str
    location: str
    texts: int  # versions of the contact's text until then, all wiped
    entry: int
    recorded_at: str
    staff: str | None
    face: str

    @property
    def by(self) -> str:
        """Say who erased it as the ledger may say it: never by name."""
        return f"staff member {self.staff[-6:]}" if self.staff else "the system"


@dataclass(slots=True)
class Report:
    """What an audit looked at, and what it found."""

    entries: int = 0
    rows: int = 0
    guards: int = 0
    texts: int = 0  # personal texts, and
    names: int = 0  # names of staff, held against their commitments
    erased: int = 0  # personal texts that were wiped: no finding, but said
    seals: int = 0  # of readings, computed again, and
    readings: int = 0  # those that they bind
    subtrees: int = 0  # of the stored tree, compared
    checkpoints: int = 0  # signatures and roots of the register's own
    kept_size: int = 0  # of the largest checkpoint from outside that held, 0 for none
    key_given: bool = False  # by which checkpoints were checked, from outside
    findings: list[Finding] = field(default_factory=list)  # the first LISTED_MAX of each layer
    counts: Counter[str] = field(default_factory=Counter)  # layer to how many there are, listed or not
    erasures: list[Erasure] = field(default_factory=list)  # the first ERASURES_LISTED_MAX
    erasures_counted: int = 0

    @property
    def found(self) -> int:
        """How many findings there are, listed or not."""
        return self.counts.total()

    @property
    def clean(self) -> bool:
        """Say whether nothing was found."""
        return not self.found

    @property
    def not_excluded(self) -> tuple[str, ...]:
        """What the audit could not see, given what it was brought from outside."""
        if not self.kept_size:
            return (
                "that the newest entries were cut off",
                "that ledger, tables and checkpoints were rewritten together and signed again",
            )
        later = f"that what came after entry {self.kept_size:,} was cut off, or rewritten and signed again"
        if self.key_given:
            return (later,)
        return (later, "that somebody else signed the checkpoint that was given: no public key was given")

    def note(self, finding: Finding) -> None:
        """Count a finding, and list it where its layer is not full."""
        self.counts[finding.layer] += 1
        if self.counts[finding.layer] <= LISTED_MAX:
            self.findings.append(finding)

    def note_erasure(self, erasure: Erasure) -> None:
        """Count an erasure, and list it where there is room."""
        self.erasures_counted += 1
        if self.erasures_counted <= ERASURES_LISTED_MAX:
            self.erasures.append(erasure)


def as_json(report: Report, at: datetime) -> dict[str, Json]:
    """Return a report in plain values, for machines."""
    return {
        "at": plain(at),
        "entries": report.entries,
        "rows": report.rows,
        "guards": report.guards,
        "texts": report.texts,
        "names": report.names,
        "erased": report.erased,
        "seals": report.seals,
        "readings": report.readings,
        "subtrees": report.subtrees,
        "checkpoints": report.checkpoints,
        "kept_size": report.kept_size or None,
        "key_given": report.key_given,
        "erasures_counted": report.erasures_counted,
        "erasures": [
            {
                "contact": e.contact,
                "label": e.label,
                "location": e.location,
                "texts": e.texts,
                "entry": e.entry,
                "recorded_at": e.recorded_at,
                "staff": e.staff,
                "face": e.face,
            }
            for e in report.erasures
        ],
        "found": report.found,
        "counts": dict(report.counts),
        "findings": [
            {
                "layer": f.layer,
                "words": f.words,
                "entry": f.entry,
                "table": f.table,
                "key": f.key,
                "field": f.field,
                "stored": f.stored,
                "proved": f.proved,
            }
            for f in report.findings
        ],
        "not_excluded": list(report.not_excluded),
    }
