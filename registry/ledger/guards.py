"""The single list of guards: what the database itself refuses, whoever asks.

A guard is a trigger, or on PostgreSQL for overlaps an exclusion constraint. All are installed from
`all_guards()` after every migrate, because SQLite drops triggers silently when a migration remakes a
table. The readiness check, the audit and a test look for each of them by `missing()`.

The conditions are plain SQL that both databases read; `{differs}` is the one word in which they part.
"""

import re
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

from django.apps import apps
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Field, Model, UniqueConstraint

from registry.ledger._guard import DELETE, INSERT, TRUNCATE, UPDATE
from registry.ledger._guard import NAME_LENGTH_MAX as NAME_LENGTH_MAX
from registry.ledger._guard import Guard as Guard
from registry.ledger._visit_guards import visit_guards
from registry.ledger.images import column_of, imaged_fields, ledgered_models
from registry.models import (
    AcceptanceCheck,
    Checkpoint,
    ContactText,
    Entry,
    PhotoFile,
    Reading,
    Split,
    SplitShare,
    Subject,
    Visit,
)
from registry.models.base import LedgerKind, PeriodVersion

HEAD = '(SELECT coalesce(max(e."index"), 0) FROM registry_entry e)'

# What of an acceptance check comes after it.
SIGN_OFF_COLUMNS = ("signed_off_at", "signed_off_by_id", "sign_off_note", "revised_index")


@cache
def all_guards(vendor: str) -> list[Guard]:
    """Return every guard that a database of this vendor ("sqlite" or "postgresql") must hold."""
    guards = [
        *_ledger_guards(),
        *(guard for model in ledgered_models() for guard in _model_guards(model)),
        *_part_guards(),
        *_erasable_guards(),
        *_sealed_guards(),
        *_frozen_guards(),
        *visit_guards(_changed(Visit)),
        *_overlap_guards(),
    ]
    return [guard for guard in guards if guard.only in ("", vendor)]


# --- what each kind of table refuses ---------------------------------------------------------------


def _append_only(table: str) -> Iterator[Guard]:
    yield Guard(table, "no_update", UPDATE, "1 = 1", "rows here are never changed")
    yield from _never_removed(table)


def _never_removed(table: str) -> Iterator[Guard]:
    yield Guard(table, "no_delete", DELETE, "1 = 1", "rows here are never deleted")
    yield Guard(table, "no_truncate", TRUNCATE, "1 = 1", "rows here are never deleted", only="postgresql")


def _never_replaced(model: type[Model]) -> Iterator[Guard]:
    """Refuse INSERT OR REPLACE and UPDATE OR REPLACE, which delete rows without asking a trigger."""
    table = model._meta.db_table
    # A row can be replaced through SQLite's own number of it too, with no key of ours in common.
    taken = [f'EXISTS (SELECT 1 FROM "{table}" o WHERE o.rowid = NEW.rowid AND o.{{other}})']
    for columns, condition in _unique_keys(model):
        same = " AND ".join(f'o."{column}" = NEW."{column}"' for column in columns)
        taken.append(f'EXISTS (SELECT 1 FROM "{table}" o WHERE {same} AND o.{{other}}{condition})')
    pk = model._meta.pk.column
    on_insert = " OR ".join(clause.format(other="rowid IS NOT NULL") for clause in taken)
    on_update = " OR ".join(clause.format(other="rowid <> OLD.rowid") for clause in taken)
    refuses = f"no row takes another row''s {pk} or code"
    yield Guard(table, "no_replace", INSERT, on_insert, refuses, only="sqlite")
    yield Guard(table, "no_update_replace", UPDATE, on_update, refuses, only="sqlite")


def _unique_keys(model: type[Model]) -> Iterator[tuple[list[str], str]]:
    """Yield the columns of each unique key, with the condition of a partial one."""
    for field in model._meta.local_concrete_fields:
        if field.unique:
            yield [column_of(field)], ""
    for constraint in model._meta.constraints:
        if isinstance(constraint, UniqueConstraint):
            columns = [_column(model, name) for name in constraint.fields]
            yield columns, _partial(constraint)


