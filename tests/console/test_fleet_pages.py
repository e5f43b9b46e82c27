"""The fleet in the console: counted and listed as of V, as known at R."""

from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, assignments, devices
from registry.console import fleet as pages
from registry.queries.moments import head_index
from tests.console.pages import at, signed_in, text_of
from tests.factories.world import DAY, World, person


@pytest.fixture
def auditor(world: World) -> Client:
    return signed_in(world.auditor)


def typed(moment: Any) -> str:
    return f"{moment:%Y-%m-%d %H:%M}"  # the pages of the fleet tell their times in UTC


def counts(page: Any, part: str) -> dict[str, list[int]]:
    assert page.status_code == 200
    return {line.words: [cell.count for cell in line.cells] for line in page.context[part]}


def test_the_page_counts_by_place_depot_and_account(auditor: Client, world: World) -> None:
    world.assigned(world.device(), world.cabinet())
    lost = world.device()
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=world.start + 5 * DAY)
    world.assigned(world.device(depot=world.fellgate), world.cabinet(world.store(depot=world.fellgate)))

    page = auditor.get(at("fleet"))

    assert "3 in all , 2 in cabinets , 0 in depots" in text_of(page)
    assert counts(page, "totals") == {
        "Locations": [2, 0, 2, 0, 0],  # all; planned, open, asleep, closed
        "Cabinets": [2, 2, 0, 0],
        "Devices": [3, 2, 0, 0, 0, 1, 0],
    }
    assert counts(page, "depots") == {
        "FG Fellgate": [1, 1, 1, 0, 0, 0, 0, 0],
        "TM Tarnmouth": [1, 1, 1, 0, 0, 0, 1, 0],
    }
    assert counts(page, "accounts") == {"LF Lantern Fuel": [2, 2, 2]}


def test_every_count_leads_to_a_list_as_long_as_it_says(auditor: Client, world: World) -> None:
    other = accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    world.assigned(world.device(), world.cabinet(world.store(other, world.fellgate)))
    gone, middle = world.assigned(world.device(), world.cabinet()), world.start + 9 * DAY
    assignments.end_assignment(
        world.office,
        assignment_id=gone.period,
        valid_to=middle,
        end_reason="fault",
        depot_id=world.fellgate.pk,
    )
    page = auditor.get(at("fleet"), {"as_of": typed(middle - DAY), "known_at": head_index()})
    lines = [line for part in ("totals", "depots", "accounts") for line in page.context[part]]

    followed = 0
    for cell in (cell for line in lines for cell in line.cells):
        shown = auditor.get(cell.address)
        assert shown.context["shown"].paginator.count == cell.count, cell
        assert len(shown.context["rows"]) == cell.count
        assert shown.context["asked"].moment == page.context["asked"].moment
        followed += cell.count
    assert followed > 20


def test_a_list_tells_where_things_were_then_as_known_then(auditor: Client, world: World) -> None:
    assignment, at_end = world.assigned(world.device(), world.cabinet()), world.start + 9 * DAY
    serial, tag = assignment.device.serial, assignment.cabinet.asset_tag
    before = head_index()
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=at_end,
        end_reason="fault",
        depot_id=world.fellgate.pk,
    )
    hung = f"{serial} Plumb-3 cabinet {tag} at {world.location.label} confirmed"

    assert f"{serial} Plumb-3 depot FG Fellgate confirmed" in text_of(auditor.get(at("fleet_devices")))
    assert hung in text_of(auditor.get(at("fleet_devices"), {"as_of": typed(at_end - DAY)}))
    assert hung in text_of(auditor.get(at("fleet_devices"), {"known_at": before}))
    empty = auditor.get(at("fleet_devices"), {"as_of": typed(world.start)})
    assert empty.context["rows"] == []
    assert "Nothing fits" in text_of(empty)
    cabinet = f"{tag} Cove 40 {world.location.label}"
    assert f"{cabinet} nothing" in text_of(auditor.get(at("fleet_cabinets")))
    assert f"{cabinet} {serial}" in text_of(auditor.get(at("fleet_cabinets"), {"known_at": before}))
    store = "Harbour Road 0042 Tarnmouth LF Lantern Fuel 0042 open TM Tarnmouth"
    assert store in text_of(auditor.get(at("fleet_locations"), {"as_of": typed(world.start)}))


def test_a_list_is_narrowed_and_asked_for_another_moment_stays_so(auditor: Client, world: World) -> None:
    world.device()
    far = world.device(depot=world.fellgate)

    page = auditor.get(at("fleet_devices"), {"depot": world.fellgate.pk, "where": "depot"})

    assert [row.label for row in page.context["rows"]] == [far.serial]
    assert ("where", "depot") in page.context["keep"]
    assert auditor.get(at("fleet_devices"), {"where": "van"}).context["rows"] == []
    strange = auditor.get(at("fleet_devices"), {"depot": "no key", "where": "moon", "account": "x"})
    assert len(strange.context["rows"]) == 2


def test_long_lists_are_shown_by_the_page_in_order(auditor: Client, world: World, monkeypatch: Any) -> None:
    monkeypatch.setattr(pages, "ROWS_SHOWN_MAX", 2)
    serials = sorted(world.device().serial for _ in range(3))

    first = auditor.get(at("fleet_devices"), {"known_at": head_index()})
    second = auditor.get(f"{at('fleet_devices')}?{first.context['leaf_query']}&page=2")

    assert [row.label for page in (first, second) for row in page.context["rows"]] == serials
    assert second.context["asked"].known_at == str(head_index())


def test_a_thing_of_another_depot_is_neither_counted_nor_listed(world: World) -> None:
    world.assigned(world.device(depot=world.fellgate), world.cabinet(world.store(depot=world.fellgate)))
    mine = world.device()
    narrow = signed_in(person(world, "auditor", world.tarnmouth))

    assert set(counts(narrow.get(at("fleet")), "depots")) == {"TM Tarnmouth"}
    assert [row.label for row in narrow.get(at("fleet_devices")).context["rows"]] == [mine.serial]
    assert len(narrow.get(at("fleet_cabinets")).context["rows"]) == 0
    assert len(narrow.get(at("fleet_locations")).context["rows"]) == 1


@pytest.mark.parametrize("name", ["fleet", "fleet_locations", "fleet_cabinets", "fleet_devices"])
def test_a_moment_that_cannot_be_is_refused_beside_its_field(auditor: Client, name: str) -> None:
    page = auditor.get(at(name), {"as_of": "yesterday", "known_at": "1"})

    assert page.status_code == 422
    assert list(page.context["asked"].errors) == ["as_of"]


@pytest.mark.parametrize("rows", [3, 30])
def test_the_pages_take_as_many_queries_for_many_rows_as_for_few(
    auditor: Client, world: World, django_assert_num_queries: Any, rows: int
) -> None:
    for number in range(rows):
        other = accounts.register_account(
            world.office, particulars={"code": f"P{number}", "name": "Pier"}, valid_from=world.start
        )
        world.assigned(world.device(), world.cabinet(world.store(other)))

    # the session; the person; the head; five of the fleet; depots; how many accounts; a page; their states
    with django_assert_num_queries(12):
        auditor.get(at("fleet"))
    # the session; the person; the head; five of the fleet; depots; the own of the list: five, seven and six
    for name, queries in (("fleet_locations", 14), ("fleet_cabinets", 16), ("fleet_devices", 15)):
        with django_assert_num_queries(queries):
            assert len(auditor.get(at(name)).context["rows"]) >= rows
