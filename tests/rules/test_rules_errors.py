"""Refusals: a code is a promise to every face, so the list is written out here a second time."""

import pytest

from registry.rules.errors import Code, RuleBroken

CODES = """
text_invalid value_invalid serial_invalid check_invalid scan_invalid scan_ambiguous
not_found code_taken code_repeated parent_cycle
time_invalid time_in_future before_known overlapping_history nothing_changes period_superseded
neighbour_swallowed
device_elsewhere device_not_available device_not_assigned cabinet_not_available slot_taken
slot_needs_reason sensor_count_mismatch location_closed location_occupied account_closed account_occupied
split_not_whole split_invalid
not_provisional evidence_missing reason_missing
other_device reading_differs check_failed check_outdated
count_closed count_open count_incomplete approver_counted
visit_state visit_not_ready cautions_unread
serial_after_cover drilling_forbidden instead_missing photo_invalid photo_too_large
role_forbids last_administrator not_active
already_founded not_founded simulation_refused too_many tree_damaged no_events
register_busy changed_meanwhile predecessor_missing key_reused key_invalid
"""


def test_no_code_was_renamed_or_taken_back() -> None:
    # A new code is added here as well; one that was given out once stays.
    assert sorted(CODES.split()) == sorted(code.value for code in Code)
    for code in Code:
        assert code.name.lower() == code.value


def test_a_refusal_tells_its_words_its_code_its_field_and_its_details() -> None:
    details = {"suggestions": ["RB-7"]}
    refusal = RuleBroken(Code.SERIAL_INVALID, "Look again.", field="serial", details=details)
    assert (refusal.code, refusal.message, refusal.field) == (Code.SERIAL_INVALID, "Look again.", "serial")
    assert str(refusal) == "Look again. [serial_invalid]"
    assert refusal.args == ("Look again.",)
    details.clear()
    assert refusal.details == {"suggestions": ["RB-7"]}


def test_a_refusal_may_name_no_field_and_hold_no_details() -> None:
    refusal = RuleBroken(Code.NOT_FOUNDED, "Found the register first.")
    assert refusal.field is None
    assert refusal.details == {}
    with pytest.raises(TypeError):
        RuleBroken(Code.NOT_FOUNDED, "Found it first.", "field")  # type: ignore[misc]
