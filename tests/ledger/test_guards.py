"""What the database itself refuses, whoever asks; and that each guard is what refuses it."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import partial
from typing import Any

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import OperationalError, connection, models, transaction
from django.db.models.signals import pre_migrate

from registry.ledger import guards
from registry.ledger.guards import Guard, all_guards, missing
from registry.ledger.images import imaged_fields
from registry.models import (
    AcceptanceCheck,
    Account,
    AccountState,
    CabinetWhereabouts,
    Checkpoint,
    Contact,
    ContactText,
    DeviceWhereabouts,
    Entry,
    Location,
    LocationHolding,
    LocationState,
    Photo,
    PhotoFile,
    Product,
    Reading,
    Split,
    SplitShare,
    Staff,
    Subject,
    Visit,
)
from registry.models.base import PeriodVersion, Record, Version, new_key
from registry.rules.visits import NEXT, VisitState
from tests.conftest import outside_actions
from tests.models.rows import (
    DAY,
    GUARDED,
    MODELS,
    START,
    TICK,
    Rows,
    delete,
    execute,
    insert,
    refusal,
    update,
    without,
)

SQLITE = connection.vendor == "sqlite"
GUARDS = {guard.name: guard for guard in all_guards(connection.vendor)}
BY_TABLE = {model._meta.db_table: model for model in MODELS}
RECORDS = [model for model in MODELS if issubclass(model, Record)]
VERSIONS = [model for model in MODELS if issubclass(model, Version)]
PERIODS = [model for model in MODELS if issubclass(model, PeriodVersion)]
FAR = datetime.max.replace(tzinfo=START.tzinfo) - DAY

ERASED: dict[type[models.Model], dict[str, Any]] = {
    ContactText: {"salt": None, "text": None},
    PhotoFile: {"content": None},
}
NEVER_CHANGED = [Entry, Subject, Checkpoint, SplitShare]

only_sqlite = pytest.mark.statement_of("sqlite")
only_postgresql = pytest.mark.statement_of("postgresql")


@pytest.fixture
def rows(db: None) -> Iterator[Rows]:
    with outside_actions():
        yield Rows()


def name_of(model: type[models.Model]) -> str:
    return model._meta.db_table


def guard_of(model: type[models.Model], what: str) -> Guard:
    [guard] = [g for g in GUARDS.values() if (g.table, g.what) == (model._meta.db_table, what)]
    return guard


def alone(model: type[models.Model], what: str) -> AbstractContextManager[None]:
    """Lift the other guards that the same event asks, so that only this one can answer."""
    guard = guard_of(model, what)
    return without(
        *(g for g in GUARDS.values() if (g.table, g.event) == (guard.table, guard.event) and g != guard)
    )


# --- every guard, and nothing but that guard ----------------------------------------------------------


@dataclass
class Case:
    """A statement that a guard refuses, and which guards beside it refuse the same."""

    run: Callable[[], object]
    also: list[Guard] = field(default_factory=list)


def deleting(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(delete, rows.of[model][0]))


def truncating(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    others = [g for g in GUARDS.values() if g.what == "no_truncate" and g != guard]
    return Case(partial(execute, f'TRUNCATE "{guard.table}" CASCADE'), also=others)


def changing(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    row = rows.of[model][0]
    changes = {Entry: {"verb": "depot.corrected"}, Checkpoint: {"record": "{}{}"}}.get(
        model, {"position": 77}
    )
    return Case(partial(update, row, **changes))


def replacing(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    if model is Split:  # its shares are told by its key, and would answer first
        return Case(lambda: replace_by_rowid(rows.of[Split][0], rows.fresh(Split)))
    key = "id" if model is Entry else model._meta.pk.attname
    taken = {key: getattr(rows.of[model][0], key)}
    also = [guard_of(Checkpoint, "onward")] if model is Checkpoint else []
    return Case(partial(rows.insert, model, "INSERT OR REPLACE", **taken), also)


def replacing_by_update(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    first, second = rows.of[model]
    changes: dict[str, Any] = {"rowid": rowid(first)}
    if issubclass(model, Version):
        changes["superseded_id"] = rows.head + 1
    elif model in ERASED:
        changes |= ERASED[model]
    elif model is Reading:
        changes["seal_id"] = rows.head + 1
    also = [guard_of(model, "no_update")] if model in NEVER_CHANGED else []
    return Case(partial(update, second, "UPDATE OR REPLACE", **changes), also)


def skipping(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Entry, index=rows.head + 2))


def going_back(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Entry, recorded_at=Entry.objects.latest("index").recorded_at - TICK))


def simulating(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Entry, simulated=True))


def signing_what_was_signed(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Checkpoint, at=rows.of[Checkpoint][1].at))


def telling_late(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Subject, entry_id=1))


def made_by_no_entry(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    column = "revised_id" if issubclass(model, Record) else "recorded_id"
    return Case(partial(rows.insert, model, **{column: rows.head}))


def superseded_by_another(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(update, rows.of[model][0], superseded_id=rows.head))


def coming_sealed(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Reading, seal_id=rows.head + 1))


def sealing_for_another(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(update, rows.of[Reading][0], seal_id=rows.head))


def revised_by_none(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    row = rows.of[model][0]
    imaged = {column.name: column for column in imaged_fields(model)}
    plain = [
        "name",
        "commitment",
        "maker_serial",
        "firmware",
        "everywhere",
        "revoked",
        "note",
        "least_mm",
        "sha256",
        "root",
        "withdrawn",
    ]
    name = next(name for name in plain if name in imaged)
    also = [guard_of(model, "signed_once")] if model is AcceptanceCheck else []
    return Case(partial(update, row, **{name: another(imaged[name], getattr(row, name))}), also)


def judging_anew(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(update, rows.of[AcceptanceCheck][0], result="fail", revised_id=rows.head + 1))


def adding_a_share(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    product = rows.write(rows.fresh(Product))
    rows.tell()
    added = {"split_id": rows.of[Split][0].pk, "position": 3, "product_id": product.pk}
    return Case(partial(rows.insert, SplitShare, **added))


def splitting_in_part(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Split, shares=[(1, 9_999)]))


def rewording(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    other = {ContactText: {"text": {"name": "Somebody Else"}}, PhotoFile: {"content": b"another picture"}}
    return Case(partial(update, rows.of[model][0], **other[model]))


def overlapping(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    first = rows.of[model][0]
    inside = {"valid_from": first.valid_from + DAY, "valid_to": first.valid_to - DAY}
    clash = clashing(rows, guard.what.removesuffix("_update"), model)
    if guard.event == guards.INSERT:
        return Case(partial(rows.insert, model, **clash, **inside))
    return Case(
        partial(update, rows.of[model][1], **clash, **inside), also=[guard_of(model, "superseded_once")]
    )


def begun_at_once(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, Visit, state="begun"))


def out_of_turn(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(update, rows.of[Visit][0], state="begun", revised_id=rows.head + 1))


def noted_after_the_end(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    visit = rows.of[Visit][0]
    update(visit, state="cancelled", revised_id=rows.head + 1)
    rows.tell()
    return Case(partial(update, visit, note="After all", revised_id=rows.head + 1))


def of_no_visit(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    return Case(partial(rows.insert, model, visit_id=new_key()))


def of_another_visit(rows: Rows, guard: Guard, model: type[models.Model]) -> Case:
    other = {"visit_id": rows.of[Visit][0].pk, "revised_id": rows.head + 1}
    return Case(partial(update, rows.of[Photo][0], **other))


CASES: dict[str, Callable[[Rows, Guard, type[models.Model]], Case]] = {
    "no_delete": deleting,
    "no_truncate": truncating,
    "no_update": changing,
    "no_replace": replacing,
    "no_update_replace": replacing_by_update,
    "next_index": skipping,
    "time_onward": going_back,
    "simulated_first": simulating,
    "newest_entry": telling_late,
    "onward": signing_what_was_signed,
    "made_by_entry": made_by_no_entry,
    "superseded_once": superseded_by_another,
    "revised_by_entry": revised_by_none,
    "unsealed": coming_sealed,
    "sealed_once": sealing_for_another,
    "signed_once": judging_anew,
    "before_split": adding_a_share,
    "whole": splitting_in_part,
    "only_erased": rewording,
    "planned_first": begun_at_once,
    "in_turn": out_of_turn,
    "over": noted_after_the_end,
    "of_a_visit": of_no_visit,
    "same_visit": of_another_visit,
    **dict.fromkeys({g.what for g in GUARDS.values() if g.what.startswith("one_per_")}, overlapping),
}


@pytest.mark.parametrize("guard", GUARDS.values(), ids=GUARDS)
def test_the_database_refuses_what_a_guard_names_and_accepts_it_without_that_guard(
    rows: Rows, guard: Guard
) -> None:
    case = CASES[guard.what](rows, guard, BY_TABLE[guard.table])
    others = {other.name for other in case.also}

    assert refusal(case.run) != ""
    with without(guard):
        assert missing(connection) == [guard]
        left = refusal(case.run)
        assert guard.name not in left
        assert left == "" or any(name in left for name in others)
    with without(*case.also):
        assert guard.name in refusal(case.run)
        with without(guard):
            assert refusal(case.run) == ""
    assert missing(connection) == []


def test_every_guard_has_a_name_of_its_own_that_the_database_can_hold() -> None:
    names = [guard.name for vendor in ("sqlite", "postgresql") for guard in all_guards(vendor)]

    assert all(names.count(name) <= 2 for name in names)
    for vendor in ("sqlite", "postgresql"):
        of_vendor = [guard.name for guard in all_guards(vendor)]
        assert len(set(of_vendor)) == len(of_vendor)
        assert max(map(len, of_vendor)) < guards.NAME_LENGTH_MAX  # at the limit a name may have been cut


def test_the_database_lets_a_visit_go_from_state_to_state_as_the_rules_do(rows: Rows) -> None:
    way = {"planned": [], "released": ["released"], "begun": ["released", "begun"]}
    way |= {"done": ["released", "begun", "done"], "cancelled": ["cancelled"]}
    visit = rows.of[Visit][0]
    for state in VisitState:
        for wanted in set(VisitState) - {state}:
            with transaction.atomic():
                for step in way[state]:
                    update(visit, state=step, revised_id=rows.head + 1)
                words = refusal(partial(update, visit, state=str(wanted), revised_id=rows.head + 1))
                transaction.set_rollback(True)
            # A release is taken back by another plan, which is no step.
            fine = wanted in NEXT[state] or (state, wanted) == ("released", "planned")
            assert (words == "") is fine, (state, wanted, words)
    for change in ({"kind": "swap"}, {"location_id": rows.of[Location][1].pk}):
        words = refusal(partial(update, rows.of[Visit][1], **change, revised_id=rows.head + 1))
        assert "guard_visit_in_turn" in words


def test_a_report_comes_unsealed(rows: Rows) -> None:
    sealed = partial(rows.insert, Reading, seal_id=rows.head + 1)
    assert "guard_reading_unsealed" in refusal(sealed)
    assert refusal(partial(rows.insert, Reading, seal_id=None)) == ""


def test_a_visit_is_planned_first_and_stays_as_it_ended(rows: Rows) -> None:
    assert "guard_visit_planned_first" in refusal(partial(rows.insert, Visit, state="begun"))
    for ended in ("done", "cancelled"):
        with transaction.atomic():
            for step in ["released", "begun", "done"] if ended == "done" else ["cancelled"]:
                update(rows.of[Visit][0], state=step, revised_id=rows.head + 1)
            note = partial(update, rows.of[Visit][0], note="After all", revised_id=rows.head + 1)
            assert "guard_visit_over" in refusal(note)
            transaction.set_rollback(True)


def test_a_check_is_of_a_visit_to_its_own_location_and_a_photo_stays_with_its_visit(rows: Rows) -> None:
    visit, elsewhere = rows.of[Visit][0], rows.of[Location][1].pk
    away = partial(rows.insert, AcceptanceCheck, visit_id=visit.pk, location_id=elsewhere)
    assert "guard_acceptancecheck_of_a_visit" in refusal(away)
    other = {"visit_id": visit.pk, "revised_id": rows.head + 1}
    assert "guard_photo_same_visit" in refusal(partial(update, rows.of[Photo][0], **other))


@pytest.mark.parametrize("model", [AcceptanceCheck, Photo], ids=name_of)
def test_nothing_is_told_of_a_visit_that_was_called_off(rows: Rows, model: type[models.Model]) -> None:
    visit = rows.of[Visit][0]
    assert refusal(partial(rows.insert, model, visit_id=visit.pk)) == ""
    update(visit, state="cancelled", revised_id=rows.head + 1)
    rows.tell()
    assert "of_a_visit" in refusal(partial(rows.insert, model, visit_id=visit.pk))


@pytest.mark.parametrize("model", GUARDED, ids=name_of)
def test_no_row_of_any_table_is_deleted(rows: Rows, model: type[models.Model]) -> None:
    table = model._meta.db_table
    assert f"guard_{model._meta.model_name}_no_delete" in refusal(partial(delete, rows.of[model][0]))
    assert "_no_delete" in refusal(partial(execute, f'DELETE FROM "{table}"'))
    if not SQLITE:
        assert "_no_truncate" in refusal(partial(execute, f'TRUNCATE "{table}" CASCADE'))


@pytest.mark.parametrize("model", GUARDED, ids=name_of)
def test_a_row_for_the_entry_to_come_is_accepted(rows: Rows, model: type[models.Model]) -> None:
    assert refusal(partial(rows.insert, model)) == ""


# --- rows that take another row's place ---------------------------------------------------------------


def rowid(row: models.Model) -> int:
    with connection.cursor() as cursor:
        pk = row._meta.pk
        cursor.execute(
            f'SELECT rowid FROM "{row._meta.db_table}" WHERE "{pk.column}" = %s',
            [pk.get_db_prep_save(row.pk, connection)],
        )
        return cursor.fetchone()[0]


def replace_by_rowid(old: models.Model, fresh: models.Model) -> None:
    insert(fresh, "INSERT OR REPLACE", rowid=rowid(old))


def unique_keys() -> list[tuple[type[models.Model], tuple[str, ...]]]:
    found: list[tuple[type[models.Model], tuple[str, ...]]] = []
    for model in GUARDED:
        found += [(model, (f.name,)) for f in model._meta.local_concrete_fields if f.unique]
        found += [(model, tuple(c.fields)) for c in model._meta.constraints if hasattr(c, "fields")]
    return found


@only_sqlite
@pytest.mark.parametrize(
    ("model", "key"),
    unique_keys(),
    ids=lambda part: name_of(part) if isinstance(part, type) else "-".join(part),
)
def test_no_row_takes_another_rows_place_by_any_unique_key(
    rows: Rows, model: type[models.Model], key: tuple[str, ...]
) -> None:
    old = rows.of[model][0]
    names = [model._meta.get_field(name).attname for name in key]
    taken: dict[str, Any] = {name: getattr(old, name) for name in names}
    if model is Split:
        taken["shares"] = []  # the row that would be replaced has its shares
    answers_too = {
        Entry: ["next_index", "time_onward"],
        Subject: ["newest_entry"],
        Checkpoint: ["onward"],
        Split: ["whole"],
        SplitShare: ["before_split"],
    }
    with without(*(guard_of(model, what) for what in answers_too.get(model, ()))):
        for how in ("INSERT", "INSERT OR REPLACE", "REPLACE", "INSERT OR IGNORE"):
            words = refusal(partial(rows.insert, model, how, **taken))
            assert f"guard_{model._meta.model_name}_no_replace:" in words, how
        before = model._default_manager.count()
        with without(guard_of(model, "no_replace")):
            rows.insert(model, "INSERT OR REPLACE", **taken)
            assert model._default_manager.count() == before, "a row was lost"


@only_sqlite
@pytest.mark.parametrize("model", GUARDED, ids=name_of)
def test_no_row_takes_another_rows_place_by_sqlites_own_number(rows: Rows, model: type[models.Model]) -> None:
    old = rows.of[model][0]
    if model is Subject:  # its key is that number
        replace = partial(rows.insert, Subject, "REPLACE", id=old.pk)
    else:
        replace = lambda: replace_by_rowid(old, rows.fresh(model))  # noqa: E731

    assert f"guard_{model._meta.model_name}_no_replace:" in refusal(replace)
    with without(guard_of(model, "no_replace")):
        replace()
        assert not model._default_manager.filter(pk=old.pk, **_unlike_fresh(model, old)).exists()


def _unlike_fresh(model: type[models.Model], old: Any) -> dict[str, Any]:
    return {"entry_id": old.entry_id} if model is Subject else {}


@only_sqlite
@pytest.mark.parametrize("model", GUARDED, ids=name_of)
def test_no_changed_row_takes_another_rows_place_by_sqlites_own_number(
    rows: Rows, model: type[models.Model]
) -> None:
    guard = guard_of(model, "no_update_replace")
    case = replacing_by_update(rows, guard, model)

    assert "guard_" in refusal(case.run)
    with without(*case.also):
        assert f"{guard.name}:" in refusal(case.run)


@only_sqlite
@pytest.mark.parametrize("model", RECORDS, ids=name_of)
def test_no_corrected_record_takes_the_place_of_the_one_that_has_its_code(
    rows: Rows, model: type[models.Model]
) -> None:
    first, second = rows.of[model]
    keys = [key for key in model._meta.local_concrete_fields if key.unique and not key.primary_key]
    stolen: list[dict[str, Any]] = [{key.attname: getattr(first, key.attname)} for key in keys]
    for changes in [*stolen, {"rowid": rowid(first)}]:
        steal = partial(update, second, "UPDATE OR REPLACE", revised_id=rows.head + 1, **changes)
        assert "_no_update_replace:" in refusal(steal), changes
        with without(guard_of(model, "no_update_replace")):
            steal()
            assert not model._default_manager.filter(pk=first.pk).exists(), changes


@pytest.mark.parametrize("model", GUARDED, ids=name_of)
def test_an_insert_that_becomes_an_update_is_refused(rows: Rows, model: type[models.Model]) -> None:
    pk = model._meta.pk
    columns = [f.column for f in model._meta.local_concrete_fields if not f.primary_key]
    sets = ", ".join(f'"{column}" = excluded."{column}"' for column in columns)
    then = f'ON CONFLICT ("{pk.column}") DO UPDATE SET {sets}'
    taken: dict[str, Any] = {pk.attname: rows.of[model][0].pk}

    assert "guard_" in refusal(partial(rows.insert, model, then=then, **taken))


# --- rows that are changed ----------------------------------------------------------------------------


def another(column: "models.Field[Any, Any]", value: Any) -> Any:
    """Return a value of the column's type that is not this one."""
    target = column.target_field if column.is_relation else column
    if isinstance(target, models.JSONField):
        return {"name": "Somebody Else"}
    if isinstance(target, models.UUIDField):
        return new_key()
    if isinstance(target, models.BooleanField):
        return not value
    if isinstance(target, models.DateTimeField):
        return (value or START) + timedelta(hours=1)
    if isinstance(target, models.DateField):
        return date(2026, 2, 3) if value is None else value + DAY
    if isinstance(target, models.DecimalField):
        return (value or Decimal(0)) + 1
    if isinstance(target, models.IntegerField):
        return (value or 0) + 1
    if isinstance(target, models.BinaryField):
        return b"\x01" * 16
    return "x" + (value or "")[1:]


