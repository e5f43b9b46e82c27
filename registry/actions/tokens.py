"""Tokens of the API, of people and of what reports readings: issued and revoked."""

from datetime import datetime
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._steps import find, refuse_taken
from registry.models import ApiToken, Device, DeviceToken, Staff
from registry.models.base import new_key
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.roles import Act
from registry.rules.texts import clean_line
from registry.rules.tokens import (
    DEVICE_LIFE_DEFAULT,
    DEVICE_LIFE_MAX,
    LIFE_DEFAULT,
    check_expiry,
    digest_of_secret,
    new_secret,
)
from registry.rules.whereabouts import LIVE


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


@action(Act.MANAGE_TOKENS)
def issue_device_token(
    writing: Writing,
    *,
    name: str,
    device_id: UUID | None = None,
    expires_at: datetime | None = None,
    id: UUID | None = None,
    reason: str = "",
) -> tuple[DeviceToken, str]:
    """Issue a token that may post readings and nothing else; return it and its secret, to be shown once.

    It is a gateway's, which reports for all, or one device's, which reports for itself alone. It expires
    after rules.tokens.DEVICE_LIFE_DEFAULT unless told. Raises RuleBroken TIME_INVALID, TEXT_INVALID,
    NOT_FOUND, CODE_TAKEN for a key that another token has, DEVICE_NOT_AVAILABLE for a record that was merged
    or rejected.
    """
    device = None if device_id is None else find(Device, device_id, "device")
    if device is not None and device.standing not in LIVE:
        raise RuleBroken(
            Code.DEVICE_NOT_AVAILABLE,
            f"This record was {device.standing} and stands for no device. Choose the device that it became.",
            field="device",
        )
    expires = writing.now + DEVICE_LIFE_DEFAULT if expires_at is None else expires_at
    check_expiry(expires, writing.now, DEVICE_LIFE_MAX)
    refuse_taken(DeviceToken, "id", id)
    secret = new_secret()
    token = writing.insert(
        DeviceToken(
            id=id or new_key(),
            device=device,
            name=clean_line(name, "name"),
            digest=digest_of_secret(secret),
            expires_at=expires,
        )
    )
    writing.tell(
        Verb.DEVICE_TOKEN_ISSUED, writing.now, {"device_token": token, "device": device}, reason=reason
    )
    return token, secret


@action(Act.MANAGE_TOKENS)
def revoke_device_token(writing: Writing, *, device_token_id: UUID, reason: str = "") -> DeviceToken:
    """Let nothing report by a token any more; raises RuleBroken NOTHING_CHANGES, NOT_FOUND."""
    token = find(DeviceToken, device_token_id, "device_token")
    writing.revise(token, revoked=True)
    writing.tell(
        Verb.DEVICE_TOKEN_REVOKED, writing.now, {"device_token": token, "device": token.device}, reason=reason
    )
    return token
