"""What a refused call leaves behind (nothing), and what an accepted one does (one entry with its images)."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.db import connection, transaction

from registry.actions._action import Writing
from registry.ledger import journal
from registry.ledger.images import image_of, ledgered_models, table_name
from registry.models import Entry
from registry.rules.errors import RuleBroken
from registry.rules.events import Verb
from tests.conftest import outside_actions
from tests.factories.world import World

Dump = dict[str, list[tuple[Any, ...]]]
Images = dict[tuple[str, str], Any]


def dump() -> Dump:
    """Return every row of every table of the register, in an order of its own."""
    found: Dump = {}
    with connection.cursor() as cursor:
        for table in sorted(connection.introspection.table_names(cursor)):
            if table.startswith("registry_"):
                cursor.execute(f'SELECT * FROM "{table}"')
                found[table] = sorted(cursor.fetchall(), key=repr)
    return found


@contextmanager
def nothing_changed() -> Iterator[None]:
    """Hold that no row of the register is added, changed or removed meanwhile."""
    before = dump()
    assert before["registry_entry"], "an empty register cannot show that nothing changed"
    yield
    after = dump()
    assert {table for table in after if after[table] != before[table]} == set()


@contextmanager
def refused(code: str, field: str | None = None) -> Iterator[pytest.ExceptionInfo[RuleBroken]]:
    """Expect a refusal with this code at this field, in words that end a sentence, and nothing written."""
    with nothing_changed(), pytest.raises(RuleBroken) as caught:
        yield caught
    broken = caught.value
    assert (str(broken.code), broken.field) == (code, field), str(broken)
    assert broken.message.endswith("."), broken.message


@contextmanager
def undone() -> Iterator[None]:
    """Take back what is written meanwhile, so that the next call meets the same register."""
    savepoint = transaction.savepoint()
    try:
        yield
    finally:
        transaction.savepoint_rollback(savepoint)


def unruled(world: World, write: Callable[[Writing], None]) -> None:
    """Write, in an entry of its own, history that no action would: as a register of other rules may hold."""
    with outside_actions(), transaction.atomic():
        journal.lock()
        writing = Writing(world.office, journal.read_head())
        write(writing)
        writing.tell(Verb.PERIOD_CORRECTED, writing.now, {"subject": world.account})


def images() -> Images:
    """Return the image of every ledgered row, as a fresh read gives it."""
    return {
        (table_name(model), str(row.pk)): image_of(row)
        for model in ledgered_models()
        for row in model._default_manager.all()
    }


def entry_of(call: Callable[[], object]) -> tuple[Entry, list[str]]:
    """Make an accepted call; return its one entry, and "+table" or "~table" of each image in order.

    Holds that the entry images exactly what changed: each row before and after, as fresh reads give them.
    """
    before, head = images(), Entry.objects.order_by("-index").first()
    call()
    after = images()
    new = list(Entry.objects.filter(index__gt=head.index if head else 0))
    assert len(new) == 1, f"{len(new)} entries for one call"
    body = json.loads(new[0].body)
    told = {(image["table"], image["key"]): (image["before"], image["after"]) for image in body["images"]}
    changed = {key for key in after if before.get(key) != after[key]}
    assert before.keys() <= after.keys(), "a ledgered row is gone"
    assert told == {key: (before.get(key), after[key]) for key in changed}
    return new[0], [("~" if image["before"] else "+") + image["table"] for image in body["images"]]
