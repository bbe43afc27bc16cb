"""A client of a FHIR R4 server, on httpx: capabilities, transactions, reads and searches.

FHIR R4 RESTful API (http.html): capabilities 3.1.0.10, read 3.1.0.2, search 3.1.0.9 and its paging,
transaction and batch 3.1.0.11. What a server says is decoded with its digits kept.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any
from urllib.parse import quote

import httpx

from adapter.fhir import json as fhir_json
from adapter.problems import Layer, Problem, Severity

_FHIR_JSON = "application/fhir+json"
_ETAG = re.compile(r'(?:W/)?"([^"]*)"')


class Unreachable(Exception):
    """No answer came, or only part of one: no connection, a time-out, a connection cut.

    The server may have carried the request out all the same; sending the same transaction again is safe,
    since it is conditional.
    """


class ServerRefused(Exception):
    """The server answered, and not with what was asked for.

    ``status`` is the HTTP status; ``problems`` what its OperationOutcome says, or one problem made from the
    status where it sent none.
    """

    def __init__(self, status: int, problems: Sequence[Problem]) -> None:
        super().__init__(f"the server answered {status}: {problems[0].what}")
        self.status = status
        self.problems = list(problems)


@dataclass(frozen=True, slots=True)
class EntryOutcome:
    """What became of one entry of a transaction or batch.

    ``full_url`` is the entry's own, as sent; ``status`` the HTTP status; ``location`` the place of the
    version that now is current, ``etag`` and ``version`` its version id, empty where the server says none;
    ``outcome_problems`` what the server remarks on the entry.
    """

    full_url: str
    status: int
    location: str = ""
    etag: str = ""
    version: str = ""
    outcome_problems: tuple[Problem, ...] = ()


class FhirClient:
    """A connection to the server at ``base_url``, to be used as a context manager.

    ``timeout`` is in seconds, for connecting and for each wait while reading. ``auth`` and ``transport``
    are httpx's own: who we are, and how bytes travel. Plain http is refused unless the server is on this
    machine or ``allow_plain_http`` says that it is meant. Raises ``ValueError`` for an address that cannot
    be used; every request raises :class:`Unreachable` or :class:`ServerRefused`.
    """

    def __init__(
        self,
        base_url: str,
        *,
        timeout: float = 30.0,
        auth: httpx.Auth | None = None,
        transport: httpx.BaseTransport | None = None,
        allow_plain_http: bool = False,
    ) -> None:
        self._base = _checked(base_url, allow_plain_http)
        self._http = httpx.Client(
            timeout=timeout,
            auth=auth,
            transport=transport,
            follow_redirects=False,
            # A proxy from the environment is for other machines.
            trust_env=not _on_this_machine(self._base),
            headers={"Accept": _FHIR_JSON},
        )

    def __enter__(self) -> FhirClient:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def base_url(self) -> str:
        """The server's address."""
        return str(self._base)

    def close(self) -> None:
        """Close all connections."""
        self._http.close()

    def capabilities(self) -> dict[str, Any]:
        """The server's CapabilityStatement (3.1.0.10)."""
        return self._resource("GET", self._url("metadata"), "CapabilityStatement")

    def read(self, type_: str, id_: str) -> dict[str, Any]:
        """A resource as it is now (3.1.0.2); :class:`ServerRefused` 404 or 410 when it is not there."""
        return self._resource("GET", self._url(type_, id_), type_)

    def search(self, type_: str, params: Mapping[str, str | Sequence[str]]) -> Iterator[dict[str, Any]]:
        """The resources that match, page by page as they are taken (3.1.0.9).

        ``params`` are search parameters by name; a list repeats its parameter (all must hold). Next links
        are followed on the same server only: one that leads elsewhere, or back to a page already seen, is
        refused, for what is sent along with a request is meant for this server.
        """
        page = self._resource("GET", self._url(type_), "Bundle", params=params)
        seen: set[str] = set()
        while True:
            for entry in _objects(page.get("entry")):
                resource = entry.get("resource")
                if isinstance(resource, dict) and _object(entry.get("search")).get("mode") != "outcome":
                    yield resource
            link = _next_link(page)
            if link is None:
                return
            url = self._base.join(link)
            if _origin(url) != _origin(self._base) or str(url) in seen:
                raise ServerRefused(
                    200, [_problem("paging", "the next link of a search leads to another server or in a circle")]
                )
            seen.add(str(url))
            page = self._resource("GET", url, "Bundle")

    def transaction(self, bundle: dict[str, Any]) -> list[EntryOutcome]:
        """Send a Bundle of type ``transaction`` or ``batch`` (3.1.0.11); an outcome an entry, in order.

        A transaction that fails raises :class:`ServerRefused` and has changed nothing; in a batch each
        outcome has its own status.
        """
        answer = self._resource(
            "POST",
            self._base,
            "Bundle",
            content=fhir_json.dumps(bundle),
            headers={"Content-Type": _FHIR_JSON, "Prefer": "return=minimal"},
        )
        sent, came = bundle.get("entry", []), _objects(answer.get("entry"))
        if answer.get("type") != f"{bundle.get('type')}-response" or len(sent) != len(came):
            what = f"not the response to a {bundle.get('type')} of {len(sent)} entries"
            raise ServerRefused(200, [_problem("unexpected", what)])
        return [_outcome(entry, _object(one.get("response"))) for entry, one in zip(sent, came, strict=True)]

    def _url(self, *parts: str) -> httpx.URL:
        return httpx.URL("/".join([str(self._base), *(quote(part, safe="") for part in parts)]))

    def _resource(self, method: str, url: httpx.URL, type_: str, **request: Any) -> dict[str, Any]:
        """Send a request; the resource that came back, which must be of ``type_``."""
        try:
            response = self._http.request(method, url, **request)
        except httpx.TransportError as error:
            # httpx's own words may hold the query, and with it patient data: only the kind is told.
            raise Unreachable(f"{_origin(url)} gave no answer ({type(error).__name__})") from None
        except httpx.DecodingError:
            raise Unreachable(f"{_origin(url)} gave an answer that cannot be unpacked") from None
        try:
            resource = _object(fhir_json.loads(response.content))
        except ValueError:
            resource = {}
        if not response.is_success:
            problems = _problems(resource) or [_problem(f"http-{response.status_code}", _in_words(response))]
            raise ServerRefused(response.status_code, problems)
        if resource.get("resourceType") != type_:
            what = f"the answer is not a FHIR {type_} in JSON"
            raise ServerRefused(response.status_code, _problems(resource) or [_problem("unexpected", what)])
        return resource


