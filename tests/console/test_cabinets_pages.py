"""Cabinets in the console: their page at a moment, and moving, scrapping and splitting them."""

from typing import Any

import pytest
from django.test import Client

from registry.actions import cabinets, devices, periods, products
from registry.models import CabinetWhereabouts, DeviceWhereabouts, Split
from registry.queries.moments import head_index
from registry.rules.splits import Share
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of
from tests.factories.world import DAY, HOUR, World, person


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


# --- the page ----------------------------------------------------------------------------------------


def test_the_page_tells_what_it_is_where_it_stands_what_shares_it_and_what_hangs_in_it(
    world: World, office: Client
) -> None:
    cabinet = world.cabinet(split=True)
    place = world.assigned(world.device(), cabinet)

    page = office.get(at("cabinet", cabinet.pk))
    words = text_of(page)

    assert "Harbour Road 0042, Tarnmouth since 2026-02-01 03:00 EST" in words
    assert "Refrigerant not known: treat it as flammable" in words
    assert f"Left to right: 8 lb bag 60 %, then 18 lb bag 40 %. In it hangs {place.device.serial}" in words
    assert "not measured" in words
    assert f"Device {place.device.serial} was assigned to cabinet {cabinet.asset_tag}" in words


def test_the_picture_draws_shares_to_scale_and_sensors_by_port(world: World, office: Client) -> None:
    cabinet = world.cabinet(split=True)
    place = world.assigned(world.device(), cabinet)
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=place.period,
        facts={"sensor_order": "3 1 2"},
        reason="wired the other way",
    )

    front = office.get(at("cabinet", cabinet.pk)).context["front"]

    assert [(pane.left, pane.width, pane.percent) for pane in front.panes] == [
        (0, 600, "60 %"),
        (600, 400, "40 %"),
    ]
    assert [port for _, port in front.rails[0].sensors] == ["3", "1", "2"]


def test_a_share_too_narrow_for_its_name_is_told_below_the_picture(world: World, office: Client) -> None:
    cabinet = world.cabinet()
    products.set_split(
        world.office,
        cabinet_id=cabinet.pk,
        shares=[Share(world.eight_lb.pk, 400), Share(world.eighteen_lb.pk, 9_600)],
        valid_from=world.start + 2 * DAY,
    )

    page = office.get(at("cabinet", cabinet.pk))

    assert [pane.name for pane in page.context["front"].panes] == ["", "18 lb bag"]
    assert "Left to right: 8 lb bag 4 %, then 18 lb bag 96 %." in text_of(page)


def test_as_of_a_day_the_page_shows_what_was_true_then(world: World, office: Client) -> None:
    cabinet, other = world.cabinet(), world.store()
    place = world.assigned(world.device(), cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        valid_from=world.start + 5 * DAY,
        location_id=other.pk,
        devices="come_out",
    )
    address = at("cabinet", cabinet.pk)

    then, now = text_of(office.get(address, {"as_of": "2026-02-03 08:00"})), text_of(office.get(address))

    assert f"In it hangs {place.device.serial}" in then
    assert "went from" not in then
    assert "Nothing hangs in it." in now
    assert f"went from {world.location.label} to {other.label}; {place.device.serial} came out" in now


def test_as_known_before_a_correction_the_page_shows_what_was_believed(world: World, office: Client) -> None:
    cabinet = world.cabinet()
    place = world.assigned(world.device(), cabinet)
    before = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=place.period,
        facts={"rail_below_ceiling_mm": 95},
        reason="measured again",
    )
    address = at("cabinet", cabinet.pk)

    then, now = office.get(address, {"known_at": str(before)}), office.get(address)

    assert "95 mm" not in text_of(then)
    assert "Put right" not in text_of(then)  # nothing is corrected that may be believed no longer
    assert "95 mm" in text_of(now)
    assert "rail below ceiling mm was not said, is now 95" in text_of(now)


def test_before_it_was_known_the_page_says_so(world: World, office: Client) -> None:
    cabinet = world.cabinet()

    page = office.get(at("cabinet", cabinet.pk), {"as_of": "2025-01-01 00:00"})

    assert page.status_code == 200
    assert "The register knew nothing of it then." in text_of(page)


def test_a_cabinet_of_another_depot_is_as_one_that_is_not_there(world: World) -> None:
    stranger = signed_in(person(world, "office", world.fellgate))
    cabinet = world.cabinet()

    hidden, absent = (
        stranger.get(at("cabinet", key)) for key in (cabinet.pk, "01890a5d-ac96-774b-bcce-b302099a8057")
    )

    assert (hidden.status_code, absent.status_code) == (404, 404)
    assert text_of(hidden) == text_of(absent)