@pytest.mark.parametrize("model", NEVER_CHANGED, ids=name_of)
def test_no_column_of_the_ledger_or_of_a_share_is_ever_changed(rows: Rows, model: type[models.Model]) -> None:
    row = rows.of[model][0]
    with alone(model, "no_update"):
        for column in model._meta.local_concrete_fields:
            value = another(column, getattr(row, column.attname))
            assert "_no_update:" in refusal(partial(update, row, **{column.attname: value})), column.name


@pytest.mark.parametrize("model", VERSIONS, ids=name_of)
def test_superseding_a_version_changes_nothing_else_of_it(rows: Rows, model: type[models.Model]) -> None:
    row = rows.of[model][0]
    by_entry = {"superseded_id": rows.head + 1}
    assert refusal(partial(update, row, **by_entry)) == ""
    with alone(model, "superseded_once"):
        for column in model._meta.local_concrete_fields:
            if column.attname != "superseded_id":
                changes = {column.attname: another(column, getattr(row, column.attname))}
                for tried in (changes, by_entry | changes):
                    assert "_superseded_once:" in refusal(partial(update, row, **tried)), tried


@pytest.mark.parametrize("model", VERSIONS, ids=name_of)
def test_a_version_is_superseded_once_and_for_good(rows: Rows, model: type[models.Model]) -> None:
    row = rows.of[model][0]
    with alone(model, "superseded_once"):
        for index in (1, rows.head, rows.head + 2):
            assert "_superseded_once:" in refusal(partial(update, row, superseded_id=index)), index

    update(row, superseded_id=rows.head + 1)
    rows.tell()

    with alone(model, "superseded_once"):
        for index in (None, 1, rows.head, rows.head + 1, rows.head + 2):
            assert "_superseded_once:" in refusal(partial(update, row, superseded_id=index)), index


