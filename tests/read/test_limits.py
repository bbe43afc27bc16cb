"""What is larger, deeper or more than any exam is refused in words, in little time and memory."""

from __future__ import annotations

import gzip
import io
import json
import resource
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import load_catalogue
from adapter.read import Reading, read
from adapter.read.plan import load_plan
from tests.plans.plans_of_datasets import BIRTHWT

CATALOGUE = load_catalogue()
ROOT = Path(__file__).parents[2]
RIGHT = json.loads((ROOT / "tests" / "wrong" / "right" / "right.json").read_text(encoding="utf-8"))


def reading_of(data: bytes, name: str = "") -> Reading:
    """The one reading, which has few problems, each with words."""
    [reading] = read(io.BytesIO(data), CATALOGUE, name=name)
    assert reading.errors
    assert not reading.accepted
    assert len(reading.problems) <= 1100
    assert all(problem.what and problem.remedy and len(str(problem)) < 2000 for problem in reading.problems)
    return reading


@contextmanager
def little_memory() -> Iterator[None]:
    """Half a gigabyte at most on top of what the process ever took (getrusage counts kilobytes, on macOS bytes)."""
    unit = 1 if sys.platform == "darwin" else 1024
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    yield
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * unit < 512_000_000


def record(**changes: Any) -> bytes:
    return json.dumps({**RIGHT, **changes}).encode()


@pytest.mark.parametrize("depth", [40, 200, 500, 900, 1100, 100_000])
@pytest.mark.parametrize(
    ("start", "end"),
    [
        (b'{"exam": ', b"}"),
        (b'{"resourceType": "Bundle", "entry": ', b"}"),
        (b'{"entry": ', b', "resourceType": "Bundle"}'),
        (b'{"resourceType": "QuestionnaireResponse", "item": ', b"}"),
        (b'{"resourceType": "Patient", "name": ', b', "x": "\\ud800"}'),
        (b"[", b"]"),
    ],
    ids=["record", "bundle", "bundle that says so late", "response", "resource with half a character", "array"],
)
@pytest.mark.parametrize("inner", [b"1", b"1e5"])
def test_deep_nesting(depth: int, start: bytes, end: bytes, inner: bytes) -> None:
    for opening, closing in ((b"[", b"]"), (b'{"a":', b"}")):
        reading_of(start + opening * depth + inner + closing * depth + end)


def test_deep_nesting_of_xml() -> None:
    start = b'<Bundle xmlns="http://hl7.org/fhir">'
    for depth in (100, 240, 1000, 50_000):
        reading_of(start + b"<entry>" * depth + b"</entry>" * depth + b"</Bundle>", "x.xml")


@pytest.mark.parametrize("number", ["9" * 100_000, "1e999999999", "-" + "1" * 5000, "0." + "3" * 100_000, "1E-99999"])
def test_huge_numbers(number: str) -> None:
    reading_of(record(x=0).replace(b'"x": 0', f'"x": {number}'.encode()))
    reading_of(f'{{"resourceType": "Bundle", "total": {number}}}'.encode())
    finding = {"item": "weight", "value": {"value": 0, "unit": "g"}}
    reading_of(record(findings=[finding]).replace(b'"value": 0', f'"value": {number}'.encode()))


@pytest.mark.parametrize(
    "finding",
    [
        {"item": "cry", "value": "weak"},
        {"item": "cri", "value": "weak"},
        {"item": "cry", "value": ["weak"] * 2},
        7,
    ],
    ids=str,
)
def test_findings_without_end(finding: Any) -> None:
    one = json.dumps(finding).encode()
    data = record(findings=[0]).replace(b'"findings": [0]', b'"findings": [' + b",".join([one] * 100_000) + b"]")
    reading = reading_of(data)
    assert {problem.rule for problem in reading.errors} <= {"too-many-findings", "too-large"}


def test_a_list_of_a_hundred_thousand_answers() -> None:
    reading = reading_of(record(findings=[{"item": "movements", "value": ["startles"] * 100_000}]))
    assert "too-many-findings" in {problem.rule for problem in reading.errors}


def test_a_hundred_thousand_keys_examiners_identifiers() -> None:
    reading_of(json.dumps({f"k{n}": 1 for n in range(100_000)}).encode())
    reading_of(("{" + ",".join(f'"k{n % 60_000}": 1' for n in range(120_000)) + "}").encode())
    reading_of(record(exam={**RIGHT["exam"], "examiners": [{}] * 100_000}))
    same = [{"system": "mrn", "value": "x"}] * 100_000
    reading_of(record(newborn={**RIGHT["newborn"], "identifiers": same}))


