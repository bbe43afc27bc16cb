"""Everything that the program writes, by name: of the examples under every site, of exams by rule and drawn ones."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

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
from adapter.write.tables import TABLES
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

Output = tuple[str, bytes]


def outputs() -> Iterator[Output]:
    """Each output with its name; in an order of its own, the same each time."""
    for part in PARTS:
        yield from outputs_of(part)


def outputs_of(part: str) -> Iterator[Output]:
    """Those of a part: their names begin with it."""
    if part in SITES:
        yield from _of_a_site(part, SITES[part], load_catalogue(SITES[part]))
    elif part == "command":
        yield from _of_commands()
    else:
        every = every_exam(load_catalogue())
        yield from _of_many(part, every if part == "every" else seeded_exams(every), load_catalogue())


def _examples(catalogue: Catalogue) -> list[Exam]:
    readings = [reading for path in CAPTURES for reading in read_captures(path, catalogue)]
    return [reading.exam for reading in readings if reading.exam is not None]


def _of_a_site(name: str, folder: Path | None, catalogue: Catalogue) -> Iterator[Output]:
    exams = _examples(catalogue)
    for kind in allowed(catalogue):
        for encoding in OUTWARD[kind].encodings:
            some = exams[:2] if encoding == "pdf" or kind == "v2-document" else exams
            yield f"{name}/{kind}.{encoding}", b"\n".join(_written(exam, catalogue, kind, encoding) for exam in some)
    yield from _tables(name, exams, catalogue)
    yield f"{name}/responses", b"\n".join(dumps(to_response(exam, catalogue)) for exam in exams)
    for kind in catalogue.kinds:
        yield f"{name}/questionnaire-{kind}", dumps(to_questionnaire(catalogue, kind))
        yield f"{name}/worksheet-{kind}", to_worksheet(catalogue, kind)
    yield f"{name}/page", legible(to_page(catalogue))
    yield f"{name}/page-served", legible(to_page(catalogue, served=True))
    yield f"{name}/views", dumps(views(catalogue))
    files = package_files(catalogue, exams[:3]).items()
    yield f"{name}/package", b"\n".join(line for file, content in files for line in (file.encode(), content))
    site = () if folder is None else ("--site", str(folder))
    for form in ("text", "json"):
        yield f"{name}/check.{form}", _run("check", *map(str, CAPTURES), "--format", form, *site)
    yield f"{name}/coverage", _run("items", "--coverage", "--format", "json", *site)
    yield f"{name}/items", _run("items", *site)
    yield f"{name}/rules", _run("items", "--rules", *site)


def _written(exam: Exam, catalogue: Catalogue, kind: str, encoding: str) -> bytes:
    return unjudged_oru(exam, catalogue) if kind == "v2" else write(exam, catalogue, kind, encoding)


def _of_many(corpus: str, exams: list[Exam], catalogue: Catalogue) -> Iterator[Output]:
    def each(of: Callable[[Exam], bytes], chosen: Iterable[Exam] = exams) -> bytes:
        return b"\n".join(of(exam) for exam in chosen)

    for kind in (BundleType.TRANSACTION, BundleType.COLLECTION):
        yield f"{corpus}/{kind.value}", each(lambda exam, kind=kind: bundle_json(exam, catalogue, kind))
    yield f"{corpus}/v2", each(lambda exam: "\r".join(unjudged(exam, catalogue)).encode())
    yield f"{corpus}/capture", each(to_json)
    yield f"{corpus}/csv", to_csv(exams).encode()
    yield f"{corpus}/responses", each(lambda exam: _response(exam, catalogue))
    yield f"{corpus}/report", each(lambda exam: write(exam, catalogue, "report"), exams[::5])
    yield f"{corpus}/document", each(lambda exam: write(exam, catalogue, "document"), exams[::5])
    yield from _tables(corpus, exams, catalogue)


def _response(exam: Exam, catalogue: Catalogue) -> bytes:
    try:
        return dumps(to_response(exam, catalogue))
    except NotInForm as error:
        return str(error).encode()


def _tables(name: str, exams: Iterable[Exam], catalogue: Catalogue) -> Iterator[Output]:
    for table in TABLES.values():
        rows = [repr(row) for exam in exams for row in table.rows(exam, catalogue)]
        yield f"{name}/table-{table.name}", "\n".join([repr(table.columns(catalogue)), *rows]).encode()


def _of_commands() -> Iterator[Output]:
    captures, wrong = str(ROOT / "examples" / "captures"), str(ROOT / "examples" / "wrong")
    forms = tuple(word for form in ("tables", "ndjson", "views", "omop") for word in ("--forms", form))
    policy = ("--deidentify", "limited-data-set", "--key-env", "GOLDEN_KEY", "--rare", "tell")
    for name, given in {"extract": (), "extract-forms": forms, "extract-deidentified": (*policy, *forms)}.items():
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "out"
            _run("extract", captures, "--out", str(out), "--format", "csv", *given)
            yield from _files(f"command/{name}", out)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.ndjson"
        _run("convert", captures, wrong, "--out", str(out))
        yield from _files("command/convert", Path(folder))
    yield "command/check-wrong", _run("check", wrong)


_MADE_ON = re.compile(rb"Made on \d{4}-\d\d-\d\d")


def _files(name: str, folder: Path) -> Iterator[Output]:
    """The files below a folder, but for what holds a time of day; the day on which they were made is left open."""
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not any(dated in path.name for dated in ("summary", "manifest", "SHA256SUMS")):
            content = _MADE_ON.sub(b"Made on a day", path.read_bytes())
            yield f"{name}/{path.relative_to(folder)}", content.replace(str(ROOT).encode(), b".")


def _run(*arguments: str) -> bytes:
    env = {"GOLDEN_KEY": "an invented key of enough length, for digests alone 0123456789"}
    found = CliRunner().invoke(cli, arguments, env=env)
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        raise found.exception
    return found.stdout.replace(str(ROOT), ".").encode()
