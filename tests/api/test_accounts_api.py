"""Accounts over HTTP: registered whole or not at all, corrected, closed, opened again, as of any day."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import accounts
from registry.models import Location
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, changed, made, ok, one_entry, told
from tests.api.noun_operations import account, cabinet_body, location_body
from tests.api.operations import when
from tests.factories.world import DAY, HOUR, World


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def chain(world: World, **more: Any) -> dict[str, Any]:
    """Return an account with two stores, three cabinets and a split."""
    shares = [
        {"product": str(world.eight_lb.pk), "share": "62.5"},
        {"product": str(world.eighteen_lb.pk), "share": 37.5},
    ]
    first = [
        cabinet_body(world, "SK-7001", shares=shares, setting="outdoor", position="Left of the pumps"),
        cabinet_body(world, "SK-7002", maker_serial="00815"),
    ]
    return {
        "code": "0077",
        "name": "Gannet Marina Stores",
        "billing_start": "assignment",
        "parent": str(world.account.pk),
        "valid_from": when(world.start + DAY),
        "locations": [
            location_body(
                world, "0001", cabinets=first, latitude=43.5, longitude="-70.25", gln="9501101530003"
            ),
            location_body(
                world, "0002", state="planned", cabinets=[cabinet_body(world, "SK-7003")], street="Pier 2"
            ),
        ],
        **more,
    }


# --- registered ------------------------------------------------------------------------------------------


def test_an_account_is_registered_with_its_stores_and_cabinets_in_one_entry(
    office: Person, world: World
) -> None:
    with one_entry("account.registered"):
        reply = made(office.post("accounts/", chain(world)), "accounts")

    assert reply.body == {
        "id": reply["id"],
        "code": "0077",
        "name": "Gannet Marina Stores",
        "parent": str(world.account.pk),
        "parent_name": "LF Lantern Fuel",
        "billing_start": "assignment",
        "state": "open",
    }
    stores = office.rows("locations/", account=reply["id"])
    assert [(s["store_number"], s["state"], s["street"], s["gln"]) for s in stores] == [
        ("0001", "open", "", "9501101530003"),
        ("0002", "planned", "Pier 2", None),
    ]
    assert (stores[0]["latitude"], stores[0]["longitude"]) == ("43.5", "-70.25")
    standing = office.rows("cabinets/", location=stores[0]["id"])
    assert [(c["asset_tag"], c["setting"], c["maker_serial"]) for c in standing] == [
        ("SK-7001", "outdoor", ""),
        ("SK-7002", "unknown", "00815"),
    ]
    assert [(share["product_name"], share["share"]) for share in standing[0]["shares"]] == [
        ("8 lb bag", "62.5"),
        ("18 lb bag", "37.5"),
    ]
    assert {c["there_since"] for c in standing} == {"2026-02-01T08:00:00Z"}


def at(body: dict[str, Any], *path: str | int) -> Any:
    """Return the part of a body to which a path leads."""
    for step in path:
        body = body[step]  # type: ignore[index]
    return body


SECOND_CABINET = ("locations", 0, "cabinets", 1)
WRONG: dict[str, tuple[tuple[str | int, ...], dict[str, Any], int, str, str]] = {
    "a code that is taken": ((), {"code": "LF"}, 409, "code_taken", "#/code"),
    "a code with a space": ((), {"code": "0 77"}, 422, "text_invalid", "#/code"),
    "a blank name": ((), {"name": " "}, 422, "text_invalid", "#/name"),
    "a number for a code": ((), {"code": 77}, 422, "value_invalid", "#/code"),
    "an unknown parent": ((), {"parent": str(uuid4())}, 422, "not_found", "#/parent"),
    "an unknown billing start": ((), {"billing_start": "never"}, 422, "value_invalid", "#/billing_start"),
    "the future": ((), {"valid_from": "2026-03-02T09:00:00Z"}, 422, "time_in_future", "#/valid_from"),
    "no offset": ((), {"valid_from": "2026-03-01T09:00:00"}, 422, "time_invalid", "#/valid_from"),
    "before the parent": ((), {"valid_from": "2026-01-01T09:00:00Z"}, 422, "before_known", "#/valid_from"),
    "an unknown depot": (
        ("locations", 1),
        {"depot": str(uuid4())},
        422,
        "not_found",
        "#/locations/1/depot",
    ),
    "a time zone of no place": (
        ("locations", 1),
        {"time_zone": "UTC"},
        422,
        "value_invalid",
        "#/locations/1/time_zone",
    ),
    "one coordinate": (
        ("locations", 1),
        {"latitude": 43},
        422,
        "value_invalid",
        "#/locations/1/longitude",
    ),
    "a wrong check digit": (
        ("locations", 0),
        {"gln": "9501101530004"},
        422,
        "check_invalid",
        "#/locations/0/gln",
    ),
    "a store number twice": (
        ("locations", 1),
        {"store_number": "0001"},
        409,
        "code_taken",
        "#/locations/1/store_number",
    ),
    "a tag twice in a store": (
        SECOND_CABINET,
        {"asset_tag": "SK-7001"},
        422,
        "code_repeated",
        "#/locations/0/cabinets/1/asset_tag",
    ),
    "a tag twice in two stores": (
        ("locations", 1, "cabinets", 0),
        {"asset_tag": "SK-7001"},
        409,
        "code_taken",
        "#/locations/1/cabinets/0/asset_tag",
    ),
    "an unknown model": (
        SECOND_CABINET,
        {"model": str(uuid4())},
        422,
        "not_found",
        "#/locations/0/cabinets/1/model",
    ),
    "a split that is not whole": (
        ("locations", 0, "cabinets", 0, "shares", 0),
        {"share": "60"},
        422,
        "split_not_whole",
        "#/locations/0/cabinets/0/shares",
    ),
    "an unknown product": (
        ("locations", 0, "cabinets", 0, "shares", 0),
        {"product": str(uuid4())},
        422,
        "not_found",
        "#/locations/0/cabinets/0/shares",
    ),
    "a share that is none": (
        ("locations", 0, "cabinets", 0, "shares", 1),
        {"share": "-1"},
        422,
        "split_invalid",
        "#/locations/0/cabinets/0/shares/1/share",
    ),
    "a device that is not taken over": (
        SECOND_CABINET,
        {"device": {"serial": "PB30000000"}},
        422,
        "value_invalid",
        "#/locations/0/cabinets/1/device",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_an_account_with_one_thing_wrong_is_refused_there_and_nothing_of_it_is_written(
    office: Person, world: World, name: str
) -> None:
    path, wrong, status, code, pointer = WRONG[name]
    body = chain(world)
    at(body, *path).update(wrong)

    with nothing_changed():
        told(office.post("accounts/", body), status, code, pointer)

    made(office.post("accounts/", chain(world)), "accounts")


def test_an_account_with_more_stores_than_go_into_one_request_is_refused(
    office: Person, world: World
) -> None:
    body = chain(world, locations=[location_body(world, f"{number:04d}") for number in range(51)])

    with nothing_changed():
        told(office.post("accounts/", body), 422, "too_many", "#/locations")

    body["locations"].pop()
    with one_entry():
        made(office.post("accounts/", body), "accounts")
    assert Location.objects.count() == 51


def test_an_account_with_more_cabinets_than_go_into_one_store_is_refused_at_that_store(
    office: Person, world: World
) -> None:
    body = chain(world)
    body["locations"][1]["cabinets"] = [cabinet_body(world, f"SK-{tag}") for tag in range(8000, 8051)]

    with nothing_changed():
        told(office.post("accounts/", body), 422, "too_many", "#/locations/1/cabinets")


def test_several_things_that_cannot_be_read_are_told_together(office: Person, world: World) -> None:
    body = chain(world, code=7)
    body["locations"][1]["cabinets"][0]["model"] = "no key"
    body["locations"][0]["authority_on"] = "yesterday"

    with nothing_changed():
        reply = told(office.post("accounts/", body), 422, "fields_invalid")

    assert {error["pointer"] for error in reply["errors"]} == {
        "#/code",
        "#/locations/1/cabinets/0/model",
        "#/locations/0/authority_on",
    }


# --- corrected -------------------------------------------------------------------------------------------


def correct(asker: Person, key: Any, **body: Any) -> Reply:
    return asker.patch(f"accounts/{key}/", body, tag=asker.seen(f"accounts/{key}/"))


def test_an_account_is_corrected_and_what_is_left_out_stays(office: Person, world: World) -> None:
    banner = account(world)

    with one_entry("account.corrected") as written:
        reply = changed(
            correct(
                office,
                banner.pk,
                billing_start="manual",
                parent=str(world.account.pk),
                reason="as the contract says",
            )
        )
    assert written[0].reason == "as the contract says"
    assert (reply["code"], reply["name"]) == ("PP", "Pier & Pantry PP")
    assert (reply["parent"], reply["billing_start"]) == (str(world.account.pk), "manual")

    with one_entry("account.corrected"):
        reply = changed(correct(office, banner.pk, parent=None, code="0PP"))
    assert (reply["parent"], reply["parent_name"], reply["code"]) == (None, "", "0PP")


def test_a_correction_that_cannot_be_is_refused_where_it_stands(office: Person, world: World) -> None:
    banner = account(world)
    ok(correct(office, banner.pk, parent=str(world.account.pk)))

    with nothing_changed():
        told(correct(office, world.account.pk, parent=str(banner.pk)), 422, "parent_cycle", "#/parent")
        told(correct(office, world.account.pk, code="PP"), 409, "code_taken", "#/code")
        told(correct(office, world.account.pk, parent=str(uuid4())), 422, "not_found", "#/parent")
        told(correct(office, world.account.pk, name="Lantern Fuel"), 409, "nothing_changes")
        told(correct(office, world.account.pk), 409, "nothing_changes")
        told(correct(office, world.account.pk, name=None), 422, "value_invalid", "#/name")


# --- closed and opened again -----------------------------------------------------------------------------


def test_an_account_is_closed_once_its_stores_are_and_opened_again(office: Person, world: World) -> None:
    key, path = world.account.pk, f"accounts/{world.account.pk}/"
    body = {"valid_from": when(world.start + 5 * DAY), "reason": "sold"}

    with nothing_changed():
        refused = told(office.post(f"{path}close/", body, tag="*"), 409, "account_occupied")
    assert refused["details"] == {"locations": 1, "accounts": 0}
    ok(office.post(f"locations/{world.location.pk}/close/", body, tag="*"))
    with one_entry("account.closed") as written:
        closed = changed(office.post(f"{path}close/", body, tag=office.seen(path)))
    assert (closed["state"], written[0].reason) == ("closed", "sold")

    later = {"valid_from": when(world.start + 9 * DAY)}
    with nothing_changed():
        told(office.post(f"{path}close/", later, tag="*"), 409, "nothing_changes")
        told(office.post(f"{path}reopen/", body, tag="*"), 409, "overlapping_history", "#/valid_from")
        told(office.post(f"{path}reopen/", {}, tag="*"), 422, "value_invalid", "#/valid_from")
        told(
            office.post("accounts/", {**chain(world), "valid_from": later["valid_from"]}),
            409,
            "account_closed",
            "#/parent",
        )
    with one_entry("account.reopened"):
        opened = changed(office.post(f"{path}reopen/", later, tag=office.seen(path)))
    assert (opened["id"], opened["state"]) == (str(key), "open")


def test_an_installer_registers_no_account(api: Api, world: World) -> None:
    installer = api.as_(world.installer)
    with nothing_changed():
        told(installer.post("accounts/", chain(world)), 403, "role_forbids")
    assert ok(installer.get(f"accounts/{world.account.pk}/"))["code"] == "LF"


# --- asked for -------------------------------------------------------------------------------------------


def test_accounts_are_found_by_filters_and_words(office: Person, world: World) -> None:
    banner = account(world, parent_id=world.account.pk)
    gone = account(world, "GM")
    accounts.close_account(world.office, account_id=gone.pk, valid_from=world.start + 5 * DAY)
    accounts.correct_account(world.office, account_id=gone.pk, particulars={"billing_start": "manual"})

    def codes(**query: Any) -> list[str]:
        return [row["code"] for row in office.rows("accounts/", **query)]

    assert codes() == ["GM", "LF", "PP"]
    assert codes(state="open") == ["LF", "PP"]
    assert codes(state="closed") == ["GM"]
    assert codes(state="closed", as_of=when(world.start + 4 * DAY)) == []
    assert codes(parent=world.account.pk) == ["PP"]
    assert codes(parent=banner.pk) == []
    assert codes(billing_start="manual") == ["GM"]
    assert codes(search="pantry g") == ["GM"]
    assert codes(search="lf") == ["LF"]
    assert codes(search="lf pier") == []
    for wrong in ({"state": "asleep"}, {"parent": "LF"}, {"billing_start": "x"}):
        told(office.get("accounts/", **wrong), 422, "value_invalid")


def test_an_account_is_told_as_of_a_day_and_as_known_on_a_day(office: Person, world: World) -> None:
    path = f"accounts/{account(world).pk}/"
    before = ok(office.get(path))
    world.clock.at += DAY
    ok(office.patch(path, {"name": "Pier and Pantry"}, tag=before.tag))
    ok(office.post(f"{path}close/", {"valid_from": when(world.start + 5 * DAY)}, tag="*"))
    index = int(before.headers["Register-Index"])

    now = ok(office.get(path))
    assert (now["name"], now["state"]) == ("Pier and Pantry", "closed")
    known = ok(office.get(path, known_at=index))
    assert known.body == before.body
    assert known.headers["Register-Index"] == str(index)
    assert ok(office.get(path, known_at=when(world.clock.at - HOUR))).body == before.body
    then = ok(office.get(path, as_of=when(world.start + 4 * DAY)))
    assert (then["name"], then["state"]) == ("Pier and Pantry", "open")
    told(office.get(path, as_of=when(world.start - DAY)), 404, "not_found")
    told(office.get(path, known_at=index - 1), 404, "not_found")
    rows = office.rows("accounts/", known_at=index)
    assert [row["name"] for row in rows] == ["Lantern Fuel", "Pier & Pantry PP"]
    told(office.get(path, known_at=999), 422, "value_invalid")
