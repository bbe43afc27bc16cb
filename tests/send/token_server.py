"""An authorisation server and a resource server for SMART Backend Services, on loopback.

It judges client assertions with joserfc, which shares no code with the library that signs them here (PyJWT):
RFC 7523 section 3, SMART App Launch 2 "Client Authentication: Asymmetric", RFC 6749 sections 4.4 and 5.
"""

from __future__ import annotations

import base64
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, unquote

from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


@dataclass
class TokenServer:
    """``keys`` are the public keys of ``client_id``, ``secret`` its secret; ``valid`` the tokens that count now."""

    client_id: str = "newborn-adapter"
    keys: dict[str, Any] | None = None
    secret: str | None = None
    lifetime: int = 300
    base: str = ""
    token_endpoint: str = ""
    valid: set[str] = field(default_factory=set)
    given: int = 0
    refusals: list[str] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    headers: list[dict[str, Any]] = field(default_factory=list)
    scopes: list[str] = field(default_factory=list)
    fail_with: int = 0

    def configuration(self) -> dict[str, Any]:
        """SMART App Launch 2, conformance: .well-known/smart-configuration."""
        return {
            "token_endpoint": self.token_endpoint or f"{self.base}/token",
            "grant_types_supported": ["client_credentials"],
            "token_endpoint_auth_methods_supported": ["private_key_jwt"],
            "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
            "capabilities": ["client-confidential-asymmetric"],
        }

    def token(self, form: dict[str, list[str]], authorization: str) -> tuple[int, dict[str, Any]]:
        if self.fail_with:
            return self.fail_with, {}
        if form.get("grant_type") != ["client_credentials"]:
            return 400, {"error": "unsupported_grant_type"}
        try:
            self._check(form, authorization)
        except (JoseError, ValueError, KeyError) as error:
            self.refusals.append(str(error))
            return 401, {"error": "invalid_client", "error_description": f"{error}: {form.get('client_assertion')}"}
        self.given += 1
        self.scopes += form["scope"]
        token = f"token-{self.given}"
        self.valid.add(token)
        return 200, {"access_token": token, "token_type": "bearer", "expires_in": self.lifetime, "scope": "any"}

    def _check(self, form: dict[str, list[str]], authorization: str) -> None:
        if self.secret is not None:
            name, _, secret = base64.b64decode(authorization.removeprefix("Basic ")).decode().partition(":")
            if (unquote(name), unquote(secret)) != (self.client_id, self.secret):
                raise ValueError("wrong secret")
            return
        if form["client_assertion_type"] != [ASSERTION]:
            raise ValueError("another kind of assertion")
        token = jwt.decode(
            form["client_assertion"][0], KeySet.import_key_set(self.keys), algorithms=["RS384", "ES384"]
        )
        audience = self.token_endpoint or f"{self.base}/token"
        claims = jwt.JWTClaimsRegistry(
            iss={"essential": True, "value": self.client_id},
            sub={"essential": True, "value": self.client_id},
            aud={"essential": True, "value": audience},
            exp={"essential": True},
            jti={"essential": True},
        )
        claims.validate(token.claims)
        if token.claims["exp"] - token.claims["iat"] > 300:
            raise ValueError("valid for more than five minutes")
        if token.claims["jti"] in self.used:
            raise ValueError("used before")
        self.used.add(token.claims["jti"])
        self.headers.append(token.header)


@contextmanager
def serving(made: TokenServer) -> Iterator[TokenServer]:
    """At ``made.base``: ``metadata`` for who bears a valid token, ``token`` and the SMART configuration for all."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", 0))).decode()
            authorization = self.headers.get("authorization", "")
            if self.path.endswith("/smart-configuration"):
                self.answer(200, made.configuration())
            elif self.path.endswith("/token"):
                self.answer(*made.token(parse_qs(body), authorization))
            elif authorization.removeprefix("Bearer ") in made.valid:
                self.answer(200, {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"})
            else:
                self.answer(401, {})

        do_POST = do_GET

        def answer(self, status: int, content: dict[str, Any]) -> None:
            body = json.dumps(content).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/fhir+json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    made.base = f"http://127.0.0.1:{server.server_port}/fhir"
    try:
        yield made
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
