"""``newborn-adapter extract``: exams to research tables, Bulk Data, views and OMOP rows."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain
from pathlib import Path

import click

from adapter.catalogue import Catalogue
from adapter.cli.many import are_many, many_options, run_many
from adapter.cli.options import catalogue_for, site_option
from adapter.cli.reading import expanded, readings, usable_plan
from adapter.cli.reporting import note
from adapter.cli.targets import target_from
from adapter.derive.versions import Versions, may_amend
from adapter.exam import Identifier
from adapter.fhir.json import loads
from adapter.files.folder import NotEmpty, whole_folder
from adapter.problems import ExitCode
from adapter.read import Reading
from adapter.read.sources import read_exams, readings_of
from adapter.run.exams import holds_loose, rows_of_plan
from adapter.run.extract import Extract as Tables
from adapter.run.extract import latest_versions
from adapter.run.rows import Rows
from adapter.send import ServerRefused, Unreachable, fetch_all_exams, fetch_exam, fetch_exams_of
from adapter.send.target import BadTarget, Target
from adapter.write.deidentify import (
    BadKey,
    BadPolicy,
    Deidentifier,
    OtherFamily,
    load_policy,
    read_key,
    shipped_policies,
)
from adapter.write.extract import FORMS, Extract
from adapter.write.omop import BadKeys, read_keys
from adapter.write.tables import TABLES
from adapter.write.tables.arrow import NoParquet, arrow
from adapter.write.tables.files import FORMS as ENCODINGS

_NAMES = "It holds names and identifiers of patients. For research, see --deidentify."
_OFFICER = "Whether this may be given away is for a privacy officer to say: deidentification.json has what was done."
_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path, allow_dash=True))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="A new or empty folder for the extract.")
@click.option("--forms", multiple=True, type=click.Choice(FORMS), help="What to make; several times for several.")
@click.option(
    "--format", "encoding", type=click.Choice(ENCODINGS), default="csv", show_default=True, help="Of tables."
)
@click.option("--table", "tables", multiple=True, type=click.Choice(list(TABLES)), help="Only these tables.")
@click.option(
    "--deidentify", "policy", metavar="POLICY", help=f"A policy file, or {' or '.join(shipped_policies())}."
)
@click.option("--key-file", type=_FILE, help="The file that holds the secret key of pseudonyms and moved dates.")
@click.option("--key-env", metavar="NAME", help="The environment variable that holds it.")
@click.option("--all-versions", is_flag=True, help="Tables: keep what was amended or entered in error.")
@click.option("--notes", is_flag=True, help="OMOP: free text as rows of note.")
@click.option("--omop-keys", type=_FILE, help="OMOP: the keys.csv of an earlier extract, to go on from.")
@click.option("--plan", type=_FILE, help="A column plan (YAML), where the files are tables of any other form.")
@click.option("--from", "url", metavar="URL", help="Read from this FHIR server instead of files.")
@click.option("--target", "target_file", type=_FILE, help="As for send: a YAML file that names the server.")
@click.option("--token-env", metavar="NAME", help="The environment variable that holds a bearer token.")
@click.option("--token-file", type=_FILE, help="The file that holds a bearer token.")
@click.option("--exam", "exams", multiple=True, metavar="ID", help="From the server: only this exam.")
@click.option("--newborn", "newborns", multiple=True, metavar="SYSTEM|VALUE", help="From the server: only of these.")
@many_options
@site_option
def extract(
    files: tuple[Path, ...],
    out: Path,
    forms: tuple[str, ...],
    encoding: str,
    tables: tuple[str, ...],
    policy: str | None,
    key_file: Path | None,
    key_env: str | None,
    all_versions: bool,
    notes: bool,
    omop_keys: Path | None,
    plan: Path | None,
    url: str | None,
    target_file: Path | None,
    token_env: str | None,
    token_file: Path | None,
    exams: tuple[str, ...],
    newborns: tuple[str, ...],
    jobs: int | None,
    quiet: bool,
    site: Path | None,
) -> None:
    """Make research tables of exams, with a data dictionary; or FHIR Bulk Data, SQL on FHIR views, OMOP CDM rows.

    Files are capture files, or FHIR bundles and NDJSON that this adapter wrote. An amendment stands for what it
    amends. The extract is written whole or not at all. Without --deidentify POLICY --key-file FILE it holds names and
    identifiers; make a key with: openssl rand -hex 32. Tables of folders and NDJSON of any size are made by all
    processors, and a run that was interrupted goes on.

    \b
    Example:
      newborn-adapter extract exam.json --out extract/
      newborn-adapter extract exams.csv --forms tables --forms omop --out study/
    """
    catalogue = catalogue_for(site)
    server = url is not None or target_file is not None
    if server == bool(files):
        raise click.UsageError("name files, or a server with --from or --target")
    deidentifier = _deidentifier(policy, key_file, key_env, catalogue)
    if not server and (jobs or are_many(files)) and _spread(files, forms):
        rows = Rows() if plan is None else rows_of_plan(usable_plan(plan, files, catalogue))
        latest = () if all_versions else latest_versions(files, catalogue, rows)
        chosen = tables or tuple(TABLES)
        work = Tables(chosen, encoding, site, plan, rows, latest, all_versions, policy, key_file, key_env)
        sys.exit(_many(work, files, out, jobs, quiet))
    keys = None
    if omop_keys is not None:
        try:
            keys = read_keys(omop_keys)
        except BadKeys as error:
            raise click.UsageError(str(error)) from None
    if all_versions and set(forms) - {"tables"}:
        raise click.UsageError("--all-versions is for tables; the other forms hold one version of an exam")
    try:
        with whole_folder(out) as folder, _spooled(files) as given:
            if server:
                target = target_from(url, target_file, token_env, token_file, None, False)
                found, versions = _from_server(target, exams, newborns, catalogue), Versions()
            else:
                versions = _versions(given, plan, catalogue)
                found = _from_files(given, plan, catalogue)
            with Extract(
                folder,
                catalogue,
                forms or ("tables",),
                encoding,
                tables=tables or tuple(TABLES),
                deidentifier=deidentifier,
                site=site,
                notes=notes,
                keys=keys,
                retracted=all_versions,
            ) as made:
                code = _write(found, made, None if all_versions else versions)
    except (NoParquet, NotEmpty) as error:
        raise click.UsageError(str(error)) from None
    except OSError as error:
        raise click.UsageError(f"{out} cannot be written: {error.strerror}") from None
    except (ServerRefused, Unreachable) as error:
        note(str(error))
        sys.exit(ExitCode.SERVER)
    _say_who_can_be_known(out, policy)
    sys.exit(code)


def _spread(files: tuple[Path, ...], forms: tuple[str, ...]) -> bool:
    """Whether chunks can be worked on apart: tables, and no resources that only together are an exam."""
    return set(forms) <= {"tables"} and Path("-") not in files and not any(map(holds_loose, expanded(files)))


def _many(work: Tables, files: tuple[Path, ...], out: Path, jobs: int | None, quiet: bool) -> ExitCode:
    try:
        if work.encoding == "parquet":
            arrow()
    except NoParquet as error:
        raise click.UsageError(str(error)) from None
    tally = run_many(work, files, out, jobs, quiet).tally
    why = "replaced by later versions, entered in error or given twice"
    left = f"{tally.left_out} {why}, " if tally.left_out else ""
    note(f"{tally.done} exam{'' if tally.done == 1 else 's'} extracted, {left}{tally.refused} refused.")
    _say_who_can_be_known(out, work.policy)
    return ExitCode.PROBLEMS if tally.refused else ExitCode.WELL


def _say_who_can_be_known(out: Path, policy: str | None) -> None:
    if policy is None:
        note(_NAMES)
        return
    k = loads((out / "deidentification.json").read_bytes())["k_anonymity"]
    if k["newborns_rare"]:
        note(
            f"{k['newborns_rare']} of {k['newborns']} newborns share {', '.join(k['quasi_identifiers'])} "
            f"with fewer than {k['k_wanted']}: see rare_combinations.csv before this is given to anyone."
        )
    note(_OFFICER)


def _deidentifier(
    policy: str | None, key_file: Path | None, key_env: str | None, catalogue: Catalogue
) -> Deidentifier | None:
    if policy is None:
        if key_file is not None or key_env is not None:
            raise click.UsageError("a key is for --deidentify")
        return None
    try:
        return Deidentifier(load_policy(policy), read_key(key_file, key_env), catalogue)
    except (BadPolicy, BadKey) as error:
        raise click.UsageError(str(error)) from None


def _write(found: Iterator[Reading], made: Extract, versions: Versions | None) -> ExitCode:
    """Every exam into the extract; says what was refused, and how many there are."""
    refused = 0
    for reading in found:
        if reading.exam is None or not reading.accepted:
            refused += 1
            for problem in reading.errors:
                note(str(problem))
        elif versions is None or versions.current(reading.exam):
            try:
                made.add(reading.exam)
            except OtherFamily as error:
                refused += 1
                note(f"error: {reading.source}: exam {reading.exam.details.id}: {error}  [capture/other-mother]")
    left = [f"{made.retracted} entered in error and left out of the tables"] if made.retracted else []
    if versions is not None and versions.superseded:
        left.append(f"{versions.superseded} replaced by later versions")
    if versions is not None and versions.repeated:
        left.append(f"{versions.repeated} given twice")
    exams = f"{made.exams} exam{'' if made.exams == 1 else 's'} extracted"
    note(f"{', '.join([exams, *left, f'{refused} refused'])}.")
    return ExitCode.PROBLEMS if refused else ExitCode.WELL


def _from_files(files: tuple[Path, ...], plan: Path | None, catalogue: Catalogue) -> Iterator[Reading]:
    if plan is not None:
        return readings(files, plan, catalogue)
    for path in files:
        if not path.exists():
            raise click.UsageError(f"there is no file {path}")
    return read_exams(expanded(files), catalogue)


def _versions(files: tuple[Path, ...], plan: Path | None, catalogue: Catalogue) -> Versions:
    """The amendments among the files; only those that could hold one are read for it."""
    versions = Versions()
    marked = tuple(path for path in expanded(files) if plan is not None or may_amend(path))
    for reading in _from_files(marked, plan, catalogue) if marked else ():
        if reading.exam is not None and reading.accepted:
            versions.see(reading.exam)
    return versions


@contextmanager
def _spooled(files: tuple[Path, ...]) -> Iterator[tuple[Path, ...]]:
    """The files, standard input as a temporary one: inputs are looked through for amendments first."""
    if all(str(path) != "-" for path in files):
        yield files
        return
    with tempfile.TemporaryDirectory() as folder:
        spool = Path(folder) / "standard-input"
        with spool.open("wb") as file:
            shutil.copyfileobj(sys.stdin.buffer, file)
        yield tuple(spool if str(path) == "-" else path for path in files)


def _from_server(
    target: Target, exams: tuple[str, ...], newborns: tuple[str, ...], catalogue: Catalogue
) -> Iterator[Reading]:
    """What the server holds: the exams named, those of the newborns named, else every exam of ours."""
    subjects = [_identifier(text) for text in newborns]
    try:
        with target.client() as client:
            named = (fetch_exam(client, catalogue, root) for root in exams)
            theirs = (bundle for subject in subjects for bundle in fetch_exams_of(client, catalogue, subject))
            every = () if exams or subjects else fetch_all_exams(client, catalogue)
            for bundle in chain(named, theirs, every):
                if bundle is None:
                    raise click.UsageError("the server holds no such exam")
                yield from readings_of(bundle, catalogue, target.url)
    except BadTarget as error:
        raise click.UsageError(str(error)) from None


def _identifier(text: str) -> Identifier:
    system, bar, value = text.partition("|")
    if not (system and bar and value):
        raise click.UsageError(f"--newborn {text}: write it as system|value")
    return Identifier(system=system, value=value)
