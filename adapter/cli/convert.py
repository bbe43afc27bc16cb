"""``newborn-adapter convert``: capture files to FHIR bundles."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import click

from adapter.catalogue import Catalogue
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reading import capture_arguments, readings
from adapter.cli.reporting import note, report_of
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps
from adapter.fhir.xml import to_xml


@click.command()
@capture_arguments
@click.option(
    "--to",
    "kind",
    type=click.Choice([kind.value for kind in BundleType]),
    default=BundleType.TRANSACTION.value,
    show_default=True,
    help="The kind of bundle; one an exam.",
)
@click.option("--format", "form", type=click.Choice(["json", "xml"]), default="json", show_default=True)
@click.option("--pretty", is_flag=True, help="Indented, for people.")
@click.option("--out", type=click.Path(path_type=Path), help="A file; or a folder, for one file an exam.")
@site_option
def convert(
    files: tuple[Path, ...],
    plan: Path | None,
    kind: str,
    form: str,
    pretty: bool,
    out: Path | None,
    site: Path | None,
) -> None:
    """Convert capture files to FHIR R4 bundles. An exam with an error is refused; the others go on.

    Several exams become one bundle a line (NDJSON), or a folder of files with --out DIR.

    \b
    Example:
      newborn-adapter convert exam.json --pretty --out bundle.json
      newborn-adapter convert exams.csv --to collection --out bundles/
    """
    catalogue = catalogue_for(site)
    found = list(readings(files, plan, catalogue))
    report = report_of(found)
    for problem in report.errors:
        note(str(problem))
    exams = [reading.exam for reading in found if reading.accepted and reading.exam is not None]
    if out is not None and (out.is_dir() or str(out).endswith("/") or (len(exams) > 1 and not out.suffix)):
        _to_folder(exams, catalogue, BundleType(kind), form, pretty, out)
    else:
        _to_one(exams, catalogue, BundleType(kind), form, pretty, out)
    note(f"{len(exams)} exams converted, {len(found) - len(exams)} refused.")
    sys.exit(report.exit_code)


def _written(exam: Exam, catalogue: Catalogue, kind: BundleType, form: str, pretty: bool) -> bytes:
    bundle = to_bundle(exam, catalogue, kind)
    return to_xml(bundle, pretty=pretty) if form == "xml" else dumps(bundle, pretty=pretty) + b"\n"


def _to_one(
    exams: list[Exam], catalogue: Catalogue, kind: BundleType, form: str, pretty: bool, out: Path | None
) -> None:
    if len(exams) > 1 and (form == "xml" or pretty):
        raise click.UsageError("several exams as XML or indented need a folder: --out bundles/")
    if exams:
        write_output(out, b"".join(_written(exam, catalogue, kind, form, pretty) for exam in exams))


def _to_folder(exams: list[Exam], catalogue: Catalogue, kind: BundleType, form: str, pretty: bool, out: Path) -> None:
    for name, count in Counter(exam.details.id for exam in exams).items():
        if count > 1:
            raise click.UsageError(f"exam {name} comes {count} times; one file an exam needs each id once")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.UsageError(f"{out} cannot be made: {error.strerror}") from None
    for exam in exams:
        content = _written(exam, catalogue, kind, form, pretty)
        write_output(out / f"{exam.details.id}.{form}", content)
