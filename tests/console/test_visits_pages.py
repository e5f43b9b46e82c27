"""Visits, surveys and the kit in the console."""

from datetime import date
from typing import Any

import pytest

from registry.actions import kit, locations, surveys, visits
from registry.models import CabinetSurvey, KitPart, KitRule, Visit
from registry.rules.errors import RuleBroken
from tests.console.pages import at, post, problems, signed_in, text_of
from tests.factories import visiting
from tests.factories.world import DAY, World


@pytest.fixture
def tomorrow(world: World) -> date:
    found: date = world.clock.at.date() + DAY
    return found


def planned(world: World, day: date, **changes: Any) -> Visit:
    """Plan an installation at a cabinet, of which nobody knows how it is made."""
    given = {
        "location_id": world.location.pk,
        "kind": "install",
        "planned_on": day,
        "installer_id": world.installer.staff_id,
        **changes,
    }
    if "cabinets" not in given:
        given["cabinets"] = [world.cabinet().pk]
    return visits.plan_visit(world.office, **given)


def test_a_visit_is_planned_from_its_location_and_listed_by_day(world: World, tomorrow: date) -> None:
    desk, first, second = signed_in(world.office), world.cabinet(), world.cabinet()
    assert at("visit_plan", world.location.pk) in desk.get(at("location", world.location.pk)).content.decode()
    page = at("visit_plan", world.location.pk)
    shown = desk.get(page).content.decode()
    # An installer of another depot cannot go there, and nobody who only looks.
    assert str(world.installer.staff_id) in shown
    assert str(world.stranger.staff_id) not in shown
    assert str(world.auditor.staff_id) not in shown

    told = {"kind": "install", "planned_on": str(tomorrow), "installer": str(world.installer.staff_id)}
    sent = post(desk, page, "record", **told, cabinets=[str(second.pk), str(first.pk)])

    visit = Visit.objects.get()
    assert sent.headers["Location"] == at("visit", visit.pk)
    assert [line.cabinet for line in visit.cabinets.order_by("position")] == [second, first]
    listed = text_of(desk.get(at("visits")))
    assert f"{tomorrow}" in listed
    told = f"install at {world.location.name} Installer {second.asset_tag} , {first.asset_tag} planned"
    assert told in listed
    other_day = text_of(desk.get(at("visits") + f"?day={tomorrow + DAY}"))
    assert "No visit on that day is still to be made." in other_day


def test_a_day_that_is_over_asks_why_it_is_recorded_late(world: World) -> None:
    page, cabinet = at("visit_plan", world.location.pk), world.cabinet()
    yesterday = str(world.clock.at.date() - DAY)
    answer = post(signed_in(world.office), page, "record", planned_on=yesterday, cabinets=[str(cabinet.pk)])
    assert "is over at the store" in problems(answer)["id_reason"]
    assert not Visit.objects.exists()
    told = {"kind": "inspect", "planned_on": yesterday, "cabinets": [str(cabinet.pk)]}
    sent = post(signed_in(world.office), page, "record", **told, reason="They rang on Sunday")
    assert sent.status_code == 303
    assert "They rang on Sunday" in text_of(signed_in(world.office).get(at("visit", Visit.objects.get().pk)))


def test_a_list_says_what_is_no_day(world: World) -> None:
    answer = signed_in(world.office).get(at("visits") + "?day=soon")
    assert answer.status_code == 422
    assert "Write a day as 2026-05-01." in text_of(answer)


def test_a_visit_tells_what_stands_against_it_then_its_cautions_then_the_kit(
    world: World, tomorrow: date
) -> None:
    kit.adopt_kit(world.office)
    visit = planned(world, tomorrow)
    shown = text_of(signed_in(world.auditor).get(at("visit", visit.pk)))

    against = shown.index("The customer has not allowed an installation")
    cautions = shown.index("Local codes, the maker's instructions and licensed practice come before")
    assert against < cautions < shown.index("What to take along")
    # A cove is 1200 mm wide: its rail is certain. Nobody knows how it is lined: magnets rest on that.
    tag = visit.cabinets.get().cabinet.asset_tag
    assert "RAIL-M Middle rail, for 900 to 1400 mm 1 piece Middle cabinets what is known" in shown
    assert (
        f"MAGNET Magnet mount 4 pieces Steel liners not known of {tag}: some of it may not be needed" in shown
    )
    assert "was planned: install of" in shown  # its story
    assert "Survey it" not in shown  # an auditor looks


def test_a_survey_clears_what_was_not_known(world: World, tomorrow: date) -> None:
    kit.adopt_kit(world.office)
    visit, desk = planned(world, tomorrow), signed_in(world.office)
    cabinet = visit.cabinets.get().cabinet
    form = at("cabinet_survey", cabinet.pk) + f"?visit={visit.pk}"
    assert form in desk.get(at("visit", visit.pk)).content.decode()

    sent = post(desk, form, "record", outcome="suitable", liner="steel", near_water="no")

    survey = CabinetSurvey.objects.get()
    assert sent.headers["Location"] == at("visit", visit.pk)
    assert (survey.visit, survey.liner, survey.near_water, survey.needs_ladder) == (
        visit,
        "steel",
        False,
        None,
    )
    shown = text_of(desk.get(at("visit", visit.pk)))
    assert "MAGNET Magnet mount 4 pieces Steel liners what is known" in shown
    assert "ADHESIVE" not in shown
    assert "no survey says" not in shown


