"""Cabinets as of V, as known at R: where each stood, and how it was split."""

from typing import Any

import pytest

from registry.actions import cabinets, locations, periods, products
from registry.models import CabinetWhereabouts, Split
from registry.queries.cabinets import cabinets_at
from registry.queries.moments import Moment, head_index, settle
from registry.rules.roles import Role, Scope
from registry.rules.splits import Share
from tests.factories.world import DAY, HOUR, World


def told(moment: Moment, scope: Scope | None = None, **where: Any) -> list[tuple[str, str, str]]:
    found = cabinets_at(moment, scope, **where)
    return [(at.cabinet.asset_tag, at.stay.place, (at.stay.location or at.stay.depot).label) for at in found]


def test_cabinets_are_listed_by_tag_with_where_they_stand(world: World) -> None:
    world.cabinet(world.tarnmouth)
    world.cabinet()

    assert told(settle(world.clock.at)) == [
        ("SK-0001", "depot", "TM Tarnmouth"),
        ("SK-0002", "location", "Harbour Road 0042, Tarnmouth"),
    ]
    assert told(settle(world.start + DAY - HOUR)) == []


def test_a_moved_cabinet_is_told_where_it_stood_then_and_as_it_was_known_then(world: World) -> None:
    cabinet, store = world.cabinet(), world.store()
    before = head_index()
    moved = world.start + 5 * DAY
    cabinets.move_cabinet(world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=moved)

    assert told(settle(moved - HOUR))[0][2] == "Harbour Road 0042, Tarnmouth"
    assert told(settle(moved))[0][2] == store.label
    assert told(settle(moved, before))[0][2] == "Harbour Road 0042, Tarnmouth"


def test_a_scrapped_cabinet_is_told_so(world: World) -> None:
    cabinet = world.cabinet()
    cabinets.scrap_cabinet(world.office, cabinet_id=cabinet.pk, valid_from=world.start + 5 * DAY)

    assert told(settle(world.clock.at)) == [("SK-0001", "scrapped", "TM Tarnmouth")]


def test_a_corrected_move_is_told_as_it_was_believed(world: World) -> None:
    cabinet, store = world.cabinet(), world.store()
    stay = cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=world.start + 5 * DAY
    )
    before = head_index()
    periods.correct_period(
        world.office,
        history="cabinetwhereabouts",
        period_id=stay.period,
        valid_from=world.start + 8 * DAY,
        reason="the truck came later",
    )

    at = world.start + 6 * DAY
    assert told(settle(at))[0][2] == "Harbour Road 0042, Tarnmouth"
    assert told(settle(at, before))[0][2] == store.label


def test_the_cabinets_of_one_location_are_those_that_stood_there(world: World) -> None:
    cabinet, store = world.cabinet(), world.store()
    world.cabinet()
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=world.start + 5 * DAY
    )

    def tags(days: int, location_id: Any) -> list[str]:
        return [line[0] for line in told(settle(world.start + days * DAY), location_id=location_id)]

    assert (tags(4, world.location.pk), tags(4, store.pk)) == (["SK-0001", "SK-0003"], [])
    assert (tags(6, world.location.pk), tags(6, store.pk)) == (["SK-0003"], ["SK-0001"])


def test_when_a_store_closes_its_cabinets_are_told_at_their_depot(world: World) -> None:
    world.cabinet()
    before = head_index()
    closed = world.start + 20 * DAY
    locations.close_location(
        world.office, location_id=world.location.pk, valid_from=closed, cabinets_to=world.fellgate.pk
    )

    assert told(settle(closed - HOUR))[0][1:] == ("location", "Harbour Road 0042, Tarnmouth")
    assert told(settle(closed))[0][1:] == ("depot", "FG Fellgate")
    assert told(settle(closed, before))[0][1:] == ("location", "Harbour Road 0042, Tarnmouth")


def test_a_split_is_told_left_to_right_as_of_then(world: World) -> None:
    cabinet = world.cabinet(split=True)
    before = head_index()
    products.set_split(
        world.office,
        cabinet_id=cabinet.pk,
        shares=[Share(world.eighteen_lb.pk, 5_000), Share(world.eight_lb.pk, 5_000)],
        valid_from=world.start + 10 * DAY,
    )

    def shares(moment: Moment) -> tuple[tuple[str, str], ...]:
        [at] = cabinets_at(moment)
        return at.shares

    first = (("8 lb bag", "60"), ("18 lb bag", "40"))
    second = (("18 lb bag", "50"), ("8 lb bag", "50"))
    assert shares(settle(world.start + 9 * DAY)) == first
    assert shares(settle(world.start + 10 * DAY)) == second
    assert shares(settle(world.start + 10 * DAY, before)) == first


