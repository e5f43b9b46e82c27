"""Photos as evidence: what is taken, and how they are kept.

Photos are re-encoded before they are kept: upright, without anything but the picture, because a phone writes
into the file where its owner stood.
"""

import base64
import binascii
import hashlib
import io
import warnings
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from PIL import Image, ImageOps, UnidentifiedImageError

from registry.rules.errors import Code, RuleBroken

CONTENT_BYTES_MAX: Final = 12_000_000  # of a photo as a phone takes it
PIXELS_MAX: Final = 50_000_000  # of width times height, asked before a pixel is read; 150 MB in memory
SIDE_PX_MAX: Final = 1_600  # the longest side of what is kept: a serial on a label can still be read
SIDE_PX_MIN: Final = 16  # less shows nothing
JPEG_QUALITY: Final = 85
FORMATS: Final = ("JPEG", "PNG", "WEBP")
MEDIA_TYPE: Final = "image/jpeg"
_RGB: Final = "RGB"
_PAPER: Final = (255, 255, 255)  # what shows through where a picture is transparent


class PhotoKind(StrEnum):
    """What a photo shows."""

    LABEL = "label"  # of the device, with its serial
    INSIDE = "inside"
    CABLE_EXIT = "cable_exit"
    NAMEPLATE = "nameplate"  # of the cabinet
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class KeptPhoto:
    """A photo as it is kept: JPEG bytes, their SHA-256, and its size in pixels."""

    content: bytes
    sha256: str
    width_px: int
    height_px: int


def read_content(text: str) -> bytes:
    """Return the bytes of a photo that was sent as base64 (RFC 4648, section 4).

    Raises RuleBroken PHOTO_INVALID, PHOTO_TOO_LARGE.
    """
    if len(text) > CONTENT_BYTES_MAX * 4 // 3 + 4:  # before any work is done on it
        raise _too_large()
    try:
        return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise _invalid(
            "The photo is not in base64. Send its bytes so, without line breaks or a prefix."
        ) from None


def re_encode(content: bytes) -> KeptPhoto:
    """Return a photo as it is kept: JPEG, upright, at most SIDE_PX_MAX pixels a side, and no metadata at all.

    Of an animated picture the first frame is taken; what follows the picture in its file is left behind.
    Raises RuleBroken PHOTO_INVALID for what is no whole JPEG, PNG or WebP, PHOTO_TOO_LARGE for too many
    bytes or pixels.
    """
    if len(content) > CONTENT_BYTES_MAX:
        raise _too_large()
    with warnings.catch_warnings():
        # The library warns of what it suspects to be a bomb; our own limit is asked of every photo.
        warnings.simplefilter("ignore")
        try:
            return _kept(content)
        except Image.DecompressionBombError:
            raise _too_large() from None
        # A hostile file makes the decoders raise almost anything: none of it is a defect of ours.
        except (UnidentifiedImageError, OSError, SyntaxError, ValueError, TypeError, EOFError):
            raise _unreadable() from None
        except (IndexError, KeyError, AttributeError, OverflowError, ZeroDivisionError, RuntimeError):
            raise _unreadable() from None
        except (MemoryError, ArithmeticError, ImportError, NotImplementedError):
            raise _unreadable() from None


def sha256_of(content: bytes) -> str:
    """Return the hash by which the ledger binds a photo: SHA-256 of its kept bytes, in hex (FIPS 180-4)."""
    return hashlib.sha256(content).hexdigest()


def _kept(content: bytes) -> KeptPhoto:
    with Image.open(io.BytesIO(content), formats=FORMATS) as opened:
        width, height = opened.size
        if width * height > PIXELS_MAX:
            raise _too_large()
        if min(width, height) < SIDE_PX_MIN:
            raise _invalid(f"A photo of {width} by {height} pixels shows nothing. Take it again.")
        opened.seek(0)
        if opened.format == "JPEG":  # decodes at an eighth, a quarter or half where that is enough
            opened.draft(_RGB, (SIDE_PX_MAX * 2, SIDE_PX_MAX * 2))
        opened.load()
        picture: Image.Image = ImageOps.exif_transpose(opened)
    picture = _opaque(picture)
    picture.thumbnail((SIDE_PX_MAX, SIDE_PX_MAX), Image.Resampling.LANCZOS)
    # Pixels alone go on: a fresh picture knows nothing of the file that they came from.
    fresh = Image.frombytes(_RGB, picture.size, picture.tobytes())
    out = io.BytesIO()
    fresh.save(out, "JPEG", quality=JPEG_QUALITY, optimize=True)
    kept = out.getvalue()
    return KeptPhoto(kept, sha256_of(kept), fresh.width, fresh.height)


def _opaque(picture: Image.Image) -> Image.Image:
    if picture.has_transparency_data:
        over = picture.convert("RGBA")
        paper = Image.new("RGBA", over.size, (*_PAPER, 255))
        return Image.alpha_composite(paper, over).convert(_RGB)
    return picture.convert(_RGB)


def _invalid(message: str) -> RuleBroken:
    return RuleBroken(Code.PHOTO_INVALID, message, field="content")


def _unreadable() -> RuleBroken:
    return _invalid("This is no whole photo in JPEG, PNG or WebP. Take it again, or save it in one of these.")


def _too_large() -> RuleBroken:
    return RuleBroken(
        Code.PHOTO_TOO_LARGE,
        f"The photo is too large: at most {CONTENT_BYTES_MAX // 1_000_000} MB and"
        f" {PIXELS_MAX // 1_000_000} million pixels are taken. Make it smaller first.",
        field="content",
    )
