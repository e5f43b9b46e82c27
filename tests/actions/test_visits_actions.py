"""Visits: when they may go ahead, who sees them, whose cautions were read, and what goes on the van."""

from datetime import timedelta
from typing import Any

import pytest

from registry.actions import cabinets, kit, locations, surveys, visits
from registry.models import Entry, Staff, Visit, VisitCabinet
from registry.models.base import new_key
from registry.queries.staff import scope_of
from registry.queries.visits import cautions_of, kit_of, visits_in_sight, work_of
from registry.rules.cautions import DEFER
from tests.actions.unchanged import refused
from tests.factories import visiting
from tests.factories.visiting import allowed, begun, day_of, planned, read, released, surveyed
from tests.factories.world import DAY, World, person


def release(world: World, visit: Visit, why: str = "") -> Visit:
    return visits.release_visit(world.office, visit_id=visit.pk, override_reason=why)


# --- the release ---------------------------------------------------------------------------------------


def test_an_installation_is_released_with_authority_and_a_survey_that_allows_it(world: World) -> None:
    cabinet = world.cabinet()
    visit = planned(world, "install", [cabinet])
    with refused("visit_not_ready", "override_reason"):
        release(world, visit)
    surveyed(world, cabinet)
    with refused("visit_not_ready", "override_reason"):
        release(world, visit)
    allowed(world, day_of(world, 4))  # a day too late
    with refused("visit_not_ready", "override_reason"):
        release(world, visit)
    allowed(world, visit.planned_on)
    surveyed(world, cabinet, "unsuitable")
    with refused("visit_not_ready", "override_reason"):
        release(world, visit)
    surveyed(world, cabinet, "with_conditions")

    done = release(world, visit)

    assert (done.state, done.override_reason) == ("released", "")


def test_what_is_missing_is_overridden_only_with_a_reason_that_is_kept(world: World) -> None:
    visit = planned(world, "install")
    with refused("visit_not_ready", "override_reason"):
        release(world, visit, "  ")
    assert release(world, visit, "Their letter is on its way").override_reason == "Their letter is on its way"


def test_a_survey_before_a_cabinet_moved_says_nothing_of_where_it_stands_now(world: World) -> None:
    cabinet, elsewhere = world.cabinet(), world.store()
    surveyed(world, cabinet)
    world.clock.at += timedelta(hours=2)
    for place in (elsewhere, world.location):
        cabinets.move_cabinet(
            world.office, cabinet_id=cabinet.pk, location_id=place.pk, valid_from=world.clock.at
        )
        world.clock.at += timedelta(hours=2)
    allowed(world)
    visit = planned(world, "install", [cabinet])
    with refused("visit_not_ready", "override_reason"):
        release(world, visit)


def test_other_cabinets_or_a_day_before_it_is_allowed_have_to_be_released_again(world: World) -> None:
    first, second = world.cabinet(), world.cabinet()
    for cabinet in (first, second):
        surveyed(world, cabinet)
    allowed(world, day_of(world, 3))
    visit = release(world, planned(world, "install", [first]))

    def state_after(**plan: Any) -> str:
        changed = visits.correct_visit(world.office, visit_id=visit.pk, particulars=plan)
        state = str(changed.state)
        if state == "planned":
            release(world, changed, "" if changed.planned_on >= day_of(world, 3) else "as told")
        return state

    assert state_after(planned_on=day_of(world, 5)) == "released"
    assert state_after(note="Ring first") == "released"
    assert state_after(cabinets=[second.pk, first.pk]) == "planned"
    assert state_after(cabinets=[first.pk, second.pk]) == "released"
    assert state_after(planned_on=day_of(world, 2)) == "planned"


# --- between the release and the work -----------------------------------------------------------------


