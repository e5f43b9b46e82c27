"""EPCIS documents of a device, a location and a period, from what actions recorded."""

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.actions import assignments, cabinets, devices, locations, periods, provisional
from registry.actions._devices import NewDevice
from registry.actions._stores import NewCabinet
from registry.models import Cabinet, CabinetWhereabouts, Device, DeviceWhereabouts, Entry, Staff
from registry.queries import epcis
from registry.queries.epcis import Span, device_document, location_document, period_document
from registry.queries.moments import head_index
from registry.rules.cabinets import DevicesGo
from registry.rules.errors import Code, RuleBroken
from tests.epcis_checks import Event, check, events_of, facts
from tests.factories.world import DAY, HOUR, World, new_location

EVER = Span()
LINK = "https://id.gs1.org/"


def of_device(device: Device, index: int | None = None, span: Span = EVER) -> list[Event]:
    return check(device_document(device.pk, head_index() if index is None else index, span))


def of_location(location_id: UUID, index: int | None = None, span: Span = EVER) -> list[Event]:
    return check(location_document(location_id, head_index() if index is None else index, span))


def steps(events: list[Event]) -> list[str]:
    return [f"{event['action']} {event.get('bizStep', event.get('disposition'))}" for event in events]


def uri(thing: Any) -> str:
    return f"urn:uuid:{thing.pk}"


# --- what is told ----------------------------------------------------------------------------------


def test_a_device_is_told_from_its_receipt_to_its_retirement(world: World) -> None:
    device, cabinet, start = world.device(), world.cabinet(), world.start
    hung = world.assigned(device, cabinet)
    assignments.end_assignment(
        world.installer,
        assignment_id=hung.period,
        valid_to=start + 5 * DAY,
        end_reason="fault",
        staff_id=world.installer.staff_id,
    )
    devices.send_device_to_repair(world.office, device_id=device.pk, valid_from=start + 6 * DAY)
    devices.return_device_from_repair(
        world.office, device_id=device.pk, valid_from=start + 7 * DAY, depot_id=world.fellgate.pk
    )
    devices.mark_device_lost(world.office, device_id=device.pk, valid_from=start + 8 * DAY)
    devices.hand_over_device(
        world.office, device_id=device.pk, valid_from=start + 9 * DAY, depot_id=world.fellgate.pk
    )
    devices.retire_device(world.office, device_id=device.pk, valid_from=start + 10 * DAY)

    events = of_device(device)

    assert steps(events) == [
        "ADD commissioning",
        "ADD installing",
        "DELETE removing",
        "OBSERVE transporting",
        "OBSERVE shipping",
        "OBSERVE receiving",
        "OBSERVE unknown",
        "OBSERVE receiving",
        "DELETE decommissioning",
    ]
    received, installed, removed, taken, sent, back, lost, _, retired = events
    entry = Entry.objects.get(verb="device.assigned")
    assert {name: installed[name] for name in installed if name not in ("eventID", "action", "bizStep")} == {
        "type": "AssociationEvent",
        # Day 2 of the company, 2026-02-02T08:00Z, by the clocks of the store in New York's zone
        "eventTime": "2026-02-02T03:00:00-05:00",
        "eventTimeZoneOffset": "-05:00",
        "recordTime": f"{entry.recorded_at:%Y-%m-%dT%H:%M:%S.%f}Z",
        "parentID": uri(cabinet),
        "childEPCs": [uri(device)],
        "readPoint": {"id": uri(world.location)},
        "bizLocation": {"id": uri(world.location)},
    }
    assert (removed["parentID"], removed["childEPCs"]) == (uri(cabinet), [uri(device)])
    assert (received["epcList"], received["disposition"]) == ([uri(device)], "active")
    # In UTC at a depot, of which the register knows no time zone.
    assert (received["readPoint"], received["eventTimeZoneOffset"]) == (
        {"id": uri(world.tarnmouth)},
        "+00:00",
    )
    assert (taken["readPoint"], taken["disposition"]) == ({"id": uri(world.location)}, "in_transit")
    assert not {"readPoint", "bizLocation"} & sent.keys()  # out of a van, which is no place
    assert back["bizLocation"] == {"id": uri(world.fellgate)}
    assert not {"readPoint", "bizLocation", "bizStep"} & lost.keys()
    assert (retired["readPoint"], retired["disposition"]) == ({"id": uri(world.fellgate)}, "inactive")


