"""Refusals: what the register will not do, each with a stable code."""

from collections.abc import Mapping
from enum import StrEnum


class Code(StrEnum):
    """Stable codes of refusals. A code is a promise to every face: words may change, codes never."""

    # What was typed or scanned
    TEXT_INVALID = "text_invalid"  # blank, too long, or holding characters that are no text
    VALUE_INVALID = "value_invalid"  # a number, choice or identifier out of its range
    SERIAL_INVALID = "serial_invalid"  # not of the model's serial scheme; details hold suggestions
    CHECK_INVALID = "check_invalid"  # a published identifier whose check digit does not fit
    SCAN_INVALID = "scan_invalid"  # a scanned code that cannot be read as one
    SCAN_AMBIGUOUS = "scan_ambiguous"  # a scanned code that names no single thing

    # Identity
    NOT_FOUND = "not_found"  # absent, or hidden from this person
    CODE_TAKEN = "code_taken"  # another thing has this code, number, tag or serial
    CODE_REPEATED = "code_repeated"  # the same code twice within one request
    PARENT_CYCLE = "parent_cycle"  # an account cannot stand above itself

    # Time
    TIME_INVALID = "time_invalid"  # a time without its offset, or a period that ends before it starts
    TIME_IN_FUTURE = "time_in_future"  # later than the clock allows
    BEFORE_KNOWN = "before_known"  # before the thing is known to have existed
    OVERLAPPING_HISTORY = "overlapping_history"  # the register already holds something later or else
    NOTHING_CHANGES = "nothing_changes"  # the register already says so
    PERIOD_SUPERSEDED = "period_superseded"  # the period was corrected or withdrawn meanwhile
    NEIGHBOUR_SWALLOWED = "neighbour_swallowed"  # a moved boundary would leave nothing of a neighbour

    # Whereabouts
    DEVICE_ELSEWHERE = "device_elsewhere"  # it hangs in another cabinet, or another person's van has it
    DEVICE_NOT_AVAILABLE = "device_not_available"  # retired, lost, in repair, or not confirmed
    DEVICE_NOT_ASSIGNED = "device_not_assigned"  # it hangs in no cabinet then
    CABINET_NOT_AVAILABLE = "cabinet_not_available"  # scrapped, or standing in no store
    SLOT_TAKEN = "slot_taken"  # another device hangs in this slot
    SLOT_NEEDS_REASON = "slot_needs_reason"  # a second device in one cabinet is explained
    SENSOR_COUNT_MISMATCH = "sensor_count_mismatch"  # the device's sensors are not the cabinet's
    LOCATION_CLOSED = "location_closed"
    LOCATION_OCCUPIED = "location_occupied"  # cabinets still stand there, so it cannot close
    ACCOUNT_CLOSED = "account_closed"
    ACCOUNT_OCCUPIED = "account_occupied"  # locations or accounts below it are still open

    # Splits
    SPLIT_NOT_WHOLE = "split_not_whole"  # shares do not add to exactly 100 %
    SPLIT_INVALID = "split_invalid"  # no share, a share of nothing, too many, or a product twice

    # Provisional devices
    NOT_PROVISIONAL = "not_provisional"  # it was confirmed, merged or rejected before
    EVIDENCE_MISSING = "evidence_missing"  # a provisional device needs a reason or a photo
    REASON_MISSING = "reason_missing"  # rewriting history is explained

    # Visits
    VISIT_STATE = "visit_state"  # a visit in this state takes no such step
    VISIT_NOT_READY = "visit_not_ready"  # authority or a survey is missing, and no reason is given
    CAUTIONS_UNREAD = "cautions_unread"  # somebody has yet to acknowledge them as they now read

    # Counts
    COUNT_CLOSED = "count_closed"  # nothing is recorded in it any more
    COUNT_OPEN = "count_open"  # people still count, so nobody is told what is expected
    COUNT_INCOMPLETE = "count_incomplete"  # somebody has yet to look somewhere
    APPROVER_COUNTED = "approver_counted"  # nobody decides on what they counted themselves

    # Mountings and photos
    SERIAL_AFTER_COVER = "serial_after_cover"  # the cover was closed before the serial was taken
    DRILLING_FORBIDDEN = "drilling_forbidden"  # a hole in a wall that may hold tubes
    INSTEAD_MISSING = "instead_missing"  # nobody said what was used where nobody drills
    PHOTO_INVALID = "photo_invalid"  # no whole picture of a known kind
    PHOTO_TOO_LARGE = "photo_too_large"  # too many bytes or pixels
    # Readings
    OTHER_DEVICE = "other_device"  # a device's own token reports for another
    READING_DIFFERS = "reading_differs"  # another report of this device and time says something else

    # Acceptance
    CHECK_FAILED = "check_failed"  # a failed check is not signed off
    CHECK_OUTDATED = "check_outdated"  # checked again, or hung otherwise, since

    # People
    ROLE_FORBIDS = "role_forbids"
    LAST_ADMINISTRATOR = "last_administrator"  # somebody must remain who can hand out roles
    NOT_ACTIVE = "not_active"  # the person has left, or was never let in

    # The register itself
    ALREADY_FOUNDED = "already_founded"
    NOT_FOUNDED = "not_founded"
    SIMULATION_REFUSED = "simulation_refused"  # a real entry exists, so the clock is not ours to set
    TOO_MANY = "too_many"  # a list longer than its limit
    TREE_DAMAGED = "tree_damaged"  # the ledger's tree is not the one that the last checkpoint signed
    NO_EVENTS = "no_events"  # an EPCIS document tells of at least one event

    # Requests
    REGISTER_BUSY = "register_busy"  # others wrote for too long; send the same again
    CHANGED_MEANWHILE = "changed_meanwhile"  # not what the caller saw any more
    PREDECESSOR_MISSING = (
        "predecessor_missing"  # the change before it was not carried out, or is of another thing
    )
    KEY_REUSED = "key_reused"  # one idempotency key for two different requests
    KEY_INVALID = "key_invalid"  # an idempotency key that cannot be one


# What a thing is called where a field is named after the part that it plays.
NOUNS = {"cabinets_to": "depot", "devices_to": "depot", "into": "device", "parent": "account", "to": "depot"}


class RuleBroken(Exception):
    """A refusal: nothing was written.

    `code` is stable; `message` is one or two plain sentences, the last of which says what to do;
    `field` names the argument at fault, or None; `details` holds plain values (str, int, bool,
    None, and lists or dicts of them) that a face may show, such as `suggestions`.
    """

    def __init__(
        self,
        code: Code,
        message: str,
        *,
        field: str | None = None,
        details: Mapping[str, object] | None = None,
    ) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.field = field
        self.details: dict[str, object] = dict(details or {})

    def __str__(self) -> str:
        return f"{self.message} [{self.code}]"


def absent(field: str | None, noun: str | None = None) -> RuleBroken:
    """Return the refusal of a thing that is not there, or that this person may not see: they look alike."""
    called = noun or NOUNS.get(field or "", (field or "thing").removesuffix("_id").replace("_", " "))
    return RuleBroken(Code.NOT_FOUND, f"There is no such {called}. Look it up again.", field=field)