@pytest.mark.parametrize("model", RECORDS, ids=name_of)
def test_no_column_of_a_record_changes_without_the_entry_to_come(
    rows: Rows, model: type[models.Model]
) -> None:
    row = rows.of[model][0]
    assert refusal(partial(update, row, revised_id=rows.head + 1)) == ""
    for column in imaged_fields(model):
        changes = {column.attname: another(column, getattr(row, column.attname))}
        if column.attname == "revised_id":
            changes = {"revised_id": rows.head + 2}
        with alone(model, "revised_by_entry"):
            assert "_revised_by_entry:" in refusal(partial(update, row, **changes)), column.name
            if column.attname in ("id", "registered_id"):
                by_entry = refusal(partial(update, row, **{"revised_id": rows.head + 1, **changes}))
                assert "_revised_by_entry:" in by_entry, column.name


def test_signing_a_check_off_changes_nothing_that_was_judged(rows: Rows) -> None:
    row, by = rows.of[AcceptanceCheck][0], rows.of[Staff][0].pk
    told = {"revised_id": rows.head + 1, "signed_off_at": START, "signed_off_by_id": by}
    assert refusal(partial(update, row, **told, sign_off_note="well")) == ""
    with alone(AcceptanceCheck, "signed_once"):
        for column in imaged_fields(AcceptanceCheck):
            if column.column not in guards.SIGN_OFF_COLUMNS:
                value = another(column, getattr(row, column.attname))
                words = refusal(partial(update, row, **{**told, column.attname: value}))
                assert "_signed_once:" in words, column.name


