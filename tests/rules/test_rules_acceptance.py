"""May the installer leave? Each finding beside an installation that differs in nothing else and has none."""

from dataclasses import replace
from datetime import UTC, date, datetime
from math import sqrt

import pytest
from judging import FACTS, HUNG, MINUTE, codes, evidence, heard, judged
from rule_checks import load_vectors, refused

from registry.rules.acceptance import (
    Code,
    Evidence,
    Finding,
    Result,
    Severity,
    billing_start,
    check_tape,
    judge,
    result_of,
)
from registry.rules.acceptance.evidence import ECHO_U_MM, scale_uncertainty
from registry.rules.accounts import BillingStart
from registry.rules.canonical import canonical_bytes
from registry.rules.devices import Compensation, Principle
from registry.rules.echo import reported_mm
from registry.rules.errors import Code as Refusal

TAPE = (900, 600, 300)
STEADY = [(901, 599, 300), (899, 601, 302), (900, 600, 299)]


def found(known: Evidence, code: Code) -> Finding:
    [finding] = [finding for finding in judge(known).findings if finding.code is code]
    return finding


def long_by(percent: float, tape: tuple[int, ...] = TAPE) -> list[tuple[int, ...]]:
    return [tuple(round(figure * (1 + percent / 100)) + jitter for figure in tape) for jitter in (0, 1, -1)]


def test_an_installation_that_agrees_with_the_tape_passes() -> None:
    judgement = judge(evidence(STEADY, TAPE))

    assert (judgement.result, judgement.findings, judgement.advice) == (Result.PASS, (), ())


def test_the_gravest_finding_decides() -> None:
    note = Finding(Code.SUPPLY_LOW, Severity.NOTE, "Low.", "Look.")
    fail = Finding(Code.REPORT_MISSING, Severity.FAIL, "None.", "Wait.")

    assert result_of([]) is Result.PASS
    assert result_of([note]) is Result.PASS_WITH_NOTE
    assert result_of([note, fail]) is Result.FAIL


# --- reports -------------------------------------------------------------------------------------------


def test_nothing_came_so_one_waits_first_and_then_looks_at_supply_antenna_and_label() -> None:
    early = evidence([], TAPE, now=HUNG + 30 * MINUTE)
    late = evidence([], TAPE, now=HUNG + 31 * MINUTE)

    assert judged(early) == judged(late) == ["report_missing"]
    assert "Wait" in found(early, Code.REPORT_MISSING).next_step
    assert "antenna" in found(late, Code.REPORT_MISSING).next_step


def test_a_report_is_late_after_two_intervals() -> None:
    newest = evidence(STEADY).reports[-1].measured_at

    assert judged(evidence(STEADY, TAPE, now=newest + 30 * MINUTE)) == []
    late = evidence(STEADY, TAPE, now=newest + 31 * MINUTE)
    assert judged(late) == ["report_late"]
    assert found(late, Code.REPORT_LATE).figures["age_min"] == 31


def test_a_report_that_took_long_is_noted_and_one_from_before_the_installation_does_not_count() -> None:
    known = evidence(STEADY, TAPE)
    slow = replace(known.reports[-1], received_at=known.reports[-1].measured_at + 31 * MINUTE)
    delayed = replace(known, reports=(*known.reports[:-1], slow), now=slow.measured_at + 30 * MINUTE)
    old = heard(-3, (900, 600, 300), received_at=HUNG + MINUTE)
    only_old = replace(known, reports=(), buffered=(old,))

    assert found(delayed, Code.REPORT_LATE).severity is Severity.NOTE
    assert found(only_old, Code.REPORT_LATE).severity is Severity.FAIL
    assert found(only_old, Code.REPORT_LATE).figures == {"delay_min": 29}
    assert codes(judge(only_old)) == ["report_late"]


def test_another_device_that_begins_to_report_in_the_stead_of_the_assigned_one_is_named() -> None:
    silent = evidence([], TAPE)
    stranger = replace(silent, strangers=("PB3000025",))

    assert judged(silent) == ["report_missing"]
    assert judged(stranger) == ["report_missing", "wrong_device"]
    assert "PB3000025" in found(stranger, Code.WRONG_DEVICE).words
    assert judged(replace(evidence(STEADY, TAPE), strangers=("PB3000025",))) == []


def test_a_report_of_more_sensors_than_the_model_has_is_of_another_device() -> None:
    assert judged(evidence([(*row, 500) for row in STEADY], TAPE)) == ["wrong_device"]


# --- sensors -------------------------------------------------------------------------------------------


