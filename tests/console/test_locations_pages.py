"""Locations in the console: the page with the installation timeline, and what may be done to a store."""

import re
from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, assignments, locations, periods
from registry.models import DeviceWhereabouts, Entry, Location, LocationHolding, LocationState
from registry.queries.moments import head_index
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of, typed
from tests.epcis_checks import events_of
from tests.factories.world import DAY, World, new_location, person


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


@pytest.fixture
def page_at(world: World) -> str:
    return at("location", world.location.pk)


def told(page: Any) -> list[str]:
    """The sentences of a timeline, the newest first."""
    return [event.words for event in page.context["shown"]]


def stocked(world: World) -> tuple[Any, Any, Any]:
    """A cabinet in which one device was swapped for another a week later."""
    cabinet, first, second = world.cabinet(split=True), world.device(), world.device()
    hung = world.assigned(first, cabinet)
    assignments.swap_device(
        world.office,
        assignment_id=hung.period,
        device_id=second.pk,
        valid_from=world.start + 9 * DAY,
        depot_id=world.tarnmouth.pk,
        end_note="drips",
    )
    return cabinet, first, second


# --- the page ------------------------------------------------------------------------------------------


def test_the_page_tells_what_it_is_who_holds_it_and_what_stands_and_hangs_there(
    office: Client, world: World, page_at: str
) -> None:
    cabinet, _, second = stocked(world)
    locations.correct_location(
        world.office,
        location_id=world.location.pk,
        particulars={"latitude": "43.5", "longitude": "-70.25", "visiting_hours": "day and night"},
    )

    text = text_of(office.get(page_at))

    assert "Held by LF Lantern Fuel Store number 0042 State open Depot TM Tarnmouth" in text
    assert "Address 12 Harbour Road Tarnmouth, US" in text
    assert "Coordinates 43.500000, -70.250000 degrees, WGS 84" in text
    assert "Time zone America/New_York Visiting hours day and night" in text
    assert f"{cabinet.asset_tag} Cove 40 unknown 8 lb bag 60 %, 18 lb bag 40 %" in text
    assert f"{second.serial} since 2026-02-09 03:00 EST" in text


def test_the_timeline_tells_the_newest_first_with_who_when_why_and_which_entry(
    office: Client, world: World, page_at: str
) -> None:
    cabinet, first, second = stocked(world)

    page = office.get(page_at)

    assert told(page) == [
        f"Device {first.serial} was swapped for {second.serial} in cabinet {cabinet.asset_tag} at"
        f" {world.location.label}",
        f"Device {first.serial} was assigned to cabinet {cabinet.asset_tag} at {world.location.label}",
        f"Cabinet {cabinet.asset_tag} was registered at {world.location.label}",
        f"Location {world.location.label} of LF Lantern Fuel was registered",
    ]
    index = head_index()
    assert (
        f"2026-02-09 03:00 EST simulated Device {first.serial} was swapped for {second.serial} in cabinet"
        f" {cabinet.asset_tag} at {world.location.label} drips entry {index} , recorded 2026-03-02 03:00 EST"
        " by Office through api"
    ) in text_of(page)
    assert f'href="{at("entry", index)}"' in page.content.decode()


def test_who_does_not_see_the_ledger_gets_no_way_into_it(world: World, page_at: str) -> None:
    page = signed_in(person(world, "auditor", world.tarnmouth)).get(page_at)

    assert "entry 6" in text_of(page)
    assert at("entry", 6) not in page.content.decode()


def test_the_events_are_downloaded_as_known_on_the_page_where_there_are_any(
    office: Client, world: World, page_at: str
) -> None:
    assert "jsonld" not in office.get(page_at).content.decode()
    stocked(world)

    page = office.get(page_at).content.decode()

    [address] = re.findall(r'href="([^"]+)" download="harbour-road-0042.jsonld">Download its events<', page)
    assert address.endswith(f"?known_at={head_index()}")
    assert len(events_of(office.get(address).json())) == 4