def test_a_check_is_signed_off_once(rows: Rows) -> None:
    row, by = rows.of[AcceptanceCheck][0], rows.of[Staff][0].pk
    update(row, revised_id=rows.head + 1, signed_off_at=START, signed_off_by_id=by)
    rows.tell()
    for changes in ({"sign_off_note": "well"}, {"signed_off_at": None, "signed_off_by_id": None}):
        assert "_signed_once:" in refusal(partial(update, row, revised_id=rows.head + 1, **changes))


def test_sealing_a_reading_changes_nothing_else_of_it(rows: Rows) -> None:
    row = rows.of[Reading][0]
    assert refusal(partial(update, row, seal_id=rows.head + 1)) == ""
    with alone(Reading, "sealed_once"):
        for column in Reading._meta.local_concrete_fields:
            if column.name != "seal":
                value = another(column, getattr(row, column.attname))
                words = refusal(partial(update, row, seal_id=rows.head + 1, **{column.attname: value}))
                assert "_sealed_once:" in words, column.name


def test_a_reading_is_sealed_once_and_for_good(rows: Rows) -> None:
    row = rows.of[Reading][0]
    update(row, seal_id=rows.head + 1)
    rows.tell()
    for index in (None, rows.head, rows.head + 1):
        assert "_sealed_once:" in refusal(partial(update, row, seal_id=index))


