"""Findings in a chain of whereabouts, each from the smallest history that has it, and from none that has not.

What is a contradiction is common practice of a fleet, no source.
"""

from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from registry.rules.periods import Period
from registry.rules.traces import (
    TO_DO,
    CabinetStay,
    DeviceStay,
    Finding,
    FindingCode,
    FindingKind,
    FormerStay,
    History,
    Reported,
    as_of,
    find,
    shared,
)
from registry.rules.whereabouts import CabinetPlace, DevicePlace, EndReason

CABINET, OTHER_CABINET = UUID(int=901), UUID(int=902)
STORE, OTHER_STORE, DEPOT = UUID(int=911), UUID(int=912), UUID(int=913)
LABELS = {
    DevicePlace.DEPOT: "depot TM",
    DevicePlace.VAN: "van of Wren",
    DevicePlace.CABINET: "cabinet SK-1",
    DevicePlace.MAKER: "in repair at its maker",
    DevicePlace.LOST: "lost",
    DevicePlace.RETIRED: "retired",
}
SPOTS = {STORE: "Harbour Road", OTHER_STORE: "Mill Lane", DEPOT: "depot TM"}


def day(number: int) -> datetime:
    return datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=number)


def span(start: int, end: int | None) -> Period:
    return Period(day(start), None if end is None else day(end))


def stay(place: str, start: int, end: int | None, **facts: object) -> DeviceStay:
    """A stay of the device; its identity is the day on which it begins."""
    chosen = DevicePlace(place)
    cabinet = CABINET if chosen is DevicePlace.CABINET else None
    known = DeviceStay(UUID(int=start + 1), span(start, end), chosen, LABELS[chosen], cabinet)
    return replace(known, **facts)  # type: ignore[arg-type]


def stood(spot: UUID, start: int, end: int | None, **facts: object) -> CabinetStay:
    """A stay of the cabinet, at a store unless the spot is the depot."""
    place = CabinetPlace.DEPOT if spot == DEPOT else CabinetPlace.LOCATION
    known = CabinetStay(UUID(int=start + 501), CABINET, "SK-1", span(start, end), place, spot, SPOTS[spot])
    return replace(known, **facts)  # type: ignore[arg-type]


def chain(*places: tuple[str, int, int | None]) -> list[DeviceStay]:
    return [stay(*place) for place in places]


def told(history: History) -> list[tuple[str, int, int | None]]:
    """Return what is found: code, and the days from and to."""

    def number(moment: datetime | None) -> int | None:
        return None if moment is None else (moment - day(0)).days

    return [(one.code, number(one.since) or 0, number(one.until)) for one in find(history)]


HUNG = chain(("depot", 0, 5), ("cabinet", 5, 20), ("depot", 20, None))


def test_a_whole_life_without_a_gap_has_no_finding() -> None:
    life = [
        stay("depot", 0, 2),
        stay("van", 2, 5),
        stay("cabinet", 5, 20, end_reason=EndReason.FAULT),
        stay("van", 20, 21),
        stay("maker", 21, 30, reference="RMA-7"),
        stay("depot", 30, 40),
        stay("retired", 40, None),
    ]

    assert find(History(life, [stood(STORE, 0, None)])) == []
    assert find(History([])) == []


def test_a_cabinet_that_is_told_to_have_gone_with_its_device_is_no_finding() -> None:
    moves = [
        stood(STORE, 0, 8),
        stood(OTHER_STORE, 8, 12, brought=True),
        stood(DEPOT, 12, None, brought=True),
    ]

    assert find(History(HUNG, moves)) == []


# --- gaps ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("places", "found"),
    [
        ([("depot", 0, 5), ("depot", 5, None)], []),
        ([("depot", 0, 5), ("depot", 6, None)], [("whereabouts_unknown", 5, 6)]),
        ([("depot", 0, 5), ("van", 7, 8), ("depot", 9, None)],
         [("whereabouts_unknown", 5, 7), ("whereabouts_unknown", 8, 9)]),
        ([("depot", 0, 5)], [("whereabouts_unknown", 5, None)]),
        ([("depot", 0, 5), ("lost", 5, 9), ("depot", 9, None)], [("lost", 5, 9)]),
        ([("depot", 0, 5), ("lost", 5, None)], [("lost", 5, None)]),
    ],
)  # fmt: skip
def test_time_of_which_nothing_is_known_is_found(
    places: list[tuple[str, int, int | None]], found: list[tuple[str, int, int | None]]
) -> None:
    assert told(History(chain(*places))) == found


