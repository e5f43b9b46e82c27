"""Counts through their actions: drawn from a frozen list, counted blind, closed, decided on by another."""

import json
import subprocess
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from registry.actions import assignments, counts, devices, provisional, staff
from registry.actions._action import Actor
from registry.actions._devices import NewDevice
from registry.ledger.audit import audit
from registry.models import Cabinet, Count, CountItem, Device, DeviceWhereabouts, Entry
from registry.models.base import new_key
from registry.queries.counts import frozen_lot, lines_of, redraw, sheet_of, variance_of
from registry.queries.moments import settle
from registry.rules.counts import COUNTED_PLACES, DifferenceKind, Strata
from registry.rules.roles import Role, Scope
from registry.rules.sampling import SAMPLE_MAX, draw_number
from tests.actions.unchanged import entry_of, nothing_changed, refused, undone
from tests.factories.world import DAY, HOUR, World, person


def drawn(world: World, actor: Actor | None = None, **given: Any) -> Count:
    """Draw a count of everything, which is small enough to be counted whole."""
    return counts.draw_count(actor or world.auditor, **{"name": "Spring", **given})


def found(
    world: World, count: Count, serial: str = "", actor: Actor | None = None, **given: Any
) -> CountItem:
    return counts.record_finding(actor or world.auditor, count_id=count.pk, serial=serial, **given)


def counted(world: World, count: Count, besides: set[UUID] = frozenset(), done: bool = True) -> None:  # type: ignore[assignment]
    """Find every device of the sample where it is expected, but for those named, and say so of each place."""
    for line in lines_of(count):
        if line.sampled and line.device_id not in besides:
            found(world, count, line.device.serial, **at(line))  # type: ignore[union-attr]
    for place in sheet_of(lines_of(count)) if done else []:
        found(world, count, place_done=True, **place.argument)


def at(line: CountItem) -> dict[str, UUID | None]:
    return {
        "cabinet_id": line.cabinet_id,
        "staff_id": line.staff_id,
        "depot_id": None if line.staff_id else line.depot_id,
    }


def closed(world: World, count: Count) -> Count:
    world.clock.at += HOUR
    return counts.close_count(world.auditor, count_id=count.pk)


def place(device: Device) -> DeviceWhereabouts:
    return DeviceWhereabouts.objects.current().get(device=device, valid_to=None)


@pytest.fixture
def hung(world: World) -> tuple[Device, Cabinet]:
    """A device in a cabinet, beside one in a depot and one in a van."""
    device, cabinet, van = world.device(), world.cabinet(), world.device()
    world.assigned(device, cabinet)
    world.device()
    devices.hand_over_device(
        world.office,
        device_id=van.pk,
        staff_id=world.installer.staff_id,
        valid_from=world.start + 3 * DAY,
    )
    return device, cabinet


# --- drawing -------------------------------------------------------------------------------------------


