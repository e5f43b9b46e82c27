"""The audit of the tables and of personal texts against the ledger."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from django.db import connection
from django.db.models import BinaryField, F, Model, UUIDField

from registry.actions import (
    locations,
)
from registry.ledger import guards
from registry.ledger.audit import Finding, audit
from registry.ledger.images import image_of, ledgered_models, table_name
from registry.models import (
    AcceptanceCheck,
    Account,
    AccountState,
    ApiToken,
    Cabinet,
    CabinetModel,
    CabinetSurvey,
    CabinetWhereabouts,
    Contact,
    ContactText,
    Count,
    CountItem,
    Depot,
    Device,
    DeviceModel,
    DeviceToken,
    DeviceWhereabouts,
    KitPart,
    KitRule,
    Location,
    LocationHolding,
    LocationState,
    Mounting,
    MountingPractice,
    Photo,
    Product,
    ReadingSeal,
    Split,
    SplitShare,
    Staff,
    StaffDepot,
    Visit,
    VisitCabinet,
)
from registry.models.base import PeriodVersion, new_key
from registry.rules.commitments import commitment
from tests.factories.world import DAY
from tests.ledger.tampering import (
    Life,
    edit,
    found,
    remove,
    undone,
    writer_of,
)

MINUTE = timedelta(minutes=1)


# --- the tables ------------------------------------------------------------------------------------

# One imaged column of each ledgered table, and another value that the table would hold.
EDITS: dict[type[Model], tuple[str, Any]] = {
    Account: ("name", "Elsewhere"),
    AccountState: ("valid_from", MINUTE),
    ApiToken: ("revoked", False),
    Cabinet: ("position", "by the door"),
    CabinetModel: ("interior_width_mm", 1201),
    CabinetWhereabouts: ("valid_from", MINUTE),
    Contact: ("location_id", None),
    Count: ("name", "Elsewhere"),
    CountItem: ("note", "behind a door"),
    Depot: ("name", "Elsewhere"),
    Device: ("firmware", "9.9"),
    DeviceToken: ("revoked", True),
    ReadingSeal: ("last_received_at", MINUTE),
    DeviceModel: ("range_mm", 2999),
    DeviceWhereabouts: ("valid_from", MINUTE),
    Location: ("time_zone", "America/Chicago"),
    LocationHolding: ("store_number", "9999"),
    LocationState: ("starts_known_by", True),
    Product: ("net_mass", Decimal("9.125")),
    Split: ("valid_from", MINUTE),
    SplitShare: ("hundredths", 1),
    Staff: ("role", "auditor"),
    StaffDepot: ("depot_id", None),
    AcceptanceCheck: ("note", "in the rain"),
    CabinetSurvey: ("note", "in the rain"),
    KitPart: ("name", "Something else"),
    KitRule: ("quantity", 99),
    Mounting: ("note", "in the rain"),
    MountingPractice: ("most_mm", 99),
    Photo: ("kind", "inside"),
    Visit: ("note", "in the rain"),
    VisitCabinet: ("position", 99),
}


def sample(model: type[Model]) -> Any:
    """Return a row of a table: the one with the smallest key that an edit would change."""
    rows = model._base_manager.order_by("pk")
    if model is LocationState:
        rows = rows.filter(starts_known_by=False)
    if model is ApiToken:
        rows = rows.filter(revoked=True)
    if model is Staff:
        rows = rows.exclude(role="auditor")
    row = rows.first()
    assert row is not None
    return row


def test_an_edited_row_of_any_ledgered_table_is_named_with_field_and_values(
    life: Life, subtests: Any
) -> None:
    assert set(EDITS) == set(ledgered_models())
    others = {"location_id": life.world.location.pk, "depot_id": life.world.tarnmouth.pk}
    others["location_id"] = Location.objects.exclude(pk=life.contact.location_id).earliest("pk").pk
    for model, (column, value) in EDITS.items():
        with subtests.test(table=table_name(model)):
            row = sample(model)
            if column == "depot_id":
                others["depot_id"] = Depot.objects.exclude(pk=row.depot_id).earliest("pk").pk
            stored = getattr(row, column) + value if value is MINUTE else others.get(column, value)

            writer = writer_of(row)

            findings = found(lambda: edit(row, **{column: stored}))  # noqa: B023

            proved = image_of(row)[column]
            setattr(row, column, stored)
            told = image_of(row)[column]
            assert findings == [
                Finding(
                    "rows",
                    f"{table_name(model)} {row.pk}: the field {column} is stored as {told!r},"
                    f" the ledger proves {proved!r}.",
                    entry=writer,
                    table=table_name(model),
                    key=str(row.pk),
                    field=column,
                    stored=told,
                    proved=proved,
                )
            ]


def test_a_row_deleted_from_any_ledgered_table_is_missed(life: Life, subtests: Any) -> None:
    for model in ledgered_models():
        with subtests.test(table=table_name(model)):
            row = sample(model)

            proved, writer = image_of(row), writer_of(row)

            findings = found(lambda: remove(row))  # noqa: B023

            assert findings == [
                Finding(
                    "rows",
                    f"{table_name(model)} {row.pk} was made by an entry, but is gone from the table.",
                    entry=writer,
                    table=table_name(model),
                    key=str(row.pk),
                    proved=proved,
                )
            ]


def like(row: Any) -> Any:
    """Return a row that a table would take beside one that it has."""
    row.pk = new_key()
    for field in row._meta.local_concrete_fields:
        if field.unique and not field.primary_key and getattr(row, field.attname) is not None:
            another = {BinaryField: b"9999", UUIDField: new_key()}.get(type(field), "9999")
            setattr(row, field.attname, another)
    if isinstance(row, PeriodVersion):
        row.period, row.valid_from = new_key(), datetime(2001, 1, 1, tzinfo=UTC)
        row.valid_to = row.valid_from + DAY
        if isinstance(row, DeviceWhereabouts) and row.cabinet_id:
            row.end_reason = "fault"
    elif isinstance(row, StaffDepot):
        row.superseded_id = row.recorded_id
    elif isinstance(row, SplitShare):
        row.position, row.product_id = 9, new_key()
    elif isinstance(row, CountItem):
        row.position = 999
    elif isinstance(row, ReadingSeal):
        row.sealed_until = datetime(2099, 1, 1, tzinfo=UTC)
    elif isinstance(row, Device):
        row.serial = "PB39999999"
    elif isinstance(row, MountingPractice):
        row.value = "headroom_cleared"
    elif isinstance(row, VisitCabinet):
        row.cabinet_id = Cabinet.objects.exclude(pk=row.cabinet_id).earliest("pk").pk
    return row


def test_a_row_added_to_any_ledgered_table_is_made_by_no_entry(life: Life, subtests: Any) -> None:
    for model in ledgered_models():
        with subtests.test(table=table_name(model)):
            row = like(sample(model))

            findings = found(lambda: row.save(force_insert=True))  # noqa: B023

            assert findings == [
                Finding(
                    "rows",
                    f"{table_name(model)} {row.pk} stands in the table, but no entry made it.",
                    table=table_name(model),
                    key=str(row.pk),
                    stored=image_of(row),
                ),
                *([bytes_gone(row)] if isinstance(row, Photo) else []),
            ]


def bytes_gone(photo: Photo) -> Finding:
    """Return the finding of a photo that stands in its table without its bytes."""
    words = f"The bytes of photo {photo.pk} are gone from the table."
    return Finding("photos", words, photo.revised_id, "photofile", str(photo.pk))


def test_a_version_believed_again_contradicts_the_ledger(life: Life) -> None:
    place = DeviceWhereabouts.objects.get(device=life.device)

    findings = found(lambda: edit(place, superseded=None))

    assert [f.words for f in findings] == [
        f"devicewhereabouts {place.pk}: the field superseded_index is stored as None,"
        f" the ledger proves {place.superseded_id}."
    ]


def test_a_version_superseded_without_an_entry_contradicts_the_ledger(brief: Life) -> None:
    stay = CabinetWhereabouts.objects.current().earliest("id")

    findings = found(lambda: edit(stay, superseded=F("recorded")))

    assert [(f.layer, f.key) for f in findings] == [("rows", str(stay.pk))]
    assert "the field superseded_index" in findings[0].words


def test_a_row_put_in_the_place_of_another_contradicts_the_ledger(brief: Life) -> None:
    depot = brief.last
    columns = ("id", "code", "name", "registered_index", "revised_index")

    def put_over() -> None:
        words = "INSERT OR REPLACE" if connection.vendor == "sqlite" else "INSERT"
        end = "" if connection.vendor == "sqlite" else "ON CONFLICT (id) DO UPDATE SET name = excluded.name"
        with connection.cursor() as cursor:
            cursor.execute(
                f"{words} INTO registry_depot ({', '.join(columns)})"
                f" SELECT {', '.join(columns).replace('name', '%s')} FROM registry_depot"
                f" WHERE code = %s {end}",
                ["Elsewhere", depot.code],
            )

    assert [(f.layer, f.key, f.words) for f in found(put_over)] == [
        (
            "rows",
            str(depot.pk),
            f"depot {depot.pk}: the field name is stored as 'Elsewhere', the ledger proves 'Fell Gate'.",
        )
    ]


def test_a_row_whose_key_was_exchanged_is_missed_and_unproved(brief: Life) -> None:
    share = sample(SplitShare)
    key = new_key()

    findings = found(lambda: edit(share, id=key))

    assert sorted((f.layer, f.key) for f in findings) == sorted([("rows", str(key)), ("rows", str(share.pk))])


def test_a_guard_that_was_taken_away_is_named(brief: Life, subtests: Any) -> None:
    wanted = {
        "guard_entry_no_update",
        "guard_staff_revised_by_entry",
        "guard_devicewhereabouts_one_per_device",
    }
    dropped = [guard for guard in guards.all_guards(connection.vendor) if guard.name in wanted]
    assert len(dropped) == len(wanted)
    for guard in dropped:
        with subtests.test(guard.name), undone():
            with connection.cursor() as cursor:
                if connection.vendor == "postgresql":
                    cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
                for statement in guard.drop_sql(connection.vendor):
                    cursor.execute(statement)

            [finding] = audit().findings

            assert (finding.layer, finding.table) == ("guards", guard.table)
            assert f"The guard {guard.name} is missing or altered" in finding.words


# --- personal texts --------------------------------------------------------------------------------


def texts(life: Life) -> tuple[ContactText, ContactText]:
    """Return the former text of a contact and the one that took its place."""
    bound = Contact.objects.get(pk=life.contact.pk).commitment
    rows = ContactText.objects.filter(contact=life.contact)
    return rows.exclude(commitment=bound).get(), rows.get(commitment=bound)


def test_a_personal_text_that_is_not_the_committed_one_is_said(brief: Life, subtests: Any) -> None:
    former, text = texts(brief)
    attempts: dict[str, tuple[ContactText, dict[str, Any]]] = {
        "text": (text, {"text": {"name": "Somebody Else"}}),
        "former text": (former, {"text": {"name": "Somebody Else"}}),
        "salt": (text, {"salt": bytes(16)}),
        "salt too short": (text, {"salt": b"salt"}),
        "text of no form": (text, {"text": {"name": 1.5}}),
    }
    for name, (row, values) in attempts.items():
        with subtests.test(name):
            assert found(lambda: edit(row, **values)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"The text of contact {brief.contact.pk} is not the one that was committed to.",
                    table="contacttext",
                    key=str(row.pk),
                )
            ]


def test_a_personal_text_wiped_or_deleted_without_an_entry_is_missed(brief: Life, subtests: Any) -> None:
    for name, text in zip(("former", "present"), texts(brief), strict=True):
        with subtests.test(name):
            assert found(lambda: edit(text, salt=None, text=None)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"The text of contact {brief.contact.pk} is gone, although no entry erased it.",
                    table="contacttext",
                    key=str(text.pk),
                )
            ]
            assert found(lambda: remove(text)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"A text of contact {brief.contact.pk} is gone from the table.",
                    table="contact",
                    key=str(brief.contact.pk),
                )
            ]


def test_a_personal_text_that_no_entry_committed_to_is_said(brief: Life) -> None:
    salt, words = bytes(16), {"name": "Somebody Else"}
    text = ContactText(contact_id=brief.contact.pk, commitment=commitment(salt, words), salt=salt, text=words)

    assert found(lambda: text.save(force_insert=True)) == [
        Finding(
            "commitments",
            f"The text of contact {brief.contact.pk} is none that an entry committed to.",
            table="contacttext",
            key=str(text.pk),
        )
    ]


def test_an_erased_text_that_was_brought_back_is_said(brief: Life) -> None:
    salts = {text.pk: (bytes(text.salt), text.text) for text in texts(brief)}
    locations.erase_contact(brief.world.office, contact_id=brief.contact.pk, reason="asked to be")
    key, (salt, words) = next(iter(salts.items()))

    findings = found(lambda: edit(ContactText(pk=key), salt=salt, text=words))

    assert [(f.layer, f.key, f.words) for f in findings] == [
        (
            "commitments",
            str(key),
            f"The text of contact {brief.contact.pk} stands there, although an entry erased it.",
        )
    ]


def test_a_text_erased_by_its_action_is_counted_and_no_finding(brief: Life) -> None:
    locations.erase_contact(brief.world.office, contact_id=brief.contact.pk, reason="asked to be")

    report = audit()

    assert report.clean
    assert report.erased == 3  # both texts of this contact, and the one that was erased before


def test_an_edited_name_of_staff_is_not_the_committed_one(brief: Life, subtests: Any) -> None:
    person = Staff.objects.get(pk=brief.world.office.staff_id)
    for values in ({"name": "Somebody Else"}, {"name_salt": bytes(16)}, {"name_salt": b""}):
        with subtests.test(changed=next(iter(values))):
            assert found(lambda: edit(person, **values)) == [  # noqa: B023
                Finding(
                    "commitments",
                    f"The name of {person.label} is not the one that was committed to.",
                    table="staff",
                    key=str(person.pk),
                )
            ]


def test_a_name_of_staff_edited_with_its_commitment_contradicts_the_ledger(brief: Life) -> None:
    person = Staff.objects.get(pk=brief.world.office.staff_id)
    other = Staff.objects.get(pk=brief.world.installer.staff_id)

    findings = found(
        lambda: edit(
            person, name=other.name, name_salt=bytes(other.name_salt), name_commitment=other.name_commitment
        )
    )

    assert [(f.layer, f.key) for f in findings] == [("rows", str(person.pk))]
    assert "the field name_commitment is stored as" in findings[0].words
