"""What every page of the console has: the way in, the frame, the moment, and the pages that refuse."""

import re
from datetime import UTC
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from django.urls.converters import UUIDConverter

from registry.actions import accounts, locations, register, staff
from registry.actions._action import SYSTEM, Actor
from registry.console.addresses import PAGES
from registry.console.site import console
from registry.models import Account, Staff
from registry.queries.moments import head_index
from registry.rules.events import Face
from tests.console.pages import at, signed_in, text_of
from tests.factories.world import DAY, HOUR, PASSWORD, World, person


@pytest.fixture
def auditor(world: World) -> Client:
    return signed_in(world.auditor)


@pytest.fixture
def store(world: World) -> str:
    return at("location", world.location.pk)


# --- the way in --------------------------------------------------------------------------------------


def test_everybody_is_led_to_the_way_in_first_and_back_afterwards(world: World, store: str) -> None:
    client = Client()
    led = client.get(store)
    assert (led.status_code, led.headers["Location"]) == (302, f"{at('login')}?next={store}")

    answer = client.post(
        led.headers["Location"], {"username": "auditor", "password": PASSWORD, "next": store}
    )

    assert (answer.status_code, answer.headers["Location"]) == (302, store)


@pytest.mark.parametrize(("username", "password"), [("auditor", "wrong"), ("nobody", PASSWORD)])
def test_a_wrong_name_or_password_is_refused_in_the_same_words(
    world: World, username: str, password: str
) -> None:
    page = Client().post(at("login"), {"username": username, "password": password})

    assert page.status_code == 200
    assert "This name and password do not belong together, or the person has left." in text_of(page)


def test_an_installer_is_told_to_work_with_the_phone(world: World) -> None:
    page = Client().post(at("login"), {"username": "installer", "password": PASSWORD})

    assert "Installers work with their phones." in text_of(page)


def test_who_left_is_not_let_in(world: World) -> None:
    staff.deactivate_staff(world.administrator, staff_id=world.auditor.staff_id)

    page = Client().post(at("login"), {"username": "auditor", "password": PASSWORD})

    assert page.status_code == 200
    assert "do not belong together, or the person has left" in text_of(page)


def test_signing_out_ends_it(auditor: Client, store: str) -> None:
    auditor.post(at("logout"))

    assert auditor.get(store).status_code == 302


def test_five_wrong_passwords_lock_a_name_out_even_with_the_right_one(world: World, settings: Any) -> None:
    settings.AXES_ENABLED = True

    def attempt(username: str, password: str) -> Any:
        return Client().post(at("login"), {"username": username, "password": password})

    before = [attempt("auditor", "wrong").status_code for _ in range(4)]
    fifth, right = attempt("auditor", "wrong"), attempt("auditor", PASSWORD)

    assert before == [200, 200, 200, 200]
    assert (fifth.status_code, right.status_code) == (429, 429)  # RFC 6585, section 4
    assert "Too many wrong passwords This name was tried 5 times from here" in text_of(right)
    assert attempt("office", PASSWORD).status_code == 302


# --- the frame ---------------------------------------------------------------------------------------


def test_every_page_has_a_way_past_its_head_a_title_and_one_heading(auditor: Client, store: str) -> None:
    for address in (at("index"), store, at("registry_location_changelist"), at("entry", 1)):
        page = auditor.get(address)
        text = page.content.decode()

        assert '<a href="#content-start" class="skip-to-content-link">' in text
        assert re.search(r"<title>\s*[^|<]+ \| Rimebook\s*</title>", text), address
        assert len(re.findall(r"<h1\b", text)) == 1, address


