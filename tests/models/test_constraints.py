"""What the tables refuse by themselves, each row beside an accepted one that differs in nothing else."""

import re
from collections.abc import Iterator
from functools import partial
from typing import Any
from uuid import UUID

import pytest
from django.db import IntegrityError, connection, models, transaction
from django.db.models import CheckConstraint, UniqueConstraint

from registry.ledger.guards import all_guards
from registry.models import (
    AcceptanceCheck,
    Account,
    CabinetWhereabouts,
    CountItem,
    Device,
    DeviceWhereabouts,
    Entry,
    Split,
    SplitShare,
    StaffDepot,
    Subject,
    VisitCabinet,
)
from registry.models.base import LedgerKind, Record, Version, new_key
from tests.conftest import outside_actions
from tests.models.rows import DAY, GUARDED, MODELS, START, TICK, Rows, insert, refusal, without

SQLITE = connection.vendor == "sqlite"
NOBODY = UUID(int=7)

CHECKS = {
    constraint.name: (model, constraint)
    for model in MODELS
    for constraint in model._meta.constraints
    if isinstance(constraint, CheckConstraint)
}
UNIQUES = {
    constraint.name: (model, constraint)
    for model in MODELS
    for constraint in model._meta.constraints
    if isinstance(constraint, UniqueConstraint)
}
UNIQUE_FIELDS = [(model, f) for model in MODELS for f in model._meta.local_concrete_fields if f.unique]

Values = dict[str, Any]


@pytest.fixture
def rows(db: None) -> Iterator[Rows]:
    with outside_actions():
        yield Rows()


def name_of(model: type[models.Model]) -> str:
    return model._meta.db_table


# --- checks -------------------------------------------------------------------------------------------

ENDS = {"valid_from": START, "valid_to": START + DAY}
NEVER = {"valid_from": START, "valid_to": START}
BACKWARDS = {"valid_from": START, "valid_to": START - DAY}
SHARED = {"valid_from": START - 9 * DAY, "valid_to": START - 8 * DAY}


def custody(rows: Rows, place: str, **changes: Any) -> Values:
    """Return what makes a device's whereabouts a stay in somebody's custody."""
    nothing = {"cabinet_id": None, "slot": None, "sensor_order": "", "end_reason": ""}
    return {**nothing, "place": place, "depot_id": rows.of[_depot()][0].pk, **changes}


def _depot() -> type[models.Model]:
    return StaffDepot._meta.get_field("depot").related_model


def _staff() -> type[models.Model]:
    return StaffDepot._meta.get_field("staff").related_model


def whereabouts_one_place(rows: Rows) -> list[tuple[Values, Values]]:
    depot, person = rows.of[_depot()][0].pk, rows.of[_staff()][0].pk
    cabinet = rows.of[DeviceWhereabouts][0].cabinet_id
    van = custody(rows, "van", staff_id=person)
    return [
        ({}, {"depot_id": depot}),
        ({}, {"staff_id": person}),
        (van, {**van, "staff_id": None}),
        (van, {**van, "depot_id": None}),
        (van, {**van, "cabinet_id": cabinet}),
        *[
            (custody(rows, place), custody(rows, place, **wrong))
            for place in ("depot", "maker", "lost", "retired")
            for wrong in ({"staff_id": person}, {"depot_id": None}, {"cabinet_id": cabinet})
        ],
    ]


def whereabouts_installation(rows: Rows) -> list[tuple[Values, Values]]:
    depot = custody(rows, "depot")
    facts: list[Values] = [
        {"slot": 1},
        {"sensor_order": "1 2 3"},
        {"rail_below_ceiling_mm": 40},
        {"offset_from_front_mm": 0},
        {"slot_reason": "a second row"},
        {"end_reason": "moved"},
        {"end_note": "to the back"},
    ]
    return [
        ({}, {"slot": 0}),
        ({}, {"sensor_order": ""}),
        ({"rail_below_ceiling_mm": 40}, {"sensor_order": "", "rail_below_ceiling_mm": 40}),
        *[(depot, {**depot, **fact}) for fact in facts],
    ]


