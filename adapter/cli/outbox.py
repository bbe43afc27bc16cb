"""``newborn-adapter outbox``: what waits, what was sent, what was given up and why."""

from __future__ import annotations

import json
import sys
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from adapter.cli.log import note
from adapter.cli.options import catalogue_for, site_option, write_output
from adapter.cli.reporting import when
from adapter.cli.targets import Address, opened_outbox, outbox_option, target_options
from adapter.problems import ExitCode
from adapter.send import Outbox, OutboxRow, State
from adapter.send.failures import TO_DO, Cause, problem
from adapter.send.health import cause_of

if TYPE_CHECKING:
    from adapter.send.rest.reconcile import Reconciled

_STATES = click.Choice([state.value for state in State])


@click.group()
def outbox() -> None:
    """Look into the outbox; let exams be tried again, taken out as files, or purged once they are sent.

    \b
    Example:
      newborn-adapter outbox status
      newborn-adapter outbox list --state dead
      newborn-adapter outbox show 17
      newborn-adapter outbox retry 17
    """


def _opened(path: Path) -> Outbox:
    if not path.exists():
        raise click.UsageError(f"there is no outbox {path} (--outbox)")
    return opened_outbox(path)


@outbox.command("list")
@outbox_option
@click.option("--state", type=_STATES, multiple=True, help="Only messages in this state; may be repeated.")
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
def list_(outbox_file: Path, state: tuple[str, ...], form: str) -> None:
    """One line an exam: its number, state, attempts, id and server, and why it failed last."""
    counts: Counter[str] = Counter()
    with _opened(outbox_file) as opened:
        for row in opened.rows(*(State(one) for one in state)):
            counts[row.state.value] += 1
            click.echo(json.dumps(_plain(row)) if form == "json" else _line(row))
    if form == "text":
        note(", ".join(f"{count} {name}" for name, count in counts.items()) or "nothing")


@outbox.command()
@click.argument("number", type=int)
@outbox_option
def show(number: int, outbox_file: Path) -> None:
    """One exam in full: every part with what the receiver said of it, its id and version there."""
    with _opened(outbox_file) as opened:
        row = _row(opened, number)
    click.echo(_line(row))
    click.echo(f"  queued {row.queued}" + (f", ended {row.ended}" if row.ended else ""))
    click.echo(f"  digest SHA-256 {row.digest}")
    for one in row.reasons:
        click.echo(f"  {one}")
    for part in row.parts:
        click.echo(f"  {part.answer} {part.name} {part.place} version {part.version or '-'}")
        for one in part.problems:
            click.echo(f"    {one}")


@outbox.command()
@click.argument("numbers", type=int, nargs=-1)
@click.option("--all", "every", is_flag=True, help="All that were given up.")
@outbox_option
def retry(numbers: tuple[int, ...], every: bool, outbox_file: Path) -> None:
    """Let exams that were given up be sent again by the next ``send``; their attempts count from the start."""
    if every == bool(numbers):
        raise click.UsageError("name the numbers of exams, or --all")
    with _opened(outbox_file) as opened:
        chosen = [row.seq for row in opened.rows(State.DEAD)] if every else list(numbers)
        done = [number for number in chosen if opened.retry(number)]
    for number in chosen:
        if number not in done:
            note(f"there is no exam {number} in this outbox that was given up or waits")
    click.echo(f"{len(done)} will be tried again by the next send.")
    sys.exit(ExitCode.WELL if len(done) == len(chosen) else ExitCode.PROBLEMS)


@outbox.command("give-up")
@click.argument("numbers", type=int, nargs=-1, required=True)
@outbox_option
def give_up(numbers: tuple[int, ...], outbox_file: Path) -> None:
    """Give up exams that wait, so that nobody sends them any more; ``retry`` takes that back."""
    reason = problem("given-up", "given up by a person")
    with _opened(outbox_file) as opened:
        done = [number for number in numbers if opened.give_up(number, [reason])]
    for number in numbers:
        if number not in done:
            note(f"{number} is not waiting")
    click.echo(f"{len(done)} given up.")
    sys.exit(ExitCode.WELL if len(done) == len(numbers) else ExitCode.PROBLEMS)


@outbox.command()
@outbox_option
def status(outbox_file: Path) -> None:
    """On one screen: each server's counts, when the next exam is due, where the trouble lies and what is needed."""
    with _opened(outbox_file) as opened:
        for target, counts in opened.counts().items():
            click.echo(target)
            click.echo("  " + ", ".join(f"{count} {state.value}" for state, count in counts.items()))
            if counts.get(State.WAITING):
                click.echo(f"  the next is due {when(opened.next_due(target) or 0.0)}")
            causes: dict[Cause, OutboxRow] = {}
            tally: Counter[Cause] = Counter()
            for row in opened.rows(State.WAITING, State.DEAD, target=target):
                if row.reasons:
                    causes[cause_of(row)] = row
                    tally[cause_of(row)] += 1
            for cause, row in causes.items():
                click.echo(f"  {tally[cause]} x {cause.value}: {row.reasons[0].what} (such as number {row.seq})")
                click.echo(f"      needed: {TO_DO[cause]}")