def test_who_may_see_it_now_is_told_where_else_it_stood(world: World) -> None:
    cabinet = world.cabinet(world.store(depot=world.fellgate))
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        valid_from=world.start + 3 * DAY,
        location_id=world.location.pk,
    )
    narrow = signed_in(person(world, "office", world.tarnmouth))

    page = narrow.get(at("cabinet", cabinet.pk), {"as_of": "2026-02-02 08:00"})

    assert page.status_code == 200
    assert "Stands Harbour Road N-" in text_of(page)


def test_an_auditor_sees_all_of_it_and_no_button(world: World) -> None:
    cabinet = world.cabinet(split=True)
    world.assigned(world.device(), cabinet)

    page = signed_in(world.auditor).get(at("cabinet", cabinet.pk))

    assert page.context["buttons"] == []
    assert {words for words in ("Swap", "Take out", "Put right") if words in text_of(page)} == set()


def test_a_scrapped_cabinet_offers_only_to_be_corrected(world: World, office: Client) -> None:
    cabinet = world.cabinet()
    cabinets.scrap_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=world.start + 2 * DAY)

    page = office.get(at("cabinet", cabinet.pk))

    assert [button.words for button in page.context["buttons"]] == ["Correct"]
    assert "scrapped" in text_of(page)


# --- moving and scrapping ----------------------------------------------------------------------------


def test_a_cabinet_moves_with_its_device_only_if_somebody_says_what_becomes_of_it(
    world: World, office: Client
) -> None:
    cabinet, other = world.cabinet(), world.store()
    place = world.assigned(world.device(), cabinet)
    store = f"LF {other.holdings.get().store_number}"
    address = at("cabinet_move", cabinet.pk)

    with nothing_changed():
        refused = post(office, address, "check", store=store)
    assert "follows or comes out" in problems(refused)["id_devices"]

    shown = lines(post(office, address, "check", store=store, devices="come_out"))
    assert [(what, will.split(",")[0]) for what, _, will in shown] == [
        (f"place of device {place.device.serial}", f"cabinet {cabinet.asset_tag}"),
        (f"place of device {place.device.serial}", "depot TM Tarnmouth"),
        (f"place of cabinet {cabinet.asset_tag}", "location Harbour Road 0042"),
        (f"place of cabinet {cabinet.asset_tag}", f"location {other.name}"),
    ]
    assert post(office, address, "record", store=store, devices="follow").status_code == 303
    assert CabinetWhereabouts.objects.current().get(cabinet=cabinet, valid_to=None).location == other
    assert DeviceWhereabouts.objects.current().get(pk=place.pk).valid_to is None


@pytest.mark.parametrize("store", ["LF 9999", "XX 0042", "LF"])
def test_a_store_that_is_not_there_is_refused_beside_its_field(
    world: World, office: Client, store: str
) -> None:
    address = at("cabinet_move", world.cabinet().pk)
    with nothing_changed():
        page = post(office, address, "record", store=store)

    assert list(problems(page)) == ["id_store"]


def test_a_store_of_another_depot_is_refused_as_one_that_is_not_there(world: World) -> None:
    theirs = world.store(depot=world.fellgate).holdings.get().store_number
    narrow = signed_in(person(world, "office", world.tarnmouth))
    address = at("cabinet_move", world.cabinet().pk)

    hidden = problems(post(narrow, address, "record", store=f"LF {theirs}"))
    absent = problems(post(narrow, address, "record", store="LF 9999"))

    assert hidden == absent == {"id_store": "To the store: There is no such location. Look it up again."}


def test_times_are_typed_and_refused_in_the_zone_of_the_store(world: World, office: Client) -> None:
    cabinet = world.cabinet()
    address = at("cabinet_move", cabinet.pk)
    tarnmouth = str(world.tarnmouth.pk)

    early = post(office, address, "check", depot=tarnmouth, valid_from="2026-01-05 10:00")
    done = post(office, address, "record", depot=tarnmouth, valid_from="2026-02-05 10:00")

    assert "2026-02-01 03:00 EST" in problems(early)["id_valid_from"]
    assert done.status_code == 303
    moved = CabinetWhereabouts.objects.current().get(cabinet=cabinet, valid_to=None)
    assert f"{moved.valid_from:%Y-%m-%d %H:%M %Z}" == "2026-02-05 15:00 UTC"