def cabinet_one_place(rows: Rows) -> list[tuple[Values, Values]]:
    depot = rows.of[_depot()][0].pk
    location = rows.of[Account][0].holdings.first().location_id
    stored = {"location_id": None, "depot_id": depot}
    return [
        ({}, {"depot_id": depot}),
        ({}, {"location_id": None}),
        ({}, {"place": "van"}),
        *[
            ({**stored, "place": place}, {**stored, "place": place, **wrong})
            for place in ("depot", "scrapped")
            for wrong in ({"depot_id": None}, {"location_id": location}, {"place": "lost"})
        ],
    ]


def looked(rows: Rows, **changes: Any) -> Values:
    """Return what makes a line of a count one at which somebody looked."""
    return {"result": "agrees", "seen_at": START, "counted_by_id": rows.of[_staff()][0].pk, **changes}


def decided(rows: Rows, decision: str) -> Values:
    return {"decision": decision, "decided_by_id": rows.of[_staff()][0].pk}


def count_item_one_place(rows: Rows) -> list[tuple[Values, Values]]:
    depot, person = rows.of[_depot()][0].pk, rows.of[_staff()][0].pk
    location = rows.of[Account][0].holdings.first().location_id
    van = {"place": "van", "cabinet_id": None, "staff_id": person}
    waiting = {"place": "depot", "cabinet_id": None, "depot_id": depot}
    return [
        ({}, {"cabinet_id": None}),
        ({"location_id": location}, {"depot_id": depot}),
        ({}, {"staff_id": person}),
        ({}, {"place": "maker"}),
        (van, {**van, "staff_id": None}),
        ({**van, "depot_id": depot}, {**van, "location_id": location}),
        (waiting, {**waiting, "depot_id": None}),
        (waiting, {**waiting, "staff_id": person}),
        (waiting, {**waiting, "location_id": location}),
    ]


def of_words(field: str, *words: str) -> Any:
    """Accept each word, and none beside them."""
    return lambda rows: [
        ({field: word}, {field: wrong}) for word in words for wrong in ("ghost", "", words[0].upper())
    ]


def never_blank(field: str) -> Any:
    return lambda rows: [({field: "0"}, {field: ""})]


def ends(rows: Rows) -> list[tuple[Values, Values]]:
    return [(ENDS, NEVER), (ENDS, BACKWARDS)]


def signed(rows: Rows, **changes: Any) -> Values:
    """Return what makes an acceptance check one that somebody signed off."""
    return {"signed_off_at": START, "signed_off_by_id": rows.of[_staff()][0].pk, **changes}


