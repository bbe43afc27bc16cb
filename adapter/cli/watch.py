"""``newborn-adapter watch``: a drop folder, from files to a server."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import click

from adapter.catalogue import Catalogue
from adapter.catalogue.settings import Persons
from adapter.cli.log import note, tell
from adapter.cli.options import catalogue_for, site_option
from adapter.cli.reporting import say_standing
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
from adapter.problems import ExitCode
from adapter.read.plan import Plan, load_plan
from adapter.send.watch import DropFolder, Intake, Journal, Metrics, Pace, Watcher, served


@click.command()
@click.argument("drop", type=click.Path(exists=True, file_okay=False, path_type=Path))
@target_options
@outbox_option
@newborns_option
@persons_option
@click.option(
    "--columns",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A column plan (YAML), where the files are tables of any other form: CSV, TSV or XLSX.",
)
@click.option("--parallel", type=click.IntRange(1, 64), help="How many exams at a time.")
@click.option(
    "--every", type=click.FloatRange(0.05, 3600), default=1.0, show_default=True, help="Seconds between looks."
)
@click.option(
    "--settle",
    type=click.FloatRange(0, 3600),
    default=2.0,
    show_default=True,
    help="Seconds for which a file must not have changed before it is taken.",
)
@click.option(
    "--metrics-port",
    type=click.IntRange(0, 65535),
    help="Numbers for Prometheus at 127.0.0.1; 0 takes any free port.",
)
@site_option
def watch(
    drop: Path,
    address: Address,
    outbox_file: Path,
    newborns: str | None,
    persons: Persons,
    columns: Path | None,
    parallel: int | None,
    every: float,
    settle: float,
    metrics_port: int | None,
    site: Path | None,
) -> None:
    """Watch the folder DROP: check, convert, validate and send each file that is put there, until told to stop.

    A file is taken when nobody writes it any more; names ending in .part or .tmp are left alone, so write under such
    a name and rename. It ends in DROP/done, every exam being on the server, or in DROP/failed; a report in words
    and one as OperationOutcome lie beside it. It may be stopped or killed at any point and started again: no exam
    is lost or doubled. Each event is a line of JSON on standard output, without patient data.

    \b
    Example:
      mkdir drop
      newborn-adapter watch drop --to http://127.0.0.1:8080/fhir --outbox outbox.db --metrics-port 9464
    """
    target = address.target()
    target = with_persons(with_newborns(target, newborns), persons)
    catalogue = catalogue_for(site)
    say_standing(catalogue)
    plan = _plan(columns, catalogue)
    if outbox_file.absolute().is_relative_to(drop.absolute()):
        raise click.UsageError(f"--outbox {outbox_file} lies in the drop folder; put it elsewhere")
    journal, metrics = Journal(sys.stdout), Metrics()
    with ExitStack() as stack:
        try:
            transport = stack.enter_context(target.transport())
            outbox = stack.enter_context(opened_outbox(outbox_file))
            folder = stack.enter_context(DropFolder(drop, settle))
            if metrics_port is not None:
                port = stack.enter_context(served(metrics, metrics_port))
                journal.write("metrics", address=f"http://127.0.0.1:{port}/metrics")
        except OSError as error:
            raise click.UsageError(f"{error.filename or '--metrics-port'}: {error.strerror}") from None
        watcher = Watcher(
            folder,
            Intake(outbox, transport, catalogue, plan),
            outbox,
            transport,
            journal,
            metrics=metrics,
            retry=target.retries(),
            parallel=parallel or target.parallel,
            pace=Pace(look=every),
        )
        with _until_told(watcher):
            watcher.run()


@contextmanager
def _until_told(watcher: Watcher) -> Iterator[None]:
    """SIGTERM and Ctrl-C end the watch in order."""
    before = {one: signal.signal(one, lambda *_: watcher.stop()) for one in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _plan(path: Path | None, catalogue: Catalogue) -> Plan | None:
    if path is None:
        return None
    plan, problems = load_plan(path, catalogue)
    for problem in problems:
        tell(problem)
    if plan is None or problems:
        note("The plan cannot be used; nothing was watched.")
        sys.exit(ExitCode.USAGE)
    return plan