def test_a_draw_freezes_the_list_and_keeps_what_repeats_it(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    head = Entry.objects.count()

    count = drawn(world, tolerated="10", confidence="95.5")

    assert (count.frozen_index, count.registered_id) == (head, head + 1)
    assert count.frozen_at == Entry.objects.get(index=head + 1).recorded_at
    assert (count.lot_size, count.sample_size, count.acceptance_number) == (3, 3, 0)
    assert (count.tolerated_hundredths, count.confidence_hundredths) == (1_000, 9_550)
    lines = lines_of(count)
    assert [line.position for line in lines] == [1, 2, 3]
    assert {(line.place, line.stratum) for line in lines} == {
        ("cabinet", "stores"),
        ("depot", "depots"),
        ("van", "vans"),
    }
    assert all(line.sampled and line.result == "waiting" for line in lines)


def test_the_entry_of_a_draw_names_the_count_and_not_the_devices(world: World) -> None:
    device = world.device()

    entry, wrote = entry_of(lambda: drawn(world, depot_id=world.tarnmouth.pk, reason="Yearly"))

    assert wrote == ["+count", "+countitem"]
    assert [(s.part, s.label) for s in entry.subjects.order_by("position")] == [
        ("count", "Spring"),
        ("depot", "TM Tarnmouth"),
    ]
    assert device.serial not in entry.body
    assert entry.reason == "Yearly"


def test_anybody_repeats_a_draw_from_the_register_as_it_was_known(world: World) -> None:
    made = [world.device() for _ in range(40)]
    for device in made[:12]:
        world.assigned(device, world.cabinet())
    count = drawn(world, tolerated="20")
    assert count.sample_size < count.lot_size == 40
    seeds = {line.device.serial: line for line in lines_of(count)}  # type: ignore[union-attr]

    # By hand: in each stratum those with the least SHA-256 of "seed:serial".
    for stratum, serials in {
        "stores": [device.serial for device in made[:12]],
        "depots": [device.serial for device in made[12:]],
    }.items():
        size = sum(line.stratum == stratum for line in seeds.values())
        first = sorted(serials, key=lambda serial: draw_number(count.seed, serial))[:size]
        assert {serial for serial, line in seeds.items() if line.stratum == stratum} == set(first)

    # The list by hand, and whatever happens later.
    lines = [f"{device.serial} stores cabinet {place(device).cabinet_id}" for device in made[:12]] + [
        f"{device.serial} depots depot {world.tarnmouth.pk}" for device in made[12:]
    ]
    digest = subprocess.run(
        ["sha256sum"], input=("\n".join(sorted(lines)) + "\n").encode(), capture_output=True, check=True
    )
    assert count.lot_sha256 == digest.stdout.decode()[:64]
    devices.retire_device(world.office, device_id=made[-1].pk, valid_from=world.start + 5 * DAY)
    devices.correct_device(world.office, device_id=made[0].pk, firmware="2.0")
    again = redraw(Count.objects.get(pk=count.pk))
    assert (again.same_list, again.same_sample) == (True, True)
    assert sum(again.sizes.values()) == 40


def test_a_draw_of_another_list_is_told_as_another(world: World) -> None:
    world.device()
    count = drawn(world)
    count.lot_sha256, count.seed = "0" * 64, count.seed
    assert not redraw(count).same_list
    count.frozen_index = 0
    with pytest.raises(Exception, match="value_invalid"):
        redraw(count)


def test_two_draws_of_one_list_are_two_samples(world: World) -> None:
    for _ in range(40):
        world.device()
    one, two = (drawn(world, tolerated="20") for _ in range(2))
    assert one.lot_sha256 == two.lot_sha256
    assert one.seed != two.seed
    samples = [{line.device_id for line in lines_of(count)} for count in (one, two)]
    assert samples[0] != samples[1]


def test_only_what_somebody_can_look_at_is_in_the_list(world: World, hung: tuple[Device, Cabinet]) -> None:
    lost, repaired, retired = world.device(), world.device(), world.device()
    for change, device in (
        (devices.mark_device_lost, lost),
        (devices.send_device_to_repair, repaired),
        (devices.retire_device, retired),
    ):
        change(world.office, device_id=device.pk, valid_from=world.start + 4 * DAY)
    elsewhere = world.device(depot=world.fellgate)

    everything = settle(world.clock.at)
    all_of_it = frozen_lot(everything, None, COUNTED_PLACES, Strata.NONE)
    assert all_of_it.sizes == {"all": 4}
    by_depot = frozen_lot(everything, None, COUNTED_PLACES, Strata.DEPOT)
    assert by_depot.sizes == {"FG": 1, "TM": 3}
    assert list(by_depot.strata["FG"]) == [elsewhere.serial]
    assert drawn(world, depot_id=world.tarnmouth.pk).lot_size == 3
    assert drawn(world, places=["van"], strata="none").lot_size == 1


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"name": " "}, "text_invalid", "name"),
        ({"places": ["maker"]}, "value_invalid", "places"),
        ({"strata": "colour"}, "value_invalid", "strata"),
        ({"plan": "lax"}, "value_invalid", "plan"),
        ({"plan": "aql", "tolerated": "2.5"}, "value_invalid", "plan"),
        ({"confidence": "100"}, "value_invalid", "confidence"),
        ({"tolerated": "0"}, "value_invalid", "tolerated"),
        ({"rounding": "up and down"}, "value_invalid", "rounding"),
        ({"depot_id": new_key()}, "not_found", "depot"),
    ],
)
def test_a_draw_that_cannot_be_is_refused(
    world: World, changes: dict[str, object], code: str, field: str
) -> None:
    world.device()
    with refused(code, field):
        drawn(world, **changes)


