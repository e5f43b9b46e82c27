"""The one way in which the console writes: form, look, record; once, and only on what was seen."""

import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from registry.actions import accounts
from registry.models import Account, Entry, Staff
from tests.actions.unchanged import nothing_changed
from tests.factories.world import World


def signed_in(actor: Any) -> Client:
    client = Client()
    client.force_login(Staff.objects.get(pk=actor.staff_id))
    return client


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


@pytest.fixture
def address(world: World) -> str:
    return reverse("admin:account_correct", args=[world.account.pk])


def hidden(page: Any) -> dict[str, str]:
    """What a form carries unseen."""
    text = page.content.decode()
    return {
        name: re.search(rf'name="{name}" value="([^"]*)"', text)[1]  # type: ignore[index]
        for name in ("once_key", "seen_index")
    }


def typed(page: Any, **values: str) -> dict[str, str]:
    return {
        "code": "LF",
        "name": "Lantern Fuel North",
        "billing_start": "acceptance",
        "parent": "",
        "reason": "the sign says so",
        **values,
        **hidden(page),
    }


def test_checking_shows_what_would_change_and_changes_nothing(office: Client, address: str) -> None:
    form = office.get(address)
    with nothing_changed():
        page = office.post(address, {**typed(form), "step": "check"})

    assert page.status_code == 200
    assert [(line.what, line.was, line.will) for line in page.context["lines"]] == [
        ("name of account LF Lantern Fuel North", "Lantern Fuel", "Lantern Fuel North")
    ]


def test_recording_writes_one_entry_and_leads_to_the_page_of_the_thing(
    office: Client, address: str, world: World
) -> None:
    form = office.get(address)
    newest = Entry.objects.latest("index").index

    answer = office.post(address, {**typed(form), "step": "record"})

    assert (answer.status_code, answer.headers["Location"]) == (
        303,
        reverse("admin:account", args=[world.account.pk]),
    )
    assert Account.objects.get(pk=world.account.pk).name == "Lantern Fuel North"
    [entry] = Entry.objects.filter(index__gt=newest)
    assert (entry.verb, entry.face, entry.reason) == ("account.corrected", "console", "the sign says so")
    page = office.get(answer.headers["Location"])
    assert f"Recorded as entry {entry.index}." in page.content.decode()


def test_pressing_record_twice_answers_as_the_first_did_and_doubles_nothing(
    office: Client, address: str
) -> None:
    form = office.get(address)
    first = office.post(address, {**typed(form), "step": "record"})
    with nothing_changed():
        second = office.post(address, {**typed(form), "step": "record"})

    assert (second.status_code, second.headers["Location"]) == (303, first.headers["Location"])


def test_what_somebody_changed_meanwhile_is_not_written_over(
    office: Client, address: str, world: World
) -> None:
    form = office.get(address)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})
    for step in ("check", "record"):
        with nothing_changed():
            page = office.post(address, {**typed(form), "step": step})
        assert page.status_code == 422
        assert "Somebody changed this meanwhile." in page.content.decode()
        assert 'value="Lantern Fuel North"' in page.content.decode()

    again = office.post(address, {**typed(page), "step": "record"})

    assert again.status_code == 303
