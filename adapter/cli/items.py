"""``newborn-adapter items``: browse the catalogue."""

from __future__ import annotations

import json
import sys
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from adapter.cli.options import catalogue_for, site_option
from adapter.cli.reporting import cautions
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue, Item


@click.command()
@click.argument("item_ids", metavar="[ITEM]...", nargs=-1)
@click.option("--region", help="Only the items of this region.")
@click.option("--kind", help="Only what this kind of exam is expected to cover.")
@click.option("--coded", type=click.Choice(["both", "loinc", "snomed", "local"]), help="Only questions coded so.")
@click.option(
    "--format", "form", type=click.Choice(["table", "json", "csv", "html"]), default="table", show_default=True
)
@click.option("--lint", "only_lint", is_flag=True, help="Check the catalogue and say what is wrong with it.")
@click.option(
    "--rules",
    "only_rules",
    is_flag=True,
    help="The rules, told ranges and tables in force, with their sources, and how often each rings in well newborns.",
)
@click.option(
    "--coverage", "only_coverage", is_flag=True, help="Which questions and answers have which codes, and why."
)
@site_option
@click.pass_context
def items(
    context: click.Context,
    item_ids: tuple[str, ...],
    region: str | None,
    kind: str | None,
    coded: str | None,
    form: str,
    only_lint: bool,
    only_rules: bool,
    only_coverage: bool,
    site: Path | None,
) -> None:
    """Browse what can be examined: by region, by kind of exam, by code system; one item in full.

    With --site DIR and nothing else: what the site's folder changes, and what is wrong with it.

    \b
    Example:
      newborn-adapter items --region hips
      newborn-adapter items femoral_pulse
      newborn-adapter items --coded local --format csv
      newborn-adapter items --rules
      newborn-adapter items --coverage --format html
      newborn-adapter items --site my-ward/
    """
    from adapter.cli.listing import as_csv, as_data, as_table, in_full
    from adapter.cli.rules import rules_as_data, rules_in_words
    from adapter.write.coverage import coverage_report

    catalogue = catalogue_for(site, to_look_at=True)
    asked = item_ids or region or kind or coded or only_lint or only_rules or only_coverage
    named = context.get_parameter_source("site") is ParameterSource.COMMANDLINE
    if form == "html" and not only_coverage:
        raise click.UsageError("only --coverage is written as html")
    if named and not asked and form != "csv":
        _changes(catalogue, form)
    if only_lint:
        _lint(catalogue)
    if only_rules and form == "csv":
        raise click.UsageError("--rules is written as a table or as json")
    if only_rules and form == "json":
        click.echo(json.dumps(rules_as_data(catalogue), indent=2, ensure_ascii=False))
        return
    if only_rules:
        click.echo(f"{rules_in_words(catalogue)}\n{cautions(catalogue)}")
        return
    chosen = chosen_items(catalogue, item_ids, region, kind, coded)
    if only_coverage:
        click.echo(coverage_report(chosen, catalogue, form), nl=False)
    elif form == "json":
        click.echo(json.dumps([as_data(item, catalogue) for item in chosen], indent=2, ensure_ascii=False))
    elif form == "csv":
        click.echo(as_csv(chosen, catalogue), nl=False)
    elif item_ids:
        click.echo("\n\n".join(in_full(item, catalogue) for item in chosen))
    else:
        click.echo(as_table(chosen, catalogue))


def _changes(catalogue: Catalogue, form: str) -> None:
    from adapter.cli.site_changes import changes_as_json, changes_in_words, changes_of

    changes, problems = changes_of(catalogue)
    in_words = form == "table"
    click.echo(changes_in_words(catalogue, changes, problems) if in_words else changes_as_json(changes, problems))
    sys.exit(ExitCode.PROBLEMS if problems else ExitCode.WELL)


def _lint(catalogue: Catalogue) -> None:
    from adapter.catalogue.lint import lint
    from adapter.catalogue.lint_site import placeholders
    from adapter.write import lint_forms

    problems = [*lint(catalogue), *lint_forms(catalogue)]
    for problem in (*problems, *placeholders(catalogue)):
        click.echo(str(problem))
    click.echo(f"{len(catalogue.items)} items in {len(catalogue.regions)} regions: {len(problems)} problems")
    sys.exit(ExitCode.PROBLEMS if problems else ExitCode.WELL)


def chosen_items(
    catalogue: Catalogue,
    ids: tuple[str, ...],
    region: str | None = None,
    kind: str | None = None,
    coded: str | None = None,
) -> list[Item]:
    """The items that are meant, all where nothing narrows them; a usage error for what is not there."""
    from adapter.catalogue.coverage import question_coverage

    for name in ids:
        _known("item", name, list(catalogue.items))
    if region is not None:
        _known("region", region, list(catalogue.regions))
    if kind is not None:
        _known("kind", kind, list(catalogue.kinds))
    expected = {item.id for item in catalogue.expected(kind)} if kind else None
    return [
        item
        for item in catalogue.items.values()
        if (not ids or item.id in ids)
        and (region is None or catalogue.region_of[item.id] == region)
        and (expected is None or item.id in expected)
        and (coded is None or question_coverage(item) == coded)
    ]


def _known(word: str, name: str, known: list[str]) -> None:
    if name not in known:
        near = get_close_matches(name, known, 3, 0.5)
        hint = f"did you mean {', '.join(near)}?" if near else f"known are: {', '.join(sorted(known)[:30])}"
        raise click.UsageError(f"there is no {word} '{name}'; {hint}")
