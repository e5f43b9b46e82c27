"""Ways to tamper with a register behind its back, from clumsy to consistent, each as a function.

They are called with the guards lifted. `prepare` gives a register the entries and checkpoints that they work
on; fixtures/tampered/ledgers.json says what catches each, and fixtures/tampered/write_ledgers.py makes a
database of each to try by hand.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

from django.apps import apps
from django.conf import settings
from django.db import connection
from django.db.models import ForeignKey, Model

from registry.actions import locations
from registry.actions._action import SYSTEM, Actor
from registry.actions.checkpoints import make_checkpoint
from registry.ledger import guards, tree
from registry.models import Checkpoint, CheckpointDeparture, Depot, Entry, Subject, TreeNode
from registry.models.base import new_key
from registry.rules.canonical import parse_canonical
from registry.rules.checkpoints import new_private_key, read_private_key, read_record, sign
from registry.rules.merkle import Frontier
from tests.ledger.tampering import edit, newest, remove, remove_entry, rewrite

TICK = timedelta(microseconds=1)


def prepare(actor: Actor) -> list[Checkpoint]:
    """Correct a depot a few times, sign in between and at the end, and return the two checkpoints."""
    depot = Depot.objects.order_by("code").first()
    assert depot is not None
    first = make_checkpoint(SYSTEM)
    names = ["Tarn Mouth", "Tarnmouth Quay", "Tarnmouth Old Quay", "Tarnmouth"]
    # An even number of entries, so that a whole subtree stands above the newest.
    names += ["Tarnmouth Pier"] * ((Entry.objects.count() + len(names)) % 2)
    for name in names:
        locations.correct_depot(actor, depot_id=depot.pk, particulars={"name": f"{name} ({depot.code})"})
    return [first, make_checkpoint(SYSTEM)]


# --- steps -------------------------------------------------------------------------------------------


def rename(body: dict[str, Any]) -> None:
    """Let an entry say another name."""
    body["images"][0]["after"]["name"] = "Elsewhere"


def undo_entry(entry: Entry) -> None:
    """Take an entry and all that it wrote out of the register."""
    body: Any = parse_canonical(entry.body.encode())
    for image in reversed(body["images"]):
        model: type[Model] = apps.get_model("registry", image["table"])
        row = model._base_manager.get(pk=image["key"])
        if image["before"] is None:
            remove(row)
        else:
            edit(row, **{column.attname: _read(column, image["before"]) for column in _columns(model, image)})
    remove_entry(entry)


def _columns(model: type[Model], image: Any) -> list[Any]:
    return [column for column in model._meta.local_concrete_fields if column.column in image["before"]]


def _read(column: Any, before: Any) -> Any:
    target = column.target_field if isinstance(column, ForeignKey) else column
    return target.to_python(before[column.column])


def grow_anew() -> Frontier:
    """Write the whole stored tree anew over the entries as they stand."""
    TreeNode.objects.all().delete()
    frontier = Frontier()
    tree.grow(frontier, Entry.objects.count())
    return frontier


def sign_anew(key: str) -> None:
    """Put in the place of every checkpoint one of the entries as they stand now, signed with a key."""
    rows = list(Checkpoint.objects.order_by("size"))
    for row in rows:
        CheckpointDeparture.objects.filter(checkpoint=row).delete()
        remove(row)
    grow_anew()
    founding = Entry.objects.get(index=1)
    for row in rows:
        size = min(row.size, Entry.objects.count())
        if Checkpoint.objects.filter(size=size).exists():
            continue
        said = read_record(row.record)
        root = tree.frontier_at(size).root()
        signed = sign(read_private_key(key), replace(said, register=founding.id, size=size, root=root))
        Checkpoint.objects.create(
            size=size,
            root=root,
            at=row.at,
            record=signed.record,
            signature=signed.signature,
            public_key=signed.public_key,
        )


# --- tampers -----------------------------------------------------------------------------------------


def edit_an_entry() -> None:
    """Another text, and nothing else."""
    rewrite(newest(), rename, rehash=False)


def edit_an_entry_and_its_hash_and_row() -> None:
    """Another text with its hash, and the row to go with it."""
    rewrite(newest(), rename, rehash=True)
    edit(_last_depot(), name="Elsewhere")


def edit_an_entry_and_the_tree() -> None:
    """The same, and the stored tree computed anew."""
    edit_an_entry_and_its_hash_and_row()
    grow_anew()


def delete_the_last_entry() -> None:
    """The newest entry, its row left as it is."""
    remove_entry(newest())


def delete_the_last_entry_and_what_it_wrote() -> None:
    """The newest entry, its row put back."""
    undo_entry(newest())


def swap_two_entries() -> None:
    """The two newest exchange their indexes."""
    last = newest()
    before = Entry.objects.get(index=last.index - 1)
    parked = last.index + 1_000
    for old, new in ((last.index, parked), (before.index, last.index), (parked, before.index)):
        Subject.objects.filter(entry_id=old).update(entry_id=new)
        Entry.objects.filter(index=old).update(index=new)


def insert_an_entry() -> None:
    """One more before the newest, which moves up; all texts with the right hash."""
    last = newest()
    Subject.objects.filter(entry_id=last.index).update(entry_id=last.index + 1)
    Entry.objects.filter(index=last.index).update(index=last.index + 1, recorded_at=last.recorded_at + TICK)
    middle = Entry.objects.get(index=last.index - 1)
    fields = {column.attname: getattr(middle, column.attname) for column in Entry._meta.local_concrete_fields}
    Entry.objects.create(
        **{
            **fields,
            "index": last.index,
            "id": new_key(),
            "recorded_at": last.recorded_at,
        }
    )


def edit_a_row() -> None:
    """A table's row, and nothing in the ledger."""
    edit(_last_depot(), name="Elsewhere")


