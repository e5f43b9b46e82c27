"""What a row of a batch may say, and the bytes by which a reading is sealed."""

import hashlib
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
import rfc8785

from registry.rules.errors import Code
from registry.rules.merkle import leaf_hash
from registry.rules.readings import (
    BATCH_MAX,
    LATE_MAX,
    Report,
    check_size,
    full_hour,
    read_report,
    require_own,
    require_same,
    sealed_bytes,
)
from tests.rules.rule_checks import refused

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
ROW = {"serial": "PB3000018", "measured_at": "2026-03-02T07:30:00Z", "distances_mm": [412, None, 655]}


def read(**changes: Any) -> Report:
    return read_report({**ROW, **changes}, NOW)


def test_a_row_is_read_into_one_canonical_form() -> None:
    assert read(
        serial=" pb3-000018 ",
        measured_at="2026-03-02T02:30:00-05:00",
        temperatures_c=[-18.5, "-18.50", "-0.0", 4, None, 21.0625],
        supply_mv=3600,
        signal_dbm=-97,
        firmware="2.8.1",
    ) == Report(
        "PB3000018",
        datetime(2026, 3, 2, 7, 30, tzinfo=UTC),
        (412, None, 655),
        ("-18.5", "-18.5", "0", "4", None, "21.0625"),
        3600,
        -97,
        "2.8.1",
    )


def test_what_a_device_does_not_measure_is_left_out_or_null() -> None:
    assert read() == read(temperatures_c=None, supply_mv=None, signal_dbm=None, firmware=None)
    assert read(distances_mm=[]).distances_mm == ()
    assert read(distances_mm=[412.0]).distances_mm == (412,)


@pytest.mark.parametrize(
    ("field", "least", "most", "beyond"),
    [
        ("distances_mm", [0], [65_535], [[-1], [65_536], [0.5], [True], ["412"], [[]], [10**400]]),
        ("temperatures_c", ["-100"], [150], [["-100.1"], [150.5], ["1e1"], ["NaN"], [True], [""], ["٣"]]),
        ("temperatures_c", [], [None] * 16, [[None] * 17, "-18", {}, 4, ["0.00001"], [float("inf")]]),
        ("supply_mv", 0, 1_000_000, [-1, 1_000_001, "3600", True, 3.5, [3600], 1e300]),
        ("signal_dbm", -200, 50, [-201, 51, "-97"]),
    ],
)
def test_a_value_that_could_not_have_been_sent_is_refused_by_its_field(
    field: str, least: Any, most: Any, beyond: list[Any]
) -> None:
    for right in (least, most):
        assert read(**{field: right})
    for wrong in beyond:
        with refused(Code.VALUE_INVALID, field):
            read(**{field: wrong})


@pytest.mark.parametrize(
    ("serial", "code"),
    [
        ("", Code.TEXT_INVALID),
        ("PB3\ud800", Code.TEXT_INVALID),
        (3, Code.TEXT_INVALID),
        ("A" * 41, Code.TEXT_INVALID),
    ],
)
def test_a_serial_that_is_none_is_refused(serial: Any, code: Code) -> None:
    assert read(serial="A" * 40).serial == "A" * 40
    with refused(code, "serial"):
        read(serial=serial)


def test_a_time_is_refused_that_has_no_offset_has_not_come_or_is_of_a_clock_that_was_not_set() -> None:
    read(measured_at="2026-03-02T08:02:00Z")
    read(measured_at=(NOW - LATE_MAX).isoformat())
    with refused(Code.TIME_IN_FUTURE, "measured_at"):
        read(measured_at="2026-03-02T08:02:01Z")
    for wrong in (
        (NOW - LATE_MAX - timedelta(seconds=1)).isoformat(),
        "1970-01-01T00:00:00Z",
        "2026-03-02T07:30:00",
        "2026-02-30T07:30:00Z",
        "0001-01-01T00:00:00+23:59",
        "9999-12-31T23:59:59-23:59",
        "2026-W10-1",
        "٢026-03-02T07:30:00Z",
        1_772_436_600,
        {},
    ):
        with refused(Code.TIME_INVALID, "measured_at"):
            read(measured_at=wrong)


def test_a_row_without_what_it_needs_or_with_a_misspelt_field_is_refused() -> None:
    for name in ("serial", "measured_at", "distances_mm"):
        with refused(Code.VALUE_INVALID, name):
            read(**{name: None})
    with refused(Code.VALUE_INVALID, None):
        read(distance_mm=[412])
    for row in (None, 4, "PB3000018", [ROW]):
        with refused(Code.VALUE_INVALID, None):
            read_report(row, NOW)


def test_firmware_is_a_code_or_nothing() -> None:
    assert read(firmware="").firmware == ""
    for wrong in ("2 8", 2.8, "\ud800", "v" * 41):
        with refused(Code.TEXT_INVALID, "firmware"):
            read(firmware=wrong)


def test_a_batch_has_its_limit() -> None:
    check_size(BATCH_MAX)
    with refused(Code.TOO_MANY, "readings"):
        check_size(BATCH_MAX + 1)


def test_a_devices_own_token_reports_for_itself_and_a_gateways_for_all() -> None:
    require_own("PB3000018", "PB3000018")
    require_own("PB3000018", None)
    with refused(Code.OTHER_DEVICE, "serial"):
        require_own("PB3000026", "PB3000018")


def test_a_repeated_report_says_the_same_or_is_refused() -> None:
    require_same(read(temperatures_c=["-18.50"]), read(temperatures_c=[-18.5]))
    with refused(Code.READING_DIFFERS, "measured_at"):
        require_same(read(), read(distances_mm=[412, None, 656]))


def test_an_hour_begins_where_utc_says_so() -> None:
    half_hour_zone = datetime.fromisoformat("2026-03-02T13:45:10+05:30")
    assert full_hour(half_hour_zone) == NOW
    assert full_hour(NOW) == NOW


def test_a_seals_leaf_is_the_rfc_8785_form_of_a_reading() -> None:
    """Against the reference library for RFC 8785, and RFC 9162 section 2.1.1 for the leaf."""
    values = {
        "id": UUID(int=7),
        "serial": "PB3000018",
        "measured_at": NOW,
        "distances_mm": [412, None],
        "temperatures_c": ["-18.5"],
        "supply_mv": None,
        "firmware": "é",
    }
    reference = rfc8785.dumps(
        {**values, "id": "00000000-0000-0000-0000-000000000007", "measured_at": "2026-03-02T08:00:00.000000Z"}
    )

    assert sealed_bytes(values) == reference
    assert leaf_hash(sealed_bytes(values)) == hashlib.sha256(b"\x00" + reference).digest()