def _column(model: type[Model], name: str) -> str:
    field = model._meta.get_field(name)
    if not isinstance(field, Field):
        raise TypeError(f"{name} of {model.__name__} is no column")
    return column_of(field)


def _partial(constraint: UniqueConstraint) -> str:
    if constraint.condition is None:
        return ""
    # The two partial keys of the register, written out: a query compiler has no NEW row.
    return {
        "staff_depot_given_once": " AND o.superseded_index IS NULL AND NEW.superseded_index IS NULL",
        "device_serial_once": " AND o.standing IN ('confirmed', 'provisional')"
        " AND NEW.standing IN ('confirmed', 'provisional')",
    }[constraint.name]


def _ledger_guards() -> Iterator[Guard]:
    entry, subject = Entry._meta.db_table, Subject._meta.db_table
    checkpoint = Checkpoint._meta.db_table
    for model in (Entry, Subject, Checkpoint):
        yield from _append_only(model._meta.db_table)
        yield from _never_replaced(model)
    yield Guard(
        entry, "next_index", INSERT, f'NEW."index" {{differs}} {HEAD} + 1', "an entry follows the newest one"
    )
    yield Guard(
        entry,
        "time_onward",
        INSERT,
        f'EXISTS (SELECT 1 FROM {entry} e WHERE e."index" = {HEAD} AND e.recorded_at >= NEW.recorded_at)',
        "recorded time never goes backwards",
    )
    yield Guard(
        entry,
        "simulated_first",
        INSERT,
        f'NEW.simulated AND EXISTS (SELECT 1 FROM {entry} e WHERE e."index" = {HEAD} AND NOT e.simulated)',
        "the clock is not simulated after a real entry",
    )
    yield Guard(
        subject,
        "newest_entry",
        INSERT,
        f"NEW.entry_index {{differs}} {HEAD}",
        "subjects come with their entry",
    )
    yield Guard(
        checkpoint,
        "onward",
        INSERT,
        f"NEW.size > {HEAD} OR EXISTS (SELECT 1 FROM {checkpoint} c WHERE c.size >= NEW.size"
        " OR c.at >= NEW.at)",
        "a checkpoint is of entries that are there, and later than those before it",
    )


def _model_guards(model: type[Model]) -> Iterator[Guard]:
    table = model._meta.db_table
    kind: LedgerKind = model.ledger_kind  # type: ignore[attr-defined]
    yield from _never_removed(table)
    yield from _never_replaced(model)
    if kind is LedgerKind.PART:
        yield Guard(table, "no_update", UPDATE, "1 = 1", "rows here are never changed")
    elif kind is LedgerKind.VERSION:
        yield Guard(
            table,
            "made_by_entry",
            INSERT,
            f"NEW.recorded_index {{differs}} {HEAD} + 1 OR NEW.superseded_index IS NOT NULL",
            "a version is made by the entry to come",
        )
        yield Guard(
            table,
            "superseded_once",
            UPDATE,
            f"OLD.superseded_index IS NOT NULL OR NEW.superseded_index {{differs}} {HEAD} + 1"
            f" OR {_changed(model, 'superseded_index')}",
            "a version is superseded once and never changed",
        )
    elif kind is LedgerKind.RECORD:
        yield Guard(
            table,
            "made_by_entry",
            INSERT,
            f"NEW.registered_index {{differs}} {HEAD} + 1 OR NEW.revised_index {{differs}} {HEAD} + 1",
            "a record is made by the entry to come",
        )
        yield Guard(
            table,
            "revised_by_entry",
            UPDATE,
            f"NEW.id {{differs}} OLD.id OR NEW.registered_index {{differs}} OLD.registered_index"
            f" OR (NEW.revised_index {{differs}} {HEAD} + 1 AND ({_changed(model)}))",
            "a record is changed by the entry to come",
        )


