"""Every command: what it prints, how it exits, and that the examples in its help work as typed."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from openpyxl import Workbook

from adapter.cli import COMMANDS, cli
from adapter.fhir.json import loads
from adapter.fhir.xml import from_xml
from commands import ROOT, Run

WRONG = list(csv.DictReader((ROOT / "tests/wrong/index.csv").read_text(encoding="utf-8").splitlines()))


def examples_in_help(command: str) -> list[list[str]]:
    text = CliRunner().invoke(cli, [command, "--help"]).output
    return [shlex.split(line)[1:] for line in re.findall(r"^\s+(newborn-adapter .+)$", text, re.MULTILINE)]


# What needs a server that stays, an outbox, two newborns, or a minute (a rehearsal) is run by tests of its own room.
SERVED = ("demo", "sandbox", "send", "outbox", "reassign", "watch", "terminology", "site")


@pytest.mark.parametrize("command", [c for c in COMMANDS if c not in SERVED])
def test_the_examples_of_the_help_work_as_typed(command: str, run: Run, process: Run, folder: Path) -> None:
    book = Workbook()
    book.active.append(["case", "weight"])
    book.active.append([1, 3200])
    book.save(folder / "births.xlsx")
    (folder / "plan.yaml").write_text((ROOT / "examples/plans/births_ounces_days.yaml").read_text(encoding="utf-8"))
    lines = [line for line in examples_in_help(command) if "--serve" not in line]  # a server that stays: tests/serve
    assert lines
    for number, line in enumerate(lines):
        if "study-2025/" in line:  # an extract of the year before
            shutil.copytree(folder / "study", folder / "study-2025")
        done = process(*line) if number == 0 else run(*line)
        wanted = (0,) if "--columns" not in line else (0, 1)  # the invented table has none of the plan's columns
        assert done.returncode in wanted, (line, done.stderr.decode())
        assert b"Traceback" not in done.stderr


def test_the_demo_runs_to_its_end(process: Run) -> None:
    done = process("demo")
    said = done.stdout.decode()
    assert done.returncode == 0, said + done.stderr.decode()
    assert "none of them changed, none doubled" in said
    assert "13 of 13 exams are on the server as captured" in said
    mixed_up = said.partition("6. A mix-up")[2]
    assert "the newborn on the server differs in: time of birth, date of birth, birth order" in mixed_up
    assert "nothing of it was written" in mixed_up
    assert "not a diagnosis" in said
    assert "d10-v1-birth-weight-in-kg.json: refused" in said


@pytest.mark.parametrize("case", WRONG, ids=[case["file"] for case in WRONG])
def test_a_wrong_file_is_refused_in_words(case: dict[str, str]) -> None:
    done = CliRunner().invoke(cli, ["check", str(ROOT / "tests/wrong" / case["file"])])
    assert done.exit_code == 1, done.output
    assert case["rule"] in done.output
    assert "Traceback" not in done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)


def test_a_wrong_file_is_refused_by_the_process_too(process: Run) -> None:
    done = process("check", str(ROOT / "tests/wrong" / WRONG[0]["file"]))
    assert done.returncode == 1
    assert b"Traceback" not in done.stdout + done.stderr


def test_convert_refuses_a_wrong_exam_and_lets_the_others_through(run: Run, folder: Path) -> None:
    wrong = ROOT / "examples/wrong/d10-v1-birth-weight-in-kg.json"
    done = run("convert", "exam.json", str(wrong))
    assert done.returncode == 1
    assert loads(done.stdout)["resourceType"] == "Bundle"
    assert b"birth_weight" in done.stderr
    assert b"1 exam converted, 1 refused" in done.stderr


def test_convert_gives_the_same_bundle_as_json_and_xml(run: Run) -> None:
    as_json, as_xml = run("convert", "exam.json"), run("convert", "exam.json", "--format", "xml")
    assert loads(as_json.stdout) == from_xml(as_xml.stdout)


def test_standard_input_is_read(run: Run, folder: Path) -> None:
    exam = (folder / "exam.json").read_bytes()
    assert run("check", "-", stdin=exam).returncode == 0
    bundle = run("convert", "-", stdin=exam)
    assert run("validate", "-", stdin=bundle.stdout).returncode == 0


def test_out_is_written_whole_or_not_at_all(run: Run, folder: Path) -> None:
    assert run("convert", "exam.json", "--out", "out.json").returncode == 0
    assert loads((folder / "out.json").read_bytes())["type"] == "transaction"
    done = run("convert", "exam.json", "--out", "no/such/folder/out.json")
    assert done.returncode == 2
    assert b"cannot be written" in done.stderr
    assert sorted(p.name for p in folder.iterdir() if p.name.startswith(".")) == []


def test_several_exams_are_a_line_each_or_a_file_each(run: Run, folder: Path) -> None:
    lines = run("convert", "exams.csv").stdout.splitlines()
    assert len(lines) == 14
    assert all(loads(line)["resourceType"] == "Bundle" for line in lines)
    assert run("convert", "exams.csv", "--format", "xml").returncode == 2
    assert run("convert", "exams.csv", "--format", "xml", "--out", "many/").returncode == 0
    assert len(list((folder / "many").iterdir())) == 14


def test_validate_answers_with_an_operation_outcome(run: Run) -> None:
    patient = b'{"resourceType": "Patient", "gender": "girl"}'
    done = run("validate", "-", "--format", "json", stdin=patient)
    outcome = json.loads(done.stdout)
    assert done.returncode == 1
    assert outcome["resourceType"] == "OperationOutcome"
    assert outcome["issue"][0]["expression"] == ["Patient.gender"]


def test_validate_fills_in_a_pattern_that_no_shell_did(run: Run, folder: Path) -> None:
    for number in (1, 2):
        (folder / f"girl-{number}.json").write_bytes(b'{"resourceType": "Patient", "gender": "female"}')
    assert b"2 resources" in run("validate", "girl-*.json").stdout
    nothing = run("validate", "boy-*.json")
    assert (nothing.returncode, b"there is no file boy-*.json" in nothing.stderr) == (2, True)


def test_validate_can_be_kept_to_a_layer(run: Run) -> None:
    patient = b'{"resourceType": "Patient", "gender": "girl"}'
    assert run("validate", "-", "--layer", "invariants", stdin=patient).returncode == 0


@pytest.mark.parametrize(
    "arguments", [("check", "absent.json"), ("items", "--region", "wings"), ("fly",), ("convert",)]
)
def test_wrong_usage_exits_with_2(arguments: tuple[str, ...], run: Run) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr


def test_an_unusable_site_says_why(run: Run, folder: Path) -> None:
    (folder / "mine").mkdir()
    (folder / "mine" / "site.yaml").write_text("snomed: sometimes\n")
    done = run("items", "--site", "mine")
    assert done.returncode == 2
    assert b"snomed" in done.stderr


def test_a_site_that_speaks_of_what_is_nowhere_is_looked_at_and_not_worked_with(run: Run, folder: Path) -> None:
    """An exam would else be the first to find out, by an internal fault."""
    shutil.copytree(ROOT / "examples/sites/kestrel-vale", folder / "kestrel")
    sources = folder / "kestrel" / "sources.yaml"
    kept = [line for line in sources.read_text().splitlines() if "KV-POLICY" not in line]
    sources.write_text("\n".join(kept))
    done = run("convert", ROOT / "examples/captures/d01-well-term-girl.json", "--site", "kestrel")
    assert (done.returncode, done.stdout) == (2, b"")
    assert b"source 'KV-POLICY' is not defined" in done.stderr
    assert b"nothing was done" in done.stderr
    assert run("items", "heart_rate", "--site", "kestrel").returncode == 0


def test_items_are_found_by_region_kind_and_coverage(run: Run) -> None:
    hips = list(csv.DictReader(io.StringIO(run("items", "--region", "hips", "--format", "csv").stdout.decode())))
    assert {"ortolani", "barlow"} <= {row["item"] for row in hips}
    local = json.loads(run("items", "--coded", "local", "--format", "json").stdout)
    assert local
    assert all(item["no_standard_code"] for item in local)
    assert b"loinc 8867-4 |Heart rate|" in run("items", "heart_rate").stdout
    assert b"caution     Never by room or cot number" in run("items", "id_bands").stdout
    assert b"did you mean femoral_pulse" in run("items", "femoral_puls").stderr
    coverage = csv.DictReader(
        io.StringIO(run("items", "heart_rate", "--coverage", "--format", "csv").stdout.decode())
    )
    assert "8867-4 |Heart rate|" in [code for row in coverage for code in row["loinc"].split("; ")]


def test_check_as_data_tells_what_the_story_tells(run: Run) -> None:
    (exam,) = json.loads(run("check", "exam.json", "--format", "json").stdout)
    assert exam["accepted"] is True
    (now, gap, unwell) = [tell for tell in exam["tell"] if tell["urgency"] == "tell-now"]
    assert now["rule"] == "duct_dependent_circulation"
    assert (gap["rule"], unwell["rule"]) == ("hand_foot_saturation_gap_wide", "too_unwell_to_examine")
    assert "Oxygen saturation screen for heart disease: Fail" in now["because"]
    assert all(tell["reason"] and tell["source"] for tell in exam["tell"])


def test_an_internal_fault_is_one_line_and_exit_4(process: Run, folder: Path) -> None:
    (folder / "sitecustomize.py").write_text(
        "import adapter.cli.options as o\n"
        "def broken(*site, **how):\n    raise RuntimeError('secret of a patient')\n"
        "o.catalogue_for = broken\n"
    )
    done = process("items", PYTHONPATH=f"{folder}:{ROOT}")
    assert done.returncode == 4
    assert b"internal fault: RuntimeError" in done.stderr
    assert b"secret" not in done.stderr


def test_the_library_example_of_the_readme_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    code = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert code
    for block in code:
        exec(compile(block, "README.md", "exec"), {})


def test_the_capture_record_of_the_readme_is_accepted(run: Run) -> None:
    blocks = re.findall(r"```json\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert run("check", "-", stdin=blocks[0].encode()).returncode == 0
