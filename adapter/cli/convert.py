"""``newborn-adapter convert``: capture files to FHIR bundles, documents, messages and reports."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from itertools import chain
from pathlib import Path

import click

from adapter.catalogue import Catalogue
from adapter.cli.comparing import earlier_exams, earlier_option
from adapter.cli.many import are_many, many_options, run_many
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reading import capture_arguments, readings, usable_plan
from adapter.cli.reporting import note
from adapter.document import PdfNotInstalled
from adapter.exam import Exam
from adapter.problems import ExitCode
from adapter.read import Reading
from adapter.run.convert import Convert, Layout
from adapter.run.exams import rows_of_plan
from adapter.run.rows import Rows
from adapter.write import OUTWARD, NotWritable, allowed, write


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
@click.option("--parts", is_flag=True, help="The folder gets parts with many exams each, one a line.")
@click.option("--gzip", "packed", is_flag=True, help="Packed with gzip; where --out ends in .gz as well.")
@earlier_option
@many_options
@site_option
def convert(
    files: tuple[Path, ...],
    plan: Path | None,
    kind: str,
    form: str | None,
    pretty: bool,
    out: Path | None,
    parts: bool,
    packed: bool,
    earlier: tuple[Path, ...],
    jobs: int | None,
    quiet: bool,
    site: Path | None,
) -> None:
    """Convert capture files to FHIR R4 bundles and other outward forms.

    An exam with an error is refused; the others go on. Several exams become one bundle a line (NDJSON), or a folder
    of files with --out DIR. Folders and NDJSON of any size, plain or gzipped, are spread over all processors; what is
    refused is set aside in OUT.rejected; a run that was interrupted goes on with the same command. A report is for
    people, an exam a file; with --earlier it says what changed.

    \b
    Example:
      newborn-adapter convert exam.json --pretty --out bundle.json
      newborn-adapter convert exams.csv --to collection --out bundles/
      newborn-adapter convert exam.json --to v2 --out exam.er7
      newborn-adapter convert exam.json --to report --format pdf --out report.pdf
      newborn-adapter convert captures/ --out bundles.ndjson.gz --jobs 2
      newborn-adapter convert captures/ --out parts/ --parts
    """
    encoding = form or OUTWARD[kind].encodings[0]
    if encoding not in OUTWARD[kind].encodings:
        raise click.UsageError(f"{kind} is written as {' or '.join(OUTWARD[kind].encodings)}, not as {encoding}")
    catalogue = catalogue_for(site)
    if kind not in allowed(catalogue):
        raise click.UsageError(f"this site does not write {kind}; its settings allow {', '.join(allowed(catalogue))}")
    joined = encoding in OUTWARD[kind].joined and not pretty
    before = earlier_exams((), earlier, None, catalogue)
    writer = partial(write, catalogue=catalogue, kind=kind, encoding=encoding, pretty=pretty, earlier=before)
    packed = packed or (out is not None and out.suffix.lower() == ".gz")
    if earlier and (parts or packed or jobs):
        raise click.UsageError("--earlier goes with few exams: not with --parts, --gzip or --jobs")
    if out is not None and not earlier and (parts or packed or jobs or are_many(files)):
        folder = parts or out.is_dir() or not out.suffix
        layout = Layout.PARTS if parts else Layout.EACH if folder else Layout.ONE
        if layout is not Layout.EACH and not joined:
            raise click.UsageError(_NEEDS_A_FOLDER.format(encoding))
        work = Convert(kind, encoding, pretty, layout, packed, site, plan, _rows(plan, files, catalogue))
        summary = run_many(work, files, out, jobs, quiet)
        done, refused = summary.tally.done, summary.tally.refused
    elif parts or packed or jobs:
        raise click.UsageError("--parts, --gzip and --jobs need a file or folder: --out")
    else:
        done, refused = _few(readings(files, plan, catalogue), writer, encoding, joined, out)
    note(f"{done} exams converted, {refused} refused.")
    sys.exit(ExitCode.PROBLEMS if refused else ExitCode.WELL)


_NEEDS_A_FOLDER = "several exams as {} or indented need a folder: --out FOLDER/"
_Writer = Callable[[Exam], bytes]
_Written = tuple[str, bytes]


def _rows(plan: Path | None, files: tuple[Path, ...], catalogue: Catalogue) -> Rows:
    return Rows() if plan is None else rows_of_plan(usable_plan(plan, files, catalogue))


def _few(found: Iterator[Reading], writer: _Writer, encoding: str, joined: bool, out: Path | None) -> tuple[int, int]:
    """Without processes: what was converted, and what was refused."""
    counts: Counter[bool] = Counter()
    exams = _written(found, writer, counts)
    if out is None:
        first, second = next(exams, None), next(exams, None)
        if second is not None and not joined:
            raise click.UsageError(_NEEDS_A_FOLDER.format(encoding))
        for _, content in chain((e for e in (first, second) if e is not None), exams):
            write_output(None, content)
    else:
        _to_files(list(exams), encoding, joined, out)
    return counts[True], counts[False]


def _written(found: Iterator[Reading], writer: _Writer, counts: Counter[bool]) -> Iterator[_Written]:
    for reading in found:
        problems = reading.errors
        if reading.accepted and reading.exam is not None:
            try:
                content = writer(reading.exam)
            except PdfNotInstalled as error:
                raise click.UsageError(str(error)) from None
            except NotWritable as error:
                problems = tuple(error.problems)
            else:
                counts[True] += 1
                yield reading.exam.details.id, content
                continue
        counts[False] += 1
        for problem in problems:
            note(str(problem))


def _to_files(exams: list[_Written], encoding: str, joined: bool, out: Path) -> None:
    if out.is_dir() or (len(exams) > 1 and not out.suffix):
        _to_folder(exams, encoding, out)
    elif len(exams) > 1 and not joined:
        raise click.UsageError(_NEEDS_A_FOLDER.format(encoding))
    elif exams:
        write_output(out, b"".join(content for _, content in exams))


def _to_folder(exams: list[_Written], encoding: str, out: Path) -> None:
    for name, count in Counter(name for name, _ in exams).items():
        if count > 1:
            raise click.UsageError(f"exam {name} comes {count} times; one file an exam needs each id once")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.UsageError(f"{out} cannot be made: {error.strerror}") from None
    for name, content in exams:
        write_output(out / f"{name}.{encoding}", content)
