"""Who we are to a server: nothing, a bearer token, OAuth 2.0 client credentials, SMART Backend Services.

Everything here is an ``httpx.Auth``. Secrets come from files and environment variables, are read when they are
needed, and stand in no message.
"""

from __future__ import annotations

import ssl

import httpx

from adapter.send.policy import Timeouts
from adapter.send.rest.auth.bearer import BearerAuth
from adapter.send.rest.auth.oauth import TokenAuth, TokenClient
from adapter.send.rest.auth.secrets import Secret
from adapter.send.rest.auth.settings import AuthKind, AuthSettings


def auth_of(
    settings: AuthSettings,
    base_url: str,
    timeouts: Timeouts,
    tls: ssl.SSLContext | None,
    proxy: str | None,
    allow_plain_http: bool,
) -> httpx.Auth | None:
    """The way in that the settings name. Raises ``ValueError`` for a key or address that cannot be used."""
    if settings.kind is AuthKind.NONE:
        return None
    if settings.kind is AuthKind.BEARER:
        return BearerAuth(Secret(settings.token_file, settings.token_env, "token"))
    return TokenAuth(TokenClient(settings, base_url, timeouts, tls, proxy, allow_plain_http))


__all__ = ["AuthKind", "AuthSettings", "BearerAuth", "Secret", "TokenAuth", "auth_of"]
