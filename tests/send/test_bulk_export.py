"""A Bulk Data export, asked for over real sockets: of the sandbox, and of servers that were told what to answer.

What is expected is of HL7 FHIR Bulk Data Access 2.0.0: kick-off, status, output files, delete. All data are invented.
"""

from __future__ import annotations

import gzip
import io
import json
import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs

import httpx
import pandas as pd
import pytest

from adapter.catalogue import Catalogue
from adapter.fhir import to_bundle
from adapter.fhir.json import loads
from adapter.read import read_captures
from adapter.read.bundle import from_bundle
from adapter.run.server import Wanted, held_by
from adapter.run.work import NotPossible
from adapter.sandbox import SandboxSettings, Store, running
from adapter.send import FhirClient, ServerRefused, Timeouts, Unreachable
from adapter.send.rest.auth.bearer import BearerAuth
from adapter.send.rest.auth.secrets import Secret
from adapter.send.rest.bulk import TYPES, NoExport, export
from adapter.send.target import target_of
from tests.commands import run_here

CAPTURES = Path(__file__).parents[2] / "examples/captures"
TOKEN = "an-invented-token"
FILES = ("exams", "findings")
LINES = b'{"resourceType":"Patient","id":"a"}\n{"resourceType":"Patient","id":"b"}\n'


def exported(catalogue: Catalogue, types: tuple[str, ...] = TYPES) -> list[bytes]:
    """The first of the examples, as the sandbox exports it."""
    exam = next(r.exam for r in read_captures(sorted(CAPTURES.glob("*.json"))[0], catalogue) if r.exam)
    with Store() as store, running(store) as url, FhirClient(url) as client:
        client.transaction(to_bundle(exam, catalogue))
        return list(export(client, "$export", types))


def test_the_sandbox_is_exported_and_searched_alike(catalogue: Catalogue, tmp_path: Path) -> None:
    (tmp_path / "token").write_text(TOKEN)
    (tmp_path / "token").chmod(0o600)
    exam = next(r.exam for r in read_captures(sorted(CAPTURES.glob("*.json"))[0], catalogue) if r.exam)

    def extract(*options: object) -> tuple[str, list[pd.DataFrame]]:
        out = tmp_path / str(len(list(tmp_path.iterdir())))
        asked = [word for name in FILES for word in ("--table", name)]
        done = run_here("extract", "--from", url, "--token-file", tmp_path / "token", *options, *asked, "--out", out)
        assert done.returncode == 0, done.stderr
        found = [pd.read_csv(out / f"{name}.csv") for name in FILES]
        return done.stderr.decode(), [one.sort_values(list(one.columns[:2]), ignore_index=True) for one in found]

    with Store() as store, running(store, settings=SandboxSettings(token_file=tmp_path / "token")) as url:
        with FhirClient(url, auth=BearerAuth(Secret(tmp_path / "token", None, "token"))) as client:
            client.transaction(to_bundle(exam, catalogue))
        said, exported = extract()
        assert "Read from a Bulk Data export" in said
        said, searched = extract("--by-search")
        assert "Bulk Data export" not in said
        for one, other in zip(exported, searched, strict=True):
            pd.testing.assert_frame_equal(one, other)


def test_the_sandbox_forgets_the_oldest_export_for_a_new_one(catalogue: Catalogue) -> None:
    with Store() as store, running(store) as url, httpx.Client() as client:
        asked = [client.get(f"{url}/$export", headers={"Prefer": "respond-async"}) for _ in range(5)]
        states = [client.get(one.headers["Content-Location"]).status_code for one in asked]
    assert [one.status_code for one in asked] == [202] * 5
    assert states == [404, 202, 202, 202, 202]


@pytest.mark.parametrize("by_search", [False, True])
def test_of_changes_every_exam_is_read_whole(by_search: bool, catalogue: Catalogue) -> None:
    def ids(since: str) -> list[str]:
        held = held_by(target_of({"url": url}, "a test"), catalogue, Wanted(since=since, by_search=by_search))
        found = [exam for line in held.portions for exam in from_bundle(loads(line), catalogue)]
        return [exam.details.id for exam in found if exam.findings]

    both = [r.exam for p in sorted(CAPTURES.glob("*.json"))[:2] for r in read_captures(p, catalogue) if r.exam]
    with Store() as store, running(store) as url:
        with FhirClient(url) as client:
            for exam in both:
                client.transaction(to_bundle(exam, catalogue))
            first, second = sorted(one["meta"]["lastUpdated"] for one in client.search("DiagnosticReport", {}))
        assert ids("2020-01-01T00:00:00Z") == [exam.details.id for exam in both]
        assert ids(second if by_search else first) == [both[1].details.id]
        with pytest.raises(NotPossible, match="no exam of ours changed since 2999"):
            ids("2999-01-01T00:00:00Z")


