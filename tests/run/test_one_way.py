"""Whatever its size, form or command: the same input gives the same output, the same faults the same rejects."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from adapter.catalogue import Catalogue, load_catalogue
from adapter.cli import cli
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.forms.questionnaire import to_response
from adapter.read import read_captures, to_json
from adapter.read.csv_writer import to_csv
from adapter.sandbox import Store, running
from adapter.send import FhirClient
from tests.extracts import written_at_once

pytestmark = pytest.mark.usefixtures("unproved")
KEY = "an invented key for tests only, 32 bytes at least"
EXTRACTS = {
    "tables": ("--forms", "tables"),
    "ndjson": ("--forms", "ndjson"),
    "views": ("--forms", "views"),
    "omop": ("--forms", "omop"),
    "deidentified": ("--deidentify", "limited-data-set", "--key-env", "STUDY_KEY", "--rare", "tell"),
}
COMMANDS = {"convert": ("convert",), **{name: ("extract", *more) for name, more in EXTRACTS.items()}}


def command(*arguments: str | Path, stdin: bytes = b"") -> Result:
    return CliRunner().invoke(cli, [*map(str, arguments), "--quiet"], input=stdin, env={"STUDY_KEY": KEY})


@pytest.fixture(scope="module")
def records(lines: list[bytes]) -> list[bytes]:
    """Four captures; of the second the sex is none, in the third a weight is impossible."""
    found = lines[:4]
    found[1] = found[1].replace(b'"sex": "', b'"sex": "not ')
    record = json.loads(found[2])
    record["findings"] = [{"item": "weight", "value": {"value": "123", "unit": "kg"}}]
    found[2] = json.dumps(record).encode() + b"\n"
    return found


def as_files(records: list[bytes], folder: Path) -> Path:
    for n, record in enumerate(records):
        (folder / f"{n}.json").write_bytes(json.dumps(json.loads(record), indent=1).encode())
    return folder


def packed_files(records: list[bytes], folder: Path) -> Path:
    for n, record in enumerate(records):
        (folder / f"{n}.json.gz").write_bytes(gzip.compress(record))
    return folder


def as_lines(records: list[bytes], folder: Path) -> Path:
    (folder / "all.ndjson").write_bytes(b"".join(records))
    return folder / "all.ndjson"


def lines_of_no_name(records: list[bytes], folder: Path) -> Path:
    (folder / "all.txt").write_bytes(b"".join(records))
    return folder / "all.txt"


def packed_lines(records: list[bytes], folder: Path) -> Path:
    (folder / "all.ndjson.gz").write_bytes(gzip.compress(b"".join(records)))
    return folder / "all.ndjson.gz"


def as_table(records: list[bytes], folder: Path) -> Path:
    path = folder / "given.ndjson"
    path.write_bytes(records[1].replace(b"not ", b"") + b"".join([records[0], *records[2:]]))
    exams = [reading.exam for reading in read_captures(path, load_catalogue()) if reading.exam is not None]
    path.unlink()
    text = to_csv([exams[1], exams[0], *exams[2:]])
    ours = exams[0].details.id
    rows = [
        line.replace(",male,", ",not male,").replace(",female,", ",not female,") if line.startswith(ours) else line
        for line in text.splitlines(keepends=True)
    ]
    (folder / "all.csv").write_text("".join(rows), encoding="utf-8", newline="")
    return folder / "all.csv"


FORMS: list[Callable[[list[bytes], Path], Path]] = [
    as_files,
    packed_files,
    as_lines,
    lines_of_no_name,
    packed_lines,
    as_table,
]


def left(out: Path) -> tuple[Any, Any]:
    """What was refused, without where it stood; and the counts."""
    rejected = out.with_name(f"{out.name}.rejected") / "problems.ndjson"
    entries = [json.loads(line) for line in rejected.read_bytes().splitlines()]
    refused = [(e["exam"], [(p["severity"], p["rule"], p.get("item")) for p in e["problems"]]) for e in entries]
    counts = json.loads(out.with_name(f"{out.name}.summary.json").read_bytes())
    return refused, {name: counts[name] for name in ("read", "done", "refused", "left_out", "problems", "remarks")}


@pytest.mark.parametrize("name", COMMANDS)
def test_the_same_faults_leave_the_same_rejects_in_every_form(
    records: list[bytes], tmp_path: Path, name: str
) -> None:
    found = {}
    for form in FORMS:
        folder = tmp_path / form.__name__
        folder.mkdir()
        given, out = form(records, folder), tmp_path / f"{form.__name__}.out"
        target = out if name != "convert" else out.with_suffix(".ndjson")
        done = command(*COMMANDS[name], given, "--out", target)
        assert done.exit_code == 1, done.output
        assert f"{target.name}.rejected/problems.ndjson" in done.stderr
        found[form.__name__] = left(target)
    wanted = found["as_lines"]
    assert [exam for exam, _ in wanted[0]] == ["invented-0000001", "invented-0000002"]
    assert (wanted[1]["read"], wanted[1]["done"], wanted[1]["refused"]) == (4, 2, 2)
    assert found == dict.fromkeys(found, wanted)


def test_every_command_refuses_the_same(records: list[bytes], tmp_path: Path) -> None:
    given = as_lines(records, tmp_path)
    found = []
    for name, words in COMMANDS.items():
        out = tmp_path / f"{name}.ndjson"
        command(*words, given, "--out", out if name == "convert" else out.with_suffix(""))
        found.append(left(out if name == "convert" else out.with_suffix("")))
    assert found == [found[0]] * len(found)


@pytest.mark.parametrize("name", COMMANDS)
def test_one_faulty_exam_alone(records: list[bytes], tmp_path: Path, name: str) -> None:
    """The least there is leaves what many leave; and where nothing was converted, what was there before stays."""
    given, out = tmp_path / "exam.json", tmp_path / ("out.json" if name == "convert" else "out")
    given.write_bytes(records[1])
    if name == "convert":
        out.write_bytes(b"of an earlier run")
    done = command(*COMMANDS[name], given, "--out", out)
    assert done.exit_code == 1
    (refused,), counts = left(out)
    assert refused[0] == "invented-0000001"
    assert (counts["read"], counts["done"], counts["refused"]) == (1, 0, 1)
    assert name != "convert" or out.read_bytes() == b"of an earlier run"


def test_to_standard_output_the_same_problems_are_said(records: list[bytes], tmp_path: Path) -> None:
    said = set()
    for form in (as_files, as_lines, packed_lines):
        folder = tmp_path / form.__name__
        folder.mkdir()
        done = command("convert", form(records, folder))
        assert done.exit_code == 1
        assert done.stdout.count("\n") == 2
        said.add(tuple(line.partition("[")[2] for line in done.stderr.splitlines() if "[" in line))
    assert len(said) == 1
    assert not list(tmp_path.glob("*.rejected"))


def test_standard_input_is_an_input_like_any_other(records: list[bytes], tmp_path: Path) -> None:
    wanted = command("convert", as_lines(records, tmp_path), "--out", tmp_path / "wanted.ndjson")
    table = as_table(records, tmp_path).read_bytes()
    for n, stdin in enumerate((b"".join(records), gzip.compress(b"".join(records)), table)):
        out = tmp_path / f"{n}.ndjson"
        done = command("convert", "-", "--out", out, stdin=stdin)
        assert done.exit_code == wanted.exit_code == 1
        assert out.read_bytes() == (tmp_path / "wanted.ndjson").read_bytes()
        assert left(out)[0] == left(tmp_path / "wanted.ndjson")[0]
        kept = tmp_path / f"{n}.ndjson.rejected"
        assert any(path.name != "problems.ndjson" for path in kept.iterdir()), "it cannot be found elsewhere"
        assert command("convert", "-", stdin=stdin).stdout_bytes == out.read_bytes()


def test_more_than_one_chunk_leaves_what_one_leaves(records: list[bytes], lines: list[bytes], tmp_path: Path) -> None:
    few, many = tmp_path / "few.ndjson", tmp_path / "many.ndjson"
    few.write_bytes(b"".join(records))
    many.write_bytes(b"".join([*records, *lines[20:30] * 20, *records]))
    found = []
    for path in (few, many):
        out = tmp_path / f"{path.stem}-out.ndjson"
        assert command("convert", path, "--out", out, "--jobs", "2").exit_code == 1
        found.append(left(out)[0])
    assert found[1] == found[0] * 2
    kept = [(tmp_path / f"{name}-out.ndjson.rejected" / "lines.ndjson").read_bytes() for name in ("few", "many")]
    assert kept == [b"".join(records[1:3]), b"".join(records[1:3] * 2)]


@pytest.fixture(scope="module")
def exams(lines: list[bytes], catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> list[Exam]:
    path = tmp_path_factory.mktemp("three") / "three.ndjson"
    path.write_bytes(b"".join(lines[:3]))
    return [reading.exam for reading in read_captures(path, catalogue) if reading.exam is not None]


def bundles_of(exams: list[Exam], catalogue: Catalogue) -> list[dict[str, Any]]:
    return [to_bundle(exam, catalogue, BundleType.COLLECTION) for exam in exams]


def every_form(exams: list[Exam], catalogue: Catalogue, folder: Path) -> Iterator[Path]:
    """The exams in every form that any command reads."""
    bundles = bundles_of(exams, catalogue)
    for name, files in {
        "captures": [to_json(exam) for exam in exams],
        "responses": [dumps(to_response(exam, catalogue)) for exam in exams],
        "bundles": [dumps(bundle, pretty=True) for bundle in bundles],
        "xml": [to_xml(bundle) for bundle in bundles],
        "packed": [gzip.compress(dumps(bundle)) for bundle in bundles],
    }.items():
        (folder / name).mkdir()
        for n, content in enumerate(files):
            ending = {"xml": "xml", "packed": "json.gz"}.get(name, "json")
            (folder / name / f"{n}.{ending}").write_bytes(content)
        yield folder / name
    (folder / "exams.csv").write_text(to_csv(exams), encoding="utf-8", newline="")
    yield folder / "exams.csv"
    (folder / "bundles.ndjson").write_bytes(b"".join(dumps(bundle) + b"\n" for bundle in bundles))
    yield folder / "bundles.ndjson"
    written_at_once(exams, catalogue, folder / "export", ("ndjson",))
    yield folder / "export" / "fhir"
    (folder / "alone").mkdir()
    for n, line in enumerate(sorted((folder / "export" / "fhir").glob("*.ndjson"))):
        for m, content in enumerate(line.read_bytes().splitlines()):
            pretty = dumps(loads(content), pretty=True) if n % 2 else content
            (folder / "alone" / f"{n}-{m:04}.json").write_bytes(pretty)
    yield folder / "alone"


def test_convert_and_extract_read_every_form_that_any_command_reads(
    exams: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    wanted = b"".join(dumps(bundle) + b"\n" for bundle in bundles_of(exams, catalogue))
    for given in every_form(exams, catalogue, tmp_path):
        done = command("convert", given, "--to", "collection", "--out", tmp_path / "out.ndjson")
        assert done.exit_code == 0, (given, done.output)
        assert (tmp_path / "out.ndjson").read_bytes() == wanted, given
        out = tmp_path / f"{given.name}-extract"
        done = command("extract", given, "--table", "findings", "--out", out)
        assert done.exit_code == 0, (given, done.output)
        assert (out / "findings.csv").read_bytes() == (tmp_path / "captures-extract" / "findings.csv").read_bytes()


def test_convert_reads_what_a_server_holds(exams: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    with running(Store()) as url:
        with FhirClient(url) as client:
            for exam in exams:
                client.transaction(to_bundle(exam, catalogue))
        done = command("convert", "--from", url, "--to", "collection", "--out", tmp_path / "out.ndjson")
        assert done.exit_code == 0, done.output
        wanted = b"".join(dumps(bundle) + b"\n" for bundle in bundles_of(exams, catalogue))
        assert sorted((tmp_path / "out.ndjson").read_bytes().splitlines()) == sorted(wanted.splitlines())
        one = command("convert", "--from", url, "--exam", exams[1].details.id, "--to", "collection")
        assert one.stdout_bytes == dumps(bundles_of(exams, catalogue)[1]) + b"\n"
    assert command("convert", "--from", url).exit_code == 3
    assert command("convert").exit_code == 2


def test_validate_leaves_the_same_rejects_in_every_form(
    exams: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    bundles = [dumps(bundle) + b"\n" for bundle in bundles_of(exams, catalogue)]
    bundles[1] = bundles[1].replace(b'"status":"final"', b'"status":"finished"', 1)
    found = []
    for form in (as_files, packed_files, as_lines, lines_of_no_name, packed_lines):
        folder, out = tmp_path / form.__name__, tmp_path / f"{form.__name__}.problems"
        folder.mkdir()
        done = command("validate", form(bundles, folder), "--out", out)
        assert done.exit_code == 1, done.output
        found.append(left(out))
    assert found == [found[0]] * len(found)
    assert found[0][1]["refused"] == 1
    assert (tmp_path / "as_lines.problems.rejected" / "lines.ndjson").read_bytes() == bundles[1]
    command("validate", as_lines([bundles[0]], tmp_path), "--out", tmp_path / "as_lines.problems")
    assert not (tmp_path / "as_lines.problems.rejected").exists()


def test_an_exam_of_an_export_that_is_not_whole_is_refused_with_its_place(
    exams: list[Exam], catalogue: Catalogue, tmp_path: Path
) -> None:
    written_at_once(exams, catalogue, tmp_path / "export", ("ndjson",))
    folder = tmp_path / "export" / "fhir"
    (folder / "DiagnosticReport.ndjson").unlink()
    broken = (folder / "Observation.ndjson").read_bytes() + b'{"resourceType": "Observation", \n'
    (folder / "Observation.ndjson").write_bytes(broken)
    done = command("convert", folder, "--out", tmp_path / "out.ndjson")
    assert done.exit_code == 1
    assert "DiagnosticReport.ndjson" in done.stderr
    last = len(broken.splitlines())
    assert f"Observation.ndjson, line {last}" in done.stderr


def test_counts_beside_an_output_are_no_input(records: list[bytes], tmp_path: Path) -> None:
    """A folder into which a run was made can be given to the next as it is."""
    given, folder = as_lines(records[:1], tmp_path), tmp_path / "bundles"
    folder.mkdir()
    assert command("convert", given, "--out", folder / "one.json").exit_code == 0
    assert (folder / "one.json.summary.json").exists()
    done = command("validate", folder)
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("1 resource read")


@pytest.mark.parametrize(
    ("ending", "words"), [("one", ("--format", "xml")), ("one", ("--pretty",)), ("html", ("--to", "report"))]
)
def test_one_file_takes_one_exam_where_several_cannot_be_joined(
    lines: list[bytes], tmp_path: Path, ending: str, words: tuple[str, ...]
) -> None:
    one, two = tmp_path / "one.ndjson", tmp_path / "two.ndjson"
    one.write_bytes(lines[0])
    two.write_bytes(b"".join(lines[:2]))
    assert command("convert", one, *words, "--out", tmp_path / f"out.{ending}").exit_code == 0
    assert command("convert", one, *words).exit_code == 0
    if "report" in words:
        assert ".html or .pdf" in command("convert", one, *words, "--out", tmp_path / "out.docx").stderr
    for more in (("--out", tmp_path / f"two.{ending}"), ()):
        done = command("convert", two, *words, *more)
        assert done.exit_code == 2
        assert "need a folder" in done.stderr
        assert done.stdout == ""
    left = {"one.ndjson", f"out.{ending}", f"out.{ending}.summary.json", "two.ndjson"}
    assert {path.name for path in tmp_path.iterdir()} == left


def test_a_name_without_an_ending_is_a_folder_however_few(lines: list[bytes], tmp_path: Path) -> None:
    given = as_lines(lines[:1], tmp_path)
    assert command("convert", given, "--out", tmp_path / "bundles").exit_code == 0
    assert [path.name for path in (tmp_path / "bundles").iterdir()] == ["invented-0000000.json"]


def test_earlier_exams_go_with_any_number(lines: list[bytes], tmp_path: Path) -> None:
    captures = Path(__file__).parents[2] / "examples/captures"
    first, second = captures / "d07-1-boy-palate-part-seen.json", captures / "d07-2-boy-cleft-soft-palate.json"
    report = ("--to", "report", "--earlier", first)
    assert command("convert", second, *report, "--out", tmp_path / "a.html").exit_code == 0
    (tmp_path / "given").mkdir()
    (tmp_path / "given" / "1.json").write_bytes(second.read_bytes())
    (tmp_path / "given" / "2.json").write_bytes(lines[0])
    done = command("convert", tmp_path / "given", *report, "--out", tmp_path / "b/")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "b" / "demo-d07-2.html").read_bytes() == (tmp_path / "a.html").read_bytes()
    assert command("convert", second, "--to", "report", "--out", tmp_path / "c.html").exit_code == 0
    assert (tmp_path / "c.html").read_bytes() != (tmp_path / "a.html").read_bytes()