# For each check: pairs of an accepted change to a fresh row, and one that the check refuses.
CHECK_CASES: dict[str, Any] = {
    "checkpoint_size_from_1": lambda rows: [({}, {"size": 0}), ({}, {"size": -1})],
    "entry_index_from_1": lambda rows: [({}, {"index": 0}), ({}, {"index": -1})],
    "account_billing_start_known": of_words("billing_start", "acceptance", "assignment", "manual"),
    "account_not_its_own_parent": lambda rows: [
        ({"id": NOBODY, "parent_id": rows.of[Account][0].pk}, {"id": NOBODY, "parent_id": NOBODY})
    ],
    "account_has_code": never_blank("code"),
    "account_state_ends_after_start": ends,
    "account_state_known": of_words("state", "open", "closed"),
    "cabinet_has_tag": never_blank("asset_tag"),
    "cabinet_setting_known": of_words("setting", "indoor", "outdoor", "unknown"),
    "cabinet_model_door_known": of_words("door", "solid", "glass", "slanted", "unknown"),
    "cabinet_model_refrigeration_known": of_words("refrigeration", "fan_coil", "cold_wall", "unknown"),
    "cabinet_model_supply_known": of_words("supply", "plug", "hard_wired", "unknown"),
    "cabinet_model_takes_sensors": lambda rows: [({"sensor_count": 1}, {"sensor_count": 0})],
    "cabinet_model_has_name": never_blank("name"),
    "cabinet_whereabouts_ends_after_start": ends,
    "cabinet_whereabouts_one_place": cabinet_one_place,
    "contact_text_erased_whole": lambda rows: [
        ({}, {"salt": None}),
        ({}, {"text": None}),
        ({"salt": None, "text": None}, {"salt": None}),
    ],
    "count_has_name": never_blank("name"),
    "count_strata_known": of_words("strata", "none", "place", "depot"),
    "count_plan_known": of_words("plan", "zero_acceptance", "aql"),
    "count_rounding_known": of_words("rounding", "down", "up"),
    "count_state_known": of_words("state", "open", "closed"),
    "count_sample_within_lot": lambda rows: [
        ({"sample_size": 110}, {"sample_size": 111}),
        ({"sample_size": 1}, {"sample_size": 0}),
    ],
    "count_item_result_known": lambda rows: [
        (looked(rows, result=word), looked(rows, result="ghost"))
        for word in ("agrees", "absent", "unlisted", "unknown")
    ],
    "count_item_one_place": count_item_one_place,
    "count_item_sampled_device": lambda rows: [
        ({}, {"device_id": None}),
        ({}, {"withdrawn": True}),
        ({"sampled": False, "device_id": None, "withdrawn": True}, {"device_id": None}),
    ],
    "count_item_seen_by_somebody": lambda rows: [
        (looked(rows), looked(rows, seen_at=None)),
        (looked(rows), looked(rows, counted_by_id=None)),
        (looked(rows), {"result": "agrees"}),
        ({}, looked(rows, result="waiting")),
    ],
    "count_item_done_is_seen": lambda rows: [(looked(rows, place_done=True), {"place_done": True})],
    "count_item_decided_by_somebody": lambda rows: [
        (decided(rows, "accepted"), {"decision": "accepted"}),
        (decided(rows, "dismissed"), decided(rows, "")),
        (decided(rows, "dismissed"), decided(rows, "shrugged")),
    ],
    "acceptance_result_known": of_words("result", "pass", "pass_with_note", "fail"),
    "acceptance_signed_by_somebody": lambda rows: [
        (signed(rows, sign_off_note="well"), signed(rows, signed_off_by_id=None)),
        (signed(rows), signed(rows, signed_off_at=None)),
        ({"sign_off_note": ""}, {"sign_off_note": "well"}),
    ],
    "acceptance_fail_not_signed": lambda rows: [
        (signed(rows, result="pass_with_note"), signed(rows, result="fail")),
        ({"result": "fail"}, signed(rows, result="fail")),
    ],
    "acceptance_signed_after_check": lambda rows: [(signed(rows), signed(rows, signed_off_at=START - TICK))],
    "depot_has_code": never_blank("code"),
    "device_has_serial": never_blank("serial"),
    "device_standing_known": lambda rows: [({"standing": "rejected"}, {"standing": "ghost"})],
    "device_merged_into_something": lambda rows: [
        ({"standing": "merged", "merged_into_id": rows.of[Device][0].pk}, {"standing": "merged"}),
        ({"standing": "confirmed"}, {"standing": "confirmed", "merged_into_id": rows.of[Device][0].pk}),
        ({"standing": "rejected"}, {"standing": "rejected", "merged_into_id": rows.of[Device][0].pk}),
    ],
    "device_provisional_has_evidence": lambda rows: [
        ({"standing": "provisional", "evidence": "hung there"}, {"standing": "provisional"}),
        ({"standing": "provisional", "photo_sha256": "a" * 64}, {"standing": "provisional"}),
        ({"standing": "confirmed"}, {"standing": "provisional"}),
    ],
    "device_model_principle_known": of_words("principle", "ultrasonic", "optical"),
    "device_model_compensation_known": of_words("compensates", "yes", "no", "unknown"),
    "device_model_check_method_known": of_words("serial_check_method", "none", "damm", "iso7064_mod_37_36"),
    "device_model_has_sensors": lambda rows: [({"sensor_count": 1}, {"sensor_count": 0})],
    "device_model_range_beyond_blind_zone": lambda rows: [
        ({"range_mm": 151}, {"range_mm": 150}),
        ({"range_mm": 151}, {"range_mm": 1}),
    ],
    "device_model_has_name": never_blank("name"),
    "device_whereabouts_ends_after_start": ends,
    "device_whereabouts_place_known": lambda rows: [(custody(rows, "lost"), custody(rows, "attic"))],
    "device_whereabouts_one_place": whereabouts_one_place,
    "device_whereabouts_installation_told": whereabouts_installation,
    "device_whereabouts_second_slot_explained": lambda rows: [
        ({"slot": 2, "slot_reason": "a second row"}, {"slot": 2}),
        ({"slot": 1}, {"slot": 2}),
    ],
    "device_whereabouts_end_explained": lambda rows: [
        ({"end_reason": "fault"}, {"end_reason": ""}),
        ({"end_reason": "fault"}, {"end_reason": "boredom"}),
        ({"valid_to": None}, {"valid_to": None, "end_reason": "fault"}),
    ],
    "device_whereabouts_other_end_told": lambda rows: [
        ({"end_reason": "other", "end_note": "the shop burnt down"}, {"end_reason": "other"}),
        ({"end_reason": "swap"}, {"end_reason": "other"}),
    ],
    "location_coordinates_on_earth": lambda rows: [
        (
            {"latitude": 90, "longitude": 180},
            {"latitude": 91, "longitude": 180},
        ),
        ({"latitude": -90, "longitude": -180}, {"latitude": -90, "longitude": -181}),
        ({"latitude": -90}, {"latitude": -91}),
        ({"longitude": 180}, {"longitude": 181}),
    ],
    "location_holding_ends_after_start": ends,
    "location_holding_has_number": never_blank("store_number"),
    "location_state_ends_after_start": ends,
    "location_state_known": of_words("state", "planned", "open", "asleep", "closed"),
    "mounting_cable_exit_known": lambda rows: [
        ({"cable_exit": word}, {"cable_exit": wrong})
        for word in ("", "existing_hole", "drilled_back", "door_seal", "none")
        for wrong in ("ghost", "DRILLED_BACK")
    ],
    "mounting_outdoor_wrapped_known": lambda rows: [
        ({"outdoor_wrapped": word}, {"outdoor_wrapped": "ghost"})
        for word in ("", "yes", "no", "not_applicable")
    ],
    "mounting_serial_before_cover": lambda rows: [
        ({"cover_closed_at": START}, {"cover_closed_at": START - DAY}),
        ({"serial_taken_at": None, "cover_closed_at": None}, {"serial_taken_at": None}),
    ],
    "mounting_practice_value_known": lambda rows: [({"value": "headroom_cleared"}, {"value": "ghost"})],
    "mounting_practice_bounds_ordered": lambda rows: [
        ({"most_mm": 20}, {"most_mm": 19}),
        ({"most_mm": None}, {"least_mm": None, "most_mm": None}),
        ({"least_mm": None}, {"least_mm": 31}),
    ],
    "photo_kind_known": of_words("kind", "label", "inside", "cable_exit", "nameplate", "other"),
    "photo_of_something": lambda rows: [
        ({"cabinet_id": None, "device_id": rows.of[Device][0].pk}, {"cabinet_id": None})
    ],
    "photo_size_kept": lambda rows: [
        ({"width_px": 1_600, "height_px": 1_600}, {"width_px": 1_601}),
        ({"width_px": 1, "height_px": 1}, {"width_px": 0}),
        ({}, {"height_px": 1_601}),
        ({}, {"height_px": 0}),
    ],
    "visit_kind_known": of_words("kind", "survey", "install", "swap", "remove", "inspect"),
    "visit_state_known": of_words("state", "planned", "released", "begun", "done", "cancelled"),
    "visit_outcome_when_over": lambda rows: [
        ({"state": over, "outcome": "All done"}, {"state": open_, "outcome": "All done"})
        for over in ("done", "cancelled")
        for open_ in ("planned", "released", "begun")
    ],
    "visit_cabinet_has_position": lambda rows: [({"position": 1}, {"position": 0})],
    "visit_cabinet_acknowledged_whole": lambda rows: [
        (whole, {**whole, **lacks})
        for whole in [
            {
                "acknowledged_by_id": rows.of[_staff()][0].pk,
                "acknowledged_at": START,
                "caution_codes": "unplug",
                "cautions_sha256": 64 * "0",
            }
        ]
        for lacks in (
            {"acknowledged_by_id": None},
            {"acknowledged_at": None},
            {"caution_codes": ""},
            {"cautions_sha256": ""},
        )
    ],
    "cabinet_survey_outcome_known": lambda rows: [
        ({"outcome": word, "note": "Wet floor"}, {"outcome": wrong, "note": "Wet floor"})
        for word in ("suitable", "with_conditions", "unsuitable")
        for wrong in ("ghost", "", "S")
    ],
    "cabinet_survey_drilling_known": of_words("drilling", "forbidden", "marked_zone", "unknown"),
    "cabinet_survey_liner_known": of_words("liner", "steel", "aluminium", "plastic", "unknown"),
    "cabinet_survey_socket_known": of_words("socket", "free_protected", "free", "none", "unknown"),
    "cabinet_survey_doubt_told": lambda rows: [
        ({"outcome": word, "note": "Wet floor"}, {"outcome": word})
        for word in ("with_conditions", "unsuitable")
    ],
    "kit_part_has_code": never_blank("code"),
    "kit_rule_condition_known": of_words("condition", "always", "cold_wall", "no_drilling", "ladder"),
    "kit_rule_basis_known": of_words("basis", "cabinet", "sensor", "list"),
    "kit_rule_visit_kind_known": lambda rows: [
        ({"visit_kind": word}, {"visit_kind": wrong}) for word in ("", "install") for wrong in ("ghost", "I")
    ],
    "kit_rule_has_name": never_blank("name"),
    "kit_rule_counts_something": lambda rows: [
        ({"quantity": 1, "for_each": 1}, {"quantity": 0}),
        ({}, {"for_each": 0}),
    ],
    "kit_rule_width_in_order": lambda rows: [
        ({"width_from_mm": 899}, {"width_from_mm": 900}),
        ({"width_from_mm": None}, {"width_from_mm": 901}),
        ({"width_below_mm": None}, {"width_below_mm": 600}),
    ],
    "product_mass_unit_known": of_words("net_mass_unit", "lb", "kg"),
    "product_has_mass": lambda rows: [({"net_mass": "0.001"}, {"net_mass": 0}), ({}, {"net_mass": -8})],
    "product_has_code": never_blank("code"),
    "device_token_has_name": never_blank("name"),
    "reading_has_serial": never_blank("serial"),
    "reading_seal_of_something": lambda rows: [({"row_count": 1}, {"row_count": 0})],
    "reading_seal_times_in_order": lambda rows: [
        ({"last_received_at": START - DAY}, {"last_received_at": START - DAY - TICK}),
        ({"sealed_until": START}, {"sealed_until": START - DAY}),
    ],
    "split_ends_after_start": ends,
    "split_share_in_range": lambda rows: [
        ({"position": 1}, {"position": 0}),
        ({"hundredths": 1}, {"hundredths": 0}),
        ({"hundredths": 10_000}, {"hundredths": 10_001}),
    ],
    "staff_role_known": of_words("role", "office", "installer", "auditor", "administrator"),
}


