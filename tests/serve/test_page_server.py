"""The page's server over HTTP: what it answers, whom it answers, and what it says of nobody.

Against the Fetch standard (Origin header, section 3.2; CORS protocol) and RFC 9110; DNS rebinding as common practice.
"""

from __future__ import annotations

import http.client
import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from threading import Thread

import httpx
import pytest

from adapter.catalogue import Catalogue
from adapter.forms.serve import Filing, running
from adapter.forms.serve.offline import offline_files

ROOT = Path(__file__).parents[2]
RECORD = (ROOT / "examples" / "captures" / "d05-boy-weak-femorals-failed-screen.json").read_bytes()
PAGE = b"<!doctype html><title>invented</title>"
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    folder = tmp_path / "drop"
    folder.mkdir()
    return folder


@pytest.fixture
def address(drop: Path, catalogue: Catalogue) -> Iterator[str]:
    with Filing(drop, catalogue) as filing, running(PAGE, filing) as url:
        yield url


def _post(url: str, body: bytes = RECORD, **headers: str) -> httpx.Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return httpx.post(f"{url}records", content=body, headers={**JSON, **named}, trust_env=False)


def _filed(drop: Path) -> list[str]:
    return sorted(path.name for path in drop.iterdir() if not path.name.startswith("."))


def test_the_page_speaks_to_this_server_alone(address: str) -> None:
    shown = httpx.get(address, trust_env=False)
    assert (shown.status_code, shown.content) == (200, PAGE)
    assert shown.headers["content-type"] == "text/html; charset=utf-8"
    policy = shown.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "connect-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert shown.headers["cache-control"] == "no-store"


def test_a_record_from_the_page(address: str, drop: Path) -> None:
    origin = address.rstrip("/")
    first = _post(address, Origin=origin, Sec_Fetch_Site="same-origin")
    assert first.status_code == 201
    assert first.headers["content-type"] == "application/json"
    assert first.headers["cache-control"] == "no-store"
    assert set(first.json()) == {"accepted", "file", "problems", "tell"}
    again = _post(address, Origin=origin)
    assert (again.status_code, again.json()) == (200, first.json())
    assert _filed(drop) == ["demo-d05.json"]


def test_a_program_that_is_no_browser_may_post(address: str) -> None:
    assert _post(address, Content_Type="application/fhir+json; charset=utf-8").status_code == 201


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "http://localhost"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
    ids=str,
)
def test_other_pages_cannot_post(headers: dict[str, str], address: str, drop: Path) -> None:
    answer = httpx.post(f"{address}records", content=RECORD, headers={**JSON, **headers}, trust_env=False)
    assert answer.status_code == 403
    assert answer.json()["problems"][0]["rule"] == "other-origin"
    assert "access-control-allow-origin" not in answer.headers
    assert _filed(drop) == []


@pytest.mark.parametrize(
    ("host", "origin", "status"),
    [
        ("exams.hospital.example", "https://exams.hospital.example", 201),
        ("exams.hospital.example", "http://exams.hospital.example", 403),
        ("exams.hospital.example", "https://elsewhere.example", 403),
        ("elsewhere.example", "https://exams.hospital.example", 421),
    ],
)
def test_behind_a_reverse_proxy_its_address_is_one_s_own(
    host: str, origin: str, status: int, drop: Path, catalogue: Catalogue
) -> None:
    with (
        Filing(drop, catalogue) as filing,
        running(b"<p>", filing, behind="https://exams.hospital.example") as url,
        httpx.Client(trust_env=False, base_url=url) as http,
    ):
        answer = http.post("records", content=RECORD, headers={**JSON, "Host": host, "Origin": origin})
        assert answer.status_code == status
        assert http.get("worker.js", headers={"Host": host}).status_code == (421 if status == 421 else 200)


def test_what_opens_the_page_again_without_network(address: str, catalogue: Catalogue) -> None:
    """Manifest (its members by the W3C's Web Application Manifest), sign and worker, which changes with the page."""
    manifest = httpx.get(f"{address}manifest.webmanifest", trust_env=False)
    assert manifest.headers["content-type"] == "application/manifest+json"
    assert {"name", "start_url", "scope", "display", "icons"} <= set(manifest.json())
    for name, kind in (("worker.js", "text/javascript"), ("icon.svg", "image/svg+xml")):
        assert httpx.get(address + name, trust_env=False).headers["content-type"].startswith(kind)
    one, other = (offline_files(page, catalogue.words)["/worker.js"] for page in (b"<p>", b"<b>"))
    assert one != other