def test_an_empty_list_is_not_drawn_from(world: World) -> None:
    with refused("value_invalid", "places"):
        drawn(world)


def test_by_the_aql_plan_of_a_larger_lot(world: World) -> None:
    for _ in range(26):
        world.device()
    count = drawn(world, plan="aql", tolerated="2.5", strata="none")
    assert (count.sample_size, count.acceptance_number) == (5, 0)
    assert CountItem.objects.filter(count=count).count() == 5 < SAMPLE_MAX


def test_whoever_sees_some_depots_counts_one_of_them(world: World) -> None:
    world.device()
    local = person(world, "auditor", world.tarnmouth)
    with refused("value_invalid", "depot"):
        drawn(world, local)
    with refused("not_found", "depot"):
        drawn(world, local, depot_id=world.fellgate.pk)
    count = drawn(world, local, depot_id=world.tarnmouth.pk)
    stranger = person(world, "auditor", world.fellgate)
    with refused("not_found", "count"):
        counts.close_count(stranger, count_id=count.pk)
    everything = drawn(world)
    with refused("not_found", "count"):
        found(world, everything, place_done=True, depot_id=world.tarnmouth.pk, actor=local)


# --- counting ------------------------------------------------------------------------------------------


def test_a_device_that_is_where_it_should_be_agrees(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)

    entry, wrote = entry_of(
        lambda: found(world, count, f" {device.serial.lower()} ", cabinet_id=cabinet.pk, note="dusty")
    )

    assert wrote == ["~countitem"]
    assert [(s.part, s.thing_id) for s in entry.subjects.order_by("position")] == [
        ("count", count.pk),
        ("at", cabinet.pk),
        ("device", device.pk),
        ("location", world.location.pk),
    ]
    line = CountItem.objects.get(count=count, device=device)
    assert (line.result, line.counted_by_id, line.note) == ("agrees", world.auditor.staff_id, "dusty")
    assert (line.typed, line.place_done) == (device.serial.lower(), False)
    with refused("nothing_changes", "serial"):
        found(world, count, device.serial, cabinet_id=cabinet.pk)
    found(world, count, place_done=True, cabinet_id=cabinet.pk)
    with refused("nothing_changes", "place_done"):
        found(world, count, place_done=True, cabinet_id=cabinet.pk)