def test_what_the_release_asked_is_asked_again_when_somebody_begins(world: World) -> None:
    cabinet, elsewhere = world.cabinet(), world.store()
    surveyed(world, cabinet)
    allowed(world)
    visit = read(world, release(world, planned(world, "install", [cabinet])))

    def refuses(code: str) -> None:
        with refused(code, "visit"):
            visits.begin_visit(world.office, visit_id=visit.pk)

    with refused("visit_state", "visit"):  # nothing was lost, so there is nothing to release again
        release(world, visit, "As told")
    given = {"location_id": world.location.pk}
    locations.correct_location(world.office, **given, particulars={"authority_on": None})
    refuses("visit_not_ready")
    allowed(world)
    surveyed(world, cabinet, "unsuitable")
    read(world, visit)
    refuses("visit_not_ready")
    release(world, visit, "They mended the floor")
    with refused("visit_state", "visit"):
        release(world, visit, "They mended the floor, really")
    # The reason covers what was missing then: neither what is lost since, nor a cabinet that has gone.
    locations.correct_location(world.office, **given, particulars={"authority_on": None})
    refuses("visit_not_ready")
    with refused("value_invalid", "override_reason"):
        release(world, visit, "They mended the floor")
    release(world, visit, "Their manager told us on the telephone")
    surveyed(world, cabinet, "unsuitable")
    refuses("visit_not_ready")
    surveyed(world, cabinet, "with_conditions")
    read(world, visit)
    world.clock.at += timedelta(hours=1)
    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, location_id=elsewhere.pk, valid_from=world.clock.at
    )
    refuses("cabinet_not_available")
    # Whoever was there before it went, and tells it late, was there.
    before = world.clock.at - timedelta(minutes=5)
    assert visits.begin_visit(world.office, visit_id=visit.pk, begun_at=before).state == "begun"


def test_nobody_begins_where_the_store_has_closed(world: World) -> None:
    visit = released(world, cabinets=[])
    given = {"location_id": world.location.pk, "valid_from": world.clock.at}
    locations.close_location(world.office, **given, reason="Let to somebody else")
    with refused("location_closed", "location"):
        visits.begin_visit(world.office, visit_id=visit.pk)


def test_a_reason_for_the_survey_does_not_bring_the_visit_before_the_customers_day(world: World) -> None:
    allowed(world, day_of(world, 3))
    visit = release(world, planned(world, "install"), "Its neighbour was surveyed")
    moved = visits.correct_visit(
        world.office, visit_id=visit.pk, particulars={"planned_on": day_of(world, 2)}
    )
    assert (moved.state, moved.override_reason) == ("planned", "")


@pytest.mark.parametrize("kind", ["remove", "inspect"])
def test_ones_own_device_comes_out_without_authority_to_install(world: World, kind: str) -> None:
    visit = read(world, release(world, planned(world, kind)))
    assert visits.begin_visit(world.office, visit_id=visit.pk).state == "begun"


def test_work_of_yesterday_is_recorded_today_with_a_reason(world: World) -> None:
    yesterday = world.clock.at - DAY
    why = "Somebody rang while the office was closed"
    visit = released(world, cabinets=[], planned_on=day_of(world, -1), reason=why)
    planning = Entry.objects.get(verb="visit.planned")
    assert (planning.reason, planning.occurred_at >= yesterday + DAY) == (why, True)
    # What else is told of it is told of its day, too: the day that stays is not asked again.
    told = {"note": "Ring first", "planned_on": visit.planned_on}
    assert visits.correct_visit(world.office, visit_id=visit.pk, particulars=told).state == "released"
    with refused("reason_missing", "reason"):
        visits.correct_visit(world.office, visit_id=visit.pk, particulars={"planned_on": day_of(world, -2)})
    visits.begin_visit(world.office, visit_id=visit.pk, begun_at=yesterday)
    visits.finish_visit(world.office, visit_id=visit.pk, finished_at=yesterday + timedelta(hours=1))
    assert [
        entry.occurred_at for entry in Entry.objects.filter(verb__in=["visit.begun", "visit.finished"])
    ] == [
        yesterday,
        yesterday + timedelta(hours=1),
    ]


