"""Images: every ledgered row whole, and the same however it was come by."""

import json
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import models

from registry.actions import (
    accounts,
    assignments,
    cabinets,
    counts,
    devices,
    locations,
    products,
    staff,
    tokens,
)
from registry.actions._devices import NewDevice
from registry.ledger import images
from registry.ledger.images import (
    IMAGED_KINDS,
    SCHEMA,
    STEPS,
    image_of,
    imaged_fields,
    ledgered_models,
    normalise,
    rows_in_key_order,
    table_name,
    upgraded,
)
from registry.models import Account, AccountState, ApiToken, DeviceToken, Entry, Location, Product, Staff
from registry.models.base import LedgerKind, new_key
from registry.rules.canonical import canonical_bytes, parse_canonical
from registry.rules.errors import Code, RuleBroken
from registry.rules.splits import Share
from tests.factories.world import DAY, World
from tests.ledger.tampering import a_day_in_the_field, readings_sealed
from tests.models.rows import MODELS

LEDGERED = ledgered_models()


def name_of(model: type[models.Model]) -> str:
    return model._meta.model_name or ""


def busy(world: World) -> World:
    """Let the company do something to every kind of row, and do it again to change it."""
    office = world.office
    device, cabinet = world.device(), world.cabinet(split=True)
    stay = world.assigned(device, cabinet)
    assignments.end_assignment(
        office,
        assignment_id=stay.period,
        valid_to=world.start + 4 * DAY,
        end_reason="other",
        end_note="the shop is being painted",
        depot_id=world.tarnmouth.pk,
    )
    products.set_split(
        office,
        cabinet_id=cabinet.pk,
        shares=[Share(world.eighteen_lb.pk, 10_000)],
        valid_from=world.start + 6 * DAY,
    )
    cabinets.correct_cabinet(office, cabinet_id=cabinet.pk, particulars={"condition": "a dent, left ¾"})
    contact = locations.register_contact(office, location_id=world.location.pk, text={"name": "Wren Calder"})
    locations.erase_contact(office, contact_id=contact.pk)
    locations.correct_location(
        office,
        location_id=world.location.pk,
        particulars={"latitude": "43.5", "longitude": "-70.25", "authority_on": date(2026, 1, 31)},
    )
    locations.set_location_state(
        office, location_id=world.location.pk, state="asleep", valid_from=world.start + 9 * DAY
    )
    accounts.correct_account(office, account_id=world.account.pk, particulars={"name": "Lantern Fuel Co"})
    staff.change_depots(world.administrator, staff_id=world.stranger.staff_id, depots=[world.tarnmouth.pk])
    a_day_in_the_field(world)
    phone, _ = tokens.issue_token(world.administrator, staff_id=world.installer.staff_id, name="Red phone")
    tokens.revoke_token(world.administrator, token_id=phone.pk)
    devices.receive_devices(
        office,
        devices=[NewDevice(world.plumb_5.pk, world.serial(world.plumb_5).lower())],
        depot_id=world.fellgate.pk,
        valid_from=world.start + DAY,
    )
    count = counts.draw_count(world.auditor, name="Spring", confidence="97.5")
    counts.record_finding(world.auditor, count_id=count.pk, depot_id=world.fellgate.pk, place_done=True)
    readings_sealed(world)
    return world


def written_images() -> dict[tuple[str, str], dict[str, Any]]:
    """Return the newest image of each row, by table and key."""
    newest = {}
    for body in Entry.objects.order_by("index").values_list("body", flat=True):
        for image in json.loads(body)["images"]:
            newest[image["table"], image["key"]] = image["after"]
    return newest


# --- which tables, which columns --------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS, ids=name_of)
def test_every_model_declares_how_the_ledger_stands_behind_it(model: type[models.Model]) -> None:
    assert isinstance(model.ledger_kind, LedgerKind)
    assert (model in LEDGERED) == (model.ledger_kind in IMAGED_KINDS)


@pytest.mark.parametrize("model", LEDGERED, ids=name_of)
def test_every_column_is_imaged_or_left_out_with_a_reason(model: type[models.Model]) -> None:
    left_out: dict[str, str] = getattr(model, "not_imaged", {})
    every = {field.name for field in model._meta.local_concrete_fields}

    assert {field.name for field in imaged_fields(model)} == every - set(left_out)
    assert set(left_out) <= every
    assert all(len(reason.split()) >= 2 for reason in left_out.values())


def test_only_what_is_personal_or_secret_is_left_out() -> None:
    left_out = {model: set(model.not_imaged) for model in LEDGERED if getattr(model, "not_imaged", {})}

    assert left_out == {
        Staff: {"username", "name", "name_salt", "password"},
        ApiToken: {"name", "digest"},
        DeviceToken: {"digest"},
    }


def test_every_ledgered_table_has_a_name_of_its_own_in_the_ledger(world: World) -> None:
    names = [table_name(model) for model in LEDGERED]
    assert len(set(names)) == len(names)
    assert names == sorted(names)

    assert {table for table, _key in written_images()} <= set(names)


# --- one row, one image -------------------------------------------------------------------------------------


def test_the_image_of_a_row_just_written_is_that_of_the_row_read_back(world: World) -> None:
    busy(world)
    told = written_images()
    read = {
        (table_name(model), str(row.pk)): image_of(row)
        for model in LEDGERED
        for row in model._default_manager.all()
    }

    assert {table for table, _key in read} == {table_name(model) for model in LEDGERED}
    assert told == read


