"""Access tokens from an authorisation server, kept until shortly before they end.

RFC 6749 sections 4.4 and 5 (client credentials), RFC 7523 section 2.2 (private_key_jwt), SMART App Launch 2
Backend Services (discovery, scopes, no refresh token).
"""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Generator
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import httpx

from adapter.send.address import checked, origin
from adapter.send.failures import TO_DO, Cause, Unreachable, problem, unreachable
from adapter.send.policy import Timeouts
from adapter.send.rest.answers import Barred, ServerRefused, object_, seconds_to_wait, text
from adapter.send.rest.auth.secrets import NoSecret, Secret, is_token
from adapter.send.rest.auth.settings import AuthKind, AuthSettings
from adapter.send.rest.wire import opened, within

_ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_SHORTEST, _LONGEST = 300.0, 86_400.0
#: RFC 6749, section 5.2, and RFC 6750, section 3.1
_ERRORS = frozenset(
    {
        "invalid_request",
        "invalid_client",
        "invalid_grant",
        "unauthorized_client",
        "unsupported_grant_type",
        "invalid_scope",
        "insufficient_scope",
        "invalid_token",
    }
)


@dataclass(frozen=True, slots=True)
class Token:
    """An access token and the moment (monotonic seconds) from which it is renewed."""

    value: str
    renew_at: float

    def __repr__(self) -> str:
        return "Token()"


class TokenAuth(httpx.Auth):
    """Puts a token on every request; one thread renews it for all, ahead of its end or where it is refused."""

    def __init__(self, source: TokenClient) -> None:
        self._source = source
        self._lock = threading.Lock()
        self._token: Token | None = None

    def sync_auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        """One request, and after 401 a second with a new token."""
        token = self._current(None)
        request.headers["Authorization"] = f"Bearer {token.value}"
        response = yield request
        if response.status_code == 401:
            request.headers["Authorization"] = f"Bearer {self._current(token).value}"
            yield request

    def _current(self, refused: Token | None) -> Token:
        with self._lock:
            token = self._token
            if token is None or token is refused or time.monotonic() >= token.renew_at:
                token = self._token = self._source.fetch()
            return token