def test_a_swap_is_told_as_a_removal_and_then_an_installation(world: World) -> None:
    device, other, cabinet = world.device(), world.device(), world.cabinet()
    hung = world.assigned(device, cabinet)
    assignments.swap_device(
        world.office,
        assignment_id=hung.period,
        device_id=other.pk,
        valid_from=world.start + 5 * DAY,
        depot_id=world.tarnmouth.pk,
    )

    at_swap = of_location(world.location.pk)[-2:]

    assert [(event["action"], event["childEPCs"]) for event in at_swap] == [
        ("DELETE", [uri(device)]),
        ("ADD", [uri(other)]),
    ]
    assert at_swap[0]["eventTime"] == at_swap[1]["eventTime"]
    assert steps(of_device(device)) == [
        "ADD commissioning", "ADD installing", "DELETE removing", "OBSERVE receiving",
    ]  # fmt: skip


def test_a_move_is_told_in_the_document_of_the_device_that_went_along(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    hung = world.assigned(device, cabinet)
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=store.pk,
        valid_from=world.start + 4 * DAY,
        devices=DevicesGo.FOLLOW,
    )
    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        valid_to=world.start + 6 * DAY,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, depot_id=world.tarnmouth.pk, valid_from=world.start + 7 * DAY
    )

    events = of_device(device)

    assert steps(events) == [
        "ADD commissioning", "ADD installing", "OBSERVE shipping", "OBSERVE receiving", "DELETE removing",
        "OBSERVE receiving",
    ]  # fmt: skip
    _, installed, shipped, received, removed, _ = events
    assert shipped["epcList"] == received["epcList"] == [uri(cabinet)]
    assert installed["readPoint"] == shipped["readPoint"] == {"id": uri(world.location)}
    assert received["readPoint"] == removed["readPoint"] == {"id": uri(store)}
    assert steps(of_location(world.location.pk)) == [
        "ADD commissioning", "ADD installing", "OBSERVE shipping",
    ]  # fmt: skip
    assert steps(of_location(store.pk)) == ["OBSERVE receiving", "DELETE removing", "OBSERVE shipping"]


def test_gs1_keys_are_used_where_the_register_holds_them(world: World) -> None:
    store = locations.register_location(
        world.office,
        account_id=world.account.pk,
        location=new_location(world.tarnmouth, "0077", gln="4012345000023"),
        valid_from=world.start,
    )
    tagged = {
        tag: cabinets.register_cabinet(
            world.office,
            cabinet=NewCabinet(world.cove.pk, {"asset_tag": tag}, []),
            valid_from=world.start + DAY,
            location_id=store.pk,
        )
        for tag in ("(8004)4000001111", "(8003)04012345555554987", "SK-0001")
    }
    device = world.device()
    world.assigned(device, tagged["(8004)4000001111"])

    document = location_document(store.pk, head_index(), EVER)
    *registered, installed = check(document)

    assert [event["epcList"] for event in registered] == [
        [f"{LINK}8004/4000001111"],
        [f"{LINK}8003/04012345555554987"],
        [uri(tagged["SK-0001"])],
    ]
    assert installed["parentID"] == f"{LINK}8004/4000001111"
    assert installed["bizLocation"] == {"id": f"{LINK}414/4012345000023"}
    places, reads, *things = document["epcisHeader"]["epcisMasterData"]["vocabularyList"]  # type: ignore[index, call-overload]
    assert (places["type"], reads["type"]) == (
        "urn:epcglobal:epcis:vtype:BusinessLocation",
        "urn:epcglobal:epcis:vtype:ReadPoint",
    )
    assert places["vocabularyElementList"] == [
        {
            "id": f"{LINK}414/4012345000023",
            "attributes": [
                {"id": "rimebook:key", "attribute": uri(store)},
                {"id": "urn:epcglobal:cbv:mda#name", "attribute": "Harbour Road 0077"},
                {"id": "urn:epcglobal:cbv:mda#city", "attribute": "Tarnmouth"},
                {"id": "urn:epcglobal:cbv:mda#countryCode", "attribute": "US"},
            ],
        }
    ]
    told = json.dumps(things)
    assert all(tag in told for tag in tagged)
    assert device.serial in told


