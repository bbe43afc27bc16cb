"""``newborn-adapter send``: exams to a FHIR server, each once; or as HL7 v2 messages to a listener."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import click

from adapter.catalogue import Catalogue
from adapter.catalogue.settings import Persons
from adapter.cli.log import note, show, tell
from adapter.cli.options import catalogue_for, nothing_read, site_option
from adapter.cli.reading import readings
from adapter.cli.reporting import say_standing
from adapter.cli.sending import driven, say_due
from adapter.cli.targets import (
    Address,
    newborns_option,
    opened_outbox,
    outbox_option,
    persons_option,
    target_options,
    with_newborns,
    with_persons,
)
from adapter.derive.chains import Chains
from adapter.problems import ExitCode, Report
from adapter.read import Reading
from adapter.send import Message, Outbox, PutResult, State
from adapter.send.taken import objection
from adapter.send.target import Target
from adapter.send.transport import Inspectable, Transport


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path, allow_dash=True))
@target_options
@outbox_option
@newborns_option
@persons_option
@click.option("--dry-run", is_flag=True, help="Say what would be done on this server; write nothing.")
@click.option("--verify", "read_back", is_flag=True, help="Read back what was sent, and compare field by field.")
@click.option("--again", is_flag=True, help="Send again exams already sent or given up.")
@click.option("--parallel", type=click.IntRange(1, 64), help="How many exams at a time.")
@click.option(
    "--columns",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A column plan (YAML), where the files are tables of any other form.",
)
@site_option
def send(
    files: tuple[Path, ...],
    address: Address,
    outbox_file: Path,
    newborns: str | None,
    persons: Persons,
    dry_run: bool,
    read_back: bool,
    again: bool,
    parallel: int | None,
    columns: Path | None,
    site: Path | None,
) -> None:
    """Check, convert, validate and send capture files to a FHIR R4 server, or as HL7 v2 messages over MLLP.

    Every exam is written to the outbox before its first byte leaves; killed at any moment, the same command goes
    on where it stopped, and the server ends with each finding once. Without files it sends what the outbox still
    holds for the server. An older version of an exam is never sent over a newer one, and an exam that the server
    holds under the same id with other content is held for a person. Over MLLP a message arrives at least once, under
    one control id: a receiver that does not look at it may hold results twice.

    \b
    Example:
      newborn-adapter sandbox --port 8080 &
      newborn-adapter send exam.json --to http://127.0.0.1:8080/fhir --verify
      newborn-adapter send exam.json --to mllp://127.0.0.1:2575 --site DIR
    """
    target = address.target()
    target = with_persons(with_newborns(target, newborns), persons)
    catalogue = catalogue_for(site)
    say_standing(catalogue)
    exams = _Exams(files, columns, catalogue)
    with target.transport() as transport:
        if dry_run:
            sys.exit(_plan(_inspectable(transport, "--dry-run"), exams.messages(transport, None), exams))
        asked = _inspectable(transport, "--verify") if read_back else None
        with opened_outbox(outbox_file) as outbox:
            found = _send(outbox, transport, target, exams, again, parallel or target.parallel)
            sys.exit(_verified(outbox, asked, transport.target, exams, found) if asked else found)


def _inspectable(transport: Transport, option: str) -> Inspectable:
    """The transport, if what its receiver holds can be asked; else a usage error."""
    if not isinstance(transport, Inspectable):
        what = "a listener of HL7 v2 takes messages and cannot be asked what it holds"
        raise click.UsageError(f"{option} is for FHIR servers: {what}")
    return transport


class _Exams:
    """The exams of the files, one by one; what is wrong with a file is said and remembered.

    ``named`` are the ids of those that were made messages.
    """

    def __init__(self, files: tuple[Path, ...], columns: Path | None, catalogue: Catalogue) -> None:
        self._files, self._columns, self._catalogue = files, columns, catalogue
        self.refused = 0
        self.named: list[str] = []

    @property
    def read(self) -> int:
        """How many exams the files held, those that were refused too."""
        return self.refused + len(self.named)

    @property
    def empty(self) -> bool:
        """Whether files were given and none of them held anything; without files only what waits is sent."""
        return bool(self._files) and not self.read

    def messages(self, transport: Transport, outbox: Outbox | None) -> Iterator[Message]:
        """Each as the message that its receiver takes."""
        from adapter.fhir.claims import UNMET

        chains = Chains(elsewhere=lambda version: outbox.known(transport.target, version) if outbox else None)
        for reading in self._in_order(chains):
            problems, message, lacking = list(reading.errors), None, []
            if reading.accepted and reading.exam is not None:
                problems = [replace(fault, file=reading.source) for fault in chains.faults(reading.exam)]
            if reading.accepted and reading.exam is not None and not problems:
                exam = chains.rooted(reading.exam)
                earlier = (
                    outbox.other_versions(transport.target, exam.details.root, exam.details.id) if outbox else ()
                )
                made = transport.prepare(exam, self._catalogue, earlier, reading.source)
                problems, message = made.errors, made.message
                lacking = [one for one in made.problems if one.rule == UNMET]
                if message is not None:
                    message = replace(message, precedence=chains.precedence(exam))
                if outbox is not None and message is not None:
                    taken = objection(outbox, transport.target, message, self._catalogue)
                    problems += [replace(taken, file=reading.source)] if taken else []
            for problem in (*problems, *lacking):
                tell(problem)
            if problems or message is None:
                self.refused += 1
                note(f"{reading.source}: refused, not sent")
            else:
                self.named.append(message.exam)
                yield message

    def _in_order(self, chains: Chains) -> Iterator[Reading]:
        """The exams as they come; what amends another at the end, each after what it amends."""
        later: dict[int, Reading] = {}
        for reading in readings(self._files, self._columns, self._catalogue):
            if reading.exam is not None and reading.accepted:
                chains.see(reading.exam)
                if reading.exam.details.amends is not None:
                    later[id(reading.exam)] = reading
                    continue
            yield reading
        amending = [reading.exam for reading in later.values() if reading.exam is not None]
        yield from (later[id(exam)] for exam in chains.in_order(amending))


def _plan(asked: Inspectable, messages: Iterator[Message], exams: _Exams) -> ExitCode:
    held = False
    for message in messages:
        planned = asked.preview(message)
        if planned.superseded:
            click.echo(f"{planned.exam}: nothing; the server has {planned.superseded}, a newer version")
            continue
        if planned.held:
            held = True
            click.echo(f"{planned.exam}: nothing; held for a person")
            for problem in planned.held:
                show(problem, "  ")
            continue
        counts = ", ".join(f"{step} {count}" for step, count in planned.counts().items())
        click.echo(f"{planned.exam}: {counts}")
        for step, name in planned.steps:
            click.echo(f"  {step:<24} {name}")
    if exams.empty:
        return nothing_read()
    return ExitCode.PROBLEMS if exams.refused or held else ExitCode.WELL


def _send(
    outbox: Outbox, transport: Transport, target: Target, exams: _Exams, again: bool, parallel: int
) -> ExitCode:
    placed = _queue(outbox, transport.target, exams.messages(transport, outbox), again)
    summary = driven(outbox, transport, target, parallel)
    click.echo(
        f"{summary.sent} sent, {placed[PutResult.SENT_BEFORE]} sent before,"
        f" {summary.dead} given up, {summary.superseded + placed[PutResult.SUPERSEDED]} superseded,"
        f" {summary.left} left in the outbox, {summary.held} held for a person, {exams.refused} refused."
        f"{_counted(summary.counts)}"
    )
    say_due(summary)
    if summary.dead or summary.left or placed[PutResult.DEAD_BEFORE]:
        return ExitCode.SERVER
    if exams.empty:
        return nothing_read()
    return ExitCode.PROBLEMS if exams.refused or summary.held else ExitCode.WELL


def _counted(counts: Mapping[str, int]) -> str:
    """What was done with the resources of all exams that were sent, where that is known."""
    return f" Resources: {', '.join(f'{number} {what}' for what, number in counts.items())}." if counts else ""


def _queue(outbox: Outbox, target: str, messages: Iterator[Message], again: bool) -> Counter[PutResult]:
    """Put everything into the outbox, on the disk; what became of each."""
    placed: Counter[PutResult] = Counter()
    for message in messages:
        what = outbox.put(target, message, again=again)
        placed[what] += 1
        if what in (PutResult.SUPERSEDED, PutResult.DEAD_BEFORE):
            row = outbox.latest(target, message.exam)
            click.echo(f"{message.exam}: {what.value}")
            for problem in row.reasons if row else ():
                show(problem, "  ")
    return placed


def _verified(outbox: Outbox, asked: Inspectable, target: str, exams: _Exams, found: ExitCode) -> ExitCode:
    """The exit code after everything was read back."""
    wrong = _verify(outbox, asked, target, exams.named)
    return ExitCode.PROBLEMS if wrong and found is ExitCode.WELL else found


def _verify(outbox: Outbox, asked: Inspectable, target: str, named: list[str]) -> bool:
    """Whether something on the server differs from what was sent; of the exams named, or of all sent there."""
    wrong = False
    rows = (outbox.latest(target, exam) for exam in named)
    sent = [row for row in rows if row] if named else outbox.rows(State.SENT, target=target)
    for row in sent:
        if row.state is not State.SENT:
            continue
        problems = asked.verify(outbox.message(row.seq))
        errors = Report(problems).errors
        wrong = wrong or bool(errors)
        older = any(problem.rule == "superseded" for problem in problems)
        verdict = "differs from what was sent" if errors else "superseded" if older else "verified"
        click.echo(f"{row.exam}: {verdict}")
        for problem in problems:
            show(problem, "  ")
    return wrong
