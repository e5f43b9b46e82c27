"""What may be found in a chain of whereabouts: stable codes, how each weighs, and what to do next."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID


class FindingKind(StrEnum):
    """How a finding weighs, the gravest first."""

    CONTRADICTION = "contradiction"  # two things are said that cannot both be true
    GAP = "gap"  # something is not known
    OPEN = "open"  # something is still to be done or written down


class FindingCode(StrEnum):
    """What was found. A code is a promise: words may change, codes never."""

    # Another record of the serial, judged since, was believed elsewhere at the same time.
    TWO_RECORDS = "two_records"
    # An entry tells that the device went along with a cabinet in which the chain does not have it.
    TOLD_ELSEWHERE = "told_elsewhere"
    # The cabinet went elsewhere during the assignment, and no entry tells that the device went along.
    MOVED_UNSAID = "moved_unsaid"
    # The assignment began while the cabinet stood in a depot.
    HUNG_IN_NO_STORE = "hung_in_no_store"
    # The assignment ran while the register holds no place of the cabinet.
    CABINET_UNKNOWN = "cabinet_unknown"
    # The assignment ran on in a cabinet that had been scrapped.
    CABINET_SCRAPPED = "cabinet_scrapped"
    # Between two places a step is missing that the rules ask for.
    STEP_MISSING = "step_missing"
    # A retired device was somewhere again.
    BACK_AFTER_RETIRED = "back_after_retired"
    # The register holds no place of the device.
    WHEREABOUTS_UNKNOWN = "whereabouts_unknown"
    # The register itself says that nobody knew where the device was.
    LOST = "lost"
    # The device reported while it was assigned to no cabinet.
    REPORTED_UNASSIGNED = "reported_unassigned"
    # A place is only known to have been no later than its start.
    START_KNOWN_BY = "start_known_by"
    # The chain begins elsewhere than in a depot or a van.
    NEVER_RECEIVED = "never_received"
    # An assignment ended by a fault, and the device did not go to its maker.
    FAULT_UNSETTLED = "fault_unsettled"
    # The device is or was at its maker without a return number.
    NO_RETURN_NUMBER = "no_return_number"


_GAPS = frozenset(
    {
        FindingCode.WHEREABOUTS_UNKNOWN,
        FindingCode.LOST,
        FindingCode.REPORTED_UNASSIGNED,
        FindingCode.START_KNOWN_BY,
        FindingCode.NEVER_RECEIVED,
    }
)
_OPEN = frozenset({FindingCode.FAULT_UNSETTLED, FindingCode.NO_RETURN_NUMBER})

TO_DO: dict[FindingCode, str] = {
    FindingCode.TWO_RECORDS: "Compare the serial with the label on each device; put the wrong one right.",
    FindingCode.TOLD_ELSEWHERE: "Ask who moved the cabinet; put right where the device was, or the move.",
    FindingCode.MOVED_UNSAID: "Look where the device hangs; then put right when the cabinet went, or the"
    " assignment.",
    FindingCode.HUNG_IN_NO_STORE: "Compare both times with the work sheet, and put the wrong one right.",
    FindingCode.CABINET_UNKNOWN: "Put right since when the cabinet is known, or the assignment.",
    FindingCode.CABINET_SCRAPPED: "Put right when the device came out, or when the cabinet was scrapped.",
    FindingCode.STEP_MISSING: "Withdraw what came after, and record step by step how it came back.",
    FindingCode.BACK_AFTER_RETIRED: "Compare the serial with the label: a retired serial does not return.",
    FindingCode.WHEREABOUTS_UNKNOWN: "Ask who had it, and put right the end of the one period or the start of"
    " the other.",
    FindingCode.LOST: "When it turns up, record that it was found; if the times are wrong, put them right.",
    FindingCode.REPORTED_UNASSIGNED: "Ask who switched it on, and look where it hangs; then record or put"
    " right its assignment. What it reported stays in the quarantine until then.",
    FindingCode.START_KNOWN_BY: "Put the start right when a paper tells since when; no bill rests on it.",
    FindingCode.NEVER_RECEIVED: "Look for its delivery note and file it: the register begins later.",
    FindingCode.FAULT_UNSETTLED: "Send it to its maker under a return number, or put right why it came out.",
    FindingCode.NO_RETURN_NUMBER: "Ask the maker for the number. While the device is there, withdraw the"
    " period and record it again with the number.",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One gap, contradiction or open end. `until` is None while it lasts, and `since` for one instant."""

    code: FindingCode
    since: datetime
    until: datetime | None
    words: str
    periods: tuple[UUID, ...]

    @property
    def kind(self) -> FindingKind:
        """How it weighs."""
        if self.code in _GAPS:
            return FindingKind.GAP
        return FindingKind.OPEN if self.code in _OPEN else FindingKind.CONTRADICTION

    @property
    def to_do(self) -> str:
        """What to do next."""
        return TO_DO[self.code]
