"""Tokens by which a program, a person's phone, or a device signs in to the API."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from registry.models.base import Record, line_field
from registry.models.devices import Device
from registry.models.staff import Staff

DIGEST_LENGTH = 32  # bytes of SHA-256


class ApiToken(Record):
    """A token of one person, named after the phone that holds it. Only a digest of its secret is kept."""

    not_imaged: ClassVar[dict[str, str]] = {
        "name": "people name phones after themselves, so it is personal",
        "digest": "a digest of a secret; an entry says that a token was issued",
    }

    staff = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="tokens")
    name = line_field()
    digest = models.BinaryField(max_length=DIGEST_LENGTH, unique=True)
    expires_at = models.DateTimeField()
    revoked = models.BooleanField(default=False)

    class Meta:
        verbose_name = "token"

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"token {str(self.pk)[-6:]}"


class DeviceToken(Record):
    """A token that may post readings and do nothing else: of one device, or of a gateway that may report for
    all. Only a digest of its secret is kept."""

    not_imaged: ClassVar[dict[str, str]] = {
        "digest": "a digest of a secret; an entry says that a token was issued",
    }

    device = models.ForeignKey(Device, on_delete=models.PROTECT, null=True, related_name="+")
    name = line_field()
    digest = models.BinaryField(max_length=DIGEST_LENGTH, unique=True)
    expires_at = models.DateTimeField()
    revoked = models.BooleanField(default=False)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(name=""), name="device_token_has_name")]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return self.name