def test_since_is_an_instant(tmp_path: Path) -> None:
    done = run_here("extract", "--from", "http://127.0.0.1:1", "--since", "2026-11-28", "--out", tmp_path / "out")
    assert done.returncode == 2
    assert b"a zone" in done.stderr


@dataclass
class Told:
    """A server that answers what it was told, address by address, the last answer again and again."""

    answers: dict[str, list[tuple[int, dict[str, str], bytes]]] = field(default_factory=dict)
    heard: list[tuple[str, str, str]] = field(default_factory=list)
    queries: list[str] = field(default_factory=list)
    url: str = ""

    def says(self, path: str, status: int = 200, body: object = b"", **headers: str) -> None:
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        said = {name.replace("_", "-"): value for name, value in headers.items()}
        self.answers.setdefault(path, []).append((status, said, content))

    def exports(self, *output: dict[str, object], known: bool = True, **more: object) -> None:
        self.says("/fhir/$export", 202, Content_Location=f"{self.url}/state/1")
        self.says("/fhir/state/1", body={"requiresAccessToken": known, "output": output, "error": [], **more})

    def asked(self, path: str) -> list[tuple[str, str, str]]:
        return [one for one in self.heard if one[1] == path]


@contextmanager
def told() -> Iterator[Told]:
    server_told = Told()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            path, _, query = self.path.partition("?")
            server_told.queries.append(query)
            server_told.heard.append((self.command, path, self.headers.get("authorization", "")))
            found = server_told.answers.get(path, [(404, {}, b"")])
            status, headers, body = found.pop(0) if len(found) > 1 else found[0]
            self.send_response(status)
            for name, value in {
                "Content-Length": str(len(body)),
                "Content-Type": "application/json",
                **headers,
            }.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        do_DELETE = do_GET

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    server_told.url = f"http://127.0.0.1:{server.server_port}/fhir"
    try:
        yield server_told
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture
def server() -> Iterator[Told]:
    with told() as made:
        yield made


@pytest.fixture
def client(server: Told, monkeypatch: pytest.MonkeyPatch) -> Iterator[FhirClient]:
    monkeypatch.setenv("INVENTED", TOKEN)
    auth = BearerAuth(Secret(None, "INVENTED", "token"))
    with FhirClient(server.url, auth=auth, timeout=Timeouts(2, 2, 5, 5)) as made:
        yield made


def lines(client: FhirClient) -> list[bytes]:
    return list(export(client, "$export", ("Patient",)))


def test_waits_as_the_server_says_and_deletes_at_the_end(server: Told, client: FhirClient) -> None:
    server.says("/fhir/state/1", 202, Retry_After="0")
    server.says("/fhir/state/1", 429, Retry_After="0")
    transient = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "transient"}]}
    server.says("/fhir/state/1", 500, transient, Retry_After="0")
    server.exports(
        {"type": "Patient", "url": f"{server.url}/p1", "count": 2}, {"type": "Group", "url": f"{server.url}/g"}
    )
    server.says("/fhir/p1", body=LINES)
    assert lines(client) == LINES.splitlines()
    assert [method for method, *_ in server.asked("/fhir/state/1")] == ["GET"] * 4 + ["DELETE"]
    assert {authorisation for *_, authorisation in server.heard} == {f"Bearer {TOKEN}"}
    assert not server.asked("/fhir/g"), "a type that was not asked for"


def test_a_token_is_for_its_own_server_alone(server: Told, client: FhirClient) -> None:
    with told() as other:
        server.exports({"type": "Patient", "url": f"{other.url}/p1"}, known=False)
        other.says("/fhir/p1", body=LINES)
        assert lines(client) == LINES.splitlines()
        assert other.heard == [("GET", "/fhir/p1", "")]
        server.answers.clear()
        server.exports({"type": "Patient", "url": f"{other.url}/p1"}, known=True)
        with pytest.raises(ServerRefused, match="ours is meant for this one"):
            lines(client)
        assert len(other.heard) == 1
        assert server.heard[-1][:2] == ("DELETE", "/fhir/state/1")