@pytest.mark.parametrize("name", CHECKS)
def test_a_check_refuses_the_wrong_row_and_accepts_the_right_one(rows: Rows, name: str) -> None:
    model, _constraint = CHECKS[name]
    pairs = CHECK_CASES[name](rows)
    # Guards that refuse before the check is asked.
    before = ("next_index", "onward", "planned_first")
    with without(*(guard for guard in all_guards(connection.vendor) if guard.what in before)):
        for right, wrong in pairs:
            if issubclass(model, Record) and "code" in right:
                right = {**right, "code": "0"}
            assert refusal(partial(rows.insert, model, **right)) == "", right
            words = refusal(partial(rows.insert, model, **wrong))
            assert name in words, (wrong, words)


# A CHECK that comes out as NULL accepts: a comparison with an absent value has to ask for the value too.
UNKNOWN = [
    ("device_whereabouts_installation_told", {}, {"slot": None}),
    ("location_coordinates_on_earth", {"latitude": None, "longitude": None}, {"latitude": None}),
    ("location_coordinates_on_earth", {"latitude": 0, "longitude": 0}, {"longitude": None}),
]


@pytest.mark.parametrize(("name", "right", "wrong"), UNKNOWN)
def test_a_check_refuses_half_of_what_belongs_together(
    rows: Rows, name: str, right: Values, wrong: Values
) -> None:
    model, _constraint = CHECKS[name]
    assert refusal(partial(rows.insert, model, **right)) == ""
    assert name in refusal(partial(rows.insert, model, **wrong))


