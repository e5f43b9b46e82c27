"""Mountings, practice and photos by the API."""

import base64
import hashlib
from typing import Any

import pytest
from django.test import Client

from registry.api.photos import BODY_BYTES_MAX
from registry.models import DeviceWhereabouts, Entry, Photo
from registry.models.base import new_key
from tests.actions.unchanged import nothing_changed
from tests.api.client import Api, Person, made, ok, told
from tests.console.pages import signed_in
from tests.factories.evidence import photographed, sent_photo
from tests.factories.world import DAY, HOUR, World
from tests.rules.pictures import SECRET, located, picture, polyglot


@pytest.fixture
def installer(api: Api, world: World) -> Person:
    return api.as_(world.installer)


@pytest.fixture
def assignment(world: World) -> DeviceWhereabouts:
    return world.assigned(world.device(), world.cabinet())


def body(world: World, **changes: Any) -> dict[str, Any]:
    return {
        "kind": "label",
        "taken_at": (world.start + 3 * DAY).isoformat(),
        "content": sent_photo(),
        **changes,
    }


def test_a_mounting_is_recorded_read_and_corrected_with_what_the_checks_find(
    installer: Person, world: World, assignment: DeviceWhereabouts
) -> None:
    key, at = str(new_key()), world.start + 2 * DAY
    recorded = made(
        installer.post(
            "mountings/",
            {
                "id": key,
                "assignment": str(assignment.period),
                "cable_exit": "door_seal",
                "used_instead": "magnets",
                "tools_out": 14,
                "tools_back": 13,
                "serial_taken_at": (at + HOUR).isoformat(),
                "cover_closed_at": (at + 2 * HOUR).isoformat(),
            },
        ),
        "mountings",
    )
    assert recorded["id"] == key
    assert recorded["fails"] is True
    assert [found["code"] for found in recorded["findings"]] == ["tools_missing"]

    mended = ok(installer.patch(f"mountings/{key}/", {"tools_back": 14}, tag=recorded.tag))
    assert (mended["fails"], mended["findings"], mended["used_instead"]) == (False, [], "magnets")
    listed = ok(installer.get("mountings/", assignment=assignment.period))
    assert [row["id"] for row in listed["results"]] == [key]


def test_the_serial_before_the_cover_is_insisted_on(
    installer: Person, world: World, assignment: DeviceWhereabouts
) -> None:
    late = {"assignment": str(assignment.period), "cover_closed_at": (world.start + 3 * DAY).isoformat()}
    with nothing_changed():
        reply = installer.post("mountings/", late)
    told(reply, 422, "serial_after_cover", "#/cover_closed_at")


def test_practice_is_read_by_all_and_set_by_the_office(api: Api, world: World, installer: Person) -> None:
    office = api.as_(world.office)
    kept = {row["value"]: row for row in ok(installer.get("mounting-practice/"))["results"]}
    assert (kept["rail_behind_front"]["least_mm"], kept["headroom_cleared"]["most_mm"]) == (102, None)
    tag = ok(office.get("mounting-practice/hole/")).tag
    changed = ok(office.patch("mounting-practice/hole/", {"least_mm": None, "most_mm": 20}, tag=tag))
    assert (changed["least_mm"], changed["most_mm"], changed["default_most_mm"]) == (None, 20, 32)
    told(office.get("mounting-practice/colour/"), 404, "not_found")


def test_a_photo_is_kept_shown_and_erased(
    api: Api, installer: Person, world: World, assignment: DeviceWhereabouts
) -> None:
    content = base64.b64encode(located()).decode()
    added = made(
        installer.post("photos/", body(world, assignment=str(assignment.period), content=content)), "photos"
    )
    assert added["cabinet"] == str(assignment.cabinet_id)
    place = f"/api/v1/photos/{added['id']}/image/"
    reader = signed_in(world.office)
    shown = reader.get(place, headers={"Accept": "image/*"})
    assert (shown.status_code, shown["Content-Type"]) == (200, "image/jpeg")
    assert shown["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in shown["Content-Security-Policy"]
    assert "private" in shown["Cache-Control"]
    assert hashlib.sha256(shown.content).hexdigest() == added["sha256"]
    assert SECRET not in shown.content
    assert reader.get(place, headers={"If-None-Match": shown["ETag"]}).status_code == 304

    office = api.as_(world.office)
    erased = ok(office.post(f"photos/{added['id']}/erase/", {"reason": "a face"}, tag=added.tag))
    assert erased["erased"] is True
    assert reader.get(place).status_code == 404
    assert Client().get(place).status_code == 401
    assert ok(office.get("photos/", erased="false"))["results"] == []


def test_what_is_no_photo_or_too_large_is_refused_and_points_to_its_field(
    installer: Person, world: World
) -> None:
    cabinet = str(world.cabinet().pk)
    for content, code in (
        ("not base64", "photo_invalid"),
        (base64.b64encode(b"<svg/>").decode(), "photo_invalid"),
        (base64.b64encode(picture()[:400]).decode(), "photo_invalid"),
    ):
        with nothing_changed():
            reply = installer.post("photos/", body(world, cabinet=cabinet, content=content))
        told(reply, 422, code, "#/content")
    with nothing_changed():
        reply = installer.post("photos/", body(world, cabinet=cabinet, content="A" * BODY_BYTES_MAX))
    told(reply, 413, "too_large")


def test_a_photo_of_several_megabytes_is_taken_where_other_bodies_would_be_too_large(
    installer: Person, world: World
) -> None:
    content = base64.b64encode(polyglot() + bytes(4_000_000)).decode()
    cabinet = str(world.cabinet().pk)
    made(installer.post("photos/", body(world, cabinet=cabinet, content=content)), "photos")
    told(installer.post("devices/provisional/", {"evidence": "A" * 3_000_000}), 413, "too_large")


def test_a_photo_sent_twice_under_one_key_is_added_once(installer: Person, world: World) -> None:
    given = body(world, cabinet=str(world.cabinet().pk))
    first, again = (installer.post("photos/", given, key='"one wish"') for _ in range(2))
    assert first.text == again.text
    assert Photo.objects.count() == Entry.objects.filter(verb="photo.added").count() == 1


def test_a_stranger_sends_nothing_large(world: World) -> None:
    asked = Client().post("/api/v1/photos/", "{}", content_type="application/json")
    assert asked.status_code == 401


def test_a_hidden_photo_is_not_there(api: Api, world: World) -> None:
    photo = photographed(world, cabinet_id=world.cabinet().pk)
    stranger = api.as_(world.stranger)
    for place in ("", "image/"):
        told(stranger.get(f"photos/{photo.pk}/{place}"), 404, "not_found")
