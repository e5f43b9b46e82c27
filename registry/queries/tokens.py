"""Tokens of the API, without their secrets."""

from uuid import UUID

from django.db.models import QuerySet

from registry.models import ApiToken
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
