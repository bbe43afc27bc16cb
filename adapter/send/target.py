"""A server to send to, as a small YAML file: where it is, who we are there, how bytes travel, how patient we are.

It holds no secret: only the names of environment variables and files that do.

    url: https://fhir.hospital.example/r4
    auth:
      kind: backend-services          # or client-credentials, bearer, none
      client_id: newborn-adapter
      key_file: /etc/newborn-adapter/key.pem
      scope: system/*.cruds
    tls: {ca_bundle: /etc/ssl/hospital.pem}
    timeouts: {connect: 10, read: 60, whole: 180, exam: 3600}
    retry: {tries: 8, first: 0.5, longest: 60, patience: 120, closed: 10, heed: 3600, budget: 21600, alike: 3}
    parallel: 4
    newborns: known                   # or made, where the server lacks them; usual on this machine alone
    persons: {mother: known, examiners: identifier, encounter: known, organisation: identifier, device: made}
    facts: 2                          # so many beside the number must agree: sex, date, time, order of birth
    server_words: all                 # what a server says of a refusal may repeat what is a patient's; usual: kept

A listener of HL7 v2 has the url ``mllps://host:port`` (or ``mllp://``), and of these tls, timeouts and retry.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal

import httpx
import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from adapter.catalogue.settings import Persons
from adapter.files.whole import open_to_others
from adapter.problems import AdapterError, ExitCode
from adapter.send.address import on_this_machine
from adapter.send.mllp import MllpTransport, mllp_address
from adapter.send.policy import Retry, Timeouts
from adapter.send.rest.auth import AuthSettings, auth_of
from adapter.send.rest.auth.secrets import NoSecret, refuse_open
from adapter.send.rest.client import FhirClient, Format, Prefer, Wire
from adapter.send.rest.newborn import Wanted
from adapter.send.rest.transport import FhirTransport
from adapter.send.transport import Transport

Seconds = Annotated[float, Field(gt=0, le=86_400)]
_SECRETS = ("password", "secret", "client_secret", "token", "access_token", "key", "private_key")


_SENT = {"findings": "a capture record", "resourceType": "FHIR"}
"""What is given in the place of a target by mistake, by a name that stands in it."""


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
                refuse_open(self.client_key or self.client_cert, "client key")
                made.load_cert_chain(self.client_cert, self.client_key, password=_no_password)
        except NoSecret as error:
            raise BadTarget(f"tls: {error}") from None
        except (OSError, ssl.SSLError) as error:
            raise BadTarget(f"tls: a certificate or key cannot be used ({error.strerror or error})") from None
        return made


class Times(_Frozen):
    """See :class:`adapter.send.policy.Timeouts`."""

    connect: Seconds = 10
    read: Seconds = 60
    whole: Seconds = 180
    exam: Seconds = 3600


class Tries(_Frozen):
    """See :class:`adapter.send.policy.Retry`."""

    tries: int = Field(default=8, ge=1, le=100)
    first: Seconds = 0.5
    longest: Seconds = 60
    patience: Seconds = 120
    closed: Seconds = 10
    heed: Seconds = 3600
    budget: Seconds = 21_600
    alike: int = Field(default=3, ge=2, le=100)


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
    bundles: Literal["transaction", "batch", "single"] = "transaction"
    server_words: Literal["kept", "all"] = "kept"
    allow_plain_http: bool = False
    allow_plain_mllp: bool = False
    newborns: Literal["known", "made"] | None = None
    persons: Persons = Persons()
    facts: int = Field(default=2, ge=0, le=4)

    @model_validator(mode="after")
    def _of_one_kind(self) -> Target:
        kind = self._kind()
        given = sorted(self.model_fields_set & kind.unused)
        if given:
            raise ValueError(f"{', '.join(given)}: not for {self.url.partition(':')[0]}; {kind.instead}")
        if self.newborns is not None and self.persons.newborn not in (None, self.newborns):
            raise ValueError("newborns and newborn under persons say two things; one of them is enough")
        return self

    def _kind(self) -> TransportKind:
        return KINDS.get(self.url.partition(":")[0], FHIR)

    @property
    def is_listener(self) -> bool:
        """Whether it is a listener of HL7 v2, which cannot be asked what it holds."""
        return self.url.startswith("mllp")

    def transport(self) -> AbstractContextManager[Transport]:
        """A way to the receiver, of the kind that the scheme of its address says. Raises :class:`BadTarget`."""
        return self._kind().opened(self)

    def wanted(self) -> Wanted:
        """What the newborn's record on a FHIR server must be, and who else may be made there."""
        persons = Persons(newborn=self.newborns).over(self.persons)
        here = on_this_machine(httpx.URL(self.url))
        made = here if persons.newborn is None else persons.newborn == "made"
        return Wanted(made=made, facts=self.facts, persons=persons)

    def times(self) -> Timeouts:
        """How long to wait."""
        return Timeouts(**self.timeouts.model_dump())

    def client(self) -> FhirClient:
        """A connection. Raises :class:`BadTarget`."""
        tls = self.tls.context()
        if self.proxy is not None and "@" in self.proxy:
            raise BadTarget("proxy: no user name or password here; set HTTPS_PROXY instead")
        try:
            return FhirClient(
                self.url,
                timeout=self.times(),
                auth=auth_of(self.auth, self.url, self.times(), tls, self.proxy, self.allow_plain_http),
                allow_plain_http=self.allow_plain_http,
                wire=Wire(self.format, self.gzip, self.prefer, self.server_words == "all", tls, self.proxy),
            )
        except ValueError as error:
            raise BadTarget(str(error)) from None

    def remarks(self) -> list[str]:
        """What is to be said of it before it is used: secrets in files that others may read.

        They are used all the same, for a container's secrets are mounted so (common practice).
        """
        files = (self.auth.token_file, self.auth.client_secret_file, self.auth.key_file, self.tls.client_key)
        return [
            f"{file} holds a secret and can be read by others than its owner: chmod 600, unless it is mounted so"
            for file in files
            if file is not None and open_to_others(file) == "read"
        ]

    def retries(self) -> Retry:
        """The policy of the sender."""
        return Retry(**self.retry.model_dump())


