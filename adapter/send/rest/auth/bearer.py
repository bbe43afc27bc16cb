"""A token that others gave us (RFC 6750, section 2.1)."""

from __future__ import annotations

from collections.abc import Generator

import httpx

from adapter.send.failures import TO_DO, Cause, problem
from adapter.send.rest.answers import Barred
from adapter.send.rest.auth.secrets import NoSecret, Secret, is_token


class BearerAuth(httpx.Auth):
    """Sends the token with every request; where it is refused, looks once whether there is a new one."""

    def __init__(self, secret: Secret) -> None:
        self._secret = secret

    def sync_auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        """One request, and a second with a token that has changed in between."""
        token = self._token()
        request.headers["Authorization"] = f"Bearer {token}"
        response = yield request
        if response.status_code == 401 and (renewed := self._token()) != token:
            request.headers["Authorization"] = f"Bearer {renewed}"
            yield request

    def _token(self) -> str:
        try:
            token = self._secret.read()
        except NoSecret as error:
            raise _barred(str(error)) from None
        if not is_token(token):
            raise _barred("the token holds characters that no token may hold")
        return token


def _barred(what: str) -> Barred:
    return Barred(401, [problem("no-token", what, TO_DO[Cause.TOKEN])], cause=Cause.TOKEN)
