"""The pages of counts: planned before drawing, counted blind place by place, told and decided on after."""

import csv
import io
import re
from typing import Any

import pytest
from django.test import Client

from registry.actions import counts
from registry.models import Cabinet, Count, CountItem, Device, DeviceWhereabouts, Entry
from registry.queries.counts import lines_of
from registry.rules.sampling import lot_digest
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of, typed
from tests.factories.world import World, person

QUERIES_OF_THE_LIST = 5
DRAW = {"name": "Spring", "places": ["cabinet", "depot", "van"]}


@pytest.fixture
def auditor(world: World) -> Client:
    return signed_in(world.auditor)


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


@pytest.fixture
def hung(world: World) -> tuple[Device, Cabinet]:
    """A device in a cabinet and one in a depot."""
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    world.device()
    return device, cabinet


def drawn(world: World, **given: Any) -> Count:
    return counts.draw_count(world.auditor, **{"name": "Spring", **given})


def count_at(browser: Client, count: Count, place: Any, **values: Any) -> Any:
    address = at("count_place", count.pk, place.pk)
    page = browser.get(address)
    return browser.post(address, {**typed(page, **values), "step": "record"})


def whole(browser: Client, count: Count, missing: Device | None = None) -> None:
    """Count every place of a count, all found but what is missing, and close it."""
    for line in lines_of(count):
        if line.device != missing:
            count_at(browser, count, line.holder, serial=line.device.serial, place_done="more")  # type: ignore[union-attr]
    for holder in {line.holder for line in lines_of(count)}:
        count_at(browser, count, holder, place_done="nothing")
    assert post(browser, at("count_close", count.pk), "record").status_code == 303


# --- drawing -----------------------------------------------------------------------------------------


def test_a_draw_shows_how_many_and_what_that_means_before_anything_is_drawn(
    world: World, auditor: Client
) -> None:
    for _ in range(40):
        world.device()
    with nothing_changed():
        page = post(auditor, at("count_draw"), "check", **DRAW, tolerated="10")
    words = text_of(page)
    assert "21 of 40 devices would be drawn" in words
    assert (
        "If 4 or more of the 40 devices (10 %, rounded down) were wrong, the chance to find none in 21"
        in words
    )
    assert "However large the fleet, 29 would be enough" in words
    assert "depots 40 21" in words

    carried: dict[str, list[str]] = {}
    for name, value in page.context["typed"]:
        carried.setdefault(name, []).append(value)
    answer = auditor.post(at("count_draw"), {**carried, **_hidden(page), "step": "record"})

    count = Count.objects.get()
    assert answer.headers["Location"] == at("count", count.pk)
    assert (count.sample_size, count.lot_size, count.places) == (21, 40, "cabinet depot van")


def _hidden(page: Any) -> dict[str, Any]:
    return {"once_key": page.context["once_key"], "seen_index": page.context["seen_index"]}


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": ""}, "id_name"),
        ({"places": []}, "id_places"),
        ({"confidence": "101"}, "id_confidence"),
        ({"plan": "aql", "tolerated": "2.5"}, "id_plan"),
    ],
)
def test_a_draw_that_cannot_be_is_refused_beside_its_field(
    world: World, auditor: Client, changes: dict[str, Any], field: str
) -> None:
    world.device()
    for step in ("check", "record"):
        with nothing_changed():
            assert list(problems(post(auditor, at("count_draw"), step, **{**DRAW, **changes}))) == [field]


def test_who_has_some_depots_draws_from_one_of_them(world: World) -> None:
    world.device()
    local = signed_in(person(world, "auditor", world.tarnmouth))
    assert "all depots" not in text_of(local.get(at("count_draw")))
    assert list(problems(post(local, at("count_draw"), "check", **DRAW, depot=""))) == ["id_depot"]
    assert post(local, at("count_draw"), "record", **DRAW).status_code == 303
    assert Count.objects.get().depot == world.tarnmouth


# --- counting blind ----------------------------------------------------------------------------------


def pages_while_open(browser: Client, count: Count) -> list[Any]:
    found = [browser.get(at(name, count.pk)) for name in ("count", "count_sheet", "count_csv", "count_close")]
    found += [browser.get(at("count_place", count.pk, line.holder_id)) for line in lines_of(count)]
    found += [browser.get(at("counts"))]
    assert {page.status_code for page in found} == {200}
    return found