def test_a_gap_names_both_periods_and_says_where_the_device_was_around_it() -> None:
    [gap] = find(History(chain(("depot", 0, 5), ("van", 7, None))))

    assert gap.periods == (UUID(int=1), UUID(int=8))
    assert "in depot TM" in gap.words
    assert "in van of Wren" in gap.words


@pytest.mark.parametrize(
    ("place", "found"), [("depot", False), ("van", False), ("cabinet", True), ("lost", True)]
)
def test_a_chain_that_begins_elsewhere_than_in_hand_was_never_received(place: str, found: bool) -> None:
    history = History([stay(place, 0, None)], [stood(STORE, 0, None)])

    assert (("never_received", 0, 0) in told(history)) is found


def test_a_start_that_is_only_known_by_is_found() -> None:
    known_by = [stay("depot", 0, 5), stay("van", 5, None, starts_known_by=True)]

    assert told(History(known_by)) == [("start_known_by", 5, 5)]


# --- the cabinet ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moves", "found"),
    [
        # A move inside the assignment, of which nobody says that the device went along.
        ([stood(STORE, 0, 8), stood(OTHER_STORE, 8, None)], [("moved_unsaid", 8, 20)]),
        ([stood(STORE, 0, 8), stood(OTHER_STORE, 8, 12), stood(STORE, 12, None, brought=True)],
         [("moved_unsaid", 8, 12)]),
        # At the very start or end of the assignment nothing has moved under it.
        ([stood(STORE, 0, 5), stood(OTHER_STORE, 5, None)], []),
        ([stood(STORE, 0, 20), stood(OTHER_STORE, 20, None)], []),
        # Told twice of one place is no move.
        ([stood(STORE, 0, 8), stood(STORE, 8, None)], []),
        # Hung in while it stood in a depot, and then brought to a store.
        ([stood(DEPOT, 0, 8), stood(STORE, 8, None, brought=True)], [("hung_in_no_store", 5, 8)]),
        ([stood(DEPOT, 0, 5), stood(STORE, 5, None)], []),
        # Not known yet, no longer known, unknown between, never known.
        ([stood(STORE, 7, None)], [("cabinet_unknown", 5, 7)]),
        ([stood(STORE, 0, 18)], [("cabinet_unknown", 18, 20)]),
        ([stood(STORE, 0, 8), stood(STORE, 9, None)], [("cabinet_unknown", 8, 9)]),
        ([], [("cabinet_unknown", 5, 20)]),
        # Scrapped under the device.
        ([stood(STORE, 0, 15), stood(DEPOT, 15, None, place=CabinetPlace.SCRAPPED)],
         [("cabinet_scrapped", 15, 20)]),
        ([stood(STORE, 0, 20), stood(DEPOT, 20, None, place=CabinetPlace.SCRAPPED)], []),
    ],
)  # fmt: skip
def test_an_assignment_agrees_with_where_its_cabinet_stood(
    moves: list[CabinetStay], found: list[tuple[str, int, int | None]]
) -> None:
    assert told(History(HUNG, moves)) == found


def test_an_assignment_that_still_runs_is_unknown_until_now() -> None:
    runs = chain(("depot", 0, 5), ("cabinet", 5, None))

    assert told(History(runs, [stood(STORE, 0, 18)])) == [("cabinet_unknown", 18, None)]


@pytest.mark.parametrize(
    ("places", "found"),
    [
        ([("depot", 0, None)], True),  # somewhere else
        ([("depot", 9, None)], True),  # nowhere yet
        ([("depot", 0, 5), ("cabinet", 5, 8), ("depot", 8, None)], True),  # out at that very time
        ([("depot", 0, 8), ("cabinet", 8, None)], False),  # in at that very time
        ([("depot", 0, 5), ("cabinet", 5, None)], False),
    ],
)
def test_an_entry_that_tells_of_the_device_beside_its_cabinet_is_held_against_the_chain(
    places: list[tuple[str, int, int | None]], found: bool
) -> None:
    moves = [stood(STORE, 0, 8), stood(OTHER_STORE, 8, None, brought=True)]

    history = History(chain(*places), moves)

    assert (("told_elsewhere", 8, 8) in told(history)) is found


