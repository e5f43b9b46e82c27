"""Photos as evidence: added, and erased."""

from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._devices import store_of
from registry.actions._steps import assignment_in_sight, find, fresh_key, history_in_sight
from registry.actions._visits import visit_told_of
from registry.models import (
    Cabinet,
    CabinetWhereabouts,
    Device,
    DeviceWhereabouts,
    Photo,
    PhotoFile,
)
from registry.models.base import Record
from registry.rules import particulars as particular_rules
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.particulars import invalid
from registry.rules.periods import require_past
from registry.rules.photos import KeptPhoto, PhotoKind, sha256_of
from registry.rules.roles import Act


@action(Act.RECORD_MOUNTING)
def add_photo(
    writing: Writing,
    *,
    kind: str,
    kept: KeptPhoto,
    taken_at: datetime,
    assignment_id: UUID | None = None,
    visit_id: UUID | None = None,
    cabinet_id: UUID | None = None,
    device_id: UUID | None = None,
    id: UUID | None = None,
) -> Photo:
    """Add a photo of an assignment, a cabinet or a device, bound to the entry by the hash of its bytes.

    `kept` is what rules.photos.re_encode made of it, before the lock is taken: that takes a while. An
    assignment names its cabinet and device itself. `visit_id` is of a visit to where the cabinet stood
    then; `id` is the caller's key. Raises RuleBroken VALUE_INVALID, TIME_IN_FUTURE, CODE_TAKEN, NOT_FOUND,
    CABINET_NOT_AVAILABLE, VISIT_STATE.
    """
    cabinet, device = _shown(writing, assignment_id, cabinet_id, device_id)
    require_past(taken_at, writing.now, "taken_at")
    visit_told_of(writing, visit_id, cabinet, taken_at)
    sha256 = sha256_of(kept.content)
    photo = writing.insert(
        Photo(
            id=fresh_key(Photo, id),
            kind=str(particular_rules.choice(PhotoKind)(kind, "kind")),
            assignment=assignment_id,
            visit_id=visit_id,
            cabinet=cabinet,
            device=device,
            sha256=sha256,
            width_px=kept.width_px,
            height_px=kept.height_px,
            taken_at=taken_at,
        )
    )
    writing.insert(PhotoFile(photo=photo, sha256=sha256, content=kept.content))
    writing.tell(Verb.PHOTO_ADDED, taken_at, _about(photo))
    return photo


@action(Act.ERASE_PHOTO)
def erase_photo(writing: Writing, *, photo_id: UUID, reason: str = "") -> Photo:
    """Wipe the bytes of a photo; that it was there, and its hash, stay in the ledger.

    Raises RuleBroken NOTHING_CHANGES for one that was erased before, NOT_FOUND.
    """
    photo = find(Photo, photo_id, "photo")
    _in_sight(writing, photo.cabinet, photo.device, "photo")
    if photo.erased:
        raise RuleBroken(Code.NOTHING_CHANGES, "This photo was erased before.", field="photo")
    writing.revise(photo, erased=True)
    PhotoFile.objects.filter(photo=photo).update(content=None)
    writing.tell(Verb.PHOTO_ERASED, writing.now, _about(photo), reason=reason)
    return photo


def _shown(
    writing: Writing, assignment_id: UUID | None, cabinet_id: UUID | None, device_id: UUID | None
) -> tuple[Cabinet | None, Device | None]:
    """Return what a photo shows, which this person may see."""
    if assignment_id is not None:
        place, cabinet = assignment_in_sight(writing, assignment_id)
        for name, given, own in (("cabinet", cabinet_id, cabinet.pk), ("device", device_id, place.device_id)):
            if given is not None and given != own:
                raise invalid(name, f"This is not the {name} of the assignment. Leave it out.")
        return cabinet, place.device
    if cabinet_id is None and device_id is None:
        raise invalid("cabinet", "Nobody knows what the photo shows. Name the assignment or the cabinet.")
    shown_cabinet = find(Cabinet, cabinet_id, "cabinet") if cabinet_id is not None else None
    shown_device = find(Device, device_id, "device") if device_id is not None else None
    _in_sight(writing, shown_cabinet, None, "cabinet")
    _in_sight(writing, None, shown_device, "device")
    return shown_cabinet, shown_device


def _in_sight(writing: Writing, cabinet: Cabinet | None, device: Device | None, field: str) -> None:
    """Raise RuleBroken NOT_FOUND for what is hidden: a photo is seen by its cabinet, else by its device."""
    if cabinet is not None:
        history_in_sight(writing, CabinetWhereabouts, cabinet, field)
    elif device is not None:
        history_in_sight(writing, DeviceWhereabouts, device, field)


def _about(photo: Photo) -> dict[str, Record | None]:
    location = store_of(photo.cabinet, photo.taken_at)
    return {"photo": photo, "device": photo.device, "cabinet": photo.cabinet, "location": location}
