"""The two axes over HTTP: what was true then, and what the register knew then."""

from typing import Any

import pytest

from registry.actions import accounts, assignments, cabinets, devices, locations, periods, products
from registry.models import Entry
from registry.rules.splits import Share
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, ok, told
from tests.api.operations import utc
from tests.factories.world import DAY, HOUR, World

NOUNS = ("assignments", "devices", "locations", "cabinets")


@pytest.fixture
def auditor(api: Api, world: World) -> Person:
    return api.as_(world.auditor)


def head() -> int:
    return Entry.objects.count()


# --- what was true then ----------------------------------------------------------------------------------


def test_a_swap_is_told_to_the_instant(auditor: Person, world: World) -> None:
    cabinet, old, new = world.cabinet(), world.device(), world.device()
    swapped = world.start + 10 * DAY
    assignment = world.assigned(old, cabinet)
    assignments.swap_device(
        world.office,
        assignment_id=assignment.period,
        device_id=new.pk,
        valid_from=swapped,
        depot_id=world.tarnmouth.pk,
    )

    def hung(moment: Any) -> list[str]:
        as_of = utc(moment) if not isinstance(moment, str) else moment
        [listed] = auditor.rows("assignments/", as_of=as_of)
        [hanging] = ok(auditor.get(f"cabinets/{cabinet.pk}/", as_of=as_of))["hanging"]
        assert hanging["assignment"] == listed["id"]
        assert ok(auditor.get(f"devices/{listed['device']}/", as_of=as_of))["cabinet"] == str(cabinet.pk)
        return [listed["serial"], hanging["serial"]]

    # A period is half-open: at the very instant the new one hangs (SQL:2011, PERIOD).
    assert hung(swapped - HOUR) == [old.serial] * 2
    assert hung("2026-02-10T07:59:59.999999Z") == [old.serial] * 2
    assert hung(swapped) == [new.serial] * 2
    # Any offset names the same instant: RFC 3339, section 4.2.
    assert hung("2026-02-10T03:00:00-05:00") == [new.serial] * 2
    assert hung("2026-02-10T02:59:59-05:00") == [old.serial] * 2


