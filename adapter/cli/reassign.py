"""``newborn-adapter reassign``: an exam that was recorded on the wrong newborn, put right in one step."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path

import click

from adapter.catalogue import Catalogue
from adapter.cli.log import note, tell
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reading import readings
from adapter.cli.sending import driven, say_due
from adapter.cli.targets import (
    Address,
    newborns_option,
    opened_outbox,
    outbox_option,
    target_options,
    with_newborns,
)
from adapter.exam import Exam
from adapter.problems import ExitCode
from adapter.read import to_json
from adapter.read.reassignment import Reassignment, right_newborn
from adapter.read.reassignment import reassign as put_right
from adapter.send import Outbox, PutResult, SendSummary, State
from adapter.send.reassigning import known_exam, queue_reassignment, recorded_before

_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.command()
@click.argument("exam", metavar="EXAM")
@click.option(
    "--newborn",
    "newborn_file",
    type=_FILE,
    required=True,
    help="The right newborn: any exam file of that infant, or the newborn of one alone, as JSON.",
)
@click.option("--id", "new_id", required=True, metavar="ID", help="The id of the exam anew, which no exam has had.")
@click.option("--reason", required=True, help="Why, in words; it goes with both records.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="The folder for the two records. Default: this one where no server is named; else none is written.",
)
@target_options
@outbox_option
@newborns_option
@site_option
def reassign(
    exam: str,
    newborn_file: Path,
    new_id: str,
    reason: str,
    out: Path | None,
    address: Address,
    outbox_file: Path,
    newborns: str | None,
    site: Path | None,
) -> None:
    """Put an exam that was recorded on the wrong newborn on the right one: taken back there, recorded anew here.

    EXAM is the exam's newest record, a file; with a server also its id, if the outbox sent it. Two records are made:
    the retraction on the first newborn, and the exam under an id of its own on the right one, each naming the other.
    It is checked against the right newborn's facts; who was told stays with the retraction. With --to both are sent
    as one: in one transaction where the server has them, else the retraction first; interrupted anywhere, the same
    command, or send without files, goes on.

    \b
    Example:
      newborn-adapter reassign exam.json --newborn right.json --id exam-2 --reason "Wrong cot." --out put/
      newborn-adapter reassign exam.json --newborn right.json --id exam-2 --reason "Wrong cot." \
        --to http://127.0.0.1:8080/fhir
    """
    catalogue = catalogue_for(site)
    newborn, encounter = right_newborn(newborn_file, catalogue)

    def made_of(wrong: Exam, recorded: datetime | None = None) -> Reassignment:
        return put_right(wrong, newborn, new_id, reason, catalogue, encounter=encounter, recorded=recorded)

    note(f"Look through {new_id}: what was read from bands or charts, and not on the infant, is as it was recorded.")
    if not address.named:
        _write(made_of(_of_file(exam, catalogue)), out or Path())
        return
    target = with_newborns(address.target(), newborns)
    with target.transport() as transport, opened_outbox(outbox_file) as outbox:
        wrong = _of_file_or_outbox(exam, outbox, transport.target, catalogue)
        made = made_of(wrong, recorded_before(outbox, transport.target, new_id, catalogue))
        placed = queue_reassignment(outbox, transport, made, catalogue, exam if Path(exam).exists() else "")
        if out is not None:
            _write(made, out)
        if placed is not PutResult.QUEUED:
            click.echo(f"{new_id}: {placed.value}")
        summary = driven(outbox, transport, target, target.parallel)
        sys.exit(_ended(made, outbox, transport.target, summary))


def _of_file(exam: str, catalogue: Catalogue) -> Exam:
    """The one exam of a file; a usage error where it holds more or none, exit code 1 where it is refused."""
    found = list(readings((Path(exam),), None, catalogue))
    for problem in (problem for reading in found for problem in reading.errors):
        tell(problem)
    if len(found) != 1:
        raise click.UsageError(f"{exam} holds {len(found)} exams; name a file of the one that is to be put right")
    if found[0].exam is None or not found[0].accepted:
        sys.exit(ExitCode.PROBLEMS)
    return found[0].exam


def _of_file_or_outbox(exam: str, outbox: Outbox, target: str, catalogue: Catalogue) -> Exam:
    if exam == "-" or Path(exam).exists():
        return _of_file(exam, catalogue)
    known = known_exam(outbox, target, exam, catalogue)
    if known is None:
        raise click.UsageError(f"there is no file {exam}, and this outbox sent no exam of that id to this server")
    return known


def _write(made: Reassignment, folder: Path) -> None:
    """Both records as files, the retraction first; a usage error where one is there already."""
    files = {folder / f"{one.details.id}.json": to_json(one) for one in (made.taken_back, made.anew)}
    for path in files:
        if path.exists():
            raise click.UsageError(f"{path} is there already; it is not written over: another --out")
    folder.mkdir(parents=True, exist_ok=True)
    for path, content in files.items():
        write_output(path, content)
        click.echo(str(path))


def _ended(made: Reassignment, outbox: Outbox, target: str, summary: SendSummary) -> ExitCode:
    """What became of the two, and the exit code."""
    say_due(summary)
    rows = [outbox.latest(target, one.details.id) for one in (made.taken_back, made.anew)]
    states = {row.state for row in rows if row is not None}
    if states == {State.SENT}:
        click.echo(f"{made.anew.details.reassigned_from} is taken back, and stands anew as {made.anew.details.id}.")
        return ExitCode.WELL
    click.echo("Not put right yet: " + ", ".join(f"{row.exam} {row.state.value}" for row in rows if row is not None))
    return ExitCode.PROBLEMS if summary.held else ExitCode.SERVER