def _changed(model: type[Model], *leave_out: str) -> str:
    columns = [field.column for field in imaged_fields(model) if field.column not in leave_out]
    return " OR ".join(f'NEW."{column}" {{differs}} OLD."{column}"' for column in columns)


def _part_guards() -> Iterator[Guard]:
    split, share = Split._meta.db_table, SplitShare._meta.db_table
    yield Guard(
        share,
        "before_split",
        INSERT,
        f"EXISTS (SELECT 1 FROM {split} s WHERE s.id = NEW.split_id)",
        "a split is closed to further shares",
    )
    yield Guard(
        split,
        "whole",
        INSERT,
        f"(SELECT coalesce(sum(s.hundredths), 0) FROM {share} s WHERE s.split_id = NEW.id) <> 10000"
        f" OR (SELECT count(*) FROM {share} s WHERE s.split_id = NEW.id)"
        f" <> (SELECT coalesce(max(s.position), 0) FROM {share} s WHERE s.split_id = NEW.id)",
        "shares add to exactly 100 percent and are counted from the left",
    )


def _erasable_guards() -> Iterator[Guard]:
    for model, kept, wiped, refuses in (
        (ContactText, ("contact_id", "commitment"), ("salt", "text"), "personal text is"),
        (PhotoFile, ("photo_id", "sha256"), ("content",), "a photo is"),
    ):
        table = model._meta.db_table
        yield from _never_removed(table)
        yield from _never_replaced(model)
        same = [f"NEW.{column} {{differs}} OLD.{column}" for column in ("id", *kept)]
        gone = [f"NEW.{column} IS NOT NULL" for column in wiped]
        condition = " OR ".join([*same, *gone])
        yield Guard(table, "only_erased", UPDATE, condition, f"{refuses} erased or left alone")


def _sealed_guards() -> Iterator[Guard]:
    table = Reading._meta.db_table
    yield from _never_removed(table)
    yield from _never_replaced(Reading)
    yield Guard(table, "unsealed", INSERT, "NEW.seal_index IS NOT NULL", "a report comes unsealed")
    yield Guard(
        table,
        "sealed_once",
        UPDATE,
        f"OLD.seal_index IS NOT NULL OR NEW.seal_index {{differs}} {HEAD} + 1"
        f" OR {_changed(Reading, 'seal_index')}",
        "a report is sealed once, by the entry to come, and never changed",
    )


def _frozen_guards() -> Iterator[Guard]:
    frozen = _changed(AcceptanceCheck, *SIGN_OFF_COLUMNS)
    yield Guard(
        AcceptanceCheck._meta.db_table,
        "signed_once",
        UPDATE,
        f"OLD.signed_off_at IS NOT NULL OR {frozen}",
        "a check is signed off once, and nothing else of it changes",
    )


# Each history in which one thing has one current period at a time: model, what, columns, where.
def _overlap_guards() -> Iterator[Guard]:
    for model in apps.get_app_config("registry").get_models():
        if issubclass(model, PeriodVersion):
            column = _column(model, model.history_of)
            table = model._meta.db_table
            yield from _no_overlap(table, f"one_per_{model.history_of}", (column,), "")
    yield from _no_overlap(
        "registry_devicewhereabouts", "one_per_slot", ("cabinet_id", "slot"), "cabinet_id IS NOT NULL"
    )
    yield from _no_overlap(
        "registry_locationholding", "one_per_store_number", ("account_id", "store_number"), ""
    )