# --- the plan ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "field", "plan"),
    [
        ("reason_missing", "reason", lambda world: {"planned_on": day_of(world, -2)}),
        ("value_invalid", "planned_on", lambda world: {"planned_on": day_of(world, -400), "reason": "Late"}),
        ("value_invalid", "kind", lambda world: {"kind": "picnic"}),
        ("value_invalid", "cabinets", lambda world: {"kind": "install", "cabinets": []}),
        ("cabinet_not_available", "cabinets", lambda world: {"cabinets": [world.cabinet(world.store()).pk]}),
        ("value_invalid", "installer", lambda world: {"installer_id": world.stranger.staff_id}),
        ("value_invalid", "installer", lambda world: {"installer_id": world.auditor.staff_id}),
        ("not_found", "installer", lambda world: {"installer_id": new_key()}),
    ],
)
def test_a_plan_that_cannot_be_is_refused(world: World, code: str, field: str, plan: Any) -> None:
    given = {"location_id": world.location.pk, "kind": "survey", "planned_on": day_of(world), **plan(world)}
    with refused(code, field):
        visits.plan_visit(world.office, **given)
    fine = {**given, "kind": "survey", "planned_on": day_of(world), "cabinets": [], "installer_id": None}
    assert visits.plan_visit(world.office, **fine).state == "planned"


def test_a_plan_has_no_other_facts_and_a_cabinet_stands_in_it_once(world: World) -> None:
    cabinet = world.cabinet()
    visit = planned(world)
    with refused("value_invalid", "state"):
        visits.correct_visit(world.office, visit_id=visit.pk, particulars={"state": "done"})
    with refused("code_repeated", "cabinets"):
        visits.correct_visit(
            world.office, visit_id=visit.pk, particulars={"cabinets": [cabinet.pk, cabinet.pk]}
        )
    with refused("nothing_changes"):
        visits.correct_visit(world.office, visit_id=visit.pk, particulars={"note": ""})


def test_a_cabinet_that_is_taken_off_and_put_on_again_has_its_cautions_read_again(world: World) -> None:
    first, second = world.cabinet(), world.cabinet()
    visit = read(world, released(world, cabinets=[first]))
    for things in ([second.pk], [first.pk]):
        visits.correct_visit(world.office, visit_id=visit.pk, particulars={"cabinets": things})

    assert [(row.cabinet_id, row.withdrawn, row.acknowledged_at) for row in VisitCabinet.objects.all()] == [
        (first.pk, False, None),
        (second.pk, True, None),
    ]


# --- who sees it ---------------------------------------------------------------------------------------


def test_an_installer_works_on_their_own_visits_and_those_of_nobody_in_their_depots(world: World) -> None:
    other = person(world, "installer", world.tarnmouth)
    mine = released(world, cabinets=[], installer_id=world.installer.staff_id)
    theirs = released(world, cabinets=[], installer_id=other.staff_id)
    nobodys = released(world, cabinets=[])
    afar = released(world, cabinets=[], location_id=world.store(depot=world.fellgate).pk)

    scope = scope_of(Staff.objects.get(pk=world.installer.staff_id))
    seen = visits_in_sight(scope, world.installer.staff_id).values_list("pk", flat=True)
    assert set(seen) == {mine.pk, nobodys.pk}
    for hidden in (theirs, afar):
        with refused("not_found", "visit"):
            visits.begin_visit(world.installer, visit_id=hidden.pk)
    assert visits.begin_visit(world.installer, visit_id=mine.pk).installer_id == world.installer.staff_id
    assert visits.begin_visit(world.installer, visit_id=nobodys.pk).installer_id == world.installer.staff_id
    with refused("not_found", "visit"):  # it is somebody's now
        visits.finish_visit(other, visit_id=nobodys.pk)


# --- cautions ------------------------------------------------------------------------------------------


def test_nobody_begins_before_each_caution_was_acknowledged_by_name(world: World) -> None:
    cabinet = world.cabinet()
    visit = released(world, cabinets=[cabinet])
    codes = [caution.code for caution in cautions_of(cabinet)]
    given = {"visit_id": visit.pk, "cabinet_id": cabinet.pk}
    with refused("cautions_unread", "visit"):
        visits.begin_visit(world.installer, visit_id=visit.pk)
    for wrong in ([], codes[1:], [*codes, "dragons"]):
        with refused("cautions_unread", "codes"):
            visits.acknowledge_cautions(world.installer, **given, codes=wrong)

    visits.acknowledge_cautions(world.installer, **given, codes=codes)

    line = VisitCabinet.objects.get(visit=visit)
    assert line.acknowledged_by_id == world.installer.staff_id
    assert line.acknowledged_at == Entry.objects.latest("index").recorded_at
    assert line.caution_codes.split() == codes
    assert visits.begin_visit(world.installer, visit_id=visit.pk).state == "begun"
    assert "licensed practice" in DEFER


