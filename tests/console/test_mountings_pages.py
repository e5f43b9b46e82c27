"""How a device was mounted, photos and practice, in the console."""

from datetime import timedelta

import pytest

from registry.models import DeviceWhereabouts, Mounting, Photo
from tests.console.pages import at, post, signed_in, text_of
from tests.factories.evidence import mounted, photographed
from tests.factories.world import DAY, World


@pytest.fixture
def assignment(world: World) -> DeviceWhereabouts:
    return world.assigned(world.device(), world.cabinet())


def test_a_cabinets_page_tells_how_its_device_was_mounted_and_what_is_to_be_mended(
    world: World, assignment: DeviceWhereabouts
) -> None:
    desk, page = signed_in(world.office), at("cabinet", assignment.cabinet_id)
    assert "Nobody has told how it was mounted." in text_of(desk.get(page))

    mounted(world, assignment.period, tools_back=13)
    shown = text_of(desk.get(page))

    assert "14 tools went in, 13 came out. Find them before anybody takes ice." in shown
    assert "door seal; used instead: magnets" in shown
    assert "It was recorded how device" in shown  # in what happened


def test_a_mounting_is_told_and_what_was_left_open_stays_open(
    world: World, assignment: DeviceWhereabouts
) -> None:
    desk = signed_in(world.office)
    told = {"cable_exit": "none", "used_instead": "magnets", "rail_parallel": "yes", "tools_out": "14"}
    assert post(desk, at("mounting_record", assignment.period), "record", **told).status_code == 303
    mounting = Mounting.objects.get()
    assert (mounting.rail_parallel, mounting.rail_centred, mounting.tools_back) == (True, None, None)


def test_a_time_that_was_not_touched_stays_to_the_second(world: World, assignment: DeviceWhereabouts) -> None:
    serial = world.start + 2 * DAY + timedelta(seconds=31)
    cover = serial + timedelta(seconds=20)
    before = mounted(world, assignment.period, serial_taken_at=serial, cover_closed_at=cover, tools_back=13)

    page = at("mounting_correct", before.pk)
    assert post(signed_in(world.office), page, "record", tools_back="14").status_code == 303

    after = Mounting.objects.get()
    assert (after.tools_back, after.serial_taken_at, after.cover_closed_at) == (14, serial, cover)
    assert after.rail_parallel is True


def test_the_form_insists_on_the_serial_before_the_cover_and_says_why_nobody_drills(
    world: World, assignment: DeviceWhereabouts
) -> None:
    desk, page = signed_in(world.office), at("mounting_record", assignment.period)
    assert "nobody drills, and it is said what was used instead" in text_of(desk.get(page))
    answer = post(desk, page, "record", cover_closed_at="2026-02-20 10:00")
    assert answer.status_code == 422
    assert "The serial is taken before the cover is closed." in text_of(answer)
    assert not Mounting.objects.exists()


def test_a_photo_is_shown_and_erased(world: World, assignment: DeviceWhereabouts) -> None:
    photo = photographed(world, assignment_id=assignment.period)
    desk, page = signed_in(world.office), at("cabinet", assignment.cabinet_id)
    for address in (page, at("device", assignment.device_id)):
        shown = desk.get(address).content.decode()
        assert f'src="/api/v1/photos/{photo.pk}/image/"' in shown
        assert 'alt="Photo: label, taken' in shown

    assert post(desk, at("photo_erase", photo.pk), "record", reason="a face").status_code == 303

    assert Photo.objects.get().erased
    assert (
        "<img" not in desk.get(page).content.decode().partition('id="photos"')[2].partition("</section>")[0]
    )


def test_practice_is_shown_and_changed_by_the_office(world: World) -> None:
    desk = signed_in(world.office)
    assert "102 to 152 mm" in text_of(desk.get(at("mounting_practice")))
    page = at("mounting_practice_set", "hole")
    assert post(desk, page, "record", least_mm="", most_mm="20").status_code == 303
    assert "at most 20 mm our own" in text_of(desk.get(at("mounting_practice")))
    assert desk.get(at("mounting_practice_set", "colour")).status_code == 404
    assert signed_in(world.auditor).get(page).status_code == 403