def test_nobody_who_counts_is_told_what_is_expected(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count, other = drawn(world), world.device()
    expected = [line.device.serial for line in lines_of(count)]  # type: ignore[union-attr]
    for page in pages_while_open(auditor, count):
        assert not any(serial in page.content.decode() for serial in expected)

    # What was typed is shown; whether it agrees is not.
    right = text_of(
        auditor.get(
            count_at(auditor, count, world.tarnmouth, serial=other.serial, place_done="more").headers[
                "Location"
            ]
        )
    )
    assert other.serial in right
    words = " ".join(text_of(page) for page in pages_while_open(auditor, count))
    for told in ("agrees", "unlisted", "absent", "unknown", "missing"):
        assert told not in words
    # Nor is it by what is there once it is closed.
    for name in ("count_redraw", "count_lot"):
        assert auditor.get(at(name, count.pk)).status_code == 404
    checked = auditor.post(
        at("count_place", count.pk, cabinet.pk),
        {
            **typed(auditor.get(at("count_place", count.pk, cabinet.pk)), place_done="nothing"),
            "step": "check",
        },
    )
    assert checked.status_code == 200
    assert device.serial not in checked.content.decode()
    assert "absent" not in text_of(checked)


def test_a_place_is_recorded_and_leads_to_the_next(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    first = count_at(auditor, count, cabinet, serial=device.serial.lower(), place_done="all")
    assert first.headers["Location"] == at("count_place", count.pk, world.tarnmouth.pk)
    waiting = lines_of(count)[1].device
    assert waiting is not None
    same = count_at(auditor, count, world.tarnmouth, serial=waiting.serial, place_done="more")
    assert same.headers["Location"] == at("count_place", count.pk, world.tarnmouth.pk)
    last = count_at(auditor, count, world.tarnmouth, place_done="nothing")
    assert last.headers["Location"] == at("count", count.pk)
    assert "2 of 2 places done" in text_of(auditor.get(last.headers["Location"]))
    assert {line.result for line in lines_of(count)} == {"agrees"}


@pytest.mark.parametrize("button", ["all", "more", ""])
def test_a_stray_enter_records_nothing(
    world: World, auditor: Client, hung: tuple[Device, Cabinet], button: str
) -> None:
    _, cabinet = hung
    count = drawn(world)
    with nothing_changed():
        assert list(problems(count_at(auditor, count, cabinet, place_done=button))) == ["id_serial"]
        typed_too = count_at(auditor, count, cabinet, serial="PB3", place_done="nothing")
        assert list(problems(typed_too)) == ["id_serial"]


def test_a_wrong_serial_is_refused_without_the_nearest(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    _, cabinet = hung
    count, waiting = drawn(world), world.device()
    with nothing_changed():
        page = count_at(auditor, count, cabinet, serial=waiting.serial[:-1], place_done="all")
    assert list(problems(page)) == ["id_serial"]
    assert "Did you mean" not in text_of(page)
    assert waiting.serial not in page.content.decode()


def test_after_a_refusal_the_empty_field_waits_for_the_next_scan(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    _, cabinet = hung
    page = count_at(auditor, drawn(world), cabinet, serial="PL3", note="shelf", place_done="all")

    html = page.content.decode()
    assert page.status_code == 422
    assert html.count("autofocus") == 1
    assert re.search(r'<input[^>]* name="serial"[^>]* autofocus', html)
    assert (page.context["form"]["serial"].value(), page.context["form"]["note"].value()) == ("", "shelf")
    assert re.search(r"PL3 ?: .*label", text_of(page))


def test_a_serial_scanned_twice_is_no_mistake(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    count_at(auditor, count, cabinet, serial=device.serial, place_done="more")
    with nothing_changed():
        again = count_at(auditor, count, cabinet, serial=device.serial, place_done="more")
    assert again.headers["Location"] == at("count_place", count.pk, cabinet.pk)
    page = auditor.get(again.headers["Location"])
    assert f"{device.serial} was recorded here already. Nothing more was recorded." in text_of(page)
    assert page.status_code == 200


def test_a_form_recorded_twice_is_one_finding(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    address = at("count_place", count.pk, cabinet.pk)
    values = {**typed(auditor.get(address), serial=device.serial, place_done="more"), "step": "record"}
    before = Entry.objects.count()
    assert [auditor.post(address, values).status_code for _ in range(2)] == [303, 303]
    assert Entry.objects.count() == before + 1


def test_the_sheet_has_blank_lines_for_more_than_is_expected(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    _, cabinet = hung
    count = drawn(world)
    words = text_of(auditor.get(at("count_sheet", count.pk)))
    assert f"1. cabinet {cabinet.asset_tag} at {world.location.label} 12 Harbour Road, Tarnmouth" in words
    assert "2. depot TM Tarnmouth" in words
    assert auditor.get(at("count_sheet", count.pk)).content.decode().count('<td class="number">') == 2 + 40


def test_the_sheet_goes_into_a_spreadsheet_where_nothing_is_a_formula(world: World, auditor: Client) -> None:
    from registry.actions import locations

    store = world.store()
    locations.correct_location(
        world.office, location_id=store.pk, particulars={"street": '=HYPERLINK("0")', "locality": "Tarnmouth"}
    )
    world.assigned(world.device(), world.cabinet(store))
    count = drawn(world)
    answer = auditor.get(at("count_csv", count.pk))
    assert answer.headers["Content-Type"].startswith("text/csv")
    [head, row] = csv.reader(io.StringIO(answer.content.decode()))
    assert head == ["Place", "Kind", "Where", "Address", "Serial found", "Seen at", "Note"]
    assert row[:2] == ["1", "cabinet"]
    assert row[3] == '\'=HYPERLINK("0"), Tarnmouth'
    assert row[4:] == ["", "", ""]


def test_a_count_closes_when_every_place_is_done(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    count = drawn(world)
    page = post(auditor, at("count_close", count.pk), "record")
    assert page.status_code == 422
    assert "Not counted yet: cabinet" in text_of(page)


# --- what it says ------------------------------------------------------------------------------------


def test_a_closed_count_tells_rate_limits_and_differences(
    world: World, auditor: Client, office: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    whole(auditor, count, missing=device)
    words = text_of(auditor.get(at("count", count.pk)))
    assert "The sample does not pass" in words
    assert "1 of 2 drawn, 50 %; 0 may be" in words
    # scipy.stats.beta of 1 of 2 at 95 %: upper 0.974679; two-sided 0.0125791 to 0.9874209.
    assert "97.47 %, with 95 % confidence" in words
    assert "Between 1.25 % and 98.75 %" in words
    assert "1 of 2 devices at most" in words
    assert f"{device.serial} missing cabinet {cabinet.asset_tag} at {world.location.label} nowhere" in words
    assert "for somebody of the office who did not count it" in words
    assert "Accept" not in words
    assert "Accept" in text_of(office.get(at("count", count.pk)))
    assert auditor.get(at("count_place", count.pk, cabinet.pk)).status_code == 200


def test_the_office_accepts_after_seeing_what_would_change(
    world: World, auditor: Client, office: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, _ = hung
    count = drawn(world)
    whole(auditor, count, missing=device)
    item = CountItem.objects.get(count=count, device=device)
    address = at("count_accept", count.pk, item.pk)
    assert "it was seen nowhere, so it is lost" in text_of(office.get(address))
    assert problems(post(office, address, "check", reason="")) == {
        "id_reason": "Reason: This is missing. Fill it in."
    }
    page = post(office, address, "check", reason="Searched twice")
    assert any("lost" in will for _, _, will in lines(page))
    assert post(office, address, "record", reason="Searched twice").headers["Location"] == at(
        "count", count.pk
    )
    assert DeviceWhereabouts.objects.current().get(device=device, valid_to=None).place == "lost"
    words = text_of(office.get(at("count", count.pk)))
    assert "accepted by Office" in words
    assert "Accept" not in words.replace("accepted", "")


def test_a_dismissed_difference_counts_as_no_error(
    world: World, auditor: Client, office: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, _ = hung
    count = drawn(world)
    whole(auditor, count, missing=device)
    item = CountItem.objects.get(count=count, device=device)
    assert post(office, at("count_dismiss", count.pk, item.pk), "record", reason="On loan").status_code == 303
    words = text_of(office.get(at("count", count.pk)))
    assert "The sample does not pass as counted; after the decisions it passes" in words
    assert words.index("1 of 2 drawn, 50 %; 0 may be") < words.index(
        "0 of 2 drawn, 0 %; 0 may be; 1 more dismissed"
    )
    index = Entry.objects.latest("index").index
    assert re.search(rf"dismissed by Office ?: ?On loan entry {index}", words)
    reader = auditor.get(at("count", count.pk)).content.decode()
    assert f'href="{at("entry_receipt", index)}"' in reader


def test_a_place_that_nobody_could_look_at_is_told_so_with_a_note(
    world: World, auditor: Client, office: Client, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    with nothing_changed():
        assert list(problems(count_at(auditor, count, cabinet, place_done="not_counted"))) == ["id_note"]
    assert count_at(auditor, count, cabinet, place_done="not_counted", note="Locked").status_code == 303
    assert "not counted" in text_of(auditor.get(at("count", count.pk)))
    assert "Nobody could look here so far" in text_of(auditor.get(at("count_place", count.pk, cabinet.pk)))
    for line in lines_of(count)[1:]:
        count_at(auditor, count, line.holder, serial=line.device.serial, place_done="more")  # type: ignore[union-attr]
        count_at(auditor, count, line.holder, place_done="nothing")
    assert post(auditor, at("count_close", count.pk), "record").status_code == 303
    page = office.get(at("count", count.pk))
    assert "1 of 2 drawn, 50 %; 0 may be; 1 of them was not counted" in text_of(page)
    item = CountItem.objects.get(count=count, device=device)
    assert at("count_accept", count.pk, item.pk) not in page.content.decode()
    assert at("count_dismiss", count.pk, item.pk) in page.content.decode()


def test_who_counted_is_refused_in_words(world: World, office: Client, hung: tuple[Device, Cabinet]) -> None:
    device, _ = hung
    count = drawn(world)
    whole(office, count, missing=device)
    item = CountItem.objects.get(count=count, device=device)
    page = post(office, at("count_accept", count.pk, item.pk), "record", reason="I looked")
    assert problems(page) == {
        "": "You counted this yourself. Ask somebody else of the office to decide on it."
    }


def test_a_place_is_counted_again(world: World, auditor: Client, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    whole(auditor, count, missing=device)
    address = at("count_recount", count.pk, cabinet.pk)
    checked = post(auditor, address, "check", reason="Too dark")
    assert "absent" not in text_of(checked)
    assert post(auditor, address, "record", reason="Too dark").headers["Location"] == at(
        "count_place", count.pk, cabinet.pk
    )
    page = text_of(auditor.get(at("count", count.pk)))
    assert "1 of 2 places done" in page
    assert device.serial not in page


def test_the_draw_is_made_again_and_the_list_hashes_as_it_did(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    count = drawn(world)
    whole(auditor, count)
    world.device()
    assert "the one that was drawn from, and its seed draws the same sample" in text_of(
        auditor.get(at("count_redraw", count.pk))
    )
    answer = auditor.get(at("count_lot", count.pk))
    assert answer.headers["Content-Type"].startswith("text/plain")
    assert lot_digest(answer.content.decode().splitlines()) == count.lot_sha256


# --- the list ----------------------------------------------------------------------------------------


def test_the_list_of_counts_reads_as_much_for_many_as_for_few(
    world: World, auditor: Client, django_assert_num_queries: Any
) -> None:
    world.device()
    assert "Nothing was counted yet" in text_of(auditor.get(at("counts")))
    for number in (3, 27):
        for _ in range(number):
            drawn(world, name=world.code("C"))
        # Session and person (with their depots), zone, head, counts in all, and one page of them.
        with django_assert_num_queries(QUERIES_OF_THE_LIST):
            auditor.get(at("counts"))


def test_a_count_of_other_depots_is_in_no_list(world: World) -> None:
    world.device()
    drawn(world, name="Everywhere")
    drawn(world, name="Here", depot_id=world.tarnmouth.pk)
    local = text_of(signed_in(person(world, "auditor", world.tarnmouth)).get(at("counts")))
    assert "Here" in local
    assert "Everywhere" not in local


def test_the_pages_of_a_count_lead_on_to_every_place_of_the_console(
    world: World, auditor: Client, hung: tuple[Device, Cabinet]
) -> None:
    count = drawn(world)
    for page in pages_while_open(auditor, count):
        if page.headers["Content-Type"].startswith("text/html"):
            assert [place.words for place in page.context["places"]][:2] == ["Locations", "Accounts"]
            assert 'href=""' not in page.content.decode()
