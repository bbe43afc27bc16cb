"""The server as a process: addresses, files, crashes, and the command that starts it."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner
from sandbox_resources import bundle, entry, observation, patient

from adapter.cli.sandbox import sandbox
from adapter.fhir import json as fhir_json
from adapter.sandbox import CannotServe, Store, running

COMMAND = [sys.executable, "-c", "from adapter.cli import cli; cli()", "sandbox"]
JSON = {"Content-Type": "application/fhir+json"}


@contextmanager
def process(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command in a process of its own, and the base URL it prints."""
    with subprocess.Popen(
        [*COMMAND, *arguments], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as made:
        try:
            assert made.stdout is not None
            url = next(found for line in made.stdout if (found := re.search(r"http://\S+", line)))
            yield made, url[0]
        finally:
            made.kill()


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "example.org", ""])
def test_only_this_machine_is_served(host: str) -> None:
    with Store() as store, pytest.raises(CannotServe), running(store, host=host):
        pass


def test_localhost_by_name(store: Store) -> None:
    with running(store, host="localhost") as url:
        assert url.startswith("http://localhost:")
        assert httpx.get(f"{url}/metadata", trust_env=False).status_code == 200


def test_a_port_in_use(store: Store) -> None:
    with running(store) as url:
        port = int(url.split(":")[2].split("/")[0])
        with pytest.raises(CannotServe, match=str(port)), running(store, port=port):
            pass


def test_the_server_is_gone_when_the_block_ends(store: Store) -> None:
    with running(store) as url:
        pass
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"{url}/metadata", trust_env=False)


def test_a_file_keeps_what_was_sent(tmp_path: Path) -> None:
    path = tmp_path / "fhir.db"
    for status in (201, 200):
        with Store(path) as store, running(store) as url:
            body = fhir_json.dumps(patient(id="baby"))
            answer = httpx.put(f"{url}/Patient/baby", content=body, headers=JSON, trust_env=False)
            assert (answer.status_code, answer.headers["etag"]) == (status, 'W/"1"')


def test_a_session_that_fails_leaves_nothing() -> None:
    def fail(store: Store) -> None:
        with store.session() as session:
            session.put("Patient", "baby", patient(), "PUT")
            raise ZeroDivisionError

    with Store() as store:
        with pytest.raises(ZeroDivisionError):
            fail(store)
        with store.session() as session:
            assert session.current("Patient", "baby") is None


