"""Devices over HTTP: booked in, corrected, handed over, repaired, lost, retired, listed."""

from typing import Any
from uuid import uuid4

import pytest

from registry.actions import devices, staff
from registry.models import Device
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, Reply, changed, ok, one_entry, tables_read, told
from tests.api.operations import found_in_the_field, utc, when
from tests.factories.world import DAY, World, person

IMEI = "260531793113837"  # 3GPP TS 23.003, annex B.3
ICCID = "8944500102198304826"  # ITU-T E.118: 19 digits with their Luhn digit; the value is from memory


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


def change(asker: Person, device: Any, what: str, **body: Any) -> Reply:
    """Change a device as it stands."""
    path = f"devices/{getattr(device, 'pk', device)}/"
    tag = asker.seen(path)
    return asker.post(f"{path}{what}/", body, tag=tag) if what else asker.patch(path, body, tag=tag)


def shown(world: World, device: Any, **facts: Any) -> dict[str, Any]:
    """Return what a device is shown as that waits in the depot into which it was received."""
    return {
        "id": str(getattr(device, "pk", device)),
        "serial": getattr(device, "serial", None),
        "serial_typed": getattr(device, "serial", None),
        "model": str(world.plumb_3.pk),
        "model_name": "Plumb-3",
        "sensor_count": 3,
        "standing": "confirmed",
        "evidence": "",
        "firmware": "",
        "imei": "",
        "iccid": "",
        "place": "depot",
        "place_name": "depot TM Tarnmouth",
        "depot": str(world.tarnmouth.pk),
        "staff": None,
        "cabinet": None,
        "assignment": None,
        "there_since": utc(world.start + DAY),
        "since_known_by": False,
        "reference": "",
        **facts,
    }


# --- booked in -------------------------------------------------------------------------------------------


def test_devices_are_booked_in_together_in_one_entry(office: Person, world: World) -> None:
    one, two = world.serial(), world.serial(world.plumb_5)
    typed = f"{one[:3].lower()}-{one[3:]}"
    body = {
        "devices": [
            {
                "model": world.plumb_3.pk,
                "serial": typed,
                "firmware": "2.1",
                "imei": IMEI,
                "iccid": ICCID,
            },
            {"model": world.plumb_5.pk, "serial": two},
        ],
        "depot": world.tarnmouth.pk,
        "valid_from": when(world.start + 5 * DAY),
        "reason": "a pallet",
    }

    with one_entry("devices.received") as entries:
        reply = ok(office.post("devices/", body), 201)

    first, second = (row["id"] for row in reply["results"])
    since = utc(world.start + 5 * DAY)
    assert reply.body == {
        "results": [
            shown(
                world,
                first,
                serial=one,
                serial_typed=typed,
                firmware="2.1",
                imei=IMEI,
                iccid=ICCID,
                there_since=since,
            ),
            shown(
                world,
                second,
                serial=two,
                serial_typed=two,
                model=str(world.plumb_5.pk),
                model_name="Plumb-5",
                sensor_count=5,
                there_since=since,
            ),
        ]
    }
    assert reply.headers["Register-Index"] == str(entries[0].index)
    assert entries[0].reason == "a pallet"
    for row in reply["results"]:
        assert ok(office.get(f"devices/{row['id']}/")).body == row


