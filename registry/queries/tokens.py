"""Tokens of the API, without their secrets."""

from uuid import UUID

from django.db.models import QuerySet

from registry.models import ApiToken, DeviceToken
from registry.rules.errors import absent


def tokens_in() -> "QuerySet[ApiToken]":
    """Return all tokens with their people, in no order."""
    return ApiToken.objects.select_related("staff").defer("digest")


def token_now(token_id: UUID) -> ApiToken:
    """Return one token as of now; raises RuleBroken NOT_FOUND."""
    token = tokens_in().filter(pk=token_id).first()
    if token is None:
        raise absent("token")
    return token


def device_tokens_in() -> "QuerySet[DeviceToken]":
    """Return all tokens that may report, with their devices, in no order."""
    return DeviceToken.objects.select_related("device").defer("digest")


def device_token_now(token_id: UUID) -> DeviceToken:
    """Return one token that may report as of now; raises RuleBroken NOT_FOUND."""
    token = device_tokens_in().filter(pk=token_id).first()
    if token is None:
        raise absent("device_token")
    return token
