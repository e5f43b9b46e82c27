"""Photos of a cabinet and of what hangs in it; and their erasing."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import reverse

from registry.actions import photos as actions
from registry.console._choices import zone_of_stay
from registry.console._forms import PlainForm, Reason
from registry.console._pages import Asked, Visit
from registry.console._writing import Wish, write, writing
from registry.models import Photo
from registry.queries.cabinets import cabinet_at
from registry.queries.photos import photo_in, photos_in

PHOTOS_SHOWN_MAX = 60  # of a thing, the newest


class ErasePhotoForm(PlainForm):
    """Why a photo is erased."""

    reason = Reason()


def photos_of(visit: Visit, asked: Asked, **of: UUID) -> list[dict[str, Any]]:
    """Return the photos of a thing as known then, the newest first, each with what may be done to it."""
    rows = photos_in(visit.present, visit.scope).filter(registered__lte=asked.moment.index, **of)
    return [
        {
            "photo": row,
            "words": row.kind.replace("_", " "),
            "address": reverse("api_photo_image", args=[row.pk]),
            "buttons": []
            if row.erased
            else visit.buttons((actions.erase_photo, "Erase", reverse("admin:photo_erase", args=[row.pk]))),
        }
        for row in rows.order_by("-taken_at", "-pk")[:PHOTOS_SHOWN_MAX]
    ]


@writing(actions.erase_photo)
def erase(visit: Visit, key: UUID) -> HttpResponse:
    """Erase the bytes of a photo."""
    row: Photo = photo_in(key, visit.present, visit.scope)
    if row.cabinet_id is not None:
        visit.in_zone(zone_of_stay(cabinet_at(row.cabinet_id, visit.present, visit.scope).stay))
        back = reverse("admin:cabinet", args=[row.cabinet_id])
    else:  # a photo is of a cabinet or of a device: the database holds it
        back = reverse("admin:device", args=[row.device_id])
    return write(
        visit,
        Wish(
            title=f"Erase a photo ({row.kind.replace('_', ' ')})",
            form=ErasePhotoForm,
            action=actions.erase_photo,
            arguments=lambda form: {"photo_id": key, "reason": form.cleaned_data["reason"]},
            back=back,
            about=[key],
            words="The picture is wiped for good. That there was one, and its hash, stay in the ledger.",
        ),
    )
