"""What is served at /field/: the shell, the service worker, the manifest, the way in."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from django.contrib.staticfiles import finders
from django.test import Client

from registry.field import shell
from tests.factories.world import PASSWORD, World

ROOT = Path(__file__).resolve().parents[2]


def kept(text: str) -> dict[str, object]:
    """Return what the service worker is told to keep."""
    found = re.match(r"const KEPT = (\{.*\});\n", text)
    assert found is not None
    told: dict[str, object] = json.loads(found[1])
    return told


def test_the_shell_tells_nobodys_name_and_runs_nothing_inline() -> None:
    answer = Client().get("/field/")
    text = answer.content.decode()

    assert answer.status_code == 200
    assert re.findall(r"<script(?![^>]* src=)|<style|\son\w+=|style=", text) == []
    assert "csrfmiddlewaretoken" not in text
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self' 'wasm-unsafe-eval'" in policy
    assert "'unsafe-inline'" not in policy
    assert "'unsafe-eval'" not in policy.replace("'wasm-unsafe-eval'", "")
    assert "worker-src 'self'" in policy
    assert "manifest-src 'self'" in policy


def test_only_the_shell_may_compile_web_assembly() -> None:
    for address in ("/field/sign-in/", "/field/service-worker.js", "/field/session/", "/console/login/"):
        assert "wasm-unsafe-eval" not in Client().get(address).headers["Content-Security-Policy"], address


def test_the_service_worker_keeps_what_is_there_and_all_of_it() -> None:
    answer = Client().get("/field/service-worker.js")
    told = kept(answer.content.decode())
    there = {f"/static/registry/{path.relative_to(shell.FOLDER).as_posix()}" for path in shell._paths()}

    assert answer.headers["Content-Type"].startswith("text/javascript")
    assert set(told["files"]) == there  # type: ignore[arg-type]
    assert all(finders.find(str(name).removeprefix("/static/")) for name in told["files"])  # type: ignore[attr-defined]
    assert "/static/registry/field/queue.js" in there
    assert not any(name.endswith(("service_worker.js", ".md", "LICENSE")) for name in there)
    imported = {
        (path.parent / name).resolve()
        for path in shell._paths()
        if path.suffix == ".js"
        for name in re.findall(r'^import .* from "(\.[^"]+)";', path.read_text(), flags=re.MULTILINE)
    }
    assert imported <= set(shell._paths())


def test_any_changed_file_makes_another_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = shell.version.__wrapped__()
    changed = tmp_path / "queue.js"
    changed.write_text("// another")
    paths = shell._paths()
    monkeypatch.setattr(shell, "FOLDER", Path("/"))
    monkeypatch.setattr(shell, "_paths", lambda: paths)
    same = shell.version.__wrapped__()
    monkeypatch.setattr(
        shell, "_paths", lambda: [changed if path.name == "queue.js" else path for path in paths]
    )

    assert shell.version.__wrapped__() not in (first, same)


def test_the_manifest_names_icons_that_are_there() -> None:
    answer = Client().get("/field/manifest.webmanifest")
    told = answer.json()

    assert answer.headers["Content-Type"] == "application/manifest+json"
    assert told["scope"] == told["start_url"] == "/field/"
    assert {icon["sizes"] for icon in told["icons"]} >= {"192x192", "512x512"}
    assert "maskable" in {icon.get("purpose") for icon in told["icons"]}
    assert all(finders.find(icon["src"].removeprefix("/static/")) for icon in told["icons"])


def test_the_session_tells_who_is_there_and_sets_the_token(world: World) -> None:
    browser = Client()
    assert browser.get("/field/session/").json()["person"] is None
    assert "csrftoken" in browser.cookies

    answer = browser.post("/field/sign-in/", {"username": "installer", "password": PASSWORD})

    assert (answer.status_code, answer.headers["Location"]) == (302, "/field/")
    told = browser.get("/field/session/")
    assert told.json()["person"]["id"] == str(world.installer.staff_id)
    assert "no-store" in told.headers["Cache-Control"]


def test_the_way_in_follows_no_address_and_locks_like_the_consoles(world: World, settings: Any) -> None:
    settings.AXES_ENABLED = True
    away = Client().post(
        "/field/sign-in/?next=/console/", {"username": "installer", "password": PASSWORD, "next": "/console/"}
    )
    assert away.headers["Location"] == "/field/"

    statuses = [
        Client().post("/field/sign-in/", {"username": "office", "password": "wrong"}).status_code
        for _ in range(5)
    ]
    right = Client().post("/field/sign-in/", {"username": "office", "password": PASSWORD})

    assert (statuses[0], statuses[-1], right.status_code) == (200, 429, 429)
    assert 'href="/field/sign-in/"' in right.content.decode()


def test_signing_out_needs_a_form_and_leads_to_the_way_in(world: World) -> None:
    browser = Client()
    browser.post("/field/sign-in/", {"username": "installer", "password": PASSWORD})

    assert browser.get("/field/sign-out/").status_code == 405
    assert browser.get("/field/session/").json()["person"] is not None
    assert browser.post("/field/sign-out/").headers["Location"] == "/field/sign-in/"
    assert browser.get("/field/session/").json()["person"] is None


def test_what_is_vendored_has_its_licence_and_version_beside_it_and_no_address() -> None:
    folder = shell.FOLDER / "field" / "vendor" / "zxing"

    assert "MIT License" in (folder / "LICENSE").read_text()
    assert "Apache License" in (folder / "LICENSE-zxing-cpp").read_text()
    assert "3.1.4" in (folder / "README.md").read_text()
    assert "://" not in (folder / "share.js").read_text() + (folder / "reader" / "index.js").read_text()