def test_a_lost_echo_does_no_harm_and_a_sensor_that_never_speaks_is_missing() -> None:
    once = [(900, None, 300), *STEADY[1:]]
    never = [(a, None, c) for a, _, c in STEADY]
    short = [(a, b) for a, b, _ in STEADY]

    assert judged(evidence(once, TAPE)) == []
    assert found(evidence(never, TAPE), Code.SENSOR_MISSING).sensor == 2
    assert found(evidence(short, TAPE), Code.SENSOR_MISSING).sensor == 3


def test_one_dead_sensor_of_five_is_noted_and_one_of_three_keeps_the_installer() -> None:
    five = evidence([(900, 600, None, 500, 400)] * 3, (900, 600, 300, 500, 400), sensor_order=(1, 2, 3, 4, 5))
    three = evidence([(900, 600, None)] * 3, TAPE)

    assert judge(five).result is Result.PASS_WITH_NOTE
    assert "not measured" in found(five, Code.SENSOR_MISSING).next_step
    assert judge(three).result is Result.FAIL


def test_a_sensor_is_named_by_its_place_and_by_the_port_that_is_recorded_for_it() -> None:
    never = [(None, b, c) for _, b, c in STEADY]
    known = evidence(never, (300, 600, 900), sensor_order=(3, 2, 1))

    finding = found(known, Code.SENSOR_MISSING)
    assert (finding.sensor, finding.words.split(" heard")[0]) == (3, "Sensor 3 (port 1)")


@pytest.mark.parametrize(
    ("third", "tape", "at"),
    [(149, None, "149 mm"), (300, 149, "149 mm"), (1_246, None, "1220 mm below the rail")],
    ids=["nearer than it can", "taped nearer than it can", "below the floor"],
)
def test_a_distance_that_cannot_be_measured_there_is_out_of_range(
    third: int, tape: int | None, at: str
) -> None:
    known = evidence([(900, 600, third)] * 3, (900, 600, tape), air="-15.0", principle=Principle.OPTICAL)
    finding = found(known, Code.SENSOR_OUT_OF_RANGE)

    assert (finding.sensor, finding.severity) == (3, Severity.FAIL)
    assert at in finding.words
    assert "tape_disagrees" not in judged(known)


def test_what_can_just_be_measured_is_in_range() -> None:
    for third in (150, 1_245):
        known = evidence([(900, 600, third)] * 3, None, principle=Principle.OPTICAL)
        assert judged(known) == [], third


def test_a_sensor_that_says_the_same_against_the_tape_is_stuck_from_the_fourth_time_on() -> None:
    rows = [(900 + n, 430, 300 - n) for n in range(4)]

    assert judged(evidence(rows[:3], TAPE)) == ["tape_disagrees"]
    assert judged(evidence(rows, TAPE)) == ["sensor_stuck"]
    assert found(evidence(rows, TAPE), Code.SENSOR_STUCK).severity is Severity.FAIL


def test_a_quiet_sensor_among_moving_ones_is_noted_only_after_long() -> None:
    rows = [(900 + n % 3, 600, 300 - n % 3) for n in range(8)]

    assert judged(evidence(rows[:7], TAPE)) == []
    assert found(evidence(rows, TAPE), Code.SENSOR_STUCK).severity is Severity.NOTE
    # Where all are quiet, quiet is how this model is.
    assert judged(evidence([(900, 600, 300)] * 8, TAPE)) == []


# --- tape ----------------------------------------------------------------------------------------------


def test_the_tape_agrees_within_its_tolerance_and_not_beyond() -> None:
    off = {"principle": Principle.OPTICAL}

    for by in (25, -25):
        assert judged(evidence([(900, 600 + by, 300)] * 3, TAPE, **off)) == [], by
    for by in (26, -26):
        known = evidence([(900, 600 + by, 300)] * 3, TAPE, **off)
        assert found(known, Code.TAPE_DISAGREES).sensor == 2, by


def test_colder_air_below_the_rail_may_lengthen_a_reading_and_never_shortens_it() -> None:
    """1100 mm below a rail at +5 degrees with -15 at the floor reads 20 mm long (ISO 9613-1, integrated)."""
    tape = (1_100, 1_000, 900)

    assert judged(evidence([(1_142, 1_000, 900)] * 3, tape, air="5.0")) == []
    assert judged(evidence([(1_147, 1_000, 900)] * 3, tape, air="5.0")) == ["tape_disagrees"]
    assert judged(evidence([(1_074, 1_000, 900)] * 3, tape, air="5.0")) == ["tape_disagrees"]


def test_an_installation_without_the_tape_is_noted_and_a_look_beforehand_is_not() -> None:
    some = evidence(STEADY, (900, None, 300))

    assert found(some, Code.TAPE_MISSING).figures == {"sensors": [2]}
    assert judge(some).result is Result.PASS_WITH_NOTE
    assert judged(evidence(STEADY)) == []
    assert any("tape" in advice for advice in judge(evidence(STEADY)).advice)