def test_the_timeline_is_narrowed_to_a_cabinet_and_to_a_device(
    office: Client, world: World, page_at: str
) -> None:
    cabinet, first, second = stocked(world)
    other = world.cabinet()

    def narrowed(**by: Any) -> list[str]:
        return told(office.get(page_at, by))

    assert len(narrowed()) == 5
    assert narrowed(cabinet=str(other.pk)) == [
        f"Cabinet {other.asset_tag} was registered at {world.location.label}"
    ]
    assert len(narrowed(cabinet=str(cabinet.pk))) == 3
    assert len(narrowed(device=str(first.pk))) == 2
    assert len(narrowed(device=str(second.pk))) == 1
    assert narrowed(cabinet=str(other.pk), device=str(first.pk)) == []
    assert len(narrowed(cabinet="nonsense", device=str(world.account.pk))) == 5  # nothing that is offered


def test_narrowing_and_the_moment_keep_each_other(office: Client, world: World, page_at: str) -> None:
    cabinet, _, _ = stocked(world)
    index = str(head_index())

    page = office.get(page_at, {"cabinet": str(cabinet.pk), "known_at": index})

    text = page.content.decode()
    assert f'<input type="hidden" name="cabinet" value="{cabinet.pk}">' in text
    assert f'<input type="hidden" name="known_at" value="{index}">' in text
    assert f'href="?cabinet={cabinet.pk}"' in text  # to the present
    assert f'href="?known_at={index}#timeline"' in text  # to everything


def test_as_of_and_known_at_repaint_the_whole_page(office: Client, world: World, page_at: str) -> None:
    cabinet, first, second = stocked(world)
    index = head_index()
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignments_of(second)[0].period,
        valid_from=world.start + 7 * DAY,
        reason="the sheet says so",
    )

    def hanging(**asked: str) -> list[str]:
        page = office.get(page_at, asked)
        return [place.device.serial for row in page.context["cabinets"] for place in row.hanging]

    between = f"{world.start + 8 * DAY:%Y-%m-%d} 12:00"
    assert hanging() == [second.serial]
    assert hanging(as_of="2026-02-05 12:00") == [first.serial]
    assert hanging(as_of=between) == [second.serial]
    assert hanging(as_of=between, known_at=str(index)) == [first.serial]
    before = office.get(page_at, {"as_of": "2026-02-05 12:00"})
    assert len(told(before)) == 3
    assert "Then : as of 2026-02-05 12:00 EST" in text_of(before)


def assignments_of(device: Any) -> list[Any]:
    return list(
        DeviceWhereabouts.objects.current().filter(device=device, place="cabinet").order_by("valid_from")
    )


def test_a_correction_is_told_with_what_it_replaced_in_the_stores_own_time(
    office: Client, world: World, page_at: str
) -> None:
    _, first, second = stocked(world)
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignments_of(second)[0].period,
        valid_from=world.start + 7 * DAY,
        reason="the sheet says so",
    )

    page = office.get(page_at)
    [event] = [event for event in page.context["shown"] if event.replaced]

    assert event.reason == "the sheet says so"
    assert (
        f"place of device {second.serial}: valid from was 2026-02-09 03:00 EST, is now 2026-02-07 03:00 EST"
        in event.replaced
    )
    assert any(first.serial in line for line in event.replaced)
    assert all(line in text_of(page) for line in event.replaced)


def test_the_stores_own_zone_is_told(office: Client, world: World) -> None:
    tokyo = locations.register_location(
        world.office,
        account_id=world.account.pk,
        location=new_location(world.tarnmouth, "0081", time_zone="Asia/Tokyo"),
        valid_from=world.start,
    )

    text = text_of(office.get(at("location", tokyo.pk)))

    assert "Times are those of Asia/Tokyo." in text
    assert "2026-01-31 17:00 JST" in text


def test_an_empty_store_says_so(office: Client, page_at: str) -> None:
    text = text_of(office.get(page_at))

    assert "No cabinet stands here." in text
    assert "Whom to ask Nobody yet." in text


