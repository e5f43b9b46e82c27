"""The audit of the tables: each row against what the entries prove, each personal text against its hash."""

from collections.abc import Callable
from functools import partial
from typing import Any

from django.db.models import ForeignKey, Model

from registry.ledger._audit_images import differences, digest_of, image_left, readable, stored_bytes
from registry.ledger._findings import PROGRESS_EVERY, Finding, Progress, Report
from registry.ledger._scratch import Scratch
from registry.ledger.images import (
    Image,
    image_of,
    imaged_fields,
    ledgered_models,
    rows_in_key_order,
    table_name,
)
from registry.models import Contact, ContactText, Photo, PhotoFile, Staff
from registry.rules.canonical import Json
from registry.rules.commitments import commitment
from registry.rules.photos import sha256_of

CHUNK = 200  # rows read at a time
PHOTOS_CHUNK = 8  # photos read at a time, each of up to some hundred kilobytes


def check_tables(report: Report, scratch: Scratch, progress: Progress | None = None) -> None:
    """Compare each row with its last image; what the ledger proves and no table holds is missing."""
    models = ledgered_models()
    total = sum(model._default_manager.count() for model in models) if progress else 0
    for model in models:
        table = table_name(model)
        # Read within: a value that has no image is as unreadable as one that has no form in Python.
        images = map(partial(_imaged, _kinds(model)), rows_in_key_order(model, CHUNK))
        broken = _unreadable(report, "rows", table, partial(scratch.see_all, table))
        for key, stored, digest in readable(images, broken):
            report.rows += 1
            _check_row(report, scratch, (table, key), stored, digest)
            if progress and (report.rows % PROGRESS_EVERY == 0 or report.rows == total):
                progress("rows", report.rows, total)
    for table, key, left in scratch.unseen():
        words = f"{table} {key} was made by an entry, but is gone from the table."
        report.note(Finding("rows", words, left.entry, table, key, proved=image_left(left, table, key)))


def _kinds(model: type[Model]) -> list[tuple[str, Callable[[Any], Any]]]:
    """Return each imaged attribute of a model with what brings a value into the kind of its column."""
    return [
        (field.attname, (field.target_field if isinstance(field, ForeignKey) else field).to_python)
        for field in imaged_fields(model)
    ]


def _imaged(kinds: list[tuple[str, Callable[[Any], Any]]], row: Model) -> tuple[str, Image, bytes]:
    """Return a row's key, image and digest; raises ValueError for a value that an image would hide.

    SQLite keeps 3000.5 in a column of whole numbers, of which an image would say 3000.
    """
    for name, to_python in kinds:
        value = getattr(row, name)
        if value is not None and type(to_python(value)) is not type(value):
            raise ValueError(f"{name} is {value!r}")
    image = image_of(row)
    return str(row.pk), image, digest_of(image)


def _check_row(report: Report, scratch: Scratch, row: tuple[str, str], stored: Image, digest: bytes) -> None:
    left, what = scratch.see(*row), " ".join(row)
    if left is None:
        words = f"{what} stands in the table, but no entry made it."
        report.note(Finding("rows", words, None, *row, stored=stored))
    elif left.digest != digest:
        for column, value, proved in differences(stored, image_left(left, *row)):
            words = f"{what}: the field {column} is stored as {value!r}, the ledger proves {proved!r}."
            report.note(Finding("rows", words, left.entry, *row, column, value, proved))


def _unreadable(
    report: Report, layer: str, table: str, ask_no_more: Callable[[], None] = lambda: None
) -> Callable[[Exception], None]:
    """Return what says that a table cannot be read on, after which what was not read is not missed."""

    def say(error: Exception) -> None:
        words = (
            f"The table {table} cannot be read to its end, and what follows in it was not compared: a column"
            f" holds what it cannot have ({error})."
        )
        report.note(Finding(layer, words, table=table))
        ask_no_more()

    return say


# --- personal texts --------------------------------------------------------------------------------


def check_contact_texts(report: Report, scratch: Scratch) -> None:
    """Check personal texts against what the ledger commits to; what was erased is counted and said."""
    table = table_name(ContactText)
    texts = ContactText.objects.order_by("pk").iterator(chunk_size=CHUNK)
    for text in readable(texts, _unreadable(report, "commitments", table, scratch.see_all_texts)):
        report.texts += 1
        contact = str(text.contact_id)
        problem = _problem(scratch, contact, text)
        report.erased += text.salt is None and not problem
        if problem:
            words = f"The text of contact {contact} {problem}."
            report.note(Finding("commitments", words, table=table, key=str(text.pk)))
    for contact in scratch.texts_gone():
        words = f"A text of contact {contact} is gone from the table."
        report.note(Finding("commitments", words, table=table_name(Contact), key=contact))


def _problem(scratch: Scratch, contact: str, text: ContactText) -> str:
    erased = scratch.is_erased(contact)
    if not scratch.see_text(contact, text.commitment):
        return "is none that an entry committed to"
    if text.salt is None:
        return "" if erased else "is gone, although no entry erased it"
    if erased:
        return "stands there, although an entry erased it"
    if not _is_committed(text.salt, text.text, text.commitment):
        return "is not the one that was committed to"
    return ""


def check_staff_names(report: Report) -> None:
    """Check the names of staff against what the ledger commits to."""
    table = table_name(Staff)
    people = Staff.objects.order_by("pk").iterator(chunk_size=CHUNK)
    for staff in readable(people, _unreadable(report, "commitments", table)):
        report.names += 1
        if not _is_committed(staff.name_salt, staff.name, staff.name_commitment):
            words = f"The name of {staff.label} is not the one that was committed to."
            report.note(Finding("commitments", words, table=table, key=str(staff.pk)))


def _is_committed(salt: object, text: Json, proved: str) -> bool:
    try:
        return commitment(stored_bytes(salt), text) == proved
    except ValueError:  # a salt or text that no action would have written
        return False


# --- photos ----------------------------------------------------------------------------------------


def check_photos(report: Report) -> None:
    """Check the bytes of each photo against the hash in its row, which `check_tables` holds to the ledger.

    What was erased is counted and said.
    """
    table = table_name(PhotoFile)
    photos = Photo.objects.select_related("file").order_by("pk").iterator(chunk_size=PHOTOS_CHUNK)
    for photo in readable(photos, _unreadable(report, "photos", table)):
        report.photos += 1
        problem = _photo_problem(photo)
        report.photos_erased += photo.erased and not problem
        if problem:
            words = f"The bytes of photo {photo.pk} {problem}."
            report.note(Finding("photos", words, photo.revised_id, table, str(photo.pk)))


def _photo_problem(photo: Photo) -> str:
    held: PhotoFile | None = getattr(photo, "file", None)
    if held is None:
        return "are gone from the table"
    if held.sha256 != photo.sha256:
        return "stand under another hash than the ledger's"
    if held.content is None:
        return "" if photo.erased else "are gone, although no entry erased them"
    if photo.erased:
        return "stand there, although an entry erased them"
    return "" if sha256_of(stored_bytes(held.content)) == photo.sha256 else "are not those that were bound"
