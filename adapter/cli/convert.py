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
from adapter.formats import OUTWARD, allowed, write


@click.command()
@capture_arguments
@click.option(
    "--to",
    "kind",
    type=click.Choice(list(OUTWARD)),
    default="transaction",
    show_default=True,
    help="What to make of an exam.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(sorted({encoding for outward in OUTWARD.values() for encoding in outward.encodings})),
    help="How it is written; the usual way of its kind where none is named.",
)
@click.option("--pretty", is_flag=True, help="Indented, for people.")
@click.option("--out", type=click.Path(path_type=Path), help="A file; or a folder, for one file an exam.")
@site_option
def convert(
    files: tuple[Path, ...],
    plan: Path | None,
    kind: str,
    form: str | None,
    pretty: bool,
    out: Path | None,
    site: Path | None,
) -> None:
    """Convert capture files to FHIR R4 bundles and other outward forms.

    An exam with an error is refused; the others go on. Several exams become one bundle a line (NDJSON), or a folder
    of files with --out DIR.

    \b
    Example:
      newborn-adapter convert exam.json --pretty --out bundle.json
      newborn-adapter convert exams.csv --to collection --out bundles/
    """
    encoding = form or OUTWARD[kind].encodings[0]
    if encoding not in OUTWARD[kind].encodings:
        raise click.UsageError(f"{kind} is written as {' or '.join(OUTWARD[kind].encodings)}, not as {encoding}")
    catalogue = catalogue_for(site)
    if kind not in allowed(catalogue):
        raise click.UsageError(f"this site does not write {kind}; its settings allow {', '.join(allowed(catalogue))}")
    found = list(readings(files, plan, catalogue))
    report = report_of(found)
    for problem in report.errors:
        note(str(problem))
    exams = [reading.exam for reading in found if reading.accepted and reading.exam is not None]
    if out is not None and (out.is_dir() or str(out).endswith("/") or (len(exams) > 1 and not out.suffix)):
        _to_folder(exams, catalogue, kind, encoding, pretty, out)
    else:
        _to_one(exams, catalogue, kind, encoding, pretty, out)
    note(f"{len(exams)} exams converted, {len(found) - len(exams)} refused.")
    sys.exit(report.exit_code)


def _to_one(
    exams: list[Exam], catalogue: Catalogue, kind: str, encoding: str, pretty: bool, out: Path | None
) -> None:
    if len(exams) > 1 and (pretty or encoding not in OUTWARD[kind].joined):
        raise click.UsageError(f"several exams as {encoding} or indented need a folder: --out FOLDER/")
    if exams:
        content = b"".join(write(exam, catalogue, kind, encoding, pretty=pretty) for exam in exams)
        write_output(out, content)


def _to_folder(exams: list[Exam], catalogue: Catalogue, kind: str, encoding: str, pretty: bool, out: Path) -> None:
    for name, count in Counter(exam.details.id for exam in exams).items():
        if count > 1:
            raise click.UsageError(f"exam {name} comes {count} times; one file an exam needs each id once")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.UsageError(f"{out} cannot be made: {error.strerror}") from None
    for exam in exams:
        content = write(exam, catalogue, kind, encoding, pretty=pretty)
        write_output(out / f"{exam.details.id}.{encoding}", content)