def test_a_browser_that_asks_first_gets_no_leave(address: str) -> None:
    """CORS-preflight: without an Access-Control-Allow-Origin in the answer the browser does not send the request."""
    headers = {
        "Origin": "https://elsewhere.example",
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "content-type",
    }
    answer = httpx.request("OPTIONS", f"{address}records", headers=headers, trust_env=False)
    assert answer.status_code == 405
    assert not [name for name in answer.headers if name.startswith("access-control")]


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
def test_what_a_form_of_another_page_could_send_is_not_taken(kind: str, address: str, drop: Path) -> None:
    answer = _post(address, Content_Type=kind)
    assert (answer.status_code, answer.json()["problems"][0]["rule"]) == (415, "not-json")
    assert _filed(drop) == []


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_another_name_for_this_machine_is_not_answered(method: str, address: str, drop: Path) -> None:
    """DNS rebinding: a site lets its own name lead to 127.0.0.1, and its page would then be of the same origin."""
    port = httpx.URL(address).port
    host = f"elsewhere.example:{port}"
    headers = {**JSON, "Host": host, "Origin": f"http://{host}"}
    with closing(http.client.HTTPConnection("127.0.0.1", port)) as connection:
        connection.request(method, "/records" if method == "POST" else "/", RECORD, headers)
        answer = connection.getresponse()
        body = answer.read()
    assert answer.status == 421
    assert PAGE not in body
    assert _filed(drop) == []


def test_too_much_is_not_read(address: str, drop: Path) -> None:
    answer = _post(address, b" " * (1024 * 1024 + 1))
    assert (answer.status_code, answer.json()["problems"][0]["rule"]) == (413, "too-large")
    assert _filed(drop) == []


def test_a_request_that_breaks_off_leaves_nothing(address: str, drop: Path) -> None:
    port = httpx.URL(address).port
    with socket.create_connection(("127.0.0.1", port)) as connection:
        head = f"POST /records HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\n"
        connection.sendall(f"{head}Content-Length: {len(RECORD)}\r\n\r\n".encode() + RECORD[:1000])
    assert httpx.get(address, trust_env=False).status_code == 200
    assert _filed(drop) == []


def test_there_is_nothing_else(address: str) -> None:
    for method, path, status in (("GET", "records", 405), ("POST", "", 405), ("GET", "drop/demo-d05.json", 404)):
        answer = httpx.request(method, f"{address}{path}", trust_env=False)
        assert answer.status_code == status
        assert answer.json()["accepted"] is False


def test_the_command_says_where_it_is_and_nothing_of_anybody(tmp_path: Path, drop: Path) -> None:
    """The command as a process: refused and filed records leave no word on its output."""
    script = "from adapter.cli import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", script, "form", "--serve", "--drop", str(drop)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=ROOT,
    ) as process:
        assert process.stdout is not None
        said = [process.stdout.readline(), process.stdout.readline()]
        url = next(word for word in said[0].split() if word.startswith("http://127.0.0.1:"))
        assert str(drop) in said[1]
        rest: list[str] = []
        reader = Thread(target=lambda out: rest.extend(out), args=(process.stdout,))
        reader.start()
        assert "<title>" in httpx.get(url, trust_env=False).text
        record = json.loads(RECORD)
        assert _post(url).status_code == 201
        assert (
            _post(url, json.dumps({**record, "newborn": {"name": record["newborn"]["name"]}}).encode()).status_code
            == 422
        )
        second = subprocess.run(
            [sys.executable, "-c", script, "form", "--serve", "--drop", str(drop)],
            capture_output=True,
            text=True,
            cwd=ROOT,
        )
        assert second.returncode == 2
        assert "another process" in second.stderr
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
        reader.join()
    assert rest == ["Stopped.\n"]
    assert _filed(drop) == ["demo-d05.json"]
