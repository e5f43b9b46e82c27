"""The console's lists: they show, and never write."""

import pytest
from django.test import Client
from django.urls import NoReverseMatch, reverse

from registry.actions import staff
from registry.console.site import console
from registry.models import Staff
from tests.factories.world import PASSWORD, World, person

LISTS = [
    "account",
    "cabinet",
    "cabinetmodel",
    "depot",
    "device",
    "devicemodel",
    "entry",
    "location",
    "product",
]


@pytest.fixture
def browser(world: World) -> Client:
    """A browser in which the auditor has signed in with a password."""
    client = Client()
    assert client.login(username="auditor", password=PASSWORD)
    return client


def test_every_table_of_the_console_is_listed_here() -> None:
    assert sorted(model._meta.model_name or "" for model in console._registry) == LISTS


@pytest.mark.parametrize("name", LISTS)
def test_a_list_and_a_row_are_shown(browser: Client, world: World, name: str) -> None:
    world.assigned(world.device(), world.cabinet())

    page = browser.get(reverse(f"admin:registry_{name}_changelist"))
    row = browser.get(page.context["cl"].url_for_result(page.context["cl"].result_list[0]))

    assert (page.status_code, row.status_code) == (200, 200)


@pytest.mark.parametrize("name", LISTS)
def test_nothing_is_added_or_deleted_there(browser: Client, world: World, name: str) -> None:
    assert browser.post(reverse(f"admin:registry_{name}_add")).status_code == 403

    some = browser.get(reverse(f"admin:registry_{name}_changelist")).context["cl"].result_list
    for address in ("change", "delete"):
        for thing in some[:1]:
            answer = browser.post(reverse(f"admin:registry_{name}_{address}", args=[thing.pk]))
            assert answer.status_code == 403


def test_installers_and_those_who_left_are_not_let_in(world: World) -> None:
    installer, leaver = Client(), Client()
    assert installer.login(username="installer", password=PASSWORD)
    assert leaver.login(username="office", password=PASSWORD)
    staff.deactivate_staff(world.administrator, staff_id=world.office.staff_id)

    for client in (installer, leaver):
        assert client.get(reverse("admin:index")).status_code == 302


@pytest.mark.parametrize(("name", "seen"), [("location", 1), ("cabinet", 1), ("device", 1), ("account", 1)])
def test_lists_show_what_belongs_to_ones_own_depots(world: World, name: str, seen: int) -> None:
    world.assigned(world.device(), world.cabinet())
    world.assigned(world.device(depot=world.fellgate), world.cabinet(world.store(depot=world.fellgate)))
    narrow = person(world, "auditor", world.tarnmouth)
    client = Client()
    client.force_login(Staff.objects.get(pk=narrow.staff_id))

    page = client.get(reverse(f"admin:registry_{name}_changelist"))

    assert page.context["cl"].result_count == seen


def test_the_ledger_is_listed_to_those_only_who_see_all_depots(world: World, browser: Client) -> None:
    address = reverse("admin:registry_entry_changelist")
    assert browser.get(address).status_code == 200

    staff.change_depots(
        world.administrator, staff_id=world.auditor.staff_id, depots=[world.tarnmouth.pk], everywhere=False
    )

    assert browser.get(address).status_code == 403


def test_a_password_is_not_changed_past_the_actions(browser: Client) -> None:
    with pytest.raises(NoReverseMatch):
        reverse("admin:password_change")
    digest = Staff.objects.get(username="auditor").password

    assert browser.post("/console/password_change/").status_code == 404
    assert Staff.objects.get(username="auditor").password == digest


def test_the_front_page_leads_to_the_console(client: Client, db: None) -> None:
    assert client.get("/").headers["Location"] == "/console/"
