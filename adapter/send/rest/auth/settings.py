"""What a target file may say of authorisation; never a secret itself."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, model_validator


class AuthKind(StrEnum):
    """``bearer``: a token that others gave us; ``client-credentials``: RFC 6749, section 4.4, with a secret;
    ``backend-services``: SMART App Launch 2, Backend Services, with a key (RFC 7523)."""

    NONE = "none"
    BEARER = "bearer"
    CLIENT_CREDENTIALS = "client-credentials"
    BACKEND_SERVICES = "backend-services"


_NEEDS = {
    AuthKind.NONE: (),
    AuthKind.BEARER: ("token",),
    AuthKind.CLIENT_CREDENTIALS: ("client_id", "client_secret"),
    AuthKind.BACKEND_SERVICES: ("client_id", "key"),
}


class AuthSettings(BaseModel):
    """``*_env`` names an environment variable, ``*_file`` a file. ``token_url`` is found by discovery
    (``.well-known/smart-configuration``) where it is not given. ``key_id`` chooses a key of a JWK Set;
    ``scope`` is what is asked for, ``ahead`` how many seconds before its end a token is renewed."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    kind: AuthKind = AuthKind.NONE
    token_env: str | None = None
    token_file: Path | None = None
    client_id: str | None = None
    client_secret_env: str | None = None
    client_secret_file: Path | None = None
    key_file: Path | None = None
    key_env: str | None = None
    key_id: str | None = None
    jwks_url: str | None = None
    token_url: str | None = None
    scope: str = "system/*.cruds"
    ahead: float = Field(default=60.0, ge=0, le=3600)

    @model_validator(mode="after")
    def _complete(self) -> AuthSettings:
        for need in _NEEDS[self.kind]:
            names = [need] if need == "client_id" else [f"{need}_env", f"{need}_file"]
            given = [name for name in names if getattr(self, name) is not None]
            if len(given) != 1:
                raise ValueError(f"{self.kind.value} needs {' or '.join(names)}{', not both' if given else ''}")
        return self