def _checked(base_url: str, allow_plain_http: bool) -> httpx.URL:
    try:
        url = httpx.URL(base_url.rstrip("/"))
    except httpx.InvalidURL as error:
        raise ValueError(f"not a server's address: {error}") from None
    if url.scheme not in ("http", "https") or not url.host or url.query or url.fragment:
        raise ValueError("a server's address looks like https://server/fhir")
    if url.userinfo:
        raise ValueError("a server's address holds no user name or password; give them another way")
    if url.scheme == "http" and not allow_plain_http and not _on_this_machine(url):
        raise ValueError(f"plain http to {url.host} could be read on the way; use https")
    return url


def _on_this_machine(url: httpx.URL) -> bool:
    if url.host == "localhost":
        return True
    try:
        return ipaddress.ip_address(url.host).is_loopback
    except ValueError:
        return False


def _origin(url: httpx.URL) -> str:
    port = url.port or {"http": 80, "https": 443}.get(url.scheme)
    return f"{url.scheme}://{url.host}:{port}"


def _next_link(bundle: dict[str, Any]) -> str | None:
    links = (link.get("url") for link in _objects(bundle.get("link")) if link.get("relation") == "next")
    return next((link for link in links if isinstance(link, str)), None)


# What a server sends is not to be relied on: what has another shape than FHIR's counts as absent.


def _object(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _objects(value: Any) -> list[dict[str, Any]]:
    return [element for element in value if isinstance(element, dict)] if isinstance(value, list) else []


def _text(node: dict[str, Any], key: str) -> str:
    value = node.get(key)
    return value if isinstance(value, str) else ""


def _outcome(sent: dict[str, Any], response: dict[str, Any]) -> EntryOutcome:
    """An entry's response; a status that is not a number counts as a failure of the server (500)."""
    status = re.match(r"[1-5]\d\d\b", _text(response, "status"))
    etag = _text(response, "etag")
    match = _ETAG.fullmatch(etag)
    return EntryOutcome(
        full_url=_text(sent, "fullUrl"),
        status=int(status[0]) if status else 500,
        location=_text(response, "location"),
        etag=etag,
        version=match[1] if match else "",
        outcome_problems=tuple(_problems(_object(response.get("outcome")))),
    )


def _problems(outcome: dict[str, Any]) -> list[Problem]:
    """The issues of an OperationOutcome; none for anything else."""
    if outcome.get("resourceType") != "OperationOutcome":
        return []
    return [_issue(issue) for issue in _objects(outcome.get("issue"))]


def _issue(issue: dict[str, Any]) -> Problem:
    severity = issue.get("severity")
    places = issue.get("expression") or issue.get("location")
    details = _text(_object(issue.get("details")), "text")
    return Problem(
        severity=Severity(severity) if severity in list(Severity) else Severity.ERROR,
        layer=Layer.TRANSPORT,
        rule=_text(issue, "code") or "unknown",
        what=details or _text(issue, "diagnostics") or "the server does not say what is wrong",
        where=str(places[0]) if isinstance(places, list) and places else "",
    )


def _problem(rule: str, what: str) -> Problem:
    return Problem(Severity.ERROR, Layer.TRANSPORT, rule, what)


def _in_words(response: httpx.Response) -> str:
    return response.reason_phrase or "the server does not say what is wrong"
