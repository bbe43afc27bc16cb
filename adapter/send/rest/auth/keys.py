"""Our private key, and the assertions it signs (RFC 7523, section 3; SMART App Launch 2, asymmetric
authentication: RS384 or ES384, ``kid``, ``jti``, at most five minutes).

Signing is PyJWT's. A key is a PEM file, a JWK, or a JWK Set of which ``key_id`` names one.
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

import jwt
from jwt.algorithms import ECAlgorithm, RSAAlgorithm

from adapter.problems import AdapterError, ExitCode

LIFETIME = 240


class BadSigningKey(AdapterError, ValueError):
    """Not a private key that can sign RS384 or ES384; the message says why and holds nothing of it."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key with its algorithm and its id."""

    private: Any
    algorithm: str
    key_id: str | None

    def __repr__(self) -> str:
        return f"SigningKey({self.algorithm})"

    def assertion(self, client_id: str, audience: str, jwks_url: str | None = None) -> str:
        """A JWT that says who we are to the token endpoint at ``audience``; a new one for each request."""
        now = int(time.time())
        claims = {
            "iss": client_id,
            "sub": client_id,
            "aud": audience,
            "jti": str(uuid4()),
            "iat": now,
            "exp": now + LIFETIME,
        }
        headers = {"typ": "JWT", "kid": self.key_id, "jku": jwks_url}
        kept = {name: value for name, value in headers.items() if value}
        return jwt.encode(claims, self.private, algorithm=self.algorithm, headers=kept)


def signing_key(text: str, key_id: str | None) -> SigningKey:
    """From PEM, JWK or JWK Set. Raises :class:`BadSigningKey`."""
    if text.lstrip().startswith("{"):
        return _from_jwk(_chosen(text, key_id), key_id)
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        private = load_pem_private_key(text.encode(), password=None)
    except TypeError:
        raise BadSigningKey(
            "the key has a passphrase; keep it without one, in a file only this program may read"
        ) from None
    except (ValueError, UnsupportedAlgorithm):
        raise BadSigningKey("the key is not a private key in PEM form, nor a JWK") from None
    return _checked(private, key_id)


def _chosen(text: str, key_id: str | None) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except ValueError:
        raise BadSigningKey("the key file begins as JSON and is none") from None
    keys = found.get("keys", [found])
    private = [key for key in keys if isinstance(key, dict) and "d" in key and key_id in (None, key.get("kid"))]
    if len(private) != 1:
        wanted = f" with the id {key_id}" if key_id else "; name one with key_id"
        raise BadSigningKey(f"the key file holds {len(private)} private keys{wanted}")
    return private[0]


def _from_jwk(key: dict[str, Any], key_id: str | None) -> SigningKey:
    if key.get("kty") not in ("RSA", "EC"):
        raise BadSigningKey("the key is neither RSA nor EC")
    try:
        private = RSAAlgorithm.from_jwk(key) if key["kty"] == "RSA" else ECAlgorithm.from_jwk(key)
    except (jwt.InvalidKeyError, ValueError, KeyError, TypeError):
        raise BadSigningKey("the JWK cannot be used as a private key") from None
    return _checked(private, key_id or key.get("kid"))


def _checked(private: Any, key_id: str | None) -> SigningKey:
    from cryptography.hazmat.primitives.asymmetric.ec import SECP384R1, EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey

    if isinstance(private, RSAPrivateKey):
        if private.key_size < 2048:
            raise BadSigningKey(f"the RSA key has {private.key_size} bits; 2048 or more are needed")
        return SigningKey(private, "RS384", key_id)
    if isinstance(private, EllipticCurvePrivateKey) and isinstance(private.curve, SECP384R1):
        return SigningKey(private, "ES384", key_id)
    raise BadSigningKey("the key must be RSA (for RS384) or EC on the curve P-384 (for ES384)")