def test_a_corrected_split_is_told_as_it_was_believed(world: World) -> None:
    cabinet = world.cabinet(split=True)
    before = head_index()
    periods.correct_period(
        world.office,
        history="split",
        period_id=Split.objects.current().get(cabinet=cabinet).period,
        facts={"shares": [Share(world.eighteen_lb.pk, 10_000)]},
        reason="only large bags",
    )

    assert cabinets_at(settle(world.clock.at))[0].shares == (("18 lb bag", "100"),)
    assert cabinets_at(settle(world.clock.at, before))[0].shares[0] == ("8 lb bag", "60")


def test_whatever_is_corrected_later_the_answer_of_an_index_stays(world: World) -> None:
    cabinet = world.cabinet(split=True)
    world.cabinet(world.tarnmouth)
    before = head_index()
    answer = [
        (line, at.shares)
        for line, at in zip(
            told(settle(world.clock.at, before)), cabinets_at(settle(world.clock.at, before)), strict=True
        )
    ]

    cabinets.correct_cabinet(world.office, cabinet_id=cabinet.pk, particulars={"asset_tag": "SK-9999"})
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"name": "Mole End"})
    locations.correct_depot(world.office, depot_id=world.tarnmouth.pk, particulars={"name": "Tarn"})
    products.correct_product(world.office, product_id=world.eight_lb.pk, particulars={"name": "Small bag"})

    again = [
        (line, at.shares)
        for line, at in zip(
            told(settle(world.clock.at, before)), cabinets_at(settle(world.clock.at, before)), strict=True
        )
    ]
    assert again == answer
    assert told(settle(world.clock.at)) == [
        ("SK-0002", "depot", "TM Tarn"),
        ("SK-9999", "location", "Mole End, Tarnmouth"),
    ]
    assert cabinets_at(settle(world.clock.at))[1].shares[0] == ("Small bag", "60")


def test_a_person_sees_the_cabinets_of_their_depots_alone(world: World) -> None:
    world.cabinet()
    world.cabinet(world.store(depot=world.fellgate))
    world.cabinet(world.fellgate)
    moment = settle(world.clock.at)

    def tags(scope: Scope | None) -> list[str]:
        return [line[0] for line in told(moment, scope)]

    assert tags(None) == tags(Scope(Role.AUDITOR, everywhere=True)) == ["SK-0001", "SK-0003", "SK-0004"]
    assert tags(Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))) == ["SK-0001"]
    assert tags(Scope(Role.INSTALLER, frozenset({world.fellgate.pk}))) == ["SK-0003", "SK-0004"]
    assert tags(Scope(Role.INSTALLER)) == []


def test_a_cabinet_is_seen_by_the_depot_that_its_location_was_known_to_have(world: World) -> None:
    world.cabinet()
    before = head_index()
    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )
    tarnmouth = Scope(Role.INSTALLER, frozenset({world.tarnmouth.pk}))

    assert told(settle(world.clock.at), tarnmouth) == []
    assert [line[0] for line in told(settle(world.clock.at, before), tarnmouth)] == ["SK-0001"]


@pytest.mark.parametrize("rows", [3, 30])
def test_the_list_takes_as_many_queries_for_many_as_for_few(
    world: World, django_assert_num_queries: Any, rows: int
) -> None:
    made = [world.cabinet(split=True) for _ in range(rows)]
    world.cabinet(world.tarnmouth)
    moment = settle(world.clock.at)

    # cabinets; models; stays; their locations; their depots; splits; their shares; products; devices' places
    with django_assert_num_queries(9):
        found = cabinets_at(moment)
        assert [(at.stay.location or at.stay.depot).label for at in found]
        assert len([at for at in found if at.shares]) == rows

    for cabinet in made:
        cabinets.correct_cabinet(world.office, cabinet_id=cabinet.pk, particulars={"position": "by the door"})

    with django_assert_num_queries(11):  # as above; the newest entry of each revised cabinet; those entries
        assert {at.cabinet.position for at in cabinets_at(moment)} == {""}


def test_a_cabinet_without_a_place_then_is_not_listed_although_it_is_known(world: World) -> None:
    cabinet = world.cabinet()
    stay = CabinetWhereabouts.objects.current().get(cabinet=cabinet)
    periods.correct_period(
        world.office,
        history="cabinetwhereabouts",
        period_id=stay.period,
        valid_from=world.start + 3 * DAY,
        reason="it came later",
    )

    assert told(settle(world.start + 2 * DAY)) == []
    assert len(told(settle(world.start + 3 * DAY))) == 1