def test_a_survey_that_doubts_says_why(world: World) -> None:
    page = at("cabinet_survey", world.cabinet().pk)
    answer = post(signed_in(world.office), page, "record", outcome="unsuitable")
    assert list(problems(answer)) == ["id_note"]
    assert not CabinetSurvey.objects.exists()


def test_a_visit_is_released_with_a_reason_where_something_is_missing(world: World, tomorrow: date) -> None:
    visit, desk = planned(world, tomorrow), signed_in(world.office)
    page = at("visit_release", visit.pk)
    assert list(problems(post(desk, page, "record"))) == ["id_override_reason"]

    assert post(desk, page, "record", override_reason="allowed by phone").status_code == 303

    visit.refresh_from_db()
    assert (visit.state, visit.override_reason) == ("released", "allowed by phone")
    shown = desk.get(at("visit", visit.pk))
    assert "Released all the same allowed by phone" in text_of(shown)
    assert page not in shown.content.decode()
    assert "Before it is released" not in text_of(shown)


def test_nothing_stands_against_a_visit_that_is_allowed_and_surveyed(world: World, tomorrow: date) -> None:
    given = {"authority_on": world.clock.at.date(), "authority_reference": "letter"}
    locations.correct_location(world.office, location_id=world.location.pk, particulars=given)
    visit = planned(world, tomorrow)
    cabinet = visit.cabinets.get().cabinet_id
    surveys.record_survey(world.office, cabinet_id=cabinet, particulars={"outcome": "suitable"})
    desk = signed_in(world.office)
    assert "Nothing stands against it." in text_of(desk.get(at("visit", visit.pk)))
    assert post(desk, at("visit_release", visit.pk), "record").status_code == 303


def test_a_plan_is_changed_and_what_was_not_touched_stays(world: World, tomorrow: date) -> None:
    visit, desk = planned(world, tomorrow), signed_in(world.office)
    chosen = [str(visit.cabinets.get().cabinet_id)]
    page = at("visit_correct", visit.pk)

    assert post(desk, page, "record", planned_on=str(tomorrow + DAY), cabinets=chosen).status_code == 303

    visit.refresh_from_db()
    assert (visit.planned_on, visit.installer_id) == (tomorrow + DAY, world.installer.staff_id)
    assert [str(line.cabinet_id) for line in visit.cabinets.all()] == chosen


def test_a_visit_is_cancelled_with_a_reason_and_leaves_the_list(world: World, tomorrow: date) -> None:
    visit, desk = planned(world, tomorrow), signed_in(world.office)
    page = at("visit_cancel", visit.pk)
    assert list(problems(post(desk, page, "record"))) == ["id_reason"]
    assert post(desk, page, "record", reason="the store is flooded").status_code == 303
    shown = text_of(desk.get(at("visit", visit.pk)))
    assert "What came of it the store is flooded" in shown
    assert "No visit is still to be made." in text_of(desk.get(at("visits")))
    assert "install at" in text_of(desk.get(at("visits") + "?show=all"))


def test_the_office_begins_and_finishes_for_an_installer_who_rang(world: World, tomorrow: date) -> None:
    first, second = world.cabinet(), world.cabinet()
    visit = planned(world, tomorrow, kind="survey", cabinets=[first.pk, second.pk])
    desk = signed_in(world.office)
    begin, finish = at("visit_begin", visit.pk), at("visit_finish", visit.pk)
    assert begin not in desk.get(at("visit", visit.pk)).content.decode()
    visits.release_visit(world.office, visit_id=visit.pk)
    assert begin in desk.get(at("visit", visit.pk)).content.decode()
    # Nobody reads cautions for somebody else.
    assert "acknowledged by whoever works there" in text_of(post(desk, begin, "record"))
    visiting.read(world, visit, world.installer)
    assert post(desk, begin, "record").status_code == 303

    assert finish in desk.get(at("visit", visit.pk)).content.decode()
    surveys.record_survey(
        world.installer, cabinet_id=first.pk, visit_id=visit.pk, particulars={"outcome": "suitable"}
    )
    refused = text_of(post(desk, finish, "record", outcome="It rained"))
    assert f"{second.label} was not surveyed on this visit" in refused
    why = {f"left_out_{second.pk}": "Behind a locked shutter"}
    assert post(desk, finish, "record", outcome="It rained", **why).status_code == 303
    assert f"It rained {second.label} was not surveyed: Behind a locked shutter" in text_of(
        desk.get(at("visit", visit.pk))
    )