def test_a_checkpoint_is_of_what_is_there_and_later_than_the_one_before(rows: Rows) -> None:
    newest = rows.of[Checkpoint][1]

    for wrong in (
        {"size": rows.head + 1},
        {"size": newest.size},
        {"size": newest.size - 1},
        {"at": newest.at},
        {"at": newest.at - TICK},
    ):
        with alone(Checkpoint, "onward"):
            assert "_onward:" in refusal(partial(rows.insert, Checkpoint, **wrong)), wrong
    assert refusal(partial(rows.insert, Checkpoint, at=newest.at + TICK)) == ""


def test_what_no_entry_images_changes_without_one(rows: Rows) -> None:
    row = rows.of[Staff][0]
    for name in Staff.not_imaged:
        changed = another(Staff._meta.get_field(name), getattr(row, name))
        assert refusal(partial(update, row, **{name: changed})) == "", name


@pytest.mark.parametrize("model", [*RECORDS, *VERSIONS], ids=name_of)
def test_a_row_is_made_by_the_entry_to_come_and_by_no_other(rows: Rows, model: type[models.Model]) -> None:
    stamps = ["registered_id", "revised_id"] if issubclass(model, Record) else ["recorded_id"]
    for stamp in stamps:
        for index in (1, rows.head, rows.head + 2):
            words = refusal(partial(rows.insert, model, **{stamp: index}))
            assert "_made_by_entry:" in words, (stamp, index)
    if issubclass(model, Version):
        for index in (1, rows.head + 1):
            words = refusal(partial(rows.insert, model, superseded_id=index))
            assert "_made_by_entry:" in words, index


