"""A client of a FHIR R4 server, on httpx: capabilities, transactions, single writes, reads and searches.

FHIR R4 RESTful API (http.html): capabilities 3.1.0.10, read 3.1.0.2, update 3.1.0.4, create 3.1.0.8, search
3.1.0.9 and its paging, transaction and batch 3.1.0.11. What a server says is decoded with its digits kept.
"""

from __future__ import annotations

import gzip
import logging
import re
import ssl
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from types import TracebackType
from typing import IO, Any, Literal
from urllib.parse import quote

import httpx

from adapter.fhir import json as fhir_json
from adapter.fhir import xml as fhir_xml
from adapter.send.address import checked, on_this_machine, origin
from adapter.send.failures import Cause, Unreachable, problem, unreachable
from adapter.send.policy import USUAL, Timeouts
from adapter.send.rest import answers
from adapter.send.rest.answers import EntryOutcome, ServerRefused
from adapter.send.rest.wire import LARGEST_FILE, opened, within

Format = Literal["json", "xml"]
Prefer = Literal["minimal", "OperationOutcome"]

_MEDIA_TYPE: dict[Format, str] = {"json": "application/fhir+json", "xml": "application/fhir+xml"}


class _WithoutQuery(logging.Filter):
    """httpx logs the address of each request: what stands behind the server's name may be a patient's."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Lets every record through, addresses cut to their server."""
        if isinstance(record.args, tuple):
            record.args = tuple(origin(arg) if isinstance(arg, httpx.URL) else arg for arg in record.args)
        return True


class _WithoutHeaders(logging.Filter):
    """httpcore's debug log has the headers of answers, with addresses that open what they lead to."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Lets every record through, without what an answer held."""
        record.msg = str(record.msg).partition(" return_value=")[0]
        return True


logging.getLogger("httpx").addFilter(_WithoutQuery())
logging.getLogger("httpcore.http11").addFilter(_WithoutHeaders())


@dataclass(frozen=True, slots=True)
class Wire:
    """How bytes travel: ``format`` of requests and answers, ``gzip`` for request bodies (few servers unpack
    them), what the server shall ``prefer`` to return of a write, whether ``all_words`` of its refusals are kept, TLS
    settings, and a proxy's address."""

    format: Format = "json"
    gzip: bool = False
    prefer: Prefer = "minimal"
    all_words: bool = False
    tls: ssl.SSLContext | None = None
    proxy: str | None = None


