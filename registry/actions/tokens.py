"""Tokens of the API: issued and revoked."""

from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._steps import find
from registry.models import ApiToken, Staff
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.roles import Act
from registry.rules.texts import clean_line
from registry.rules.tokens import LIFE_DEFAULT, check_expiry, digest_of_secret, new_secret


@action(Act.MANAGE_TOKENS)
def issue_token(
    writing: Writing, *, staff_id: UUID, name: str, expires_at: datetime | None = None, reason: str = ""
) -> tuple[ApiToken, str]:
    """Issue a token to a person for one phone or program; return it and its secret, to be shown once.

    It expires after rules.tokens.LIFE_DEFAULT unless told. Raises RuleBroken NOT_ACTIVE, TIME_INVALID,
    TEXT_INVALID, NOT_FOUND.
    """
    staff = find(Staff, staff_id, "staff")
    if not staff.is_active:
        raise RuleBroken(
            Code.NOT_ACTIVE, "This person has left. Choose somebody who is active.", field="staff"
        )
    expires = writing.now + LIFE_DEFAULT if expires_at is None else expires_at
    check_expiry(expires, writing.now)
    secret = new_secret()
    token = writing.insert(
        ApiToken(
            staff=staff,
            name=clean_line(name, "name"),
            digest=digest_of_secret(secret),
            expires_at=expires,
        )
    )
    writing.tell(Verb.TOKEN_ISSUED, writing.now, {"token": token, "staff": staff}, reason=reason)
    return token, secret


@action(Act.MANAGE_TOKENS)
def revoke_token(writing: Writing, *, token_id: UUID, reason: str = "") -> ApiToken:
    """Let nobody sign in with a token any more; raises RuleBroken NOTHING_CHANGES, NOT_FOUND."""
    token = find(ApiToken, token_id, "token")
    writing.revise(token, revoked=True)
    writing.tell(Verb.TOKEN_REVOKED, writing.now, {"token": token, "staff": token.staff}, reason=reason)
    return token