def test_a_device_that_takes_the_air_to_be_warm_is_found_at_the_published_figures() -> None:
    for case in load_vectors("echo")["uncompensated"]:
        if not -20 <= case["air_c"] <= 0:
            continue
        reads = [round(case["reads"][true]) for true in ("1000", "600", "300")]
        rows = [[read + jitter for read in reads] for jitter in (0, 1, -1)]
        known = evidence(rows, (1_000, 600, 300), air=f"{case['air_c']}.0", compensates=Compensation.UNKNOWN)
        assert judged(known) == ["uncompensated"], case
        assert judge(known).result is Result.PASS_WITH_NOTE


def test_the_words_say_how_long_at_what_air_and_what_to_do() -> None:
    tape = (None, None, 1_000)
    rows = [(700, 500, round(reported_mm(1_000, -11.0)) + jitter) for jitter in (0, 1, -1)]
    finding = found(evidence(rows, tape, air="-11.0", compensates=Compensation.UNKNOWN), Code.UNCOMPENSATED)

    assert finding.words == (
        "Sensor 3 reads 6 % long at -11 degC: this device model does not compensate for temperature."
    )
    assert finding.next_step == "Mark the model, or re-tape."
    assert finding.sensor == 3


def test_a_model_that_is_marked_is_compensated_once_and_a_wrong_mark_is_found() -> None:
    as_warm, as_is = long_by(5.55), STEADY

    assert judged(evidence(as_warm, TAPE, compensates=Compensation.NO)) == []
    assert judged(evidence(as_is, TAPE, compensates=Compensation.NO)) == ["compensates_already"]
    claimed = evidence(as_warm, TAPE, compensates=Compensation.YES)
    assert "marked as one that does" in found(claimed, Code.UNCOMPENSATED).words
    assert judged(evidence(as_is, TAPE, compensates=Compensation.UNKNOWN)) == []


def test_light_knows_no_temperature_and_a_scale_beyond_that_of_sound_is_told_sensor_by_sensor() -> None:
    light = evidence(long_by(5.55), TAPE, principle=Principle.OPTICAL, compensates=Compensation.UNKNOWN)
    beyond = evidence(long_by(15), TAPE, compensates=Compensation.UNKNOWN)

    assert judged(light) == judged(beyond) == ["tape_disagrees"]


def test_in_a_warm_cabinet_it_is_advised_rather_than_found() -> None:
    warm = evidence(long_by(0.9), TAPE, air="15.0", compensates=Compensation.UNKNOWN)

    assert judged(warm) == []
    assert any("compensates" in advice for advice in judge(warm).advice)


def test_swapped_cables_are_found_with_the_order_that_they_measure_like() -> None:
    known = evidence([(a, c, b) for a, b, c in STEADY], TAPE)
    finding = found(known, Code.ORDER_SWAPPED)

    assert judged(known) == ["order_swapped"]
    assert (finding.figures["recorded"], finding.figures["measured"]) == ("1 2 3", "1 3 2")
    assert judged(evidence([(a, c, b) for a, b, c in STEADY], TAPE, sensor_order=(1, 3, 2))) == []


def test_three_cables_in_a_ring_and_a_device_that_does_not_compensate_are_told_apart() -> None:
    rows = [(c, a, b) for a, b, c in long_by(5.55)]
    known = evidence(rows, TAPE, compensates=Compensation.UNKNOWN)

    assert judged(known) == ["order_swapped", "uncompensated"]
    assert found(known, Code.ORDER_SWAPPED).figures["measured"] == "2 3 1"


def test_swapped_cables_over_the_same_distance_do_not_show_and_a_board_is_advised() -> None:
    level = judge(evidence([(900, 901, 899)] * 3, (900, 900, 900)))

    assert level.result is Result.PASS
    assert any("board" in advice for advice in level.advice)


def test_the_scale_is_as_uncertain_as_the_law_of_propagation_says() -> None:
    """JCGM 100:2008, 5.1.2: u^2 is the sum of the squared sensitivities times u; here by differences."""
    tapes = [900.0, 600.0, 300.0]

    def scale(said: list[float]) -> float:
        return sum(s * t for s, t in zip(said, tapes, strict=True)) / sum(t * t for t in tapes)

    moved = [[t + (1.0 if at == n else 0.0) for at, t in enumerate(tapes)] for n in range(3)]
    sensitivities = [scale(said) - scale(tapes) for said in moved]
    expected = sqrt(sum((sensitivity * ECHO_U_MM) ** 2 for sensitivity in sensitivities))
    assert scale_uncertainty(tapes) == pytest.approx(expected)


