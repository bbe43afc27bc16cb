"""``newborn-adapter columns``: help for those who write column plans."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from adapter.cli.log import note, tell
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reporting import counted
from adapter.problems import ExitCode, Problem

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.group()
def columns() -> None:
    """Draft and check column plans: how the columns of any table become exams.

    \b
    Example:
      newborn-adapter columns draft births.xlsx --out births.yaml --page births.html
      newborn-adapter columns schema --out plan.schema.json
      newborn-adapter columns check plan.yaml
    """


@columns.command()
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="The file to write, for all to read.")
@site_option
def schema(out: Path | None, site: Path | None) -> None:
    """Print the JSON Schema of column plans, for an editor.

    \b
    Example:
      newborn-adapter columns schema --site my-ward/ --out plan.schema.json
    """
    from adapter.read.plan import plan_schema

    text = json.dumps(plan_schema(catalogue_for(site)), indent=2, ensure_ascii=False)
    write_output(out, (text + "\n").encode(), public=True)


@columns.command()
@click.argument("plans", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
@site_option
def check(plans: tuple[Path, ...], site: Path | None) -> None:
    """Check plans against the catalogue: everything that would go wrong for every row, before there is a table.

    \b
    Example:
      newborn-adapter columns check plan.yaml
    """
    from adapter.read.plan import load_plan

    catalogue, wrong = catalogue_for(site), False
    for path in plans:
        _, problems = load_plan(path, catalogue)
        for problem in problems:
            tell(problem)
        wrong = wrong or bool(problems)
        if not problems:
            click.echo(f"{path}: can be used.")
    sys.exit(ExitCode.PROBLEMS if wrong else ExitCode.WELL)


@columns.command()
@click.argument("table", type=click.Path(path_type=Path, allow_dash=True, dir_okay=False))
@click.option("--out", type=_FILE, help="The plan to write; one that is there already is left alone.")
@click.option("--page", type=_FILE, help="Also a page (HTML): the table's columns beside what was made of them.")
@click.option("--sheet", help="The sheet of a workbook. Default: the first, which is then asked about.")
@site_option
def draft(table: Path, out: Path | None, page: Path | None, sheet: str | None, site: Path | None) -> None:
    """Draft a plan from a table (CSV, TSV, XLSX), for a person to decide what is left open.

    \b
    Example:
      newborn-adapter columns draft births.xlsx --out births.yaml --page births.html
      newborn-adapter columns check births.yaml
      newborn-adapter convert births.xlsx --columns births.yaml --out bundles/

    It looks for the header, units, the form of dates, decimal commas, gestations such as 39+4, two sides in one cell,
    items by label, code or common abbreviation, answers by their words. What is not certain begins with a question
    mark, and the plan is refused until a person has decided it. The plan and the page hold cells of the table.
    """
    from adapter.read.draft import draft_page, draft_plan

    if out is not None and out.exists():
        raise click.UsageError(f"{out} is there already, and somebody may have decided in it; name another file")
    if str(table) != "-" and not table.exists():
        raise click.UsageError(f"there is no file {table}")
    source = sys.stdin.buffer.read() if str(table) == "-" else table
    made = draft_plan(source, catalogue_for(site), sheet=sheet)
    if isinstance(made, Problem):
        tell(made)
        sys.exit(ExitCode.PROBLEMS)
    write_output(out, made.text.encode())
    if page is not None:
        write_output(page, draft_page(made))
    findings, questions = len(made.tree["findings"]), len(made.questions)
    note(
        f"{counted(made.sheet.rows, 'row')}, {counted(len(made.columns), 'column')}: {counted(findings, 'finding')}."
    )
    note(f"To be decided by a person: {questions}. Then: newborn-adapter columns check {out or 'PLAN'}")
