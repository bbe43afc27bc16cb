"""Everything that the program writes, by name: of the examples under every site, of exams by rule and drawn ones.

It comes in pieces, each of which is made only when it is asked for, so that the tests can look at some of them."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from adapter.catalogue import Catalogue, load_catalogue
from adapter.cli import cli
from adapter.derive.every_use import every_exam
from adapter.exam import Exam
from adapter.fhir import BundleType
from adapter.fhir import to_json as bundle_json
from adapter.fhir.json import dumps
from adapter.forms import to_questionnaire, to_response
from adapter.forms.page import to_page
from adapter.forms.worksheet import to_worksheet
from adapter.read import read_captures, to_json
from adapter.read.csv_writer import to_csv
from adapter.read.questionnaire.sheet import NotInForm
from adapter.write import OUTWARD, allowed, write
from adapter.write.package import package_files
from adapter.write.tables import TABLES, Table
from adapter.write.v2.message import unjudged
from adapter.write.views import views
from tests.golden.seeded import seeded_exams
from tests.messages import unjudged_oru
from tests.pages import legible

ROOT = Path(__file__).parents[2]
CAPTURES = sorted((ROOT / "examples" / "captures").glob("*.json"))
SITES = {"shipped": None} | {
    path.name: path for path in sorted((ROOT / "examples" / "sites").iterdir()) if path.is_dir()
}
PARTS = (*SITES, "every", "seeded", "command")
AT_ONCE = 30
"""Of the drawn exams so many make one output."""

Made = dict[str, bytes]
"""What a piece made, by what comes after its name."""
Piece = tuple[str, Callable[[], Made]]


def outputs() -> Iterator[tuple[str, bytes]]:
    """Each output with its name; in an order of its own, the same each time."""
    for part in PARTS:
        for name, make in pieces_of(part):
            yield from ((name + rest, content) for rest, content in make().items())


def pieces_of(part: str) -> Iterator[Piece]:
    """Those of a part: their names begin with it."""
    if part in SITES:
        pieces = _of_a_site(SITES[part], load_catalogue(SITES[part]))
    elif part == "command":
        pieces = _of_commands()
    else:
        pieces = _of_corpus(part, load_catalogue())
    return ((f"{part}/{name}", make) for name, make in pieces)


def _of_corpus(part: str, catalogue: Catalogue) -> Iterator[Piece]:
    every = every_exam(catalogue)
    if part == "every":
        yield from _of_many(every, catalogue)
        return
    seeded = seeded_exams(every)
    for first in range(0, len(seeded), AT_ONCE):
        for name, make in _of_many(seeded[first : first + AT_ONCE], catalogue):
            yield f"{name}/{first // AT_ONCE}", make


def one(make: Callable[..., bytes], *given: Any) -> Callable[[], Made]:
    """A piece that is one output."""
    return lambda: {"": make(*given)}


def _examples(catalogue: Catalogue) -> list[Exam]:
    readings = [reading for path in CAPTURES for reading in read_captures(path, catalogue)]
    return [reading.exam for reading in readings if reading.exam is not None]


def _of_a_site(folder: Path | None, catalogue: Catalogue) -> Iterator[Piece]:
    exams = _examples(catalogue)
    for kind in allowed(catalogue):
        for encoding in OUTWARD[kind].encodings:
            some = exams[:2] if encoding == "pdf" or kind == "v2-document" else exams
            yield f"{kind}.{encoding}", each(partial(_written, catalogue, kind, encoding), some)
    yield from _tables(exams, catalogue)
    yield "responses", each(lambda exam: dumps(to_response(exam, catalogue)), exams)
    for kind in catalogue.kinds:
        yield f"questionnaire-{kind}", one(lambda kind: dumps(to_questionnaire(catalogue, kind)), kind)
        yield f"worksheet-{kind}", one(to_worksheet, catalogue, kind)
    yield "page", one(lambda: legible(to_page(catalogue)))
    yield "page-served", one(lambda: legible(to_page(catalogue, served=True)))
    yield "views", one(lambda: dumps(views(catalogue)))
    yield "package", one(_package, catalogue, exams[:3])
    site = () if folder is None else ("--site", str(folder))
    for form in ("text", "json"):
        yield f"check.{form}", one(_run, "check", *map(str, CAPTURES), "--format", form, *site)
    yield "coverage", one(_run, "items", "--coverage", "--format", "json", *site)
    yield "items", one(_run, "items", *site)
    yield "rules", one(_run, "items", "--rules", *site)


def each(of: Callable[[Exam], bytes], exams: Sequence[Exam]) -> Callable[[], Made]:
    """A piece that is one output of several exams."""
    return one(lambda: b"\n".join(map(of, exams)))


def _written(catalogue: Catalogue, kind: str, encoding: str, exam: Exam) -> bytes:
    return unjudged_oru(exam, catalogue) if kind == "v2" else write(exam, catalogue, kind, encoding)


def _package(catalogue: Catalogue, exams: Sequence[Exam]) -> bytes:
    files = package_files(catalogue, exams).items()
    return b"\n".join(line for file, content in files for line in (file.encode(), content))


def _of_many(exams: Sequence[Exam], catalogue: Catalogue) -> Iterator[Piece]:
    for kind in (BundleType.TRANSACTION, BundleType.COLLECTION):
        yield kind.value, each(lambda exam, kind=kind: bundle_json(exam, catalogue, kind), exams)
    yield "v2", each(lambda exam: "\r".join(unjudged(exam, catalogue)).encode(), exams)
    yield "capture", each(to_json, exams)
    yield "csv", one(lambda: to_csv(exams).encode())
    yield "responses", each(partial(_response, catalogue), exams)
    yield "report", each(lambda exam: write(exam, catalogue, "report"), exams[::5])
    yield "document", each(lambda exam: write(exam, catalogue, "document"), exams[::5])
    yield from _tables(exams, catalogue)


def _response(catalogue: Catalogue, exam: Exam) -> bytes:
    try:
        return dumps(to_response(exam, catalogue))
    except NotInForm as error:
        return str(error).encode()


def _tables(exams: Sequence[Exam], catalogue: Catalogue) -> Iterator[Piece]:
    for table in TABLES.values():
        yield f"table-{table.name}", one(_table, table, exams, catalogue)


def _table(table: Table, exams: Sequence[Exam], catalogue: Catalogue) -> bytes:
    rows = [repr(row) for exam in exams for row in table.rows(exam, catalogue)]
    return "\n".join([repr(table.columns(catalogue)), *rows]).encode()


def _of_commands() -> Iterator[Piece]:
    captures, wrong = str(ROOT / "examples" / "captures"), str(ROOT / "examples" / "wrong")
    forms = tuple(word for form in ("tables", "ndjson", "views", "omop") for word in ("--forms", form))
    policy = ("--deidentify", "limited-data-set", "--key-env", "GOLDEN_KEY", "--rare", "tell")
    for name, given in {"extract": (), "extract-forms": forms, "extract-deidentified": (*policy, *forms)}.items():
        yield name, partial(_files, "extract", captures, "--format", "csv", *given, out="out")
    yield "convert", partial(_files, "convert", captures, wrong, out="out.ndjson")
    yield "check-wrong", one(_run, "check", wrong)


_MADE_ON = re.compile(rb"Made on \d{4}-\d\d-\d\d")


def _files(*arguments: str, out: str) -> Made:
    """The files that a command leaves, but for what holds a time of day; the day when they were made is left open."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        _run(*arguments, "--out", str(Path(folder) / out))
        for path in sorted(Path(folder).rglob("*")):
            if path.is_file() and not any(dated in path.name for dated in ("summary", "manifest", "SHA256SUMS")):
                content = _MADE_ON.sub(b"Made on a day", path.read_bytes())
                below = path.relative_to(folder).as_posix().removeprefix("out/")
                found[f"/{below}"] = content.replace(str(ROOT).encode(), b".")
    return found


def _run(*arguments: str) -> bytes:
    env = {"GOLDEN_KEY": "an invented key of enough length, for digests alone 0123456789"}
    found = CliRunner().invoke(cli, arguments, env=env)
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        raise found.exception
    return found.stdout.replace(str(ROOT), ".").encode()