def test_a_closed_store_can_only_be_corrected_and_opened(office: Client, world: World, page_at: str) -> None:
    locations.close_location(world.office, location_id=world.location.pk, valid_from=world.start + DAY)

    assert [button.words for button in office.get(page_at).context["buttons"]] == ["Correct", "Open again"]


def test_an_auditor_is_offered_nothing_to_do_and_refused_everything(world: World, page_at: str) -> None:
    auditor = signed_in(world.auditor)
    page = auditor.get(page_at)
    assert (page.context["buttons"], page.context["contact_buttons"]) == ([], [])

    for name in ("correct", "state", "close", "hand"):
        address = at(f"location_{name}", world.location.pk)
        assert address not in page.content.decode()
        with nothing_changed():
            assert auditor.get(address).status_code == 403
            assert auditor.post(address, {"step": "record"}).status_code == 403


@pytest.mark.parametrize("rows", [3, 30])
def test_the_page_takes_as_many_queries_for_many_rows_as_for_few(
    office: Client, world: World, django_assert_num_queries: Any, page_at: str, rows: int
) -> None:
    for number in range(rows):
        world.assigned(world.device(), world.cabinet(split=True))
        locations.register_contact(world.office, location_id=world.location.pk, text={"name": f"No {number}"})

    # the session; the person; the head; the store, its depot, state, holding and holder; its contacts, and
    # what is held of them; its cabinets, their models, stays, stores, splits, shares, products, what hangs
    # in them, which devices those are; visits to come; the holdings, holders and states of its
    # history; the timeline: stays of cabinets, entries of the store, entries of the cabinets, the entries,
    # their subjects, names of people; the cabinets and the devices to narrow it by; its checks
    with django_assert_num_queries(32):
        assert len(told(office.get(page_at))) == min(100, 3 * rows + 1)


def test_a_long_timeline_is_shown_by_the_page(
    office: Client, world: World, page_at: str, monkeypatch: Any
) -> None:
    from registry.console import locations as pages

    monkeypatch.setattr(pages, "EVENTS_SHOWN_MAX", 2)
    stocked(world)

    first, second = office.get(page_at), office.get(page_at, {"page": "2"})

    assert [len(told(page)) for page in (first, second)] == [2, 2]
    assert told(second)[-1].endswith("was registered")
    assert 'href="?&amp;page=2"' in first.content.decode() or "page=2" in first.content.decode()


# --- correcting ------------------------------------------------------------------------------------------


def test_particulars_are_corrected_and_the_form_begins_with_them(
    office: Client, world: World, page_at: str
) -> None:
    address = at("location_correct", world.location.pk)
    values = {
        "gln": "9520002009500",
        "latitude": "43.5",
        "longitude": "-70.25",
        "authority_on": "2026-01-15",
        "authority_reference": "A-1",
    }
    assert post(office, address, "record", reason="read the sign", **values).status_code == 303

    row = Location.objects.get(pk=world.location.pk)
    assert (row.gln, str(row.latitude), str(row.authority_on)) == ("9520002009500", "43.500000", "2026-01-15")
    begun = typed(office.get(address))
    assert (begun["gln"], begun["latitude"], begun["authority_on"]) == (
        "9520002009500",
        "43.500000",
        "2026-01-15",
    )
    with nothing_changed():  # what the form began with is what the register says
        page = post(office, address, "record")
    assert problems(page) == {"": "The register already says so."}


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"name": ""}, "id_name"),
        ({"country": "us"}, "id_country"),
        ({"time_zone": "Mars/Base"}, "id_time_zone"),
        ({"latitude": "north"}, "id_latitude"),
        ({"authority_on": "2026-02-30"}, "id_authority_on"),
        ({"gln": "12"}, "id_gln"),
    ],
)
def test_particulars_that_cannot_be_are_refused_beside_their_field(
    office: Client, world: World, given: dict[str, str], field: str
) -> None:
    with nothing_changed():
        page = post(office, at("location_correct", world.location.pk), "record", **given)

    assert set(problems(page)) == {field}