# --- unique keys --------------------------------------------------------------------------------------

# For each key: a row, and what a second one may have and may not have in common with it.
UNIQUE_CASES: dict[str, Any] = {
    "count_item_position_once": lambda rows: (
        {"position": 900},
        {"position": 901},
        {"position": 900},
    ),
    "reading_once": lambda rows: (
        {"serial": "PB3777"},
        {"serial": "PB3777", "measured_at": START + TICK},
        {"serial": "PB3777", "firmware": "2"},
    ),
    "request_answered_once": lambda rows: (
        {"key": "one wish"},
        {"key": "one wish", "staff_id": NOBODY},
        {"key": "one wish", "digest": b"\x01" * 32},
    ),
    "subject_once_per_position": lambda rows: (
        {"position": 900},
        {"position": 901},
        {"position": 900},
    ),
    "device_serial_once": lambda rows: (
        {"serial": "PB3777"},
        {"serial": "PB3777", "standing": "rejected"},
        {"serial": "PB3777"},
    ),
    "visit_cabinet_once": lambda rows: (
        {},
        {"visit_id": rows.of[VisitCabinet][1].visit_id},
        {},
    ),
    "staff_depot_given_once": lambda rows: (
        {},
        {"staff_id": rows.of[StaffDepot][1].staff_id},
        {},
    ),
    "split_share_position_once": lambda rows: (
        {"split_id": NOBODY, "position": 1, "product_id": rows.of[SplitShare][0].product_id},
        {"split_id": NOBODY, "position": 2, "product_id": rows.of[SplitShare][1].product_id},
        {"split_id": NOBODY, "position": 1, "product_id": rows.of[SplitShare][1].product_id},
    ),
    "split_share_product_once": lambda rows: (
        {"split_id": NOBODY, "position": 1, "product_id": rows.of[SplitShare][0].product_id},
        {"split_id": NOBODY, "position": 2, "product_id": rows.of[SplitShare][1].product_id},
        {"split_id": NOBODY, "position": 2, "product_id": rows.of[SplitShare][0].product_id},
    ),
}


