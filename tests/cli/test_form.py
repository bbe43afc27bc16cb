"""The command ``form`` as a user meets it, and QuestionnaireResponses given to the other commands."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapter.fhir.json import loads
from commands import Run

KINDS = ("birth", "initial", "shift", "discharge", "follow-up")


def test_one_questionnaire_to_standard_output(run: Run) -> None:
    done = run("form", "--questionnaire", "--kind", "shift")
    assert done.returncode == 0
    assert loads(done.stdout)["id"] == "exam-shift"


def test_all_of_them_one_a_line_or_one_a_file(run: Run, folder: Path) -> None:
    lines = run("form", "--questionnaire").stdout.splitlines()
    assert [loads(line)["id"] for line in lines] == [f"exam-{kind}" for kind in KINDS]
    assert run("form", "--questionnaire", "--pretty", "--out", "forms/").returncode == 0
    assert sorted(path.name for path in (folder / "forms").iterdir()) == sorted(f"exam-{k}.json" for k in KINDS)
    assert loads((folder / "forms" / "exam-shift.json").read_bytes()) == loads(lines[2])


def test_the_validator_takes_them(run: Run, folder: Path) -> None:
    """Those of the other kinds too, as part of the package (``tests/package``)."""
    (folder / "forms").mkdir()
    run("form", "--questionnaire", "--kind", "shift", "--out", "forms/")
    run("form", "--response", "exam.json", "--out", "forms/response.json")
    done = run("validate", "forms")
    assert b"2 resources" in done.stdout
    assert done.returncode == 0, done.stdout.decode()


def test_there_and_back(run: Run, folder: Path) -> None:
    """check, convert and send take the response as they take the record, and make the same of it."""
    assert run("form", "--response", "exam.json", "--pretty", "--out", "response.json").returncode == 0
    assert loads((folder / "response.json").read_bytes())["resourceType"] == "QuestionnaireResponse"
    record, response = (
        json.loads(run("check", name, "--format", "json").stdout) for name in ("exam.json", "response.json")
    )
    assert [{**one, "source": ""} for one in record] == [{**one, "source": ""} for one in response]
    assert run("convert", "exam.json").stdout == run("convert", "response.json").stdout


def test_from_standard_input(run: Run, folder: Path) -> None:
    done = run("form", "--response", "-", stdin=(folder / "exam.json").read_bytes())
    assert done.returncode == 0
    again = run("check", "-", stdin=done.stdout)
    assert again.returncode == 0
    assert b"1 accepted" in again.stdout


def test_an_exam_with_errors_makes_no_response(run: Run, folder: Path) -> None:
    record = json.loads((folder / "exam.json").read_bytes())
    record["findings"][0]["item"] = "horns"
    (folder / "wrong.json").write_text(json.dumps(record))
    done = run("form", "--response", "wrong.json")
    assert (done.returncode, done.stdout) == (1, b"")
    assert b"horns" in done.stderr


def test_a_wrong_response_is_refused_in_words(run: Run, folder: Path) -> None:
    run("form", "--response", "exam.json", "--pretty", "--out", "response.json")
    text = (folder / "response.json").read_text().replace("femoral_pulse.weak", "femoral_pulse.week")
    (folder / "response.json").write_text(text)
    done = run("check", "response.json")
    assert done.returncode == 1
    said = done.stdout.decode()
    assert "femoral_pulse.left.value" in said
    assert "did you mean femoral_pulse.weak" in said
    assert "Traceback" not in said + done.stderr.decode()


def test_the_page_and_the_sheet(run: Run, folder: Path) -> None:
    """What stands on them is tested in their own rooms."""
    assert run("form", "--page").stdout.lower().startswith(b"<!doctype html>")
    assert run("form", "--worksheet").stdout.lstrip().lower().startswith(b"<!doctype html>")
    assert run("form", "--worksheet", "--kind", "shift", "--format", "pdf", "--out", "s.pdf").returncode == 0
    assert (folder / "s.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "one of --questionnaire, --response, --page, --worksheet, --serve is needed; given: none"),
        (["--page", "--worksheet"], "given: --page and --worksheet"),
        (["--page", "--paper", "a4"], "--paper belongs to --worksheet, not to --page"),
        (["--questionnaire", "--format", "pdf"], "--format belongs to --worksheet"),
        (["--worksheet", "--extract", "templates"], "--extract belongs to --questionnaire or --response"),
        (["--questionnaire", "--drop", "."], "--drop belongs to --serve"),
        (["--serve"], "--serve needs --drop DIR"),
        (["--serve", "--drop", "nowhere"], "does not exist"),
        (["--serve", "--drop", ".", "--out", "x"], "--out belongs to"),
        (["--serve", "--drop", ".", "--behind", "http://exams.invalid"], "--behind takes https"),
        (
            ["--serve", "--drop", ".", "--behind", "https://exams.invalid/page", "--born-within", "2"],
            "--behind takes",
        ),
        (["--serve", "--drop", ".", "--behind", "https://exams.invalid", "--born-within", "2"], "--born-within and"),
        (["--questionnaire", "--kind", "nightly"], "there are birth, initial, shift, discharge, follow-up"),
        (["--questionnaire", "--pretty"], "--out FOLDER/"),
        (["--response", "nowhere.json"], "does not exist"),
        (["--response", "exam.json", "--kind", "initial"], "is of the kind shift, not initial"),
        (["--questionnaire", "--kind", "shift", "--out", "nowhere/x.json"], "cannot be written"),
    ],
)
def test_wrong_usage(arguments: list[str], words: str, run: Run) -> None:
    done = run("form", *arguments)
    assert done.returncode == 2
    assert words in done.stderr.decode()
    assert done.stdout == b""


def test_a_site_of_its_own(run: Run, folder: Path) -> None:
    (folder / "site").mkdir()
    (folder / "site" / "site.yaml").write_text("canonical: https://ward.example/fhir\n")
    assert run("form", "--response", "exam.json", "--site", "site", "--out", "response.json").returncode == 0
    assert run("check", "response.json", "--site", "site").returncode == 0
    done = run("check", "response.json")
    assert done.returncode == 1
    assert b"unknown-questionnaire" in done.stdout
