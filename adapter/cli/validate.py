"""``newborn-adapter validate``: any FHIR R4 file, ours or not."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click

from adapter.cli.reading import expanded
from adapter.cli.reporting import count_line, print_problems
from adapter.problems import Layer, Problem, Report
from adapter.validate import ALL, read_resources
from adapter.validate import validate as validate_resource


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, allow_dash=True))
@click.option(
    "--layer",
    "layers",
    multiple=True,
    type=click.Choice([layer.value for layer in ALL]),
    help="Only this layer; may be repeated. Default: all.",
)
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
def validate(files: tuple[Path, ...], layers: tuple[str, ...], form: str) -> None:
    """Validate FHIR R4 JSON, XML or NDJSON files; one report for people, or an OperationOutcome (--format json).

    \b
    Example:
      newborn-adapter validate bundle.json
      newborn-adapter validate bundles/ --layer structure --layer bundle
    """
    chosen = tuple(Layer(layer) for layer in layers) or ALL
    report, count = Report(), 0
    for path in expanded(files):
        if str(path) != "-" and not path.exists():
            raise click.UsageError(f"there is no file {path}")
        for problems in _problems(path, chosen):
            count += 1
            report.add(problems)
    print_problems(report.problems, form)
    if form == "text":
        click.echo(f"{count} resources read: {count_line(report)}.")
    sys.exit(report.exit_code)


def _problems(path: Path, layers: tuple[Layer, ...]) -> Iterator[list[Problem]]:
    """The problems of each resource of a file."""
    name = "standard input" if str(path) == "-" else str(path)
    source = sys.stdin.buffer if str(path) == "-" else path
    for loaded in read_resources(source, name):
        problems = list(loaded.problems)
        if loaded.resource is not None:
            problems += validate_resource(loaded.resource, layers=layers, file=name, line=loaded.line)
        yield problems
