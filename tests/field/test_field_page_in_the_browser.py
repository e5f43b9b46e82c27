"""The field page as it is served: it opens without signal, reads labels, and obeys its own policy."""

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.field.phone import ask, sign_in
from tests.field.yard import Yard

LABELS = Path(__file__).with_name("labels")


@pytest.fixture
def page(context: BrowserContext, yard: Yard) -> Iterator[Page]:
    """The page, ready to be opened without signal; nothing may break its policy unseen."""
    found, wrong = context.new_page(), []
    found.on("pageerror", lambda error: wrong.append(str(error)))
    found.on(
        "console",
        lambda message: wrong.append(message.text) if "Content Security Policy" in message.text else None,
    )
    found.goto(f"{yard.register.url}/field/")
    found.evaluate("async () => { await navigator.serviceWorker.ready; }")
    yield found
    assert wrong == []


def test_the_page_opens_without_signal_and_keeps_no_answer_of_the_register(page: Page, yard: Yard) -> None:
    page.evaluate("async () => { await fetch('/api/v1/me/'); await fetch('/field/session/'); }")
    page.reload()
    page.context.set_offline(True)

    page.reload()

    expect(page.locator("main")).to_be_visible()
    assert page.evaluate("async () => (await import('/static/registry/field/install.js')).opensOffline()")
    kept = page.evaluate(
        """async () => (await Promise.all((await caches.keys()).map(async (name) =>
            (await (await caches.open(name)).keys()).map((one) => new URL(one.url).pathname)))).flat()"""
    )
    assert "/field/" in kept
    assert "/static/registry/field/vendor/zxing/zxing_reader.wasm" in kept
    assert [path for path in kept if path != "/field/" and not path.startswith("/static/registry/")] == []
    with pytest.raises(Exception, match="Failed to fetch"):
        page.evaluate("async () => { await fetch('/api/v1/me/'); }")


def test_signing_in_without_signal_shows_the_page_that_is_there(page: Page, yard: Yard) -> None:
    page.reload()
    page.context.set_offline(True)

    page.goto(f"{yard.register.url}/field/sign-in/")

    expect(page.locator("main#page")).to_be_visible()


@pytest.mark.parametrize(
    ("label", "text", "kind", "serial"),
    [
        ("qr_serial", "P3-004217-6", "serial", "P30042176"),
        ("code_128_serial", "P30042176", "serial", "P30042176"),
        ("data_matrix_serial", "P30042176", "serial", "P30042176"),
        ("gs1_128", "010950600013435221P30042176", "gtin", "P30042176"),
        ("qr_link", "https://id.skerry.example/01/09506000134352/21/P30042176", "gtin", "P30042176"),
        ("ean_13", "9506000134352", "gtin", ""),
    ],
)
def test_a_label_is_read_off_a_picture_under_the_policy_of_the_page(
    page: Page, label: str, text: str, kind: str, serial: str
) -> None:
    # The pictures were drawn by segno 1.6.6, python-barcode 0.16.1 and ppf-datamatrix 0.2.
    picture = base64.b64encode((LABELS / f"{label}.png").read_bytes()).decode()

    told: Any = page.evaluate(
        """async (picture) => {
            const bytes = Uint8Array.from(atob(picture), (one) => one.charCodeAt(0));
            const {readPicture} = await import('/static/registry/field/barcode.js');
            const {readScan} = await import('/static/registry/field/serials.js');
            const [code] = await readPicture(new Blob([bytes], {type: 'image/png'}));
            const scan = readScan(code.text);
            return {text: code.text, kind: scan.kind, serial: scan.serial || scan.value};
        }""",
        picture,
    )

    assert told["text"].endswith(text)
    assert told["kind"] == kind
    assert told["serial"] == (serial or "09506000134352")


def test_a_label_is_found_in_a_moving_picture(page: Page) -> None:
    picture = base64.b64encode((LABELS / "code_128_serial.png").read_bytes()).decode()

    told = page.evaluate(
        """async (picture) => {
            const {scanFrom, closeCamera} = await import('/static/registry/field/barcode.js');
            const canvas = document.createElement('canvas');
            Object.assign(canvas, {width: 640, height: 360});
            const pen = canvas.getContext('2d');
            const bytes = Uint8Array.from(atob(picture), (one) => one.charCodeAt(0));
            const label = await createImageBitmap(new Blob([bytes], {type: 'image/png'}));
            let frame = 0;
            setInterval(() => {
                pen.fillStyle = '#fff';
                pen.fillRect(0, 0, 640, 360);
                frame += 1;
                if (frame > 20) { pen.drawImage(label, 20, 40); }
            }, 30);
            const video = document.createElement('video');
            Object.assign(video, {muted: true, srcObject: canvas.captureStream(30)});
            await video.play();
            const codes = await scanFrom(video);
            closeCamera(video);
            const stopped = await scanFrom(video, {signal: AbortSignal.abort()}).catch((error) => error.name);
            return [codes[0].text, video.srcObject, stopped];
        }""",
        picture,
    )

    assert told == ["]C0P30042176", None, "AbortError"]


def test_the_day_pack_is_loaded_and_stays_without_signal_and_says_why_it_cannot_be(
    page: Page, yard: Yard
) -> None:
    day = "const {loadDay, age_s, isOld} = await import('/static/registry/field/day.js');"
    why = "const why = await loadDay('2026-11-27').catch((error) => error.reason);"
    pack = ask(page, f"{day} return loadDay();")
    assert pack["person"]["name"] == "Hester Marrow"
    assert [depot["code"] for depot in pack["depots"]] == ["TM"]

    page.context.set_offline(True)
    page.reload()
    told = ask(
        page, f"{day} {why} const pack = await store.pack(); return [why, pack, age_s(pack), isOld(pack)];"
    )
    assert told[0] == "line"
    assert told[1] == pack
    assert 0 <= told[2] < 600
    assert told[3] is False
    assert ask(page, f"{day} return isOld({{...await store.pack(), day: '2020-01-01'}});")

    page.context.set_offline(False)
    page.context.clear_cookies()
    assert ask(page, f"{day} {why} return [why, (await store.pack()).day];")[0] == "sign_in"


def test_the_phone_learns_how_far_its_clock_is_out(page: Page) -> None:
    told = ask(
        page,
        """const asked = Date.now();
        clock.learn(new Date(asked - 1200e3).toISOString(), asked, asked);
        const fast = clock.behind_s();
        clock.learn(new Date(asked + 4e3).toISOString(), asked, asked);
        const agreed = clock.behind_s();
        clock.learn('no time', asked, asked);
        return [fast, agreed, clock.behind_s()];""",
    )

    assert told == [-1200, 0, 0]


def test_a_name_and_password_let_an_installer_in_whom_the_console_does_not(page: Page, yard: Yard) -> None:
    page.context.clear_cookies()
    page.goto(f"{yard.register.url}/field/sign-in/?next=/console/")
    page.get_by_label("Name you sign in with").fill("wren")
    page.get_by_label("Password").fill("not the password")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("do not belong together")

    sign_in(page, yard.register, "wren")

    told = page.evaluate("async () => (await fetch('/field/session/')).json()")
    assert (told["person"]["name"], told["person"]["role"]) == ("Wren", "installer")