def test_cautions_that_changed_since_have_to_be_read_again(world: World) -> None:
    cabinet = world.cabinet()
    visit = read(world, released(world, cabinets=[cabinet]))
    surveyed(world, cabinet, drilling="forbidden", needs_ladder=False)
    assert not work_of(visit)[0].acknowledged
    with refused("cautions_unread", "visit"):
        visits.begin_visit(world.office, visit_id=visit.pk)
    read(world, visit)
    assert visits.begin_visit(world.office, visit_id=visit.pk).state == "begun"


def test_whoever_a_visit_is_given_to_reads_the_cautions_themselves(world: World) -> None:
    visit = read(world, released(world), world.installer)
    them = person(world, "installer", world.tarnmouth)
    visits.correct_visit(world.office, visit_id=visit.pk, particulars={"installer_id": them.staff_id})
    with refused("cautions_unread", "visit"):
        visits.begin_visit(them, visit_id=visit.pk)
    read(world, visit, them)
    assert visits.begin_visit(them, visit_id=visit.pk).state == "begun"


def test_a_colleague_has_not_read_the_cautions_for_whoever_begins(world: World) -> None:
    visit = read(world, released(world), world.installer)
    them = person(world, "installer", world.tarnmouth)
    with refused("cautions_unread", "visit"):
        visits.begin_visit(them, visit_id=visit.pk)
    with refused("cautions_unread", "visit"):  # nobody's, so the office would be the one at work
        visits.begin_visit(world.office, visit_id=visit.pk)
    assert visits.begin_visit(world.installer, visit_id=visit.pk).installer_id == world.installer.staff_id


def test_the_office_begins_for_an_installer_who_has_read_the_cautions_themselves(world: World) -> None:
    visit = read(world, released(world, installer_id=world.installer.staff_id))
    with refused("cautions_unread", "visit"):
        visits.begin_visit(world.office, visit_id=visit.pk)
    read(world, visit, world.installer)
    assert visits.begin_visit(world.office, visit_id=visit.pk).state == "begun"


# --- its states ----------------------------------------------------------------------------------------


def test_a_visit_takes_no_step_out_of_turn(world: World) -> None:
    visit = planned(world, cabinets=[])
    steps = {
        "begin": lambda: visits.begin_visit(world.office, visit_id=visit.pk),
        "finish": lambda: visits.finish_visit(world.office, visit_id=visit.pk),
        "release": lambda: release(world, visit),
        "cancel": lambda: visits.cancel_visit(world.office, visit_id=visit.pk, reason="Too wet"),
        "correct": lambda: visits.correct_visit(
            world.office, visit_id=visit.pk, particulars={"note": world.code("Ring")}
        ),
    }

    def refuses(*names: str) -> None:
        for name in names:
            with refused("visit_state", "visit"):
                steps[name]()

    refuses("begin", "finish")
    steps["release"]()
    refuses("finish", "release")
    steps["begin"]()
    refuses("release", "begin", "correct")
    steps["finish"]()
    refuses(*steps)


def test_a_visit_is_cancelled_with_a_reason_and_begun_at_no_time_to_come(world: World) -> None:
    visit = begun(world)
    with refused("reason_missing", "reason"):
        visits.cancel_visit(world.installer, visit_id=visit.pk, reason=" ")
    assert visits.cancel_visit(world.installer, visit_id=visit.pk, reason="Too wet").outcome == "Too wet"
    other = released(world, cabinets=[])
    with refused("time_in_future", "begun_at"):
        visits.begin_visit(world.office, visit_id=other.pk, begun_at=world.clock.at + DAY)


# --- surveys -------------------------------------------------------------------------------------------


