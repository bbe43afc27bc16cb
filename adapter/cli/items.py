"""``newborn-adapter items``: browse the catalogue."""

from __future__ import annotations

import csv
import io
import json
import sys
from difflib import get_close_matches
from pathlib import Path

import click
from click.core import ParameterSource

from adapter.catalogue import Catalogue, Coverage, Item, answer_shares, lint, question_coverage
from adapter.cli.options import catalogue_for, site_option
from adapter.cli.reporting import CAUTION, policy_line
from adapter.cli.rules import rules_in_words
from adapter.cli.site_changes import changes_as_json, changes_in_words, changes_of
from adapter.problems import ExitCode
from adapter.write import lint_forms
from adapter.write.coverage import coverage_report

_COLUMNS = ("position", "item", "region", "label", "type", "unit", "sides", "coded", "answers_coded", "codes")


@click.command()
@click.argument("item_ids", metavar="[ITEM]...", nargs=-1)
@click.option("--region", help="Only the items of this region.")
@click.option("--kind", help="Only what this kind of exam is expected to cover.")
@click.option("--coded", type=click.Choice([c.value for c in Coverage]), help="Only questions coded so.")
@click.option(
    "--format", "form", type=click.Choice(["table", "json", "csv", "html"]), default="table", show_default=True
)
@click.option("--lint", "only_lint", is_flag=True, help="Check the catalogue and say what is wrong with it.")
@click.option("--rules", "only_rules", is_flag=True, help="The rules and tables in force, with their sources.")
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
    catalogue = catalogue_for(site)
    asked = item_ids or region or kind or coded or only_lint or only_rules or only_coverage
    named = context.get_parameter_source("site") is ParameterSource.COMMANDLINE
    if form == "html" and not only_coverage:
        raise click.UsageError("only --coverage is written as html")
    if named and not asked and form != "csv":
        _changes(catalogue, form)
    if only_lint:
        _lint(catalogue)
    if only_rules:
        click.echo(f"{rules_in_words(catalogue)}\n{policy_line(catalogue)}\n{CAUTION}")
        return
    chosen = _chosen(catalogue, item_ids, region, kind, coded)
    if only_coverage:
        click.echo(coverage_report(chosen, catalogue, form), nl=False)
    elif form == "json":
        click.echo(json.dumps([_full(item, catalogue) for item in chosen], indent=2, ensure_ascii=False))
    elif form == "csv":
        click.echo(_csv(chosen, catalogue), nl=False)
    elif item_ids:
        click.echo("\n\n".join(_in_full(item, catalogue) for item in chosen))
    else:
        click.echo(_table(chosen, catalogue))


def _changes(catalogue: Catalogue, form: str) -> None:
    changes, problems = changes_of(catalogue)
    in_words = form == "table"
    click.echo(changes_in_words(catalogue, changes, problems) if in_words else changes_as_json(changes, problems))
    sys.exit(ExitCode.PROBLEMS if problems else ExitCode.WELL)


def _lint(catalogue: Catalogue) -> None:
    problems = [*lint(catalogue), *lint_forms(catalogue)]
    for problem in problems:
        click.echo(str(problem))
    click.echo(f"{len(catalogue.items)} items in {len(catalogue.regions)} regions: {len(problems)} problems")
    sys.exit(ExitCode.PROBLEMS if problems else ExitCode.WELL)


def _chosen(
    catalogue: Catalogue, ids: tuple[str, ...], region: str | None, kind: str | None, coded: str | None
) -> list[Item]:
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


def _row(item: Item, catalogue: Catalogue) -> dict[str, str]:
    shared, answers = answer_shares(item)
    return {
        "position": str(item.position),
        "item": item.id,
        "region": catalogue.region_of[item.id],
        "label": item.label,
        "type": item.type.value,
        "unit": item.unit or "",
        "sides": item.sides.value,
        "coded": question_coverage(item).value,
        "answers_coded": f"{shared}/{answers}" if answers else "",
        "codes": "; ".join(str(code) for code in item.codes),
    }


