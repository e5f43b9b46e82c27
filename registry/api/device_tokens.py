"""Tokens by which devices and gateways report, and do nothing else. A secret is shown once and never kept."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request

from registry.actions import tokens as actions
from registry.api._fields import In, Key, MomentField, Text
from registry.api._filters import TruthFilter
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.api.staff import WhyIn
from registry.api.tokens import SHOWN_BEFORE, SHOWN_NOW
from registry.models import DeviceToken
from registry.queries.moments import Moment
from registry.queries.tokens import device_token_now, device_tokens_in
from registry.rules.roles import Act
from registry.rules.tokens import DEVICE_LIFE_DEFAULT, DEVICE_LIFE_MAX


class IssueDeviceTokenIn(In):
    """A token for one device, or for a gateway that may report for all."""

    id = Key(required=False, help_text="the key of what is made; made here unless told")
    name = Text(help_text="of the gateway or device; enters the ledger for good, so nothing personal")
    device = Key(required=False, source="device_id", help_text="the one it may report for; all unless told")
    expires_at = MomentField(
        required=False,
        help_text=f"in {DEVICE_LIFE_DEFAULT.days} days unless told, in {DEVICE_LIFE_MAX.days} at the latest",
    )
    reason = Text(required=False, help_text="enters the ledger for good, so nothing personal")


class DeviceTokenOut(serializers.Serializer):  # type: ignore[type-arg]
    """A token that may report, without its secret."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    device = serializers.UUIDField(source="device_id", allow_null=True, help_text="null: it reports for all")
    serial = serializers.CharField(source="device.serial", default=None, allow_null=True)
    expires_at = MomentField()
    revoked = serializers.BooleanField()


class IssuedDeviceTokenOut(DeviceTokenOut):
    """A token that was issued, with its secret."""

    secret = serializers.CharField(allow_null=True, help_text="null where it was shown before")
    words = serializers.CharField(help_text="what to do with the secret")


class DeviceTokenFilter(RegisterFilter):
    """Filters of tokens that may report."""

    device = UUIDFilter(field_name="device_id", label="of this device")
    revoked = TruthFilter(label="false: those only that were not revoked")


class DeviceTokenShown(RegisterView):
    """How one token that may report is shown."""

    noun, place = "device_token", "device-tokens"
    out = DeviceTokenOut
    reads = Act.MANAGE_TOKENS

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a token without its secret; raises RuleBroken NOT_FOUND."""
        return self.out(device_token_now(key)).data


class DeviceTokensView(DeviceTokenShown, ListView):
    """Tokens that may report, those that expired or were revoked too."""

    filters = DeviceTokenFilter
    searches = ("name", "device__serial")
    orderings = ("expires_at", "name")

    def rows(self, moment: Moment) -> "QuerySet[DeviceToken]":
        """Return all of them."""
        return device_tokens_in()

    @changes(
        actions.issue_device_token,
        IssueDeviceTokenIn,
        status=HTTPStatus.CREATED,
        conditional=False,
        out=IssuedDeviceTokenOut,
    )
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Issue a token that may report; the answer shows its secret, once."""
        return self.change(
            made=lambda issued: issued[0].pk,
            answer=lambda issued: self._issued(*issued),
            **given,
        )

    def _issued(self, token: DeviceToken, secret: str) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
        shown = self.out(token).data
        return (
            {**shown, "secret": secret, "words": SHOWN_NOW},
            {**shown, "secret": None, "words": SHOWN_BEFORE},
        )


class DeviceTokenView(DeviceTokenShown, ThingView):
    """One token that may report."""


class DeviceTokenRevokeView(DeviceTokenShown):
    """The revoking of a token that may report."""

    @changes(actions.revoke_device_token, WhyIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Let nothing report by a token any more."""
        return self.change(key=key, device_token_id=key, **given)