def test_further_manifests_and_a_circle_of_them(server: Told, client: FhirClient) -> None:
    following = {"relation": "next", "url": f"{server.url}/state/2"}
    server.exports({"type": "Patient", "url": f"{server.url}/p1"}, link=[following])
    server.says("/fhir/p1", body=LINES)
    server.says("/fhir/state/2", body={"output": [{"type": "Patient", "url": f"{server.url}/p1"}]})
    assert lines(client) == LINES.splitlines() * 2
    server.answers["/fhir/state/2"].clear()
    server.says("/fhir/state/2", body={"output": [], "link": [following]})
    with pytest.raises(ServerRefused, match="circle"):
        lines(client)


ERROR = b'{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception"}]}\n'


@pytest.mark.parametrize(
    ("spoiled", "words"),
    [
        ({"count": 3}, "has 2 lines, the manifest counts 3"),
        ({"error": True}, "does not say what is wrong"),
        ({"manifest": {"no": "output"}}, "not the manifest"),
        ({"state": "http://127.0.0.1:9/state"}, "another server"),
        ({"wait": "3600"}, "not made within 5 s"),
        ({"file": gzip.compress(LINES), "count": 1}, "a file of Patient is no NDJSON but gzip"),
        ({"file": b"<html>later</html>", "count": 1}, "a file of Patient is no NDJSON$"),
    ],
)
def test_what_is_not_whole_is_refused(
    spoiled: dict[str, object], words: str, server: Told, client: FhirClient
) -> None:
    server.says("/fhir/$export", 202, Content_Location=str(spoiled.get("state", f"{server.url}/state/1")))
    server.says("/fhir/p1", body=spoiled.get("file", LINES))
    server.says("/fhir/e1", body=ERROR)
    if "wait" in spoiled:
        server.says("/fhir/state/1", 202, Retry_After=str(spoiled["wait"]))
    output = [{"type": "Patient", "url": f"{server.url}/p1", "count": spoiled.get("count", 2)}]
    failed = [{"type": "OperationOutcome", "url": f"{server.url}/e1"}] if "error" in spoiled else []
    server.says("/fhir/state/1", body=spoiled.get("manifest", {"output": output, "error": failed}))
    with pytest.raises(ServerRefused, match=words):
        lines(client)


def test_what_was_deleted_there_is_no_exam_here_or_is_said(
    server: Told, tmp_path: Path, catalogue: Catalogue
) -> None:
    """``deleted`` of the manifest: Bundles of deletions. Of changes alone there is nothing to take an exam out of."""
    held = exported(catalogue)
    report = next(one for one in map(json.loads, held) if one["resourceType"] == "DiagnosticReport")
    gone = [{"request": {"method": "DELETE", "url": f"DiagnosticReport/{name}"}} for name in (report["id"], "other")]
    server.exports(
        {"type": "Patient", "url": f"{server.url}/all"}, deleted=[{"type": "Bundle", "url": f"{server.url}/gone"}]
    )
    server.says("/fhir/all", body=b"\n".join(held))
    server.says("/fhir/gone", body={"resourceType": "Bundle", "type": "transaction", "entry": gone})
    statement = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}
    server.says("/fhir/metadata", body={**statement, "rest": [{"mode": "server", "operation": [{"name": "export"}]}]})
    done = run_here("extract", "--from", server.url, "--table", "exams", "--quiet", "--out", tmp_path / "out")
    assert b"0 exams extracted, 1 deleted on the server, 0 refused" in done.stderr
    server.says("/fhir/all", body=b"")
    since = ("--since", "2026-01-01T00:00:00Z")
    done = run_here("extract", "--from", server.url, *since, "--quiet", "--out", tmp_path / "changes")
    assert f"deleted on the server since then: DiagnosticReport/{report['id']}, DiagnosticReport/other".encode() in (
        done.stderr
    )
    server.answers["/fhir/gone"] = [(200, {}, b'{"resourceType":"Patient","id":"a"}')]
    done = run_here("extract", "--from", server.url, "--quiet", "--out", tmp_path / "odd")
    assert (done.returncode, b"the server answered 200: a file of deletions" in done.stderr) == (3, True), done.stderr


def test_a_file_that_is_cut_off_is_fetched_again_and_then_given_up(server: Told, client: FhirClient) -> None:
    server.exports({"type": "Patient", "url": f"{server.url}/p1"})
    server.says("/fhir/p1", body=LINES, Content_Length=str(len(LINES) + 10))
    server.says("/fhir/p1", body=LINES)
    assert lines(client) == LINES.splitlines()
    server.answers["/fhir/p1"].clear()
    server.says("/fhir/p1", body=LINES, Content_Length=str(len(LINES) + 10))
    with pytest.raises(Unreachable):
        lines(client)