@outbox.command()
@target_options
@outbox_option
@click.option("--send", "mend", is_flag=True, help="Queue what is lost or older again, for the next send.")
@site_option
def reconcile(
    address: Address,
    outbox_file: Path,
    mend: bool,
    site: Path | None,
) -> None:
    """Hold a FHIR server against what arrived there, also months later: what a restore lost, what is older, changed.

    \b
    Example:
      newborn-adapter outbox reconcile --to https://fhir.hospital.example/r4
      newborn-adapter outbox reconcile --to https://fhir.hospital.example/r4 --send
      newborn-adapter send --to https://fhir.hospital.example/r4
    """
    from adapter.send.rest.reconcile import reconciled

    target = address.target()
    if target.is_listener:
        what = "a listener of HL7 v2 cannot be asked what it holds; what it lost goes again with send FILE --again"
        raise click.UsageError(f"reconcile is for FHIR servers: {what}")
    catalogue = catalogue_for(site)
    wrong = 0
    with _opened(outbox_file) as opened, target.client() as client:
        histories = opened.arrived(client.base_url)
        for history in histories:
            found = reconciled(client, catalogue, history)
            if not found.differences:
                continue
            wrong += 1
            counts = Counter(one.standing.value for one in found.differences)
            click.echo(f"{found.exam}: " + ", ".join(f"{count} {standing}" for standing, count in counts.items()))
            for one in found.differences:
                click.echo(f"  {one.standing.value:<8} {one.name}")
            click.echo(f"  {_mended(opened, client.base_url, found, mend)}")
    click.echo(f"{len(histories) - wrong} of {len(histories)} exams stand as they were sent.")
    sys.exit(ExitCode.PROBLEMS if wrong else ExitCode.WELL)


def _mended(opened: Outbox, target: str, found: Reconciled, mend: bool) -> str:
    """What was done, or is to be done, about an exam that does not stand as it was sent."""
    if not found.to_send:
        return "somebody else has changed it: that is for a person, and is not sent over"
    row = opened.latest(target, found.exam)
    if row is None:
        return f"its message was purged: hand {found.exam} over again (newborn-adapter send FILE --again)"
    if not mend:
        return f"--send queues number {row.seq} again, which sends just what is not there as it was"
    opened.put(target, opened.message(row.seq), again=True)
    return "queued; the next send brings just what is not there as it was"


@outbox.command()
@click.argument("number", type=int)
@click.option("--out", type=click.Path(path_type=Path), help="A file; standard output without it.")
@outbox_option
def export(number: int, out: Path | None, outbox_file: Path) -> None:
    """The Bundle or HL7 v2 message of an exam, byte for byte as it was queued. It holds a patient's data."""
    with _opened(outbox_file) as opened:
        _row(opened, number)
        payload = opened.message(number).payload
    write_output(out, payload)


@outbox.command()
@click.option("--older-than", type=click.FloatRange(0), default=0, metavar="DAYS", help="Only what ended before.")
@outbox_option
def purge(older_than: float, outbox_file: Path) -> None:
    """Delete what was sent or superseded, and the patients' data with it. Never what waits or was given up."""
    before = (datetime.now(UTC) - timedelta(days=older_than)).isoformat(timespec="milliseconds")
    with _opened(outbox_file) as opened:
        count = opened.purge(before.replace("+00:00", "Z"))
    click.echo(f"{count} purged.")


def _row(opened: Outbox, number: int) -> OutboxRow:
    row = opened.row(number)
    if row is None:
        raise click.UsageError(f"there is no number {number} in this outbox")
    return row


def _line(row: OutboxRow) -> str:
    why = f": {row.reasons[0].what}" if row.reasons else ""
    attempts = f"{row.attempts} attempt{'s' if row.attempts != 1 else ''}"
    return f"{row.seq:>6} {row.state.value:<10} {row.exam} to {row.target}, {attempts}{why}"


def _plain(row: OutboxRow) -> dict[str, Any]:
    return {
        "number": row.seq,
        "state": row.state.value,
        "exam": row.exam,
        "target": row.target,
        "attempts": row.attempts,
        "reasons": [str(problem) for problem in row.reasons],
        "queued": row.queued,
        "ended": row.ended,
    }
