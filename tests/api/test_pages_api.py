"""Lists by the page: cursors, sizes, orderings, searches, filters, and what is no question."""

import base64
import json
from typing import Any

import pytest

from registry.actions import cabinets, locations
from registry.actions._stores import NewCabinet
from registry.models import Cabinet, Entry
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, ok, told
from tests.api.operations import utc
from tests.factories.world import DAY, World, new_location

NOUNS = ("assignments", "devices", "locations", "cabinets")


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


def tagged(world: World, *tags: str, **particulars: str) -> list[Cabinet]:
    return [
        cabinets.register_cabinet(
            world.office,
            cabinet=NewCabinet(world.cove.pk, {"asset_tag": tag, **particulars}),
            location_id=world.location.pk,
            valid_from=world.start + DAY,
        )
        for tag in tags
    ]


def forged(*values: object, ordering: str = "") -> str:
    """Return a cursor as somebody might make it up."""
    values = (ordering, *values) if ordering else values
    return base64.urlsafe_b64encode(json.dumps(values).encode()).decode().rstrip("=")


@pytest.fixture
def twins(world: World) -> list[str]:
    """Eleven stores of one name, and one before and one after them: the keys in the order of names."""
    named = [
        locations.register_location(
            world.office,
            account_id=world.account.pk,
            location=new_location(world.tarnmouth, world.code("T"), name=name),
            valid_from=world.start,
        )
        for name in ("Anchor", *["Lantern"] * 11, "Zephyr")
    ]
    everything = [*named, world.location]
    return [str(store.pk) for store in sorted(everything, key=lambda store: (store.name, store.pk))]


# --- pages -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [1, 2, 3, 7, 13, 14, 15, 200])
def test_pages_hold_every_row_once_however_many_look_alike(
    installer: Person, twins: list[str], size: int
) -> None:
    pages = [[row["id"] for row in page["results"]] for page in installer.pages("locations/", page_size=size)]

    assert [key for page in pages for key in page] == twins
    assert {len(page) for page in pages[:-1]} <= {size}
    assert 1 <= len(pages[-1]) <= size
    backwards = installer.rows("locations/", page_size=size, ordering="-name")
    assert [row["id"] for row in backwards] == twins[::-1]


def test_a_page_says_at_which_moment_it_was_read_and_where_it_goes_on(
    installer: Person, world: World, twins: list[str]
) -> None:
    head = Entry.objects.count()
    with nothing_changed():
        page = ok(installer.get("locations/", page_size=5, search="tarnmouth"))

    assert page.body.keys() == {"as_of", "known_index", "at_head", "next", "results"}
    assert (page["known_index"], page["at_head"]) == (head, True)
    assert page.headers["Register-Index"] == str(head)
    assert page.headers["Cache-Control"] == "private, no-cache"
    assert page["as_of"].endswith("Z")
    assert f"known_at={head}" in page["next"]
    assert "search=tarnmouth" in page["next"]
    assert page.headers["Link"] == f'<{page["next"]}>; rel="next"'  # RFC 8288, section 3
    last = ok(installer.get("locations/"))
    assert last["next"] is None
    assert "Link" not in last.headers


def test_fifty_rows_are_a_page_unless_told(installer: Person, world: World) -> None:
    tagged(world, *(f"SK-{number:04}" for number in range(51)))

    assert [len(page["results"]) for page in installer.pages("cabinets/")] == [50, 1]
    assert len(ok(installer.get("cabinets/", page_size=200))["results"]) == 51


