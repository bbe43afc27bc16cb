"""A work as the commands run it: their options for it, its progress, and what is said of what was refused."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from shutil import copyfileobj
from typing import TYPE_CHECKING, Any, TypeVar

import click

from adapter.cli.log import note, progress, tell
from adapter.cli.options import nothing_read
from adapter.problems import ExitCode

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue
    from adapter.cli.targets import SourceOptions
    from adapter.run import Given, Tally, Work

F = TypeVar("F", bound=Callable[..., Any])


def many_options(command: F) -> F:
    """``--jobs`` and ``--quiet``."""
    command = click.option("--quiet", is_flag=True, help="No word of progress.")(command)
    return click.option(
        "--jobs",
        type=click.IntRange(min=1),
        help="So many processes at once. Default: every processor, where there is more than a little to do.",
    )(command)


def given(
    files: Sequence[Path], source: SourceOptions | None = None, catalogue: Catalogue | None = None
) -> list[Given]:
    """The inputs that are named: files, ``-`` for standard input; or what a server holds."""
    from adapter.run import standard_input

    if source is None or catalogue is None:
        return [standard_input() if str(path) == "-" else path for path in files]
    if source.named == bool(files):
        raise click.UsageError("name files, or a server with --from or --target")
    if source.named:
        from adapter.run.server import Wanted, held_by

        if (source.group or source.type_filters) and (source.by_search or source.exams or source.newborns):
            raise click.UsageError("--group and --type-filter are for a Bulk Data export, not for searches")
        since, group = source.since or "", source.group or ""
        wanted = Wanted(source.exams, source.newborns, since, source.by_search, group, source.type_filters)
        return [held_by(source.target(), catalogue, wanted, note)]
    return given(files)


def run_into(work: Work, inputs: Sequence[Given], out: Path, jobs: int | None, quiet: bool) -> Tally:
    """A run to its end, and what is to be said of it."""
    from adapter.run import run

    try:
        summary = run(work, inputs, out, jobs=jobs, progress=None if quiet else progress())
    except KeyboardInterrupt:
        note("\nInterrupted. What is finished is kept: the same command goes on from there.")
        raise
    for problem in summary.shown:
        tell(problem)
    if summary.rejected is not None:
        what = "refused, and why" if summary.tally.refused else "put in doubt"
        note(f"What was {what}: {summary.rejected}/problems.ndjson")
    return summary.tally


def poured(work: Work, inputs: Sequence[Given], name: str, jobs: int | None) -> Tally:
    """What a work makes, to standard output: the file of this name in each chunk. What was refused is said."""
    from adapter.run import Tally, stream
    from adapter.run.rejects import REJECTED, problems_in

    whole = Tally()
    for tally, folder in stream(work, inputs, jobs=jobs):
        whole.add(tally)
        for problem in problems_in(folder / REJECTED):
            tell(problem)
        with (folder / name).open("rb") as file:
            copyfileobj(file, sys.stdout.buffer)
        sys.stdout.buffer.flush()
    return whole


def end(tally: Tally) -> None:
    """Exit 1 where anything was refused, or nothing was there to read."""
    if not tally.read:
        sys.exit(nothing_read())
    sys.exit(ExitCode.PROBLEMS if tally.refused else ExitCode.WELL)