def test_two_processes_on_one_file(tmp_path: Path) -> None:
    """Conditional creates from two servers on one file make one resource."""
    path = str(tmp_path / "fhir.db")
    sent = fhir_json.dumps(patient())
    headers = {**JSON, "If-None-Exist": "identifier=baby-1"}
    statuses: list[int] = []

    def post(url: str) -> None:
        for _ in range(10):
            statuses.append(httpx.post(f"{url}/Patient", content=sent, headers=headers, trust_env=False).status_code)

    with process("--port", "0", "--db", path) as (_, one), process("--port", "0", "--db", path) as (_, two):
        threads = [threading.Thread(target=post, args=(url,)) for url in (one, two)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert sorted(statuses) == [200] * 19 + [201]


@pytest.mark.parametrize("seed", range(3))
def test_killed_in_the_middle_of_a_transaction(tmp_path: Path, seed: int) -> None:
    """kill -9 at a random moment: every transaction is there whole or not at all, and answered ones are there."""
    path = tmp_path / "fhir.db"
    size = 60
    answered: set[str] = set()

    def send(url: str) -> None:
        for number in range(1000):
            values = [f"exam-{number}/{i}" for i in range(size)]
            entries = [entry("PUT", f"Observation?identifier={v}", observation(v)) for v in values]
            body = fhir_json.dumps(bundle("transaction", *entries))
            try:
                answer = httpx.post(url, content=body, headers=JSON, trust_env=False, timeout=30)
            except httpx.TransportError:
                return
            assert answer.status_code == 200
            answered.add(f"exam-{number}")

    with process("--port", "0", "--db", str(path)) as (server, url):
        sender = threading.Thread(target=send, args=(url,))
        sender.start()
        while not answered:
            time.sleep(0.01)
        time.sleep(random.Random(seed).uniform(0.0, 0.3))
        server.kill()
        sender.join()
    with sqlite3.connect(path) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        rows = database.execute("SELECT value FROM token WHERE param = 'identifier'").fetchall()
        versions = database.execute("SELECT sum(version) FROM resource").fetchone()[0]
    database.close()
    exams = [value.partition("/")[0] for (value,) in rows]
    counts = {exam: exams.count(exam) for exam in exams}
    assert set(counts.values()) == {size}
    assert answered <= set(counts)
    assert versions == len(rows)
    with Store(path) as store, running(store) as url:
        again = httpx.get(f"{url}/Observation?_count=0", trust_env=False)
        assert again.json()["total"] == len(rows)


def test_a_service_manager_stops_the_command_cleanly() -> None:
    """Ctrl-C goes the same way (tests/serve)."""
    with process("--port", "0", "--log", "json") as (server, url):
        assert httpx.get(f"{url}/metadata", trust_env=False).status_code == 200
        server.send_signal(signal.SIGTERM)
        assert server.stdout is not None
        said = server.stdout.read()
        assert server.wait() == 0
    assert f"curl {url}/metadata" in said
    assert "Traceback" not in said
    last = json.loads(said.splitlines()[-1])
    assert (last["event"], last["exit"]) == ("end", 0)


def test_the_command_names_a_port_in_use() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = CliRunner().invoke(sandbox, ["--port", str(port)])
    assert result.exit_code == 2
    assert str(port) in result.output
    assert "Traceback" not in result.output


def test_the_command_refuses_a_file_that_is_no_database(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a database, but longer than a header of one, " * 50)
    result = CliRunner().invoke(sandbox, ["--db", str(path), "--port", "0"])
    assert result.exit_code == 2
    assert "notes.txt" in result.output
    assert path.read_text().startswith("not a database")
    missing = CliRunner().invoke(sandbox, ["--db", str(tmp_path / os.fspath("no") / "x.db"), "--port", "0"])
    assert missing.exit_code == 2


def test_the_command_refuses_a_file_of_another_version(tmp_path: Path) -> None:
    """Rather than misread it, and without touching it."""
    path = tmp_path / "old.db"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE resource (id TEXT)")
    database.close()
    before = path.read_bytes()
    result = CliRunner().invoke(sandbox, ["--db", str(path), "--port", "0"])
    assert result.exit_code == 2
    assert "name a new file" in result.output
    with sqlite3.connect(path) as database:
        assert database.execute("SELECT name FROM sqlite_schema").fetchall() == [("resource",)]
    database.close()
    assert len(before) == path.stat().st_size


def test_failures_and_tokens_by_the_command(tmp_path: Path) -> None:
    faults, tokens = tmp_path / "faults.yaml", tmp_path / "tokens"
    faults.write_text("rules: [{fault: status, status: 503, retry_after: 2, nth: 2}]")
    tokens.write_text("let-me-in")
    with process("--port", "0", "--faults", str(faults), "--token-file", str(tokens)) as (_, url):
        token = {"Authorization": "Bearer let-me-in"}
        statuses = [httpx.get(f"{url}/Patient", headers=token, trust_env=False).status_code for _ in range(3)]
        assert statuses == [200, 503, 200]
        assert httpx.get(f"{url}/Patient", trust_env=False).status_code == 401


@pytest.mark.parametrize("text", ["rules: [{fault: explode}]", "rules: ["])
def test_the_command_refuses_failures_it_does_not_know(tmp_path: Path, text: str) -> None:
    path = tmp_path / "faults.yaml"
    path.write_text(text)
    result = CliRunner().invoke(sandbox, ["--faults", str(path), "--port", "0"])
    assert result.exit_code == 2
    assert "--faults" in result.output
    assert "Traceback" not in result.output
