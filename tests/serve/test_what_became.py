"""What became of what was handed over, as the page is told it: drop folder, outbox, a real watch, the sandbox.

The states and where they are read from are this project's own; who may ask is as for everything of the page's server
(Fetch standard, section 3.2).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from adapter.catalogue import Catalogue
from adapter.cli.page_server import follow
from adapter.forms.serve import Filing, running
from adapter.sandbox import Store
from adapter.sandbox import running as sandbox
from adapter.send.target import target_of
from tests.watch.watching import eventually, watching

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
GIRL = (CAPTURES / "d10-1-girl-scalp-swelling-left.json").read_bytes()
TWIN = (CAPTURES / "d08a-first-twin-girl.json").read_bytes()


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    folder = tmp_path / "drop"
    folder.mkdir()
    return folder


@contextmanager
def _page(drop: Path, catalogue: Catalogue, outbox: Path | None = None, server: str = "") -> Iterator[str]:
    target = target_of({"url": server}, "the test") if server else None
    with (
        Filing(drop, catalogue) as filing,
        follow(drop, outbox, target) as followed,
        running(b"<p>", filing, followed=followed) as url,
    ):
        yield url


def _post(url: str, body: bytes) -> int:
    kind = {"Content-Type": "application/json"}
    return httpx.post(f"{url}records", content=body, headers=kind, trust_env=False).status_code


def _asked(url: str, *exams: str, **headers: str) -> httpx.Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return httpx.get(f"{url}exams", params={"id": list(exams)}, headers=named, trust_env=False)


def _of(url: str, exam: str) -> Any:
    return _asked(url, exam).json()["exams"][exam]


def test_waiting_then_on_the_server_then_read_back(drop: Path, tmp_path: Path, catalogue: Catalogue) -> None:
    outbox = tmp_path / "outbox.db"
    with Store() as store, sandbox(store) as fhir, _page(drop, catalogue, outbox, fhir) as url:
        assert _of(url, "demo-d10") == {"state": "unknown", "why": []}
        assert _post(url, GIRL) == 201
        assert _of(url, "demo-d10") == {"state": "waiting", "why": []}
        with watching(drop, fhir, outbox):
            eventually(lambda: _of(url, "demo-d10")["state"] in ("sent", "verified"))
            eventually(lambda: _of(url, "demo-d10")["state"] == "verified")
            eventually(lambda: (drop / "done" / "demo-d10.json").exists())
        with _page_without_outbox(drop, catalogue) as states:
            assert states("demo-d10") == "sent", "read back was it by nobody that this server knows of"


@contextmanager
def _page_without_outbox(drop: Path, catalogue: Catalogue) -> Iterator[Any]:
    with follow(drop, None, None) as followed:
        yield lambda exam: followed([exam])[exam]["state"]


def test_refused_says_the_rule_and_what_would_be_right_and_is_mended(
    drop: Path, tmp_path: Path, catalogue: Catalogue
) -> None:
    outbox = tmp_path / "outbox.db"
    with Store() as store, sandbox(store) as fhir, _page(drop, catalogue, outbox) as url:
        with watching(drop, fhir, outbox, "--newborns", "known"):
            assert _post(url, TWIN) == 201
            eventually(lambda: (drop / "failed" / "demo-d08a.json").exists())
        told = _of(url, "demo-d08a")
        assert told["state"] == "refused"
        [why] = told["why"]
        assert why["rule"] == "not-this-newborn"
        assert "identifiers as the hospital has them" in why["remedy"]
        with follow(drop, None, None) as by_folder_alone:
            assert by_folder_alone(["demo-d08a"])["demo-d08a"] == told, "the report beside the file says the same"
        assert _post(url, TWIN) == 201
        assert _of(url, "demo-d08a")["state"] == "waiting", "handed over again after it had been refused"


def test_a_report_that_cannot_be_read_leaves_it_refused(drop: Path, catalogue: Catalogue) -> None:
    (drop / "failed").mkdir()
    (drop / "failed" / "x-1.json").write_bytes(b"{}")
    (drop / "failed" / "x-1.json.report.json").write_bytes(b"[1]")
    with follow(drop, None, None) as followed:
        assert followed(["x-1"]) == {"x-1": {"state": "refused", "why": []}}


@pytest.mark.parametrize("exam", ["../x", "", "a/b", ".hidden", "x" * 65, "*"])
def test_what_is_no_exam_id_is_not_looked_for(exam: str, drop: Path, catalogue: Catalogue) -> None:
    with _page(drop, catalogue) as url:
        answer = _asked(url, exam)
    assert (answer.status_code, answer.json()["problems"][0]["rule"]) == (400, "exam-id")


def test_other_pages_may_not_ask(drop: Path, catalogue: Catalogue) -> None:
    with _page(drop, catalogue) as url:
        assert _asked(url, "x", Sec_Fetch_Site="cross-site").status_code == 403
        assert _asked(url, "x", Origin="https://elsewhere.example").status_code == 403
        assert _asked(url, "x", Host="elsewhere.example").status_code == 421
        assert _asked(url, *["x"] * 201).status_code == 400


def test_an_outbox_that_is_none_says_so_in_words(drop: Path, tmp_path: Path, catalogue: Catalogue) -> None:
    (tmp_path / "outbox.db").write_bytes(b"no database, but long enough to be taken for something " * 40)
    with _page(drop, catalogue, tmp_path / "outbox.db") as url:
        answer = _asked(url, "x")
    assert (answer.status_code, answer.json()["problems"][0]["rule"]) == (503, "cannot-read")
