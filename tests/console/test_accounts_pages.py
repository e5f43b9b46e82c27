"""Accounts in the console: their page, and registering, correcting, closing and opening them again."""

from typing import Any

import pytest
from django.test import Client

from registry.actions import accounts, assignments, locations
from registry.models import Account, AccountState, Entry
from tests.actions.unchanged import nothing_changed
from tests.console.pages import at, lines, post, problems, signed_in, text_of, typed
from tests.factories.world import DAY, World, person


@pytest.fixture
def office(world: World) -> Client:
    return signed_in(world.office)


def another(world: World, code: str, parent: Account | None = None) -> Account:
    return accounts.register_account(
        world.office,
        particulars={"code": code, "name": f"No {code}"},
        parent_id=parent.pk if parent else None,
        valid_from=world.start,
    )


# --- the page ----------------------------------------------------------------------------------------


def test_the_page_tells_particulars_what_stands_above_and_below_and_locations(
    office: Client, world: World
) -> None:
    chain, banner = another(world, "0130"), another(world, "LF-N", world.account)
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"parent_id": chain.pk})

    page = office.get(at("account", world.account.pk))
    text = text_of(page)

    assert "Code LF Name Lantern Fuel State open Stands under 0130 No 0130" in text
    assert "LF-N No LF-N open" in text
    assert "0042 Harbour Road 0042 Tarnmouth open TM Tarnmouth" in text
    for address in (
        at("account", chain.pk),
        at("account", banner.pk),
        at("location", world.location.pk),
    ):
        assert f'href="{address}"' in page.content.decode()


def test_the_page_lists_the_locations_of_ones_own_depots_alone(world: World) -> None:
    hidden = world.store(depot=world.fellgate)

    page = signed_in(person(world, "auditor", world.tarnmouth)).get(at("account", world.account.pk))

    assert [row.location.pk for row in page.context["locations"]] == [world.location.pk]
    assert hidden.name not in text_of(page)


def test_the_page_shows_what_was_held_then(office: Client, world: World) -> None:
    other = another(world, "PP")
    locations.hand_location(
        world.office,
        location_id=world.location.pk,
        account_id=other.pk,
        store_number="7",
        valid_from=world.start + 9 * DAY,
    )
    address = at("account", world.account.pk)

    assert office.get(address).context["locations"] == []
    then = office.get(address, {"as_of": f"{world.start + 8 * DAY:%Y-%m-%d %H:%M}"})
    assert [row.store_number for row in then.context["locations"]] == ["0042"]


def test_the_page_tells_which_cabinets_stood_there_and_what_hung_in_them_then(
    office: Client, world: World
) -> None:
    assignment, end = world.assigned(world.device(), world.cabinet()), world.start + 9 * DAY
    serial, tag = assignment.device.serial, assignment.cabinet.asset_tag
    before = Entry.objects.latest("index").index
    assignments.end_assignment(
        world.office,
        assignment_id=assignment.period,
        valid_to=end,
        end_reason="fault",
        depot_id=world.tarnmouth.pk,
    )
    address = at("account", world.account.pk)

    assert f"{tag} : nothing" in text_of(office.get(address))
    assert f"{tag} : {serial}" in text_of(office.get(address, {"known_at": before}))
    then = office.get(address, {"as_of": f"{end - DAY:%Y-%m-%d %H:%M}"})
    assert f"{tag} : {serial}" in text_of(then)
    assert "TM Tarnmouth none" in text_of(office.get(address, {"as_of": f"{world.start:%Y-%m-%d %H:%M}"}))
    for kind, words in (("cabinets", "All its cabinets"), ("devices", "All devices in them")):
        [listed] = [link for link, text in then.context["lists"] if text == words]
        assert listed.startswith(at(f"fleet_{kind}"))
        assert [row.label for row in office.get(listed).context["rows"]] == [
            {"cabinets": tag, "devices": serial}[kind]
        ]


def test_the_page_tells_the_history_of_its_state(office: Client, world: World) -> None:
    locations.close_location(world.office, location_id=world.location.pk, valid_from=world.start + DAY)
    accounts.close_account(world.office, account_id=world.account.pk, valid_from=world.start + 2 * DAY)

    page = office.get(at("account", world.account.pk))

    assert [(row.words, row.valid_to) for row in page.context["states"]] == [
        ("closed", None),
        ("open", world.start + 2 * DAY),
    ]


def test_buttons_are_for_what_may_be_done_as_things_stand(office: Client, world: World) -> None:
    def buttons() -> list[str]:
        page = office.get(at("account", world.account.pk))
        return [button.words for button in page.context["buttons"]]

    assert buttons() == ["Register a location", "Take over a location", "Correct", "Close"]

    locations.close_location(world.office, location_id=world.location.pk, valid_from=world.start + DAY)
    accounts.close_account(world.office, account_id=world.account.pk, valid_from=world.start + 2 * DAY)

    assert buttons() == ["Open again", "Correct"]


@pytest.mark.parametrize("rows", [3, 30])
def test_the_page_takes_as_many_queries_for_many_rows_as_for_few(
    office: Client, world: World, django_assert_num_queries: Any, rows: int
) -> None:
    for number in range(rows):
        another(world, f"B{number}", world.account)
        world.assigned(world.device(), world.cabinet(world.store()))

    # the session; the person; the head; the account; its state; the accounts below it; their states; whom
    # those stand under; how many locations; a page of them; their depots; states; holdings; holders;
    # the cabinets there; models; stays; stores; depots; splits; what hangs in them; devices; the history
    with django_assert_num_queries(22):
        assert office.get(at("account", world.account.pk)).status_code == 200