def replace_a_row() -> None:
    """A whole new row under the key of another, as INSERT OR REPLACE leaves it."""
    depot = _last_depot()
    fields = {column.attname: getattr(depot, column.attname) for column in Depot._meta.local_concrete_fields}
    remove(depot)
    Depot.objects.create(**{**fields, "name": "Elsewhere"})


def drop_a_guard() -> None:
    """One guard, after they are back."""
    [guard] = [g for g in guards.all_guards(connection.vendor) if g.name == "guard_entry_no_update"]
    with connection.cursor() as cursor:
        for statement in guard.drop_sql(connection.vendor):
            cursor.execute(statement)


def edit_a_checkpoint() -> None:
    """Another root in the column."""
    edit(_last_checkpoint(), root=bytes(32))


def replace_a_checkpoint() -> None:
    """A checkpoint of another root, signed with somebody's key."""
    row = _last_checkpoint()
    statement = replace(read_record(row.record), root=bytes(32))
    signed = sign(read_private_key(new_private_key()), statement)
    edit(row, root=bytes(32), record=signed.record, signature=signed.signature, public_key=signed.public_key)


def delete_a_checkpoint_and_what_it_signed() -> None:
    """The newest checkpoint, and the entries since the one before with what they wrote."""
    last = _last_checkpoint()
    before = Checkpoint.objects.filter(size__lt=last.size).latest("size")
    CheckpointDeparture.objects.filter(checkpoint=last).delete()
    remove(last)
    for entry in Entry.objects.filter(index__gt=before.size).order_by("-index"):
        undo_entry(entry)
    grow_anew()


def rewrite_and_sign_with_another_key() -> None:
    """Entry, row and tree rewritten, and every checkpoint made anew with another key."""
    edit_an_entry_and_its_hash_and_row()
    sign_anew(new_private_key())


def rewrite_and_sign_with_the_registers_own_key() -> None:
    """The same by somebody who has the key itself: nothing in the machine contradicts it."""
    edit_an_entry_and_its_hash_and_row()
    sign_anew(settings.CHECKPOINT_KEY)


def empty_the_tree() -> None:
    """Every stored subtree."""
    TreeNode.objects.all().delete()


def edit_a_subtree() -> None:
    """One stored subtree."""
    TreeNode.objects.filter(number=1).update(digest=bytes(32))


def _last_depot() -> Depot:
    return Depot.objects.get(pk=newest().subjects.get(kind="depot").thing_id)


def _last_checkpoint() -> Checkpoint:
    return Checkpoint.objects.latest("size")


TAMPERS: dict[str, Callable[[], None]] = {
    tamper.__name__: tamper
    for tamper in (
        edit_an_entry,
        edit_an_entry_and_its_hash_and_row,
        edit_an_entry_and_the_tree,
        delete_the_last_entry,
        delete_the_last_entry_and_what_it_wrote,
        swap_two_entries,
        insert_an_entry,
        edit_a_row,
        replace_a_row,
        drop_a_guard,
        edit_a_checkpoint,
        replace_a_checkpoint,
        delete_a_checkpoint_and_what_it_signed,
        rewrite_and_sign_with_another_key,
        rewrite_and_sign_with_the_registers_own_key,
        empty_the_tree,
        edit_a_subtree,
    )
}
# Done when the guards are back, because it is about them.
WITH_GUARDS = frozenset({"drop_a_guard"})