def test_a_survey_is_of_a_cabinet_in_a_store_and_of_a_visit_that_goes_there(world: World) -> None:
    cabinet, stored = world.cabinet(), world.cabinet(world.tarnmouth)
    visit = planned(world, cabinets=[])
    elsewhere = planned(world, cabinets=[], location_id=world.store().pk)
    given = {"particulars": {"outcome": "suitable"}}
    with refused("cabinet_not_available", "cabinet"):
        surveys.record_survey(world.installer, cabinet_id=stored.pk, **given)
    with refused("cabinet_not_available", "visit"):
        surveys.record_survey(world.installer, cabinet_id=cabinet.pk, visit_id=elsewhere.pk, **given)
    with refused("reason_missing", "note"):
        surveys.record_survey(
            world.installer, cabinet_id=cabinet.pk, particulars={"outcome": "with_conditions"}
        )
    survey = surveys.record_survey(world.installer, cabinet_id=cabinet.pk, visit_id=visit.pk, **given)
    assert (survey.visit_id, survey.surveyed_by_id) == (visit.pk, world.installer.staff_id)


def test_a_survey_ends_with_each_cabinet_surveyed_or_left_out_for_a_reason(world: World) -> None:
    first, second, other = world.cabinet(), world.cabinet(), world.cabinet()
    visit = begun(world, cabinets=[first, second])

    def finish(*left_out: tuple[Any, str]) -> Visit:
        given = [{"cabinet_id": cabinet.pk, "reason": why} for cabinet, why in left_out]
        return visits.finish_visit(
            world.office, visit_id=visit.pk, outcome="Seen in the rain", left_out=given
        )

    with refused("reason_missing", "left_out") as caught:
        finish()
    assert caught.value.details == {"cabinets": [first.label, second.label]}
    surveyed(world, first)  # not on this visit
    surveyed(world, second, visit_id=visit.pk)
    for code, left_out in (
        ("reason_missing", [(first, "  ")]),
        ("code_repeated", [(first, "Locked"), (first, "Locked")]),
        ("value_invalid", [(first, "Locked"), (second, "Locked, too")]),
    ):
        with refused(code, "left_out"):
            finish(*left_out)
    with refused("not_found", "cabinet"):
        finish((first, "Locked"), (other, "Locked, too"))

    done = finish((first, "Behind a locked shutter"))

    assert done.outcome == f"Seen in the rain\n{first.label} was not surveyed: Behind a locked shutter"
    visit = begun(world, "inspect", cabinets=[first])
    with refused("value_invalid", "left_out"):
        visits.finish_visit(
            world.office, visit_id=visit.pk, left_out=[{"cabinet_id": first.pk, "reason": "Locked"}]
        )


# --- the kit -------------------------------------------------------------------------------------------


def quantities(visit: Visit) -> dict[str, tuple[int, bool]]:
    return {entry.part.code: (entry.line.quantity, entry.line.assumed) for entry in kit_of([visit])}


def test_what_nobody_knows_is_taken_along_and_marked(world: World) -> None:
    kit.adopt_kit(world.office)
    cabinet = world.cabinet()  # 1200 mm wide, of which nobody knows the liner
    visit = planned(world, "install", [cabinet])
    before = quantities(visit)
    assert before["RAIL-M"] == (1, False)
    assert "RAIL-S" not in before
    assert before["MAGNET"][1]
    assert before["ADHESIVE"][1]

    surveyed(world, cabinet, liner="steel")

    after = quantities(visit)
    assert not after["MAGNET"][1]
    assert "ADHESIVE" not in after


def test_the_usual_kit_is_adopted_once_and_a_rule_or_part_that_is_withdrawn_counts_no_more(
    world: World,
) -> None:
    rule = visiting.rule(world)
    visit = planned(world)
    assert quantities(visit) == {rule.part.code: (1, False)}
    kit.withdraw_kit_rule(world.office, rule_id=rule.pk)
    assert quantities(visit) == {}
    with refused("nothing_changes"):
        kit.withdraw_kit_rule(world.office, rule_id=rule.pk)
    other = visiting.rule(world)
    kit.correct_kit_part(world.office, part_id=other.part_id, particulars={"discontinued": True})
    assert quantities(visit) == {}
    kit.adopt_kit(world.office)
    with refused("code_taken", "code"):
        kit.adopt_kit(world.office)


def test_a_rule_whose_widths_hold_nothing_is_refused(world: World) -> None:
    of = visiting.part(world).pk
    with refused("value_invalid", "width_below_mm"):
        visiting.rule(world, of, width_from_mm=900, width_below_mm=900)
    assert visiting.rule(world, of, width_from_mm=899, width_below_mm=900).width_from_mm == 899