def test_a_place_with_its_one_device_is_one_entry(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    _, wrote = entry_of(lambda: found(world, count, device.serial, cabinet_id=cabinet.pk, place_done=True))
    assert wrote == ["~countitem"]
    line = CountItem.objects.get(count=count, device=device)
    assert (line.result, line.place_done) == ("agrees", True)


def test_what_hangs_there_instead_is_a_find_and_the_expected_one_is_absent(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    other = world.device()
    count = drawn(world, places=["cabinet"])

    _, wrote = entry_of(lambda: found(world, count, other.serial, cabinet_id=cabinet.pk, place_done=True))

    assert wrote == ["+countitem", "~countitem"]
    assert [(line.sampled, line.device_id, line.result) for line in lines_of(count)] == [
        (True, device.pk, "absent"),
        (False, other.pk, "unlisted"),
    ]


def test_a_serial_that_nobody_booked_in_is_kept_as_it_was_typed(world: World, hung: Any) -> None:
    _, cabinet = hung
    count, serial = drawn(world), world.serial()
    line = found(world, count, f"{serial[:3]}-{serial[3:]}", cabinet_id=cabinet.pk)
    assert (line.device_id, line.serial, line.typed) == (None, serial, f"{serial[:3]}-{serial[3:]}")
    assert line.result == "unknown"


def test_a_find_that_the_register_has_there_agrees_without_having_been_drawn(world: World) -> None:
    for _ in range(30):
        world.device()
    count = drawn(world, tolerated="30")
    sampled = {line.device_id for line in lines_of(count)}
    beside = Device.objects.exclude(pk__in=sampled).first()
    assert beside is not None
    assert found(world, count, beside.serial, depot_id=world.tarnmouth.pk).result == "agrees"
    # As the register was frozen: what comes later is no excuse.
    late = world.device()
    assert found(world, count, late.serial, depot_id=world.tarnmouth.pk).result == "unlisted"


def test_nothing_that_is_refused_tells_what_is_expected(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    waiting = next(line for line in lines_of(count) if line.place == "depot").device
    assert waiting is not None
    slip = waiting.serial[:4] + waiting.serial[5] + waiting.serial[4] + waiting.serial[6:]
    if slip == waiting.serial:
        slip = waiting.serial[:-1]
    with refused("serial_invalid", "serial") as caught:
        found(world, count, slip, depot_id=world.tarnmouth.pk)
    told = json.dumps([caught.value.message, caught.value.details])
    assert "suggestions" not in caught.value.details
    for line in lines_of(count):
        assert line.device is not None
        assert line.device.serial not in told


def test_one_device_is_in_one_place_within_a_count(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    found(world, count, device.serial, cabinet_id=cabinet.pk)
    with refused("code_repeated", "serial"):
        found(world, count, device.serial, depot_id=world.tarnmouth.pk)
    stray = world.serial()
    found(world, count, stray, depot_id=world.tarnmouth.pk)
    with refused("nothing_changes", "serial"):
        found(world, count, stray, depot_id=world.tarnmouth.pk)
    with refused("code_repeated", "serial"):
        found(world, count, stray, staff_id=world.installer.staff_id)


def test_what_was_overlooked_is_found_after_all(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    found(world, count, place_done=True, cabinet_id=cabinet.pk)
    assert CountItem.objects.get(count=count, device=device).result == "absent"
    found(world, count, device.serial, cabinet_id=cabinet.pk)
    assert CountItem.objects.get(count=count, device=device).result == "agrees"


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"serial": ""}, "value_invalid", "serial"),
        ({"serial": "  "}, "value_invalid", "serial"),
        ({"cabinet_id": None}, "value_invalid", "cabinet"),
        ({"depot_id": new_key()}, "value_invalid", "cabinet"),
        ({"cabinet_id": new_key()}, "not_found", "cabinet"),
        ({"cabinet_id": None, "depot_id": new_key()}, "not_found", "depot"),
        ({"cabinet_id": None, "staff_id": new_key()}, "not_found", "staff"),
        ({"count_id": new_key()}, "not_found", "count"),
        ({"note": "\x00"}, "text_invalid", "note"),
        ({"seen_at": timedelta(hours=1)}, "time_in_future", "seen_at"),
        ({"seen_at": -timedelta(seconds=1)}, "before_known", "seen_at"),
    ],
)
def test_a_finding_that_cannot_be_is_refused(
    world: World, hung: tuple[Device, Cabinet], changes: dict[str, Any], code: str, field: str
) -> None:
    device, cabinet = hung
    count = drawn(world)
    if isinstance(changes.get("seen_at"), timedelta):
        changes = {"seen_at": world.clock.at + changes["seen_at"]}
    whole = {"count_id": count.pk, "serial": device.serial, "cabinet_id": cabinet.pk}
    with refused(code, field):
        counts.record_finding(world.auditor, **(whole | changes))
    counts.record_finding(world.auditor, **whole)


# --- closing and counting again ------------------------------------------------------------------------


def test_a_count_closes_when_somebody_looked_everywhere(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count, done=False)
    with refused("count_incomplete", "count") as caught:
        counts.close_count(world.auditor, count_id=count.pk)
    assert f"cabinet {cabinet.asset_tag} at {world.location.label}" in caught.value.message
    for place in sheet_of(lines_of(count)):
        found(world, count, place_done=True, **place.argument)

    entry, wrote = entry_of(lambda: counts.close_count(world.auditor, count_id=count.pk, reason="done"))

    assert wrote == ["~count"]
    for again in (
        lambda: counts.close_count(world.auditor, count_id=count.pk),
        lambda: found(world, count, device.serial, cabinet_id=cabinet.pk),
    ):
        with refused("count_closed", "count"):
            again()
    told = variance_of(Count.objects.get(pk=count.pk))
    assert told.differences == []
    assert (told.counted.passed, told.counted.wrong, told.counted.wrong_at_most) == (True, 0, 0)


def test_an_open_count_tells_no_differences(world: World, hung: tuple[Device, Cabinet]) -> None:
    count = drawn(world)
    with pytest.raises(Exception, match="count_open"):
        variance_of(count)
    line = lines_of(count)[0]
    for decide in (counts.accept_difference, counts.dismiss_difference):
        with refused("count_open", "count"):
            decide(world.office, item_id=line.pk, reason="because")


def test_a_place_is_counted_again_and_the_first_findings_stay_in_the_ledger(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count, stray = drawn(world), world.serial()
    counted(world, count, besides={device.pk})
    found(world, count, stray, cabinet_id=cabinet.pk)
    closed(world, count)
    assert [each.kind for each in variance_of(Count.objects.get(pk=count.pk)).differences] == [
        DifferenceKind.MISSING,
        DifferenceKind.UNKNOWN,
    ]

    def again(**given: Any) -> Count:
        return counts.recount_place(
            world.auditor, **{"count_id": count.pk, "cabinet_id": cabinet.pk, "reason": "too dark", **given}
        )

    with refused("reason_missing", "reason"):
        again(reason=" ")
    _, wrote = entry_of(again)
    assert wrote == ["~countitem", "~countitem", "~count"]
    with refused("nothing_changes", "count"):
        again()
    assert not any(line.serial for line in lines_of(count))
    found(world, count, device.serial, cabinet_id=cabinet.pk, place_done=True)
    closed(world, count)
    assert variance_of(Count.objects.get(pk=count.pk)).differences == []
    assert stray in "".join(Entry.objects.values_list("body", flat=True))
    assert audit().findings == []


def test_where_nobody_could_look_is_not_missing_and_puts_nothing_right(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count, besides={device.pk}, done=False)
    for place_ in sheet_of(lines_of(count)):
        if place_.key != cabinet.pk:
            found(world, count, place_done=True, **place_.argument)

    def locked(**given: Any) -> CountItem:
        return found(world, count, not_counted=True, note="Nobody let me in", cabinet_id=cabinet.pk, **given)

    entry, wrote = entry_of(locked)
    assert (entry.verb, entry.reason, wrote) == (
        "count.place_not_counted",
        "Nobody let me in",
        ["~countitem"],
    )
    with refused("nothing_changes", "place_done"):
        locked()
    closed(world, count)
    told = difference_of(count, DifferenceKind.NOT_COUNTED)
    assert told.found_words == "not looked at"
    as_counted = variance_of(Count.objects.get(pk=count.pk)).counted
    assert (as_counted.wrong, as_counted.not_counted, as_counted.passed) == (1, 1, False)
    with refused("count_incomplete", "difference"):
        accept(world, told.item)
    assert place(device).place == "cabinet"
    counts.dismiss_difference(world.office, item_id=told.item.pk, reason="It reported from there that day")
    assert variance_of(Count.objects.get(pk=count.pk)).decided.passed


def test_who_gets_in_later_counts_what_was_not_counted(world: World) -> None:
    devices = [world.device(), world.device()]
    count = drawn(world)
    there = {"depot_id": world.tarnmouth.pk}
    found(world, count, not_counted=True, note="Locked", **there)
    found(world, count, devices[0].serial, **there)
    assert {line.device_id: (line.result, line.place_done) for line in lines_of(count)} == {
        devices[0].pk: ("agrees", False),
        devices[1].pk: ("waiting", False),
    }
    # Where something was seen, this is refused: it would tell whether more is expected.
    with refused("nothing_changes", "not_counted"):
        found(world, count, not_counted=True, note="Locked again", **there)
    found(world, count, place_done=True, **there)
    closed(world, count)
    difference_of(count, DifferenceKind.MISSING)


def test_where_a_device_is_by_now_is_told_of_ones_own_depots_alone(world: World) -> None:
    """A device that went to another depot since is out of sight of who counted in the first one."""
    device = world.device()
    count = drawn(world, depot_id=world.tarnmouth.pk)
    found(world, count, place_done=True, depot_id=world.tarnmouth.pk)
    closed(world, count)
    world.clock.at += HOUR
    devices.hand_over_device(
        world.office, device_id=device.pk, depot_id=world.fellgate.pk, valid_from=world.clock.at
    )
    count = Count.objects.get(pk=count.pk)

    [near] = variance_of(count, Scope(Role.OFFICE, frozenset({world.tarnmouth.pk}))).differences
    [whole] = variance_of(count).differences

    assert (near.now, whole.now) == ("", "depot FG Fellgate")


def test_what_was_decided_is_not_counted_over_while_another_place_is_counted_again(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count, besides={device.pk})
    closed(world, count)
    counts.dismiss_difference(
        world.office, item_id=difference_of(count, DifferenceKind.MISSING).item.pk, reason="On loan"
    )
    counts.recount_place(world.auditor, count_id=count.pk, depot_id=world.tarnmouth.pk, reason="Too dark")

    with refused("nothing_changes", "count"):
        found(world, count, device.serial, cabinet_id=cabinet.pk)


# --- deciding ------------------------------------------------------------------------------------------


def difference_of(count: Count, kind: DifferenceKind) -> Any:
    [found] = [each for each in variance_of(Count.objects.get(pk=count.pk)).differences if each.kind == kind]
    return found


def accept(world: World, item: CountItem, actor: Actor | None = None) -> CountItem:
    return counts.accept_difference(actor or world.office, item_id=item.pk, reason="Seen by two")


def test_what_was_seen_nowhere_is_lost_from_the_time_of_the_count(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count, besides={device.pk})
    closed(world, count)
    told = difference_of(count, DifferenceKind.MISSING)
    looked_at = told.item.seen_at
    assert (told.expected_words, told.found_words) == (
        f"cabinet {cabinet.asset_tag} at {world.location.label}",
        "nowhere",
    )

    entry, wrote = entry_of(lambda: accept(world, told.item))

    assert wrote == ["~devicewhereabouts", "+devicewhereabouts", "+devicewhereabouts", "~countitem"]
    assert [(s.part, s.thing_id) for s in entry.subjects.order_by("position")] == [
        ("count", count.pk),
        ("device", device.pk),
        ("from", cabinet.pk),
        ("location", world.location.pk),
    ]
    assert (entry.reason, entry.staff_id, entry.occurred_at) == (
        "Seen by two",
        world.office.staff_id,
        looked_at,
    )
    lost = place(device)
    assert (lost.place, lost.valid_from) == ("lost", looked_at)
    line = CountItem.objects.get(pk=told.item.pk)
    assert (line.decision, line.decided_by_id) == ("accepted", world.office.staff_id)
    with refused("nothing_changes", "difference"):
        accept(world, line)
    with refused("nothing_changes", "difference"):
        counts.dismiss_difference(world.office, item_id=line.pk, reason="no")
    with refused("nothing_changes", "count"):
        counts.recount_place(world.auditor, count_id=count.pk, cabinet_id=cabinet.pk, reason="again")
    assert audit().findings == []


def test_what_was_seen_elsewhere_goes_there_in_one_difference(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count, besides={device.pk})
    world.clock.at += HOUR
    found(world, count, device.serial, staff_id=world.installer.staff_id)
    closed(world, count)
    [told] = variance_of(Count.objects.get(pk=count.pk)).differences
    assert told.kind is DifferenceKind.ELSEWHERE
    assert told.found_words == "van of Installer"

    accept(world, told.item)

    van = place(device)
    assert (van.place, van.staff_id, van.depot_id) == ("van", world.installer.staff_id, world.tarnmouth.pk)
    assert van.valid_from == told.item.seen_at  # when the cabinet was found without it


def test_what_hangs_in_another_cabinet_goes_there_where_the_rules_allow_it(world: World) -> None:
    device, first, second = world.device(), world.cabinet(), world.cabinet()
    large = world.cabinet(model=world.quay)
    world.assigned(device, first)
    count = drawn(world)
    found(world, count, place_done=True, cabinet_id=first.pk)
    with undone():
        found(world, count, device.serial, cabinet_id=large.pk)
        closed(world, count)
        with refused("sensor_count_mismatch", "device"):
            accept(world, difference_of(count, DifferenceKind.ELSEWHERE).item)
    found(world, count, device.serial, cabinet_id=second.pk)
    closed(world, count)

    accept(world, difference_of(count, DifferenceKind.ELSEWHERE).item)

    assert place(device).cabinet_id == second.pk
    ended = DeviceWhereabouts.objects.current().get(device=device, cabinet=first)
    assert (ended.end_reason, ended.end_note) == ("other", "Seen by two")


def test_a_stranger_in_a_cabinet_waits_until_what_hung_there_is_settled(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    other = world.device()
    count = drawn(world, places=["cabinet"])
    found(world, count, other.serial, cabinet_id=cabinet.pk)
    world.clock.at += HOUR
    found(world, count, place_done=True, cabinet_id=cabinet.pk)
    closed(world, count)
    missing = difference_of(count, DifferenceKind.MISSING)
    stranger = difference_of(count, DifferenceKind.UNLISTED)
    with refused("slot_taken", "slot") as caught:
        accept(world, stranger.item)
    assert device.serial in caught.value.message

    accept(world, missing.item)
    accept(world, stranger.item)

    assert place(device).place == "lost"
    assert place(other).cabinet_id == cabinet.pk
    assert audit().findings == []


def test_what_waits_in_another_depot_is_handed_over(world: World) -> None:
    device = world.device()
    world.device(depot=world.fellgate)
    count = drawn(world)
    found(world, count, device.serial, depot_id=world.fellgate.pk)
    counted(world, count, besides={device.pk})
    closed(world, count)
    accept(world, difference_of(count, DifferenceKind.ELSEWHERE).item)
    assert (place(device).place, place(device).depot_id) == ("depot", world.fellgate.pk)


def test_a_lost_device_that_turns_up_is_found(world: World) -> None:
    lost = world.device()
    world.device()
    devices.mark_device_lost(world.office, device_id=lost.pk, valid_from=world.start + 4 * DAY)
    count = drawn(world)
    counted(world, count)
    found(world, count, lost.serial, depot_id=world.tarnmouth.pk)
    closed(world, count)
    accept(world, difference_of(count, DifferenceKind.UNLISTED).item)
    assert place(lost).place == "depot"


def test_a_serial_that_nobody_booked_in_is_recorded_first_then_dismissed(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    count, serial = drawn(world), world.serial()
    counted(world, count)
    found(world, count, serial, depot_id=world.tarnmouth.pk)
    closed(world, count)
    told = difference_of(count, DifferenceKind.UNKNOWN)
    assert told.serial == serial
    with refused("device_not_available", "difference"):
        accept(world, told.item)
    provisional.record_provisional_device(
        world.office,
        device=NewDevice(world.plumb_3.pk, serial),
        valid_from=world.clock.at,
        evidence="seen by the count",
        depot_id=world.tarnmouth.pk,
    )
    entry, wrote = entry_of(
        lambda: counts.dismiss_difference(world.office, item_id=told.item.pk, reason="recorded now")
    )
    assert wrote == ["~countitem"]
    assert [s.part for s in entry.subjects.order_by("position")] == ["count"]


def test_what_the_register_knew_by_the_time_of_the_count_is_explained_and_not_accepted(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    world.clock.at += HOUR
    assignments.end_assignment(
        world.office,
        assignment_id=place(device).period,
        valid_to=world.clock.at,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    world.clock.at += HOUR
    counted(world, count, besides={device.pk})
    closed(world, count)
    told = difference_of(count, DifferenceKind.MISSING)
    assert told.now == "depot TM Tarnmouth"
    with refused("nothing_changes", "difference"):
        accept(world, told.item)
    before = variance_of(Count.objects.get(pk=count.pk)).decided
    assert (before.wrong, before.dismissed, before.passed) == (1, 0, False)
    counts.dismiss_difference(world.office, item_id=told.item.pk, reason="Ended on the day of the count")
    told_now = variance_of(Count.objects.get(pk=count.pk))
    after, as_counted = told_now.decided, told_now.counted
    assert (after.wrong, after.dismissed, after.passed) == (0, 1, True)
    # What was found stays what was found: nobody betters it by deciding.
    assert (as_counted.wrong, as_counted.passed, as_counted.upper_ppm) == (1, False, before.upper_ppm)
    [difference] = told_now.differences
    assert (difference.decided_index, difference.decision_reason) == (
        Entry.objects.latest("index").index,
        "Ended on the day of the count",
    )


def test_what_happened_after_the_count_stops_the_correction(
    world: World, hung: tuple[Device, Cabinet]
) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count, besides={device.pk})
    closed(world, count)
    told = difference_of(count, DifferenceKind.MISSING)
    assignments.end_assignment(
        world.office,
        assignment_id=place(device).period,
        valid_to=world.clock.at,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    with refused("overlapping_history", "valid_from"):
        accept(world, told.item)


def test_nobody_decides_on_what_they_counted(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count, besides={device.pk})
    # The auditor looked into the cabinet; somebody of the office saw the device in a van.
    counting = person(world, "office", everywhere=True)
    found(world, count, device.serial, staff_id=world.installer.staff_id, actor=counting)
    closed(world, count)
    item = difference_of(count, DifferenceKind.ELSEWHERE).item
    for decide in (counts.accept_difference, counts.dismiss_difference):
        with refused("approver_counted"):
            decide(counting, item_id=item.pk, reason="I saw it")
        with refused("role_forbids"):
            decide(world.auditor, item_id=item.pk, reason="I saw it")
        with refused("reason_missing", "reason"):
            decide(world.office, item_id=item.pk, reason=" ")
    accept(world, item)


def test_what_is_no_difference_is_not_decided_on(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    count = drawn(world)
    counted(world, count)
    closed(world, count)
    agreeing = CountItem.objects.get(count=count, device=device)
    for key in (agreeing.pk, new_key()):
        with refused("not_found", "difference"):
            counts.dismiss_difference(world.office, item_id=key, reason="none")
    hidden = person(world, "office", world.fellgate)
    with refused("not_found", "difference"):
        counts.dismiss_difference(hidden, item_id=agreeing.pk, reason="none")


def test_counting_changes_nothing_of_the_fleet(world: World, hung: tuple[Device, Cabinet]) -> None:
    device, cabinet = hung
    fleet = set(DeviceWhereabouts.objects.values_list("pk", "superseded"))
    count = drawn(world)
    counted(world, count, besides={device.pk})
    closed(world, count)
    assert set(DeviceWhereabouts.objects.values_list("pk", "superseded")) == fleet
    staff.deactivate_staff(world.administrator, staff_id=world.auditor.staff_id)
    with nothing_changed(), pytest.raises(Exception, match="not_active"):
        drawn(world)