def test_a_store_goes_to_another_depot_and_out_of_sight(world: World) -> None:
    both = signed_in(person(world, "office", world.tarnmouth, world.fellgate))
    narrow = signed_in(person(world, "office", world.tarnmouth))
    address = at("location_correct", world.location.pk)
    with nothing_changed():
        page = post(narrow, address, "record", depot=str(world.fellgate.pk))
    assert set(problems(page)) == {"id_depot"}

    assert post(both, address, "record", depot=str(world.fellgate.pk)).status_code == 303
    assert narrow.get(at("location", world.location.pk)).status_code == 404


# --- state, closing, handing over ------------------------------------------------------------------------


def test_a_store_is_laid_to_sleep_and_opened_again(office: Client, world: World) -> None:
    address = at("location_state", world.location.pk)
    slept = post(office, address, "record", state="asleep", valid_from="2026-02-10 08:00", reason="winter")
    assert slept.status_code == 303
    with nothing_changed():
        page = post(office, address, "record", state="asleep", valid_from="2026-02-12 08:00")
    assert set(problems(page)) == {"id_state"}
    assert page.context["code"] == "nothing_changes"
    assert post(office, address, "record", state="open", valid_from="2026-02-20 08:00").status_code == 303

    states = LocationState.objects.current().filter(location=world.location).order_by("valid_from")
    assert [state.state for state in states] == ["open", "asleep", "open"]
    assert states[1].valid_from.isoformat() == "2026-02-10T13:00:00+00:00"  # its own local time


def test_closing_shows_everything_that_moves_before_it_is_recorded(office: Client, world: World) -> None:
    cabinet, _, second = stocked(world)
    address = at("location_close", world.location.pk)
    with nothing_changed():
        page = post(office, address, "record", valid_from="2026-02-20 08:00")
    assert set(problems(page)) == {"id_cabinets_to"}
    assert page.context["code"] == "location_occupied"

    where = {"valid_from": "2026-02-20 08:00", "cabinets_to": str(world.fellgate.pk), "reason": "sold"}
    with nothing_changed():
        checked = post(office, address, "check", **where)
    told_lines = lines(checked)
    assert {what for what, _, _ in told_lines} == {
        f"place of device {second.serial}",
        f"place of cabinet {cabinet.asset_tag}",
        f"state of location {world.location.label}",
    }
    assert (
        f"place of cabinet {cabinet.asset_tag}",
        "nothing",
        "depot FG Fellgate, from 2026-02-20 08:00 EST on",
    ) in told_lines

    assert post(office, address, "record", **where).status_code == 303
    assert Entry.objects.latest("index").verb == "location.closed"


def test_a_cabinet_that_came_meanwhile_stops_the_closing(office: Client, world: World) -> None:
    address = at("location_close", world.location.pk)
    form = office.get(address)
    world.cabinet()
    with nothing_changed():
        page = office.post(address, {**typed(form), "step": "record"})

    assert page.context["code"] == "changed_meanwhile"


def test_a_store_is_handed_to_another_account(office: Client, world: World) -> None:
    other = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    address = at("location_hand", world.location.pk)
    form = office.get(address)
    assert "LF Lantern Fuel holds it now, as store 0042." in text_of(form)

    values = {"account": str(other.pk), "store_number": "007", "valid_from": "2026-02-10 08:00"}
    checked = post(office, address, "check", **values)
    assert lines(checked)[1][2] == "PP Pier & Pantry, store number 007, from 2026-02-10 08:00 EST on"
    assert post(office, address, "record", **values).status_code == 303

    held = LocationHolding.objects.current().filter(location=world.location).order_by("valid_from")
    assert [(holding.account.code, holding.store_number) for holding in held] == [
        ("LF", "0042"),
        ("PP", "007"),
    ]


