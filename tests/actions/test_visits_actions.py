"""Visits: when they may go ahead, who sees them, whose cautions were read, and what goes on the van."""

from datetime import timedelta
from typing import Any

import pytest

from registry.actions import cabinets, kit, surveys, visits
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


# --- the plan ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "field", "plan"),
    [
        ("value_invalid", "planned_on", lambda world: {"planned_on": day_of(world, -2)}),
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
    with refused("time_in_future", "occurred_at"):
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
