"""A server to send to, as a small YAML file: where it is, who we are there, how bytes travel, how patient we are.

It holds no secret: only the names of environment variables and files that do.

    url: https://fhir.hospital.example/r4
    auth:
      kind: backend-services          # or client-credentials, bearer, none
      client_id: newborn-adapter
      key_file: /etc/newborn-adapter/key.pem
      scope: system/*.cruds
    tls: {ca_bundle: /etc/ssl/hospital.pem}
    timeouts: {connect: 10, read: 60, whole: 180}
    retry: {tries: 8, first: 0.5, longest: 60, patience: 120}
    parallel: 4

A listener of HL7 v2 has the url ``mllps://host:port`` (or ``mllp://``), and of these tls, timeouts and retry.
"""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from adapter.problems import AdapterError, ExitCode
from adapter.send.auth import AuthSettings, auth_of
from adapter.send.carrier import Carrier
from adapter.send.client import FhirClient, Format, Prefer, Timeouts, Wire
from adapter.send.fhir_carrier import FhirCarrier
from adapter.send.mllp import MllpCarrier, mllp_address
from adapter.send.policy import Retry

Seconds = Annotated[float, Field(gt=0, le=86_400)]
_SECRETS = ("password", "secret", "client_secret", "token", "access_token", "key", "private_key")


class BadTarget(AdapterError, ValueError):
    """A target that cannot be used; the message says where and what would be right, and repeats no value."""

    exit_code = ExitCode.USAGE


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class Tls(_Frozen):
    """``ca_bundle``: whom to trust instead of the system's authorities; ``client_cert`` and ``client_key``: who we
    are in mutual TLS (PEM files; the key may stand in the certificate's file)."""

    ca_bundle: Path | None = None
    client_cert: Path | None = None
    client_key: Path | None = None

    @model_validator(mode="after")
    def _whole(self) -> Tls:
        if self.client_key is not None and self.client_cert is None:
            raise ValueError("client_key needs client_cert")
        return self

    def context(self) -> ssl.SSLContext | None:
        """For httpx; None where nothing is said. Raises :class:`BadTarget` for files that are not there or no PEM."""
        if self.ca_bundle is None and self.client_cert is None:
            return None
        try:
            made = ssl.create_default_context(cafile=str(self.ca_bundle) if self.ca_bundle else None)
            if self.client_cert is not None:
                made.load_cert_chain(self.client_cert, self.client_key, password=_no_password)
        except (OSError, ssl.SSLError) as error:
            raise BadTarget(f"tls: a certificate or key cannot be used ({error.strerror or error})") from None
        return made


class Times(_Frozen):
    """See :class:`adapter.send.client.Timeouts`."""

    connect: Seconds = 10
    read: Seconds = 60
    whole: Seconds = 180


class Tries(_Frozen):
    """See :class:`adapter.send.policy.Retry`."""

    tries: int = Field(default=8, ge=1, le=100)
    first: Seconds = 0.5
    longest: Seconds = 60
    patience: Seconds = 120


class Target(_Frozen):
    """A server and how to send to it."""

    url: str
    auth: AuthSettings = Field(default_factory=AuthSettings)
    tls: Tls = Field(default_factory=Tls)
    proxy: str | None = None
    timeouts: Times = Field(default_factory=Times)
    retry: Tries = Field(default_factory=Tries)
    parallel: int = Field(default=4, ge=1, le=64)
    format: Format = "json"
    gzip: bool = False
    prefer: Prefer = "minimal"
    allow_plain_http: bool = False
    allow_plain_mllp: bool = False

    @property
    def is_mllp(self) -> bool:
        """Whether it is a listener of HL7 v2 messages, not a FHIR server."""
        return self.url.startswith(("mllp://", "mllps://"))

    @model_validator(mode="after")
    def _of_one_kind(self) -> Target:
        given = self.model_fields_set & {"auth", "proxy", "format", "gzip", "prefer", "allow_plain_http"}
        if self.is_mllp and given:
            raise ValueError(f"{', '.join(sorted(given))}: not for mllp, which has none; use tls to say who we are")
        return self

    @contextmanager
    def carrier(self) -> Iterator[Carrier]:
        """A connection to a receiver of any kind. Raises :class:`BadTarget`."""
        if not self.is_mllp:
            with self.client() as client:
                yield FhirCarrier(client)
            return
        try:
            address = mllp_address(self.url, self.allow_plain_mllp)
        except ValueError as error:
            raise BadTarget(str(error)) from None
        times = Timeouts(self.timeouts.connect, self.timeouts.read, self.timeouts.whole)
        with MllpCarrier(address, times, self.tls.context()) as carrier:
            yield carrier

    def client(self) -> FhirClient:
        """A connection. Raises :class:`BadTarget`."""
        tls = self.tls.context()
        if self.proxy is not None and "@" in self.proxy:
            raise BadTarget("proxy: no user name or password here; set HTTPS_PROXY instead")
        try:
            times = Timeouts(self.timeouts.connect, self.timeouts.read, self.timeouts.whole)
            return FhirClient(
                self.url,
                timeout=times,
                auth=auth_of(self.auth, self.url, times, tls, self.proxy, self.allow_plain_http),
                allow_plain_http=self.allow_plain_http,
                wire=Wire(self.format, self.gzip, self.prefer, tls, self.proxy),
            )
        except ValueError as error:
            raise BadTarget(str(error)) from None

    def retries(self) -> Retry:
        """The policy of the sender."""
        given = self.retry
        return Retry(tries=given.tries, first=given.first, longest=given.longest, patience=given.patience)


def load_target(path: Path) -> Target:
    """Read a target file. Raises :class:`BadTarget`."""
    try:
        content = yaml.safe_load(path.read_text("utf-8"))
    except OSError as error:
        raise BadTarget(f"{path} cannot be read: {error.strerror}") from None
    except (yaml.YAMLError, UnicodeDecodeError):
        raise BadTarget(f"{path} is not YAML") from None
    return target_of(content, str(path))


def target_of(content: object, name: str) -> Target:
    """From plain data. Raises :class:`BadTarget` with every place that is wrong."""
    try:
        return Target.model_validate(content)
    except ValidationError as error:
        lines = []
        for one in error.errors(include_input=False, include_url=False):
            place = ".".join(str(part) for part in one["loc"])
            if one["loc"] and one["loc"][-1] in _SECRETS:
                lines.append(f"{place}: no secrets here; name a file or an environment variable instead")
            else:
                lines.append(f"{place or 'the file'}: {one['msg']}")
        raise BadTarget(f"{name}: {'; '.join(lines)}") from None


def _no_password() -> str:
    """Never asks at the terminal: a key with a passphrase is refused."""
    return ""


__all__ = ["BadTarget", "Target", "load_target", "target_of"]
