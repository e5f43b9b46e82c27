"""Registering stores with their cabinets: a whole wish, one page, one action, one entry."""

from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, locations
from registry.models import (
    Account,
    Cabinet,
    Device,
    DeviceWhereabouts,
    Entry,
    Location,
    LocationHolding,
    LocationState,
    SplitShare,
)
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of, typed
from tests.factories.world import DAY, World, person


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


def store_of(world: World, **values: Any) -> dict[str, Any]:
    """What is typed for a store with two cabinets, one of which is split."""
    return {
        "name": "Kelp Corner",
        "store_number": "001",
        "street": "3 Kelp Lane",
        "locality": "Tarnmouth",
        "region": "",
        "country": "US",
        "time_zone": "America/New_York",
        "depot": str(world.tarnmouth.pk),
        "valid_from": "2026-02-10 08:00",
        "cabinets__0__asset_tag": "sk-900",
        "cabinets__0__model": str(world.cove.pk),
        "cabinets__0__product_1": str(world.eight_lb.pk),
        "cabinets__0__percent_1": "60",
        "cabinets__0__product_2": str(world.eighteen_lb.pk),
        "cabinets__0__percent_2": "40 %",
        "cabinets__2__asset_tag": "SK-901",
        "cabinets__2__model": str(world.quay.pk),
        "cabinets__2__setting": "outdoor",
        "cabinets__2__position": "left of the door",
        **values,
    }


ACCOUNT = {"account_code": "KB", "account_name": "Kelp & Barrel"}


# --- an account with its first store -------------------------------------------------------------------


def test_account_store_and_cabinets_are_one_entry(office: Client, world: World) -> None:
    newest = Entry.objects.latest("index").index
    with nothing_changed():
        checked = post(office, at("account_register"), "check", **ACCOUNT, **store_of(world))
    told = {what: will for what, _, will in lines(checked)}
    since = "from 2026-02-10 08:00 EST on"
    assert told["holder of location Kelp Corner, Tarnmouth"] == f"KB Kelp & Barrel, store number 001, {since}"
    assert told["split of cabinet SK-900"] == f"8 lb bag 60 %, 18 lb bag 40 %, {since}"
    assert told["place of cabinet SK-901"] == f"location Kelp Corner, Tarnmouth, {since}"

    answer = post(office, at("account_register"), "record", **ACCOUNT, **store_of(world))

    account = Account.objects.get(code="KB")
    assert (answer.status_code, answer.headers["Location"]) == (303, at("account", account.pk))
    [entry] = Entry.objects.filter(index__gt=newest)
    assert (entry.verb, entry.face) == ("account.registered", "console")
    holding = LocationHolding.objects.current().get(account=account)
    assert (holding.store_number, holding.location.name) == ("001", "Kelp Corner")
    assert holding.valid_from.isoformat() == "2026-02-10T13:00:00+00:00"  # 8 in the morning there
    assert [(one.asset_tag, one.setting) for one in Cabinet.objects.order_by("asset_tag")] == [
        ("SK-900", "unknown"),
        ("SK-901", "outdoor"),
    ]
    assert [share.hundredths for share in SplitShare.objects.order_by("position")] == [6_000, 4_000]


def test_recording_twice_registers_once(office: Client, world: World) -> None:
    form = office.get(at("account_register"))
    data = {**typed(form, **ACCOUNT, **store_of(world)), "step": "record"}
    first = office.post(at("account_register"), data)
    with nothing_changed():
        second = office.post(at("account_register"), data)

    assert second.headers["Location"] == first.headers["Location"]