# --- the ledger ---------------------------------------------------------------------------------------


def test_the_first_entry_is_entry_1(db: None) -> None:
    first = {"id": new_key(), "recorded_at": START, "occurred_at": START, "face": "command", "verb": "x"}
    first |= {"schema": 1, "simulated": False, "body": "{}", "leaf_hash": bytes(32)}
    with outside_actions():
        for index in (-1, 0, 2):
            assert "guard_entry_next_index" in refusal(partial(insert, Entry(index=index, **first))), index
        assert refusal(partial(insert, Entry(index=1, **first))) == ""


def test_an_entry_follows_the_newest_one_without_a_gap(rows: Rows) -> None:
    for index in (rows.head + 2, rows.head + 1_000, rows.head, 1, 0):
        assert "guard_entry" in refusal(partial(rows.insert, Entry, index=index)), index
    assert refusal(partial(rows.insert, Entry)) == ""


def test_the_time_of_an_entry_follows_the_newest_one(rows: Rows) -> None:
    newest = Entry.objects.latest("index").recorded_at
    for earlier in (newest - TICK, newest, newest - 400 * DAY):
        with alone(Entry, "time_onward"):
            words = refusal(partial(rows.insert, Entry, recorded_at=earlier))
            assert "guard_entry_time_onward" in words, earlier
    assert refusal(partial(rows.insert, Entry, recorded_at=newest + TICK)) == ""


def test_real_entries_follow_simulated_ones_and_never_the_other_way_round(db: None) -> None:
    def entry(index: int, simulated: bool) -> Entry:
        return Entry(
            index=index,
            id=new_key(),
            recorded_at=START + index * DAY,
            occurred_at=START,
            face="command",
            verb="depot.registered",
            schema=1,
            simulated=simulated,
            body="{}",
            leaf_hash=bytes(32),
        )

    with outside_actions():
        for index, simulated in enumerate((True, True, False, False), start=1):
            insert(entry(index, simulated))
        assert "guard_entry_simulated_first" in refusal(partial(insert, entry(5, simulated=True)))
        assert refusal(partial(insert, entry(5, simulated=False))) == ""


def test_subjects_come_with_their_entry(rows: Rows) -> None:
    for index in (1, rows.head + 1):
        refused = refusal(partial(rows.insert, Subject, entry_id=index))
        assert "guard_subject_newest_entry" in refused, index


# --- splits, and personal text ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "shares", [[(1, 10_000)], [(1, 9_999), (2, 1)], [(2, 5_000), (1, 2_500), (3, 2_500)]]
)
def test_a_split_of_exactly_the_whole_counted_from_the_left_is_accepted(
    rows: Rows, shares: list[tuple[int, int]]
) -> None:
    assert refusal(partial(rows.insert, Split, shares=shares)) == ""


@pytest.mark.parametrize(
    "shares",
    [
        [],
        [(1, 9_999)],
        [(1, 6_000), (2, 4_001)],
        [(1, 6_000), (2, 3_999)],
        [(2, 10_000)],
        [(1, 6_000), (3, 4_000)],
        [(1, 2_000), (2, 4_000), (4, 4_000)],
    ],
)
def test_a_split_that_is_not_whole_or_has_a_gap_is_refused(rows: Rows, shares: list[tuple[int, int]]) -> None:
    assert "guard_split_whole" in refusal(partial(rows.insert, Split, shares=shares))


def test_no_share_is_added_to_a_split_that_stands(rows: Rows) -> None:
    product = rows.write(rows.fresh(Product))
    rows.tell()
    for split, accepted in ((rows.of[Split][0].pk, False), (new_key(), True)):
        added = {"split_id": split, "position": 3, "product_id": product.pk, "hundredths": 1}
        words = refusal(partial(rows.insert, SplitShare, **added))
        assert words == "" if accepted else "guard_splitshare_before_split" in words


def test_personal_text_is_erased_whole_or_left_alone(rows: Rows) -> None:
    row = rows.of[ContactText][0]
    erased = {"salt": None, "text": None}

    assert refusal(partial(update, row, **erased)) == ""
    for changes in (
        {"text": {"name": "Somebody Else"}},
        {"salt": b"\x01" * 16},
        {"text": None},
        {"salt": None},
        {**erased, "commitment": "0" * 64},
        {**erased, "contact_id": rows.of[Contact][1].pk},
        {**erased, "id": new_key()},
    ):
        assert "guard_contacttext_only_erased" in refusal(partial(update, row, **changes)), changes

    update(row, **erased)
    put_back = partial(update, row, salt=bytes(16), text={"name": "Wren Calder"})
    assert "guard_contacttext_only_erased" in refusal(put_back)


def test_a_photo_is_erased_whole_or_left_alone(rows: Rows) -> None:
    row, another = rows.of[PhotoFile][0], rows.write(rows.fresh(Photo))
    rows.tell()

    assert refusal(partial(update, row, content=None)) == ""
    for changes in (
        {"content": b"another picture"},
        {"content": None, "sha256": "0" * 64},
        {"content": None, "photo_id": another.pk},
        {"content": None, "id": new_key()},
    ):
        assert "guard_photofile_only_erased" in refusal(partial(update, row, **changes)), changes

    update(row, content=None)
    assert "guard_photofile_only_erased" in refusal(partial(update, row, content=b"a picture"))