def test_what_was_lost_since_the_release_is_told_and_released_again(world: World, tomorrow: date) -> None:
    visit, desk = planned(world, tomorrow, kind="swap"), signed_in(world.office)
    page = at("visit_release", visit.pk)
    assert post(desk, page, "record", override_reason="Its neighbour was surveyed").status_code == 303
    assert page not in desk.get(at("visit", visit.pk)).content.decode()
    visiting.surveyed(world, visit.cabinets.get().cabinet, "unsuitable")
    shown = desk.get(at("visit", visit.pk))
    assert "Before it begins Since it was released, no survey says that" in text_of(shown)
    assert "Release again" in text_of(shown)
    assert post(desk, page, "record", override_reason="They mended the floor").status_code == 303
    assert "Release again" not in text_of(desk.get(at("visit", visit.pk)))


def test_visits_to_come_stand_on_the_pages_of_their_location_and_cabinets(
    world: World, tomorrow: date
) -> None:
    visit, other = planned(world, tomorrow), world.cabinet()
    desk, link = signed_in(world.office), at("visit", visit.pk)
    its = at("cabinet", visit.cabinets.get().cabinet_id)
    for page in (at("location", world.location.pk), its):
        assert link in desk.get(page).content.decode()
    assert link not in desk.get(at("cabinet", other.pk)).content.decode()
    assert link not in desk.get(its + f"?as_of={world.start:%Y-%m-%d} 09:00").content.decode()
    visits.cancel_visit(world.office, visit_id=visit.pk, reason="Too wet")
    assert "Visits still to be made" not in text_of(desk.get(its))


def test_the_kit_of_nobodys_visits_is_summed_by_depot_and_day(world: World, tomorrow: date) -> None:
    kit.adopt_kit(world.office)
    afar = world.store(depot=world.fellgate)
    for _ in range(2):
        planned(world, tomorrow, installer_id=None)
    planned(world, tomorrow)  # somebody's
    there = {"location_id": afar.pk, "cabinets": [world.cabinet(afar).pk], "installer_id": None}
    planned(world, tomorrow, **there)
    shown = text_of(signed_in(world.administrator).get(at("kit")))
    near = shown.index(f"{tomorrow}, depot {world.tarnmouth.label}")
    far = shown.index(f"{tomorrow}, depot {world.fellgate.label}")
    first, last = sorted((near, far))
    two, one = (shown[first:last], shown[last:]) if near == first else (shown[last:], shown[first:last])
    assert "RAIL-M Middle rail, for 900 to 1400 mm 2 pieces" in two
    assert "RAIL-M Middle rail, for 900 to 1400 mm 1 piece" in one


def test_the_kit_of_a_van_is_summed_over_its_day_with_every_caution_before_it(
    world: World, tomorrow: date
) -> None:
    kit.adopt_kit(world.office)
    first, second = planned(world, tomorrow), planned(world, tomorrow)
    planned(world, tomorrow, installer_id=None)
    planned(world, tomorrow + DAY)
    page = at("visits_van") + f"?day={tomorrow}&installer={world.installer.staff_id}"
    assert f"day={tomorrow}&amp;installer={world.installer.staff_id}" in (
        signed_in(world.office).get(at("visits")).content.decode()
    )
    shown = text_of(signed_in(world.office).get(page))
    # Two cabinets: a tube of sealant is enough for both, and each takes a rail.
    assert "SEALANT Tube of vapour-tight sealant 1 piece" in shown
    assert "RAIL-M Middle rail, for 900 to 1400 mm 2 pieces" in shown
    for visit in (first, second):
        assert shown.index(visit.cabinets.get().cabinet.asset_tag) < shown.index("What to take along")
    nowhere = signed_in(world.office).get(at("visits_van") + "?installer=nobody")
    assert nowhere.status_code == 404


def test_the_usual_kit_is_adopted_once_and_then_edited(world: World) -> None:
    desk = signed_in(world.office)
    assert "Begin with the usual kit" in text_of(desk.get(at("kit")))
    assert post(desk, at("kit_adopt"), "record").status_code == 303
    assert at("kit_adopt") not in desk.get(at("kit")).content.decode()
    with pytest.raises(RuleBroken):
        kit.adopt_kit(world.office)

    rule = KitRule.objects.get(part__code="SEALANT")
    assert "A tube for two cabinets: 1 for each 2 cabinets, every cabinet, on visits to install" in text_of(
        desk.get(at("kit"))
    )
    assert post(desk, at("kit_rule_withdraw", rule.pk), "record", reason="too few").status_code == 303
    told = {"name": "A tube each", "quantity": "1", "condition": "outdoor", "width_from_mm": "900"}
    assert post(desk, at("kit_rule_set", rule.part_id), "record", **told).status_code == 303
    shown = text_of(desk.get(at("kit")))
    assert "A tube each: 1 for each cabinet, cabinets outdoors, from 900 mm, on every visit" in shown
    assert "A tube for two cabinets" not in shown

    assert post(desk, at("kit_part_correct", rule.part_id), "record", discontinued="yes").status_code == 303
    assert KitPart.objects.get(pk=rule.part_id).discontinued
    assert at("kit_rule_set", rule.part_id) not in desk.get(at("kit")).content.decode()
