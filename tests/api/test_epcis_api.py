"""EPCIS documents over HTTP: the same question gives the same bytes, to those who may ask it."""

import hashlib

import pytest
from django.test import Client

from registry.actions import assignments, periods
from registry.models import Device, DeviceWhereabouts, Entry, Staff
from registry.queries import epcis
from tests.api.client import ROOT, Api, Person, ok, tables_read, told
from tests.api.operations import when
from tests.epcis_checks import check, facts
from tests.factories.world import DAY, HOUR, World, person

LD, JSON = "application/ld+json", "application/json"
YEAR = {"from": "2026-01-01T00:00:00Z", "to": "2027-01-01T00:00:00Z"}


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


@pytest.fixture
def hung(world: World) -> DeviceWhereabouts:
    """A device in a cabinet of the company's store, by the first of March."""
    return world.assigned(world.device(), world.cabinet())


def addresses(world: World, hung: DeviceWhereabouts) -> list[str]:
    return [f"devices/{hung.device_id}/epcis/", f"locations/{world.location.pk}/epcis/", "epcis/"]


def corrected(world: World, hung: DeviceWhereabouts) -> None:
    world.clock.at += HOUR
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=hung.period,
        valid_from=world.start + 3 * DAY,
        reason="The work sheet says the day after",
    )


def test_a_document_is_told_of_a_device_of_a_location_and_of_a_period(
    auditor: Person, world: World, hung: DeviceWhereabouts
) -> None:
    for address in addresses(world, hung):
        reply = ok(auditor.get(address, **YEAR))

        events = check(reply.body)
        assert reply.headers["Content-Type"] == LD
        assert events[-1]["bizStep"] == "installing"
        assert events[-1]["childEPCs"] == [f"urn:uuid:{hung.device_id}"]


def test_the_same_question_as_known_then_gives_the_same_bytes_for_ever(
    auditor: Person, world: World, hung: DeviceWhereabouts
) -> None:
    known = Entry.objects.latest("index")
    for address in addresses(world, hung):
        first = ok(auditor.get(address, **YEAR))
        corrected(world, DeviceWhereabouts.objects.current().get(period=hung.period))
        now = ok(auditor.get(address, **YEAR))
        index = int(first.headers["Register-Index"])

        assert first.body["rimebook:knownIndex"] == index
        assert first.body["creationDate"] == f"{Entry.objects.get(index=index).recorded_at:%FT%T.%f}Z"
        for known_at in (index, when(Entry.objects.get(index=index).recorded_at)):
            again = ok(auditor.get(address, **YEAR, known_at=known_at))
            assert (again.text, again.tag) == (first.text, first.tag)
        assert auditor.get(address, tag=first.tag, **YEAR, known_at=index).status == 304
        # Later there is more: what was told wrongly, and what stands instead.
        assert (now.tag != first.tag, now.headers["Register-Index"]) == (True, str(index + 1))
        assert check(now.body)[: len(check(first.body))] == check(first.body)
        assert len(facts(check(now.body))) == len(facts(check(first.body)))
        world.start += DAY
    assert known.index < Entry.objects.latest("index").index


def test_a_document_is_json_too_with_the_same_bytes(
    auditor: Person, world: World, hung: DeviceWhereabouts
) -> None:
    address = f"devices/{hung.device_id}/epcis/"
    plain = ok(auditor.send("GET", address, headers={"Accept": JSON}))
    linked = ok(auditor.send("GET", address, headers={"Accept": LD}))
    browser = ok(auditor.send("GET", address, headers={"Accept": "text/html,*/*;q=0.8"}))

    assert (plain.headers["Content-Type"], linked.headers["Content-Type"]) == (JSON, LD)
    assert plain.text == linked.text == browser.text
    told(auditor.send("GET", address, headers={"Accept": "text/csv"}), 406, "not_acceptable")


def test_a_span_leaves_out_what_occurred_before_and_from_its_end_on(
    auditor: Person, world: World, hung: DeviceWhereabouts
) -> None:
    at, later = when(hung.valid_from), when(hung.valid_from + HOUR)
    for address in addresses(world, hung):
        [event] = check(ok(auditor.get(address, **{"from": at, "to": later})).body)
        assert event["bizStep"] == "installing"
        before = check(ok(auditor.get(address, **{"from": YEAR["from"], "to": at})).body)
        assert {event["bizStep"] for event in before} == {"commissioning"}
    assert len(check(ok(auditor.get(f"devices/{hung.device_id}/epcis/", to=at)).body)) == 1