def test_a_table_of_a_hundred_thousand_columns() -> None:
    reading_of(b",".join(b"c%d" % n for n in range(100_000)) + b"\n1,2\n", "x.csv")
    reading_of(b"exam_id," * 100_000 + b"\n1,2\n", "x.csv")


def test_a_small_text_that_would_fill_the_memory() -> None:
    """Sixty megabytes of empty arrays are some gigabytes of Python."""
    data = b'{"findings": [' + b"[]," * 15_000_000 + b"[]]}"
    with little_memory():
        reading = reading_of(data)
    assert {problem.rule for problem in reading.errors} == {"too-large"}


def test_gigabytes_packed_into_little(tmp_path: Path) -> None:
    for name, unit in (("x.json", b" "), ("x.csv", b",\n"), ("x.ndjson", b" "), ("x.xml", b"<a/>")):
        path = tmp_path / f"{name}.gz"
        start = b'{"a":' if "json" in name else b"<a>" if "xml" in name else b"exam_id,item\n"
        # a gzip file may have many members (RFC 1952, 2.2), here two hundred of a megabyte each
        path.write_bytes(gzip.compress(start) + gzip.compress(unit * (1_000_000 // len(unit))) * 200)
        with little_memory():
            [reading] = read(path, CATALOGUE)
        assert {problem.rule for problem in reading.errors} == {"too-large"}


Repeated = tuple[bytes, int]


def _workbook(path: Path, rows: Repeated, strings: Repeated) -> None:
    """The parts of a workbook of one sheet (ISO/IEC 29500-1, SpreadsheetML), as few as openpyxl takes."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    package = "http://schemas.openxmlformats.org/package/2006"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
        f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}.sharedStrings+xml"/>'
        f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{kind}.worksheet+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships">'
        f'<Relationship Id="r1" Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}">'
        '<sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">'
        f'<Relationship Id="r1" Type="{office}/worksheet" Target="worksheets/sheet1.xml"/>'
        f'<Relationship Id="r2" Type="{office}/sharedStrings" Target="sharedStrings.xml"/></Relationships>',
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as file:
        for name, text in parts.items():
            file.writestr(name, text)
        _part(file, "xl/sharedStrings.xml", f'<sst xmlns="{main}">'.encode(), strings, b"</sst>")
        _part(file, "xl/worksheets/sheet1.xml", f'<worksheet xmlns="{main}"><sheetData>'.encode() + HEADER, rows, END)


HEADER = b'<row r="1"><c r="A1" t="inlineStr"><is><t>bwt</t></is></c></row>'
END = b"</sheetData></worksheet>"


def _part(file: zipfile.ZipFile, name: str, start: bytes, repeated: Repeated, end: bytes) -> None:
    one, times = repeated
    at_once = max(1, 1_000_000 // len(one))
    with file.open(name, "w") as part:
        part.write(start)
        for done in range(0, times, at_once):
            part.write(one * min(at_once, times - done))
        part.write(end)


@pytest.mark.parametrize(
    ("rows", "strings"),
    [
        ((b'<row r="999999999999"><c r="A999999999999"><v>1</v></c></row>', 1), (b" ", 0)),
        ((b'<row><c r="XFD2"><v>1</v></c></row>', 60_000), (b" ", 0)),
        ((b" ", 0), (b"<si><t>" + b"x" * 1000 + b"</t></si>", 150_000)),
        ((b" ", 0), (b"<si><t/></si>", 12_000_000)),
        ((b" ", 600_000_000), (b" ", 0)),
    ],
    ids=["a row beyond all rows", "rows as wide as may be", "long strings", "many strings", "much nothing"],
)
def test_workbooks_that_unpack_to_gigabytes(rows: Repeated, strings: Repeated, tmp_path: Path) -> None:
    path = tmp_path / "x.xlsx"
    _workbook(path, rows, strings)
    assert path.stat().st_size < 20_000_000
    (tmp_path / "plan.yaml").write_text(BIRTHWT, encoding="utf-8")
    plan, problems = load_plan(tmp_path / "plan.yaml", CATALOGUE)
    assert plan is not None, problems
    with little_memory():
        readings = list(read(path, CATALOGUE, plan))
    rules = {problem.rule for reading in readings for problem in reading.errors}
    assert "too-large" in rules
    assert rules <= {"too-large", "row-width"}  # rows before the limit may be wider than the header
