"""Mountings and photos for tests, on top of the company of `world`."""

import base64
import io
from functools import cache
from typing import Any
from uuid import UUID

from PIL import Image

from registry.actions import mountings, photos
from registry.models import Mounting, Photo
from registry.rules.photos import KeptPhoto, re_encode
from tests.factories.world import DAY, HOUR, World


@cache
def raw_photo() -> bytes:
    """Return a small photo as a phone might take it."""
    out = io.BytesIO()
    Image.new("RGB", (64, 48), (40, 90, 120)).save(out, "JPEG")
    return out.getvalue()


@cache
def kept_photo() -> KeptPhoto:
    """Return what is kept of it."""
    return re_encode(raw_photo())


def sent_photo() -> str:
    """Return the photo as it is sent."""
    return base64.b64encode(raw_photo()).decode()


def facts(world: World, **changes: Any) -> dict[str, Any]:
    """Return facts of a mounting in a cabinet of which nobody knows how it is cooled."""
    return {
        "rail_parallel": True,
        "rail_behind_front_mm": 127,
        "cable_exit": "door_seal",
        "used_instead": "magnets",
        "tools_out": 14,
        "tools_back": 14,
        "serial_taken_at": world.start + 2 * DAY + HOUR,
        "cover_closed_at": world.start + 2 * DAY + 2 * HOUR,
        **changes,
    }


def mounted(world: World, assignment: UUID, **changes: Any) -> Mounting:
    """Record how the device of an assignment was mounted."""
    return mountings.record_mounting(world.office, assignment_id=assignment, facts=facts(world, **changes))


def photographed(world: World, **about: Any) -> Photo:
    """Add a photo of an assignment, a cabinet or a device."""
    given = {"kind": "label", "taken_at": world.start + 2 * DAY + HOUR, **about}
    return photos.add_photo(world.office, kept=kept_photo(), **given)
