"""``newborn-adapter quality``: a report on the data of an extract."""

from __future__ import annotations

from pathlib import Path

import click

from adapter.cli.log import note
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reporting import counted

_FORMS = {".html": "html", ".csv": "csv", ".json": "json"}
_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--out", required=True, type=_FILE, help="The report: a name that ends in .html, .csv or .json says which."
)
@click.option(
    "--records",
    type=_FILE,
    help="Also write which records to look at, by their ids (CSV): for those who may see them.",
)
@click.option(
    "--against",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="An earlier extract: what changed since, with what the catalogue changed of it.",
)
@click.option("--checks", type=_FILE, help="Limits of your own, in the form of mappings/quality/checks.yaml.")
@site_option
def quality(
    folder: Path, out: Path, records: Path | None, against: Path | None, checks: Path | None, site: Path | None
) -> None:
    """Report on the data of an extract: who is in it, what is missing and not examined, preferred digits, drift from
    month to month, slips of units, exams entered twice, implausible changes, findings timed outside their exam.

    FOLDER is an extract with the tables exams and findings. Groups and counts under a minimum are not shown. It is
    about data, no judgement on people.

    \b
    Example:
      newborn-adapter extract exam.json --out study/
      newborn-adapter quality study/ --out quality.html
      newborn-adapter quality study/ --against study-2025/ --out quality.html
    """
    from adapter.write.quality import compare, load_checks, look, records_of, report

    form = _FORMS.get(out.suffix.lower())
    if form is None:
        raise click.UsageError(f"--out {out}: a name that ends in {', '.join(_FORMS)}")
    catalogue = catalogue_for(site)
    limits = load_checks(checks, catalogue)
    found = look(folder, limits, catalogue)
    earlier = None if against is None else compare(against, folder, found, limits, catalogue)
    write_output(out, report(found, limits, catalogue, form, earlier))
    if records is not None:
        write_output(records, records_of(found))
        note(f"{counted(len(found.doubts), 'record')} to look at in {records}, by their ids.")
    note(f"{counted(found.exams['all', ''], 'exam')} looked over. The report is about data, not about people.")
