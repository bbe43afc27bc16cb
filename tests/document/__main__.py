"""``python -m tests.document``: veraPDF, an independent judge, over what the program writes as PDF.

Every one must be PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1) without a failure, and what was spoilt on purpose
must not. Left out, saying so, where there is no Java or no Maven. Exit code 1 where a judgement is another.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path

from pypdf import PdfReader, PdfWriter

from adapter.catalogue import Catalogue, load_catalogue
from adapter.document import Document, Paragraph, say, to_pdf
from adapter.exam import Exam
from adapter.forms.worksheet import to_worksheet
from adapter.read import read_captures
from adapter.write import write
from tests.outside.judges import CACHE, missing

HERE = Path(__file__).resolve().parent
EXAMPLES = HERE.parents[1] / "examples"
SCRIPTS = "Anna Ελένη Олена प्रिया مريم 王小明"


def main() -> int:
    """Make the PDFs, have them judged, print what was said."""
    if absent := missing("java", "mvn"):
        print(f"veraPDF: NOT HEARD, this machine has no {' and no '.join(absent)}")
        return 0
    began = time.perf_counter()
    good = dict(_good())
    bad = dict(_spoilt(good["report"]))
    failures, tested = _judged({**good, **bad})
    wrong = {name: said for name, said in failures.items() if name in good}
    overlooked = [name for name in bad if name not in failures]
    count = sum(map(len, wrong.values()))
    print(f"veraPDF: {len(good)} PDFs, {tested} tests, {count} failures ({time.perf_counter() - began:.0f} s)")
    print(*(f"  {name}: {line}" for name, said in wrong.items() for line in said), sep="\n", end="")
    print(*(f"  overlooked: {name}\n" for name in overlooked), sep="", end="")
    return 1 if wrong or overlooked else 0


def _good() -> Iterator[tuple[str, bytes]]:
    """Reports of examples, in other languages and scripts and on other paper, and sheets."""
    shipped = load_catalogue()
    exam, earlier = _exam("d07-2", shipped), _exam("d07-1", shipped)
    yield "report", write(_exam("d05", shipped), shipped, "report", "pdf")
    yield "report-with-plots", write(exam, shipped, "report", "pdf", earlier=[earlier])
    yield "report-of-an-amendment", write(_exam("d10-2", shipped), shipped, "report", "pdf")
    yield "report-on-letter", write(exam, _set(shipped, paper="letter"), "report", "pdf")
    yield "report-alone", write(exam, _set(shipped, attached_document=False), "report", "pdf")
    yield "report-in-five-scripts", write(_named(exam, SCRIPTS), shipped, "report", "pdf")
    for language in ("de", "fr"):
        catalogue = _in_language(language)
        yield f"report-{language}", write(_exam("d05", catalogue), catalogue, "report", "pdf")
    yield "sheet", to_worksheet(shipped, "follow-up", encoding="pdf")
    yield "sheet-on-letter", to_worksheet(shipped, "shift", encoding="pdf", paper="letter")
    yield "from-right-to-left", to_pdf(Document("مريم", "ar", say("مريم"), "", (Paragraph(say("مريم, 26-0001")),)))


def _exam(name: str, catalogue: Catalogue) -> Exam:
    (path,) = (EXAMPLES / "captures").glob(f"{name}-*.json")
    (reading,) = read_captures(path, catalogue)
    assert reading.exam is not None
    return reading.exam


def _set(catalogue: Catalogue, **settings: object) -> Catalogue:
    return replace(catalogue, settings=catalogue.settings.model_copy(update=settings))


def _named(exam: Exam, name: str) -> Exam:
    return exam.model_copy(update={"newborn": exam.newborn.model_copy(update={"name": name})})


def _in_language(language: str) -> Catalogue:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "site.yaml").write_text(f"language: {language}\n")
        return load_catalogue(Path(folder))


def _spoilt(pdf: bytes) -> Iterator[tuple[str, bytes]]:
    """The same with one thing gone that the standards ask for."""
    for name, key in {"no language": "/Lang", "no tags": "/StructTreeRoot", "no metadata": "/Metadata"}.items():
        writer = PdfWriter(clone_from=PdfReader(BytesIO(pdf)))
        del writer.root_object[key]
        yield name.replace(" ", "-"), _written(writer)
    writer = PdfWriter(clone_from=PdfReader(BytesIO(pdf)))
    for file in writer.root_object["/AF"]:
        del file.get_object()["/AFRelationship"]
    yield "no-relationship", _written(writer)


def _written(writer: PdfWriter) -> bytes:
    buffer = BytesIO()
    writer.write(buffer)
    return buffer.getvalue()


def _judged(pdfs: dict[str, bytes]) -> tuple[dict[str, list[str]], int]:
    """What fails, by name, and how much was tested of those that hold."""
    library = CACHE / "verapdf"
    if not (library / "complete").exists():
        library.mkdir(parents=True, exist_ok=True)
        copy = ["mvn", "-q", "-B", "-f", str(HERE / "pom.xml"), "dependency:copy-dependencies"]
        subprocess.run([*copy, f"-DoutputDirectory={library}"], stdin=subprocess.DEVNULL, check=True)
        (library / "complete").touch()
    failures: dict[str, list[str]] = {}
    tested = 0
    with tempfile.TemporaryDirectory() as folder:
        for name, content in pdfs.items():
            Path(folder, f"{name}.pdf").write_bytes(content)
        files = [f"{name}.pdf" for name in pdfs]
        command = ["java", "-Xmx1g", "-cp", f"{library}/*", str(HERE / "Paper.java"), *files]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    *lines, last = done.stdout.splitlines() or [""]
    if done.returncode or last != f"judged\t{len(pdfs)}":
        raise RuntimeError(f"veraPDF gave up:\n{done.stderr[-2000:]}")
    for line in lines:
        kind, file, flavour, often, *what = line.split("\t")
        if kind == "tested":
            tested += int(often)
        else:
            failures.setdefault(file.removesuffix(".pdf"), []).append(f"{flavour}, {often} x {' '.join(what)}")
    return failures, tested


if __name__ == "__main__":
    sys.exit(main())
