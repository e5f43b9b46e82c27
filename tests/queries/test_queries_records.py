"""Records as they were known: rows where they are unchanged, images where they were revised since."""

from decimal import Decimal
from typing import Any

import pytest

from registry.actions import accounts, cabinets, devices, locations, products, staff
from registry.models import (
    Account,
    Cabinet,
    CabinetModel,
    CabinetWhereabouts,
    Depot,
    Device,
    Location,
    Product,
    Staff,
)
from registry.models.base import new_key
from registry.queries.moments import head_index
from registry.queries.records import records_known_at, refer_as_known
from tests.factories.world import World


def test_a_record_that_was_never_revised_is_its_row(world: World) -> None:
    known = records_known_at(Account, head_index())

    assert known == {world.account.pk: world.account}


def test_what_was_registered_later_was_not_known(world: World) -> None:
    before = head_index()
    store = world.store()

    assert store.pk not in records_known_at(Location, before)
    assert store.pk in records_known_at(Location, before + 1)
    assert records_known_at(Location, 0) == {}


def test_each_correction_is_known_from_its_entry_on(world: World) -> None:
    at_first = head_index()
    for latitude in ("44.100000", "44.200000"):
        locations.correct_location(
            world.office,
            location_id=world.location.pk,
            particulars={"latitude": Decimal(latitude), "longitude": Decimal("-68.5")},
        )

    known = [
        records_known_at(Location, index)[world.location.pk].latitude
        for index in (at_first, at_first + 1, at_first + 2)
    ]

    assert known == [None, Decimal("44.1"), Decimal("44.2")]


def test_a_former_record_is_whole_with_every_value_of_its_own_type(world: World) -> None:
    before = head_index()
    [former] = records_known_at(Product, before, [world.eight_lb.pk]).values()
    products.correct_product(
        world.office,
        product_id=world.eight_lb.pk,
        particulars={"name": "Small bag", "net_mass": "7.5", "discontinued": True},
    )

    [rebuilt] = records_known_at(Product, before, [world.eight_lb.pk]).values()

    def values(product: Product) -> dict[str, Any]:
        return {field.attname: getattr(product, field.attname) for field in product._meta.concrete_fields}

    assert values(rebuilt) == values(former)
    assert isinstance(rebuilt.net_mass, Decimal)
    assert values(Product.objects.get(pk=world.eight_lb.pk)) != values(former)


def test_every_kind_of_record_is_told_as_it_was_known(world: World) -> None:
    cabinet, device = world.cabinet(), world.device()
    child = accounts.register_account(
        world.office,
        particulars={"code": "LF-N", "name": "Lantern North"},
        valid_from=world.start,
        parent_id=world.account.pk,
    )
    before = head_index()
    office = world.office
    accounts.correct_account(office, account_id=child.pk, particulars={"parent_id": None, "name": "North"})
    cabinets.correct_cabinet(office, cabinet_id=cabinet.pk, particulars={"asset_tag": "SK-9999"})
    cabinets.correct_cabinet_model(office, cabinet_model_id=world.cove.pk, particulars={"name": "Cove 44"})
    devices.correct_device(office, device_id=device.pk, firmware="2.1")
    locations.correct_depot(office, depot_id=world.tarnmouth.pk, particulars={"name": "Tarn"})
    locations.correct_location(
        office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )

    account = records_known_at(Account, before)[child.pk]
    assert (account.name, account.parent_id) == ("Lantern North", world.account.pk)
    assert records_known_at(Cabinet, before)[cabinet.pk].asset_tag == cabinet.asset_tag
    assert records_known_at(CabinetModel, before)[world.cove.pk].name == "Cove 40"
    assert records_known_at(Device, before)[device.pk].firmware == ""
    assert records_known_at(Depot, before)[world.tarnmouth.pk].name == "Tarnmouth"
    assert records_known_at(Location, before)[world.location.pk].depot == world.tarnmouth
    assert records_known_at(Cabinet, head_index())[cabinet.pk].asset_tag == "SK-9999"


def test_a_person_has_the_role_of_then_and_the_name_of_today(world: World) -> None:
    before = head_index()
    staff.change_role(world.administrator, staff_id=world.installer.staff_id, role="office")

    known = records_known_at(Staff, before)[world.installer.staff_id]

    assert (known.role, known.name) == ("installer", "Installer")
    assert Staff.objects.get(pk=world.installer.staff_id).role == "office"


def test_only_the_records_asked_for_are_returned(world: World) -> None:
    store = world.store()

    assert set(records_known_at(Location, head_index(), [store.pk, new_key()])) == {store.pk}
    assert records_known_at(Location, head_index(), []) == {}


def test_rows_refer_to_things_as_they_were_known(world: World) -> None:
    world.cabinet()
    world.cabinet(world.tarnmouth)
    before = head_index()
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"name": "Mole End"})
    stays = list(CabinetWhereabouts.objects.current().order_by("valid_from", "id"))

    refer_as_known(stays, before, location=Location, depot=Depot)

    assert [(stay.location and stay.location.name, stay.depot and stay.depot.name) for stay in stays] == [
        ("Harbour Road 0042", None),
        (None, "Tarnmouth"),
    ]


@pytest.mark.parametrize("rows", [3, 30])
def test_records_take_as_many_queries_for_many_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    stores = [world.store() for _ in range(rows)]
    before = head_index()

    with django_assert_num_queries(1):  # the rows
        assert len(records_known_at(Location, before)) == rows + 1

    for store in stores:
        locations.correct_location(world.office, location_id=store.pk, particulars={"name": "Mole End"})

    with django_assert_num_queries(3):  # the rows; the newest entry of each revised one; those entries
        names = {location.name for location in records_known_at(Location, before).values()}
    assert "Mole End" not in names
    assert len(names) == rows + 1