# --- periods ------------------------------------------------------------------------------------------

HISTORIES: list[tuple[type[models.Model], str]] = [
    (AccountState, "one_per_account"),
    (CabinetWhereabouts, "one_per_cabinet"),
    (DeviceWhereabouts, "one_per_device"),
    (DeviceWhereabouts, "one_per_slot"),
    (LocationHolding, "one_per_location"),
    (LocationHolding, "one_per_store_number"),
    (LocationState, "one_per_location"),
    (Split, "one_per_cabinet"),
]
each_history = pytest.mark.parametrize(
    ("model", "what"), HISTORIES, ids=[f"{name_of(model)}-{what}" for model, what in HISTORIES]
)
LATER = START + 5_000 * DAY  # far from the rows that stand already
TEN = 10 * DAY

# The second period against [0, 10) days, and whether they share an instant.
AGAINST_CLOSED: list[tuple[timedelta, timedelta | None, bool]] = [
    (-TEN, timedelta(0), False),  # they touch
    (TEN, 2 * TEN, False),
    (TEN, None, False),
    (2 * TEN, 3 * TEN, False),
    (-TEN, TICK, True),  # by one microsecond
    (TEN - TICK, 2 * TEN, True),
    (TEN - TICK, None, True),
    (timedelta(0), TEN, True),  # the same
    (2 * DAY, 3 * DAY, True),  # inside
    (-DAY, 11 * DAY, True),  # around
    (-DAY, None, True),
    (timedelta(0), None, True),
    (-DAY, FAR - LATER, True),  # a far-away end is an end like any other
    (TEN, FAR - LATER, False),
]
# And against [0, still).
AGAINST_OPEN: list[tuple[timedelta, timedelta | None, bool]] = [
    (-TEN, timedelta(0), False),
    (-TEN, -DAY, False),
    (-TEN, TICK, True),
    (-TEN, None, True),
    (timedelta(0), None, True),
    (1_000 * DAY, 1_001 * DAY, True),  # still is later than every start
    (1_000 * DAY, None, True),
    (FAR - LATER - DAY, FAR - LATER, True),
]


def clashing(rows: Rows, what: str, model: type[models.Model]) -> dict[str, Any]:
    """Return what makes a row the same in the one respect that the guard names, and in no other."""
    first = rows.of[model][0]
    second = rows.of[model][1]
    if what == "one_per_slot":
        return {"device_id": second.device_id, "cabinet_id": first.cabinet_id, "slot": first.slot}
    if what == "one_per_store_number":
        return {
            "location_id": second.location_id,
            "account_id": first.account_id,
            "store_number": first.store_number,
        }
    history = model._meta.get_field(model.history_of).attname
    apart = {DeviceWhereabouts: {"cabinet_id"}, LocationHolding: {"account_id", "store_number"}}
    return {
        history: getattr(first, history),
        **{name: getattr(second, name) for name in apart.get(model, ())},
    }


def test_every_history_is_among_those_that_are_tried() -> None:
    assert {model for model, _what in HISTORIES} == set(PERIODS)
    assert {(model, f"one_per_{model.history_of}") for model in PERIODS} <= set(HISTORIES)


@pytest.mark.parametrize("way", ["insert", "update"])
@each_history
def test_two_current_periods_touch_and_never_overlap(
    rows: Rows, model: type[models.Model], what: str, way: str
) -> None:
    guard = guard_of(model, what)
    clash = clashing(rows, guard.what, model)
    alike = {name: getattr(rows.of[model][0], name) for name in clash}
    wanted = f"{guard.name}_update" if SQLITE and way == "update" else guard.name
    century = {"valid_from": START - 40_000 * DAY, "valid_to": START - 39_000 * DAY}
    for end, relations in ((LATER + TEN, AGAINST_CLOSED), (None, AGAINST_OPEN)):
        with without():
            first = rows.write(rows.fresh(model, **alike, valid_from=LATER, valid_to=end))
            second = rows.write(rows.fresh(model, **clash, **century))
            rows.tell()
            with without(guard_of(model, "superseded_once")):  # it would answer the update first
                for begins, ends, overlap in relations:
                    bounds = {
                        "valid_from": LATER + begins,
                        "valid_to": ends if ends is None else LATER + ends,
                    }
                    if way == "insert":
                        words = refusal(partial(rows.insert, model, **clash, **bounds))
                    else:
                        words = refusal(partial(update, second, **bounds, **_told(model, bounds)))
                    assert wanted in words if overlap else words == "", (end, begins, ends, words)
            update(first, superseded_id=rows.head + 1)
            same = {"valid_from": LATER, "valid_to": end}
            assert refusal(partial(rows.insert, model, **clash, **same)) == "", "nobody believes the first"
        rows.head -= 1  # its entry was undone


def _told(model: type[models.Model], bounds: dict[str, Any]) -> dict[str, str]:
    if model is not DeviceWhereabouts:
        return {}
    return {"end_reason": "moved" if bounds["valid_to"] else ""}


