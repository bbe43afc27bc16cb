"""The same exams to servers that can do less (FHIR R4 http.html, capabilitystatement.html): a front before the
sandbox says in its CapabilityStatement what is missing, and refuses it.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from uuid import uuid4

import httpx
import pytest
from on_server import observations, statuses
from sent_exams import amended, exam, retracted
from test_failures import FAST

from adapter.catalogue import Catalogue
from adapter.fhir.xml import to_xml
from adapter.problems import Severity
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, SendSummary, State, Wire, message_of
from adapter.send.failures import Cause
from adapter.send.target import Target

NOTHING = b'{"resourceType": "Bundle", "type": "searchset", "total": 0}'


@dataclass
class Front:
    """What the server behind it is not let do; ``blind``: searches like this find nothing; ``boasts``: what it says
    that it can and cannot; ``paged``: something before it has no such page; ``late``: searches like this find once
    more what they found before; ``seen`` are the requests that came, ``refused`` why some were not let through."""

    upstream: str
    interactions: tuple[str, ...] = ("transaction", "batch")
    conditional: bool = True
    update_create: bool = True
    xml_only: bool = False
    blind: str = "(?!)"
    paged: str = "(?!)"
    late: str = "(?!)"
    found: dict[str, bytes] = field(default_factory=dict)
    boasts: tuple[str, ...] = ()
    seen: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.http = httpx.Client(verify=False)  # plain HTTP: no list of authorities to read

    def statement(self) -> bytes:
        found = self.http.get(f"{self.upstream}/metadata").json()
        rest = found["rest"][0]
        rest["interaction"] = [{"code": code} for code in (*self.boasts, *self.interactions)]
        for one in rest["resource"]:
            one |= {"conditionalCreate": self.conditional, "conditionalUpdate": self.conditional}
            one["updateCreate"] = self.update_create
        if self.xml_only:
            found["format"] = ["application/fhir+xml"]
            return to_xml(found)
        return json.dumps(found).encode()

    def why_not(self, method: str, path: str, headers: dict[str, str], body: bytes) -> str:
        """Why a request is more than the statement promises."""
        if self.xml_only and ("json" in headers.get("content-type", "") or "xml" not in headers.get("accept", "")):
            return "JSON"
        if method == "POST" and path.rstrip("/") == "/fhir":
            kind = re.search(rb'"?type"?[:\s"=value]*(transaction|batch)', body)
            if kind is None or kind[1].decode() not in self.interactions:
                return "a bundle"
        if not self.conditional and (headers.get("if-none-exist") or b"ifNoneExist" in body):
            return "a conditional create"
        if (
            not self.update_create
            and method == "PUT"
            and self.http.get(f"{self.upstream}{path[5:]}").status_code != 200
        ):
            return "an update that creates"
        return ""


@contextmanager
def served(front: Front) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", 0)))
            headers = {k.lower(): v for k, v in self.headers.items() if k.lower() not in ("host", "accept-encoding")}
            asks = self.command == "POST" and re.search(rb"\b(?:POST|PUT)\b", body) is None
            name = "GET in a Bundle" if asks else self.command
            front.seen.append(f"{name} {self.path.partition('?')[0]} {headers.get('if-match', '')}".strip())
            if self.path == "/fhir/metadata":
                kind = "xml" if front.xml_only else "json"
                return self.answer(200, {"content-type": f"application/fhir+{kind}"}, front.statement())
            why = front.why_not(self.command, self.path, headers, body)
            if why:
                front.refused.append(why)
                return self.answer(405, {}, b"")
            if re.fullmatch(front.paged, self.path):
                return self.answer(404, {"content-type": "text/html"}, b"<html>Not found</html>")
            if re.fullmatch(front.blind, self.path):
                return self.answer(200, {"content-type": "application/fhir+json"}, NOTHING)
            if re.fullmatch(front.late, self.path) and self.path in front.found:
                return self.answer(200, {"content-type": "application/fhir+json"}, front.found.pop(self.path))
            url = f"{front.upstream}{self.path.removeprefix('/fhir')}"
            came = front.http.request(self.command, url, content=body, headers=headers)
            kept = {k: came.headers[k] for k in ("content-type", "etag", "location") if k in came.headers}
            content = came.content.replace(front.upstream.encode(), base.encode())
            if self.command == "GET":
                front.found[self.path] = content
            return self.answer(came.status_code, kept, content)

        do_POST = do_PUT = do_GET

        def answer(self, status: int, headers: dict[str, str], body: bytes) -> None:
            self.send_response(status)
            for name, value in {**headers, "content-length": str(len(body))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    base = f"http://127.0.0.1:{server.server_port}/fhir"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield base
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
        front.http.close()


ABLE = {
    "transaction": {},
    "transaction, nothing conditional": {"conditional": False, "update_create": False},
    "transaction alone": {"interactions": ("transaction",)},
    "batch": {"interactions": ("batch",)},
    "single": {"interactions": ()},
    "single, nothing conditional": {"interactions": (), "conditional": False, "update_create": False},
    "batch, nothing conditional": {"interactions": ("batch",), "conditional": False, "update_create": False},
    "an id alone finds nothing": {"interactions": (), "conditional": False, "blind": r".*[?&]patient=[^/%&]*(&.*)?"},
    "batch, whatever it says of transactions": {"interactions": ("batch",), "boasts": ("transaction",)},
    "XML only": {"xml_only": True},
    "XML only, single": {"xml_only": True, "interactions": ()},
}


@pytest.mark.parametrize("able", ABLE.values(), ids=ABLE)
def test_first_amended_and_retracted(
    able: dict[str, object], sandbox_url: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    first = exam(uuid4().hex[:12])
    front = Front(sandbox_url, **able)  # type: ignore[arg-type]
    root = first.details.id
    with served(front) as url, FhirClient(url) as client, FhirClient(sandbox_url) as behind:
        target = Target(url=url, bundles="batch" if front.boasts else "transaction")
        meant = ({"final"}, {"amended"}, {"entered-in-error"})
        for number, (version, status) in enumerate(
            zip((first, amended(first), retracted(first)), meant, strict=True)
        ):
            message = message_of(version, catalogue)
            with Outbox(tmp_path / f"{number}.db") as outbox:
                outbox.put(url, message)
                with target.transport() as transport:
                    assert Sender(outbox, transport).run() == SendSummary(sent=1)
            found = observations(behind, first)
            assert {len(same) for same in found.values()} == {1}
            assert set(statuses(found).values()) - {"entered-in-error"} <= status
            assert found[f"{root}/cry"][0]["status"] == ("final" if number == 0 else "entered-in-error")
            problems = [p for p in FhirTransport(client).verify(message) if p.severity is Severity.ERROR]
            assert problems == []
            front.seen.clear()
            with Outbox(tmp_path / f"{number}-again.db") as outbox:
                outbox.put(url, message)
                with target.transport() as transport:
                    assert Sender(outbox, transport).run() == SendSummary(sent=1)
            assert observations(behind, first) == found
            assert not [one for one in front.seen if not one.startswith("GET")]
    assert front.refused == []


def test_what_an_exam_costs_where_a_statement_names_neither_batches_nor_updates_that_create(
    sandbox_url: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    """So does HAPI FHIR's: each entry was looked for alone, in ten requests and more. What is asked at once (of a
    newborn who is made also: is it no mother?) is asked in a transaction, which holds GETs too (R4 3.1.0.11.2)."""
    front = Front(sandbox_url, interactions=("transaction",), update_create=False)
    first = exam(uuid4().hex[:12])
    another = first.model_copy(update={"details": first.details.model_copy(update={"id": uuid4().hex})})
    cost = []
    with served(front) as url, FhirClient(url) as client, Outbox(tmp_path / "o.db") as outbox:
        transport = FhirTransport(client)
        for one in (first, another, amended(first)):
            outbox.put(url, message_of(one, catalogue))
            assert Sender(outbox, transport).run() == SendSummary(sent=1)
            cost.append([request.partition("/fhir")[2].lstrip("/").partition("/")[0] for request in front.seen])
            front.seen.clear()
    assert cost[0] == ["metadata", "DiagnosticReport", "", ""]
    assert cost[1] == ["DiagnosticReport", "", ""]
    assert len(cost[2]) == 7
    assert front.refused == []


def test_an_update_names_the_version_it_knows(sandbox_url: str, catalogue: Catalogue, tmp_path: Path) -> None:
    # R4 http.html 3.1.0.5: If-Match with the version's ETag.
    first = exam(uuid4().hex[:12])
    front = Front(sandbox_url, interactions=())
    with served(front) as url, FhirClient(url) as client, Outbox(tmp_path / "o.db") as outbox:
        for version in (first, amended(first)):
            outbox.put(url, message_of(version, catalogue))
        assert Sender(outbox, FhirTransport(client), parallel=1).run() == SendSummary(sent=2)
    updates = [one for one in front.seen if one.startswith("PUT /fhir/Observation/")]
    assert updates
    assert all(one.endswith('W/"1"') for one in updates)


def test_what_a_search_does_not_show_yet_is_read(sandbox_url: str, catalogue: Catalogue, tmp_path: Path) -> None:
    """By the results of the report, by a sender who remembers nothing: that server would make all of it twice."""
    first = exam(uuid4().hex[:12])
    front = Front(sandbox_url, interactions=(), conditional=False, blind=r"/fhir/Observation\?.*")
    with served(front) as url, FhirClient(url) as client, FhirClient(sandbox_url) as behind:
        for number, version in enumerate((first, amended(first), amended(first))):
            with Outbox(tmp_path / f"{number}.db") as outbox:
                outbox.put(url, message_of(version, catalogue))
                assert Sender(outbox, FhirTransport(client)).run() == SendSummary(sent=1)
        found = observations(behind, first)
    assert {len(same) for same in found.values()} == {1}
    assert found[f"{first.details.id}/cry"][0]["status"] == "entered-in-error"


def test_what_a_search_shows_of_yesterday_is_no_other_content(
    sandbox_url: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    """The report names this very version, and the findings of it are found as they were before it: they are read."""
    first = exam(uuid4().hex[:12])
    other = amended(first).model_copy(update={"findings": amended(first, rate=60).findings})
    front = Front(sandbox_url, interactions=())
    sent, held = SendSummary(sent=1), SendSummary(held=1)
    with served(front) as url, FhirClient(url) as client, FhirClient(sandbox_url) as behind:
        for number, (version, ends) in enumerate(
            ((first, sent), (amended(first), sent), (amended(first), sent), (other, held))
        ):
            front.late = r"/fhir/Observation\?.*" if number > 1 else "(?!)"
            with Outbox(tmp_path / f"{number}.db") as outbox:
                outbox.put(url, message_of(version, catalogue))
                assert Sender(outbox, FhirTransport(client), retry=FAST).run() == ends, number
        found = observations(behind, first)
    [rate] = found[f"{first.details.id}/respiratory_rate"]
    assert (rate["status"], rate["meta"]["versionId"]) == ("amended", "2")


def test_a_gateways_page_does_not_say_that_a_record_is_gone(
    sandbox_url: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    """A search is late, and something else answers what is read instead: the exam waits, and nobody is asked."""
    first = exam(uuid4().hex[:12])
    front = Front(sandbox_url, interactions=(), blind=r"/fhir/Patient\?.*")
    with served(front) as url, FhirClient(url) as client, Outbox(tmp_path / "o.db") as outbox:
        transport = FhirTransport(client)
        for version, paged in ((first, "(?!)"), (amended(first), r"/fhir/Patient/.*")):
            front.paged = paged
            outbox.put(url, message_of(version, catalogue))
            done = Sender(outbox, transport, retry=FAST).run()
            assert (done.sent, done.left, done.held, done.dead) == (
                (1, 0, 0, 0) if version is first else (0, 1, 0, 0)
            )
        front.paged = "(?!)"
        assert Sender(outbox, transport, retry=FAST).run() == SendSummary(sent=1)


def test_where_every_read_is_answered_with_a_page_an_amendment_ends_as_the_gateways(
    sandbox_url: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    """It cannot be told from a server that says so of what is not there (R4 http.html only wishes for an
    OperationOutcome, from memory): it waits with a due time, holds up no new exam, and is for a person in the end."""
    first = exam(uuid4().hex[:12])
    front = Front(sandbox_url, paged=r"/fhir/Provenance/.*")
    with served(front) as url, FhirClient(url) as client, Outbox(tmp_path / "o.db") as outbox:
        transport = FhirTransport(client)
        for one in (first, amended(first)):
            outbox.put(url, message_of(one, catalogue))
            done = Sender(outbox, transport, retry=FAST).run()
        assert (done.left, done.cause, done.due is None) == (1, Cause.GATEWAY, False)
        outbox.put(url, message_of(exam(uuid4().hex[:12]), catalogue))
        assert Sender(outbox, transport, retry=FAST).run().sent == 1
        done = Sender(outbox, transport, retry=replace(FAST, budget=0.01)).run()
        assert (done.dead, done.left) == (1, 0)
        assert [row.reasons[0].rule for row in outbox.rows(State.DEAD)] == ["gateway"]


def test_which_of_two_amendments_is_newer_rests_on_no_search(
    sandbox_url: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    """Both amend the first version, and a search does not show yet when the other was recorded, nor a retraction."""
    first = exam(uuid4().hex[:12])
    front = Front(sandbox_url, blind=r"/fhir/Provenance\?.*")
    sent, older, held = SendSummary(sent=1), SendSummary(superseded=1), SendSummary(held=1)
    after = amended(first, 9).details.recorded
    back = retracted(first)
    back = back.model_copy(update={"details": back.details.model_copy(update={"recorded": after})})
    steps = [(first, sent), (amended(first, 3), sent), (amended(first, 2), older), (amended(first, 4, rate=60), sent)]
    steps += [(back, sent), (amended(first, 5), older), (amended(first, 10), held)]
    with served(front) as url, FhirClient(url) as client:
        for number, (version, ends) in enumerate(steps):
            with Outbox(tmp_path / f"{number}.db") as outbox:
                outbox.put(url, message_of(version, catalogue))
                assert Sender(outbox, FhirTransport(client)).run() == ends, version.details.id


def test_requests_can_be_packed(sandbox_url: str, catalogue: Catalogue, tmp_path: Path) -> None:
    # RFC 9110, section 8.4: Content-Encoding; the sandbox refuses what is not gzip though it says so.
    first = exam(uuid4().hex[:12])
    with FhirClient(sandbox_url, wire=Wire(gzip=True)) as client, Outbox(tmp_path / "o.db") as outbox:
        for version in (first, amended(first)):
            outbox.put(sandbox_url, message_of(version, catalogue))
        assert Sender(outbox, FhirTransport(client)).run() == SendSummary(sent=2)
        assert set(statuses(observations(client, first)).values()) == {"amended", "entered-in-error"}