def test_no_document_tells_of_people(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    locations.register_contact(world.office, location_id=world.location.pk, text={"name": "Tamsin Reeve"})
    hung = world.assigned(device, cabinet)
    assignments.end_assignment(
        world.installer,
        assignment_id=hung.period,
        valid_to=world.start + 5 * DAY,
        end_reason="other",
        end_note="Tamsin saw it",
        staff_id=world.installer.staff_id,
    )
    documents = [
        device_document(device.pk, head_index(), EVER),
        location_document(world.location.pk, head_index(), EVER),
        period_document(head_index(), EVER),
    ]

    people = [str(value) for row in Staff.objects.values_list("pk", "username", "name") for value in row]
    for text in map(json.dumps, documents):
        assert [person for person in (*people, "Tamsin") if person in text] == []


# --- what was wrong --------------------------------------------------------------------------------


def swapped(world: World) -> tuple[Device, Device, DeviceWhereabouts]:
    """Swap a device for another at day 5; return both, and the assignment of the second."""
    device, other, cabinet = world.device(), world.device(), world.cabinet()
    hung = world.assigned(device, cabinet)
    world.clock.at += HOUR
    second = assignments.swap_device(
        world.office,
        assignment_id=hung.period,
        device_id=other.pk,
        valid_from=world.start + 5 * DAY,
        depot_id=world.tarnmouth.pk,
    )
    return device, other, second


def test_a_corrected_swap_repeats_both_sides_as_wrong_with_what_stands_instead(world: World) -> None:
    device, other, second = swapped(world)
    before = head_index()
    earlier = of_location(world.location.pk)
    world.clock.at += HOUR
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=second.period,
        valid_from=world.start + 4 * DAY,
        reason="The work sheet says the day before",
    )

    events = of_location(world.location.pk)

    assert events[: len(earlier)] == earlier
    removal, installation, removed, installed = events[len(earlier) :]
    declared_at = f"{world.clock.at:%Y-%m-%dT%H:%M:%S.%f}Z"
    for repeated, instead, wrong in (
        (removal, removed, earlier[-2]),
        (installation, installed, earlier[-1]),
    ):
        assert repeated == {
            **wrong,
            "recordTime": declared_at,
            "errorDeclaration": {
                "declarationTime": declared_at,
                "reason": "incorrect_data",
                "correctiveEventIDs": [instead["eventID"]],
            },
        }
        assert instead["eventTime"] == "2026-02-04T03:00:00-05:00"
    # As known before, the document is without the correction; each device's own tells its side.
    assert of_location(world.location.pk, before) == earlier
    assert [event for event in of_device(other) if event in events] == [earlier[-1], installation, installed]
    assert [event for event in of_device(device) if event in events][-3:] == [earlier[-2], removal, removed]


def test_a_withdrawn_period_did_not_occur(world: World) -> None:
    device = world.device()
    van = devices.hand_over_device(
        world.office,
        device_id=device.pk,
        valid_from=world.start + 3 * DAY,
        staff_id=world.installer.staff_id,
    )
    before = head_index()
    periods.withdraw_period(
        world.office, history="devicewhereabouts", period_id=van.period, reason="It never left"
    )

    *_, stated, declared = of_device(device)

    assert (declared["eventID"], declared["bizStep"]) == (stated["eventID"], "transporting")
    assert set(declared["errorDeclaration"]) == {"declarationTime", "reason"}
    assert declared["errorDeclaration"]["reason"] == "did_not_occur"
    assert of_device(device, before)[-1] == stated
    assert steps(facts(of_device(device))) == ["ADD commissioning"]