@each_history
def test_an_old_belief_is_not_believed_again_where_a_new_one_stands(
    rows: Rows, model: type[models.Model], what: str
) -> None:
    guard = guard_of(model, what)
    clash = clashing(rows, guard.what, model)
    alike = {name: getattr(rows.of[model][0], name) for name in clash}
    bounds = {"valid_from": LATER, "valid_to": LATER + TEN}
    first = rows.write(rows.fresh(model, **alike, **bounds))
    rows.tell()
    update(first, superseded_id=rows.head + 1)
    rows.write(rows.fresh(model, **clash, **bounds))
    rows.tell()

    again = partial(update, first, superseded_id=None)
    with alone(model, "superseded_once"):
        assert "_superseded_once" in refusal(again)
    with without(guard_of(model, "superseded_once")):
        assert guard.name in refusal(again)


# --- finding what is gone, and putting it back ----------------------------------------------------------


def _altered(guard: Guard) -> list[str]:
    """Return statements after which a guard keeps its name and guards nothing."""
    if SQLITE:
        return [f'DROP TRIGGER "{guard.name}"', guard.sqlite_sql().replace("WHEN ", "WHEN 0 AND ", 1)]
    if guard.exclusion:
        [drop] = guard.drop_sql("postgresql")
        return [drop, guard.postgresql_sql()[0].replace("WHERE (", "WHERE (1 = 0 AND ")]
    return [guard.postgresql_sql()[0].replace(" IF ", " IF 1 = 0 AND ")]


@pytest.mark.parametrize("guard", GUARDS.values(), ids=GUARDS)
def test_a_guard_that_was_dropped_or_altered_is_missed_and_put_back(db: None, guard: Guard) -> None:
    for statements in (guard.drop_sql(connection.vendor), _altered(guard)):
        with transaction.atomic():
            for statement in statements:
                execute(statement)
            assert missing(connection) == [guard]
            guards.install(connection)
            assert missing(connection) == []
            transaction.set_rollback(True)


@only_postgresql
@pytest.mark.parametrize("guard", [g for g in GUARDS.values() if not g.exclusion], ids=lambda g: g.name)
def test_a_trigger_that_was_switched_off_or_bound_elsewhere_is_missed_and_put_back(
    db: None, guard: Guard
) -> None:
    table = f'ALTER TABLE "{guard.table}"'
    again = [f'DROP TRIGGER "{guard.name}" ON "{guard.table}"']
    level = "STATEMENT" if guard.event == guards.TRUNCATE else "ROW"
    call = f'FOR EACH {level} WHEN (1 = 0) EXECUTE FUNCTION "{guard.name}"()'
    never = f'CREATE TRIGGER "{guard.name}" BEFORE {guard.event} ON "{guard.table}" {call}'
    for statements in (
        [f'{table} DISABLE TRIGGER "{guard.name}"'],
        [f'{table} ENABLE REPLICA TRIGGER "{guard.name}"'],
        [f"{table} DISABLE TRIGGER ALL", f'{table} ENABLE TRIGGER ALL, DISABLE TRIGGER "{guard.name}"'],
        [*again, never],
        [*again, guard.postgresql_trigger().replace(" BEFORE ", " AFTER ")],
        [*again, guard.postgresql_trigger().replace(f" ON {guard.table}", " ON django_session")],
    ):
        with transaction.atomic():
            for statement in statements:
                execute(statement)
            assert missing(connection) == [guard], statements
            guards.install(connection)
            assert missing(connection) == [], statements
            transaction.set_rollback(True)


def test_a_register_without_any_guard_gets_them_all(db: None) -> None:
    guards.remove(connection)
    assert missing(connection) == all_guards(connection.vendor)

    guards.install(connection)

    assert missing(connection) == []


@only_sqlite
def test_a_migration_that_remakes_a_table_loses_its_guards_and_migrate_puts_them_back(
    real_transactions: None,
) -> None:
    with outside_actions():
        rows = Rows()
        with connection.schema_editor() as editor:
            editor._remake_table(Account)

        lost = [guard for guard in GUARDS.values() if guard.table == Account._meta.db_table]
        assert missing(connection) == lost != []
        assert refusal(partial(delete, rows.of[Account][0])) == ""

        call_command("migrate", verbosity=0)

        assert missing(connection) == []
        assert "guard_account_no_delete" in refusal(partial(delete, rows.of[Account][0]))


def about_to_migrate(plan: list[Any]) -> None:
    pre_migrate.send(sender=apps.get_app_config("registry"), using=connection.alias, plan=plan)


@only_sqlite
@pytest.mark.parametrize("model", [Entry, Split, SplitShare], ids=name_of)
def test_a_table_that_other_guards_read_is_remade_with_the_guards_lifted(
    real_transactions: None, model: type[models.Model]
) -> None:
    def remake() -> None:
        with connection.schema_editor() as editor:
            editor._remake_table(model)

    with outside_actions():
        with pytest.raises(OperationalError, match="error in trigger guard_"):
            remake()
        assert missing(connection) == []  # the failed migration was undone as a whole

        rows = Rows()
        about_to_migrate(plan=[])
        assert missing(connection) == []  # with nothing to do, nothing is lifted
        about_to_migrate(plan=["a migration to run"])
        remake()
        call_command("migrate", verbosity=0)

        assert missing(connection) == []
        assert "_no_delete" in refusal(partial(delete, rows.of[model][0]))
