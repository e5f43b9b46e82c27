"""The audit of photos: bytes that are not those that the ledger binds are found, and erased ones are said."""

from collections.abc import Callable
from functools import partial
from io import StringIO

import pytest
from django.core.management import call_command

from registry.actions import photos
from registry.ledger.audit import audit
from registry.models import Photo, PhotoFile
from registry.rules.photos import sha256_of
from tests.factories.evidence import photographed
from tests.factories.world import World
from tests.ledger.tampering import edit, found, remove


@pytest.fixture
def photo(world: World) -> Photo:
    return photographed(world, cabinet_id=world.cabinet().pk)


def words_of(tamper: Callable[[], object]) -> list[tuple[str, str]]:
    return [(finding.layer, finding.words.rpartition(" photo ")[2][37:]) for finding in found(tamper)]


def test_photos_that_are_whole_or_were_erased_are_no_finding_and_are_said(world: World, photo: Photo) -> None:
    other = photographed(world, cabinet_id=world.cabinet().pk)
    photos.erase_photo(world.office, photo_id=other.pk)

    report, said = audit(), StringIO()
    assert report.clean
    assert (report.photos, report.photos_erased) == (2, 1)
    call_command("audit", stdout=said)
    assert "2 photos (1 erased) against their hashes" in said.getvalue()


def test_other_bytes_gone_bytes_and_a_row_that_is_gone_are_found(world: World, photo: Photo) -> None:
    held = PhotoFile.objects.get()
    assert words_of(lambda: None) == []
    for changes, words in (
        ({"content": b"another picture"}, "are not those that were bound."),
        ({"content": None}, "are gone, although no entry erased them."),
        ({"sha256": "0" * 64}, "stand under another hash than the ledger's."),
    ):
        assert words_of(partial(edit, held, **changes)) == [("photos", words)]
    assert words_of(lambda: remove(held)) == [("photos", "are gone from the table.")]


def test_bytes_that_came_back_after_the_erasing_are_found(world: World, photo: Photo) -> None:
    held = PhotoFile.objects.get()
    photos.erase_photo(world.office, photo_id=photo.pk)
    back = partial(edit, held, content=bytes(held.content or b""))
    assert words_of(back) == [("photos", "stand there, although an entry erased them.")]


def test_a_photo_changed_together_with_its_hash_is_found_by_the_row(world: World, photo: Photo) -> None:
    other = b"another picture"

    def tamper() -> None:
        edit(PhotoFile.objects.get(), content=other, sha256=sha256_of(other))
        edit(photo, sha256=sha256_of(other))

    assert {finding.layer for finding in found(tamper)} == {"rows"}
