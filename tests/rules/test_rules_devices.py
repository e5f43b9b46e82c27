"""Devices and their models: each particular at both sides of its bounds."""

import pytest
from rule_checks import assert_text, assert_whole_number_bounds, assert_words, refused

from registry.rules.devices import (
    MODEL_CORRECTABLE,
    MODEL_FIELDS,
    MODEL_REQUIRED,
    RECEIVED_MAX,
    check_evidence,
    check_provisional,
    check_range,
)
from registry.rules.errors import Code
from registry.rules.whereabouts import DeviceStanding

# Ranges of distance sensors and a weekly report: common practice, no source.
BOUNDS = {
    "sensor_count": (1, 16, ""),
    "blind_zone_mm": (0, 20_000, " mm"),
    "range_mm": (1, 20_000, " mm"),
    "report_interval_min": (1, 10_080, " minutes"),
    "serial_payload_length": (1, 30, ""),
}
WORDS = {
    "principle": "ultrasonic optical",
    "compensates": "yes no unknown",
}
CHECK_METHODS = (
    "none luhn gs1_mod_10 damm verhoeff iso7064_mod_11_2 iso7064_mod_37_2 iso7064_mod_97_10"
    " iso7064_mod_11_10 iso7064_mod_37_36"
)
SCHEME = {
    "serial_prefix",
    "serial_alphabet",
    "serial_payload_length",
    "serial_check_method",
    "serial_check_covers_prefix",
}


def test_a_device_model_has_these_particulars() -> None:
    assert set(MODEL_FIELDS) == {"name", *BOUNDS, *WORDS, *SCHEME}
    assert set(MODEL_FIELDS) - MODEL_REQUIRED == {
        "compensates",
        "serial_prefix",
        "serial_check_covers_prefix",
    }
    assert set(MODEL_FIELDS) >= MODEL_REQUIRED
    assert_text(MODEL_FIELDS["name"], blank=False, length_max=200)
    assert_text(MODEL_FIELDS["serial_prefix"], blank=True, length_max=40)
    assert_text(MODEL_FIELDS["serial_alphabet"], blank=False, length_max=40)


@pytest.mark.parametrize(("field", "bounds"), BOUNDS.items())
def test_a_measure_of_a_device_model_lies_within_its_bounds(field: str, bounds: tuple[int, int, str]) -> None:
    assert_whole_number_bounds(MODEL_FIELDS[field], *bounds)
    with refused(Code.VALUE_INVALID, field):
        MODEL_FIELDS[field](None, field)


@pytest.mark.parametrize(("field", "words"), WORDS.items())
def test_a_word_of_a_device_model_is_one_of_its_kind(field: str, words: str) -> None:
    assert_words(MODEL_FIELDS[field], words)


def test_a_check_method_is_one_that_the_register_knows() -> None:
    for word in CHECK_METHODS.split():
        assert MODEL_FIELDS["serial_check_method"](word, "serial_check_method") == word
    for word in ("", "LUHN", "parity", None):
        with refused(Code.VALUE_INVALID, "serial_check_method"):
            MODEL_FIELDS["serial_check_method"](word, "serial_check_method")


def test_whether_the_check_covers_the_prefix_is_yes_or_no() -> None:
    covers = MODEL_FIELDS["serial_check_covers_prefix"]
    assert covers(True, "covers") is True
    with refused(Code.VALUE_INVALID, "covers"):
        covers("yes", "covers")


def test_the_scheme_by_which_serials_were_judged_is_not_corrected() -> None:
    assert set(MODEL_CORRECTABLE) == set(MODEL_FIELDS) - SCHEME
    assert all(MODEL_CORRECTABLE[name] is MODEL_FIELDS[name] for name in MODEL_CORRECTABLE)


def test_a_delivery_has_a_limit() -> None:
    # Half a megabyte of a ledger entry at about a kilobyte for each device: our own choice.
    assert RECEIVED_MAX == 500


def test_a_sensor_reaches_beyond_its_blind_zone() -> None:
    check_range(200, 201)
    for range_mm in (200, 199, 0):
        with refused(Code.VALUE_INVALID, "range_mm"):
            check_range(200, range_mm)


@pytest.mark.parametrize(
    "standing", [DeviceStanding.CONFIRMED, DeviceStanding.MERGED, DeviceStanding.REJECTED]
)
def test_only_a_provisional_device_is_judged(standing: DeviceStanding) -> None:
    check_provisional(DeviceStanding.PROVISIONAL)
    with refused(Code.NOT_PROVISIONAL, "device") as caught:
        check_provisional(standing)
    assert standing.value in caught.value.message


def test_something_speaks_for_a_device_that_nobody_booked_in() -> None:
    check_evidence("its label names us", "")
    check_evidence("", "0" * 64)
    check_evidence("its label names us", "0" * 64)
    with refused(Code.EVIDENCE_MISSING, "evidence"):
        check_evidence("", "")