def test_a_tape_has_one_possible_figure_for_each_sensor() -> None:
    check_tape([900, None, 1], 3)
    for tape in ([900, 600], [900, 600, 300, 200], [900, 600, 0], [900, 600, 5_001]):
        with refused(Refusal.VALUE_INVALID, "tape_mm"):
            check_tape(tape, 3)


# --- temperatures, supply and signal -------------------------------------------------------------------


def with_air(*airs: tuple[str, ...]) -> Evidence:
    known = evidence([(900, 600, 300)] * len(airs), TAPE, principle=Principle.OPTICAL)
    reports = tuple(replace(r, temperatures_c=a) for r, a in zip(known.reports, airs, strict=True))
    return replace(known, reports=reports)


def test_temperatures_can_be_within_their_bounds_and_near_each_other() -> None:
    assert judged(with_air(("-30.0",))) == []
    assert judged(with_air(("-30.1",))) == ["temperature_implausible"]
    assert judged(with_air(("35.1", "30.0"))) == ["temperature_implausible"]
    assert judge(with_air(("85.0",))).result is Result.FAIL
    assert judge(with_air(("85.0", "-9.0"))).result is Result.PASS_WITH_NOTE
    assert judged(with_air(("-10.0", "-2.0"))) == []
    assert judged(with_air(("-10.0", "-1.9"))) == ["temperatures_disagree"]


def test_a_warm_cabinet_is_asked_only_to_get_colder() -> None:
    assert judged(with_air(("12.0",), ("8.0",), ("5.0",))) == []
    assert judged(with_air(("12.0",), ("12.5",), ("12.5",))) == []  # twenty minutes do not show it
    assert judged(with_air(("12.0",), ("12.5",), ("12.5",), ("11.6",))) == ["not_cooling"]
    assert judged(with_air(("-8.0",), ("-7.0",), ("-6.0",), ("-5.0",))) == []


def test_a_device_whose_distances_need_a_temperature_is_asked_for_one() -> None:
    unknown = {"compensates": Compensation.UNKNOWN}

    assert judged(evidence(STEADY, TAPE, air=None, **unknown)) == ["temperature_missing"]
    assert judged(evidence(STEADY, TAPE, air=None)) == []
    assert judged(evidence(STEADY, TAPE, air=None, principle=Principle.OPTICAL, **unknown)) == []


@pytest.mark.parametrize(
    ("enough", "short", "code"),
    [({"supply_mv": 3_300}, {"supply_mv": 3_299}, "supply_low"),
     ({"signal_dbm": -110}, {"signal_dbm": -111}, "signal_weak")],
)  # fmt: skip
def test_supply_and_signal_are_enough_or_noted(
    enough: dict[str, int], short: dict[str, int], code: str
) -> None:
    known = evidence(STEADY, TAPE)

    assert judged(replace(known, reports=tuple(replace(r, **enough) for r in known.reports))) == []
    weak = replace(known, reports=tuple(replace(r, **short) for r in known.reports))
    assert (judged(weak), judge(weak).result) == ([code], Result.PASS_WITH_NOTE)


def test_what_is_kept_of_a_judgement_has_a_canonical_form() -> None:
    known = evidence([(c, a, None) for a, _, c in long_by(5.55)], TAPE, compensates=Compensation.UNKNOWN)
    assert canonical_bytes([finding.plain() for finding in judge(known).findings])
    assert canonical_bytes([FACTS.plain(), *(report.plain() for report in known.reports)])


# --- billing -------------------------------------------------------------------------------------------

EVENING = datetime(2026, 3, 3, 2, 30, tzinfo=UTC)  # still the second of March in Halifax


def test_billing_starts_on_the_stores_day_by_the_accounts_rule() -> None:
    facts = {"assigned_at": HUNG, "starts_known_by": False, "time_zone": "America/Halifax"}

    accepted = billing_start(BillingStart.ACCEPTANCE, signed_off_at=EVENING, **facts)
    assert accepted.on == date(2026, 3, 2)
    assert billing_start(BillingStart.ACCEPTANCE, signed_off_at=None, **facts).on is None
    assert billing_start(BillingStart.ASSIGNMENT, signed_off_at=None, **facts).on == date(2026, 3, 2)
    assert billing_start(BillingStart.MANUAL, signed_off_at=EVENING, **facts).on is None


def test_an_assignment_that_is_only_known_by_a_date_bills_nothing() -> None:
    facts = {"assigned_at": HUNG, "starts_known_by": True, "time_zone": "UTC"}

    assert billing_start(BillingStart.ASSIGNMENT, signed_off_at=None, **facts).on is None
    assert billing_start(BillingStart.ACCEPTANCE, signed_off_at=EVENING, **facts).on == date(2026, 3, 3)