def test_rows_that_come_and_go_between_two_pages_disturb_no_other(installer: Person, world: World) -> None:
    tagged(world, "SK-0002", "SK-0004", "SK-0006", "SK-0008")
    first = ok(installer.get("cabinets/", page_size=2))
    assert [row["asset_tag"] for row in first["results"]] == ["SK-0002", "SK-0004"]

    tagged(world, "SK-0001", "SK-0005")
    [last] = Cabinet.objects.filter(asset_tag="SK-0008")
    cabinets.move_cabinet(
        world.office, cabinet_id=last.pk, depot_id=world.fellgate.pk, valid_from=world.start + 5 * DAY
    )

    # The next page is of the moment of the first.
    assert [row["asset_tag"] for row in ok(installer.get(first["next"]))["results"]] == ["SK-0006", "SK-0008"]
    now = [row["asset_tag"] for row in installer.rows("cabinets/", page_size=2)]
    assert now == ["SK-0001", "SK-0002", "SK-0004", "SK-0005", "SK-0006"]


def test_a_list_of_nothing_is_a_page_of_no_rows(api: Api, world: World) -> None:
    for noun in NOUNS:
        page = ok(api.as_(world.stranger).get(f"{noun}/"))
        assert (page["results"], page["next"]) == ([], None)


@pytest.mark.parametrize("noun", NOUNS)
@pytest.mark.parametrize(
    "size", ["0", "-1", "201", "1.5", "ten", "", "\u0665", "1e1", "9" * 30, "\x00", "+5", " 5"]
)
def test_a_size_that_no_page_has_is_refused(installer: Person, noun: str, size: str) -> None:
    reply = told(installer.get(f"{noun}/", page_size=size), 422, "value_invalid")

    assert reply["errors"][0]["parameter"] == "page_size"


KEY = "01a213b4-e513-71e2-bd27-09113c95e820"


@pytest.mark.parametrize(
    "cursor",
    [
        "x", "=", "====", "\u00e4", "\x00", "A" * 5_000,
        base64.urlsafe_b64encode(b"\xff\xfe").decode(),
        base64.urlsafe_b64encode(b"[" * 50_000).decode(),
        forged(), forged(1), forged("a"), forged("a", "b"), forged("a", "b", "c"), forged(None, None, None),
        forged("a", "b", "c", "d"), forged({}, [], ""), forged(["name"], "a", KEY), forged("place", "a", KEY),
    ],
)  # fmt: skip
def test_a_cursor_that_is_none_of_ours_is_refused(installer: Person, cursor: str) -> None:
    for noun in ("devices", "locations", "cabinets"):
        reply = told(installer.get(f"{noun}/", cursor=cursor), 422, "value_invalid")
        assert reply["errors"][0]["parameter"] == "cursor"


@pytest.mark.parametrize("noun", ["devices", "locations", "cabinets"])
def test_a_cursor_at_no_row_is_refused(installer: Person, noun: str) -> None:
    ordering = {"devices": "serial", "locations": "name", "cabinets": "asset_tag"}[noun]
    ok(installer.get(f"{noun}/", cursor=forged("a", KEY, ordering=ordering)))

    for begin, key in (
        ("a", "b"), ("a", None), (None, KEY), ("\x00", KEY), ("\ud800", KEY), ("a", 10**60), ("a", {}),
    ):  # fmt: skip
        cursor = forged(begin, key, ordering=ordering)
        reply = told(installer.get(f"{noun}/", cursor=cursor), 422, "value_invalid")
        assert reply["errors"][0]["parameter"] == "cursor"


@pytest.mark.parametrize(
    "begin",
    [
        "2026-02-01", "2026-02-01T08:00:00", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59",
        "soon", "", 5, 1e400, None, [], True,
    ],
)  # fmt: skip
def test_a_cursor_at_no_time_is_refused(installer: Person, begin: object) -> None:
    ok(installer.get("assignments/", cursor=forged("2026-02-01T00:00:00Z", KEY, ordering="-valid_from")))

    reply = installer.get("assignments/", cursor=forged(begin, KEY, ordering="-valid_from"))

    assert told(reply, 422, "value_invalid")["errors"][0]["parameter"] == "cursor"