def test_another_cabinet_than_the_one_that_is_told_of_is_elsewhere() -> None:
    elsewhere = [stay("depot", 0, 5), stay("cabinet", 5, None, cabinet=OTHER_CABINET, label="cabinet SK-2")]
    around = [stood(STORE, 0, None, cabinet=OTHER_CABINET), stood(OTHER_STORE, 8, None, brought=True)]

    [finding] = find(History(elsewhere, around))

    assert finding.code == "told_elsewhere"
    assert finding.words == (
        "It is told to have gone to Mill Lane with cabinet SK-1, but by its own history it was in cabinet"
        " SK-2 then."
    )


# --- two records of one serial ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("former", "found"),
    [
        (stay("cabinet", 3, 7), [("two_records", 3, 5)]),  # then this one hung there, too
        (stay("van", 3, 7), [("two_records", 3, 5), ("two_records", 5, 7)]),
        (stay("van", 15, None), [("two_records", 15, 20), ("two_records", 20, None)]),
        (stay("depot", 0, 5), []),
        (stay("depot", 20, None), []),
    ],
)
def test_a_record_of_the_same_serial_that_was_elsewhere_meanwhile_is_found(
    former: DeviceStay, found: list[tuple[str, int, int | None]]
) -> None:
    history = History(HUNG, [stood(STORE, 0, None)], [FormerStay(former, 77)])

    assert told(history) == found
    assert all("entry 77" in finding.words for finding in find(history))


# --- steps that are missing -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "found"),
    [
        ("maker", "cabinet", True),
        ("maker", "maker", True),
        ("maker", "depot", False),
        ("lost", "cabinet", True),
        ("lost", "maker", True),
        ("lost", "van", False),
        ("lost", "retired", False),
        ("cabinet", "cabinet", False),
    ],
)
def test_a_step_that_the_rules_ask_for_is_missed(before: str, after: str, found: bool) -> None:
    places = [stay("depot", 0, 2), stay(before, 2, 9, reference="R1"), stay(after, 9, None, reference="R2")]

    history = History(places, [stood(STORE, 0, None)])

    assert (("step_missing", 9, 9) in told(history)) is found


def test_after_a_gap_the_gap_is_what_is_missed() -> None:
    places = [stay("depot", 0, 2), stay("maker", 2, 9, reference="R1"), stay("cabinet", 10, None)]

    assert told(History(places, [stood(STORE, 0, None)])) == [("whereabouts_unknown", 9, 10)]


def test_what_was_retired_and_came_back_is_found_even_after_a_gap() -> None:
    back = chain(("depot", 0, 2), ("retired", 2, 5), ("van", 5, None))
    later = chain(("depot", 0, 2), ("retired", 2, 5), ("van", 6, None))

    assert told(History(back)) == [("back_after_retired", 5, None)]
    assert told(History(later)) == [("back_after_retired", 6, None), ("whereabouts_unknown", 5, 6)]


# --- faults and returns -----------------------------------------------------------------------------------


def faulty(*after: tuple[str, int, int | None]) -> History:
    hung = stay("cabinet", 5, 20, end_reason=EndReason.FAULT)
    stays = [stay("depot", 0, 5), hung, *(stay(*place, reference="RMA-7") for place in after)]
    return History(stays, [stood(STORE, 0, None)])


@pytest.mark.parametrize(
    ("after", "found"),
    [
        ([("depot", 20, None)], [("fault_unsettled", 20, None)]),
        ([("van", 20, 21), ("depot", 21, None)], [("fault_unsettled", 20, None)]),
        ([("depot", 20, 25), ("cabinet", 25, None)], [("fault_unsettled", 20, 25)]),
        ([("van", 20, 21), ("maker", 21, None)], []),
        ([("maker", 20, 21), ("depot", 21, 25), ("cabinet", 25, None)], []),
        ([("depot", 20, 21), ("retired", 21, None)], []),
        ([("depot", 20, 21), ("lost", 21, None)], [("lost", 21, None)]),
        (
            [("depot", 20, 21), ("lost", 21, 24), ("depot", 24, 25), ("cabinet", 25, None)],
            [("lost", 21, 24), ("fault_unsettled", 20, 25)],
        ),
        ([("depot", 20, 25), ("cabinet", 25, 26), ("maker", 26, None)], [("fault_unsettled", 20, 25)]),
    ],
)
def test_a_device_that_came_out_faulty_goes_to_its_maker(
    after: list[tuple[str, int, int | None]], found: list[tuple[str, int, int | None]]
) -> None:
    assert told(faulty(*after)) == found


