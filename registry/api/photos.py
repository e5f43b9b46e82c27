"""Photos as evidence: added, shown and erased."""

from collections.abc import Mapping
from http import HTTPStatus
from io import BytesIO
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django.http.request import HttpRequest, UnreadablePostError
from django_filters import ChoiceFilter, UUIDFilter
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import photos as actions
from registry.api._conditions import entity_tag, is_known, require_match
from registry.api._fields import In, JpegOut, Key, MomentField, PhotoContent, Text
from registry.api._filters import TruthFilter
from registry.api._views import INDEX_HEADER, ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.api.problems import ApiCode, Problem
from registry.models import Photo
from registry.queries.moments import Moment, present
from registry.queries.photos import bytes_of, photo_in, photos_in
from registry.rules.photos import CONTENT_BYTES_MAX, MEDIA_TYPE, PhotoKind

# A photo in base64, and what stands beside it.
BODY_BYTES_MAX = CONTENT_BYTES_MAX * 4 // 3 + 10_000
_KINDS = [str(kind) for kind in PhotoKind]

# --- what is read ----------------------------------------------------------------------------------


class AddPhotoIn(In):
    """A photo. JPEG, PNG and WebP are taken; nothing but the picture is kept of it."""

    id = Key(required=False, help_text="a fresh key of your own, if you need to name it before it is sent")
    kind = serializers.ChoiceField(choices=_KINDS)
    assignment = Key(required=False, source="assignment_id", help_text="names its cabinet and device itself")
    visit = Key(required=False, source="visit_id")
    cabinet = Key(required=False, source="cabinet_id")
    device = Key(required=False, source="device_id")
    taken_at = MomentField()
    content = PhotoContent(source="kept", help_text="the bytes of the file in base64")


class ErasePhotoIn(In):
    """A photo is erased."""

    reason = Text(required=False, help_text="enters the ledger for good, so nothing personal")


# --- what is shown ---------------------------------------------------------------------------------


class PhotoOut(serializers.Serializer):  # type: ignore[type-arg]
    """A photo, without its bytes."""

    id = serializers.UUIDField()
    kind = serializers.ChoiceField(choices=_KINDS)
    assignment = serializers.UUIDField(allow_null=True)
    visit = serializers.UUIDField(source="visit_id", allow_null=True)
    cabinet = serializers.UUIDField(source="cabinet_id", allow_null=True)
    device = serializers.UUIDField(source="device_id", allow_null=True)
    sha256 = serializers.CharField(help_text="of the bytes that /image/ answers, which the ledger binds")
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()
    taken_at = MomentField()
    erased = serializers.BooleanField(help_text="true: nothing is held of it but its hash")


class PhotoFilter(RegisterFilter):
    """Filters of photos."""

    kind = ChoiceFilter(choices=[(word, word) for word in _KINDS], label="of this kind")
    assignment = UUIDFilter(label="of this assignment")
    visit = UUIDFilter(field_name="visit_id", label="taken at this visit")
    cabinet = UUIDFilter(field_name="cabinet_id", label="of this cabinet")
    device = UUIDFilter(field_name="device_id", label="of this device")
    erased = TruthFilter(label="false: those only of which something is held")


# --- addresses -------------------------------------------------------------------------------------


class PhotoShown(RegisterView):
    """How one photo is shown."""

    noun, place = "photo", "photos"
    out = PhotoOut

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a photo; raises RuleBroken NOT_FOUND."""
        return self.out(photo_in(key, moment, self.scope)).data


class PhotosView(PhotoShown, ListView):
    """Photos of cabinets and devices of this person's depots."""

    filters = PhotoFilter

    def initial(self, request: Request, *args: Any, **keys: Any) -> None:
        """Sign in, then take a body that is larger than any other that the API reads."""
        if request.method == "POST":
            self.perform_authentication(request)
            self.check_permissions(request)
            take_body(request._request, BODY_BYTES_MAX)
        super().initial(request, *args, **keys)

    def rows(self, moment: Moment) -> "QuerySet[Photo]":
        """Return the photos that this person may see."""
        return photos_in(moment, self.scope)

    @changes(actions.add_photo, AddPhotoIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Add a photo."""
        return self.change(made=lambda photo: photo.pk, **given)


class PhotoView(PhotoShown, ThingView):
    """One photo, without its bytes."""


class PhotoImageView(RegisterView):
    """The bytes of one photo."""

    noun = "photo"
    out = OpenApiTypes.BINARY
    renderer_classes = (JpegOut,)
    tagged = True

    def get(self, request: Request, key: UUID) -> HttpResponse:
        """Show the picture. Erased, it is not there any more."""
        self.only()
        moment = present()
        content = bytes_of(photo_in(key, moment, self.scope))
        tag = entity_tag(content)
        require_match(request.headers, tag)
        headers = {
            "ETag": tag,
            INDEX_HEADER: str(moment.index),
            # Asked again each time: an erased photo is not to be shown out of a cache.
            "Cache-Control": "private, no-cache",
            "X-Content-Type-Options": "nosniff",
            "Content-Security-Policy": "default-src 'none'; sandbox",
        }
        if is_known(request.headers, tag):
            return HttpResponse(status=HTTPStatus.NOT_MODIFIED, headers=headers)
        return HttpResponse(content, content_type=MEDIA_TYPE, headers=headers)


class PhotoEraseView(PhotoShown):
    """The erasing of a photo."""

    @changes(actions.erase_photo, ErasePhotoIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Erase the bytes of a photo; its hash stays."""
        return self.change(key=key, photo_id=key, **given)


def take_body(request: HttpRequest, bytes_max: int) -> None:
    """Read a body that may be larger than the framework's limit for all of them.

    Raises Problem TOO_LARGE for one that is larger than `bytes_max`, or that broke off.
    """
    stated = request.META.get("CONTENT_LENGTH") or "0"
    if not stated.isdigit() or int(stated) > bytes_max:
        raise Problem(ApiCode.TOO_LARGE, "The body is too large. Make the photo smaller first.")
    try:
        body = request.read(int(stated))
    except UnreadablePostError:
        raise Problem(ApiCode.TOO_LARGE, "The body broke off. Send it again.") from None
    # As HttpRequest.body keeps it, so that parser and digest find it.
    request._body = body
    request._stream = BytesIO(body)
