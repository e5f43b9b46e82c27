"""What every writing page of freezers, devices, histories, catalogue and people has in common."""

from typing import Any

import pytest

from registry.models import Entry
from tests.actions.unchanged import nothing_changed
from tests.console.fleet import AT_ONCE, NEW, NOUNS, OPEN, PAGES, Writing
from tests.console.pages import signed_in, text_of, typed
from tests.factories.world import World, person


def pages_but(left_out: set[tuple[str, str]]) -> Any:
    """Run a test for every page but those."""
    return pytest.mark.parametrize(("noun", "name"), [page for page in PAGES if page not in left_out])


every_page = pages_but(set())


def page_of(world: World, noun: str, name: str) -> Writing:
    return NOUNS[noun](world)[name]


def writer(world: World, noun: str) -> Any:
    """A browser of somebody who may write there."""
    return signed_in(world.administrator if noun == "staff" else world.office)


def test_the_list_of_pages_is_complete(world: World) -> None:
    told = {(noun, name) for noun, pages in NOUNS.items() for name in pages(world)}

    assert told == set(PAGES)
    assert len(PAGES) == len(told)


@pages_but(AT_ONCE)
def test_checking_shows_what_would_change_and_changes_nothing(world: World, noun: str, name: str) -> None:
    writing, browser = page_of(world, noun, name), writer(world, noun)
    form = browser.get(writing.address)
    assert form.status_code == 200, form.status_code

    with nothing_changed():
        page = browser.post(writing.address, {**typed(form, **writing.typed), "step": "check"})

    assert page.status_code == 200, page.context["problems"]
    assert page.context["lines"]


@every_page
def test_recording_makes_one_entry_and_pressing_twice_no_other(world: World, noun: str, name: str) -> None:
    writing, browser = page_of(world, noun, name), writer(world, noun)
    form = browser.get(writing.address)
    newest = Entry.objects.latest("index").index
    values = {**typed(form, **writing.typed), "step": "record"}

    first = browser.post(writing.address, values)

    assert first.status_code in (200, 303), first.context and first.context["problems"]
    [entry] = Entry.objects.filter(index__gt=newest)
    assert (entry.verb, entry.face) == (writing.verb, "console")
    with nothing_changed():
        second = browser.post(writing.address, values)
    assert second.status_code == 303
    assert browser.get(second.headers["Location"]).status_code == 200


@every_page
def test_an_auditor_has_no_such_page_and_changes_nothing_by_sending_the_form(
    world: World, noun: str, name: str
) -> None:
    writing = page_of(world, noun, name)
    form = writer(world, noun).get(writing.address)
    auditor = signed_in(world.auditor)

    with nothing_changed():
        assert auditor.get(writing.address).status_code == 403
        for step in ("check", "record"):
            answer = auditor.post(writing.address, {**typed(form, **writing.typed), "step": step})
            assert answer.status_code == 403
            assert "As auditor you cannot do this." in text_of(answer)


@every_page
def test_an_installer_is_not_let_in(world: World, noun: str, name: str) -> None:
    writing = page_of(world, noun, name)

    answer = signed_in(world.installer).get(writing.address)

    assert answer.status_code == 302
    assert "/login/" in answer.headers["Location"]


@pages_but(OPEN)
def test_what_is_of_another_depot_is_as_if_it_were_not_there(world: World, noun: str, name: str) -> None:
    writing = page_of(world, noun, name)
    form = writer(world, noun).get(writing.address)
    stranger = signed_in(person(world, "office", world.fellgate))

    with nothing_changed():
        shown = stranger.get(writing.address)
        sent = stranger.post(writing.address, {**typed(form, **writing.typed), "step": "record"})

    assert (shown.status_code, sent.status_code) == (404, 404)
    assert text_of(shown) == text_of(sent)


@pages_but(NEW)
def test_what_changed_meanwhile_is_shown_again_before_anything_is_written(
    world: World, noun: str, name: str
) -> None:
    writing, browser = page_of(world, noun, name), writer(world, noun)
    form = browser.get(writing.address)
    assert writing.meanwhile
    writing.meanwhile()

    with nothing_changed():
        page = browser.post(writing.address, {**typed(form, **writing.typed), "step": "record"})

    assert page.status_code == 422
    assert "Somebody changed this meanwhile." in text_of(page)


@pytest.mark.parametrize(("noun", "name"), sorted(AT_ONCE))
def test_a_form_with_a_password_is_recorded_at_once_and_never_shows_it_again(
    world: World, noun: str, name: str
) -> None:
    writing, browser = page_of(world, noun, name), writer(world, noun)
    form = browser.get(writing.address)
    assert 'value="check"' not in form.content.decode()

    refused = browser.post(
        writing.address, {**typed(form, **{**writing.typed, "password": "frost"}), "step": "record"}
    )

    assert refused.status_code == 422
    assert 'value="frost"' not in refused.content.decode()