def test_the_cautions_take_the_stricter_where_something_is_unknown(world: World, office: Client) -> None:
    cabinet = world.cabinet()
    page = text_of(office.get(at("cabinet_scrap", cabinet.pk)))
    assert "not known, so flammable: licensed people draw it off" in page

    cabinets.correct_cabinet_model(
        world.office, cabinet_model_id=world.cove.pk, particulars={"refrigerant": "R448A", "supply": "plug"}
    )

    assert "Refrigerant R448A: licensed people" in text_of(office.get(at("cabinet_scrap", cabinet.pk)))
    assert "Local codes and the maker's instructions come first." in page


# --- splits and registering --------------------------------------------------------------------------


def test_a_split_is_refused_until_it_adds_up_and_a_proposal_stands_beside_it(
    world: World, office: Client
) -> None:
    cabinet = world.cabinet()
    typed = {"product_1": str(world.eight_lb.pk), "product_2": str(world.eighteen_lb.pk)}
    address = at("cabinet_split", cabinet.pk)

    with nothing_changed():
        refused = post(office, address, "record", **typed, percent_1="33.3", percent_2="66.6")
    assert "33.33 / 66.67 would." in problems(refused)["id_percent_1"]

    assert post(office, address, "record", **typed, percent_1="33.33", percent_2="66.67 %").status_code == 303
    split = Split.objects.current().get(cabinet=cabinet)
    assert [(s.product_id, s.hundredths) for s in split.shares.order_by("position")] == [
        (world.eight_lb.pk, 3_333),
        (world.eighteen_lb.pk, 6_667),
    ]


def test_a_share_without_its_product_or_number_is_refused_at_its_place(world: World, office: Client) -> None:
    address = at("cabinet_split", world.cabinet().pk)

    lonely = post(office, address, "check", percent_2="40")
    bare = post(office, address, "check", product_7=str(world.eight_lb.pk))
    wild = post(office, address, "check", product_1=str(world.eight_lb.pk), percent_1="half")

    assert list(problems(lonely)) == ["id_product_2"]
    assert list(problems(bare)) == ["id_percent_7"]
    assert "<details open>" in bare.content.decode()  # what is wrong is not folded away
    assert "is no share" in problems(wild)["id_percent_1"]


def test_a_cabinet_is_registered_at_the_location_from_whose_page_one_came(
    world: World, office: Client
) -> None:
    address = f"{at('cabinet_register')}?location={world.location.pk}"
    page = office.get(address)
    assert page.context["form"]["store"].value() == "LF 0042"

    taken = world.cabinet().asset_tag
    refused = post(office, address, "record", model=str(world.cove.pk), asset_tag=taken)
    done = post(office, address, "record", model=str(world.cove.pk), asset_tag="SK-9001")

    assert list(problems(refused)) == ["id_asset_tag"]
    stay = CabinetWhereabouts.objects.current().get(cabinet__asset_tag="SK-9001")
    assert (done.status_code, done.headers["Location"]) == (303, at("cabinet", stay.cabinet_id))
    assert stay.location == world.location


@pytest.mark.parametrize("key", ["nonsense", "01890a5d-ac96-774b-bcce-b302099a8057"])
def test_there_is_no_form_for_a_location_that_is_not_there(office: Client, key: str) -> None:
    assert office.get(f"{at('cabinet_register')}?location={key}").status_code == 404


# --- queries -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_the_page_takes_as_many_queries_for_many_rows_as_for_few(
    world: World, office: Client, django_assert_num_queries: Any, rows: int
) -> None:
    cabinet = world.cabinet(split=True)
    for row in range(rows):
        device = world.device()
        place = world.assigned(device, cabinet, world.start + 2 * DAY + row * 2 * HOUR)
        devices.mark_device_lost(
            world.office, device_id=device.pk, valid_from=place.valid_from + HOUR, reason="it fell"
        )

    # the session; the person; the head; the cabinet, its model, stay, store, split, shares, products, what
    # hangs in it; its story: which entries, the entries, their subjects, names of people; the practice of
    # mounting, photos, visits to come, checks; its histories: splits, shares, products,
    # devices and what they are called, stays and stores; the cabinets and the devices to narrow it by
    with django_assert_num_queries(28):
        assert len(office.get(at("cabinet", cabinet.pk)).context["devices"]) == rows


@pytest.mark.parametrize("rows", [3, 30])
def test_cabinets_are_suggested_with_as_many_queries_whatever_their_number(
    world: World, office: Client, django_assert_num_queries: Any, rows: int
) -> None:
    for _ in range(rows):
        world.cabinet()

    # the session; the person; the head; the cabinets, their models, stays, stores, splits, what hangs in them
    with django_assert_num_queries(9):
        office.get(at("cabinets_suggest"), {"q": "sk"})