class TokenClient:
    """Asks for tokens. Raises ``ValueError`` at once for a key or an address that cannot be used."""

    def __init__(
        self,
        settings: AuthSettings,
        base_url: str,
        timeouts: Timeouts,
        tls: ssl.SSLContext | None,
        proxy: str | None,
        allow_plain_http: bool,
    ) -> None:
        self._settings, self._plain = settings, allow_plain_http
        self._base = checked(base_url, allow_plain_http)
        self._token_url = checked(settings.token_url, allow_plain_http) if settings.token_url else None
        if settings.kind is AuthKind.BACKEND_SERVICES:
            _key(settings)  # one that cannot be used is said at once; it is read anew for each token
        self._timeouts, self._tls, self._proxy = timeouts, tls, proxy

    def fetch(self) -> Token:
        """A new token.

        Raises :class:`Barred` where the server will not give us one, :class:`ServerRefused` where it fails,
        :class:`Unreachable` where it does not answer.
        """
        url = self._endpoint()
        asked = time.monotonic()
        form = {"grant_type": "client_credentials", "scope": self._settings.scope}
        status, answer = self._ask("POST", url, data=form | self._proof(url), headers=self._basic())
        if status != 200:
            # RFC 6749, section 5.2: error is one of a few words; the description is the server's own.
            error = text(answer, "error")
            raise _barred(status, f"{origin(url)} gives no token: {error if error in _ERRORS else status}")
        value, kind = text(answer, "access_token"), text(answer, "token_type")
        if not value or kind.lower() != "bearer":
            raise _barred(200, f"{origin(url)} answers without a bearer token")
        if not is_token(value):
            raise _barred(200, f"{origin(url)} gives a token of characters that no token may hold")
        return Token(value, asked + self._kept(answer.get("expires_in")))

    def _kept(self, lifetime: Any) -> float:
        """Seconds to use a token: until ``ahead`` of its end, and at least half its life."""
        given = isinstance(lifetime, int | float) and not isinstance(lifetime, bool) and lifetime > 0
        seconds = min(float(min(lifetime, _LONGEST)), _LONGEST) if given else _SHORTEST
        return max(seconds - self._settings.ahead, seconds / 2)

    def _endpoint(self) -> httpx.URL:
        """The token endpoint: as given, else as the server's SMART configuration says."""
        if self._token_url is None:
            place = httpx.URL(f"{self._base}/.well-known/smart-configuration")
            status, answer = self._ask("GET", place)
            found = text(answer, "token_endpoint")
            if status != 200 or not found:
                what = f"{origin(place)} has no SMART configuration with a token_endpoint"
                raise _barred(status, what, "token_url in the target file")
            try:
                self._token_url = checked(found, self._plain)
            except ValueError as error:
                raise _barred(200, f"the server's token_endpoint: {error}") from None
        return self._token_url

    def _proof(self, url: httpx.URL) -> dict[str, str]:
        if self._settings.kind is not AuthKind.BACKEND_SERVICES:
            return {}
        client_id = self._settings.client_id or ""
        try:
            assertion = _key(self._settings).assertion(client_id, str(url), self._settings.jwks_url)
        except ValueError as error:  # a key file that is being changed, or has been changed for the worse
            raise _barred(401, str(error)) from None
        return {"client_assertion_type": _ASSERTION, "client_assertion": assertion}

    def _basic(self) -> dict[str, str]:
        """RFC 6749, section 2.3.1: client id and secret, each form-encoded, as Basic."""
        if self._settings.kind is AuthKind.BACKEND_SERVICES:
            return {}
        secret = Secret(self._settings.client_secret_file, self._settings.client_secret_env, "client secret")
        try:
            pair = (quote(self._settings.client_id or "", safe=""), quote(secret.read(), safe=""))
        except NoSecret as error:
            raise _barred(401, str(error)) from None
        basic = httpx.BasicAuth(*pair)
        request = next(basic.auth_flow(httpx.Request("POST", "https://example.invalid")))
        return {"Authorization": request.headers["Authorization"]}

    def _http(self) -> httpx.Client:
        """A connection for one request: tokens are asked for seldom."""
        return opened(self._token_url or self._base, self._timeouts, tls=self._tls, proxy=self._proxy)

    def _ask(self, method: str, url: httpx.URL, **request: Any) -> tuple[int, dict[str, Any]]:
        headers = {"Accept": "application/json", **request.get("headers", {})}
        try:
            with self._http() as http, within(self._timeouts.whole):
                response = http.request(method, url, **{**request, "headers": headers})
        except httpx.TransportError as error:
            raise _no_token(unreachable(origin(url), error)) from None
        except httpx.DecodingError:
            raise Unreachable(f"{origin(url)} gave an answer that cannot be unpacked", Cause.TOKEN) from None
        if response.status_code >= 500 or response.status_code in (408, 429):
            wait = seconds_to_wait(response.headers.get("retry-after", ""))
            what = f"{origin(url)} answers {response.status_code} instead of a token"
            found = [problem("no-token", what, TO_DO[Cause.TOKEN])]
            raise ServerRefused(response.status_code, found, wait, cause=Cause.TOKEN)
        try:
            return response.status_code, object_(response.json())
        except (ValueError, RecursionError):
            return response.status_code, {}


def _barred(status: int, what: str, remedy: str = TO_DO[Cause.TOKEN]) -> Barred:
    return Barred(status, [problem("no-token", what, remedy)], cause=Cause.TOKEN)


def _no_token(error: Unreachable) -> Unreachable:
    """The same of the authorisation server; a certificate stays what is wrong."""
    return error if error.cause is Cause.CERTIFICATE else Unreachable(str(error), Cause.TOKEN)


def _key(settings: AuthSettings) -> Any:
    try:
        from adapter.send.rest.auth.keys import signing_key
    except ImportError:
        raise ValueError(
            "backend-services needs the extra 'oauth': in the checkout of this project, pip install '.[oauth]'"
        ) from None
    return signing_key(Secret(settings.key_file, settings.key_env, "key").read(), settings.key_id)
