"""``newborn-adapter convert``: capture files to FHIR bundles, documents, messages and reports."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from adapter.cli.comparing import earlier_exams, earlier_option
from adapter.cli.log import note
from adapter.cli.options import catalogue_for, site_option
from adapter.cli.reading import plan_option, plan_said
from adapter.cli.reporting import counted
from adapter.cli.running import end, given, many_options, poured, run_into
from adapter.cli.targets import SourceOptions, source_options

KINDS = ("transaction", "collection", "batch", "v2", "v2-document", "document", "report")
ENCODINGS = ("er7", "html", "json", "pdf", "xml")


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path, allow_dash=True))
@plan_option
@click.option(
    "--to",
    "kind",
    type=click.Choice(KINDS),
    default="transaction",
    show_default=True,
    help="What to make of an exam.",
)
@click.option(
    "--format",
    "encoding",
    type=click.Choice(ENCODINGS),
    help="How it is written. Default: as the ending of --out says, else the usual way of its kind.",
)
@click.option(
    "--fhir",
    type=click.Choice(["R4", "R4B", "R5"]),
    help="The release of FHIR. Default: as the site's settings say, else R4. R5 is written as JSON.",
)
@click.option("--pretty", is_flag=True, help="Indented, for people.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="A file; or a folder, for one file an exam (a name without ending).",
)
@click.option("--parts", is_flag=True, help="The folder gets parts with many exams each, one a line.")
@click.option("--gzip", "packed", is_flag=True, help="Packed with gzip; where --out ends in .gz as well.")
@earlier_option
@source_options
@many_options
@site_option
def convert(
    files: tuple[Path, ...],
    source: SourceOptions,
    out: Path | None,
    parts: bool,
    earlier: tuple[Path, ...],
    jobs: int | None,
    quiet: bool,
    **options: Any,
) -> None:
    """Convert exams to FHIR R4 bundles and other outward forms.

    Files are capture files of any form, or bundles and NDJSON of ours; --from reads a server's. An exam with an error
    is refused; the others go on. Several exams become one bundle a line (NDJSON), or a folder of files with --out
    DIR. Inputs of any size, plain or gzipped, are spread over all processors; what is refused is kept in
    OUT.rejected; a run that was interrupted goes on with the same command. A report is for people, an exam a file;
    with --earlier it says what changed.

    \b
    Example:
      newborn-adapter convert exam.json --pretty --out bundle.json
      newborn-adapter convert exams.csv --to collection --out bundles/
      newborn-adapter convert exam.json --to v2 --out exam.er7
      newborn-adapter convert exam.json --to v2-document --out report.er7
      newborn-adapter convert exam.json --to report --format pdf --out report.pdf
      newborn-adapter convert exam.json --fhir R5 --out r5.json
      newborn-adapter convert captures/ --out bundles.ndjson.gz --jobs 2
      newborn-adapter convert captures/ --out parts/ --parts
    """
    from adapter.run.convert import DATA, Convert, Layout

    catalogue = catalogue_for(options["site"])
    plan_said(options["plan"], files, catalogue)
    before = tuple(earlier_exams((), earlier, None, catalogue))
    work = Convert(layout=Layout.PARTS if parts else None, earlier=before, **options)
    inputs = given(files, source, catalogue)
    tally = poured(work, inputs, DATA, jobs) if out is None else run_into(work, inputs, out, jobs, quiet)
    for remark, count in sorted(tally.remarks.items()):
        note(f"{counted(count, 'exam')}: {remark}")
    note(f"{counted(tally.done, 'exam')} converted, {tally.refused} refused.")
    end(tally)
