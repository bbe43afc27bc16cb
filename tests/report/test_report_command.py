"""``newborn-adapter convert --to report`` and ``--to document`` as a user runs them."""

from __future__ import annotations

from pathlib import Path

from commands import ROOT, run_here, run_process

CAPTURES = ROOT / "examples" / "captures"
FIRST, SECOND = CAPTURES / "d07-1-boy-palate-part-seen.json", CAPTURES / "d07-2-boy-cleft-soft-palate.json"


def test_a_report_says_what_changed_since_the_earlier_exam(tmp_path: Path) -> None:
    done = run_here("convert", SECOND, "--to", "report", "--earlier", FIRST, "--out", tmp_path / "r.html")
    assert (done.returncode, done.stderr) == (0, b"1 exam converted, 0 refused.\n")
    page = (tmp_path / "r.html").read_text("utf-8")
    assert "Since the earlier exams" in page
    assert "demo-d07-1" in page
    alone = run_here("convert", SECOND, "--to", "report")
    assert "Since the earlier exams" not in alone.stdout.decode()


def test_a_report_as_pdf(tmp_path: Path) -> None:
    done = run_here("convert", SECOND, "--to", "report", "--format", "pdf", "--out", tmp_path / "r.pdf")
    assert done.returncode == 0
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF-")


def test_pdf_without_the_extra_is_wrong_usage_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text("import sys\nsys.modules['typst'] = None\n")
    hidden = {"PYTHONPATH": f"{tmp_path}:{ROOT}"}
    done = run_process("convert", SECOND, "--to", "report", "--format", "pdf", "--out", tmp_path / "r.pdf", **hidden)
    assert done.returncode == 2
    assert "pip install '.[pdf]'" in done.stderr.decode()
    assert not (tmp_path / "r.pdf").exists()


def test_several_reports_need_a_folder(tmp_path: Path) -> None:
    done = run_here("convert", FIRST, SECOND, "--to", "report")
    assert done.returncode == 2
    assert "--out FOLDER/" in done.stderr.decode()
    done = run_here("convert", FIRST, SECOND, "--to", "report", "--out", f"{tmp_path}/")
    assert done.returncode == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo-d07-1.html", "demo-d07-2.html"]


def test_a_document_and_a_form_that_it_has_not() -> None:
    done = run_here("convert", SECOND, "--to", "document", "--format", "xml")
    assert done.returncode == 0
    assert '<type value="document"/>' in done.stdout.decode()
    done = run_here("convert", SECOND, "--to", "document", "--format", "html")
    assert done.returncode == 2
    assert "document is written as json or xml, not as html" in done.stderr.decode()