def test_many_locations_are_shown_by_the_page(office: Client, world: World, monkeypatch: Any) -> None:
    from registry.console import accounts as pages

    monkeypatch.setattr(pages, "ROWS_SHOWN_MAX", 2)
    for _ in range(2):
        world.store()
    address = at("account", world.account.pk)

    first, second = office.get(address), office.get(address, {"page": "2"})

    assert [len(page.context["locations"]) for page in (first, second)] == [2, 1]
    assert "page=2" in first.content.decode()
    assert office.get(address, {"page": "x"}).status_code == 200


# --- registering an account alone ----------------------------------------------------------------------


NEW = {"code": "PP", "name": "Pier & Pantry", "valid_from": "2026-02-10 08:00"}


def test_an_account_is_registered_alone(office: Client, world: World) -> None:
    address = at("account_register_alone")
    with nothing_changed():
        checked = post(office, address, "check", parent=str(world.account.pk), **NEW)
    assert lines(checked) == [
        (
            "account PP Pier & Pantry",
            "not in the register",
            "code PP, name Pier & Pantry, parent LF Lantern Fuel, billing start acceptance",
        ),
        ("state of account PP Pier & Pantry", "nothing", "open, from 2026-02-10 08:00 UTC on"),
    ]

    answer = post(office, address, "record", parent=str(world.account.pk), **NEW)

    account = Account.objects.get(code="PP")
    assert (answer.status_code, answer.headers["Location"]) == (303, at("account", account.pk))
    assert account.parent_id == world.account.pk


@pytest.mark.parametrize(
    ("given", "field", "code"),
    [
        ({"code": "LF"}, "id_code", "code_taken"),
        ({"code": "P P"}, "id_code", "text_invalid"),
        ({"name": "x" * 201}, "id_name", "text_invalid"),
        ({"valid_from": "2027-01-01 08:00"}, "id_valid_from", "time_in_future"),
        ({"valid_from": ""}, "id_valid_from", ""),
    ],
)
def test_an_account_that_cannot_be_is_refused_beside_its_field(
    office: Client, given: dict[str, str], field: str, code: str
) -> None:
    with nothing_changed():
        page = post(office, at("account_register_alone"), "record", **{**NEW, **given})

    assert set(problems(page)) == {field}
    assert page.context["code"] == code


# --- correcting, closing, opening again ------------------------------------------------------------------


def test_an_account_is_put_under_another_and_back_to_the_top(office: Client, world: World) -> None:
    chain = another(world, "0130")
    address = at("account_correct", world.account.pk)

    assert post(office, address, "record", parent=str(chain.pk)).status_code == 303
    assert Account.objects.get(pk=world.account.pk).parent_id == chain.pk
    assert typed(office.get(address))["parent"] == str(chain.pk)

    assert post(office, address, "record", parent="").status_code == 303
    assert Account.objects.get(pk=world.account.pk).parent_id is None


def test_an_account_cannot_stand_above_itself(office: Client, world: World) -> None:
    below = another(world, "LF-N", world.account)
    with nothing_changed():
        page = post(office, at("account_correct", world.account.pk), "record", parent=str(below.pk))
    assert page.context["code"] == "parent_cycle"
    assert set(problems(page)) == {"id_parent"}

    with nothing_changed():  # itself is not even offered
        page = post(office, at("account_correct", world.account.pk), "record", parent=str(world.account.pk))
    assert set(problems(page)) == {"id_parent"}


def test_an_account_is_closed_and_opened_again(office: Client, world: World) -> None:
    close, reopen = at("account_close", world.account.pk), at("account_reopen", world.account.pk)
    with nothing_changed():
        refused = post(office, close, "record", valid_from="2026-02-20 08:00")
    assert refused.context["code"] == "account_occupied"
    assert set(problems(refused)) == {""}

    locations.close_location(world.office, location_id=world.location.pk, valid_from=world.start + DAY)
    checked = post(office, close, "check", valid_from="2026-02-20 08:00", reason="bankrupt")
    assert [line[1:] for line in lines(checked)] == [
        ("open, from 2026-01-31 08:00 UTC on", "open, from 2026-01-31 08:00 UTC to 2026-02-20 08:00 UTC"),
        ("nothing", "closed, from 2026-02-20 08:00 UTC on"),
    ]
    assert post(office, close, "record", valid_from="2026-02-20 08:00").status_code == 303
    assert post(office, reopen, "record", valid_from="2026-02-25 08:00").status_code == 303

    states = AccountState.objects.current().filter(account=world.account).order_by("valid_from")
    assert [state.state for state in states] == ["open", "closed", "open"]
    assert Entry.objects.latest("index").verb == "account.reopened"


def test_a_form_begins_with_the_time_that_it_is_there(office: Client, world: World) -> None:
    form = office.get(at("account_close", world.account.pk))

    assert typed(form)["valid_from"] == "2026-03-02 08:00"
    assert "Local time of UTC, as 2026-03-02 08:00" in text_of(form)