def test_what_came_out_for_another_reason_or_hangs_still_need_not_go_to_its_maker() -> None:
    swapped = [
        stay("depot", 0, 5),
        stay("cabinet", 5, 20, end_reason=EndReason.SWAP),
        stay("depot", 20, None),
    ]

    assert find(History(swapped, [stood(STORE, 0, None)])) == []


def test_a_stay_at_the_maker_has_a_return_number() -> None:
    sent = chain(("depot", 0, 5), ("maker", 5, 9), ("depot", 9, None))

    assert told(History(sent)) == [("no_return_number", 5, 9)]


# --- what a finding is --------------------------------------------------------------------------------------


def test_the_gravest_are_told_first_and_then_the_earliest() -> None:
    stays = [
        stay("maker", 0, 2),
        stay("cabinet", 2, 9, end_reason=EndReason.FAULT, starts_known_by=True),
        stay("depot", 10, None),
    ]

    assert told(History(stays)) == [
        ("cabinet_unknown", 2, 9),
        ("step_missing", 2, 2),
        ("never_received", 0, 0),
        ("start_known_by", 2, 2),
        ("whereabouts_unknown", 9, 10),
        ("no_return_number", 0, 2),
        ("fault_unsettled", 9, None),
    ]


def test_reports_from_outside_any_cabinet_are_found_by_stay_and_by_time() -> None:
    van = stay("van", 20, None)
    stays = [stay("depot", 0, 5), stay("cabinet", 5, 20, end_reason=EndReason.SWAP), van]
    before = Reported(None, 1, day(-3), day(-3))
    in_van = Reported(van.identity, 7, day(21), day(24))

    found = find(History(stays, [stood(STORE, 0, None)], reported=[before, in_van]))

    assert [(one.code, one.since, one.until) for one in found] == [
        ("reported_unassigned", day(-3), day(-3)),
        ("reported_unassigned", day(21), day(24)),
    ]
    assert "once before anything is known of it" in found[0].words
    assert "7 times while it was in van of Wren" in found[1].words
    assert found[1].periods == (van.identity,)


def test_every_code_says_what_to_do_next_and_how_it_weighs() -> None:
    assert set(TO_DO) == set(FindingCode)
    assert all(words.endswith(".") for words in TO_DO.values())
    weights = {code: Finding(code, day(0), None, "", ()).kind for code in FindingCode}
    assert {code for code, kind in weights.items() if kind is FindingKind.GAP} == {
        "whereabouts_unknown",
        "lost",
        "reported_unassigned",
        "start_known_by",
        "never_received",
    }
    assert {code for code, kind in weights.items() if kind is FindingKind.OPEN} == {
        "fault_unsettled",
        "no_return_number",
    }


def test_codes_that_others_may_rely_on_are_not_renamed() -> None:
    assert [str(code) for code in FindingCode] == [
        "two_records", "told_elsewhere", "moved_unsaid", "hung_in_no_store", "cabinet_unknown",
        "cabinet_scrapped", "step_missing", "back_after_retired", "whereabouts_unknown", "lost",
        "reported_unassigned", "start_known_by", "never_received", "fault_unsettled", "no_return_number",
    ]  # fmt: skip


def test_values_stay_as_they_were_made() -> None:
    finding = Finding(FindingCode.LOST, day(0), None, "It was marked lost.", ())
    for value in (finding, HUNG[0], stood(STORE, 0, None), FormerStay(HUNG[0], 7), History(())):
        name = next(iter(value.__dataclass_fields__))
        with pytest.raises(FrozenInstanceError):
            setattr(value, name, None)


# --- periods as of a moment ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "seen"),
    [
        (4, None),
        (5, span(5, None)),
        (8, span(5, None)),
        (9, span(5, 9)),  # half-open: at its end it has ended
        (12, span(5, 9)),
    ],
)
def test_a_period_is_seen_as_it_was_by_then(moment: int, seen: Period | None) -> None:
    assert as_of(span(5, 9), day(moment)) == seen


@pytest.mark.parametrize(
    ("one", "other", "both"),
    [
        (span(0, 5), span(5, 9), None),
        (span(0, 5), span(3, 9), span(3, 5)),
        (span(0, None), span(3, 9), span(3, 9)),
        (span(4, None), span(3, None), span(4, None)),
    ],
)
def test_what_two_periods_share_is_half_open_too(one: Period, other: Period, both: Period | None) -> None:
    assert shared(one, other) == shared(other, one) == both
