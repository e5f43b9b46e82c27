"""The outbox: what was done without signal is sent in order, once, and a refusal loses nothing."""

import json
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, Route, expect

from tests.field.conftest import PHONE
from tests.field.phone import Phone, ask, kept, sign_in
from tests.field.yard import V1, Yard


@pytest.fixture
def page(context: BrowserContext, yard: Yard) -> Page:
    """Hester's phone, signed in; it does not send by itself, so that a test says when."""
    found = context.new_page()
    found.route("**/field/app.js", lambda route: route.fulfill(body="", content_type="text/javascript"))
    found.goto(f"{yard.register.url}/field/")
    ask(found, "await store.saveFact('person', await sending.whoIsThere());")
    return found


def enqueue(page: Page, wish: dict[str, Any]) -> str:
    key: str = ask(page, "return queue.enqueue(given[0]);", wish)
    return key


def send(page: Page) -> Any:
    """Send what waits; returns how sending stands."""
    return ask(page, "await queue.send(); return sending.standing();")


def row_of(page: Page, key: str) -> dict[str, Any]:
    rows = ask(page, "return queue.entries();")
    found: dict[str, Any] = next(row for row in rows if row["key"] == key)
    return found


def test_what_was_done_without_signal_is_sent_in_order_and_once(page: Page, yard: Yard) -> None:
    cabinet = yard.cabinet("TM-001")
    page.context.set_offline(True)
    enqueue(page, cabinet)
    enqueue(page, yard.split(cabinet))
    assert send(page)["line"] == "gone"
    assert kept(page) == [("register TM-001", "waiting"), ("split", "waiting")]
    assert all(row["canUndo"] for row in ask(page, "return queue.entries();"))

    page.context.set_offline(False)
    assert send(page) == {"line": "there", "needs": None, "pauses": 0, "pausedUntil": 0}
    send(page)

    assert kept(page) == [("register TM-001", "done"), ("split", "done")]
    told = yard.entries_about(cabinet)
    assert [(verb, face) for _, verb, face in told] == [
        ("cabinet.registered", "field"),
        ("split.set", "field"),
    ]


def test_each_sending_tells_key_predecessor_clock_and_face(page: Page, yard: Yard) -> None:
    cabinet, headers = yard.cabinet("TM-002"), []
    page.on("request", lambda request: request.method == "POST" and headers.append(request.headers))
    first = enqueue(page, cabinet)
    enqueue(page, yard.split(cabinet))

    send(page)

    assert headers[0]["idempotency-key"] == f'"{first}"'
    assert "predecessor-key" not in headers[0]
    assert headers[1]["predecessor-key"] == f'"{first}"'
    assert "if-match" not in headers[1]
    assert all(sent["client-clock"].endswith("Z") for sent in headers)
    assert {sent["rimebook-face"] for sent in headers} == {"field"}


def test_an_answer_that_was_lost_is_asked_for_again_and_nothing_happens_twice(page: Page, yard: Yard) -> None:
    cabinet = yard.cabinet("TM-003")

    def lose(route: Route) -> None:
        route.fetch()
        route.abort()

    page.route(f"**{V1}/cabinets/", lose)
    key = enqueue(page, cabinet)
    send(page)
    row = row_of(page, key)
    assert (row["state"], row["tries"], row["canUndo"]) == ("waiting", 1, False)
    assert yard.tags().count("TM-003") == 1

    page.unroute(f"**{V1}/cabinets/")
    send(page)

    assert row_of(page, key)["state"] == "done"
    assert len(yard.entries_about(cabinet)) == 1


def test_a_refusal_stops_what_builds_on_it_and_nothing_else_and_can_be_repaired(
    page: Page, yard: Yard
) -> None:
    enqueue(page, yard.cabinet("TM-004"))
    twice = yard.cabinet("TM-004")
    refused = enqueue(page, twice)
    held = enqueue(page, yard.split(twice, "split of the second"))
    enqueue(page, yard.cabinet("TM-005"))

    send(page)

    assert [state for _, state in kept(page)] == ["done", "refused", "waiting", "done"]
    problem = row_of(page, refused)["problem"]
    assert (problem["status"], problem["code"]) == (409, "code_taken")
    assert problem["detail"]
    assert row_of(page, held)["heldBy"] == refused

    fresh = ask(
        page,
        "return queue.repair(given[0], {body: given[1], words: 'register TM-006'});",
        refused,
        twice["body"] | {"asset_tag": "TM-006"},
    )
    send(page)

    assert fresh != refused
    assert [state for _, state in kept(page)] == ["done"] * 4
    assert row_of(page, fresh)["refusals"][0]["problem"]["code"] == "code_taken"
    assert [verb for _, verb, _ in yard.entries_about(twice)] == ["cabinet.registered", "split.set"]