def lifted(model: type[models.Model], *whats: str) -> Any:
    """Lift the guards that answer before the key of a table can."""
    table = model._meta.db_table
    return without(
        *(guard for guard in all_guards(connection.vendor) if guard.table == table and guard.what in whats)
    )


def expected_words(model: type[models.Model], name: str, columns: list[str]) -> str:
    """Return how the database names a unique key."""
    return ", ".join(f"{model._meta.db_table}.{column}" for column in columns) if SQLITE else f'"{name}"'


@pytest.mark.parametrize("name", UNIQUES)
def test_a_unique_key_refuses_the_second_row_and_accepts_another(rows: Rows, name: str) -> None:
    model, constraint = UNIQUES[name]
    first, right, wrong = UNIQUE_CASES[name](rows)
    columns = [model._meta.get_field(field).column for field in constraint.fields]

    def both(second: Values) -> None:
        rows.insert(model, **first)
        rows.insert(model, **second)

    with lifted(model, "no_replace"):
        assert refusal(partial(both, right)) == ""
        assert expected_words(model, name, columns) in refusal(partial(both, wrong))
    if SQLITE and model in GUARDED:
        assert "_no_replace" in refusal(partial(both, wrong))


@pytest.mark.parametrize(
    ("model", "field"), UNIQUE_FIELDS, ids=lambda part: getattr(part, "name", None) or part._meta.model_name
)
def test_a_unique_column_refuses_a_value_that_another_row_has(
    rows: Rows, model: type[models.Model], field: "models.Field[Any, Any]"
) -> None:
    taken = {field.attname: getattr(rows.of[model][0], field.attname)}
    if model is Split:
        taken["shares"] = []
    words = f"{model._meta.db_table}.{field.column}" if SQLITE else f"Key ({field.column})"
    with lifted(model, "no_replace", "next_index", "time_onward", "onward", "whole"):
        if model is not Split:
            assert refusal(partial(rows.insert, model)) == ""
        assert words in refusal(partial(rows.insert, model, **taken))


