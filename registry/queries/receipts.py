"""Receipts: entries with the proof that a signed checkpoint holds them, to be verified without the register.

The form is described in the README, and read by registry/static/registry/verify_bundle.py, which shares
nothing with this.
"""

from collections.abc import Collection, Iterable
from uuid import UUID

from django.utils.text import slugify

from registry.ledger.tree import consistency_path, inclusion_paths
from registry.models import Checkpoint, Device, Entry, Location
from registry.models.base import Record
from registry.queries.checkpoints import checkpoint
from registry.queries.timelines import EVENTS_MAX, device_trace, location_timeline
from registry.rules.canonical import Json
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Kind
from registry.rules.particulars import invalid

FORM = "rimebook-bundle-1"
NAME_LETTERS_MAX = 60  # of a label in the name of a file

Bundle = dict[str, Json]


def file_name(kind: str, label: str | int, to: Checkpoint) -> str:
    """Return the name of a receipt's file, by what people call the thing."""
    called = slugify(str(label))[:NAME_LETTERS_MAX].strip("-")
    return f"receipt-{kind}-{called}-in-{to.size}.json" if called else f"receipt-{kind}-in-{to.size}.json"


def entry_receipt(index: int, to: Checkpoint, kept: int | None = None) -> Bundle:
    """Return the receipt of one entry that checkpoint `to` covers.

    `kept` is the size of a checkpoint that somebody keeps: it is added, with the proof that it and `to`
    are of one history. Raises RuleBroken NOT_FOUND, VALUE_INVALID, TREE_DAMAGED.
    """
    return _bundle(f"Entry {index} of the ledger", None, [index], to, kept)


def location_receipt(location: Location, to: Checkpoint, kept: int | None = None) -> Bundle:
    """Return the receipt of every line of a location's timeline up to `to`; raises as `_of_story`."""
    events = location_timeline(location.pk, known_index=to.size)
    return _of_story(Kind.LOCATION, location, [event.index for event in events], to, kept)


def device_receipt(device: Device, to: Checkpoint, kept: int | None = None) -> Bundle:
    """Return the receipt of every line of a device's trace up to `to`; raises as `_of_story`."""
    events = device_trace(device.pk, known_index=to.size)
    return _of_story(Kind.DEVICE, device, [event.index for event in events], to, kept)


def consistency_receipt(old: int, to: Checkpoint) -> Bundle:
    """Return two checkpoints with the proof that the older one's entries are the newer one's first.

    Raises RuleBroken NOT_FOUND, VALUE_INVALID where the older one is newer, TREE_DAMAGED.
    """
    return _bundle(f"The ledger of {old} entries and that of {to.size}", None, [], to, old)


def _of_story(
    kind: Kind, thing: Record, indexes: Collection[int], to: Checkpoint, kept: int | None
) -> Bundle:
    """Raise RuleBroken TOO_MANY where the story is longer than what is told of it, and as `entry_receipt`."""
    if len(indexes) >= EVENTS_MAX:
        raise RuleBroken(
            Code.TOO_MANY,
            f"This story has {EVENTS_MAX} lines or more. Take the receipts of the lines that you need.",
        )
    about = f"The {kind} {thing.label}: every line of its story up to entry {to.size}"
    return _bundle(about, (kind, thing.pk, thing.label), indexes, to, kept)


def _bundle(
    about: str,
    subject: tuple[Kind, UUID, str] | None,
    indexes: Iterable[int],
    to: Checkpoint,
    kept: int | None,
) -> Bundle:
    wanted = sorted(indexes)
    bodies = dict(Entry.objects.filter(index__in=wanted).values_list("index", "body"))
    paths = inclusion_paths(wanted, to.size)
    older = [] if kept is None or kept == to.size else [_older(kept, to)]
    return {
        "form": FORM,
        "about": about,
        "subject": None
        if subject is None
        else {"kind": str(subject[0]), "id": str(subject[1]), "label": subject[2]},
        "checkpoints": [found.as_signed().as_json() for found in (*older, to)],
        "entries": [
            {
                "index": index,
                "body": bodies[index],
                "size": to.size,
                "path": [digest.hex() for digest in paths[index]],
            }
            for index in wanted
        ],
        "consistency": [
            {
                "from": found.size,
                "to": to.size,
                "path": [digest.hex() for digest in consistency_path(found.size, to.size)],
            }
            for found in older
        ],
    }


def _older(size: int, to: Checkpoint) -> Checkpoint:
    if size > to.size:
        raise invalid("kept", f"The checkpoint of {size} entries is newer than that of {to.size}. Swap them.")
    try:
        return checkpoint(size)
    except RuleBroken as broken:
        raise RuleBroken(
            broken.code,
            f"This register has no checkpoint of {size} entries. Read the size in the record that you keep;"
            " if it stands there, that checkpoint was taken away here or is another register's.",
            field="kept",
        ) from None