def _no_overlap(table: str, what: str, columns: tuple[str, ...], where: str) -> Iterator[Guard]:
    same = " AND ".join(f"o.{column} = NEW.{column}" for column in columns)
    new_side = f" AND NEW.{where}" if where else ""
    # NULL is "still": compared as such, never through a far-away date, which SQLite would compare as text
    # with what its column affinity may have made a number.
    condition = (
        f"NEW.superseded_index IS NULL{new_side} AND EXISTS (SELECT 1 FROM {table} o WHERE {same}"
        " AND o.superseded_index IS NULL AND o.id <> NEW.id"
        " AND (NEW.valid_to IS NULL OR o.valid_from < NEW.valid_to)"
        " AND (o.valid_to IS NULL OR o.valid_to > NEW.valid_from))"
    )
    equal = ", ".join(f"{column} WITH =" for column in columns)
    current = f"(superseded_index IS NULL) AND ({where})" if where else "superseded_index IS NULL"
    exclusion = f"EXCLUDE USING gist ({equal}, tstzrange(valid_from, valid_to) WITH &&) WHERE ({current})"
    refuses = "two current periods of one history overlap"
    yield Guard(table, what, INSERT, condition, refuses, exclusion=exclusion)
    yield Guard(table, f"{what}_update", UPDATE, condition, refuses, only="sqlite")


# --- putting them in place, and looking for them ---------------------------------------------------


def install(on: BaseDatabaseWrapper) -> None:
    """Make every guard that is missing or was changed; raises what the database raises."""
    with on.cursor() as cursor:
        for guard in missing(on):
            for statement in guard.drop_sql(on.vendor):
                cursor.execute(statement)
            for statement in [guard.sqlite_sql()] if on.vendor == "sqlite" else guard.postgresql_sql():
                cursor.execute(statement)


def remove(on: BaseDatabaseWrapper) -> None:
    """Take every guard away: for tests that flush their tables, and for nothing else."""
    with on.cursor() as cursor:
        for guard in all_guards(on.vendor):
            for statement in guard.drop_sql(on.vendor):
                cursor.execute(statement)


def missing(on: BaseDatabaseWrapper) -> list[Guard]:
    """Return the guards that are absent, altered or switched off."""
    present = _sqlite_present(on) if on.vendor == "sqlite" else _postgresql_present(on)
    return [guard for guard in all_guards(on.vendor) if _expected(guard, on.vendor) not in present]


def _expected(guard: Guard, vendor: str) -> str:
    if vendor == "sqlite":
        return guard.sqlite_sql()
    if guard.exclusion:
        return _plain(f"{guard.table} {guard.name} {guard.exclusion}")
    return f"{guard.postgresql_trigger()} {guard.postgresql_body()}"


def _sqlite_present(on: BaseDatabaseWrapper) -> set[str]:
    with on.cursor() as cursor:
        cursor.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'")
        return {sql for (sql,) in cursor.fetchall()}


def _postgresql_present(on: BaseDatabaseWrapper) -> set[str]:
    with on.cursor() as cursor:
        # The whole definition: a trigger can keep its name and function, and be bound to another event.
        cursor.execute(
            "SELECT pg_get_triggerdef(t.oid, true), p.prosrc"
            " FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid"
            " WHERE NOT t.tgisinternal AND t.tgenabled IN ('O', 'A')"
        )
        present = {f"{definition} {body}" for definition, body in cursor.fetchall()}
        cursor.execute(
            "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid)"
            " FROM pg_constraint WHERE contype = 'x'"
        )
        return present | {_plain(" ".join(row)) for row in cursor.fetchall()}


def _plain(definition: str) -> str:
    """Return a constraint's definition without the brackets and spaces that versions print differently."""
    return re.sub(r"[()\s]", "", definition).lower()


def lift_before_migrate(using: str, plan: Sequence[Any] = (), **_signal: Any) -> None:
    """Lift the guards for migrations on SQLite, where a table that a trigger reads cannot be remade."""
    if plan and connection.alias == using and connection.vendor == "sqlite":
        remove(connection)


def install_after_migrate(using: str, **_signal: Any) -> None:
    """Put the guards back after a migrate, once the tables stand."""
    if connection.alias == using and Entry._meta.db_table in connection.introspection.table_names():
        install(connection)