@pytest.mark.parametrize(
    ("given", "field", "code"),
    [
        ({"account_code": "LF"}, "id_account_code", "code_taken"),
        ({"account_code": "K B"}, "id_account_code", "text_invalid"),
        ({"account_name": "x" * 201}, "id_account_name", "text_invalid"),
        ({"name": "x" * 201}, "id_name", "text_invalid"),
        ({"store_number": "0 1"}, "id_store_number", "text_invalid"),
        ({"country": "usa"}, "id_country", "value_invalid"),
        ({"time_zone": "EST"}, "id_time_zone", ""),
        ({"time_zone": ""}, "id_time_zone", ""),
        ({"latitude": "91", "longitude": "0"}, "id_latitude", "value_invalid"),
        ({"latitude": "43.5"}, "id_longitude", "value_invalid"),
        ({"gln": "9520002009501"}, "id_gln", "check_invalid"),
        ({"authority_on": "March"}, "id_authority_on", ""),
        ({"street": "1\n2\n3\n4"}, "id_street", "value_invalid"),
        ({"valid_from": "2027-01-01 08:00"}, "id_valid_from", "time_in_future"),
        ({"valid_from": "2025-11-02 01:30"}, "id_valid_from", ""),
        ({"depot": ""}, "id_depot", ""),
        ({"state": "closed"}, "id_state", ""),
        ({"cabinets__2__asset_tag": ""}, "id_cabinets-2-asset_tag", ""),
        ({"cabinets__2__model": ""}, "id_cabinets-2-model", ""),
        ({"cabinets__2__asset_tag": "SK 901"}, "id_cabinets-2-asset_tag", "text_invalid"),
        ({"cabinets__2__asset_tag": "(8004)1"}, "id_cabinets-2-asset_tag", "value_invalid"),
        ({"cabinets__2__asset_tag": "Sk-900"}, "id_cabinets-2-asset_tag", "code_taken"),
        ({"cabinets__2__asset_tag": "sk-900"}, "id_cabinets-2-asset_tag", "code_repeated"),
        ({"cabinets__2__maker_serial": "a b"}, "id_cabinets-2-maker_serial", "text_invalid"),
        ({"cabinets__0__percent_2": "30"}, "id_cabinets-0-product_1", "split_not_whole"),
        ({"cabinets__0__percent_2": "forty"}, "id_cabinets-0-percent_2", "split_invalid"),
        ({"cabinets__0__percent_2": ""}, "id_cabinets-0-percent_2", "split_invalid"),
        ({"cabinets__0__product_2": ""}, "id_cabinets-0-product_2", "value_invalid"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field_and_nothing_of_it_is_written(
    office: Client, world: World, given: dict[str, str], field: str, code: str
) -> None:
    with nothing_changed():
        page = post(office, at("account_register"), "record", **{**ACCOUNT, **store_of(world), **given})

    assert set(problems(page)) == {field}
    assert page.context["code"] == code
    for name, value in given.items():
        assert typed(page)[name.replace("__", "-")] == value  # what was typed stays


def test_a_tag_that_another_cabinet_has_is_refused_in_its_row(office: Client, world: World) -> None:
    tag = world.cabinet().asset_tag
    with nothing_changed():
        page = post(
            office,
            at("account_register"),
            "check",
            **{**ACCOUNT, **store_of(world), "cabinets__2__asset_tag": tag},
        )

    [(field, words)] = problems(page).items()
    assert field == "id_cabinets-2-asset_tag"
    assert words.startswith(f"Cabinet 3: Asset tag: Another cabinet has the asset tag {tag}.")


def test_everything_missing_is_told_at_once(office: Client) -> None:
    blank = {"time_zone": "", "valid_from": "", "country": ""}
    with nothing_changed():
        page = post(office, at("account_register"), "check", **blank)

    assert set(problems(page)) == {
        f"id_{name}"
        for name in (
            "account_code", "account_name", "name", "store_number", "locality", "country", "depot",
            "time_zone", "valid_from",
        )
    }  # fmt: skip


def test_more_cabinets_than_one_request_takes_are_refused(office: Client, world: World) -> None:
    many = {"cabinets__TOTAL_FORMS": "51"}
    for number in range(51):
        many[f"cabinets__{number}__asset_tag"] = f"SK-{number}"
        many[f"cabinets__{number}__model"] = str(world.cove.pk)
        many[f"cabinets__{number}__setting"] = "indoor"
    with nothing_changed():
        page = post(office, at("account_register"), "record", **{**ACCOUNT, **store_of(world), **many})

    assert problems(page) == {"": "At most 50 cabinets go into one request. Register the rest afterwards."}


def test_a_form_begins_as_the_newest_store_is(office: Client, world: World) -> None:
    begun = typed(office.get(at("account_register")))

    assert (begun["country"], begun["time_zone"]) == ("US", "America/New_York")
    assert begun["valid_from"] == "2026-03-02 03:00"  # 8 o'clock UTC, in New York
    assert begun["depot"] == ""  # there are two

    one = typed(signed_in(person(world, "office", world.tarnmouth)).get(at("account_register")))
    assert one["depot"] == str(world.tarnmouth.pk)


def test_depots_that_are_not_ones_own_are_not_offered_and_not_taken(world: World) -> None:
    narrow = signed_in(person(world, "office", world.tarnmouth))
    with nothing_changed():
        page = post(
            narrow,
            at("account_register"),
            "record",
            **{**ACCOUNT, **store_of(world), "depot": str(world.fellgate.pk)},
        )

    assert set(problems(page)) == {"id_depot"}
    assert "FG Fellgate" not in text_of(narrow.get(at("account_register")))


@pytest.mark.parametrize("rows", [3, 30])
def test_the_form_takes_as_many_queries_for_many_rows_as_for_few(
    office: Client, world: World, django_assert_num_queries: Any, rows: int
) -> None:
    form = office.get(at("account_register"))
    data = typed(form, cabinets__TOTAL_FORMS=str(rows), **ACCOUNT)
    for number in range(rows):
        data |= {f"cabinets-{number}-asset_tag": f"SK-{number}", f"cabinets-{number}-setting": "indoor"}

    # the session; the person; the newest store; the depots, for the beginning and for the choice; the
    # cabinet models, products and device models to choose from; the accounts to stand under
    with django_assert_num_queries(9):
        assert office.post(at("account_register"), {**data, "step": "edit"}).status_code == 200


# --- another store of an account -----------------------------------------------------------------------


def test_a_further_store_is_registered_for_an_account(office: Client, world: World) -> None:
    answer = post(office, at("location_register", world.account.pk), "record", **store_of(world))

    store = Location.objects.get(name="Kelp Corner")
    assert (answer.status_code, answer.headers["Location"]) == (303, at("location", store.pk))
    assert LocationHolding.objects.current().get(location=store).account_id == world.account.pk
    assert Entry.objects.latest("index").verb == "location.registered"


def test_a_store_without_cabinets_may_be_planned(office: Client, world: World) -> None:
    bare = {name: value for name, value in store_of(world).items() if not name.startswith("cabinets")}
    answer = post(office, at("location_register", world.account.pk), "record", **bare, state="planned")

    assert answer.status_code == 303
    store = Location.objects.get(name="Kelp Corner")
    assert LocationState.objects.current().get(location=store).state == "planned"
    assert Cabinet.objects.count() == 0


def test_a_number_that_the_account_has_given_before_is_refused(office: Client, world: World) -> None:
    with nothing_changed():
        page = post(
            office,
            at("location_register", world.account.pk),
            "record",
            **{**store_of(world), "store_number": "0042"},
        )

    assert set(problems(page)) == {"id_store_number"}
    assert page.context["code"] == "code_taken"


def test_a_closed_account_gets_no_store(office: Client, world: World) -> None:
    locations.close_location(world.office, location_id=world.location.pk, valid_from=world.start + DAY)
    accounts.close_account(world.office, account_id=world.account.pk, valid_from=world.clock.at)
    with nothing_changed():
        page = post(office, at("location_register", world.account.pk), "record", **store_of(world))

    assert page.context["code"] == "account_closed"
    assert set(problems(page)) == {""}


# --- taking over ---------------------------------------------------------------------------------------


def standing(world: World, **values: Any) -> dict[str, Any]:
    store = store_of(world)
    del store["valid_from"]
    return {
        **store,
        "known_by": "2026-02-10 08:00",
        "cabinets__0__device_model": str(world.plumb_3.pk),
        "cabinets__0__serial": "PB30079194",
        "reason": "found on the first round",
        **values,
    }


def test_a_store_that_stands_already_is_taken_over_with_its_devices(office: Client, world: World) -> None:
    address = at("location_take_over", world.account.pk)
    with nothing_changed():
        checked = post(office, address, "check", **standing(world))
    assert ("cabinet SK-900, slot 1, sensor order 1 2 3, known by 2026-02-10 08:00 EST on") in [
        will for _, _, will in lines(checked)
    ]

    answer = post(office, address, "record", **standing(world))

    assert answer.status_code == 303
    hung = DeviceWhereabouts.objects.current().get(device=Device.objects.get(serial="PB30079194"))
    assert (hung.cabinet.asset_tag, hung.starts_known_by) == ("SK-900", True)  # type: ignore[union-attr]
    entry = Entry.objects.latest("index")
    assert (entry.verb, entry.reason) == ("location.taken_over", "found on the first round")
    assert "known by 2026-02-10 08:00 EST" in text_of(office.get(answer.headers["Location"]))


@pytest.mark.parametrize(
    ("given", "field", "code"),
    [
        ({"cabinets__0__serial": "PB30079195"}, "id_cabinets-0-serial", "serial_invalid"),
        ({"cabinets__0__serial": ""}, "id_cabinets-0-serial", "text_invalid"),
        ({"cabinets__0__device_model": ""}, "id_cabinets-0-device_model", "value_invalid"),
        ({"known_by": "2027-01-01 08:00"}, "id_known_by", "time_in_future"),
        ({"known_by": "once"}, "id_known_by", ""),
    ],
)
def test_what_cannot_be_taken_over_is_refused_beside_its_field(
    office: Client, world: World, given: dict[str, str], field: str, code: str
) -> None:
    with nothing_changed():
        page = post(
            office, at("location_take_over", world.account.pk), "record", **{**standing(world), **given}
        )

    assert set(problems(page)) == {field}
    assert page.context["code"] == code


def test_a_serial_that_the_register_knows_is_refused_in_its_row(office: Client, world: World) -> None:
    known = world.device().serial
    with nothing_changed():
        page = post(
            office,
            at("location_take_over", world.account.pk),
            "record",
            **{**standing(world), "cabinets__0__serial": known},
        )

    assert set(problems(page)) == {"id_cabinets-0-serial"}
    assert page.context["code"] == "code_taken"


def test_a_device_that_does_not_fit_its_cabinet_is_refused_by_the_number_of_the_cabinet(
    office: Client, world: World
) -> None:
    given = {
        "cabinets__2__device_model": str(world.plumb_3.pk),  # three sensors, in a cabinet of five
        "cabinets__2__serial": [world.serial(), world.serial()][1],
    }
    with nothing_changed():
        page = post(
            office, at("location_take_over", world.account.pk), "record", **{**standing(world), **given}
        )

    assert page.context["code"] == "sensor_count_mismatch"
    [words] = problems(page).values()
    assert words.startswith("Cabinet 3: ")