def test_a_cursor_belongs_to_the_ordering_of_its_list(installer: Person, world: World) -> None:
    world.store(), world.store()
    first = ok(installer.get("locations/", page_size=1, ordering="name"))["next"]
    assert len(ok(installer.get(first))["results"]) == 1

    for other in ("locality", "id", "-name"):
        reply = installer.get(first.replace("ordering=name", f"ordering={other}"))
        assert told(reply, 422, "value_invalid")["errors"][0]["parameter"] == "cursor"


def test_a_cursor_of_another_person_shows_no_more_than_their_own(
    api: Api, installer: Person, world: World
) -> None:
    tagged(world, "SK-0001", "SK-0002")
    following = ok(installer.get("cabinets/", page_size=1))["next"]

    assert ok(api.as_(world.stranger).get(following))["results"] == []


# --- orderings, searches, filters ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("noun", "orderings"),
    [
        ("assignments", ["period", "valid_from"]),
        ("devices", ["id", "serial"]),
        ("locations", ["id", "locality", "name"]),
        ("cabinets", ["asset_tag", "id"]),
    ],
)
def test_a_list_is_ordered_as_it_can_be_and_no_other_way(
    installer: Person, world: World, noun: str, orderings: list[str]
) -> None:
    for _ in range(3):
        world.assigned(world.device(), world.cabinet(world.store()))

    for ordering in orderings:
        up = [row["id"] for row in installer.rows(f"{noun}/", ordering=ordering, page_size=2)]
        down = [row["id"] for row in installer.rows(f"{noun}/", ordering=f"-{ordering}", page_size=2)]
        assert len(up) == len(set(up)) >= 3
        assert up == down[::-1]
    for ordering in ("no_such", "--id", "pk", "account", "location__name", "id,name", "?", "-", "\x00"):
        reply = told(installer.get(f"{noun}/", ordering=ordering), 422, "value_invalid")
        assert reply["errors"][0]["parameter"] == "ordering"
        assert all(name in reply["detail"] for name in orderings)


def test_every_word_of_a_search_must_occur_somewhere(installer: Person, world: World) -> None:
    tagged(world, "SK-0001", maker_serial="ALPHA-1")
    tagged(world, "SK-0002", maker_serial="ALPHA-2")
    tagged(world, "SK-0003", maker_serial="100%")
    tagged(world, "SK_0004", maker_serial="")

    def found(words: str) -> list[str]:
        return [row["asset_tag"] for row in installer.rows("cabinets/", search=words)]

    everything = ["SK-0001", "SK-0002", "SK-0003", "SK_0004"]
    assert found("alpha") == ["SK-0001", "SK-0002"]
    assert found("ALPHA sk-0002") == found("  sk-0002\talpha ") == ["SK-0002"]
    assert found("alpha beta") == []
    assert found("") == found("  ") == everything
    # What databases take for "anything" is a character like others.
    assert found("%") == ["SK-0003"]
    assert found("_") == ["SK_0004"]
    assert found("\\") == found("'") == found('"') == found("🧊") == []
    assert found("cove") == everything  # the model's name


@pytest.mark.parametrize("noun", NOUNS)
def test_a_search_for_what_is_no_text_is_refused(installer: Person, noun: str) -> None:
    reply = told(installer.get(f"{noun}/", search="a\x00b"), 422, "value_invalid")

    assert reply["errors"][0]["parameter"] == "search"
    assert ok(installer.get(f"{noun}/", search="x" * 2_000))["results"] == []


@pytest.mark.parametrize("noun", NOUNS)
@pytest.mark.parametrize("parameter", ["seach", "format", "limit", "page", "known_At", "id", ""])
def test_a_parameter_that_there_is_not_is_refused_by_name(
    installer: Person, world: World, noun: str, parameter: str
) -> None:
    thing = {
        "assignments": world.assigned(world.device(), world.cabinet()).period,
        "devices": world.device().pk,
        "locations": world.location.pk,
        "cabinets": world.cabinet().pk,
    }[noun]

    for path in (f"{noun}/", f"{noun}/{thing}/"):
        reply = told(installer.get(path, **{parameter: "x"}), 422, "value_invalid")
        assert reply["errors"][0].get("parameter", "") == parameter
        assert repr(parameter) in reply["detail"]