def test_a_cabinet_that_stood_elsewhere_moves_what_was_done_to_its_device(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    world.assigned(device, cabinet)
    stay = CabinetWhereabouts.objects.get(cabinet=cabinet)
    periods.correct_period(
        world.office,
        history="cabinetwhereabouts",
        period_id=stay.period,
        facts={"location_id": store.pk},
        reason="It was the other store",
    )

    wrong, right = of_location(world.location.pk), of_location(store.pk)

    assert steps(wrong) == ["ADD commissioning", "ADD installing"] * 3
    assert ["errorDeclaration" in event for event in wrong] == [False] * 2 + [True] * 2 + [False] * 2
    assert facts(wrong) == right
    assert {event["readPoint"]["id"] for event in right} == {uri(store)}


def test_a_provisional_record_that_was_another_device_is_declared_wrong_in_its_favour(world: World) -> None:
    cabinet, known = world.cabinet(), world.device()
    stray = provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 5 * DAY,
        evidence="label torn",
        cabinet_id=cabinet.pk,
    )
    before = head_index()
    as_stray = of_device(stray)
    provisional.merge_provisional_device(world.office, device_id=stray.pk, into_id=known.pk)

    events = of_device(known)

    assert steps(as_stray) == ["ADD commissioning", "ADD installing"]
    assert as_stray[1] in events
    [came, hung] = [event for event in events if "errorDeclaration" in event]
    assert came["errorDeclaration"]["reason"] == "did_not_occur"
    assert hung["errorDeclaration"]["correctiveEventIDs"] == [events[-1]["eventID"]]
    assert events[-1]["childEPCs"] == [uri(known)]
    # The document of the record says the same of it; before, the device knew nothing of it.
    assert of_device(stray) == [event for event in events if event in of_device(stray)]
    assert steps(of_device(known, before)) == ["ADD commissioning"]


def test_a_rejected_record_did_nothing(world: World) -> None:
    stray = provisional.record_provisional_device(
        world.installer,
        device=NewDevice(world.plumb_3.pk, world.serial()),
        valid_from=world.start + 5 * DAY,
        evidence="label torn",
        cabinet_id=world.cabinet().pk,
    )
    provisional.reject_provisional_device(world.office, device_id=stray.pk, reason="Not ours")

    events = of_device(stray)

    assert facts(events) == []
    assert {event["errorDeclaration"]["reason"] for event in events[2:]} == {"did_not_occur"}


def test_a_gln_that_is_learnt_makes_nothing_wrong_and_one_that_is_corrected_does(world: World) -> None:
    world.cabinet()
    plain = of_location(world.location.pk)
    for gln in ("4012345000023", "4012345000016"):
        locations.correct_location(
            world.office, location_id=world.location.pk, particulars={"gln": gln}, reason="asked"
        )
        world.cabinet()

    events = of_location(world.location.pk)

    first, wrong, declared, instead, last = events
    assert [first] == plain
    assert wrong["readPoint"] == declared["readPoint"] == {"id": f"{LINK}414/4012345000023"}
    assert declared["errorDeclaration"]["correctiveEventIDs"] == [instead["eventID"]]
    assert instead["readPoint"] == last["readPoint"] == {"id": f"{LINK}414/4012345000016"}


def test_an_asset_tag_that_becomes_a_giai_names_the_cabinet_from_then_on(world: World) -> None:
    cabinet = world.cabinet()
    cabinets.correct_cabinet(
        world.office, cabinet_id=cabinet.pk, particulars={"asset_tag": "(8004)4000001111"}, reason="new"
    )
    cabinets.correct_cabinet(
        world.office, cabinet_id=cabinet.pk, particulars={"condition": "dented"}, reason="seen"
    )
    world.assigned(world.device(), cabinet)

    registered, installed = of_location(world.location.pk)

    assert registered["epcList"] == [uri(cabinet)]
    assert installed["parentID"] == f"{LINK}8004/4000001111"


