"""``newborn-adapter validate``: any FHIR R4 file, ours or not."""

from __future__ import annotations

import glob
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapter.cli.log import heard
from adapter.cli.options import catalogue_for, nothing_read, site_option
from adapter.cli.reporting import counted, say_standing
from adapter.cli.running import given, many_options, run_into
from adapter.problems import ExitCode, Layer, Severity

if TYPE_CHECKING:
    from adapter.run import Given, Tally
    from adapter.run.validate import Validate

LAYERS = (
    Layer.STRUCTURE,
    Layer.SCHEMA,
    Layer.INVARIANTS,
    Layer.TERMINOLOGY,
    Layer.PROFILES,
    Layer.BUNDLE,
)
FORMS = ("text", "json", "jsonl", "junit", "sarif")
_FAILING = {
    "error": (Severity.FATAL, Severity.ERROR),
    "warning": (Severity.FATAL, Severity.ERROR, Severity.WARNING),
    "information": tuple(Severity),
    "never": (),
}


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, allow_dash=True))
@click.option(
    "--layer",
    "layers",
    multiple=True,
    type=click.Choice([layer.value for layer in LAYERS]),
    help="Only this layer; may be repeated. Default: all.",
)
@click.option(
    "--package",
    "packages",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="A site's FHIR package (npm-style .tgz, or a folder of JSON or XML files); may be repeated.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMS),
    default="text",
    show_default=True,
    help="text for people; json is an OperationOutcome, jsonl one problem a line, junit and sarif for pipelines.",
)
@click.option(
    "--fail-on", type=click.Choice(list(_FAILING)), default="error", show_default=True, help="When to exit with 1."
)
@click.option("--summary", is_flag=True, help="Count the problems by rule instead of listing them.")
@click.option("--excerpt/--no-excerpt", default=None, help="Show the source. Default: at a terminal only.")
@click.option("--second-opinion", is_flag=True, help="Ask the models of fhir.resources (R4B) too; slower.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A file for the problems, a line of JSON for each resource that has any. It can be interrupted.",
)
@site_option
@many_options
def validate(
    files: tuple[Path, ...],
    layers: tuple[str, ...],
    packages: tuple[Path, ...],
    form: str,
    fail_on: str,
    summary: bool,
    excerpt: bool | None,
    second_opinion: bool,
    out: Path | None,
    site: Path | None,
    jobs: int | None,
    quiet: bool,
) -> None:
    """Validate FHIR R4 JSON, XML or NDJSON, plain or gzipped: files, folders, patterns, or - for standard input.

    \b
    Example:
      newborn-adapter validate bundle.json
      newborn-adapter validate bundles/ --layer structure --layer bundle
      newborn-adapter validate bundles/ --summary --fail-on never
      newborn-adapter validate bundles/ --out problems.ndjson

    Inputs of any size are spread over all processors. With --out what is refused is kept in OUT.rejected as well. No
    file is ever fetched: profiles come from the packages that are named. A newborn's data can stand in the excerpts
    of the source, and nowhere else in the report. With --site it says first what stands against the proof of that
    site's codes, if the site wants one.
    """
    from adapter.run.validate import Validate

    if site is not None:
        say_standing(catalogue_for(site))
    chosen = tuple(layer for layer in LAYERS if not layers or layer.value in layers)
    inputs = given(list(_named(files)))
    if out is not None:
        tally = run_into(Validate(chosen, packages, second_opinion), inputs, out, jobs, quiet)
    else:
        excerpts = form == "text" and not summary and (sys.stdout.isatty() if excerpt is None else excerpt)
        work = Validate(chosen, packages, second_opinion, every=True, excerpts=excerpts)
        tally = _written(work, inputs, jobs, "summary" if summary else form)
    if out is not None or form == "text":
        _say(tally)
    if not tally.read:
        sys.exit(nothing_read())
    sys.exit(ExitCode.PROBLEMS if tally.of(*_FAILING[fail_on]) else ExitCode.WELL)


def _written(work: Validate, inputs: Sequence[Given], jobs: int | None, form: str) -> Tally:
    from adapter.cli.problem_forms import WRITERS
    from adapter.run import Tally, stream
    from adapter.run.validate import validated_in

    whole, writer = Tally(), WRITERS[form]()
    for tally, folder in stream(work, inputs, jobs=jobs):
        whole.add(tally)
        for one in validated_in(folder):
            writer.add(one)
            for problem in one.problems:
                heard(problem)
    writer.end()
    return whole


def _say(tally: Tally) -> None:
    totals = {severity: tally.of(severity) for severity in Severity}
    words = ", ".join(counted(n, severity.value) for severity, n in totals.items() if n)
    click.echo(f"{counted(tally.read, 'resource')} read: {words or 'no problems'}.")


def _named(files: tuple[Path, ...]) -> Iterator[Path]:
    """The files and folders that are meant: patterns are filled in."""
    for path in files:
        if str(path) == "-" or path.exists():
            yield path
            continue
        found = sorted(map(Path, glob.glob(str(path), recursive=True))) if glob.has_magic(str(path)) else []  # noqa: PTH207
        if not found:
            raise click.UsageError(f"there is no file {path}")
        yield from found