@pytest.mark.parametrize(
    ("asked", "code", "parameter"),
    [
        ({"from": "2026-03-01"}, "time_invalid", "from"),
        ({"to": "2026-03-01T00:00:00"}, "time_invalid", "to"),
        ({"from": "2026-03-01T00:00:00Z", "to": "2026-03-01T00:00:00Z"}, "time_invalid", "to"),
        ({"known_at": "1000000"}, "value_invalid", "known_at"),
        ({"as_of": "2026-03-01T00:00:00Z"}, "value_invalid", "as_of"),
        ({"until": "2026-03-01T00:00:00Z"}, "value_invalid", "until"),
    ],
)
def test_what_cannot_be_asked_is_refused_by_its_parameter(
    auditor: Person,
    world: World,
    hung: DeviceWhereabouts,
    asked: dict[str, str],
    code: str,
    parameter: str,
) -> None:
    for address in addresses(world, hung):
        reply = told(auditor.get(address, **{**YEAR, **asked}), 422, code)
        assert [error["parameter"] for error in reply["errors"]] == [parameter]


def test_the_whole_fleet_is_told_by_the_period_only(auditor: Person, hung: DeviceWhereabouts) -> None:
    for name, other in (("from", "to"), ("to", "from")):
        reply = told(auditor.get("epcis/", **{other: YEAR[other]}), 422, "value_invalid")
        assert [error["parameter"] for error in reply["errors"]] == [name]


def test_where_nothing_happened_that_is_said(auditor: Person, world: World, hung: DeviceWhereabouts) -> None:
    quiet = {"from": "2020-01-01T00:00:00Z", "to": "2021-01-01T00:00:00Z"}
    for address in addresses(world, hung):
        reply = told(auditor.get(address, **quiet), 422, "no_events")
        assert reply["detail"].endswith("Ask for another period, or as known later.")
        told(auditor.get(address, **YEAR, known_at=0), 422, "no_events")
    store = world.store()
    told(auditor.get(f"locations/{store.pk}/epcis/"), 422, "no_events")


def test_too_many_events_are_asked_for_by_shorter_periods(
    auditor: Person, world: World, hung: DeviceWhereabouts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(epcis, "EVENTS_MAX", 1)
    for address in addresses(world, hung):
        reply = told(auditor.get(address, **YEAR), 422, "too_many")
        assert reply["details"] == {"limit": 1}
        assert reply["detail"].endswith("Ask for a shorter period.")
        assert ok(auditor.get(address, **{**YEAR, "from": when(hung.valid_from)})).status == 200


# --- who -------------------------------------------------------------------------------------------


def test_who_sees_a_thing_now_is_told_its_events_in_other_depots_too(
    api: Api, world: World, hung: DeviceWhereabouts
) -> None:
    installer, stranger = api.as_(world.installer), api.as_(world.stranger)
    device = f"devices/{hung.device_id}/epcis/"
    told(stranger.get(device), 404, "not_found")
    told(stranger.get(f"locations/{world.location.pk}/epcis/"), 404, "not_found")
    assignments.end_assignment(
        world.office,
        assignment_id=hung.period,
        valid_to=world.start + 5 * DAY,
        end_reason="fault",
        depot_id=world.fellgate.pk,
    )

    told(installer.get(device), 404, "not_found")
    assert len(check(ok(stranger.get(device)).body)) == 4
    for asker in (installer, stranger, api.as_(person(world, "auditor", world.tarnmouth))):
        told(asker.get("epcis/", **YEAR), 403, "role_forbids")


def test_somebody_signed_in_at_the_console_may_download_it(world: World, hung: DeviceWhereabouts) -> None:
    browser = Client()
    browser.force_login(Staff.objects.get(pk=world.installer.staff_id))

    answer = browser.get(f"{ROOT}devices/{hung.device_id}/epcis/")

    assert (answer.status_code, answer.headers["Content-Type"]) == (200, LD)
    assert answer.headers["Cache-Control"] == "private, no-cache"


# --- how many queries ------------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [3, 30])
def test_a_document_takes_as_many_queries_for_many_things_as_for_few(
    api: Api, world: World, rows: int
) -> None:
    for _ in range(rows):
        world.assigned(world.device(), world.cabinet())
    auditor, device = api.as_(world.auditor), Device.objects.earliest("pk")
    # the token with its person, who sees all depots; the head
    asked = ["apitoken", "entry"]
    # where cabinets stood; stores; cabinets; the entries that stated something; devices and depots
    document = ["cabinetwhereabouts", "location", "cabinet", "entry", "device", "depot"]

    # which devices and cabinets moved; records merged into them; where these were
    assert tables_read(lambda: auditor.get("epcis/", **YEAR)) == [
        *asked, "devicewhereabouts", "cabinetwhereabouts", "device", "devicewhereabouts", *document,
    ]  # fmt: skip
    # the device as it is now, so whether it may be seen; the head for the question
    now = ["device", "devicewhereabouts", "cabinetwhereabouts", "cabinet", "location", "devicemodel", "entry"]
    assert tables_read(lambda: auditor.get(f"devices/{device.pk}/epcis/")) == [
        *asked, *now, "subject", "device", "devicewhereabouts", *document,
    ]  # fmt: skip


def test_the_tag_is_of_the_bytes(auditor: Person, hung: DeviceWhereabouts) -> None:
    reply = ok(auditor.get(f"devices/{hung.device_id}/epcis/"))

    assert reply.tag == f'"{hashlib.sha256(reply.text.encode()).hexdigest()[:32]}"'
