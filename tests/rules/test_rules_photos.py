"""Photos: what is taken, what is refused, and that nothing but the picture is kept."""

import base64
import hashlib
import io
import random
import re
from contextlib import suppress

import pytest
from PIL import Image

from registry.rules.errors import RuleBroken
from registry.rules.photos import (
    CONTENT_BYTES_MAX,
    PIXELS_MAX,
    SIDE_PX_MAX,
    KeptPhoto,
    re_encode,
    read_content,
    sha256_of,
)
from tests.rules.pictures import (
    GPS_IFD,
    SECRET,
    animated,
    claims,
    located,
    picture,
    polyglot,
    texts_bomb,
)


def opened(kept: KeptPhoto) -> Image.Image:
    return Image.open(io.BytesIO(kept.content))


def refusal(content: bytes) -> str:
    with pytest.raises(RuleBroken) as caught:
        re_encode(content)
    assert caught.value.field == "content"
    assert caught.value.message.endswith(".")
    return str(caught.value.code)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_a_photo_of_each_kind_is_kept_as_a_jpeg_of_its_size(kind: str, mode: str) -> None:
    kept = re_encode(picture(kind=kind, mode=mode))

    assert (opened(kept).format, opened(kept).size, opened(kept).mode) == ("JPEG", (320, 200), "RGB")
    assert (kept.width_px, kept.height_px) == (320, 200)
    assert kept.sha256 == hashlib.sha256(kept.content).hexdigest()


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P", "1", "I;16"])
def test_other_ways_to_hold_a_picture_are_read_too(mode: str) -> None:
    assert opened(re_encode(picture(kind="PNG", mode=mode))).mode == "RGB"


def test_what_is_transparent_becomes_white_and_not_black() -> None:
    out = io.BytesIO()
    Image.new("RGBA", (40, 40), (0, 0, 0, 0)).save(out, "PNG")
    assert min(opened(re_encode(out.getvalue())).getpixel((20, 20))) > 250


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_nothing_tells_where_a_photo_was_taken(kind: str) -> None:
    given = located(kind=kind)
    assert Image.open(io.BytesIO(given)).getexif().get_ifd(GPS_IFD), "the picture must hold a place"

    kept = re_encode(given)

    assert SECRET not in kept.content
    assert not opened(kept).getexif()
    assert set(opened(kept).info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    # No segment but those of the picture itself (ITU-T T.81, table B.1): APP1 (Exif, XMP), APP2 (colour
    # profile), APP13 and comments are gone.
    markers = set(re.findall(rb"\xff([\xe1-\xef\xfe])", kept.content[: kept.content.index(b"\xff\xda")]))
    assert markers == set()


def test_a_photo_taken_with_the_phone_on_its_side_stands_upright() -> None:
    # Orientation 6: the top of the picture is at the right of what is stored (Exif 2.32, 4.6.4, from memory).
    kept = opened(re_encode(located(orientation=6)))

    assert kept.size == (200, 320)
    top, bottom = kept.getpixel((100, 20)), kept.getpixel((100, 300))
    assert top[0] > 150 > top[2]
    assert bottom[2] > 150 > bottom[0]


@pytest.mark.parametrize(
    ("given", "kept"),
    [((1_600, 1_200), (1_600, 1_200)), ((3_200, 2_400), (1_600, 1_200)), ((4_000, 100), (1_600, 40))],
)
def test_the_longest_side_is_kept_within_bounds(given: tuple[int, int], kept: tuple[int, int]) -> None:
    assert opened(re_encode(picture(*given))).size == kept
    assert max(kept) <= SIDE_PX_MAX


def test_the_same_photo_is_kept_as_the_same_bytes() -> None:
    assert re_encode(located()).sha256 == re_encode(located()).sha256
    assert sha256_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180


def test_a_file_that_is_something_else_as_well_is_kept_as_a_picture_alone() -> None:
    kept = re_encode(polyglot()).content

    for part in (b"<script", b"<html", b"PK\x03\x04", SECRET):
        assert part in polyglot()
        assert part not in kept
    assert kept.endswith(b"\xff\xd9")  # end of image


@pytest.mark.parametrize("kind", ["WEBP", "PNG"])
def test_of_a_moving_picture_the_first_frame_is_kept(kind: str) -> None:
    kept = opened(re_encode(animated(kind)))
    assert getattr(kept, "n_frames", 1) == 1
    assert kept.getpixel((30, 20))[0] < 30


@pytest.mark.parametrize("width", [7_072, 100_000])
def test_a_picture_of_too_many_pixels_is_refused_before_it_is_unpacked(width: int) -> None:
    assert width * width > PIXELS_MAX
    assert refusal(claims(width, width)) == "photo_too_large"


@pytest.mark.parametrize("size", [(0, 100), (2**31 - 1, 2**31 - 1), (65_535, 16), (1_000, 1_000)])
def test_a_header_that_lies_is_refused(size: tuple[int, int]) -> None:
    assert refusal(claims(*size)) in {"photo_invalid", "photo_too_large"}


def test_a_comment_that_grows_without_end_is_refused() -> None:
    assert len(texts_bomb()) < 1_000_000
    assert refusal(texts_bomb()) == "photo_invalid"


def test_a_file_of_too_many_bytes_is_refused() -> None:
    fill = CONTENT_BYTES_MAX - len(picture())
    assert re_encode(picture() + bytes(fill)).width_px == 320
    assert refusal(picture() + bytes(fill + 1)) == "photo_too_large"


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"no picture",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"%PDF-1.7\n",
        b"\xff\xd8\xff\xe0",
        b"\x89PNG\r\n\x1a\n",
        b"RIFF\x00\x00\x00\x00WEBPVP8 ",
        picture(kind="GIF", mode="P"),
        picture(kind="BMP"),
        picture(kind="TIFF"),
        picture(kind="ICO", sizes=[(32, 32)]),
        picture(kind="PPM"),
        picture(15, 400),
    ],
)
def test_what_is_no_photo_is_refused(content: bytes) -> None:
    assert refusal(content) == "photo_invalid"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_that_broke_off_is_refused(kind: str) -> None:
    whole = picture(400, 300, kind=kind)
    for share in (0.1, 0.5, 0.9):
        assert refusal(whole[: int(len(whole) * share)]) == "photo_invalid"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_damaged_photo_is_refused_or_kept_and_never_breaks_anything(kind: str) -> None:
    chance = random.Random(20_261_127)
    whole = located(kind=kind)
    for _ in range(150):
        broken = bytearray(whole)
        for _ in range(chance.randint(1, 12)):
            broken[chance.randrange(len(broken))] = chance.randrange(256)
        with suppress(RuleBroken):  # anything else would be a defect, and fails here
            kept = re_encode(bytes(broken))
            assert opened(kept).format == "JPEG"
            assert SECRET not in kept.content


def test_base64_is_read_and_what_is_none_is_refused() -> None:
    # RFC 4648, section 10.
    assert read_content("Zm9vYmFy") == b"foobar"
    assert read_content(base64.b64encode(picture()).decode()) == picture()
    for text in ("Zm9vYmF", "Zm9v\nYmFy", "data:image/jpeg;base64,Zm9v", "Zm9v YmFy", "Zm9_", "é"):
        with pytest.raises(RuleBroken, match="photo_invalid"):
            read_content(text)
    with pytest.raises(RuleBroken, match="photo_too_large"):
        read_content("A" * (CONTENT_BYTES_MAX * 4 // 3 + 5))