@pytest.mark.parametrize("status", [400, 403, 404, 501])
def test_a_server_that_says_no_is_searched(status: int, server: Told, client: FhirClient, tmp_path: Path) -> None:
    server.says("/fhir/$export", status)
    with pytest.raises(NoExport):
        lines(client)
    statement = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}
    server.says("/fhir/metadata", body={**statement, "rest": [{"mode": "server", "operation": [{"name": "export"}]}]})
    server.says("/fhir/DiagnosticReport", body={"resourceType": "Bundle", "type": "searchset"})
    done = run_here("extract", "--from", server.url, "--out", tmp_path / "out")
    assert b"its exams are searched" in done.stderr
    assert server.asked("/fhir/DiagnosticReport")


def test_a_server_that_offers_the_export_of_patients_alone(
    server: Told, tmp_path: Path, catalogue: Catalogue
) -> None:
    """What the exams refer to and no patient's compartment has is read besides."""
    compartment = ("Patient", "DiagnosticReport", "Observation", "Provenance", "Encounter")
    every = exported(catalogue, (*compartment, "Practitioner", "Device"))
    held = [line for line in every if json.loads(line)["resourceType"] in compartment]
    others = [json.loads(line) for line in every if line not in held]
    types = [{"type": "Patient", "operation": [{"name": "export"}]}]
    statement = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}
    server.says("/fhir/metadata", body={**statement, "rest": [{"mode": "server", "resource": types}]})
    server.exports({"type": "Patient", "url": f"{server.url}/all"})
    server.answers["/fhir/Patient/$export"] = server.answers.pop("/fhir/$export")
    server.says("/fhir/all", body=b"\n".join(held))
    for other in others:
        server.says(f"/fhir/{other['resourceType']}/{other['id']}", body=other)
    done = run_here("extract", "--from", server.url, "--table", "exams", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert len(pd.read_csv(tmp_path / "out" / "exams.csv")) == 1
    gone = server.answers.pop(f"/fhir/{others[0]['resourceType']}/{others[0]['id']}")
    assert gone
    done = run_here("extract", "--from", server.url, "--table", "exams", "--out", tmp_path / "another")
    assert done.returncode not in (0, 4)
    assert f"refer to {others[0]['resourceType']}/{others[0]['id']}, which is neither in it".encode() in done.stderr


def test_of_a_group_and_narrowed_as_asked_for_or_not_at_all(
    server: Told, tmp_path: Path, catalogue: Catalogue, caplog: pytest.LogCaptureFixture
) -> None:
    """``Group/[id]/$export`` with ``_typeFilter``; no log names an address that the manifest gave."""
    held = exported(catalogue)
    server.exports({"type": "Patient", "url": f"{server.url}/signed-secret?sig=invented"})
    server.answers["/fhir/Group/ward 7/$export".replace(" ", "%20")] = server.answers.pop("/fhir/$export")
    server.says("/fhir/signed-secret", body=b"\n".join(held))
    asked = ("extract", "--from", server.url, "--table", "exams", "--quiet")
    narrowed = ("--type-filter", "Observation?status=final,amended", "--type-filter", "Patient?active=true")
    with caplog.at_level(logging.DEBUG):
        done = run_here(*asked, "--group", "ward 7", *narrowed, "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert len(pd.read_csv(tmp_path / "out" / "exams.csv")) == 1
    said = parse_qs(server.queries[0])
    assert said["_typeFilter"] == ["Observation?status=final,amended", "Patient?active=true"]
    assert "Observation" in said["_type"][0]
    assert "HTTP Request" in caplog.text
    assert not [secret for secret in ("signed-secret", "sig=", "/state/1") if secret in caplog.text]
    done = run_here(*asked, "--group", "gone", "--out", tmp_path / "b")
    assert (done.returncode, b"no such export" in done.stderr) == (2, True), done.stderr
    for wrong in (
        ("--type-filter", "Observation"),
        ("--type-filter", "Condition?a=b"),
        ("--group", "a", "--by-search"),
    ):
        assert run_here(*asked, *wrong, "--out", tmp_path / "c").returncode == 2
    assert not (tmp_path / "b").exists()


def test_no_file_of_this_machine_for_another_and_no_plain_http() -> None:
    with FhirClient("https://fhir.example.org/r4") as client:
        for address in ("http://127.0.0.1:9/f", "https://localhost/f", "http://files.example.org/f"):
            with pytest.raises(ServerRefused, match="is not fetched"):
                client.download(httpx.URL(address), io.BytesIO(), known=False)