def test_an_image_holds_every_imaged_column_in_canonical_form(world: World) -> None:
    busy(world)
    for model in LEDGERED:
        row = model._default_manager.first()
        image = image_of(row)
        assert list(image) == [field.column for field in imaged_fields(model)]
        assert parse_canonical(canonical_bytes(image)) == image


def test_the_image_before_a_change_is_the_one_after_the_change_before(world: World) -> None:
    busy(world)
    newest: dict[tuple[str, str], Any] = {}
    changed = 0
    for body in Entry.objects.order_by("index").values_list("body", flat=True):
        for image in json.loads(body)["images"]:
            key = image["table"], image["key"]
            assert image["before"] == newest.get(key)
            assert image["before"] != image["after"]
            changed += image["before"] is not None
            newest[key] = image["after"]
    assert changed >= 9


@pytest.mark.parametrize("mass", [5, "5", "5.0", "5.00", Decimal("5.0000"), Decimal("5E0")])
def test_the_same_number_has_one_image_however_it_was_written(mass: object) -> None:
    key = new_key()
    product = {"id": key, "code": "B5", "name": "5 lb bag", "net_mass_unit": "lb"}
    product |= {"registered_id": 1, "revised_id": 1}

    image = image_of(Product(net_mass=mass, **product))

    assert image == image_of(Product(net_mass=Decimal("5.000"), **product))
    assert image["net_mass"] == "5.000"


def test_the_same_number_written_otherwise_changes_nothing(world: World) -> None:
    with pytest.raises(RuleBroken) as refused:
        products.correct_product(
            world.office,
            product_id=world.eight_lb.pk,
            particulars={"net_mass": "8.000", "net_mass_unit": "lb"},
        )
    assert refused.value.code == Code.NOTHING_CHANGES


@pytest.mark.parametrize("hours", [-10, -5, 0, 1, 5.5, 14])
def test_the_same_time_has_one_image_whatever_its_offset(hours: float) -> None:
    moment = datetime(2026, 1, 31, 23, 30, 0, 7, tzinfo=UTC)
    elsewhere = moment.astimezone(timezone(timedelta(hours=hours)))
    shared = {
        "id": new_key(),
        "period": new_key(),
        "account_id": new_key(),
        "recorded_id": 1,
        "state": "open",
    }

    image = image_of(AccountState(valid_from=elsewhere, valid_to=elsewhere + DAY, **shared))

    assert image == image_of(AccountState(valid_from=moment, valid_to=moment + DAY, **shared))
    assert image["valid_from"] == "2026-01-31T23:30:00.000007Z"


def test_a_time_that_an_action_was_given_with_an_offset_is_told_in_utc(world: World) -> None:
    elsewhere = world.start.astimezone(timezone(timedelta(hours=-5)))
    account = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=elsewhere
    )

    [state] = AccountState.objects.filter(account=account)
    assert written_images()["accountstate", str(state.pk)] == image_of(state)
    assert image_of(state)["valid_from"] == "2026-01-31T08:00:00.000000Z"


def test_normalising_brings_every_value_into_the_form_in_which_it_is_read_back(world: World) -> None:
    busy(world)
    for model in LEDGERED:
        read = model._default_manager.first()
        texts = {
            field.attname: field.value_to_string(read)
            if getattr(read, field.attname) is not None and not isinstance(field, models.BinaryField)
            else getattr(read, field.attname)
            for field in model._meta.local_concrete_fields
            if not field.is_relation
        }
        keys = {
            field.attname: str(getattr(read, field.attname))
            for field in model._meta.local_concrete_fields
            if field.is_relation and getattr(read, field.attname) is not None
        }
        built = model(**texts, **keys)
        normalise(built)
        for field in imaged_fields(model):
            value = getattr(built, field.attname)
            assert (type(value), value) == (type(getattr(read, field.attname)), getattr(read, field.attname))


@pytest.mark.parametrize(
    "row",
    [
        Product(net_mass="eight"),
        AccountState(valid_from="yesterday"),
        Location(authority_on="soon"),
        Account(parent_id="LF"),
    ],
    ids=["mass", "time", "day", "key"],
)
def test_a_value_that_is_not_of_its_columns_type_is_refused(row: models.Model) -> None:
    with pytest.raises(ValidationError):
        normalise(row)


# --- older images, and all rows -----------------------------------------------------------------------------


def test_an_image_of_today_needs_no_step() -> None:
    image = {"id": "x", "code": "TM"}

    assert upgraded(SCHEMA, "depot", image) == ("depot", image)
    assert set(STEPS) == set(range(1, SCHEMA))


def test_an_older_image_goes_through_each_step_in_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(images, "SCHEMA", 3)
    monkeypatch.setattr(
        images,
        "STEPS",
        {
            1: lambda table, image: (table, {**image, "name": ""}) if table == "depot" else None,
            2: lambda table, image: ("yard", {**image, "name": image["name"] + "?"}),
        },
    )

    assert upgraded(1, "depot", {"code": "TM"}) == ("yard", {"code": "TM", "name": "?"})
    assert upgraded(2, "depot", {"name": "Tarnmouth"}) == ("yard", {"name": "Tarnmouth?"})
    assert upgraded(3, "depot", {"code": "TM"}) == ("depot", {"code": "TM"})
    assert upgraded(1, "van", {"code": "TM"}) is None


def test_rows_are_read_by_key_and_none_is_left_out(world: World) -> None:
    for chunk in (1, 2, 2_000):
        keys = [row.pk for row in rows_in_key_order(Staff, chunk)]
        assert keys == sorted(Staff.objects.values_list("pk", flat=True))
        assert len(keys) == 5
