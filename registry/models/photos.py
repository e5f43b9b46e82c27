"""Photos as evidence. The ledger binds their bytes by hash; the bytes can be erased."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from registry.models.base import Keyed, LedgerKind, Record, one_of, word_field
from registry.models.cabinets import Cabinet
from registry.models.devices import Device
from registry.rules.photos import SIDE_PX_MAX, PhotoKind

SHA256_HEX_LENGTH = 64


class Photo(Record):
    """A photo of a cabinet or a device. Its bytes are in PhotoFile; `sha256` is of them."""

    kind = word_field()
    assignment = models.UUIDField(null=True, db_index=True)  # the stable identity of the assignment's period
    visit_id = models.UUIDField(null=True, db_index=True)
    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, null=True, related_name="photos")
    device = models.ForeignKey(Device, on_delete=models.PROTECT, null=True, related_name="photos")
    sha256 = models.CharField(max_length=SHA256_HEX_LENGTH)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    taken_at = models.DateTimeField()
    erased = models.BooleanField(default=False)

    class Meta:
        constraints = [
            one_of("kind", PhotoKind, "photo_kind_known"),
            models.CheckConstraint(
                condition=Q(cabinet__isnull=False) | Q(device__isnull=False), name="photo_of_something"
            ),
            models.CheckConstraint(
                condition=Q(
                    width_px__gte=1,
                    width_px__lte=SIDE_PX_MAX,
                    height_px__gte=1,
                    height_px__lte=SIDE_PX_MAX,
                ),
                name="photo_size_kept",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"photo {str(self.pk)[-6:]}"


class PhotoFile(Keyed):
    """The bytes of a photo: wiped when the photo is erased."""

    ledger_kind: ClassVar[LedgerKind] = LedgerKind.ERASABLE

    photo = models.OneToOneField(Photo, on_delete=models.PROTECT, related_name="file")
    sha256 = models.CharField(max_length=SHA256_HEX_LENGTH)
    content = models.BinaryField(null=True)

    def __str__(self) -> str:
        return f"bytes of {self.photo_id}"