@pytest.mark.parametrize("noun", NOUNS)
def test_a_change_has_no_parameters(api: Api, world: World, noun: str) -> None:
    office, headers = api.as_(world.office), {"Idempotency-Key": '"a wish"'}

    with nothing_changed():
        reply = office.send("POST", f"{noun}/", body={}, query={"dry_run": "1"}, headers=headers)

    assert told(reply, 422, "value_invalid")["errors"][0]["parameter"] == "dry_run"


def test_a_filter_by_a_stranger_finds_nothing(installer: Person, world: World) -> None:
    world.assigned(world.device(), world.cabinet())
    nobody = str(world.stranger.staff_id)

    for noun, names in (
        ("assignments", ("cabinet", "device", "location", "device_model")),
        ("devices", ("model", "staff", "cabinet")),
        ("locations", ("account", "depot")),
        ("cabinets", ("location", "depot", "model")),
    ):
        for name in names:
            assert ok(installer.get(f"{noun}/", **{name: nobody}))["results"] == [], (noun, name)
            reply = told(installer.get(f"{noun}/", **{name: "x"}), 422, "value_invalid")
            assert reply["errors"][0]["parameter"] == name
    told(installer.get("devices/", model="x", place="y"), 422, "fields_invalid")


def test_a_blank_filter_asks_for_nothing_in_particular(installer: Person, world: World) -> None:
    world.assigned(world.device(), world.cabinet())

    for noun, names in (
        ("assignments", ("cabinet", "ended", "end_reason", "when")),
        ("devices", ("model", "place", "serial", "standing")),
        ("locations", ("account", "state", "store_number", "country")),
        ("cabinets", ("location", "place", "setting", "hanging")),
    ):
        for name in names:
            assert len(ok(installer.get(f"{noun}/", **{name: ""}))["results"]) == 1, (noun, name)


def test_one_thing_is_read_once_for_all_who_know_it(installer: Person, world: World) -> None:
    path = f"locations/{world.location.pk}/"
    read = ok(installer.get(path))

    again = installer.get(path, tag=read.tag)
    assert (again.status, again.text, again.tag) == (304, "", read.tag)
    assert again.headers["Register-Index"] == read.headers["Register-Index"]
    assert installer.get(path, tag=f'"0123", W/{read.tag}').status == 304  # RFC 9110, section 13.1.2: weakly
    assert installer.get(path, tag='"0123"').status == 200

    locations.correct_location(world.office, location_id=world.location.pk, particulars={"name": "Mole End"})
    assert ok(installer.get(path, tag=read.tag))["name"] == "Mole End"
    # As known before, it is the same as ever.
    index = read.headers["Register-Index"]
    assert installer.get(path, tag=read.tag, known_at=index, as_of=utc(world.clock.at)).status == 304


def test_what_lists_share_holds_for_every_one(installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    key = world.assigned(device, cabinet).period
    things: dict[str, Any] = {
        "assignments": key,
        "devices": device.pk,
        "locations": world.location.pk,
        "cabinets": cabinet.pk,
    }

    for noun, thing in things.items():
        page, one = ok(installer.get(f"{noun}/")), ok(installer.get(f"{noun}/{thing}/"))
        assert page["results"] == [one.body]
        assert one.headers["Register-Index"] == page.headers["Register-Index"]
        assert "ETag" not in page.headers
        told(installer.send("PUT", f"{noun}/{thing}/", body={}), 405, "method_unknown")
        told(installer.send("DELETE", f"{noun}/{thing}/"), 405, "method_unknown")
        told(installer.send("PATCH", f"{noun}/", body={}), 405, "method_unknown")
        told(installer.get(f"{noun}/{thing}"), 404, "not_found")  # every address ends in a slash
        told(installer.get(f"{noun}/nothing/"), 404, "not_found")