def test_nothing_is_styled_or_scripted_within_a_page(auditor: Client, world: World, store: str) -> None:
    office = signed_in(world.office)
    pages = [
        *(auditor.get(address) for address in (at("index"), store, at("entry", 1))),
        *(
            auditor.get(at(f"registry_{name}_changelist"))
            for name in ("location", "account", "entry", "device")
        ),
        auditor.get(at("location", uuid4())),
        Client().get(at("login")),
        Client().get("/nowhere/"),
        office.get(at("account_register")),
        office.get(at("location_close", world.location.pk)),
        office.post(at("account_close", world.account.pk), {"valid_from": "2026", "step": "check"}),
    ]

    for page in pages:
        text = page.content.decode()
        assert "<style" not in text
        assert not re.search(r'\s(style|on[a-z]+)="', text)
        assert not re.search(r"<script(?![^>]*\bsrc=)", text)
        policy = page.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy


def test_all_pages_are_behind_the_way_in() -> None:
    names_of_pages = {page.name for page in PAGES}
    own = [url for url in console.get_urls() if getattr(url, "name", None) in names_of_pages]
    assert len(own) == len(PAGES) > 10
    key, client = uuid4(), Client()
    for url in own:
        kinds = url.pattern.converters.items()
        given = {name: key if isinstance(kind, UUIDConverter) else 1 for name, kind in kinds}
        answer = client.get(reverse(f"admin:{url.name}", kwargs=given))
        assert answer.status_code == 302, url.name
        assert answer.headers["Location"].startswith(at("login"))


def test_nothing_that_was_shown_is_kept_by_the_browser(auditor: Client, store: str) -> None:
    assert "no-store" in auditor.get(store).headers["Cache-Control"]


def test_the_places_to_go_to_are_those_that_the_person_sees(world: World, auditor: Client) -> None:
    narrow = signed_in(person(world, "auditor", world.tarnmouth))

    def places(client: Client) -> list[str]:
        return [place.words for place in client.get(at("index")).context["places"]]

    assert "Ledger" in places(auditor)
    assert "Ledger" not in places(narrow)
    assert "Locations" in places(narrow)


# --- what is not there -------------------------------------------------------------------------------


def test_what_is_hidden_and_what_is_not_there_are_answered_with_the_same_page(world: World) -> None:
    hidden = world.store(depot=world.fellgate)
    narrow = signed_in(person(world, "office", world.tarnmouth))
    names = (
        "location",
        "location_correct",
        "location_state",
        "location_close",
        "location_hand",
        "contact_add",
    )

    for name in names:
        answers = [narrow.get(at(name, key)) for key in (hidden.pk, uuid4())]
        texts = [text_of(answer).replace(str(hidden.pk), "") for answer in answers]
        assert [answer.status_code for answer in answers] == [404, 404], name
        assert texts[0] == texts[1]
        assert hidden.name not in texts[0]


def test_an_address_that_leads_nowhere_is_answered_in_our_words(auditor: Client) -> None:
    for address in ("/nowhere/", "/console/nowhere/", "/console/locations/12/"):
        page = auditor.get(address)
        assert page.status_code == 404
        assert "There is no such page" in text_of(page)


def test_what_is_not_ones_own_list_is_refused_in_our_words(world: World) -> None:
    page = signed_in(person(world, "auditor", world.tarnmouth)).get(at("registry_entry_changelist"))

    assert page.status_code == 403
    assert "This is not yours to see or do" in text_of(page)


def test_a_form_out_of_date_is_refused_in_our_words(world: World) -> None:
    office = Client(enforce_csrf_checks=True)
    office.cookies = signed_in(world.office).cookies

    page = office.post(at("account_close", world.account.pk), {"step": "record"})

    assert page.status_code == 403
    assert "The form is out of date" in text_of(page)


# --- the moment ------------------------------------------------------------------------------------


def test_a_page_says_that_it_shows_the_present_and_up_to_which_entry(auditor: Client, store: str) -> None:
    page = auditor.get(store)

    assert f"Now : as things stand now, right after entry {head_index()}." in text_of(page)
    assert "Times are those of America/New_York." in text_of(page)


