"""``newborn-adapter columns``: help for those who write column plans."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.problems import ExitCode


@click.group()
def columns() -> None:
    """Write column plans: how the columns of any table become exams.

    \b
    Example:
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
            click.echo(str(problem), err=True)
        wrong = wrong or bool(problems)
        if not problems:
            click.echo(f"{path}: can be used.")
    sys.exit(ExitCode.PROBLEMS if wrong else ExitCode.WELL)
