"""Who asks the API: a token that was issued, or a browser that signed in to the console.

Tokens of people and tokens that may only report are two classes; no address takes both.
"""

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from registry.ledger import clock
from registry.models import ApiToken, DeviceToken, Staff
from registry.rules.tokens import digest_of_secret

SCHEME = "Bearer"


def _digest_in(request: Request) -> bytes | None:
    """Return the digest of the secret in the Authorization header, None where there is no such header.

    Looked up by the digest of 256 random bits: there is nothing to guess towards, so nothing to time.
    Raises AuthenticationFailed.
    """
    words = get_authorization_header(request).split()
    if not words or words[0].lower() != SCHEME.lower().encode():
        return None
    if len(words) != 2:
        raise AuthenticationFailed
    return digest_of_secret(words[1].decode("latin-1"))


class TokenAuthentication(BaseAuthentication):
    """A token in the Authorization header (RFC 6750, section 2.1): known, not expired, not revoked."""

    def authenticate(self, request: Request) -> tuple[Staff, ApiToken] | None:
        """Return the person and the token; None where there is no such header; else AuthenticationFailed."""
        digest = _digest_in(request)
        if digest is None:
            return None
        token = ApiToken.objects.filter(digest=digest, revoked=False).select_related("staff").first()
        if token is None or token.expires_at <= clock.now() or not token.staff.is_active:
            raise AuthenticationFailed
        return token.staff, token

    def authenticate_header(self, request: Request) -> str:
        """Return how to sign in."""
        return SCHEME


class Reporter:
    """What posts readings: a device or a gateway, and no person."""

    is_authenticated = True


class DeviceTokenAuthentication(BaseAuthentication):
    """A token that may post readings, in the same header: known, not expired, not revoked."""

    def authenticate(self, request: Request) -> tuple[Reporter, DeviceToken] | None:
        """Return the token; None where there is no such header; else AuthenticationFailed."""
        digest = _digest_in(request)
        if digest is None:
            return None
        token = DeviceToken.objects.filter(digest=digest, revoked=False).select_related("device").first()
        if token is None or token.expires_at <= clock.now():
            raise AuthenticationFailed
        return Reporter(), token

    def authenticate_header(self, request: Request) -> str:
        """Return how to sign in."""
        return SCHEME


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """Tells the schema how a token is sent."""

    target_class = TokenAuthentication
    name = "token"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        """Return the scheme in the words of OpenAPI."""
        return {"type": "http", "scheme": SCHEME.lower()}


class DeviceTokenScheme(TokenScheme):
    """Tells the schema how a token of a device or a gateway is sent."""

    target_class = DeviceTokenAuthentication
    name = "device_token"