def test_what_was_refused_can_be_given_up_with_what_builds_on_it(page: Page, yard: Yard) -> None:
    twice = yard.cabinet("TM-001", asset_tag="")
    refused = enqueue(page, twice)
    enqueue(page, yard.split(twice))
    send(page)

    with pytest.raises(Exception, match="builds on this"):
        ask(page, "return queue.withdraw(given[0]);", refused)
    with pytest.raises(Exception, match="Only what was refused"):
        ask(page, "return queue.withdraw((await queue.entries()).at(-1).key);")
    gone = ask(page, "return queue.withdraw(given[0], {withWhatBuildsOnIt: true});", refused)

    assert gone[0]["body"] == twice["body"]
    assert kept(page) == []


def test_what_is_not_on_its_way_can_be_undone_and_what_is_cannot(page: Page, yard: Yard) -> None:
    cabinet = yard.cabinet("TM-007")
    first = enqueue(page, cabinet)
    enqueue(page, yard.split(cabinet))

    with pytest.raises(Exception, match="builds on this"):
        ask(page, "return queue.undo(given[0]);", first)
    assert len(ask(page, "return queue.undo(given[0], {withWhatBuildsOnIt: true});", first)) == 2
    send(page)
    assert kept(page) == []
    assert "TM-007" not in yard.tags()

    page.route(f"**{V1}/cabinets/", lambda route: route.abort())
    second = enqueue(page, cabinet)
    send(page)
    with pytest.raises(Exception, match="on its way already"):
        ask(page, "return queue.undo(given[0]);", second)
    assert len(kept(page)) == 1


@pytest.mark.parametrize(
    ("status", "kind", "body"),
    [
        (503, "text/html", "<p>gateway</p>"),
        (200, "text/html", "<p>Pay for this line</p>"),  # somebody else's page in the register's stead
        (200, "application/json", "{}"),  # and one that does not know the ledger
        (403, "text/html", "<p>not from here</p>"),
        (409, "application/problem+json", '{"code": "register_busy"}'),
        (429, "application/problem+json", '{"code": "too_many"}'),
        (500, "application/problem+json", '{"code": "defect"}'),
    ],
)
def test_what_is_no_answer_of_the_register_is_neither_success_nor_refusal(
    page: Page, yard: Yard, status: int, kind: str, body: str
) -> None:
    page.route(f"**{V1}/cabinets/", lambda route: route.fulfill(status=status, content_type=kind, body=body))
    key = enqueue(page, yard.cabinet(f"TM-2{status}"))

    told = send(page)

    row = row_of(page, key)
    assert (row["state"], row["tries"]) == ("waiting", 1)
    assert told["pausedUntil"] > 0 or row["notBefore"] > 0


def test_the_pauses_grow_and_end_when_the_line_is_back(page: Page, yard: Yard) -> None:
    page.context.set_offline(True)
    enqueue(page, yard.cabinet("TM-008"))
    told = [ask(page, "const before = Date.now(); await queue.send();"
                " return sending.standing().pausedUntil - before;") for _ in range(4)]  # fmt: skip
    assert told[3] > 3 * told[0]

    page.context.set_offline(False)
    page.evaluate("async () => (await import('/static/registry/field/queue.js')).start()")

    page.wait_for_function(
        "async () => (await (await import('/static/registry/field/queue.js')).entries())[0].state === 'done'"
    )


def test_a_session_that_ended_loses_nothing(page: Page, yard: Yard) -> None:
    key = enqueue(page, yard.cabinet("TM-009"))
    page.context.clear_cookies()

    assert send(page)["needs"] == "sign_in"
    row = row_of(page, key)
    assert (row["state"], row["canUndo"]) == ("waiting", True)

    sign_in(page, yard.register)
    assert send(page)["needs"] is None
    assert row_of(page, key)["state"] == "done"


def test_a_session_that_ends_between_asking_and_sending_loses_nothing(page: Page, yard: Yard) -> None:
    key = enqueue(page, yard.cabinet("TM-010"))
    page.route(
        f"**{V1}/cabinets/",
        lambda route: route.fulfill(
            status=401, content_type="application/problem+json", body=json.dumps({"code": "not_signed_in"})
        ),
    )

    assert send(page)["needs"] == "sign_in"
    assert (row_of(page, key)["state"], row_of(page, key)["canUndo"]) == ("waiting", True)


def test_what_one_person_did_is_not_sent_in_anothers_name(page: Page, yard: Yard) -> None:
    key = enqueue(page, yard.cabinet("TM-011"))
    page.context.clear_cookies()
    sign_in(page, yard.register, "wren")

    assert send(page)["needs"] == "other_person"
    assert row_of(page, key)["state"] == "waiting"
    assert "TM-011" not in yard.tags()

    page.context.clear_cookies()
    sign_in(page, yard.register)
    send(page)
    assert row_of(page, key)["state"] == "done"