def test_a_start_that_was_known_by_is_told_so_and_corrected_when_it_becomes_exact(world: World) -> None:
    cabinet = world.cabinet()
    stay = CabinetWhereabouts.objects.get(cabinet=cabinet)

    def correct(known_by: bool) -> None:
        periods.correct_period(
            world.office,
            history="cabinetwhereabouts",
            period_id=stay.period,
            starts_known_by=known_by,
            reason="asked the store",
        )

    correct(True)
    correct(False)

    events = of_location(world.location.pk)

    assert ["rimebook:knownBy" in event for event in events] == [False, False, True, True, False]
    assert len(facts(events)) == 1


# --- which events ----------------------------------------------------------------------------------


def test_a_period_is_half_open(world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet, world.start + 4 * DAY)
    at = world.start + 4 * DAY

    def told(starts: timedelta, ends: timedelta) -> list[str]:
        span = Span(at + starts, at + ends)
        return steps(check(period_document(head_index(), span)))

    none = timedelta(0)
    assert told(none, HOUR) == ["ADD installing"]
    assert told(-3 * DAY, HOUR) == ["ADD commissioning", "ADD commissioning", "ADD installing"]
    assert told(-3 * DAY, none) == ["ADD commissioning", "ADD commissioning"]
    for question in (
        lambda span: period_document(head_index(), span),
        lambda span: device_document(device.pk, head_index(), span),
        lambda span: location_document(world.location.pk, head_index(), span),
    ):
        with pytest.raises(RuleBroken) as refused:
            question(Span(at + HOUR, at + DAY))
        assert refused.value.code is Code.NO_EVENTS
    with pytest.raises(RuleBroken) as refused:
        Span(at, at)
    assert (refused.value.code, refused.value.field) == (Code.TIME_INVALID, "to")


def test_a_corrected_event_leaves_the_period_with_what_stands_in_its_stead(world: World) -> None:
    *_, second = swapped(world)
    span = Span(world.start + 5 * DAY, world.start + 6 * DAY)
    assert steps(check(period_document(head_index(), span))) == [
        "DELETE removing", "OBSERVE receiving", "ADD installing",
    ]  # fmt: skip
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=second.period,
        valid_from=world.start + 4 * DAY,
        reason="The day before",
    )

    events = check(period_document(head_index(), span))

    assert {event["eventTime"][:10] for event in facts(events)} == {"2026-02-04"}
    assert len(events) == 9


def test_an_event_is_the_same_in_every_document(world: World) -> None:
    device, other, second = swapped(world)
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=second.period,
        valid_from=world.start + 4 * DAY,
        reason="The day before",
    )
    everything = check(period_document(head_index(), EVER))

    for events in (of_device(device), of_device(other), of_location(world.location.pk)):
        assert events == [event for event in everything if event in events]


def told_or_nothing(question: Callable[[int], Any], index: int) -> list[Event]:
    try:
        document = question(index)
    except RuleBroken as refused:
        if refused.code is Code.NO_EVENTS:
            return []
        raise
    assert json.dumps(question(index)) == json.dumps(document)
    return check(document)


def test_from_entry_to_entry_each_document_keeps_all_that_it_told_in_its_order(world: World) -> None:
    device, other, second = swapped(world)
    store = world.store()
    cabinet = Cabinet.objects.get()
    cabinets.move_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        location_id=store.pk,
        valid_from=world.start + 7 * DAY,
        devices=DevicesGo.FOLLOW,
    )
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=second.period,
        valid_from=world.start + 4 * DAY,
        reason="The day before",
    )
    locations.correct_location(
        world.office, location_id=store.pk, particulars={"time_zone": "America/Chicago"}, reason="asked"
    )
    questions: list[Callable[[int], Any]] = [
        lambda index: device_document(device.pk, index, EVER),
        lambda index: device_document(other.pk, index, EVER),
        lambda index: location_document(world.location.pk, index, EVER),
        lambda index: location_document(store.pk, index, EVER),
        lambda index: period_document(index, EVER),
    ]
    for question in questions:
        last: list[Event] = []
        lengths = set()
        for index in range(head_index() + 1):
            events = told_or_nothing(question, index)
            assert [event for event in events if event in last] == last
            last = events
            lengths.add(len(events))
        assert len(lengths) > 2