@dataclass(frozen=True, slots=True)
class TransportKind:
    """A kind of transport: how it is opened, the settings of a target file that it has no use for, and what is said
    to those who give them."""

    opened: Callable[[Target], AbstractContextManager[Transport]]
    unused: frozenset[str] = frozenset()
    instead: str = ""


@contextmanager
def _fhir(target: Target) -> Iterator[Transport]:
    with target.client() as client:
        yield FhirTransport(client, target.wanted(), most=target.bundles)


@contextmanager
def _mllp(target: Target) -> Iterator[Transport]:
    try:
        address = mllp_address(target.url, target.allow_plain_mllp)
    except ValueError as error:
        raise BadTarget(str(error)) from None
    with MllpTransport(address, target.times(), target.tls.context()) as transport:
        yield transport


FHIR = TransportKind(_fhir)
MLLP = TransportKind(
    _mllp,
    frozenset(
        {"auth", "proxy", "format", "gzip", "prefer", "bundles", "allow_plain_http", "newborns", "persons", "facts"}
    ),
    "MLLP has none; use tls to say who we are",
)
KINDS: dict[str, TransportKind] = {"http": FHIR, "https": FHIR, "mllp": MLLP, "mllps": MLLP}
"""By the scheme of an address; any other is taken for a FHIR server's, and refused as such. More may be put in."""


def load_target(path: Path) -> Target:
    """Read a target file. Raises :class:`BadTarget`."""
    try:
        content = yaml.safe_load(path.read_text("utf-8"))
    except OSError as error:
        raise BadTarget(f"{path} cannot be read: {error.strerror}") from None
    except (yaml.YAMLError, UnicodeDecodeError):
        raise BadTarget(f"{path} is not YAML") from None
    for name, what in _SENT.items():
        if isinstance(content, dict) and name in content and "url" not in content:
            raise BadTarget(f"{path} is {what} and no target file: what is sent stands by itself, without --target")
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
            elif one["type"] == "extra_forbidden":
                lines.append(f"{place}: no such setting; {_known_settings(one['loc'])}")
            else:
                lines.append(f"{place or 'the file'}: {one['msg']}")
        raise BadTarget(f"{name}: {'; '.join(lines)}") from None


def _known_settings(place: tuple[int | str, ...]) -> str:
    """What could be meant by a name that is no setting: those like it, else all that stand there."""
    block: object = Target
    for part in place[:-1]:
        block = getattr(block, "model_fields", {})[str(part)].annotation
    names = list(getattr(block, "model_fields", {}))
    return f"one of {', '.join(get_close_matches(str(place[-1]), names) or names)}"


def _no_password() -> str:
    """Never asks at the terminal: a key with a passphrase is refused."""
    return ""


__all__ = ["KINDS", "BadTarget", "Target", "TransportKind", "load_target", "target_of"]