def test_two_tabs_send_each_thing_once(page: Page, yard: Yard) -> None:
    other, sent = page.context.new_page(), []
    other.route("**/field/app.js", lambda route: route.fulfill(body="", content_type="text/javascript"))
    other.goto(f"{yard.register.url}/field/")
    page.context.on("request", lambda request: request.method == "POST" and sent.append(request.url))
    for number in range(4):
        enqueue(page, yard.cabinet(f"TM-02{number}"))

    for tab in (page, other):
        tab.evaluate(
            "async () => { const {send} = await import('/static/registry/field/queue.js');"
            " window.over = send(); }"
        )
    for tab in (page, other):
        tab.evaluate("() => window.over")

    assert [state for _, state in kept(other)] == ["done"] * 4
    assert len(sent) == 4


def test_a_photo_goes_as_text_and_leaves_the_phone_when_it_was_taken(page: Page, yard: Yard) -> None:
    bodies: list[Any] = []

    def take(route: Route) -> None:
        bodies.append(route.request.post_data_json)
        route.fulfill(status=201, body="{}", content_type="application/json", headers={"Register-Index": "9"})

    page.route("**/api/v1/photos/", take)
    key = ask(
        page,
        """const photo = await store.savePhoto(new Blob([new Uint8Array([255, 216, 0])]));
        await queue.enqueue({path: '/api/v1/photos/', body: {kind: 'label'}, words: 'photo', photo});
        return photo;""",
    )
    send(page)

    assert bodies == [{"kind": "label", "content": "/9gA"}]
    assert ask(page, "return store.photo(given[0]);", key) is None


def test_nothing_is_kept_for_nobody(browser: Browser, yard: Yard) -> None:
    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.goto(f"{yard.register.url}/field/")

    with pytest.raises(Exception, match="Sign in first"):
        enqueue(page, yard.cabinet("TM-012"))
    context.close()


def test_the_tag_of_an_own_change_counts_until_a_newer_pack_knows_better(page: Page, yard: Yard) -> None:
    cabinet = yard.cabinet("TM-013")
    key = cabinet["body"]["id"]
    enqueue(page, cabinet)
    send(page)
    tag = yard.hester.get(f"{V1}/cabinets/{key}/").tag

    mine = enqueue(page, yard.split(cabinet) | {"etag": '"what the pack said before"'})
    assert row_of(page, mine)["etag"] == tag

    send(page)
    assert row_of(page, mine)["state"] == "done"
    ask(page, "await store.savePack({known_index: 1e9, person: (await store.fact('person')), devices: []});")
    seen = {**yard.split(cabinet), "etag": '"what the newer pack says"'}
    assert row_of(page, enqueue(page, seen))["etag"] == '"what the newer pack says"'


def test_a_dead_battery_loses_nothing_and_doubles_nothing(
    playwright: Playwright, yard: Yard, tmp_path: Path
) -> None:
    cabinet = yard.cabinet("TM-015")
    phone = Phone(playwright, tmp_path)
    try:
        sign_in(phone.page, yard.register)
        phone.page.wait_for_function("async () => (await navigator.serviceWorker.ready).active !== null")
        phone.page.wait_for_function(
            "async () => Boolean(await (await (await import('/static/registry/field/store.js'))"
            ".openStore()) && (await (await import('/static/registry/field/sending.js')).whoIsThere()))"
        )
        ask(phone.page, "await store.saveFact('person', await sending.whoIsThere());")

        def lose(route: Route) -> None:
            route.fetch()  # it arrives, and the phone dies before it hears so

        phone.page.route(f"**{V1}/cabinets/", lose)
        ask(phone.page, "await queue.enqueue(given[0]);", cabinet)
        until_there(phone.page, yard, "TM-015")
        ask(phone.page, "await queue.enqueue(given[0]);", yard.split(cabinet))
    finally:
        phone.dies()

    phone = Phone(playwright, tmp_path)
    try:
        phone.context.set_offline(True)
        phone.page.goto(f"{yard.register.url}/field/")
        expect(phone.page.locator("main")).to_be_visible()
        assert [words for words, _ in kept(phone.page)] == ["register TM-015", "split"]
        phone.context.set_offline(False)
        phone.context.clear_cookies()
        sign_in(phone.page, yard.register)
        until_all_done(phone.page)
    finally:
        phone.dies()
    assert [verb for _, verb, _ in yard.entries_about(cabinet)] == ["cabinet.registered", "split.set"]


def until_all_done(page: Page) -> None:
    """Wait until nothing is left to be sent."""
    for _ in range(200):
        page.wait_for_timeout(50)
        if {state for _, state in kept(page)} == {"done"}:
            return
    raise AssertionError(f"not sent: {kept(page)}")


def until_there(page: Page, yard: Yard, tag: str) -> None:
    """Wait until a cabinet is in the register."""
    for _ in range(100):
        page.wait_for_timeout(50)
        if tag in yard.tags():
            return
    raise AssertionError(f"{tag} never arrived")
