"""The audit of the tables: each row against what the entries prove, each personal text against its hash."""

from collections.abc import Callable

from registry.ledger._audit_images import differences, digest_of, image_left, readable, stored_bytes
from registry.ledger._findings import PROGRESS_EVERY, Finding, Progress, Report
from registry.ledger._scratch import Scratch
from registry.ledger.images import Image, image_of, ledgered_models, rows_in_key_order, table_name
from registry.models import Contact, ContactText, Staff
from registry.rules.canonical import Json
from registry.rules.commitments import commitment

CHUNK = 200  # rows read at a time


def check_tables(report: Report, scratch: Scratch, progress: Progress | None = None) -> None:
    """Compare each row with its last image; what the ledger proves and no table holds is missing."""
    models = ledgered_models()
    total = sum(model._default_manager.count() for model in models) if progress else 0
    for model in models:
        table = table_name(model)
        # Read within: a value that has no image is as unreadable as one that has no form in Python.
        images = ((str(row.pk), *_imaged(image_of(row))) for row in rows_in_key_order(model, CHUNK))
        for key, stored, digest in readable(images, _unreadable(report, "rows", table, scratch)):
            report.rows += 1
            _check_row(report, scratch, (table, key), stored, digest)
            if progress and (report.rows % PROGRESS_EVERY == 0 or report.rows == total):
                progress("rows", report.rows, total)
    for table, key, left in scratch.unseen():
        words = f"{table} {key} was made by an entry, but is gone from the table."
        report.note(Finding("rows", words, left.entry, table, key, proved=image_left(left, table, key)))


def _imaged(image: Image) -> tuple[Image, bytes]:
    return image, digest_of(image)


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
    report: Report, layer: str, table: str, scratch: Scratch | None = None
) -> Callable[[Exception], None]:
    def say(error: Exception) -> None:
        words = (
            f"The table {table} cannot be read to its end, and what follows in it was not compared: a column"
            f" holds what it cannot have ({error})."
        )
        report.note(Finding(layer, words, table=table))
        if scratch:
            scratch.see_all(table)

    return say


# --- personal texts --------------------------------------------------------------------------------


def check_contact_texts(report: Report, scratch: Scratch) -> None:
    """Check personal texts against what the ledger commits to; what was erased is counted and said."""
    table = table_name(ContactText)
    texts = ContactText.objects.order_by("pk").iterator(chunk_size=CHUNK)
    for text in readable(texts, _unreadable(report, "commitments", table)):
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