def test_an_assignment_that_is_told_late_brings_along_where_its_cabinet_had_gone(world: World) -> None:
    device, cabinet, store = world.device(), world.cabinet(), world.store()
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=world.start + 4 * DAY
    )
    before = of_device(device)
    world.assigned(device, cabinet, world.start + 5 * DAY)
    # The work sheet comes late: it hung there already when the cabinet moved.
    hung = DeviceWhereabouts.objects.current().get(device=device, place="cabinet")
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        valid_from=world.start + 3 * DAY,
        reason="as the work sheet says",
    )

    assert steps(before) == ["ADD commissioning"]
    assert steps(facts(of_device(device))) == [
        "ADD commissioning", "OBSERVE shipping", "OBSERVE receiving", "ADD installing",
    ]  # fmt: skip


def test_more_events_than_a_document_holds_are_asked_for_by_shorter_periods(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    device, _, _ = swapped(world)
    whole = len(events_of(period_document(head_index(), EVER)))
    for limit, fits in ((whole, True), (whole - 1, False), (2, False)):
        monkeypatch.setattr(epcis, "EVENTS_MAX", limit)
        if fits:
            assert len(events_of(period_document(head_index(), EVER))) == whole
            continue
        with pytest.raises(RuleBroken) as refused:
            period_document(head_index(), EVER)
        assert (refused.value.code, refused.value.field) == (Code.TOO_MANY, "to")
        assert refused.value.details == {"limit": limit}
        assert "shorter period" in refused.value.message
    with pytest.raises(RuleBroken):
        device_document(device.pk, head_index(), EVER)
    assert len(of_device(device, span=Span(ends=world.start + 3 * DAY))) == 2


# --- how many queries ------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_a_document_takes_as_many_queries_for_many_events_as_for_few(world: World, rows: int) -> None:
    cabinet = world.cabinet()
    for number in range(rows):
        hung = world.assigned(world.device(), cabinet, world.start + (2 + number / 4) * DAY)
        assignments.end_assignment(
            world.office,
            assignment_id=hung.period,
            valid_to=hung.valid_from + HOUR,
            end_reason="fault",
            depot_id=world.tarnmouth.pk,
        )
        locations.correct_location(
            world.office, location_id=world.location.pk, particulars={"region": f"R{number}"}, reason="so"
        )
    device, index = Device.objects.earliest("pk"), head_index()

    def tables(question: Callable[[], Any]) -> list[str]:
        with CaptureQueriesContext(connection) as queries:
            question()
        return [query["sql"].split('FROM "registry_')[1].split('"')[0] for query in queries.captured_queries]

    # where cabinets stood; the stores, and each of their states by the entries that wrote them; the
    # cabinets; the entries that stated something; what devices and depots are called
    told = [
        "cabinetwhereabouts", "location", "subject", "entry", "cabinet", "entry", "device", "depot",
    ]  # fmt: skip
    # records merged into it, twice: as known, and ever; where it was
    assert tables(lambda: device_document(device.pk, index, EVER)) == [
        "subject", "device", "devicewhereabouts", *told,
    ]  # fmt: skip
    # which cabinets stood there; which devices hung in them; records merged; where they were
    assert tables(lambda: location_document(world.location.pk, index, EVER)) == [
        "cabinetwhereabouts", "devicewhereabouts", "device", "devicewhereabouts", *told,
    ]  # fmt: skip
    # which devices and cabinets moved; records merged; where they were
    assert tables(lambda: period_document(index, EVER)) == [
        "devicewhereabouts", "cabinetwhereabouts", "device", "devicewhereabouts", *told,
    ]  # fmt: skip