@pytest.mark.parametrize(
    ("second", "status", "code", "pointer"),
    [
        ({"serial": "PB39999990"}, 422, "serial_invalid", "#/devices/1/serial"),
        ({"serial": "{known}"}, 409, "code_taken", "#/devices/1/serial"),
        ({"serial": "{first}"}, 422, "code_repeated", "#/devices/1/serial"),
        ({"model": str(uuid4())}, 422, "not_found", "#/devices/1/model"),
        ({"model": "Plumb-3"}, 422, "value_invalid", "#/devices/1/model"),
        ({"imei": "260531793113838"}, 422, "check_invalid", "#/devices/1/imei"),
        ({"iccid": "8944500102198304827"}, 422, "check_invalid", "#/devices/1/iccid"),
        ({"firmware": "\t"}, 422, "text_invalid", "#/devices/1/firmware"),
        ({"colour": "blue"}, 422, "value_invalid", "#/devices/1/colour"),
        ({"serial": None}, 422, "value_invalid", "#/devices/1/serial"),
    ],
)
def test_one_wrong_device_and_none_is_booked_in(
    office: Person, world: World, second: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    first, known = world.serial(), world.device().serial
    given = {name: {"{known}": known, "{first}": first}.get(value, value) for name, value in second.items()}
    listed = [
        {"model": world.plumb_3.pk, "serial": first},
        {"model": world.plumb_3.pk, "serial": world.serial(), **given},
    ]
    body = {"devices": listed, "depot": world.tarnmouth.pk, "valid_from": when(world.start + 5 * DAY)}

    with nothing_changed():
        told(office.post("devices/", body), status, code, pointer)


def test_a_list_of_devices_is_neither_empty_nor_endless(office: Person, world: World) -> None:
    body = {"depot": world.tarnmouth.pk, "valid_from": when(world.start + 5 * DAY)}
    one = {"model": world.plumb_3.pk, "serial": world.serial()}

    with nothing_changed():
        told(office.post("devices/", {**body, "devices": []}), 422, "value_invalid", "#/devices")
        told(office.post("devices/", {**body, "devices": one}), 422, "value_invalid", "#/devices")
        told(office.post("devices/", {**body, "devices": [one] * 2_001}), 422, "too_many", "#/devices")


def test_a_doubtful_card_number_is_kept_with_a_reason(office: Person, world: World) -> None:
    device = world.device()
    # A widely copied sample that fails Luhn: it would need check digit 4.
    doubtful = "8991101200003204510"

    with nothing_changed():
        told(change(office, device, "", iccid=doubtful), 422, "check_invalid", "#/iccid")
    with one_entry("device.corrected"):
        reply = changed(change(office, device, "", iccid=doubtful, iccid_override="so it is printed"))

    assert reply.body == shown(world, device, iccid=doubtful)


def test_what_a_label_says_is_corrected_and_the_rest_stays(office: Person, world: World) -> None:
    device = world.device()

    with one_entry("device.corrected") as entries:
        reply = changed(
            change(office, device, "", firmware="2.1", imei=IMEI, iccid=ICCID, reason="read again")
        )
    assert reply.body == shown(world, device, firmware="2.1", imei=IMEI, iccid=ICCID)
    assert entries[0].reason == "read again"

    with one_entry("device.corrected"):
        reply = changed(change(office, device, "", firmware="2.2"))
    assert reply.body == shown(world, device, firmware="2.2", imei=IMEI, iccid=ICCID)

    with nothing_changed():
        told(change(office, device, "", firmware="2.2"), 409, "nothing_changes")
        told(change(office, device, ""), 409, "nothing_changes")
        told(change(office, device, "", imei="1"), 422, "value_invalid", "#/imei")
        told(change(office, device, "", serial="PB3"), 422, "value_invalid", "#/serial")
        told(change(office, device, "", firmware=None), 422, "value_invalid", "#/firmware")


def test_a_number_on_a_label_is_taken_away_by_blank_text(office: Person, world: World) -> None:
    device = world.device()
    changed(change(office, device, "", firmware="2.1", imei=IMEI, iccid=ICCID))

    with one_entry("device.corrected"):
        reply = changed(change(office, device, "", firmware="", imei="", iccid=""))

    assert reply.body == shown(world, device)


# --- from hand to hand -----------------------------------------------------------------------------------


def test_a_device_goes_through_every_hand_and_says_where_it_is(
    installer: Person, office: Person, world: World
) -> None:
    device, other = world.device(), person(world, "installer", world.tarnmouth)
    at = [world.start + days * DAY for days in range(2, 9)]

    with one_entry("device.handed_over") as entries:
        reply = change(
            installer,
            device,
            "hand-over",
            staff=world.installer.staff_id,
            valid_from=when(at[0]),
            reason="for Monday",
        )
    van = {"place": "van", "place_name": "van of Installer", "staff": str(world.installer.staff_id)}
    assert changed(reply).body == shown(world, device, there_since=utc(at[0]), **van)
    assert (entries[0].reason, entries[0].occurred_at) == ("for Monday", at[0])

    with one_entry("device.handed_over"):
        reply = change(installer, device, "hand-over", staff=other.staff_id, valid_from=when(at[1]))
    assert changed(reply)["place_name"] == "van of Hob Installer"

    with one_entry("device.sent_to_repair"):
        reply = change(installer, device, "repair", valid_from=when(at[2]), reference="RMA-7")
    maker = {"place": "maker", "place_name": "maker, of depot TM Tarnmouth", "reference": "RMA-7"}
    assert changed(reply).body == shown(world, device, there_since=utc(at[2]), **maker)

    with one_entry("device.returned"):
        reply = change(installer, device, "return", valid_from=when(at[3]), depot=world.tarnmouth.pk)
    assert changed(reply).body == shown(world, device, there_since=utc(at[3]))

    with one_entry("device.lost"):
        reply = change(installer, device, "lost", valid_from=when(at[4]), reason="not in the box")
    lost = {"place": "lost", "place_name": "lost, of depot TM Tarnmouth"}
    assert changed(reply).body == shown(world, device, there_since=utc(at[4]), **lost)

    with one_entry("device.handed_over"):
        reply = change(installer, device, "hand-over", depot=world.tarnmouth.pk, valid_from=when(at[5]))
    assert changed(reply).body == shown(world, device, there_since=utc(at[5]))

    with nothing_changed():
        told(change(installer, device, "retire", valid_from=when(at[6])), 403, "role_forbids")
    with one_entry("device.retired"):
        reply = change(office, device, "retire", valid_from=when(at[6]))
    retired = {"place": "retired", "place_name": "retired, of depot TM Tarnmouth"}
    assert changed(reply).body == shown(world, device, there_since=utc(at[6]), **retired)

    with nothing_changed():
        late = when(world.start + 9 * DAY)
        reply = change(office, device, "hand-over", depot=world.tarnmouth.pk, valid_from=late)
        told(reply, 409, "device_not_available")
        assert reply["details"] == {"place": "retired"}


def test_a_device_that_hangs_says_in_which_cabinet_and_store(installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    assignment = world.assigned(device, cabinet)

    read = ok(installer.get(f"devices/{device.pk}/"))

    assert read.body == shown(
        world,
        device,
        place="cabinet",
        place_name=f"cabinet {cabinet.asset_tag} at {world.location.label}",
        cabinet=str(cabinet.pk),
        assignment=str(assignment.period),
        there_since=utc(world.start + 2 * DAY),
    )
    with nothing_changed():
        at = when(world.start + 5 * DAY)
        for what, body in (
            ("hand-over", {"staff": world.installer.staff_id}),
            ("repair", {}),
        ):
            reply = told(change(installer, device, what, valid_from=at, **body), 409, "device_elsewhere")
            assert reply["details"] == {"cabinet": cabinet.asset_tag}


@pytest.mark.parametrize(
    ("what", "given", "status", "code", "pointer"),
    [
        ("hand-over", {}, 422, "value_invalid", "#/depot"),
        ("hand-over", {"depot": "{tarnmouth}"}, 409, "nothing_changes", None),
        ("hand-over", {"staff": str(uuid4())}, 422, "not_found", "#/staff"),
        ("hand-over", {"depot": str(uuid4())}, 422, "not_found", "#/depot"),
        ("hand-over", {"depot": None}, 422, "value_invalid", "#/depot"),
        ("hand-over", {"staff": "{left}"}, 422, "not_active", "#/staff"),
        ("return", {"depot": "{tarnmouth}"}, 409, "device_not_available", None),
        ("return", {}, 422, "value_invalid", "#/depot"),
        ("repair", {"reference": "\n"}, 422, "text_invalid", "#/reference"),
        ("repair", {"valid_from": "2026-03-03T00:00:00Z"}, 422, "time_in_future", "#/valid_from"),
        ("lost", {"valid_from": "2026-01-01T00:00:00Z"}, 422, "before_known", "#/valid_from"),
        ("lost", {"valid_from": "2026-02-01T08:00:00Z"}, 409, "overlapping_history", "#/valid_from"),
        ("retire", {"valid_from": None}, 422, "value_invalid", "#/valid_from"),
    ],
)
def test_what_cannot_be_done_with_a_device_is_refused(
    office: Person,
    world: World,
    what: str,
    given: dict[str, Any],
    status: int,
    code: str,
    pointer: str | None,
) -> None:
    device, leaver = world.device(), person(world, "installer", world.tarnmouth)
    staff.deactivate_staff(world.administrator, staff_id=leaver.staff_id)
    known = {"{tarnmouth}": str(world.tarnmouth.pk), "{left}": str(leaver.staff_id)}
    body = {"valid_from": when(world.start + 5 * DAY), **given}

    with nothing_changed():
        reply = change(
            office, device, what, **{name: known.get(str(value), value) for name, value in body.items()}
        )
        told(reply, status, code, pointer)


# --- listed ----------------------------------------------------------------------------------------------


def test_devices_are_listed_by_where_and_what_they_are(installer: Person, world: World) -> None:
    at = world.start + 3 * DAY
    waiting, in_van, hung, lost, elsewhere = (world.device() for _ in range(5))
    five, theirs = world.device(world.plumb_5), world.device(depot=world.fellgate)
    cabinet = world.cabinet()
    world.assigned(hung, cabinet, at)
    world.assigned(elsewhere, world.cabinet(world.store(depot=world.fellgate)), at)
    devices.hand_over_device(
        world.office, device_id=in_van.pk, staff_id=world.installer.staff_id, valid_from=at
    )
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=at)
    devices.correct_device(world.office, device_id=waiting.pk, imei=IMEI, iccid=ICCID)
    stray = found_in_the_field(world)

    def found(**asked: object) -> set[str]:
        rows = installer.rows("devices/", **asked)
        assert [row["serial"] for row in rows] == sorted(row["serial"] for row in rows)
        for row in rows:
            if "as_of" not in asked:
                assert row == ok(installer.get(f"devices/{row['id']}/")).body
        return {row["serial"] for row in rows}

    def serials(*some: Device) -> set[str]:
        return {device.serial for device in some}

    seen = serials(waiting, in_van, hung, lost, five, stray)
    assert found() == seen
    assert theirs.serial not in seen
    assert found(model=world.plumb_5.pk) == serials(five)
    assert found(standing="provisional") == serials(stray)
    assert found(standing="merged") == set()
    assert found(place="van") == found(staff=world.installer.staff_id) == serials(in_van)
    assert found(place="cabinet") == found(cabinet=cabinet.pk) == serials(hung)
    assert found(place="lost") == serials(lost)
    spaced = f" {waiting.serial[:3].lower()}-{waiting.serial[3:]}"
    assert found(serial=spaced) == found(serial=waiting.serial) == serials(waiting)
    assert found(serial=waiting.serial[:-1]) == set()
    assert found(serial=theirs.serial) == set()
    assert found(search=waiting.serial[3:9].lower()) == serials(waiting)
    assert found(search=IMEI[2:]) == found(search=f"{ICCID} {IMEI}") == serials(waiting)
    assert found(search=f"{ICCID} {hung.serial}") == set()
    # A day before, all that was received here was in the depot; what hangs elsewhere now was here, too.
    before = utc(world.start + 2 * DAY)
    assert found(as_of=before, place="depot") == serials(waiting, in_van, hung, lost, five, elsewhere)
    assert found(as_of=utc(world.start)) == set()


def test_a_device_of_a_merged_record_is_one_device(office: Person, world: World) -> None:
    known, stray = world.device(), found_in_the_field(world)
    ok(change(office, stray, "merge", into=known.pk))

    assert [row["id"] for row in office.rows("devices/")] == [str(known.pk)]
    told(office.get(f"devices/{stray.pk}/"), 404, "not_found")


@pytest.mark.parametrize(
    ("asked", "parameter", "code"),
    [
        ({"place": "moon"}, "place", "value_invalid"),
        ({"standing": "good"}, "standing", "value_invalid"),
        ({"model": "Plumb-3"}, "model", "value_invalid"),
        ({"staff": "me"}, "staff", "value_invalid"),
        ({"serial": "?"}, "serial", "text_invalid"),
        ({"serial": "\x00"}, "serial", "value_invalid"),
        ({"seriall": "PB3"}, "seriall", "value_invalid"),
    ],
)
def test_a_question_that_cannot_be_asked_is_refused_by_its_parameter(
    installer: Person, asked: dict[str, str], parameter: str, code: str
) -> None:
    reply = told(installer.get("devices/", **asked), 422, code)

    assert [error["parameter"] for error in reply["errors"]] == [parameter]
    assert "pointer" not in reply["errors"][0]


# --- the trace -------------------------------------------------------------------------------------------


def test_the_trace_tells_all_that_happened(office: Person, installer: Person, world: World) -> None:
    device, cabinet = world.device(), world.cabinet()
    received = ok(office.get(f"devices/{device.pk}/trace/"))["known_index"] - 1
    body = {
        "device": device.pk,
        "cabinet": cabinet.pk,
        "valid_from": when(world.start + 5 * DAY),
        "reason": "first of its kind",
    }
    assigned = ok(installer.post("assignments/", body), 201)
    path = f"assignments/{assigned['id']}/"
    body = {"valid_from": when(world.start + 4 * DAY), "reason": "the note says so"}
    corrected = ok(office.post(f"{path}correct/", body, tag=office.seen(path)))

    reply = ok(installer.get(f"devices/{device.pk}/trace/"))

    head = int(corrected.headers["Register-Index"])
    now = utc(world.clock.at).removesuffix("Z")
    told_at = {event["index"]: event.pop("recorded_at") for event in reply["results"]}
    assert all(moment.startswith(now) and moment.endswith("Z") for moment in told_at.values())
    events = [{name: value for name, value in e.items() if name != "recorded_at"} for e in reply["results"]]
    common = {"face": "api", "reason": "", "replaced": [], "simulated": True, "cabinets": []}
    assert reply["known_index"] == head
    assert reply["at_head"] is True
    assert reply.headers["Register-Index"] == str(head)
    assert events == [
        {
            **common,
            "index": received,
            "occurred_at": utc(world.start + DAY),
            "words": f"{device.serial} came into depot TM Tarnmouth",
            "verb": "devices.received",
            "who": "Office",
            "devices": [str(device.pk)],
        },
        {
            **common,
            "index": head - 1,
            "occurred_at": utc(world.start + 5 * DAY),
            "words": f"Device {device.serial} was assigned to cabinet {cabinet.asset_tag}"
            f" at {world.location.label}",
            "verb": "device.assigned",
            "who": "Installer",
            "reason": "first of its kind",
            "cabinets": [str(cabinet.pk)],
            "devices": [str(device.pk)],
        },
        {
            **common,
            "index": head,
            "occurred_at": events[2]["occurred_at"],
            "words": f"The history of {device.serial} was corrected",
            "verb": "period.corrected",
            "who": "Office",
            "reason": "the note says so",
            "replaced": events[2]["replaced"],
            "cabinets": [str(cabinet.pk)],
            "devices": [str(device.pk)],
        },
    ]
    assert any("2026-02-05" in line and "2026-02-04" in line for line in events[2]["replaced"])
    # Before the correction it was another story, and a day before it hung a shorter one.
    known = ok(installer.get(f"devices/{device.pk}/trace/", known_at=head - 1))
    assert (known["known_index"], known["at_head"]) == (head - 1, False)
    assert [event["index"] for event in known["results"]] == [received, head - 1]
    early = ok(installer.get(f"devices/{device.pk}/trace/", as_of=utc(world.start + 2 * DAY)))
    assert [event["index"] for event in early["results"]] == [received]
    assert early["as_of"] == utc(world.start + 2 * DAY)


@pytest.mark.parametrize("rows", [3, 30])
def test_reading_takes_as_many_queries_for_many_devices_as_for_few(
    installer: Person, world: World, rows: int
) -> None:
    some = [world.device() for _ in range(rows)]
    for device in some[1:]:
        world.assigned(device, world.cabinet(world.store()))
    device = some[1]
    for number in range(rows):
        devices.correct_device(world.office, device_id=device.pk, firmware=f"2.{number}")

    def tables(path: str, **asked: object) -> list[str]:
        return tables_read(lambda: installer.get(path, **asked))

    signed_in = ["apitoken", "staffdepot"]  # the token with its person; whose depots
    # the head; the page; where they are, with vans; where their cabinets stand; what all that refers to
    page = [
        *signed_in, "entry", "device", "devicewhereabouts", "cabinetwhereabouts", "cabinet", "depot",
        "location", "devicemodel",
    ]  # fmt: skip
    assert tables("devices/") == page
    assert tables("devices/", place="cabinet", search="PB3") == [name for name in page if name != "depot"]
    assert tables(f"devices/{some[0].pk}/") == [
        *signed_in, "entry", "device", "devicewhereabouts", "depot", "devicemodel",
    ]  # fmt: skip
    one = tables(f"devices/{device.pk}/")
    assert one == [name for name in page if name != "depot"]
    # the head for the question, and again for who may ask; the device as it is now; records merged into it;
    # what entries are about it; these with all their subjects; who did it; what corrections refer to
    story = ["subject", "subject", "entry", "subject", "staff", "devicemodel"]
    assert tables(f"devices/{device.pk}/trace/") == [*one[:3], *one[2:], *story]