class FhirClient:
    """A connection to the server at ``base_url``, to be used as a context manager, from any thread.

    ``auth`` and ``transport`` are httpx's own: who we are, and how bytes travel. Plain http is refused unless
    the server is on this machine or ``allow_plain_http`` says that it is meant. Redirects are not followed:
    what is sent is meant for this server. Raises ``ValueError`` for an address that cannot be used; every
    request raises :class:`Unreachable` or :class:`ServerRefused`.
    """

    def __init__(
        self,
        base_url: str,
        *,
        timeout: float | Timeouts = USUAL,
        auth: httpx.Auth | None = None,
        transport: httpx.BaseTransport | None = None,
        allow_plain_http: bool = False,
        wire: Wire = Wire(),
    ) -> None:
        self._base = checked(base_url, allow_plain_http)
        self._wire, self._format = wire, wire.format
        times = timeout if isinstance(timeout, Timeouts) else Timeouts(timeout, timeout, max(timeout, 180.0))
        self._times, self._auth, self._plain = times, auth, allow_plain_http
        self._http = opened(self._base, times, tls=wire.tls, proxy=wire.proxy, auth=auth, transport=transport)

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

    @property
    def format(self) -> Format:
        """Of requests and answers."""
        return self._format

    @property
    def times(self) -> Timeouts:
        """How long it waits."""
        return self._times

    def speak(self, format_: Format) -> None:
        """From now on use this format."""
        self._format = format_

    def close(self) -> None:
        """Close all connections."""
        self._http.close()

    def capabilities(self) -> dict[str, Any]:
        """The server's CapabilityStatement (3.1.0.10)."""
        either = f"{_MEDIA_TYPE[self._format]}, {', '.join(f'{name};q=0.9' for name in _MEDIA_TYPE.values())}"
        return self._resource(self._url("metadata"), "CapabilityStatement", headers={"Accept": either})

    def read(self, type_: str, id_: str) -> dict[str, Any]:
        """A resource as it is now (3.1.0.2); :class:`ServerRefused` 404 or 410 when it is not there."""
        return self._resource(self._url(type_, id_), type_)

    def search(self, type_: str, params: Mapping[str, str | Sequence[str]]) -> Iterator[dict[str, Any]]:
        """The resources that match, page by page as they are taken (3.1.0.9).

        ``params`` are search parameters by name; a list repeats its parameter (all must hold). Next links
        are followed on the same server only: one that leads elsewhere, or back to a page already seen, is
        refused, for what is sent along with a request is meant for this server.
        """
        page = self._resource(self._url(type_), "Bundle", params=params)
        seen: set[str] = set()
        while True:
            for entry in answers.objects(page.get("entry")):
                resource = entry.get("resource")
                if isinstance(resource, dict) and answers.object_(entry.get("search")).get("mode") != "outcome":
                    yield resource
            link = _next_link(page)
            if link is None:
                return
            url = self._base.join(link)
            if origin(url) != origin(self._base) or str(url) in seen:
                what = "the next link of a search leads to another server or in a circle"
                raise ServerRefused(200, [problem("paging", what)])
            seen.add(str(url))
            page = self._resource(url, "Bundle")

    def transaction(self, bundle: dict[str, Any]) -> list[EntryOutcome]:
        """Send a Bundle of type ``transaction`` or ``batch`` (3.1.0.11); an outcome an entry, in order.

        A transaction that fails raises :class:`ServerRefused` and has changed nothing; in a batch each
        outcome has its own status.
        """
        full_urls = [answers.text(entry, "fullUrl") for entry in bundle.get("entry", [])]
        return self.post_bundle(self._dump(bundle), str(bundle.get("type")), full_urls)

    def post_bundle(self, content: bytes, kind: str, full_urls: Sequence[str]) -> list[EntryOutcome]:
        """As :meth:`transaction`, for a bundle that is bytes already, in the format of this client."""
        response, resource = self._exchange("POST", self._base, content=content)
        if not resource or resource.get("resourceType") != "Bundle":
            raise _unexpected(response, resource, "a FHIR Bundle")
        came = answers.objects(resource.get("entry"))
        if resource.get("type") != f"{kind}-response" or len(full_urls) != len(came):
            what = f"not the response to a {kind} of {len(full_urls)} entries"
            raise ServerRefused(200, [problem("unexpected", what)])
        responses = (answers.object_(one.get("response")) for one in came)
        words = self._wire.all_words
        return [
            answers.entry_outcome(url, one, all_words=words) for url, one in zip(full_urls, responses, strict=True)
        ]

    def read_operation(self, question: str) -> dict[str, Any]:
        """The result of an operation that is asked by GET (operations.html), at this address below the base."""
        response, resource = self._exchange("GET", httpx.URL(f"{self._base}/{question}"))
        if not resource:
            raise _unexpected(response, resource, "a FHIR resource")
        return resource

    def read_several(self, questions: Sequence[str], kind: str = "batch") -> list[tuple[int, dict[str, Any]]]:
        """Several of these in one batch or transaction (3.1.0.11): the status and the resource of each, in order."""
        entries = [{"request": {"method": "GET", "url": question}} for question in questions]
        bundle = {"resourceType": "Bundle", "type": kind, "entry": entries}
        # There are servers that leave out of a minimal answer what was searched for as well.
        whole = {"Prefer": "return=representation"}
        response, resource = self._exchange("POST", self._base, content=self._dump(bundle), headers=whole)
        came = answers.objects(resource.get("entry"))
        if resource.get("type") != f"{kind}-response" or len(came) != len(questions):
            raise _unexpected(response, {}, f"the response to a {kind} of {len(questions)} entries")
        statuses = (answers.text(answers.object_(one.get("response")), "status")[:3] for one in came)
        numbers = [int(status) if status.isdigit() else 500 for status in statuses]
        return [
            (status, answers.object_(one.get("resource")) if status < 300 else {})
            for status, one in zip(numbers, came, strict=True)
        ]

    def own(self, address: str) -> httpx.URL:
        """An address that the server gave, which must be on the server itself; else :class:`ServerRefused`."""
        url = self._base.join(address)
        if origin(url) != origin(self._base):
            what = "an address that was given to go on with leads to another server"
            raise ServerRefused(200, [problem("elsewhere", what)])
        return url

    def ask(
        self, method: str, url: httpx.URL, headers: Mapping[str, str] | None = None
    ) -> tuple[httpx.Response, dict[str, Any]]:
        """A request to one of :meth:`own`: the answer, whatever success it is, and the resource in it."""
        return self._exchange(method, url, headers=dict(headers or {}))

    def download(self, url: httpx.URL, into: IO[bytes], *, known: bool) -> None:
        """The content at this address, in pieces. ``known``: with who we are, on the server itself alone."""
        here = origin(url) == origin(self._base)
        if not here and not self._may_fetch(url):
            what = f"a file at {origin(url)} is not fetched: plain http, or this machine's own"
            raise ServerRefused(200, [problem("elsewhere", what)])
        tls, proxy = (self._wire.tls, self._wire.proxy) if here else (None, self._wire.proxy)
        auth = self._auth if here and known else None
        try:
            with (
                opened(url, self._times, tls=tls, proxy=proxy, auth=auth, largest=LARGEST_FILE) as http,
                within(self._times.exam),
                http.stream("GET", url, headers={"Accept": "application/fhir+ndjson"}) as response,
            ):
                if not response.is_success:
                    wait = answers.seconds_to_wait(response.headers.get("retry-after", ""))
                    found = problem(f"http-{response.status_code}", f"a file: {_in_words(response)}")
                    raise ServerRefused(response.status_code, [found], wait)
                into.writelines(response.iter_raw())
        except httpx.TransportError as error:
            raise unreachable(origin(url), error) from None
        except httpx.DecodingError:
            raise Unreachable(f"{origin(url)} gave a file that cannot be unpacked") from None

    def _may_fetch(self, url: httpx.URL) -> bool:
        """Whether a file may be fetched from another server."""
        if on_this_machine(url):
            return on_this_machine(self._base)
        return url.scheme == "https" or (url.scheme == "http" and self._plain)

    def carry_out(self, entry: dict[str, Any]) -> EntryOutcome:
        """An entry of a transaction as a request of its own: create or update, conditional where it says so
        (3.1.0.8.1, 3.1.0.4.3), with If-Match where it names a version (3.1.0.5)."""
        request = entry["request"]
        headers = {"If-Match": request.get("ifMatch", ""), "If-None-Exist": request.get("ifNoneExist", "")}
        url = httpx.URL(f"{self._base}/{request['url']}")
        sent = {name: value for name, value in headers.items() if value}
        response, resource = self._exchange(
            request["method"], url, content=self._dump(entry["resource"]), headers=sent
        )
        header = response.headers.get
        place = header("location") or _place(resource, entry["resource"]["resourceType"])
        return answers.outcome(
            answers.text(entry, "fullUrl"),
            str(response.status_code),
            place,
            header("etag") or "",
            resource,
            all_words=self._wire.all_words,
        )

    def _url(self, *parts: str) -> httpx.URL:
        return httpx.URL("/".join([str(self._base), *(quote(part, safe="") for part in parts)]))

    def _dump(self, resource: dict[str, Any]) -> bytes:
        return fhir_xml.to_xml(resource) if self._format == "xml" else fhir_json.dumps(resource)

    def _resource(self, url: httpx.URL, type_: str, **request: Any) -> dict[str, Any]:
        """Read: the resource that came back, which must be of ``type_``."""
        # Some servers answer a search from a cache that is older than our last write.
        headers = {"Cache-Control": "no-cache", **request.pop("headers", {})}
        response, resource = self._exchange("GET", url, headers=headers, **request)
        if not resource or resource.get("resourceType") != type_:
            raise _unexpected(response, resource, f"a FHIR {type_}")
        return resource

    def _exchange(
        self, method: str, url: httpx.URL, *, content: bytes | None = None, **request: Any
    ) -> tuple[httpx.Response, dict[str, Any]]:
        """Send a request and take the whole answer; an empty resource where it holds none."""
        headers = {"Accept": _MEDIA_TYPE[self._format], **request.pop("headers", {})}
        if content is not None:
            usual = {"Content-Type": _MEDIA_TYPE[self._format], "Prefer": f"return={self._wire.prefer}"}
            headers = {**usual, **headers}
            if self._wire.gzip:
                content, headers["Content-Encoding"] = gzip.compress(content, 5, mtime=0), "gzip"
        try:
            with within(self._times.whole):
                response = self._http.request(method, url, content=content, headers=headers, **request)
        except httpx.TransportError as error:
            raise unreachable(origin(url), error) from None
        except httpx.DecodingError:
            raise Unreachable(f"{origin(url)} gave an answer that cannot be unpacked") from None
        resource = _decoded(response.content, response.headers.get("content-type", ""))
        if not response.is_success:
            raise self._refusal(response, resource)
        return response, resource

    def _refusal(self, response: httpx.Response, resource: dict[str, Any]) -> ServerRefused:
        """An answer that is no success, with what it says and whose it is."""
        status, header = response.status_code, response.headers.get
        problems = answers.problems_of(resource, status, all_words=self._wire.all_words)
        wait = answers.seconds_to_wait(header("retry-after", ""), answers.http_date(header("date", "")))
        said = header("www-authenticate", "") + response.text[:10_000] if status == 403 else ""
        # RFC 6750, section 3.1; some say it in the OperationOutcome alone
        scope = Cause.SCOPE if re.search(r"insufficient[_ ]scope", said, re.IGNORECASE) else None
        return ServerRefused(
            status,
            problems or [problem(f"http-{status}", _in_words(response))],
            wait,
            is_fhir="resourceType" in resource,
            page=bool(response.content) and "resourceType" not in resource,
            cause=scope,
        )


def _decoded(body: bytes, content_type: str) -> dict[str, Any]:
    try:
        if "xml" in content_type:
            return answers.object_(fhir_xml.from_xml(body))
        return answers.object_(fhir_json.loads(body))
    except ValueError:
        return {}


def _unexpected(response: httpx.Response, resource: dict[str, Any], wanted: str) -> ServerRefused:
    found = answers.problems_of(resource) or [problem("unexpected", f"the answer is not {wanted}")]
    return ServerRefused(response.status_code, found, is_fhir="resourceType" in resource)


def _next_link(bundle: dict[str, Any]) -> str | None:
    links = (link.get("url") for link in answers.objects(bundle.get("link")) if link.get("relation") == "next")
    return next((link for link in links if isinstance(link, str)), None)


def _place(resource: dict[str, Any], type_: str) -> str:
    """Where a resource is that the server returned without saying so in Location."""
    id_ = answers.text(resource, "id")
    return f"{type_}/{id_}" if id_ and resource.get("resourceType") == type_ else ""


def _in_words(response: httpx.Response) -> str:
    try:
        return HTTPStatus(response.status_code).phrase
    except ValueError:
        return "the server does not say what is wrong"
