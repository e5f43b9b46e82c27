"""Photos: of whom, bound by the hash of their bytes, and erased."""

import hashlib

import pytest

from registry.actions import cabinets, photos
from registry.models import DeviceWhereabouts, Photo, PhotoFile, Staff
from registry.models.base import new_key
from registry.queries.moments import present
from registry.queries.photos import bytes_of, photos_in
from registry.queries.staff import scope_of
from registry.rules.errors import RuleBroken
from registry.rules.roles import Scope
from tests.actions.unchanged import entry_of, refused
from tests.factories.evidence import kept_photo, photographed
from tests.factories.world import DAY, World


@pytest.fixture
def assignment(world: World) -> DeviceWhereabouts:
    return world.assigned(world.device(), world.cabinet())


def seen_by(actor_id: object) -> set[object]:
    return {photo.pk for photo in photos_in(present(), scope_of(Staff.objects.get(pk=actor_id)))}


def test_the_entry_binds_the_bytes_by_their_hash_and_holds_none_of_them(
    world: World, assignment: DeviceWhereabouts
) -> None:
    entry, wrote = entry_of(lambda: photographed(world, assignment_id=assignment.period))

    photo = Photo.objects.get()
    assert wrote == ["+photo"]
    assert (photo.cabinet, photo.device) == (assignment.cabinet, assignment.device)
    assert photo.sha256 == hashlib.sha256(bytes_of(photo)).hexdigest()
    assert photo.sha256 in entry.body
    assert "content" not in entry.body


def test_a_photo_is_of_an_assignment_a_cabinet_or_a_device_that_fit_together(
    world: World, assignment: DeviceWhereabouts
) -> None:
    cabinet, device = world.cabinet(), world.device()
    assert photographed(world, cabinet_id=cabinet.pk).cabinet == cabinet
    assert photographed(world, device_id=device.pk).device == device
    assert photographed(world, cabinet_id=cabinet.pk, device_id=device.pk)
    for about, code, field in (
        ({}, "value_invalid", "cabinet"),
        ({"assignment_id": assignment.period, "cabinet_id": cabinet.pk}, "value_invalid", "cabinet"),
        ({"assignment_id": assignment.period, "device_id": device.pk}, "value_invalid", "device"),
        ({"assignment_id": new_key()}, "not_found", "assignment"),
        ({"cabinet_id": new_key()}, "not_found", "cabinet"),
        ({"cabinet_id": cabinet.pk, "visit_id": new_key()}, "not_found", "visit"),
        ({"cabinet_id": cabinet.pk, "kind": "selfie"}, "value_invalid", "kind"),
        ({"cabinet_id": cabinet.pk, "taken_at": world.clock.at + DAY}, "time_in_future", "taken_at"),
    ):
        with refused(code, field):
            photographed(world, **about)


def test_the_same_picture_may_show_two_things(world: World) -> None:
    for cabinet in (world.cabinet(), world.cabinet()):
        photographed(world, cabinet_id=cabinet.pk)
    assert len({photo.sha256 for photo in Photo.objects.all()}) == 1


def test_an_erased_photo_leaves_its_hash_and_nothing_else(world: World) -> None:
    photo = photographed(world, cabinet_id=world.cabinet().pk)
    photos.erase_photo(world.office, photo_id=photo.pk, reason="shows a customer")

    photo.refresh_from_db()
    assert photo.erased
    assert photo.sha256 == kept_photo().sha256
    assert PhotoFile.objects.get().content is None
    with pytest.raises(RuleBroken, match="not_found"):
        bytes_of(photo)
    with refused("nothing_changes", "photo"):
        photos.erase_photo(world.office, photo_id=photo.pk)


def test_a_photo_goes_with_its_cabinet_and_without_one_with_its_device(world: World) -> None:
    cabinet, device = world.cabinet(), world.device()
    both = photographed(world, cabinet_id=cabinet.pk, device_id=device.pk)
    alone = photographed(world, device_id=device.pk)
    assert seen_by(world.installer.staff_id) == {both.pk, alone.pk}
    assert seen_by(world.stranger.staff_id) == set()

    cabinets.move_cabinet(
        world.office, cabinet_id=cabinet.pk, depot_id=world.fellgate.pk, valid_from=world.start + 9 * DAY
    )

    assert seen_by(world.installer.staff_id) == {alone.pk}
    assert seen_by(world.stranger.staff_id) == {both.pk}
    assert photos_in(present(), Scope.of_all()).count() == 2
