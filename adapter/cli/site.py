"""``newborn-adapter site``: start a site's folder, rehearse it before it goes live, compare it with another."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from adapter.cli.log import note
from adapter.cli.options import catalogue_for, folder_of, nothing_read
from adapter.cli.problem_forms import WRITERS
from adapter.cli.reporting import count_line, counted
from adapter.problems import Problem

SHIPPED = "shipped"
FORMS = ("text", "json", "jsonl", "junit", "sarif")


@click.group()
def site() -> None:
    """Start a site's own folder, rehearse it before it goes live, compare it with another.

    \b
    Example:
      newborn-adapter site start new-ward/ --country DE --language de --time-zone Europe/Berlin
      newborn-adapter site rehearse my-ward/
      newborn-adapter site compare shipped my-ward/ --exams exams/
    """


@site.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--organisation", help="Whose exams these are.")
@click.option("--organisation-id", metavar="SYSTEM|VALUE", help="Its identifier, as others know it.")
@click.option("--country", metavar="CODE", help="ISO 3166, such as DE.")
@click.option("--language", metavar="CODE", help="BCP 47, such as de; without it English.")
@click.option("--time-zone", metavar="NAME", help="IANA name, such as Europe/Berlin.")
@click.option("--identifiers", metavar="URI", help="The system of the newborns' numbers: https://.. or urn:oid:..")
@click.option("--identifier-type", metavar="CODE", help="What they are, a code of HL7 table 0203.  [default: MR]")
@click.option("--assigner", help="Who gives these numbers.")
@click.option("--sender", help="HL7 v2: the sending facility (MSH-4).")
@click.option("--receiver", help="HL7 v2: the receiving facility (MSH-6).")
@click.pass_context
def start(context: click.Context, /, folder: Path, **given: str | None) -> None:
    """Write a new site's folder, commented, with what is known of it. Nothing that is there is written over.

    \b
    Example:
      newborn-adapter site start new-ward/
      newborn-adapter site start new-ward/ --country GB --identifiers https://hospital.example/mrn

    At a terminal it asks for what no option says; an empty answer leaves it out. The folder passes the linter.
    """
    from adapter.catalogue.start import NewSite, start_site

    if sys.stdin.isatty():
        helps = {option.name: getattr(option, "help", "") for option in context.command.params}
        for name, value in given.items():
            if value is None:
                given[name] = click.prompt(str(helps[name]), default="", show_default=False, err=True) or None
    given["identifier_type"] = given["identifier_type"] or "MR"
    try:
        written = start_site(folder, NewSite(**{name: value for name, value in given.items() if value}))
    except OSError as error:
        raise click.UsageError(f"{folder} cannot be written: {error.strerror}") from None
    for path in written:
        click.echo(str(path))
    note(f"Edit these, look with newborn-adapter items --site {folder}, then newborn-adapter site rehearse {folder}")


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

    Invented exams hold every item, answer, reason, place, state, role, score, unit and telling; one more for each
    rule makes it hold. They are checked, written in every form, extracts among them, validated in every layer and
    by the packages, and read back; beside them every Questionnaire, sheet, page and the package. What falls short is
    told by file and line of the folder. It takes about a minute.
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
        words += f", {counted(made.rules, 'rule')} that hold"
        click.echo(f"{words}, {counted(len(made.forms), 'form')}: {count_line(made.report)}")
    sys.exit(made.report.exit_code)


@site.command()
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option(
    "--old-mappings",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="The folder mappings/ of another version, over which OLD is laid instead of the installed one.",
)
@click.option(
    "--exams",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Your own exams, a file or a folder: which lines of their lists would change. May be repeated.",
)
@click.option("--words", is_flag=True, help="Also the words of each line: they hold findings.")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
def compare(old: Path, new: Path, old_mappings: Path | None, exams: tuple[Path, ...], words: bool, form: str) -> None:
    """Say what another site's folder, or another version of the catalogue, would tell differently.

    \b
    Example:
      newborn-adapter site compare shipped my-ward/
      newborn-adapter site compare my-ward/ my-ward-new/ --exams exams/
      newborn-adapter site compare my-ward/ my-ward/ --old-mappings older-version/mappings/ --exams exams/

    OLD and NEW are a site's folder, a shipped pack by name, or the word shipped. First what differs between the two:
    items, answers, ranges, rules, settings, added, gone, changed. With --exams then, by exam and item or rule, each
    line of a tell list that appears, disappears or is told sooner or later, without its values; and exams that only
    one of the two takes. Each exam is judged alone, without earlier ones.
    """
    from adapter.catalogue.difference import difference
    from adapter.cli.site_changes import comparison_as_json, comparison_in_words, exams_in_words, from_shipped
    from adapter.run.compare import compared

    before, after = (
        catalogue_for(_named(old), old_mappings, to_look_at=True),
        catalogue_for(_named(new), to_look_at=True),
    )
    changes = from_shipped(after) if str(old) == SHIPPED and old_mappings is None else difference(before, after)
    found = list(compared(exams, before, after)) if exams else None
    if form == "json":
        click.echo(comparison_as_json(changes, found, words=words))
    else:
        click.echo(comparison_in_words(changes))
        if found is not None:
            click.echo("\n" + exams_in_words(found, words=words))
    if found is not None and not found:
        sys.exit(nothing_read())


def _named(given: Path) -> Path | None:
    """The folder that is meant; None is the shipped catalogue."""
    if str(given) == SHIPPED:
        return None
    folder = folder_of(given)
    if not folder.is_dir():
        raise click.UsageError(f"there is no folder {given}; a site's folder, a pack such as us-core, or {SHIPPED}")
    return folder


def _write(problems: list[Problem], form: str) -> None:
    from adapter.run.validate import Validated

    writer = WRITERS[form]()
    for problem in problems:
        writer.add(Validated(problem.file, None, (problem,), ("",)))
    writer.end()
