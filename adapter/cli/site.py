"""``newborn-adapter site``: rehearse a site's folder before it goes live."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from adapter.cli.problem_forms import WRITERS
from adapter.cli.reporting import count_line, counted, note
from adapter.problems import Problem

FORMS = ("text", "json", "jsonl", "junit", "sarif")


@click.group()
def site() -> None:
    """Rehearse a site's own folder before it goes live.

    \b
    Example:
      newborn-adapter site rehearse my-ward/
    """


@site.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--package",
    "packages",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="A FHIR package (npm-style .tgz, or a folder) whose profiles the site claims; may be repeated.",
)
@click.option("--format", "form", type=click.Choice(FORMS), default="text", show_default=True)
@click.option("--quiet", is_flag=True, help="Do not say on standard error which form is being rehearsed.")
def rehearse(folder: Path, packages: tuple[Path, ...], form: str, quiet: bool) -> None:
    """Put everything that a site's catalogue has through every form that it writes; say what falls short, and where.

    \b
    Example:
      newborn-adapter site rehearse my-ward/
      newborn-adapter site rehearse my-ward/ --package us-core.tgz --format sarif

    Invented exams hold every item, answer, reason, place, state, role, score and unit. They are checked, written in
    every outward form, validated in every layer and by the packages, and read back; beside them every Questionnaire,
    sheet, page and the package. What falls short is told by file and line of the folder. It takes about a minute.
    """
    from adapter.run.rehearsal import rehearse as rehearsed

    if not folder.is_dir():
        raise click.UsageError(f"there is no folder {folder}")
    made = rehearsed(folder, packages, say=lambda name: None if quiet else note(f"rehearsing: {name}"))
    _write(list(made.report), form)
    if form == "text":
        if not made.forms:
            click.echo(f"{count_line(made.report)}. Nothing was rehearsed: mend these first.")
            sys.exit(made.report.exit_code)
        words = f"{counted(made.exams, 'invented exam')}, {counted(made.findings, 'finding')}"
        click.echo(f"{words}, {counted(len(made.forms), 'form')}: {count_line(made.report)}")
    sys.exit(made.report.exit_code)


def _write(problems: list[Problem], form: str) -> None:
    from adapter.run.validate import Validated

    writer = WRITERS[form]()
    for problem in problems:
        writer.add(Validated(problem.file, None, (problem,), ("",)))
    writer.end()
