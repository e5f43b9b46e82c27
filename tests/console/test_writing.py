"""The one way in which the console writes: form, look, record; once, and only on what was seen."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, staff
from registry.console._writing import ROWS_MORE
from registry.models import Account, Entry, RequestAnswer
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of, typed, unseen
from tests.factories.world import World, person

NEW_NAME = {"name": "Lantern Fuel North", "reason": "the sign says so"}


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


@pytest.fixture
def address(world: World) -> str:
    return at("account_correct", world.account.pk)


# --- the three steps -------------------------------------------------------------------------------


def test_the_form_begins_with_what_the_register_says(office: Client, address: str) -> None:
    form = office.get(address)

    assert typed(form)["name"] == "Lantern Fuel"
    assert re.fullmatch(r"console:[0-9a-f-]{36}", unseen(form)["once_key"])
    assert unseen(form)["seen_index"] == str(Entry.objects.latest("index").index)


def test_checking_shows_what_would_change_and_changes_nothing(office: Client, address: str) -> None:
    with nothing_changed():
        page = post(office, address, "check", **NEW_NAME)

    assert lines(page) == [("name of account LF Lantern Fuel North", "Lantern Fuel", "Lantern Fuel North")]
    assert "Reason: the sign says so" in text_of(page)


def test_what_was_checked_can_be_recorded_as_the_page_carries_it(office: Client, address: str) -> None:
    page = post(office, address, "check", **NEW_NAME)
    carried = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', page.content.decode()))

    answer = office.post(address, {**carried, "step": "record"})

    assert answer.status_code == 303
    assert Entry.objects.latest("index").verb == "account.corrected"


def test_recording_writes_one_entry_and_leads_to_the_page_of_the_thing(
    office: Client, address: str, world: World
) -> None:
    newest = Entry.objects.latest("index").index

    answer = post(office, address, "record", **NEW_NAME)

    assert (answer.status_code, answer.headers["Location"]) == (303, at("account", world.account.pk))
    assert Account.objects.get(pk=world.account.pk).name == "Lantern Fuel North"
    [entry] = Entry.objects.filter(index__gt=newest)
    assert (entry.verb, entry.face, entry.reason) == ("account.corrected", "console", "the sign says so")
    assert entry.staff_id == world.office.staff_id
    assert f"Recorded as entry {entry.index}." in text_of(office.get(answer.headers["Location"]))


def test_going_back_to_the_form_keeps_what_was_typed_and_blames_nothing(office: Client, address: str) -> None:
    form = office.get(address)
    with nothing_changed():
        page = office.post(address, {**typed(form, name="", code="LF-9"), "step": "edit"})

    assert page.status_code == 200
    assert (typed(page)["code"], page.context["problems"]) == ("LF-9", [])
    assert unseen(page) == unseen(form)


# --- refusals --------------------------------------------------------------------------------------


def test_what_is_missing_is_told_beside_its_field_and_at_the_top(office: Client, address: str) -> None:
    with nothing_changed():
        page = post(office, address, "check", name="  ", code="")

    assert problems(page) == {
        "id_code": "Code: This is missing. Fill it in.",
        "id_name": "Name: This is missing. Fill it in.",
    }
    text = page.content.decode()
    assert 'id="refusal" role="alert" tabindex="-1" autofocus' in text
    assert '<a href="#id_code">' in text
    assert text.count('aria-invalid="true"') == 2
    assert 'id="id_code_error"' in text
    assert re.search(r'name="code"[^>]*aria-describedby="[^"]*id_code_error"', text)


@pytest.mark.parametrize("step", ["check", "record"])
def test_a_rule_that_refuses_is_told_beside_its_field_and_everything_typed_stays(
    office: Client, world: World, address: str, step: str
) -> None:
    accounts.register_account(
        world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
    )
    with nothing_changed():
        page = post(office, address, step, code="PP", **NEW_NAME)

    assert problems(page) == {
        "id_code": "Code: Another account has the code PP. Choose another, or look that one up."
    }
    assert page.context["code"] == "code_taken"
    assert (typed(page)["code"], typed(page)["name"]) == ("PP", "Lantern Fuel North")


def test_a_refusal_without_a_field_here_stands_at_the_top(office: Client, address: str) -> None:
    with nothing_changed():
        page = post(office, address, "check")

    assert problems(page) == {"": "The register already says so."}


def test_a_choice_that_was_not_offered_is_refused(office: Client, address: str, world: World) -> None:
    with nothing_changed():
        page = post(office, address, "record", billing_start="never", parent=str(world.location.pk))

    assert set(problems(page)) == {"id_billing_start", "id_parent"}


def test_text_that_is_no_text_is_refused(office: Client, address: str) -> None:
    with nothing_changed():
        page = post(office, address, "record", name="Lan\x07tern", reason="a\x00b")

    assert set(problems(page)) == {"id_reason"}  # the form's own word; the rule speaks next
    with nothing_changed():
        page = post(office, address, "record", name="Lan\x07tern")
    assert set(problems(page)) == {"id_name"}


# --- once ------------------------------------------------------------------------------------------


def test_pressing_record_twice_answers_as_the_first_did_and_doubles_nothing(
    office: Client, address: str
) -> None:
    form = office.get(address)
    first = office.post(address, {**typed(form, **NEW_NAME), "step": "record"})
    with nothing_changed():
        second = office.post(address, {**typed(form, **NEW_NAME), "step": "record"})

    assert (second.status_code, second.headers["Location"]) == (303, first.headers["Location"])


def test_the_same_form_with_other_values_is_refused_after_it_was_recorded(
    office: Client, address: str
) -> None:
    form = office.get(address)
    office.post(address, {**typed(form, **NEW_NAME), "step": "record"})
    with nothing_changed():
        page = office.post(address, {**typed(form, name="Lantern Gas"), "step": "record"})

    assert page.status_code == 422
    assert "This form was recorded before, with other values." in text_of(page)
    assert page.context["code"] == "key_reused"


def test_two_forms_are_two_wishes(office: Client, address: str) -> None:
    first = post(office, address, "record", **NEW_NAME)
    second = post(office, address, "record", name="Lantern Gas")

    assert (first.status_code, second.status_code) == (303, 303)
    assert RequestAnswer.objects.count() == 2


def test_a_made_up_once_key_is_replaced(office: Client, address: str) -> None:
    form = office.get(address)
    page = office.post(address, {**typed(form, name=""), "once_key": "x" * 400, "step": "check"})

    assert re.fullmatch(r"console:[0-9a-f-]{36}", unseen(page)["once_key"])


def test_somebody_elses_once_key_gives_nobody_elses_answer(
    office: Client, address: str, world: World
) -> None:
    form = office.get(address)
    data = {**typed(form, **NEW_NAME), "step": "record"}
    office.post(address, data)

    page = signed_in(person(world, "office", everywhere=True)).post(address, data)

    assert page.status_code == 422
    assert page.context["code"] == "changed_meanwhile"


# --- what was seen ---------------------------------------------------------------------------------


def test_what_somebody_changed_meanwhile_is_not_written_over(
    office: Client, address: str, world: World
) -> None:
    form = office.get(address)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})
    for step in ("check", "record"):
        with nothing_changed():
            page = office.post(address, {**typed(form, **NEW_NAME), "step": step})
        assert problems(page) == {
            "": "Somebody changed this meanwhile. Look at what it says now, then decide again."
        }
        assert typed(page)["name"] == "Lantern Fuel North"

    again = office.post(address, {**typed(page), "step": "check"})

    assert lines(again)[0][1:] == ("Lantern Gas", "Lantern Fuel North")


def test_what_changed_elsewhere_does_not_matter(office: Client, address: str, world: World) -> None:
    form = office.get(address)
    world.store(
        accounts.register_account(
            world.office, particulars={"code": "PP", "name": "Pier & Pantry"}, valid_from=world.start
        )
    )

    assert office.post(address, {**typed(form, **NEW_NAME), "step": "record"}).status_code == 303


@pytest.mark.parametrize("index", ["", "-1", "12x", "9" * 40])
def test_a_made_up_index_counts_as_nothing_seen(office: Client, address: str, index: str) -> None:
    form = office.get(address)
    with nothing_changed():
        page = office.post(address, {**typed(form, **NEW_NAME), "seen_index": index, "step": "record"})

    assert page.context["code"] == "changed_meanwhile"


# --- who ---------------------------------------------------------------------------------------------


def test_an_auditor_sees_no_button_and_is_refused_with_a_page(world: World, address: str) -> None:
    auditor, form = signed_in(world.auditor), signed_in(world.office).get(address)
    shown = auditor.get(at("account", world.account.pk))
    assert shown.context["buttons"] == []
    assert address not in shown.content.decode()

    for answer in (
        auditor.get(address),
        *(auditor.post(address, {**typed(form, **NEW_NAME), "step": step}) for step in ("check", "record")),
    ):
        assert answer.status_code == 403
        assert "As auditor you cannot do this. Ask somebody who is office or administrator." in text_of(
            answer
        )


def test_who_is_not_signed_in_is_led_to_the_way_in_and_writes_nothing(world: World, address: str) -> None:
    form = signed_in(world.office).get(address)
    with nothing_changed():
        answer = Client().post(address, {**typed(form, **NEW_NAME), "step": "record"})

    assert answer.status_code == 302
    assert answer.headers["Location"].startswith(at("login"))


def test_who_left_meanwhile_writes_nothing(world: World, office: Client, address: str) -> None:
    form = office.get(address)
    staff.deactivate_staff(world.administrator, staff_id=world.office.staff_id)
    with nothing_changed():
        answer = office.post(address, {**typed(form, **NEW_NAME), "step": "record"})

    assert answer.status_code == 302


def test_a_form_from_elsewhere_is_refused(world: World, address: str) -> None:
    office = Client(enforce_csrf_checks=True)
    office.cookies = signed_in(world.office).cookies
    form = office.get(address)
    with nothing_changed():
        answer = office.post(address, {**typed(form, **NEW_NAME), "step": "record"})

    assert answer.status_code == 403


@pytest.mark.parametrize("method", ["put", "patch", "delete"])
def test_other_methods_are_not_known(office: Client, address: str, method: str) -> None:
    answer = getattr(office, method)(address)

    assert (answer.status_code, answer.headers["Allow"]) == (405, "GET, HEAD, POST")


def test_a_page_that_only_shows_takes_nothing(office: Client, world: World) -> None:
    answer = office.post(at("account", world.account.pk))

    assert (answer.status_code, answer.headers["Allow"]) == (405, "GET, HEAD")


# --- times -----------------------------------------------------------------------------------------


def close(office: Client, world: World, when: str) -> Any:
    from registry.actions import locations

    locations.close_location(
        world.office, location_id=world.location.pk, valid_from=world.start + timedelta(days=1)
    )
    with nothing_changed():
        return post(office, at("account_close", world.account.pk), "check", valid_from=when)


@pytest.mark.parametrize(
    ("typed_time", "told"),
    [
        ("2026-03-01 09:30", "2026-03-01 09:30 UTC"),
        ("2026-03-01T09:30", "2026-03-01 09:30 UTC"),
        (" 2026-03-01 09:30 UTC ", "2026-03-01 09:30 UTC"),
        ("2026-03-01 09:30 -05:00", "2026-03-01 14:30 UTC"),
        ("2026-03-01 09:30:07", "2026-03-01 09:30:07 UTC"),
    ],
)
def test_a_time_is_read_in_the_zone_of_the_page_or_with_its_own(
    office: Client, world: World, typed_time: str, told: str
) -> None:
    page = close(office, world, typed_time)

    assert lines(page)[0][2].endswith(f"to {told}")


@pytest.mark.parametrize(
    "typed_time", ["yesterday", "2026-02-30 08:00", "2026-03-01", "2026-03-01 08:00 XYZ", "2026-03-01 8:00"]
)
def test_what_is_no_time_is_refused_and_stays(office: Client, world: World, typed_time: str) -> None:
    page = close(office, world, typed_time)

    assert set(problems(page)) == {"id_valid_from"}
    assert typed(page)["valid_from"] == typed_time


def test_a_time_to_come_is_refused_by_the_rule(office: Client, world: World) -> None:
    page = close(office, world, "2027-01-01 00:00")

    assert page.context["code"] == "time_in_future"
    assert set(problems(page)) == {"id_valid_from"}


# --- rows ------------------------------------------------------------------------------------------


def test_more_rows_are_added_without_a_script_and_blame_nothing(office: Client) -> None:
    address = at("account_register")
    form = office.get(address)
    with nothing_changed():
        page = office.post(address, {**typed(form, name="Kelp"), "more": "cabinets"})

    assert page.status_code == 200
    assert len(page.context["form"].rows.forms) == 3 + ROWS_MORE
    assert (typed(page)["name"], page.context["problems"]) == ("Kelp", [])
