"""Tokens of the API, each for one phone or program of one person. A secret is shown once and never kept."""

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
from registry.models import ApiToken
from registry.queries.moments import Moment
from registry.queries.tokens import token_now, tokens_in
from registry.rules.roles import Act
from registry.rules.tokens import LIFE_DEFAULT, LIFE_MAX

SHOWN_NOW = "Write the secret down or put it into the phone now; it is not shown again."
SHOWN_BEFORE = (
    "The secret was shown once, with the first answer to this request. If that was lost, revoke this"
    " token and issue another."
)

# --- what is read ----------------------------------------------------------------------------------


class IssueIn(In):
    """A token for one phone or program of a person."""

    staff = Key(source="staff_id")
    name = Text(help_text="of the phone or program")
    expires_at = MomentField(
        required=False,
        help_text=f"in {LIFE_DEFAULT.days} days unless told, in {LIFE_MAX.days} days at the latest",
    )
    reason = Text(required=False, help_text="enters the ledger for good, so nothing personal")


# --- what is shown ---------------------------------------------------------------------------------


class TokenOut(serializers.Serializer):  # type: ignore[type-arg]
    """A token, without its secret."""

    id = serializers.UUIDField()
    staff = serializers.UUIDField(source="staff_id")
    staff_name = serializers.CharField(source="staff.name")
    name = serializers.CharField(help_text="of the phone or program")
    expires_at = MomentField()
    revoked = serializers.BooleanField()


class IssuedOut(TokenOut):
    """A token that was issued, with its secret."""

    secret = serializers.CharField(allow_null=True, help_text="null where it was shown before")
    words = serializers.CharField(help_text="what to do with the secret")


class TokenFilter(RegisterFilter):
    """Filters of tokens."""

    staff = UUIDFilter(field_name="staff_id", label="of this person")
    revoked = TruthFilter(label="false: those only that were not revoked")


# --- addresses -------------------------------------------------------------------------------------


class TokenShown(RegisterView):
    """How one token is shown."""

    noun, place = "token", "tokens"
    out = TokenOut
    reads = Act.MANAGE_TOKENS

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a token without its secret; raises RuleBroken NOT_FOUND."""
        return self.out(token_now(key)).data


class TokensView(TokenShown, ListView):
    """Tokens, those that expired or were revoked too."""

    filters = TokenFilter
    searches = ("name", "staff__name", "staff__username")
    orderings = ("expires_at", "name")

    def rows(self, moment: Moment) -> "QuerySet[ApiToken]":
        """Return all tokens."""
        return tokens_in()

    @changes(actions.issue_token, IssueIn, status=HTTPStatus.CREATED, conditional=False, out=IssuedOut)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Issue a token; the answer shows its secret, once."""
        return self.change(
            made=lambda issued: issued[0].pk,
            answer=lambda issued: self._issued(*issued),
            **given,
        )

    def _issued(self, token: ApiToken, secret: str) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
        shown = self.out(token).data
        return (
            {**shown, "secret": secret, "words": SHOWN_NOW},
            {**shown, "secret": None, "words": SHOWN_BEFORE},
        )


class TokenView(TokenShown, ThingView):
    """One token."""


class TokenRevokeView(TokenShown):
    """The revoking of a token."""

    @changes(actions.revoke_token, WhyIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Let nobody sign in with a token any more."""
        return self.change(key=key, token_id=key, **given)
