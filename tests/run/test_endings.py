"""The ending of an output tells what is in it: it decides how the output is written, or it is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from commands import ROOT, run_here

EXAM = ROOT / "examples" / "captures" / "d01-well-term-girl.json"


@pytest.mark.parametrize(
    ("kind", "name", "begins"),
    [
        ("report", "r.pdf", b"%PDF-"),
        ("report", "r.htm", b"<!doctype html>"),
        ("collection", "b.xml", b"<?xml"),
        ("collection", "b.ndjson", b"{"),
        ("v2", "m.hl7", b"MSH|"),
        ("document", "d.any", b"{"),
    ],
)
def test_it_decides(kind: str, name: str, begins: bytes, tmp_path: Path) -> None:
    done = run_here("convert", EXAM, "--to", kind, "--out", tmp_path / name)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / name).read_bytes().lower().startswith(begins.lower())


@pytest.mark.parametrize(
    ("kind", "encoding", "name"),
    [
        ("transaction", None, "b.pdf"),
        ("transaction", None, "b.er7.gz"),
        ("report", "html", "r.pdf"),
        ("report", None, "r.json"),
        ("batch", "xml", "b.json"),
        ("v2", None, "m.xml"),
    ],
)
def test_or_is_refused(kind: str, encoding: str | None, name: str, tmp_path: Path) -> None:
    options = ["--format", encoding] if encoding else []
    done = run_here("convert", EXAM, "--to", kind, *options, "--out", tmp_path / name)
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr
    assert not (tmp_path / name).exists()