# --- what a column holds ------------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS, ids=name_of)
def test_a_column_that_must_hold_something_refuses_nothing(rows: Rows, model: type[models.Model]) -> None:
    for column in model._meta.local_concrete_fields:
        if column.primary_key and model is Subject:
            continue  # the database counts these itself
        words = refusal(partial(_insert_null, rows, model, column.column))
        if column.null:
            assert re.search("not.null", words, re.IGNORECASE) is None, column.name
        else:
            assert words != "", column.name


def _insert_null(rows: Rows, model: type[models.Model], column: str) -> None:
    insert(rows.fresh(model), **{column: None})


@pytest.mark.parametrize("model", MODELS, ids=name_of)
def test_a_count_or_length_is_never_negative(rows: Rows, model: type[models.Model]) -> None:
    for column in model._meta.local_concrete_fields:
        if isinstance(column, models.PositiveIntegerField | models.PositiveSmallIntegerField):
            words = refusal(partial(rows.insert, model, **{column.attname: -1}))
            assert "check" in words.lower(), column.name


# --- foreign keys, which are checked when the transaction ends ----------------------------------------


def _nothing(column: Any) -> Any:
    """Return a key that no row has."""
    return 10**9 if isinstance(column.target_field, models.IntegerField) else new_key()


def test_a_row_that_names_what_does_not_exist_is_refused_at_the_commit(real_transactions: None) -> None:
    with outside_actions():
        rows = Rows()

        def commit(model: type[models.Model], tell: bool, **changes: Any) -> None:
            head = rows.head
            try:
                with transaction.atomic():
                    row = rows.fresh(model, **changes)
                    insert(row)
                    if model is SplitShare and "split_id" not in changes:
                        split = rows.fresh(Split, shares=[], id=row.split_id)
                        insert(split)
                    if tell:
                        insert(rows.fresh(Entry))
                        rows.head += 1
            except IntegrityError:
                rows.head = head
                raise

        van = custody(rows, "van", staff_id=rows.of[_staff()][0].pk)
        shapes = {  # a row of the kind that has such a key at all
            (AcceptanceCheck, "signed_off_by"): {"signed_off_at": START},
            (CabinetWhereabouts, "depot"): {"place": "depot", "location_id": None},
            (CountItem, "depot"): {"place": "depot", "cabinet_id": None},
            (CountItem, "staff"): {"place": "van", "cabinet_id": None},
            (CountItem, "counted_by"): {"result": "agrees", "seen_at": START},
            (CountItem, "decided_by"): {"decision": "accepted"},
            (Device, "merged_into"): {"standing": "merged"},
            (VisitCabinet, "acknowledged_by"): {
                "acknowledged_at": START,
                "caution_codes": "unplug",
                "cautions_sha256": 64 * "0",
            },
            (DeviceWhereabouts, "depot"): van,
            (DeviceWhereabouts, "staff"): van,
        }
        told = [model for model in MODELS if model.ledger_kind is not LedgerKind.LEDGER]
        for model in told:
            for column in model._meta.local_concrete_fields:
                if column.is_relation and column.related_model is not Entry:
                    changes = {**shapes.get((model, column.name), {}), column.attname: _nothing(column)}
                    with pytest.raises(IntegrityError, match=r"(?i)foreign key"):
                        commit(model, tell=True, **changes)
            if issubclass(model, Record | Version):
                with pytest.raises(IntegrityError, match=r"(?i)foreign key"):
                    commit(model, tell=False)  # its entry never comes
            commit(model, tell=True)  # the same row, with everything that it names
        commit(Subject, tell=False)