def test_before_it_is_known_a_thing_is_absent(auditor: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    before = utc(world.start + DAY - HOUR)

    for path in (f"devices/{device.pk}/", f"cabinets/{cabinet.pk}/"):
        told(auditor.get(path, as_of=before), 404, "not_found")
        assert ok(auditor.get(path, as_of=utc(world.start + DAY)))["there_since"] == utc(world.start + DAY)
    told(auditor.get(f"locations/{world.location.pk}/", as_of=utc(world.start - HOUR)), 404, "not_found")
    for noun in ("devices", "cabinets"):
        assert auditor.rows(f"{noun}/", as_of=before) == []


def test_a_location_is_told_with_holder_number_and_state_of_then(auditor: Person, world: World) -> None:
    other = accounts.register_account(
        world.office, particulars={"code": "BR", "name": "Brindle"}, valid_from=world.start
    )
    handed, slept = world.start + 5 * DAY, world.start + 9 * DAY
    locations.hand_location(
        world.office,
        location_id=world.location.pk,
        account_id=other.pk,
        store_number="7",
        valid_from=handed,
    )
    locations.set_location_state(
        world.office, location_id=world.location.pk, state="asleep", valid_from=slept
    )
    path = f"locations/{world.location.pk}/"

    def facts(**asked: object) -> tuple[str, str, str]:
        read = ok(auditor.get(path, **asked))
        [listed] = [row for row in auditor.rows("locations/", **asked) if row["id"] == read["id"]]
        assert listed == read.body
        return (read["account"], read["store_number"], read["state"])

    assert facts(as_of=utc(handed - HOUR)) == (str(world.account.pk), "0042", "open")
    assert facts(as_of=utc(handed)) == (str(other.pk), "7", "open")
    assert facts() == facts(as_of=utc(slept)) == (str(other.pk), "7", "asleep")
    assert facts(as_of=utc(slept), known_at=head() - 1) == (str(other.pk), "7", "open")
    assert facts(as_of=utc(slept), known_at=head() - 2) == (str(world.account.pk), "0042", "open")
    # Filters ask at the same moment.
    listed = auditor.rows("locations/", account=other.pk, store_number="7", as_of=utc(handed - HOUR))
    assert listed == []
    assert len(auditor.rows("locations/", account=other.pk, store_number="7", state="asleep")) == 1


def test_a_cabinet_is_told_with_place_and_split_of_then(auditor: Person, world: World) -> None:
    cabinet, store = world.cabinet(split=True), world.store(depot=world.fellgate)
    moved, split = world.start + 5 * DAY, world.start + 9 * DAY
    cabinets.move_cabinet(world.office, cabinet_id=cabinet.pk, location_id=store.pk, valid_from=moved)
    products.set_split(
        world.office, cabinet_id=cabinet.pk, shares=[Share(world.eight_lb.pk, 10_000)], valid_from=split
    )

    def facts(**asked: object) -> tuple[str, str, list[str]]:
        read = ok(auditor.get(f"cabinets/{cabinet.pk}/", **asked))
        return (read["location"], read["depot"], [share["share"] for share in read["shares"]])

    here = (str(world.location.pk), str(world.tarnmouth.pk))
    there = (str(store.pk), str(world.fellgate.pk))
    assert facts(as_of=utc(moved - HOUR)) == (*here, ["60", "40"])
    assert facts(as_of=utc(moved)) == (*there, ["60", "40"])
    assert facts() == (*there, ["100"])
    assert facts(known_at=head() - 1) == (*there, ["60", "40"])
    assert facts(known_at=head() - 2) == (*here, ["60", "40"])
    assert [row["id"] for row in auditor.rows("cabinets/", location=store.pk)] == [str(cabinet.pk)]
    assert auditor.rows("cabinets/", location=store.pk, as_of=utc(moved - HOUR)) == []


# --- what was known then ---------------------------------------------------------------------------------


def test_a_correction_changes_what_is_known_and_not_what_was(auditor: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    assignment = world.assigned(device, cabinet, world.start + 4 * DAY)
    believed = head()
    written_down = world.clock.at
    world.clock.at += DAY
    periods.correct_period(
        world.office,
        history="devicewhereabouts",
        period_id=assignment.period,
        valid_from=world.start + 7 * DAY,
        reason="hung later",
    )
    between = utc(world.start + 5 * DAY)

    def running(**asked: object) -> bool:
        listed = auditor.rows("assignments/", as_of=between, **asked)
        place = ok(auditor.get(f"devices/{device.pk}/", as_of=between, **asked))["place"]
        assert (place == "cabinet") == bool(listed)
        return bool(listed)

    assert running() is False
    assert running(known_at=believed + 1) is False
    assert running(known_at=believed) is True
    assert running(known_at=believed - 1) is False
    # By time: what had been recorded then.
    assert running(known_at=utc(written_down + HOUR)) is True
    assert running(known_at=utc(world.clock.at + HOUR)) is False
    one = f"assignments/{assignment.period}/"
    assert ok(auditor.get(one, known_at=believed))["valid_from"] == utc(world.start + 4 * DAY)
    assert ok(auditor.get(one))["valid_from"] == utc(world.start + 7 * DAY)
    told(auditor.get(one, known_at=believed - 1), 404, "not_found")


def test_names_are_told_as_they_were_known(auditor: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    assignment = world.assigned(device, cabinet)
    before = head()
    things = {
        "assignments": assignment.period,
        "devices": device.pk,
        "locations": world.location.pk,
        "cabinets": cabinet.pk,
    }
    as_of = utc(world.clock.at)

    def answers(**asked: object) -> dict[str, Any]:
        return {
            noun: [
                ok(auditor.get(f"{noun}/{key}/", as_of=as_of, **asked)).body,
                *auditor.rows(f"{noun}/", as_of=as_of, **asked),
            ]
            for noun, key in things.items()
        }

    then = answers()
    devices.correct_device(world.office, device_id=device.pk, firmware="2.1")
    devices.correct_device_model(
        world.office, device_model_id=world.plumb_3.pk, particulars={"name": "Sinker-3"}
    )
    cabinets.correct_cabinet(world.office, cabinet_id=cabinet.pk, particulars={"asset_tag": "SK-9999"})
    cabinets.correct_cabinet_model(
        world.office, cabinet_model_id=world.cove.pk, particulars={"name": "Cove 41"}
    )
    locations.correct_location(world.office, location_id=world.location.pk, particulars={"name": "Mole End"})
    locations.correct_depot(world.office, depot_id=world.tarnmouth.pk, particulars={"name": "Tarn"})

    assert answers(known_at=before) == then
    now = answers()
    for noun in NOUNS:
        assert now[noun] != then[noun]
        assert "Mole End" in str(now[noun])


def test_whatever_comes_later_the_answer_of_a_moment_stays_and_keeps_its_tag(
    auditor: Person, world: World
) -> None:
    device, cabinet = world.device(), world.cabinet()
    world.assigned(device, cabinet)
    asked = {"as_of": utc(world.clock.at), "known_at": head()}
    path = f"cabinets/{cabinet.pk}/"
    first, page = ok(auditor.get(path, **asked)), ok(auditor.get("cabinets/", **asked))

    cabinets.scrap_cabinet(
        world.office,
        cabinet_id=cabinet.pk,
        valid_from=world.start + 9 * DAY,
        devices_to=world.tarnmouth.pk,
    )

    again = ok(auditor.get(path, **asked))
    assert (again.text, again.tag) == (first.text, first.tag)
    assert again.headers["Register-Index"] == str(asked["known_at"])
    assert auditor.get(path, tag=first.tag, **asked).status == 304
    later = ok(auditor.get("cabinets/", **asked))
    assert (later["results"], later["known_index"]) == (page["results"], page["known_index"])
    assert (page["at_head"], later["at_head"]) == (True, False)
    assert auditor.seen(path) != first.tag


def test_what_this_person_may_see_is_a_matter_of_today(api: Api, world: World) -> None:
    installer, stranger = api.as_(world.installer), api.as_(world.stranger)
    before = head()
    path = f"locations/{world.location.pk}/"
    ok(installer.get(path))
    told(stranger.get(path), 404, "not_found")

    locations.correct_location(
        world.office, location_id=world.location.pk, particulars={"depot_id": world.fellgate.pk}
    )

    for asked in ({}, {"known_at": before}):
        told(installer.get(path, **asked), 404, "not_found")
        assert ok(stranger.get(path, **asked))["name"] == world.location.name
    assert ok(stranger.get(path, known_at=before))["depot"] == str(world.tarnmouth.pk)


def test_what_happened_a_moment_ahead_of_our_clock_counts_already(api: Api, world: World) -> None:
    # A phone's clock may run ahead by two minutes.
    installer, device, cabinet = api.as_(world.installer), world.device(), world.cabinet()
    body = {"cabinet": cabinet.pk, "device": device.pk, "valid_from": "2026-03-02T08:01:59Z"}

    made = ok(installer.post("assignments/", body), 201)

    read = ok(installer.get(f"devices/{device.pk}/"))
    assert (read["assignment"], read["there_since"]) == (made["id"], "2026-03-02T08:01:59Z")
    assert ok(installer.get(f"devices/{device.pk}/", as_of=utc(world.clock.at)))["place"] == "depot"


# --- how a moment is asked for ---------------------------------------------------------------------------


@pytest.mark.parametrize("noun", NOUNS)
def test_an_answer_says_at_which_moment_it_was_given(auditor: Person, world: World, noun: str) -> None:
    last = head()

    with nothing_changed():
        now = ok(auditor.get(f"{noun}/"))
        then = ok(auditor.get(f"{noun}/", as_of="2026-02-20T01:30:00.5+05:30", known_at=last - 3))
        whole = ok(auditor.get(f"{noun}/", known_at=last))
        nothing = ok(auditor.get(f"{noun}/", known_at=0))

    assert (now["as_of"], now["known_index"], now["at_head"]) == ("2026-03-02T08:02:00Z", last, True)
    assert then["as_of"] == "2026-02-19T20:00:00.500000Z"
    assert (then["known_index"], then["at_head"]) == (last - 3, False)
    assert then.headers["Register-Index"] == str(last - 3)
    assert (whole["known_index"], whole["at_head"]) == (last, True)
    assert (nothing["results"], nothing["known_index"]) == ([], 0)


@pytest.mark.parametrize(
    ("asked", "code", "parameter"),
    [
        ({"as_of": ""}, "time_invalid", "as_of"),
        ({"as_of": "yesterday"}, "time_invalid", "as_of"),
        ({"as_of": "2026-02-20"}, "time_invalid", "as_of"),
        ({"as_of": "2026-02-20T08:00:00"}, "time_invalid", "as_of"),
        ({"as_of": "2026-02-29T08:00:00Z"}, "time_invalid", "as_of"),
        ({"as_of": "2026-02-20T08:00:00 05:30"}, "time_invalid", "as_of"),  # a plus that became a space
        ({"as_of": "0001-01-01T00:00:00+23:59"}, "time_invalid", "as_of"),
        ({"as_of": "1772438400"}, "time_invalid", "as_of"),
        ({"as_of": "\u0662\u0660\u0662\u0666-02-20T08:00:00Z"}, "time_invalid", "as_of"),
        ({"as_of": "now\x00"}, "time_invalid", "as_of"),
        ({"known_at": ""}, "time_invalid", "known_at"),
        ({"known_at": "-1"}, "time_invalid", "known_at"),
        ({"known_at": "1.0"}, "time_invalid", "known_at"),
        ({"known_at": "\u0665"}, "time_invalid", "known_at"),
        ({"known_at": "1000000"}, "value_invalid", "known_at"),
        ({"known_at": "9" * 400}, "value_invalid", "known_at"),
        ({"known_at": "2026-02-20T08:00:00"}, "time_invalid", "known_at"),
    ],
)
def test_a_moment_that_is_none_is_refused_by_its_parameter(
    auditor: Person, world: World, asked: dict[str, str], code: str, parameter: str
) -> None:
    device = world.device()
    chain = (f"devices/{device.pk}/chain/", f"devices/{device.pk}/chain.csv")
    stories = (f"devices/{device.pk}/trace/", f"locations/{world.location.pk}/timeline/", *chain)

    for path in (*(f"{noun}/" for noun in NOUNS), f"devices/{device.pk}/", *stories):
        reply = told(auditor.get(path, **asked), 422, code)
        assert [error["parameter"] for error in reply["errors"]] == [parameter], path


def test_the_ends_of_the_calendar_can_be_asked_for(auditor: Person, world: World) -> None:
    world.device()

    assert auditor.rows("devices/", as_of="0001-01-01T00:00:00Z") == []
    assert len(auditor.rows("devices/", as_of="9999-12-31T23:59:59Z")) == 1
    assert auditor.rows("devices/", known_at="0001-01-01T00:00:00Z") == []
    assert len(auditor.rows("devices/", known_at="9999-12-31T23:59:59Z")) == 1
    for spelled in ("2026-02-20t08:00:00z", "2026-02-20 08:00:00Z", "2026-02-20T08:00Z"):
        assert ok(auditor.get("devices/", as_of=spelled))["as_of"] == "2026-02-20T08:00:00Z"