@pytest.mark.parametrize(
    ("given", "field", "code"),
    [
        ({"store_number": ""}, "id_store_number", ""),
        ({"store_number": "0 7"}, "id_store_number", "text_invalid"),
        ({"account": ""}, "id_account", ""),
        ({"valid_from": "2026-01-01 08:00"}, "id_valid_from", "before_known"),
    ],
)
def test_a_hand_over_that_cannot_be_is_refused_beside_its_field(
    office: Client, world: World, given: dict[str, str], field: str, code: str
) -> None:
    other = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    values = {"account": str(other.pk), "store_number": "007", "valid_from": "2026-02-10 08:00", **given}
    with nothing_changed():
        page = post(office, at("location_hand", world.location.pk), "record", **values)

    assert set(problems(page)) == {field}
    assert page.context["code"] == code


# --- contacts --------------------------------------------------------------------------------------------


WREN = {"name": "Wren Hollis", "phone": "555-0110", "note": "mornings"}


def test_a_contact_is_added_shown_corrected_and_erased(office: Client, world: World, page_at: str) -> None:
    add = at("contact_add", world.location.pk)
    with nothing_changed():
        checked = post(office, add, "check", **WREN)
    assert ("name", "nothing", "Wren Hollis") in lines(checked)
    assert post(office, add, "record", **WREN).headers["Location"] == page_at
    assert "Wren Hollis , 555-0110 mornings" in text_of(office.get(page_at))

    [held] = office.get(page_at).context["contacts"]
    correct, erase = at("contact_correct", held.contact.pk), at("contact_erase", held.contact.pk)
    assert typed(office.get(correct))["phone"] == "555-0110"
    with nothing_changed():
        checked = post(office, correct, "check", phone="555-0111")
    assert ("phone", "555-0110", "555-0111") in lines(checked)
    assert post(office, correct, "record", phone="555-0111", note="").status_code == 303
    assert "Wren Hollis , 555-0111" in text_of(office.get(page_at))
    assert "mornings" not in text_of(office.get(page_at))

    with nothing_changed():
        checked = post(office, erase, "check", reason="asked for it")
    assert ("name", "Wren Hollis", "nothing") in lines(checked)
    assert post(office, erase, "record", reason="asked for it").status_code == 303
    assert "Wren" not in text_of(office.get(page_at))


def test_the_ledger_never_holds_a_contacts_words(office: Client, world: World) -> None:
    post(office, at("contact_add", world.location.pk), "record", **WREN)

    bodies = " ".join(Entry.objects.values_list("body", flat=True))

    assert "contact.registered" in bodies
    assert not any(word in bodies for word in ("Wren", "555-0110", "mornings"))


def test_erasing_twice_answers_as_the_first_did(office: Client, world: World, page_at: str) -> None:
    contact = locations.register_contact(world.office, location_id=world.location.pk, text=dict(WREN))
    address = at("contact_erase", contact.pk)
    form = office.get(address)
    data = {**typed(form), "step": "record"}
    first = office.post(address, data)
    with nothing_changed():
        second = office.post(address, data)

    assert (first.status_code, second.status_code) == (303, 303)
    assert second.headers["Location"] == first.headers["Location"] == page_at
    with nothing_changed():
        again = post(office, address, "record")
    assert again.context["code"] == "nothing_changes"


def test_a_contact_without_a_name_is_refused(office: Client, world: World) -> None:
    with nothing_changed():
        page = post(office, at("contact_add", world.location.pk), "record", name=" ", phone="1")

    assert problems(page) == {"id_name": "Name: This is missing. Fill it in."}


def test_a_contact_of_a_hidden_store_is_not_there(world: World) -> None:
    contact = locations.register_contact(
        world.office, location_id=world.store(depot=world.fellgate).pk, text=dict(WREN)
    )
    narrow = signed_in(person(world, "office", world.tarnmouth))

    for name in ("contact_correct", "contact_erase"):
        with nothing_changed():
            assert narrow.get(at(name, contact.pk)).status_code == 404
            assert narrow.post(at(name, contact.pk), {"step": "record"}).status_code == 404


def test_the_page_of_a_contact_tells_nothing_to_an_auditor(world: World) -> None:
    contact = locations.register_contact(world.office, location_id=world.location.pk, text=dict(WREN))
    page = signed_in(world.auditor).get(at("contact_correct", contact.pk))

    assert page.status_code == 403
    assert "Wren" not in text_of(page)