def test_a_page_says_as_of_when_and_as_known_when(auditor: Client, store: str, world: World) -> None:
    index = head_index()
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})
    page = auditor.get(store, {"as_of": "2026-02-03 09:00", "known_at": str(index)})

    assert page.status_code == 200
    told = f"Then : as of 2026-02-03 09:00 EST, as known right after entry {index}."
    assert told in text_of(page)
    assert "Lantern Fuel" in text_of(page)
    assert "Lantern Gas" not in text_of(page)
    assert "Lantern Gas" in text_of(auditor.get(store, {"as_of": "2026-02-03 09:00"}))


def test_knowledge_can_be_asked_for_by_a_local_time(auditor: Client, store: str, world: World) -> None:
    index = head_index()
    world.clock.at += HOUR
    accounts.correct_account(world.office, account_id=world.account.pk, particulars={"name": "Lantern Gas"})

    page = auditor.get(store, {"known_at": "2026-03-02 03:30"})  # half an hour before, in New York

    assert f"as of now, as known right after entry {index}." in text_of(page)


def test_the_newest_entry_is_said_to_be_the_newest(auditor: Client, store: str) -> None:
    page = auditor.get(store, {"known_at": str(head_index())})

    assert f"as known right after entry {head_index()}, the newest." in text_of(page)


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"as_of": "yesterday"}, "as_of", "This is no time. Write it as 2026-03-02 08:00."),
        ({"as_of": "2026-02-30 08:00"}, "as_of", "There is no such day or hour."),
        ({"as_of": "2025-03-09 02:30"}, "as_of", "The clocks jumped over this time"),
        (
            {"as_of": "2025-11-02 01:30"},
            "as_of",
            "This time came twice, because the clocks were put back."
            " Write EDT behind it for the first, EST for the second.",
        ),
        ({"as_of": "0001-01-01 00:00 UTC"}, "as_of", "That year is beyond the calendar."),
        ({"as_of": "9999-12-31 23:00"}, "as_of", "That year is beyond the calendar."),
        ({"as_of": "2026-03-02 08:00 +99:00"}, "as_of", "No place is a day ahead."),
        ({"as_of": "2026-03-02 08:00 XYZ"}, "as_of", "XYZ is not said there then."),
        ({"known_at": "0x1"}, "known_at", "This is no time."),
        ({"known_at": "999999"}, "known_at", "The ledger has entries 1 to"),
        ({"known_at": "9" * 30}, "known_at", "The ledger has no entry of that number."),
    ],
)
def test_a_moment_that_cannot_be_is_told_beside_its_field_and_the_present_is_shown(
    auditor: Client, store: str, given: dict[str, str], field: str, words: str
) -> None:
    page = auditor.get(store, given)

    assert page.status_code == 422
    assert page.context["asked"].errors[field].startswith(words)
    assert f'id="{field}_error"' in page.content.decode()
    assert f'value="{given[field]}"' in page.content.decode()
    assert page.context["asked"].moment.index == head_index()


@pytest.mark.parametrize(
    ("typed_time", "told"),
    [
        ("2025-11-02 01:30 EDT", "05:30"),
        ("2025-11-02 01:30 est", "06:30"),
        ("2025-11-02 01:30-05:00", "06:30"),
        ("2025-11-02 07:00Z", "07:00"),
    ],
)
def test_a_time_that_came_twice_can_be_told_apart(
    auditor: Client, store: str, typed_time: str, told: str
) -> None:
    # Summer time ended in New York on 2025-11-02 at 06:00 UTC: the IANA Time Zone Database.
    page = auditor.get(store, {"as_of": typed_time})

    assert f"{page.context['asked'].moment.valid_at.astimezone(UTC):%H:%M}" == told


def test_what_was_not_yet_in_the_register_is_said_to_be_so(auditor: Client, store: str, world: World) -> None:
    for given in ({"as_of": f"{world.start - DAY:%Y-%m-%d %H:%M}"}, {"known_at": "1"}):
        page = auditor.get(store, given)

        assert page.status_code == 200
        assert "The register knew nothing of it then." in text_of(page)


# --- the front page ----------------------------------------------------------------------------------