def _csv(chosen: list[Item], catalogue: Catalogue) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_row(item, catalogue) for item in chosen)
    return out.getvalue()


def _table(chosen: list[Item], catalogue: Catalogue) -> str:
    columns = ("item", "region", "type", "unit", "sides", "coded", "answers_coded", "label")
    rows = [dict(zip(columns, columns, strict=True))] + [_row(item, catalogue) for item in chosen]
    widths = {column: max(len(row[column]) for row in rows) for column in columns}
    lines = ["  ".join(row[column].ljust(widths[column]) for column in columns).rstrip() for row in rows]
    totals = {c: sum(question_coverage(item) is c for item in chosen) for c in Coverage}
    spread = ", ".join(f"{count} {name.value}" for name, count in totals.items())
    return "\n".join([*lines, "", f"{len(chosen)} items; questions coded: {spread}"])


def _full(item: Item, catalogue: Catalogue) -> dict[str, object]:
    shown = item.model_dump(mode="json", exclude_defaults=True)
    return {"region": catalogue.region_of[item.id], "coded": question_coverage(item).value, **shown}


def _in_full(item: Item, catalogue: Catalogue) -> str:
    lines = [f"{item.label}  ({item.id}, {catalogue.regions[catalogue.region_of[item.id]].label})"]
    lines.append(
        f"  record      {item.type.value}, sides: {item.sides.value}" + (f", in {item.unit}" if item.unit else "")
    )
    lines += [f"  how         {item.how}"] if item.how else []
    lines += [f"  caution     {item.caution}"] if item.caution else []
    lines += [f"  code        {code}" for code in item.codes] or [f"  code        own only: {item.no_standard_code}"]
    for word, table in (("side", item.codes_by.side), ("site", item.codes_by.site), ("method", item.codes_by.method)):
        for key, further in table.items():
            lines += [f"  code        {code}  (with {word} {key})" for code in further]
    if item.limits:
        lines.append(f"  refused     outside {item.limits.possible[0]} to {item.limits.possible[1]}")
        lines.append(f"  warned      outside {item.limits.plausible[0]} to {item.limits.plausible[1]}")
    for component in item.components:
        lines.append(f"  component   {component.id}  " + "; ".join(str(code) for code in component.codes))
    for answer in item.answers:
        urgent = f", {answer.urgency.value}" if answer.urgency != "none" else ""
        codes = "; ".join(str(code) for code in answer.codes)
        lines.append(f"  answer      {answer.id}: {answer.label} [{answer.meaning.value}{urgent}] {codes}".rstrip())
    for sign in item.signs:
        points = ", ".join(f"{answer.points} {answer.id}" for answer in sign.answers)
        lines.append(f"  sign        {sign.id}: {points}")
    for band in item.ranges:
        urgent = f", {band.urgency.value}" if band.urgency != "none" else ""
        part = f"{band.component} " if band.component else ""
        when = _when(band.when.model_dump(exclude_defaults=True))
        lines.append(f"  range       {part}{band} [{band.meaning.value}{urgent}]{when}  {band.source}")
    lines += [f"  site        {site}" for site in item.sites]
    lines.append(f"  sources     {'; '.join(f'{s}: {catalogue.sources[s].label}' for s in item.sources)}")
    return "\n".join(lines)


def _when(condition: dict[str, object]) -> str:
    words = []
    for name, value in condition.items():
        if isinstance(value, dict):
            ends = (f"{end['comparator']}{end['value']}" for end in value.values() if end)
            words.append(f"{name.replace('_', ' ')} {' and '.join(ends)}")
        else:
            words.append(
                f"{name.replace('_', ' ')} {', '.join(map(str, value)) if isinstance(value, tuple) else value}"
            )
    return f" when {'; '.join(words)}" if words else ""
