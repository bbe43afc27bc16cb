"""``newborn-adapter extract``: exams to research tables, Bulk Data, views and OMOP rows."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from adapter.cli.log import note
from adapter.cli.options import catalogue_for, site_option
from adapter.cli.reading import plan_option, plan_said
from adapter.cli.reporting import counted
from adapter.cli.running import end, given, many_options, run_into
from adapter.cli.targets import SourceOptions, source_options
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.run import Tally

FORMS = ("tables", "ndjson", "views", "omop", "phenopackets")
TABLES = ("exams", "findings", "components", "newborns", "tells", "tellings")
ENCODINGS = ("parquet", "csv", "sqlite")
POLICIES = ("limited-data-set", "safe-harbor")
_NAMES = "It holds names and identifiers of patients. For research, see --deidentify."
_OFFICER = (
    "Whether this may be given away is for a privacy officer to say: deidentification.json has what was done, "
    "release.html (of all tables) what an attacker could do."
)
_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path, allow_dash=True))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="A new or empty folder for the extract.")
@click.option(
    "--forms",
    multiple=True,
    default=("tables",),
    type=click.Choice(FORMS),
    help="What to make; several times for several.",
)
@click.option(
    "--format",
    "encoding",
    type=click.Choice(ENCODINGS),
    default="csv",
    show_default=True,
    help="Of tables; sqlite is one file of them all, tables.sqlite (OMOP is CSV then).",
)
@click.option(
    "--table",
    "tables",
    multiple=True,
    default=TABLES,
    type=click.Choice(TABLES),
    help="Only these tables.",
)
@click.option("--deidentify", "policy", metavar="POLICY", help=f"A policy file, or {' or '.join(POLICIES)}.")
@click.option(
    "--rare",
    type=click.Choice(("leave-out", "refuse", "tell")),
    help="Newborns whose combination of quasi-identifiers too few share. Default: as the policy says.",
)
@click.option(
    "--earlier-release",
    "earlier",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="A release of the same newborns, attacked together with this one: who is rare by both is left out.",
)
@click.option("--key-file", type=_FILE, help="The file that holds the secret key of pseudonyms and moved dates.")
@click.option("--key-env", metavar="NAME", help="The environment variable that holds it.")
@click.option("--all-versions", is_flag=True, help="Tables: keep what was amended or entered in error.")
@click.option("--notes", is_flag=True, help="OMOP: free text as rows of note.")
@click.option("--omop-keys", type=_FILE, help="OMOP: the keys.csv of an earlier extract, to go on from.")
@click.option(
    "--vocabulary", type=_FILE, help="OMOP: CONCEPT.csv of your vocabularies, for the concept of every code."
)
@plan_option
@source_options
@many_options
@site_option
def extract(
    files: tuple[Path, ...], source: SourceOptions, out: Path, jobs: int | None, quiet: bool, **options: Any
) -> None:
    """Make research tables of exams, with a data dictionary; or FHIR Bulk Data, SQL on FHIR views, OMOP CDM
    rows, GA4GH Phenopackets.

    Files are capture files, or FHIR bundles and NDJSON that this adapter wrote. An amendment stands for what it
    amends. The extract is written whole or not at all. Without --deidentify POLICY --key-file FILE it holds names and
    identifiers; make a key with: openssl rand -hex 32. Inputs of any size are spread over all processors;
    what is refused is kept in OUT.rejected; a run that was interrupted goes on with the same command.

    \b
    Example:
      newborn-adapter extract exam.json --out extract/
      newborn-adapter extract exams.csv --forms tables --forms omop --out study/
    """
    from adapter.run.extract import Extract

    catalogue = catalogue_for(options["site"])
    inputs = given(files, source, catalogue)
    plan_said(options["plan"], files, catalogue)
    tally = run_into(Extract(**options), inputs, out, jobs, quiet)
    note(_counted(tally))
    if "tables" in options["forms"] and (out / "proof").is_dir():
        note(_proof_said())
    if options["vocabulary"] is not None:
        note("omop/vocabulary.csv says which of the shipped concept ids your vocabulary has, and which differ.")
    if options["policy"] is None:
        note(_NAMES)
    else:
        _say_who_can_be_known(out)
        if not tally.done:
            sys.exit(ExitCode.PROBLEMS)
    end(tally)


def _proof_said() -> str:
    from importlib.util import find_spec

    if find_spec("duckdb") is None:
        return "Not proved: in the checkout, pip install '.[proof]'; or run proof/run.sql with DuckDB yourself."
    return "Proved: proof/flatten.sql makes the same wide table of the long ones."


def _counted(tally: Tally) -> str:
    exams = f"{counted(tally.done, 'exam')} extracted"
    remarks = [f"{count} {remark}" for remark, count in sorted(tally.remarks.items())]
    return f"{', '.join([exams, *remarks, f'{tally.refused} refused'])}."


def _say_who_can_be_known(out: Path) -> None:
    from adapter.fhir.json import loads

    said = loads((out / "deidentification.json").read_bytes())
    k, alike = said["k_anonymity"], ", ".join(said.get("l_diversity", {}).get("sensitive", ()))
    quasi = ", ".join(k["quasi_identifiers"])
    if k["newborns_left_out"]:
        few = f"fewer than {k['k_wanted']} share their {quasi}"
        few += f", or those who do differ too little in {alike}" if alike else ""
        note(f"{k['newborns_left_out']} newborns are left out: {few}.")
    if k["newborns_rare"]:
        rare, all_of_them = k["newborns_rare"], k["newborns"]
        who = f"all {all_of_them} newborns are" if rare == all_of_them else f"{rare} of {all_of_them} newborns are"
        note(
            f"{who} in groups smaller than {k['k_wanted']} by {quasi}{', or too much alike' if alike else ''}: "
            "see rare_combinations.csv before this is given to anyone."
        )
    note(_OFFICER)
