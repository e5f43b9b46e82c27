"""Visits, surveys and the kit over the API."""

import re
from uuid import uuid4

import pytest
from django.urls import URLPattern

from registry.api import kit, surveys, visits
from registry.api.urls import urlpatterns
from registry.models import Cabinet, Entry
from tests.actions.unchanged import nothing_changed, undone
from tests.api.client import Api, Person, ok, told
from tests.api.visit_operations import OPERATIONS
from tests.factories import visiting
from tests.factories.world import World, person

MODULES = {module.__name__ for module in (kit, surveys, visits)}
UUID_IN = re.compile("[0-9a-f-]{36}")


@pytest.fixture
def office(api: Api, world: World) -> Person:
    return api.as_(world.office)


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


def test_every_change_of_these_nouns_stands_in_the_table(world: World) -> None:
    stated = set()
    for make in OPERATIONS.values():
        with undone():
            operation = make(world)
        stated.add((operation.method, UUID_IN.sub("<uuid:key>", operation.path)))
    served = {
        (method.upper(), str(pattern.pattern))
        for pattern in urlpatterns
        if isinstance(pattern, URLPattern)
        and (view := getattr(pattern.callback, "cls", None)) is not None
        and view.__module__ in MODULES
        for method in ("post", "patch", "put", "delete")
        if hasattr(view, method)
    }
    assert stated == served


@pytest.mark.parametrize("name", OPERATIONS)
def test_a_change_is_one_entry_once_and_read_as_it_was_answered(api: Api, world: World, name: str) -> None:
    administrator = api.as_(world.administrator)
    operation = OPERATIONS[name](world)
    tag = administrator.seen(operation.thing) if operation.thing else None
    if operation.thing:
        with nothing_changed():
            told(operation.send(administrator, None), 428, "condition_missing")
            told(operation.send(administrator, '"0"'), 412, "changed_meanwhile")
    before = Entry.objects.count()

    once = {"key": '"one wish"'} if operation.method == "POST" else {}
    replies = [operation.send(administrator, tag, **once) for _ in range(2 if once else 1)]

    assert Entry.objects.count() == before + 1
    assert Entry.objects.latest("index").verb == operation.verb
    assert {reply.text for reply in replies} == {replies[0].text}
    if name != "adopt":
        address = operation.thing or f"{operation.path}{replies[0]['id']}/"
        assert ok(administrator.get(address)).text == replies[0].text
        assert replies[0].tag == administrator.seen(address) != tag


def test_a_visit_tells_its_own_facts_and_what_was_overridden(office: Person, world: World) -> None:
    cabinet, key = world.cabinet(), str(uuid4())
    plan = {
        "id": key,
        "location": world.location.pk,
        "kind": "install",
        "planned_on": visiting.day_of(world),
        "cabinets": [cabinet.pk],
    }
    visit = ok(office.post("visits/", plan), 201)
    assert visit.body == {
        "id": key,
        "location": str(world.location.pk),
        "kind": "install",
        "planned_on": str(visiting.day_of(world)),
        "installer": None,
        "state": "planned",
        "note": "",
        "override_reason": "",
        "outcome": "",
        "cabinets": [
            {
                "cabinet": str(cabinet.pk),
                "position": 1,
                "caution_codes": [],
                "acknowledged_by": None,
                "acknowledged_at": None,
            }
        ],
    }
    told(office.post("visits/", plan), 409, "code_taken", "#/id")
    address = f"visits/{key}/"
    told(office.post(f"{address}release/", {}, tag=visit.tag), 422, "visit_not_ready", "#/override_reason")
    given = {"override_reason": "The store asked for it"}
    released = ok(office.post(f"{address}release/", given, tag=visit.tag))
    assert (released["state"], released["override_reason"]) == ("released", "The store asked for it")


def test_what_is_known_of_a_cabinet_changes_no_tag_of_its_visits(office: Person, world: World) -> None:
    cabinet = world.cabinet()
    visit = visiting.released(world, cabinets=[cabinet])
    tag = office.seen(f"visits/{visit.pk}/")
    visiting.surveyed(world, cabinet, needs_ladder=True)
    assert office.seen(f"visits/{visit.pk}/") == tag
    visiting.read(world, visit)
    assert office.seen(f"visits/{visit.pk}/") != tag


def test_an_installer_is_shown_their_visits_and_nobodys_and_no_others(
    api: Api, installer: Person, office: Person, world: World
) -> None:
    other = person(world, "installer", world.tarnmouth)
    mine, theirs, nobodys = (
        visiting.planned(world, cabinets=[], installer_id=key)
        for key in (world.installer.staff_id, other.staff_id, None)
    )
    assert {row["id"] for row in installer.rows("visits/")} == {str(mine.pk), str(nobodys.pk)}
    assert len(office.rows("visits/")) == 3
    found = office.rows("visits/", installer=other.staff_id, kind="survey", planned_on=visiting.day_of(world))
    assert [row["id"] for row in found] == [str(theirs.pk)]
    hidden, absent = (installer.get(f"visits/{key}/") for key in (theirs.pk, uuid4()))
    assert (hidden.status, hidden.text) == (absent.status, absent.text) == (404, hidden.text)
    for key in (theirs.pk, uuid4()):
        told(installer.post(f"visits/{key}/begin/", {}, tag="*"), 404, "not_found")


def test_cautions_name_their_source_and_what_comes_before_them(installer: Person, world: World) -> None:
    cabinet = world.cabinet()
    shown = ok(installer.get(f"cabinets/{cabinet.pk}/cautions/"))
    codes = [caution["code"] for caution in shown["cautions"]]
    assert codes[0] == "lock_out"  # what can kill comes first
    assert all(caution["source"] and caution["words"] for caution in shown["cautions"])
    assert next(one for one in shown["cautions"] if one["code"] == "no_drilling")["assumed"] is True
    assert shown["defers_to"].startswith("Local codes")


def test_surveys_are_of_the_depots_of_who_asks(installer: Person, world: World) -> None:
    here = visiting.surveyed(world, world.cabinet())
    there = visiting.surveyed(world, world.cabinet(world.store(depot=world.fellgate)))
    assert [row["id"] for row in installer.rows("surveys/")] == [str(here.pk)]
    told(installer.get(f"surveys/{there.pk}/"), 404, "not_found")


def test_a_van_takes_along_what_the_visits_of_its_day_need_together(
    installer: Person, office: Person, world: World
) -> None:
    rule = visiting.rule(world, for_each=2, basis="cabinet")
    liner = visiting.rule(world, condition="steel_liner", name="Magnets")
    day = visiting.day_of(world)
    mine = [visiting.planned(world, installer_id=world.installer.staff_id) for _ in range(2)]
    visiting.planned(world)  # nobody's
    tags = sorted(Cabinet.objects.filter(pk__in=mine[0].cabinets.values("cabinet")).values_list("asset_tag"))

    one = ok(installer.get(f"visits/{mine[0].pk}/kit/"))["lines"]
    van = ok(installer.get("kit/", day=day))
    assert {line["code"]: (line["quantity"], line["assumed"]) for line in one} == {
        rule.part.code: (1, False),
        liner.part.code: (1, True),
    }
    assert next(line for line in one if line["assumed"])["assumed_for"] == [tag for (tag,) in tags]
    assert {line["code"]: line["quantity"] for line in van["lines"]} == {
        rule.part.code: 1,
        liner.part.code: 2,
    }
    assert set(van["visits"]) == {str(visit.pk) for visit in mine}
    assert ok(office.get("kit/", day=day, installer=world.installer.staff_id)).text == van.text
    told(office.get("kit/", day="Monday"), 422, "value_invalid")
