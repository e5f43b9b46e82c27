"""Photos of cabinets and devices."""

from uuid import UUID

from django.db.models import Q, QuerySet

from registry.models import Photo, PhotoFile
from registry.queries.assignments import devices_in
from registry.queries.cabinets import stays_in
from registry.queries.moments import Moment
from registry.rules.errors import absent
from registry.rules.roles import Scope


def photos_in(moment: Moment, scope: Scope) -> "QuerySet[Photo]":
    """Return the photos that a person may see, in no order.

    A photo is seen by its cabinet, and by its device where it has none.
    """
    found = Photo.objects.select_related("cabinet", "device")
    if scope.everywhere:
        return found
    return found.filter(
        Q(cabinet__in=stays_in(moment, scope).values("cabinet"))
        | Q(cabinet=None, device__in=devices_in(moment, scope).values("pk"))
    )


def photo_in(photo_id: UUID, moment: Moment, scope: Scope) -> Photo:
    """Return one photo; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    found = photos_in(moment, scope).filter(pk=photo_id).first()
    if found is None:
        raise absent("photo")
    return found


def bytes_of(photo: Photo) -> bytes:
    """Return the bytes of a photo, JPEG; raises RuleBroken NOT_FOUND for one that was erased."""
    held = PhotoFile.objects.filter(photo=photo, content__isnull=False).first()
    if held is None or held.content is None:
        raise absent("photo")
    return bytes(held.content)