def test_the_front_page_leads_to_what_people_come_for(world: World) -> None:
    office, auditor = signed_in(world.office), signed_in(world.auditor)
    world.cabinet()

    for client in (office, auditor):
        text = text_of(client.get(at("index")))
        assert "Find a store" in text
        assert "Find a device" in text
        assert "Newest entries" in text
        assert "was registered at Harbour Road 0042, Tarnmouth" in text
    assert at("account_register") in office.get(at("index")).content.decode()
    assert at("account_register") not in auditor.get(at("index")).content.decode()


def test_who_does_not_see_all_depots_reads_no_entries_there(world: World) -> None:
    page = signed_in(person(world, "office", world.fellgate)).get(at("index"))

    assert page.context["events"] == []
    assert "Harbour Road" not in text_of(page)


def test_an_empty_register_says_what_to_do_first(clock: Any) -> None:
    first = register.found_register(SYSTEM, username="admin", name="Ada Frost", password=PASSWORD)
    client = Client()
    client.force_login(Staff.objects.get(pk=first.pk))

    page = client.get(at("index"))
    assert [step.done for step in page.context["steps"]] == [False] * 5
    assert "What to do first" in text_of(page)
    for name, words in [
        ("account", "Register the first one"),
        ("location", "There is no location yet."),
        ("cabinet", "There is no cabinet yet."),
        ("device", "There is no device yet."),
    ]:
        assert words in text_of(client.get(at(f"registry_{name}_changelist")))

    locations.register_depot(Actor(first.pk, Face.COMMAND), particulars={"code": "TM", "name": "Tarnmouth"})
    assert [step.done for step in client.get(at("index")).context["steps"]] == [True] + [False] * 4


# --- lists -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "word", "found"),
    [
        ("location", "0042", 1),  # a store number
        ("location", "tarnmouth", 2),
        ("location", "kelp", 0),
        ("account", "lantern", 1),
        ("account", "lf", 1),
        ("entry", "Harbour Road 0042", 1),
    ],
)
def test_lists_are_searched(world: World, auditor: Client, name: str, word: str, found: int) -> None:
    world.store()

    page = auditor.get(at(f"registry_{name}_changelist"), {"q": word})

    assert page.context["cl"].result_count == found
    if not found:
        assert "Nothing fits." in text_of(page)


def test_the_list_of_locations_tells_holder_number_and_state(auditor: Client, world: World) -> None:
    text = text_of(auditor.get(at("registry_location_changelist")))

    assert "Harbour Road 0042 Tarnmouth LF 0042 open TM Tarnmouth" in text


@pytest.mark.parametrize("rows", [3, 30])
@pytest.mark.parametrize(
    ("name", "queries"),
    [
        # the session; the person; how many; a page of them; the words to filter by
        ("account", 5),
        # the session; the person; the head, as of which they are told; the depots to filter by; how many;
        # a page of them, with holder, number and state
        ("location", 6),
        # the session; the person; how many; a page of them; the head; what they tell; their subjects;
        # names of people; the faces to filter by
        ("entry", 9),
        # the session; the person; whether there is a depot, a cabinet model, a product, a device model, an
        # account; the newest; the head; what they tell; their subjects; names of people; how
        # checkpoints left
        ("front", 13),
    ],
)
def test_lists_take_as_many_queries_for_many_rows_as_for_few(
    world: World,
    auditor: Client,
    django_assert_num_queries: Any,
    settings: Any,
    name: str,
    queries: int,
    rows: int,
) -> None:
    settings.CHECKPOINT_FOLDER = "the office safe"
    for number in range(rows):
        account = accounts.register_account(
            world.office, particulars={"code": f"N{number}", "name": f"No {number}"}, valid_from=world.start
        )
        world.store(account)
    assert Account.objects.count() > rows
    address = at("index") if name == "front" else at(f"registry_{name}_changelist")

    with django_assert_num_queries(queries):
        assert auditor.get(address).status_code == 200
